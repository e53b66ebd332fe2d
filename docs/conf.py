"""How `make docs` builds the pages below docs/; the interface is read from the docstrings."""

from __future__ import annotations

from importlib.metadata import version as installed

project = "quietsleep"
version = release = installed("quietsleep")
author = "The quietsleep developers"
extensions = ["sphinx.ext.autodoc", "sphinx.ext.napoleon", "myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
html_theme = "alabaster"
html_theme_options = {"description": "Nightly data pipeline of an infant lung-function study"}
autodoc_typehints = "signature"
autodoc_member_order = "bysource"
autodoc_type_aliases = {"ArrayLike": "ArrayLike"}
myst_heading_anchors = 3
nitpicky = False
# Nothing is fetched from elsewhere while the pages are built or read.
html_use_index = True
html_show_sourcelink = False
suppress_warnings = ["myst.header"]
