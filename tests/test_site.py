"""The docs as a site: every page in the navigation, every link leading somewhere, nothing fetched from elsewhere."""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest

from rampguard.cautions import NOT_PROVEN_OFF, PRE_POWER_CHECKS
from rampguard.cli import parser
from rampguard.cold.sheet import ColdSheet
from rampguard.warmup.sheet import UnitSheet

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"
sys.path.insert(0, str(DOCS))
sys.path.insert(0, str(ROOT / "constraints"))

import in_place  # noqa: E402 - the path comes first
import make_lowest  # noqa: E402
import make_reference  # noqa: E402

PAGES = sorted(path.relative_to(DOCS).with_suffix("").as_posix() for path in DOCS.rglob("*.md"))
LOADED = {
    "script": "src",
    "img": "src",
    "iframe": "src",
    "source": "src",
    "link": "href",
    "embed": "src",
    "object": "data",
}
FETCHED_LINKS = {"stylesheet", "icon", "preload", "prefetch", "preconnect", "modulepreload", "dns-prefetch", "manifest"}
ELSEWHERE = re.compile(r"(?:url\(|@import|href=)\s*['\"]?((?:https?:)?//[^)'\"]+)")
SPHINX = ("sphinx", "myst_parser", "furo")


class Told(HTMLParser):
    """What one page is made of: its names, what it links to, what a browser loads with it, and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.without_words: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        has = {key: value or "" for key, value in attributes}
        self.names |= {has[key] for key in ("id", "name") if key in has}
        if tag == "a" and "href" in has:
            self.links.append(has["href"])
        if tag == "img" and not has.get("alt"):
            self.without_words.append(has.get("src", ""))
        if has.get(LOADED.get(tag, "")) and (tag != "link" or FETCHED_LINKS & set(has.get("rel", "").split())):
            self.loads.append(has[LOADED[tag]])
        self.loads += re.findall(r"url\(([^)]+)\)", has.get("style", ""))

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if not all(importlib.util.find_spec(name) for name in SPHINX):
        pytest.skip("the extra 'docs' is not installed")
    out = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html", "-d", str(out / "trees")]
    done = subprocess.run(
        [*command, str(DOCS), str(out / "html")], capture_output=True, text=True, timeout=110, env={**os.environ}
    )
    assert done.returncode == 0, done.stderr
    return out / "html"


@pytest.fixture(scope="module")
def told(site: Path) -> dict[Path, Told]:
    return {path: Told(path.read_text(encoding="utf-8")) for path in sorted(site.rglob("*.html"))}


def _navigation() -> list[str]:
    blocks = re.findall(r"```\{toctree\}\n(.*?)```", (DOCS / "index.md").read_text(encoding="utf-8"), re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line and not line.startswith(":")]


def test_every_page_is_in_the_navigation_once() -> None:
    named = _navigation()
    there = sorted(name.removesuffix("?") for name in named if not name.endswith("?") or name[:-1] in PAGES)
    assert there == [page for page in PAGES if page != "index"]
    assert len(set(named)) == len(named)


def test_a_page_that_is_named_ahead_is_shown_once_it_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(in_place, "DOCS", tmp_path)
    (tmp_path / "here.md").write_text("# Here\n", encoding="utf-8")
    assert in_place.filled("guard\nhere?\nnot-yet?\nband\n") == "guard\nhere\nband\n"


def test_the_site_is_built_strictly_and_has_every_page(told: dict[Path, Told], site: Path) -> None:
    assert {f"{page}.html" for page in PAGES} <= {path.relative_to(site).as_posix() for path in told}
    assert "on the site:" not in "".join(path.read_text(encoding="utf-8") for path in told)


def test_every_link_and_picture_of_the_site_is_there(told: dict[Path, Told]) -> None:
    lost = []
    for page, what in told.items():
        for target in [*what.links, *what.loads]:
            parts = urlsplit(target)
            if parts.scheme or parts.netloc:
                continue
            file = (page.parent / unquote(parts.path)).resolve() if parts.path else page
            at = told.get(file)
            if not file.exists() or (parts.fragment and at and unquote(parts.fragment) not in at.names):
                lost.append(f"{page.name}: {target}")
    assert not lost
    assert sum(len(what.links) for what in told.values()) > 500


def test_nothing_is_loaded_from_elsewhere(told: dict[Path, Told], site: Path) -> None:
    outside = [(page.name, url) for page, what in told.items() for url in what.loads if re.match(r"(\w+:)?//", url)]
    styles = [*site.rglob("*.css"), *site.rglob("*.svg")]
    for path in styles:
        text = path.read_text(encoding="utf-8")
        outside += [
            (path.name, url) for url in re.findall(r"(?:url\(|@import|href=)\s*['\"]?((?:https?:)?//[^)'\"]+)", text)
        ]
    assert not outside
    assert len(styles) > 10
    assert all(any("script" in url or ".js" in url for url in what.loads) for what in told.values())


def test_it_would_be_seen_if_something_were_loaded_from_elsewhere() -> None:
    page = Told(
        '<link rel="stylesheet" href="//x.example/a.css"><script src="https://x.example/b.js"></script><img src="c">'
    )
    assert page.loads == ["//x.example/a.css", "https://x.example/b.js", "c"]
    assert page.without_words == ["c"]


def test_every_picture_has_words(told: dict[Path, Told]) -> None:
    assert [(page.name, what.without_words) for page, what in told.items() if what.without_words] == []


def test_the_search_finds_without_a_network(site: Path) -> None:
    """The index is a script beside the pages, which a browser loads from a folder, too."""
    index = (site / "searchindex.js").read_text(encoding="utf-8")
    assert index.startswith("Search.setIndex(")
    assert "first-power-up" in index
    assert "searchindex.js" in (site / "search.html").read_text(encoding="utf-8")


def test_every_heading_of_a_page_is_on_the_site(told: dict[Path, Told], site: Path) -> None:
    for page in PAGES:
        text = re.sub(r"```.*?```", "", (DOCS / f"{page}.md").read_text(encoding="utf-8"), flags=re.DOTALL)
        shown = "".join(re.findall(r"\w+", told[site / f"{page}.html"].text))
        for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE):
            assert "".join(re.findall(r"\w+", heading)) in shown, (page, heading)


def test_safety_has_all_of_the_readme_of_the_checks_and_of_the_pages(told: dict[Path, Told], site: Path) -> None:
    words = re.compile(r"\w+")
    shown = " ".join(words.findall(told[site / "safety.html"].text))
    readme = in_place.section((ROOT / "README.md").read_text(encoding="utf-8"), "Safety")
    points = re.split(r"^- ", readme, flags=re.MULTILINE)
    assert len(points) > 8
    pages = [begins.replace("`", "") for _, begins in in_place.CAUTIONS]
    for point in [*points, *(check.text for check in PRE_POWER_CHECKS), NOT_PROVEN_OFF, *pages]:
        assert " ".join(words.findall(point.replace("*", ""))) in shown, point


def test_every_command_and_option_is_in_the_reference() -> None:
    page = make_reference.command_line()

    def walk(one: argparse.ArgumentParser) -> None:
        assert f"\n## `{one.prog}`\n" in f"\n{page}"
        text = page.split(f"## `{one.prog}`\n", 1)[1].split("\n## ", 1)[0]
        for action in one._actions:
            assert all(option in text for option in action.option_strings), (one.prog, action.option_strings)
            if isinstance(action.choices, dict):
                for below in action.choices.values():
                    walk(below)

    walk(parser())
    assert [line for line in page.splitlines() if len(line) > make_reference.WIDE and not line.startswith(" ")] == []


@pytest.mark.parametrize("name", make_reference.FILES)
def test_every_key_of_every_file_is_in_the_reference(name: str) -> None:
    page = make_reference.page(name)
    wheres = [where for where, _ in make_reference.tables(make_reference.FILES[name])]
    assert len(set(wheres)) == len(wheres)
    for where, model in make_reference.tables(make_reference.FILES[name]):
        title = f"`{where}`" if where else "The file's own keys"
        text = page.split(f"## {title}\n", 1)[1].split("\n## ", 1)[0]
        assert re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE) == list(model.model_fields)


def _cell(page: str, table: str, key: str) -> list[str]:
    text = make_reference.page(page).split(f"## {table}\n", 1)[1].split("\n## ", 1)[0]
    [row] = [line for line in text.splitlines() if line.startswith(f"| `{key}` |")]
    return [cell.strip() for cell in row.strip("|").split(" | ")][1:]


def test_the_reference_says_what_the_models_refuse() -> None:
    """Bounds, defaults and docstrings as they stand in the models, looked up by hand."""
    assert _cell("bench-file", "The file's own keys", "off_floor_v") == ["number, at least 0.5, at most 10", "refused"]
    assert _cell("bench-file", "`[roles]`", "cut_off")[:2] == ['list: text or `"person"`', "refused"]
    assert _cell("unit-sheet", "`[soak]`", "power")[:2] == ['`"idle"`, `"one-eighth"`', '`"idle"`']
    assert _cell("dialect", "`[[measurements.ranges]]`", "full") == ["number, above 0", "refused", ""]
    assert _cell("cold-sheet", "`[points.NAME]`", "good_ohm")[0].startswith('list: number, or `"open"`')
    assert "`[readings.NAME.NAME]`" in make_reference.page("cold-sheet")
    assert make_reference.said_of_keys(UnitSheet) == {
        "trimmers": "What sets the idle: a trimmer a channel, or nothing (it sets itself)."
    }


@pytest.mark.parametrize("name", make_reference.FILES)
def test_only_readings_of_a_cold_sheet_have_no_schema(name: str) -> None:
    """What has no schema is told as a reading: a new key of another kind has to be told otherwise."""
    told_so = make_reference.READING in make_reference.page(name)
    assert told_so == (make_reference.FILES[name] is ColdSheet)


def test_what_a_page_asks_for_and_is_not_there_is_said() -> None:
    with pytest.raises(ValueError, match="no section 'Nothing'"):
        in_place.filled("<!-- on the site: readme Nothing -->\n\n<!-- until here -->")
    with pytest.raises(ValueError, match="'dance' is nothing that the site can put"):
        in_place.filled("<!-- on the site: dance -->\n\n<!-- until here -->")
    with pytest.raises(ValueError, match=r"no paragraph of bench\.md begins"):
        in_place.paragraph("bench.md", "Once upon a time")


@pytest.mark.parametrize(
    ("target", "home"),
    [
        ("docs/bench.md", "bench.md"),
        ("#safety", "safety.md"),
        ("../README.md#safety", "safety.md"),
        ("../README.md#two-commands", "start.md#two-commands"),
        ("DEVELOPERS.md", "contributing.md"),
        ("docs/pictures/x.png", "pictures/x.png"),
        ("band.md#what-narrows-it", "band.md#what-narrows-it"),
        ("../bench.md", "../bench.md"),
        ("https://x.example/docs/a", "https://x.example/docs/a"),
    ],
)
def test_links_lead_to_where_the_site_has_what_they_mean(target: str, home: str) -> None:
    assert in_place.rehomed(f"[a]({target})") == f"[a]({home})"


def test_a_link_named_by_its_file_is_named_by_its_pages_title() -> None:
    assert in_place.rehomed("[docs/band.md](docs/band.md), [a](b.md)") == "[](band.md), [a](b.md)"
    assert in_place.rehomed("[band.md](band.md)") == "[](band.md)"


def test_the_commands_of_the_walk_through_are_those_that_are_run() -> None:
    """Of those that need a bench, tests run the first such line of the docs: the walk-through's must be the same."""
    from test_docs import COMMANDS, LIVE

    ours = [line for page, line in COMMANDS if page == "first-power-up.md"]
    assert len(ours) > 10
    for line in ours:
        for start in LIVE:
            if line.startswith(start):
                assert line == next(other for _, other in COMMANDS if other.startswith(start))


