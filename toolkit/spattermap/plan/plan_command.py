"""The command ``spattermap plan``; imports nothing heavy until it runs."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from typing import Any

from spattermap.core.errors import InputError

DONE = 0
_NUMBERS = {
    "counts_per_second": "counts per second of all alloy lines on the thick alloy",
    "rate_energy_keV": "beam energy at which that rate holds (keV)",
    "d50_um": "median diameter of the droplets (um)",
    "sigma_g": "geometric standard deviation of the diameters",
    "coverage": "area fraction of the droplets",
    "thickness_nm": "mean thickness of the droplets (nm)",
    "haze_percent": "share of the metal signal between the droplets (%%)",
    "beam_um": "standard deviation of the probe (um)",
    "field_overhead_minutes": "time a field costs besides its mapping (min)",
}
_RATES = {
    "alloy_rates": "net counts per second of each element on the thick alloy, where read",
    "bare_rates": "counts per second in each map on bare substrate, where read",
}


def add_to(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
) -> argparse.ArgumentParser:
    """Add the command to the parser's commands and return its own parser."""
    command = commands.add_parser(
        "plan",
        help="say what to map, at which energy, for how long, to decide your questions",
        epilog='Questions: "apart Zn 30" (percent of the element), "droplet 0.5" (um), "haze 5", '
        '"thickness 15", "coverage 10" (percent), "oxide", "connected", "sizes 10" (percent of '
        "D50 between two settings).",
    )
    command.add_argument("--out", type=Path, required=True, metavar="FOLDER",
                         help="where page, tables and mapset.toml go")  # fmt: skip
    command.add_argument("--overwrite", action="store_true",
                         help="begin an earlier plan anew, without its made fields")  # fmt: skip
    command.add_argument("--ask", action="append", default=[], metavar="QUESTION",
                         help="a question with its stake; give it once for each")  # fmt: skip
    command.add_argument("--alloy", metavar="Cu=70,Zn=30", help="mass percent")
    command.add_argument("--substrate", metavar="Si=46.7,O=53.3", help="mass percent")
    command.add_argument("--like", type=Path, metavar="MAPSET",
                         help="take what is known from a map set like those to come")  # fmt: skip
    command.add_argument("--like-minutes", type=float, metavar="MIN",
                         help="how long that map set was counted")  # fmt: skip
    for name, words in _NUMBERS.items():
        command.add_argument(f"--{name.replace('_', '-')}", dest=name, type=float, metavar="N",
                             help=words)  # fmt: skip
    for name, words in _RATES.items():
        command.add_argument(f"--{name.replace('_', '-')}", dest=name, metavar="Cu=900,Zn=300",
                             help=words)  # fmt: skip
    command.add_argument("--minutes", type=float, default=20.0, metavar="MIN",
                         help="time in all (default: 20)")  # fmt: skip
    for flag, words, default in (
        ("--energies", "beam energies to choose from (keV)", "5,10,15,20"),
        ("--pixels", "pixel sizes to choose from (um)", "0.25,0.5"),
        ("--fields", "sides of a field to choose from (um)", "60"),
        ("--n-fields", "numbers of fields to choose from", "1,2,3"),
    ):
        command.add_argument(flag, default=default, metavar=default,
                             help=f"{words} (default: {default})")  # fmt: skip
    command.add_argument("--no-blank", action="store_true", help="no bare plate can be mapped")
    command.add_argument("--made-fields", type=int, default=None, metavar="N",
                         help="made fields to try at most; 0 for closed forms alone")  # fmt: skip
    command.add_argument("--seed", type=int, default=0, metavar="N", help="of the made fields")
    command.add_argument("--scheduler", metavar="ADDRESS",
                         help="dask scheduler, or processes, threads, synchronous")  # fmt: skip
    command.add_argument("--workers", type=int, metavar="N", help="local workers (default: cores)")
    command.set_defaults(run=run)
    return command


