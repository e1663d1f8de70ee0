"""Settings of the documentation."""

import sys
from pathlib import Path

# Sources are gathered in build/docs_source, two folders below the root.
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "toolkit"))

from spattermap import __version__

project = "Spattermap"
author = "The Spattermap developers"
copyright = "the Spattermap developers, GPL-3.0-or-later"  # noqa: A001 (the name Sphinx wants)
version = release = __version__
extensions = ["sphinx.ext.autodoc", "numpydoc", "myst_nb"]
html_theme = "alabaster"
html_theme_options = {
    "description": "Element maps of metal deposits turned into answers.",
    "fixed_sidebar": True,
    "page_width": "1100px",
    "sidebar_width": "240px",
}
html_show_sourcelink = False
# Nothing is fetched when a page is read; formulas in docstrings are plain text.
mathjax_path = "not_used.js"
templates_path: list[str] = []
exclude_patterns = ["sample_maps"]
autodoc_typehints = "none"
# matplotlib writes a method `set` of its own into every figure class.
autodoc_default_options = {"exclude-members": "set"}
autodoc_member_order = "bysource"
numpydoc_show_class_members = False
numpydoc_class_members_toctree = False
myst_enable_extensions = ["colon_fence"]
nb_execution_timeout = 900
nb_execution_raise_on_error = True
nb_merge_streams = True
suppress_warnings = ["mystnb.unknown_mime_type", "config.cache"]
