"""Readings typed by a person: what is taken, what is asked again, and a whole power-up through a pseudo-terminal."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from instruments.clock import WallClock
from instruments.dialect import load_dialect
from instruments.instrument import ScpiMeter
from instruments.keyed import Asked, KeyedLink, Slip, values_typed
from instruments.visa import Link
from live_help import RAMPGUARD, ServedBench, plan_toml, served_bench
from rampguard.quantities import Validity
from rampguard.typed_lines import Said, meaning

NOWHERE = Path("/nowhere")
TWO = Asked(load_dialect("keyed-in", NOWHERE).measurements)
THREE = Asked(load_dialect("keyed-in-power", NOWHERE).measurements)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("24.1 0.12", (24.1, 0.12)),
        ("  24.1   0.12 \n", (24.1, 0.12)),
        ("24,1 0,12", (24.1, 0.12)),
        ("24.1; 0.12", (24.1, 0.12)),
        ("24.1V 120mA", (24.1, 0.12)),
        ("24.1 v 120 ma", (24.1, 0.12)),
        ("0.0241 kV .12 A", (24.1, 0.12)),
        ("0 0", (0.0, 0.0)),
    ],
)
def test_what_is_taken(text: str, values: tuple[float, ...]) -> None:
    assert values_typed(text, TWO, ()) == pytest.approx(values)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is not what was asked for"),
        ("24.1", "type line voltage in V, line current in A"),
        ("24.1 0.12 3", "is not what was asked for"),
        ("24.1 x", "is not what was asked for"),
        ("1,234.5 0.1", "two decimal points"),
        ("24.1 350", "is it in mA? Then type 350 mA"),
        ("-3 0.1", "cannot be below zero"),
        ("24.1 0.12 W", "'W' is no unit of line current: type it in A"),
        ("24.1 nan", "is not what was asked for"),
    ],
)
def test_what_is_asked_again(text: str, says: str) -> None:
    with pytest.raises(Slip, match=re.escape(says)) as slip:
        values_typed(text, TWO, ())
    assert slip.value.values == ()


@pytest.mark.parametrize(
    ("asked", "text", "before", "says"),
    [
        (TWO, "24.1 0.012", (23.0, 0.115), "0.012 A after 0.115 A: a slip?"),
        (TWO, "230 0.12", (23.0, 0.115), "230 V after 23 V: a slip?"),
        (THREE, "24.1 0.12 30", (24.0, 0.12, 2.5), "30 W is more than 24.1 V times 0.12 A can be"),
    ],
)
def test_what_may_be_a_slip_says_switch_off_and_is_believed_when_typed_again(
    asked: Asked, text: str, before: tuple[float, ...], says: str
) -> None:
    with pytest.raises(Slip, match=re.escape(says)) as slip:
        values_typed(text, asked, before)
    assert "SWITCH OFF" in str(slip.value)
    assert slip.value.values


class Person:
    """Someone at a keyboard, who types this."""

    def __init__(self, *lines: str) -> None:
        self._lines = list(lines)
        self.heard: list[str] = []

    def ask(self, instrument: str, what: str, why: str) -> str:
        self.heard.append(why)
        return self._lines.pop(0)


def test_a_slip_is_asked_about_and_a_true_jump_is_typed_twice() -> None:
    person = Person("23 0.115", "24.1 0.012", "24.1 0.12", "230 0.12", "230 0.12")
    link = KeyedLink("meters", load_dialect("keyed-in", NOWHERE), person)
    assert [link.query("typed") for _ in range(3)] == ["23 0.115", "24.1 0.12", "230 0.12"]
    assert [bool(why) for why in person.heard] == [False, False, True, False, True]


def test_more_current_goes_to_the_guard_at_once_and_so_does_a_display_that_is_over_range() -> None:
    person = Person("24 0.1", "24 1.5", "24 OL")
    dialect = load_dialect("keyed-in", NOWHERE)
    meter = ScpiMeter(KeyedLink("meters", dialect, person), dialect, WallClock())
    assert [meter.read()[1].value for _ in range(2)] == [0.1, 1.5]
    assert meter.read()[1].validity is Validity.OVER_RANGE
    assert not any(person.heard)


@pytest.mark.parametrize(
    ("line", "asked", "said"),
    [
        ("off\n", "meters", Said("off", {"reason": "typed off"})),
        ("24 0.1\n", "meters", Said("answer", {"instrument": "meters", "text": "24 0.1"})),
        ("p\n", "meters", Said("power-pressed", {})),
        ("n it hums\n", "meters", Said("note", {"text": "it hums"})),
        ("+5\n", "", Said("turn", {"by_v": 5.0})),
        ("-2,5\n", "", Said("turn", {"by_v": -2.5})),
        ("it hums\n", "", Said("note", {"text": "it hums"})),
        ("\n", "meters", None),
    ],
)
def test_what_a_typed_line_means(line: str, asked: str, said: Said | None) -> None:
    assert meaning(line, asked) == said


# -- through a pseudo-terminal ----------------------------------------------------------------------------------------


def displays(bench: ServedBench) -> list[Link]:
    """What the person looks at: the two handhelds' displays."""
    found = re.findall(r"# display: (\S+)", bench.bench_file.read_text(encoding="utf-8"))
    return [Link(resource, name="display") for resource in found]


