"""What `run` refuses before anything is energised: each with message and exit code, the supply off."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from live_help import RAMPGUARD, ServedBench, served_bench
from rampguard.ramp.default import default_plan

PLAN = default_plan("linear-amplifier", mains_v=230.0, frequency_hz=50.0)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served_bench(tmp_path_factory.mktemp("bench")) as served:
        yield served


def _run(bench_file: Path, tmp_path: Path, *options: str, confirmed: bool = True) -> tuple[int, str]:
    flag = ["--permissives-confirmed"] if confirmed else []
    done = subprocess.run(
        [*RAMPGUARD, "run", "--bench", str(bench_file), "--into", str(tmp_path / "captures")]
        + ["--no-screen", "--json", *flag, *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )
    if done.stdout:
        assert json.loads(done.stdout)["outcome"] == "refused"
    return done.returncode, done.stderr


def _changed(bench: ServedBench, tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = bench.bench_file.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, text
        text = text.replace(old, new, 1)
    path = tmp_path / "changed.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _plan(tmp_path: Path, old: str, new: str) -> str:
    assert old in PLAN.as_toml()
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.as_toml().replace(old, new, 1), encoding="utf-8")
    return str(path)


def _never_on(bench: ServedBench) -> bool:
    return not any(line["output"] for line in bench.log_lines())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("off_floor_v", "off_flor_v", "off_flor_v"),
        ("nameplate_w", "nameplate_kw", "nameplate_kw"),
        ("voltage_v = 230.0", 'voltage_v = "230 V"', "voltage_v"),
        ("[instruments.power-meter]", "[instruments.other-meter]", "power-meter"),
        ("scpi-power-meter", "scpi-powr-meter", "scpi-powr-meter"),
        ("frequency_hz = 50.0", "frequency_hz = 400.0", "frequency_hz"),
        ("nameplate_v = 230.0", "nameplate_v = 120.0", "nameplate says 120 V"),
    ],
)
def test_a_bench_file_that_cannot_be(bench: ServedBench, tmp_path: Path, old: str, new: str, says: str) -> None:
    code, said = _run(_changed(bench, tmp_path, (old, new)), tmp_path)
    assert code == 2, said
    assert says in said
    assert _never_on(bench)
    assert not (tmp_path / "captures").exists()


def test_a_dead_address(bench: ServedBench, tmp_path: Path) -> None:
    text = bench.bench_file.read_text(encoding="utf-8")
    meter = text.split("[instruments.power-meter]", 1)[1]
    resource = meter.split('resource = "', 1)[1].split('"', 1)[0]
    code, said = _run(_changed(bench, tmp_path, (resource, "TCPIP0::127.0.0.1::9::SOCKET")), tmp_path)
    assert code == 2, said
    assert "power-meter" in said
    assert "127.0.0.1::9" in said
    assert _never_on(bench)


def test_an_instrument_that_is_another(bench: ServedBench, tmp_path: Path) -> None:
    text = bench.bench_file.read_text(encoding="utf-8")

    def resource(name: str) -> str:
        return text.split(f"[instruments.{name}]", 1)[1].split('resource = "', 1)[1].split('"', 1)[0]

    swapped = _changed(bench, tmp_path, (resource("power-meter"), resource("idle-meter")))
    code, said = _run(swapped, tmp_path)
    assert code == 2, said
    assert "power-meter" in said
    assert _never_on(bench)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--mains", "120/60"], "mains do not match"),
        (["--mains", "230/60"], "mains do not match"),
        (["--load-class", "toaster"], "choose from"),
        (["--load-class", "phase-controlled"], "does not belong on a variac"),
        (["--plan", "none.toml"], "cannot be read"),
        (["--override", "isolation=in a hurry"], "nobody may override it"),
        (["--override", "earht=x"], "there is no such check"),
        (["--override", "insulation"], "write the check and the reason"),
    ],
)
def test_options_that_do_not_fit(bench: ServedBench, tmp_path: Path, options: list[str], says: str) -> None:
    code, said = _run(bench.bench_file, tmp_path, *options)
    assert code == 2, said
    assert says in said
    assert _never_on(bench)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("line_voltage_v = 6.9", "line_voltage_v = 230.0", "jumps from 0 V to 230 V"),
        ("line_voltage_v = 230.0", "line_voltage_v = 254.0", "above the nameplate"),
        ("hold_s", "hold_secs", "unknown key"),
        ("voltage_v = 230.0", "voltage_v = 120.0", "it is for 120 V mains"),
    ],
)
def test_a_plan_that_does_not_fit(bench: ServedBench, tmp_path: Path, old: str, new: str, says: str) -> None:
    code, said = _run(bench.bench_file, tmp_path, "--plan", _plan(tmp_path, old, new))
    assert code == 2, said
    assert says in said
    assert _never_on(bench)


def test_no_word_on_the_pre_power_checks(bench: ServedBench, tmp_path: Path) -> None:
    code, said = _run(bench.bench_file, tmp_path, confirmed=False)
    assert code == 2, said
    assert "--permissives-confirmed" in said
    assert _never_on(bench)


def test_a_missing_bench_file(tmp_path: Path) -> None:
    code, said = _run(tmp_path / "none.toml", tmp_path)
    assert code == 2, said
    assert "none.toml" in said
