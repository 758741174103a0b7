"""How the site is made of docs/: ``python -m sphinx -W --keep-going -b html docs build/site``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from in_place import filled

from rampguard import __version__

project = "rampguard"
author = copyright = "the rampguard maintainers"  # noqa: A001 - the generator's own name
version = release = __version__
language = "en"

extensions = ["myst_parser"]
root_doc = "index"
source_suffix = {".md": "markdown"}
myst_heading_anchors = 3
pygments_style = "a11y-high-contrast-light"
pygments_dark_style = "a11y-high-contrast-dark"

html_theme = "furo"
html_title = "rampguard"
html_static_path = ["site"]
html_css_files = ["site.css"]
html_copy_source = False
html_show_sourcelink = False
html_theme_options: dict[str, Any] = {
    "announcement": "<strong>rampguard is not a safety device.</strong> Isolation transformer, fuse, emergency-off and"
    " local codes come first.",
}


def _fill(app: Any, page: str, source: list[str]) -> None:
    source[0] = filled(source[0])


def setup(app: Any) -> dict[str, bool]:
    """Have pages filled as they are read."""
    app.connect("source-read", _fill)
    return {"parallel_read_safe": True}