def test_the_lowest_versions_are_those_of_the_project() -> None:
    assert (ROOT / "constraints" / "lowest.txt").read_text(encoding="utf-8") == make_lowest.lowest()
    with pytest.raises(ValueError, match="'numpy' has no lower bound"):
        list(make_lowest._pinned(["numpy"], "rampguard"))
    told = list(make_lowest._pinned(["a[b]>=1.2,<2; sys_platform != 'win32'", "rampguard[test]"], "rampguard"))
    assert told == ["a==1.2; sys_platform != 'win32'"]


@pytest.fixture(scope="module")
def jobs() -> dict[str, Any]:
    yaml = pytest.importorskip("yaml")
    read = yaml.safe_load((ROOT / ".github" / "workflows" / "checks.yml").read_text(encoding="utf-8"))
    assert read["permissions"] == {"contents": "read"}
    jobs: dict[str, Any] = read["jobs"]
    return jobs


def test_what_is_run_for_every_change_is_what_contributors_are_told_to_run(jobs: dict[str, Any]) -> None:
    runs = [step["run"] for job in jobs.values() for step in job["steps"] if "run" in step]
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    lines = [line for block in re.findall(r"```sh\n(.*?)```", page, re.DOTALL) for line in block.splitlines()]
    told = [part.strip().removeprefix(".venv/bin/") for line in lines for part in line.split("&&")]
    for start in ("ruff check", "ruff format", "mypy", "lint-imports", "python -m sphinx"):
        [command] = [part for part in told if part.startswith(start)]
        assert command in runs


def test_every_release_of_python_that_is_promised_is_tried_on_three_systems(jobs: dict[str, Any]) -> None:
    matrix = jobs["tests"]["strategy"]["matrix"]
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    promised = re.findall(r'"Programming Language :: Python :: (3\.\d+)"', project)
    assert matrix["python"] == [*promised, "3.x"]
    assert {system.split("-")[0] for system in matrix["os"]} == {"ubuntu", "windows", "macos"}


def test_actions_are_pinned_by_major_version_and_no_secret_is_used(jobs: dict[str, Any]) -> None:
    used = [step["uses"] for job in jobs.values() for step in job["steps"] if "uses" in step]
    assert used
    assert all(re.fullmatch(r"actions/[\w-]+@v\d+", action) for action in used)
    assert "secrets." not in (ROOT / ".github" / "workflows" / "checks.yml").read_text(encoding="utf-8")