class Typist(threading.Thread):
    """Sits at the terminal: reads both displays whenever asked, and types what they show."""

    def __init__(self, terminal: int, looks_at: list[Link]) -> None:
        super().__init__(daemon=True)
        self._terminal = terminal
        self._looks_at = looks_at
        self.story = ""
        self.began = threading.Event()

    def run(self) -> None:
        try:
            while data := os.read(self._terminal, 4096):
                text = data.decode("utf-8", errors="replace")
                self.story += text
                for _ in range(text.count("?  hand-meters: type")):
                    os.write(self._terminal, self._answer().encode())
        except OSError:
            return

    def _answer(self) -> str:
        time.sleep(0.3)  # a glance
        while True:
            shown = [float(link.query("READ?")) for link in self._looks_at]
            if max(shown) < 1e30:
                return f"{shown[0]:.1f} {1000.0 * shown[1]:.1f} mA\n"
            time.sleep(0.2)  # changing range


PLAN = plan_toml(*((23.0 * k, 10.0, 1.0, 900.0) for k in range(1, 4)))


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are not there on Windows")
@pytest.mark.parametrize(("unit", "code"), [("healthy-amplifier", 0), ("shorted-output", 3)])
def test_a_power_up_by_hand_with_readings_typed_at_a_terminal(tmp_path: Path, unit: str, code: int) -> None:
    import pty

    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    with served_bench(tmp_path, "--meters", "typed", "--no-relay", unit=unit) as bench:
        near, far = pty.openpty()
        process = subprocess.Popen(
            [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--plan", str(tmp_path / "plan.toml")]
            + ["--into", str(tmp_path / "captures"), "--permissives-confirmed", "--no-screen", "--json"],
            stdin=far,
            stdout=subprocess.PIPE,
            stderr=far,
            start_new_session=True,
        )
        os.close(far)
        typist = Typist(near, displays(bench))
        typist.start()
        try:
            out, _ = process.communicate(timeout=110)
        finally:
            if process.poll() is None:
                process.kill()
            os.close(near)
    said = json.loads(out)
    assert process.returncode == code, typist.story
    assert said["off"]["proven"], typist.story
    described = json.loads((Path(said["capture"]) / "datapackage.json").read_text(encoding="utf-8"))
    assert described["bench_kind"] == ("hand-turned variac, a person is the cut-off, readings typed by a person")
    if code == 3:
        assert said["trip"]["line_voltage_v"] < 0.2 * 230.0
        assert "SWITCH OFF" in typist.story
    else:
        assert said["max_line_voltage_v"] > 60.0
