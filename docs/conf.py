"""Sphinx configuration: ``make docs``. Nothing is fetched, neither when the site is built nor when it is read."""

from __future__ import annotations

import os
from pathlib import Path

import faultml

os.environ.setdefault("MPLBACKEND", "agg")

project = "faultml"
author = "The faultml authors"
project_copyright = "The faultml authors, Apache-2.0"
version = release = faultml.__version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.napoleon",
    "sphinx_gallery.gen_gallery",
]
root_doc = "docs/index"
exclude_patterns = ["docs/_templates", "docs/examples", "docs/gallery/backreferences"]

# Pages are plain Markdown that reads as it stands; links between files and anchors of headings work in both places.
myst_heading_anchors = 3
myst_enable_extensions = ["colon_fence"]

autosummary_generate = True
autodoc_typehints = "signature"
autodoc_member_order = "bysource"
napoleon_numpy_docstring = True
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True  # an attribute once: in its class, not beside its field too
templates_path = [str(Path(__file__).parent / "_templates")]

sphinx_gallery_conf = {
    "examples_dirs": ["docs/examples"],
    "gallery_dirs": ["docs/gallery"],
    "filename_pattern": r"\.py$",
    "backreferences_dir": "docs/gallery/backreferences",
    "doc_module": ("faultml",),
    "within_subsection_order": "FileNameSortKey",
    "abort_on_example_error": True,
    "remove_config_comments": True,
    "default_thumb_file": str(Path(__file__).parent / "desk-swing.png"),
    "show_memory": False,
    "show_signature": False,
    "write_computation_times": False,
    "min_reported_time": 0,
    "download_all_examples": False,
}

html_theme = "pydata_sphinx_theme"
html_title = f"faultml {version}"
html_static_path: list[str] = []
html_extra_path = ["_extra"]
html_show_sourcelink = False
html_copy_source = False
html_theme_options = {
    "navbar_align": "left",
    "show_prev_next": False,
    "secondary_sidebar_items": ["page-toc"],
    "footer_start": ["copyright"],
    "footer_end": [],
}
html_sidebars = {"**": ["sidebar-nav-bs"]}
