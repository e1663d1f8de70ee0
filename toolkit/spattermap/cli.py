"""The command line: ``spattermap report``, ``spattermap look`` and friends.

Only argparse is imported here; each command imports its own room when it runs, so that
``spattermap --help`` answers at once.
"""

from __future__ import annotations

import argparse
import sys
import traceback
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from spattermap import __version__
from spattermap.core.errors import (
    InputError,
    SpattermapError,
    SpattermapWarning,
    printable,
    short_of_memory,
)

if TYPE_CHECKING:
    from spattermap.core.settings import Settings

DONE, OUR_FAULT, UNUSABLE_INPUT = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command."""
    chosen = _parser().parse_args(arguments)
    try:
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            return int(chosen.run(chosen))
    except SpattermapError as problem:
        print(f"spattermap: {problem}", file=sys.stderr)
        return UNUSABLE_INPUT
    except KeyboardInterrupt:
        kept = getattr(chosen, "kept", "nothing half-written is left")
        print(f"spattermap: interrupted; {kept}.", file=sys.stderr)
        return 130  # 128 + SIGINT, common practice of shells
    except Exception as problem:
        if short_of_memory(problem):
            print(
                f"spattermap: the work must fit in memory, got: {' '.join(str(problem).split())}. "
                "Cut the maps, or convert them to a mosaic and analyse that with --workers 1.",
                file=sys.stderr,
            )
            return UNUSABLE_INPUT
        traceback.print_exc()
        print(
            f"spattermap {__version__}: this is a fault of ours, not of your input. "
            "Please report it with the lines above.",
            file=sys.stderr,
        )
        return OUR_FAULT


def _show_warning(  # noqa: PLR0917 (the signature that warnings.showwarning asks for)
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Print our own warnings as one line; those of libraries stay as Python shows them."""
    if issubclass(category, SpattermapWarning):
        said = printable(" ".join(str(message).split()))
        print(f"spattermap: warning: {said}", file=sys.stderr)
    else:
        text = warnings.formatwarning(message, category, filename, lineno, line)
        print(text, end="", file=file or sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="spattermap",
        description="Element maps of metal deposits turned into answers with their uncertainty.",
        epilog="Exit status: 0 done, 2 the input cannot be used, 1 a fault of ours.",
    )
    parser.add_argument("--version", action="version", version=f"spattermap {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_report(commands)
    _add_look(commands)
    _add_compare(commands)
    _add_sweep(commands)
    _add_plan(commands)
    _add_convert(commands)
    _add_mosaic(commands)
    return parser


def _add_report(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser(
        "report", help="analyse one map set and write a page, tables and pictures"
    )
    report.add_argument("mapset", type=Path, metavar="MAPSET", help="folder or file with the maps")
    _add_out_and_blank(report)
    _add_crop(report)
    report.add_argument("--vector", action="store_true", help="save each picture as SVG too")
    _add_choices(report)
    report.set_defaults(run=_report)


def _add_look(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    look = commands.add_parser(
        "look",
        help="say what is in a map set and what is missing; draft the outlines of a lone image",
    )
    look.add_argument("mapset", type=Path, metavar="MAPSET", help="folder or file with the maps")
    _add_crop(look)
    lone = look.add_argument_group("a lone electron image, without maps")
    lone.add_argument(
        "--polarity",
        choices=("auto", "bright", "dark"),
        default="auto",
        help="draw what is brighter or what is darker (default: what covers less)",
    )
    lone.add_argument(
        "--threshold",
        type=float,
        metavar="GREY",
        help="grey value that parts the two (default: from the picture)",
    )
    lone.add_argument(
        "--split",
        type=float,
        default=1.0,
        metavar="STRENGTH",
        help="how readily parts that touch are parted (default 1)",
    )
    lone.add_argument("--out", type=Path, metavar="FOLDER", help="where picture and table go")
    lone.add_argument("--overwrite", action="store_true", help="replace an earlier draft")
    look.set_defaults(run=_look)


def _add_compare(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    compare = commands.add_parser("compare", help="show a few deposits side by side on one scale")
    compare.add_argument(
        "mapsets", type=Path, nargs="+", metavar="MAPSET", help="two to six map sets"
    )
    compare.add_argument(
        "--out", type=Path, required=True, metavar="FOLDER", help="where the page goes"
    )
    compare.add_argument("--overwrite", action="store_true", help="replace an earlier comparison")
    _add_choices(compare)
    compare.set_defaults(run=_compare)


def _add_out_and_blank(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--out", type=Path, required=True, metavar="FOLDER", help="where the results go"
    )
    command.add_argument(
        "--overwrite", action="store_true", help="replace the results in a folder that has some"
    )
    command.add_argument(
        "--blank", type=Path, metavar="MAPSET", help="bare substrate, same conditions"
    )


def _add_crop(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--crop", action="store_true", help="cut maps that differ by a border to one size"
    )


def _add_sweep(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    from spattermap.sweeps import command

    sweep = command.add_to(commands)
    _add_choices(sweep)
    sweep.set_defaults(
        run=lambda chosen: command.run(chosen, chosen_settings(chosen)),
        kept="what is finished is kept, and the same command goes on from there",
    )


def _add_plan(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    from spattermap.plan import plan_command

    plan_command.add_to(commands)


def _add_convert(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    convert = commands.add_parser(
        "convert", help="write a map set, or a grid of tiles, as one mosaic on disk"
    )
    convert.add_argument(
        "source",
        type=Path,
        metavar="SOURCE",
        help="a map set, or a CSV table of tiles: path, y_px, x_px (or y_um, x_um)",
    )
    convert.add_argument(
        "--out", type=Path, required=True, metavar="MOSAIC.zarr", help="a new folder"
    )
    convert.add_argument(
        "--overlap",
        choices=("refuse", "first"),
        default="refuse",
        help="tiles that share pixels: an error (default), or keep the earlier line's",
    )
    convert.set_defaults(run=_convert)


def _add_mosaic(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    mosaic = commands.add_parser(
        "mosaic", help="analyse a map set of any size part by part and write a page and tables"
    )
    mosaic.add_argument("mapset", type=Path, metavar="MOSAIC.zarr", help="as convert writes it")
    _add_out_and_blank(mosaic)
    mosaic.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="dask scheduler, or processes, threads, synchronous (default: threads)",
    )
    mosaic.add_argument(
        "--workers", type=int, metavar="N", help="local workers, each about 0.7 GB (default: cores)"
    )
    _add_choices(mosaic)
    mosaic.set_defaults(run=_mosaic)


def _add_choices(command: argparse.ArgumentParser) -> None:
    command.add_argument("--alloy", metavar="Fe,Ni", help="elements of the alloy")
    command.add_argument("--substrate", metavar="Si,O", help="elements of the substrate")
    command.add_argument("--settings", type=Path, metavar="FILE", help="a settings.toml")


def chosen_settings(chosen: argparse.Namespace) -> Settings:
    """Return the settings file's values with the command line's on top."""
    from spattermap.core.settings import Settings

    settings = Settings.from_toml(chosen.settings) if chosen.settings else Settings()
    changes = {}
    for role in ("alloy", "substrate"):
        text = getattr(chosen, role)
        if text is not None:
            symbols = tuple(part for part in text.replace(",", " ").split())
            if not symbols:
                raise InputError(
                    f"--{role} must list element symbols, got {text!r}. Write --{role} Cu,Zn."
                )
            changes[role] = symbols
    return settings.with_changes(**changes)


def _report(chosen: argparse.Namespace) -> int:
    settings = chosen_settings(chosen)  # before the slow imports: a typing error answers at once
    from spattermap.core.lean import share_compiling, spare_imports

    spare_imports()  # before what it spares us
    from spattermap.show.progressing import progress
    from spattermap.show.report import write_report

    share_compiling()
    with progress():
        page = write_report(
            chosen.mapset,
            chosen.out,
            settings=settings,
            blank=chosen.blank,
            overwrite=chosen.overwrite,
            crop=chosen.crop,
            vector=chosen.vector,
        )
    print(page)
    return DONE


def _compare(chosen: argparse.Namespace) -> int:
    settings = chosen_settings(chosen)
    from spattermap.show.progressing import progress
    from spattermap.show.side_by_side import compare

    with progress():
        page = compare(chosen.mapsets, chosen.out, settings=settings, overwrite=chosen.overwrite)
    print(page)
    return DONE


def _look(chosen: argparse.Namespace) -> int:
    from spattermap.core.lean import spare_imports

    spare_imports()  # before what it spares us
    from spattermap.loaders import blank_path, load
    from spattermap.show.look import as_text

    try:
        maps = load(chosen.mapset, crop=chosen.crop)
    except SpattermapError:
        from spattermap.show.micrograph import is_lone_image

        if not is_lone_image(chosen.mapset):
            raise
        return _draft(chosen)
    for line in as_text(maps).split("\n"):
        print(printable(line))
    blank_path(chosen.mapset)  # a blank that is named but not there would stop the report
    return DONE


def _draft(chosen: argparse.Namespace) -> int:
    from spattermap.show.micrograph import DRAFT, draft

    found = draft(
        chosen.mapset,
        polarity=chosen.polarity,
        threshold=chosen.threshold,
        split_strength=chosen.split,
    )
    print(f"{found.text()}\n\n{DRAFT}")
    if chosen.out is not None:
        print(found.save(chosen.out, overwrite=chosen.overwrite) / "draft.png")
    return DONE


def _convert(chosen: argparse.Namespace) -> int:
    from spattermap.loaders.convert import convert

    print(convert(chosen.source, chosen.out, overlap=chosen.overlap))
    return DONE


def _mosaic(chosen: argparse.Namespace) -> int:
    settings = chosen_settings(chosen)  # before the slow imports: a typing error answers at once
    from spattermap.core.files import refuse_input_as_out
    from spattermap.core.work import Workers
    from spattermap.loaders import load, open_parts
    from spattermap.show.mosaic_page import write_mosaic
    from spattermap.show.progressing import progress

    refuse_input_as_out(chosen.out, (chosen.mapset, chosen.blank))
    with progress():
        write_mosaic(
            open_parts(chosen.mapset),
            chosen.out,
            blank=load(chosen.blank) if chosen.blank else None,
            settings=settings,
            workers=Workers(chosen.scheduler, chosen.workers),
            overwrite=chosen.overwrite,
        )
    print(chosen.out / "report.html")
    return DONE
