"""What the docs say is what the program does: commands run, tables agree with the code."""

from __future__ import annotations

import dataclasses
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from hand_back_help import make_job
from instruments.bench import BenchFile, BenchKind, load_bench_file
from instruments.dialect import load_dialect, parse_dialect
from instruments.simulated.units import UNITS
from live_help import RAMPGUARD, served_bench, wait_until
from rampguard.archive.reader import read_capture
from rampguard.cautions import PRE_POWER_CHECKS
from rampguard.cli import parser
from rampguard.cold.judgement import judge
from rampguard.cold.sheet import parse_cold_sheet
from rampguard.learning.learn import learn
from rampguard.learnt.file import text_of
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.loads.learnt import CONFIDENCE, COVERAGE
from rampguard.loads.tolerance import tolerance_factor
from rampguard.probe.low_flux import LOW_FLUX, PRIMARY_SHORT
from rampguard.probe.plan import CEILINGS, LEVELS_V
from rampguard.probe.verdict import SAMPLES
from rampguard.warmup.approach import TAUS_S
from rampguard.warmup.sheet import load_sheet
from rampguard.waveform.keeper import AROUND, KEPT_S, LONGEST_S, MOST_NAMED, Around
from rampguard.waveform.ring import TIMED_BY
from rampguard.waves.figures import CycleFigures, figures_of
from rampguard.waves.words import told as waveform_told
from unit_outcomes import OUTCOMES
from waves_help import capture_with_waves

if sys.platform != "win32":
    import pty

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])


def _commands(page: Path) -> list[str]:
    blocks = re.findall(r"^```sh\n(.*?)^```$", page.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line.strip()]


def _cold_sheet_of_the_docs() -> str:
    page = (ROOT / "docs" / "cold-checks.md").read_text(encoding="utf-8")
    [sheet] = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    return str(sheet)


def _job_of_the_docs() -> str:
    page = (ROOT / "docs" / "job.md").read_text(encoding="utf-8")
    [job] = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    return str(job)


COMMANDS = [(page.name, line) for page in PAGES for line in _commands(page)]


@pytest.mark.parametrize(("page", "line"), COMMANDS)
def test_every_command_of_ours_in_the_docs_parses(page: str, line: str) -> None:
    for part in line.split("&&"):
        words = shlex.split(part)
        if words and Path(words[0]).name == "rampguard":
            parser().parse_args(words[1:])


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder such as a user would stand in: the project's captures at hand."""
    folder = tmp_path_factory.mktemp("desk")
    shutil.copytree(ROOT / "captures", folder / "captures")
    shutil.copy(ROOT / "captures" / "healthy-amplifier" / "readings.csv", folder / "measured.csv")
    (folder / "unit-cold.toml").write_text(_cold_sheet_of_the_docs(), encoding="utf-8")
    capture_with_waves(folder).rename(folder / "captures" / "with-waveforms")
    make_job(folder / "jobs" / "2026-014")
    (folder / "2026-014").mkdir()
    (folder / "2026-014" / "job.toml").write_text(_job_of_the_docs(), encoding="utf-8")
    (folder / "model.toml").write_text(text_of(learn([ROOT / "captures" / "healthy-amplifier"])), encoding="utf-8")
    return folder


EXPECTED_CODES = {"demo --no-screen": 0, "demo --unit shorted-output": 3, "replay captures": 3, "replay measured": 0}
EXPECTED_CODES |= {"plot": 0, "classes": 0, "demo --hand": 0, "demo --no-relay --unit shorted-output": 3}
EXPECTED_CODES |= {"sums": 0, "waveforms": 0}
EXPECTED_CODES |= {"sums": 0, "estimates": 0, "demo --unit shorted-receiver": 3}
EXPECTED_CODES |= {"demo --wires": 0, "demo --unit healthy-amplifier --no-screen": 0}
EXPECTED_CODES |= {"bench list": 0, "demo --unit repaired-amplifier --warm-up": 0, "demo --cold-starts": 0}
EXPECTED_CODES |= {"demo --unit shorted-section --hunt": 0}
EXPECTED_CODES |= {"hand-back": 0}
EXPECTED_CODES |= {"verify captures": 0, "compare captures": 0}
EXPECTED_CODES |= {"jobs": 0, "export": 0}
EXPECTED_CODES |= {f"job {what}": 0 for what in ("new", "show", "log", "part", "check", "caution")}
EXPECTED_CODES |= {"cold unit-cold.toml": 2, "cold another-cold.toml --new": 0}
EXPECTED_CODES |= {"learn captures": 0}
LIVE = ("rampguard simulate", "rampguard run", "rampguard bench new", "rampguard bench check", "rampguard probe")


