"""What the docs say is what the program does: commands run, tables agree with the code."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from instruments.bench import load_bench_file
from instruments.dialect import load_dialect
from rampguard.cli import _parser
from rampguard.loads.classes import LOAD_CLASSES

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])


def _commands(page: Path) -> list[str]:
    blocks = re.findall(r"^```sh\n(.*?)^```$", page.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line.strip()]


COMMANDS = [(page.name, line) for page in PAGES for line in _commands(page)]


@pytest.mark.parametrize(("page", "line"), COMMANDS)
def test_every_command_of_ours_in_the_docs_parses(page: str, line: str) -> None:
    for part in line.split("&&"):
        words = shlex.split(part)
        if words and Path(words[0]).name == "rampguard":
            _parser().parse_args(words[1:])


def test_ci_runs_the_test_command_of_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    [command] = re.findall(r"<!-- the test command -->\n```sh\n(.*?)\n```", readme)
    assert "pytest" in command
    assert "README.md" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_table_of_load_classes_is_the_code() -> None:
    page = (ROOT / "docs" / "guard.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| ([a-z-]+) \| (\d.*) \|$", page, re.MULTILINE))
    assert set(rows) == set(LOAD_CLASSES)
    for name, row in rows.items():
        numbers = [float(number) for number in re.findall(r"\d+(?:\.\d+)?", row)]
        known = LOAD_CLASSES[name]
        fractions = (known.no_current_from_fraction, known.current_seen_by_fraction)
        assert numbers == [known.current_ratio, known.power_ratio, *(round(100 * f) for f in fractions)], name


def test_links_between_pages_lead_somewhere() -> None:
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_bench_file_and_the_dialect_of_the_docs_are_taken(tmp_path: Path) -> None:
    page = (ROOT / "docs" / "bench.md").read_text(encoding="utf-8")
    bench, voltmeter, cut_off = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
    assert load_bench_file(tmp_path / "bench.toml", tmp_path / "none").cut_offs == ("contactor", "source")
    (tmp_path / "my-voltmeter.toml").write_text(voltmeter + cut_off, encoding="utf-8")
    dialect = load_dialect("my-voltmeter", tmp_path)
    assert dialect.measurements[0].unit == "mV"
    assert dialect.cut_off is not None


def test_every_figure_of_the_docs_has_its_script() -> None:
    page = (ROOT / "docs" / "figures.md").read_text(encoding="utf-8")
    scripts = re.findall(r"`python benchmarks/(\w+)\.py`", page)
    assert {"kills", "link_speed", "simulator_speed"} <= set(scripts)
    assert all((ROOT / "benchmarks" / f"{script}.py").exists() for script in scripts)
