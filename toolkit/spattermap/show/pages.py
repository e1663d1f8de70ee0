"""What every page shares: its style, its frame, anchors and pictures held in the page itself."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from html import escape, unescape
from pathlib import Path
from typing import TYPE_CHECKING

from spattermap import __version__
from spattermap.core.errors import in_order

if TYPE_CHECKING:
    from spattermap.show.pictures.canvas import Picture

_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {script}; "
    "base-uri 'none'; form-action 'none'"
)

# Below the pages of one field.
FOOTER = f"Made by Spattermap {__version__}. Screening evidence, not certification."


def style() -> str:
    """Return the style sheet of every page."""
    return Path(__file__).with_name("style.css").read_text(encoding="utf-8")


def anchor(title: str) -> str:
    """Return the anchor of a heading."""
    return re.sub(r"\W+", "-", unescape(title)).strip("-").lower()


def document(
    main: str, *, title: str, kind: str, footer: str, heading: str = "", contents: str = ""
) -> str:
    """Return a self-contained page that asks for nothing; its script is known by hash."""
    from spattermap.show.field_viewer import module_hash

    policy = _POLICY.format(script=module_hash())
    return in_order(
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f'<meta name="generator" content="Spattermap {__version__}">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style()}\n</style>\n</head>\n<body>\n"
        '<a class="skip" href="#main">Skip to the answer</a>\n'
        f'<header>\n<h1>{escape(heading or title)}</h1>\n<p class="kind">{escape(kind)}</p>\n'
        f'</header>\n<div class="page{" shell" * bool(contents)}">{contents}\n'
        f'<main id="main" tabindex="-1">\n{main}\n</main>\n</div>\n'
        f"<footer>\n<p>{escape(footer)}</p>\n</footer>\n</body>\n</html>\n"
    )


def closed_part(title: str, html: str) -> str:
    """Return a part of a page that opens at a click and in print."""
    return (
        f'<details class="part"><summary><h2>{escape(title)}</h2></summary>\n'
        f'<div id="{anchor(title)}">{html}</div></details>\n'
    )


def open_part(title: str, html: str, *, kind: str = "part") -> str:
    """Return a part of a page that stands open; the one of kind "first" is the first screen."""
    heading = f'<h2 id="{anchor(title)}">{escape(title)}</h2>'
    return f'<section class="{kind}">{heading}{html}</section>\n'


def shell(
    parts: Sequence[tuple[str, str]], *, title: str, kind: str, heading: str, level: float
) -> str:
    """Return a self-contained page with a table of contents."""
    parts = [(name, html) for name, html in parts if html]
    contents = "".join(
        f'<li><a href="#{anchor(name)}">{escape(name)}</a></li>' for name, _ in parts
    )
    body = "".join(f'<h2 id="{anchor(name)}">{escape(name)}</h2>\n{html}\n' for name, html in parts)
    nav = f'<nav aria-label="On this page"><h2>On this page</h2><ol>{contents}</ol></nav>'
    footer = f"Spattermap {__version__}. Bounds are {100 * level:g} % intervals."
    return document(body, title=title, kind=kind, heading=heading, footer=footer, contents=nav)


def figure_html(picture: Picture, *, wide: bool = False) -> str:
    """Return a picture with its words, held in the page itself; a wide one scrolls where narrow."""
    code = base64.b64encode(picture.png()).decode("ascii")
    alt = escape(picture.alt)
    kind = ' class="wide" tabindex="0"' if wide else ""
    return f'<figure{kind}><img alt="{alt}" src="data:image/png;base64,{code}"></figure>'