ON_SCREEN = "rampguard demo"
"""Run in a terminal, by tests of the screen."""


@pytest.mark.parametrize(
    "line",
    dict.fromkeys(
        line for _, line in COMMANDS if "rampguard" in line and not line.startswith(LIVE) and line != ON_SCREEN
    ),
)
def test_every_command_of_ours_in_the_docs_runs(desk: Path, line: str) -> None:
    command = line.split("&&")[-1]
    words = shlex.split(command)
    assert Path(words[0]).name == "rampguard"
    [code] = [code for start, code in EXPECTED_CODES.items() if " ".join(words[1:]).startswith(start)]
    done = subprocess.run([*RAMPGUARD, *words[1:]], cwd=desk, capture_output=True, text=True, timeout=300)
    assert done.returncode == code, done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_the_served_bench_and_the_run_of_the_docs(desk: Path) -> None:
    """Both commands as they stand: the checks answered at a terminal, then Ctrl-C."""
    simulate, run = (next(line for _, line in COMMANDS if line.startswith(start)) for start in LIVE[:2])
    bench = subprocess.Popen([*RAMPGUARD, *shlex.split(simulate)[1:]], cwd=desk, stdin=subprocess.PIPE)
    wait_until((desk / "bench.toml").exists, 30.0)
    ours, theirs = pty.openpty()
    power_up = subprocess.Popen(
        [*RAMPGUARD, *shlex.split(run)[1:]], cwd=desk, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert power_up.stdout is not None
    os.write(ours, b"y\n" * len(PRE_POWER_CHECKS))
    while b"LIVE" not in power_up.stdout.readline():
        assert power_up.poll() is None
    power_up.send_signal(signal.SIGINT)
    out, _ = power_up.communicate(timeout=60)
    assert power_up.returncode == 5
    assert b"OFF, proven" in out
    os.close(ours)
    os.close(theirs)
    bench.communicate(b"", timeout=20)


def test_a_bench_file_by_questions_and_the_check_of_the_docs(tmp_path: Path) -> None:
    new, check = (next(line for _, line in COMMANDS if line.startswith(start)) for start in LIVE[2:4])
    answers = "\n\n\nn\nkeyed-in\n\nn\nn\nn\n"
    done = subprocess.run([*RAMPGUARD, *shlex.split(new)[1:]], cwd=tmp_path, input=answers, text=True, timeout=60)
    assert done.returncode == 0
    assert (tmp_path / "mine.toml").exists()
    with served_bench(tmp_path, unit="lamp"):
        done = subprocess.run([*RAMPGUARD, *shlex.split(check)[1:]], cwd=tmp_path, timeout=100)
    assert done.returncode == 0


def test_the_probe_of_the_docs_and_the_dialect_it_needs(tmp_path: Path) -> None:
    page = (ROOT / "docs" / "probe.md").read_text(encoding="utf-8")
    probe = next(line for _, line in COMMANDS if line.startswith(LIVE[4]))
    with served_bench(tmp_path, speed=5.0) as bench:
        done = subprocess.run(
            [*RAMPGUARD, *shlex.split(probe)[1:]], cwd=tmp_path, timeout=100, capture_output=True, text=True
        )
        assert not bench.log_lines()[-1]["output"]
        assert max(line["set_voltage_v"] for line in bench.log_lines()) <= 10.0
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    [block] = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    assert block.strip() in (ROOT / "src/instruments/dialects/scpi-ac-source.toml").read_text(encoding="utf-8").replace(
        "               # for the probe: other frequencies than the mains", ""
    )


def test_the_tables_of_the_probe_are_the_code() -> None:
    page = (ROOT / "docs" / "probe.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([a-z-]+) \| ([\d, ]+?)(?:, on any mains)? \| ([\d.]+) \|$", page, re.MULTILINE)
    assert {name: tuple(float(v) for v in volts.split(",")) for name, volts, _ in rows} == LEVELS_V
    assert {name: float(part) for name, _, part in rows} == CEILINGS
    assert f"{SAMPLES:,}".replace(",", " ") in page
    said = {f"{r.low:g} to {r.high:g}" for r in (*LOW_FLUX.values(), PRIMARY_SHORT)}
    assert {"0.05 to 1.2", "0 to 0.4", "0 to 0.7", "1.6 to 2.8", "0.01 to 0.5", "0.5 to 1", "3 to 3000"} <= said
    assert all(f"{r.low:g} to {r.high:g}" in page for r in (LOW_FLUX["initial"], LOW_FLUX["stray"], PRIMARY_SHORT))


def test_the_factors_of_the_learnt_bands_are_the_codes() -> None:
    page = (ROOT / "docs" / "learnt.md").read_text(encoding="utf-8")
    units, factors = (
        re.findall(rf"^\| {head} \| (.*) \|$", page, re.MULTILINE)[0].split(" | ") for head in ("units", "k")
    )
    said = {int(count): factor for count, factor in zip(units[:-1], factors[:-1], strict=True)}
    assert said == {count: f"{tolerance_factor(count, COVERAGE, CONFIDENCE):.3g}" for count in said}
    assert set(said) >= {2, 3, 10, 30}


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


def test_the_unit_sheet_and_the_scanner_of_the_docs_are_taken(tmp_path: Path) -> None:
    page = (ROOT / "docs" / "warm-up.md").read_text(encoding="utf-8")
    sheet, scanner = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    (tmp_path / "unit.toml").write_text(sheet, encoding="utf-8")
    read = load_sheet(tmp_path / "unit.toml")
    assert (read.idle.volts, read.soak.minutes, read.idle.resistors_between_test_points) == (0.0132, 60.0, 2)
    bench = re.findall(r"```toml\n(.*?)```", (ROOT / "docs" / "bench.md").read_text(encoding="utf-8"), re.DOTALL)[0]
    bench = bench.replace('dc_meters = ["idle-meter"]', 'dc_meters = ["scanner"]').replace(
        "[instruments.contactor]", f"{scanner}\n[instruments.contactor]"
    )
    (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
    assert len(load_bench_file(tmp_path / "bench.toml").instruments["scanner"].signals) == 4
    assert f"{len(TAUS_S)} of them" in page


def test_the_cold_sheet_and_the_parts_of_the_docs_are_the_programs(tmp_path: Path) -> None:
    judged = judge(parse_cold_sheet(_cold_sheet_of_the_docs(), "docs"))
    assert [(one.channel, one.verdict) for one in judged.wrong] == [("left", "shorted"), ("left", "shorted")]
    assert judged.missing == ()
    page = (ROOT / "docs" / "cold-checks.md").read_text(encoding="utf-8")
    assert f"winding_ohm={judged.facts['winding_ohm']:.3g}" in page
    sys.path.insert(0, str(ROOT / "docs"))
    from make_parts_table import BEGIN, END, table

    assert page.split(BEGIN)[1].split(END)[0] == f"\n\n{table()}\n\n"


def test_the_bench_file_and_the_dialect_of_the_docs_are_taken(tmp_path: Path) -> None:
    page = (ROOT / "docs" / "bench.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    bench, by_relay, by_person, sampled, typed, voltmeter, cut_off, button, serial, stream, modbus = blocks

    def bench_of(text: str) -> BenchFile:
        (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
        return load_bench_file(tmp_path / "bench.toml", tmp_path / "none")

    assert bench_of(bench).cut_offs == ("contactor", "source")
    instruments = bench.split("[roles]")[0]
    assert bench_of(instruments + by_relay).kind is BenchKind.HAND_TURNED
    assert bench_of(instruments + by_person).kind is BenchKind.PERSON_CUTS
    assert bench_of(instruments + sampled).digitiser == "digitiser"
    by_typing = by_person.replace("power-meter", "hand-meters")
    assert bench_of(instruments + typed + by_typing).is_keyed
    head = 'format = 1\nname = "mine"\ntitle = "Mine"\n'
    speaks = [parse_dialect((head + text).encode(), Path("mine.toml")) for text in (serial + cut_off, stream, modbus)]
    assert [dialect.link.kind for dialect in speaks] == ["asked", "streaming", "modbus"]
    assert speaks[0].link.serial.parity == "even"
    (tmp_path / "my-voltmeter.toml").write_text(voltmeter + cut_off + button, encoding="utf-8")
    dialect = load_dialect("my-voltmeter", tmp_path)
    assert dialect.measurements[0].unit == "mV"
    assert dialect.cut_off is not None
    assert dialect.button is not None


def test_the_waveforms_page_is_what_the_code_does(desk: Path) -> None:
    page = (ROOT / "docs" / "waveforms.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([a-z-]+) \| ([\d.]+) \| ([\d.]+) \| (all|the first (\d+)) \|$", page, re.MULTILINE)
    told = [(kind, Around(float(b), float(a), int(most) if most else None)) for kind, b, a, _, most in rows]
    assert told == list(AROUND.items())
    for number in (f"{LONGEST_S} s", f"{KEPT_S} s", f"names {MOST_NAMED} events", f"newest {TIMED_BY}"):
        assert number in page
    [table] = re.findall(r"```text\n(.*?)```", page, re.DOTALL)
    read = read_capture(desk / "captures" / "with-waveforms").waveforms()[1]
    shown = waveform_told(read, figures_of(read.read()), (0.5, 0.3)).splitlines()
    assert all(line in shown for line in table.splitlines())
    columns = re.findall(r"`([a-z_]+)`", " ".join(re.findall(r"^\| [^|]+ \| (`.*?`) \|", page, re.MULTILINE)))
    assert set(columns) == {field.name for field in dataclasses.fields(CycleFigures)} - {"duration_s"}
    [code] = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    scope: dict[str, Any] = {}
    exec(code.replace("waveforms/02-trip", str(read.path.with_suffix(""))), scope)  # noqa: S102 - our own page
    assert scope["samples"]["amperes"] == pytest.approx(read.read().channels[1].values, abs=1e-9)


def test_every_figure_of_the_docs_has_its_script() -> None:
    page = (ROOT / "docs" / "figures.md").read_text(encoding="utf-8")
    scripts = re.findall(r"`python benchmarks/(\w+)\.py`", page)
    assert {"kills", "link_speed", "simulator_speed"} <= set(scripts)
    assert all((ROOT / "benchmarks" / f"{script}.py").exists() for script in scripts)


def test_the_table_of_units_is_what_they_should_do() -> None:
    """docs/units.md is made by a script; here only that it is of the units as they are now, and that all did so."""
    page = (ROOT / "docs" / "units.md").read_text(encoding="utf-8")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in page.splitlines() if line.startswith("| ")
    ]
    rows = [row for row in rows if row[0] in UNITS]
    assert [row[0] for row in rows] == list(UNITS)
    for unit, _, should, did, *_ in rows:
        assert should.startswith(f"{OUTCOMES[unit].outcome}, exit {OUTCOMES[unit].code}"), unit
        assert re.fullmatch(r"so, (\d+) of \1( \(passed \d+\))?", did), f"{unit}: {did}"