def run(chosen: argparse.Namespace) -> int:
    """Run the command."""
    for name in ("made_fields", "seed"):
        if (getattr(chosen, name) or 0) < 0:
            raise InputError(f"--{name.replace('_', '-')} must be at least 0. Leave it out.")
    offered = _offered(chosen)
    asked = _asked(chosen)
    known = _known(chosen)
    from spattermap.core.files import (
        only_writer,
        opened_again,
        remove_left_behind,
        scratch_beside,
    )
    from spattermap.plan.kept import FILE, Kept
    from spattermap.plan.planning import MADE_FIELDS, plan

    # A folder that cannot be used is refused before any work is done.
    new = not (chosen.out / FILE).is_file()
    others = [item.name for item in chosen.out.glob("*")] if chosen.overwrite else []
    folder = opened_again(chosen.out, FILE, *others, kind="plan")
    try:
        with only_writer(folder):
            remove_left_behind(folder)
            if chosen.overwrite:
                (folder / FILE).unlink(missing_ok=True)
            Kept(folder / FILE).write()
            found = plan(
                known, asked, offered, seed=chosen.seed, scheduler=chosen.scheduler,
                workers=chosen.workers, kept=folder / FILE,
                made_fields=MADE_FIELDS if chosen.made_fields is None else chosen.made_fields,
                progress=lambda line: print(line, file=sys.stderr, flush=True),
            )  # fmt: skip
            with scratch_beside(folder / FILE) as stage:
                found.write(stage)
                for item in stage.iterdir():
                    item.replace(folder / item.name)
    except InputError:  # nothing was begun
        if new:
            (folder / FILE).unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    print(found.sentence)
    print(chosen.out / "plan.html")
    return DONE


def _asked(chosen: argparse.Namespace) -> list[Any]:
    from spattermap.plan.questions import Question

    if not chosen.ask:
        raise InputError('--ask must be given at least once, got none. Write --ask "apart Zn 30".')
    return [Question.parse(text) for text in chosen.ask]


def _offered(chosen: argparse.Namespace) -> Any:
    from spattermap.plan.choices import Choices

    whole = _numbers(chosen.n_fields, "--n-fields")
    if any(n != int(n) for n in whole):
        raise InputError(f"--n-fields must be whole numbers, got {chosen.n_fields!r}.")
    return Choices(
        minutes=chosen.minutes, energies_keV=_numbers(chosen.energies, "--energies"),
        pixel_sizes_um=_numbers(chosen.pixels, "--pixels"),
        field_sizes_um=_numbers(chosen.fields, "--fields"),
        n_fields=tuple(int(n) for n in whole), blank=not chosen.no_blank,
    )  # fmt: skip


def _numbers(text: str, flag: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.replace(",", " ").split())
    except ValueError:
        raise InputError(f"{flag} must be numbers with commas, got {text!r}.") from None


def _parts(text: str | None, flag: str, example: str) -> dict[str, float] | None:
    if text is None:
        return None
    try:
        pairs = [part.split("=") for part in text.replace(",", " ").split()]
        return {element: float(part) for element, part in pairs}
    except ValueError:
        raise InputError(
            f"{flag} must be elements with a number each, got {text!r}. Write {flag} {example}."
        ) from None


def _known(chosen: argparse.Namespace) -> Any:
    stated = {name: value for name in _NUMBERS if (value := getattr(chosen, name)) is not None}
    for name, example in (("alloy", "Cu=70,Zn=30"), ("substrate", "Si=46.7,O=53.3")):
        parts = _parts(getattr(chosen, name), f"--{name}", example)
        if parts is not None:
            stated[name] = parts
        elif chosen.like is None:
            raise InputError(f"--{name} must be stated, got none. Write --{name} {example}.")
    for name in _RATES:
        rates = _parts(getattr(chosen, name), f"--{name.replace('_', '-')}", "Cu=900,Zn=300")
        if rates is not None:
            stated[name] = rates
    from spattermap.plan.choices import Known, known_from

    if chosen.like is None:
        return Known.stated(**stated)
    if chosen.like_minutes is None:
        raise InputError("--like-minutes must say how long the map set was counted, got none.")
    from spattermap.loaders import load, load_blank

    return known_from(load(chosen.like), minutes=chosen.like_minutes,
                      blank=load_blank(chosen.like), **stated)  # fmt: skip
