"""How the site is made of docs/: ``python -m sphinx -W --keep-going -b html docs build/site``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from in_place import filled, within_reach

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
templates_path = ["site/templates"]
html_static_path = ["site/static"]
html_css_files = ["site.css"]
html_copy_source = False
html_use_index = False
html_show_sourcelink = False
html_show_search_summary = False  # it is fetched, which a browser does not do from a folder

NOTICE = '<p class="notice">rampguard is <strong>not a safety device</strong>: <a href="{}">Safety</a> comes first.</p>'
"""Above every page but the first, which says so itself."""


def _fill(app: Any, page: str, source: list[str]) -> None:
    source[0] = filled(source[0])


def _finish(app: Any, page: str, template: str, context: dict[str, Any], doctree: Any) -> None:
    for part in ("body", "furo_navigation_tree"):
        context[part] = within_reach(context.get(part, ""))
    if doctree is not None and page != root_doc:
        context["body"] = NOTICE.format(context["pathto"]("safety")) + context["body"]


def setup(app: Any) -> dict[str, bool]:
    """Have pages filled as they are read, and finished after the theme has done its part."""
    app.connect("source-read", _fill)
    app.connect("html-page-context", _finish, priority=900)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
