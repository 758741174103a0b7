"""A bench file, written by a few questions."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import tomli_w

from instruments.dialect import AS_WIRED, Dialect, dialect_names, load_dialect
from instruments.keyed import KEYED
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE

Ask = Callable[[str], str]
YES: Final = ("y", "yes")


class Cancelled(Exception):  # noqa: N818 - what happened
    """The person gave up."""


def bench_file_by_questions(ask: Ask) -> str:
    """The file's text. ``ask`` raises EOFError when there is nobody. Raises Cancelled."""
    try:
        return _File(ask).text()
    except EOFError:
        raise Cancelled from None


class _File:
    def __init__(self, ask: Ask) -> None:
        self._ask = ask
        self._instruments: dict[str, dict[str, Any]] = {}
        self._roles: dict[str, Any] = {}

    def text(self) -> str:
        title = self._asked("What do you call this bench?", "my bench")
        volts = self._number("Mains, volts (100, 120, 230)?", 230.0)
        hertz = self._number("Mains, hertz (50, 60)?", 60.0 if volts == 120.0 else 50.0)
        if self._yes("Does the program drive a programmable AC source?"):
            self._roles["ac_source"] = self._instrument("source", lambda d: d.source is not None, "before-cut-off")
        self._roles["line_meters"] = self._line_meters()
        dc_meters = self._dc_meters()
        if dc_meters:
            self._roles["dc_meters"] = dc_meters
        self._roles["cut_off"] = self._cut_off()
        whole: dict[str, Any] = {
            "format": 1,
            "title": title,
            "off_floor_v": 5.0,
            "mains": {"voltage_v": volts, "frequency_hz": hertz},
            "instruments": self._instruments,
            "roles": self._roles,
        }
        return tomli_w.dumps(whole)

    def _line_meters(self) -> list[str]:
        names: list[str] = []
        more = "What measures the line, behind the cut-off?"
        while True:
            name = self._instrument(f"meter-{len(names) + 1}", _measures_line, "after-cut-off", more)
            names.append(name)
            if load_dialect(self._instruments[name]["dialect"]).digitiser is not None:
                self._probes(self._instruments[name])
                return names  # it measures all that there is of the line
            if not self._yes("Another meter of the line (volts and amperes may be two)?"):
                return names

    def _probes(self, entry: dict[str, Any]) -> None:
        """What is ahead of a digitiser's inputs."""
        entry["inputs"] = {"1": LINE_VOLTAGE.column, "2": LINE_CURRENT.column}
        entry["scales"] = {
            "1": self._number("Input 1 is line voltage: volts of the line per volt at the input?", 200.0),
            "2": self._number("Input 2 is line current: amperes per volt there (below zero turns it round)?", 10.0),
        }
        percent = self._number("Accuracy of probe and clamp, per cent of reading?", 1.0)
        entry["probe_percent"] = {"1": percent, "2": percent}

    def _dc_meters(self) -> list[str]:
        names: list[str] = []
        while self._yes(f"{'Another' if names else 'A'} DC meter, on rails, offset or emitter resistors?"):
            name = self._instrument(f"dc-meter-{len(names) + 1}", _is_wired)
            entry = self._instruments[name]
            entry["measures"] = self._one_of("It is wired to", ["rail", "dc_offset", "emitter_resistor"])
            entry["channel"] = self._asked("Which channel (left, right, plus, minus)?", "left")
            names.append(name)
        return names

    def _cut_off(self) -> list[str] | str:
        ways = []
        if self._yes("Is there a relay or contactor in the line that the program can open?"):
            ways.append(self._instrument("contactor", lambda d: d.cut_off is not None and d.source is None))
        if "ac_source" in self._roles:
            ways.append(self._roles["ac_source"])
        return ways or "person"

    def _instrument(
        self, usual: str, fits: Callable[[Dialect], bool], position: str = "", first: str = "What is it?"
    ) -> str:
        names = [name for name in dialect_names() if fits(load_dialect(name))]
        dialect = self._one_of(first, names)
        name = self._asked("Its name in messages?", usual)
        entry: dict[str, Any] = {"dialect": dialect}
        if dialect.startswith("keyed-in"):
            entry["resource"] = KEYED
        else:
            entry["resource"] = self._asked("Its resource (see: rampguard bench list)?", "")
            identity = self._asked("Text that its *IDN? reply holds (empty: as its dialect says)?", "")
            if identity:
                entry["identity"] = identity
        if position:
            entry["position"] = position
        self._instruments[name] = entry
        return name

    def _asked(self, question: str, usual: str) -> str:
        return self._ask(f"{question} [{usual}] " if usual else f"{question} ").strip() or usual

    def _yes(self, question: str) -> bool:
        return self._ask(f"{question} [y/N] ").strip().lower() in YES

    def _number(self, question: str, usual: float) -> float:
        while True:
            try:
                return float(self._asked(question, f"{usual:g}"))
            except ValueError:
                question = "A plain number, please:"

    def _one_of(self, question: str, names: list[str]) -> str:
        choices = "\n".join(f"  {number}. {name}" for number, name in enumerate(names, 1))
        while True:
            answer = self._ask(f"{question}\n{choices}\nnumber or name: ").strip()
            if answer in names:
                return answer
            if answer.isdigit() and 1 <= int(answer) <= len(names):
                return names[int(answer) - 1]


def _measures_line(dialect: Dialect) -> bool:
    measures = bool(dialect.measurements) or dialect.digitiser is not None
    return measures and dialect.source is None and not _is_wired(dialect)


def _is_wired(dialect: Dialect) -> bool:
    return any(m.quantity == AS_WIRED for m in dialect.measurements)
