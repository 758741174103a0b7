"""What a probe found, in words a technician acts on, and as a message. Pure.

What to measure next is common practice, no source.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rampguard.cautions import NOT_PROVEN_OFF, RESERVOIRS
from rampguard.engine.cutoff import OffProof
from rampguard.probe.low_flux import Found
from rampguard.probe.verdict import Plate, Point, Verdict, impedance_of

LEAST_TOLD: Final = 0.05
SURE: Final = 0.99
"""No cause is told as surer than this."""
WIDTH: Final = 78

WORDS: Final[dict[Found, tuple[str, str]]] = {
    Found.NO_FAULT: ("no short in what a few volts can see", "go on with the ramp: this replaces none of it"),
    Found.SHORTED_TURNS: (
        "shorted turns, or something resistive across a winding: what is drawn does not fall as frequency rises",
        "unplug the secondaries and probe the transformer alone; if it draws the same, it is the transformer",
    ),
    Found.OUTPUT_SHORT: (
        "a short behind the rectifier, or a diode of it: little is drawn below the diodes' threshold, much above",
        "output devices, rectifier diodes, reservoirs; then the rails of each channel unplugged in turn",
    ),
    Found.SWITCH_SHORT: (
        "a short behind the bridge: converter switch, or bulk capacitor",
        "the switch drain to source, its sense resistor and driver; each diode of the bridge both ways; the fuse",
    ),
    Found.PRIMARY_SHORT: (
        "a short on the primary side, ahead of any transformer or bridge",
        "X-capacitor, surge suppressor, filter, selector and wiring by ohmmeter; a switch-mode unit's bridge",
    ),
    Found.OTHER: (
        "like no sample of its class, whole or shorted",
        "load class and nameplate as they were given; whether it is switched on",
    ),
}  # fmt: skip
"""What each means, and what to do next."""
BLIND: Final[dict[str, str]] = {
    "transformer": "insulation to the core or between windings, which only full voltage tries",
    "linear-amplifier": "what diodes that hardly conduct hide: leaks, idle current, most of the output stages",
    "receiver": "anything behind its open main relay: main transformer, output stages. Only the standby transformer is"
    " seen",
    "valve-amplifier": "shorted turns that take less than cold heaters do, and all of the high tension",
    "switch-mode": "what its converter feeds, and a corrector or a gate driver that fails once it runs",
}
"""What is not seen, by load class."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A probe as it ended. ``verdict`` is None where nothing was read; ``off`` where nothing was energised."""

    plate: Plate
    points: Sequence[Point]
    verdict: Verdict | None
    off: OffProof
    left_out: Sequence[str]
    ended: str
    stopped: bool
    at_most_j: float
    bench: str
    confirmed: str

    @property
    def outcome(self) -> str:
        """``unproven``, ``stopped``, ``ended-early``, or the verdict's."""
        if not self.off.proven:
            return "unproven"
        if self.verdict is not None and self.verdict.outcome == "short":
            return "short"
        if self.stopped:
            return "stopped"
        if self.ended or self.verdict is None:
            return "ended-early"
        return self.verdict.outcome

    @property
    def as_message(self) -> dict[str, Any]:
        """For scripts."""
        verdict = self.verdict
        causes = {} if verdict is None else verdict.probabilities
        return {
            "format": 1,
            "outcome": self.outcome,
            "refuses_ramp": self.outcome == "short",
            "causes": [{"cause": str(found), "probability": round(p, 4)} for found, p in causes.items()],
            "too_much": "" if verdict is None else verdict.too_much,
            "ended": self.ended,
            "shut_out_w": None if verdict is None else verdict.shut_out_w,
            "not_seen": BLIND[self.plate.load_class],
            "left_out": list(self.left_out),
            "points": [_row(point) for point in self.points],
            "energy_at_most_j": self.at_most_j,
            "off": self.off.as_message,
            "bench": self.bench,
            "permissives_confirmed": self.confirmed,
        }

    @property
    def as_text(self) -> str:
        """For people, 80 columns."""
        lines = [*self._table(), ""]
        for text in (*self._findings(), *self._limits(), *self._end()):
            lines += textwrap.wrap(text, WIDTH, subsequent_indent="  ")
        return "\n".join(lines)

    def _table(self) -> Iterator[str]:
        yield "     Hz      V        mA       mW   Z, ohm  of it R, ohm"
        for point in self.points:
            told = impedance_of(point)
            z = "       -" if point.amperes <= point.bound_a else f"{point.volts / point.amperes:8.0f}"
            r = "" if told is None else f" {told.r_ohm:8.0f} +/- {2.0 * told.u_r_ohm:.0f}"
            watts = "        -" if point.watts is None else f"{1e3 * point.watts:9.1f}"
            weak = ("  weak" if point.weak else "") + ("  rising" if point.passing else "")
            yield f"{point.frequency_hz:7.0f} {point.volts:6.2f} {1e3 * point.amperes:9.2f}{watts}{z}{r}{weak}"

    def _findings(self) -> Iterator[str]:
        verdict = self.verdict
        if self.ended:
            yield f"ended early: {self.ended}"
        if self.stopped:
            yield "stopped by the operator"
        if verdict is None:
            yield "nothing was read: nothing is known"
            return
        if self.outcome == "short":
            yield "DO NOT RAMP." + (f" {verdict.too_much}" if verdict.too_much else "")
        elif self.outcome == "cannot-tell":
            yield "CANNOT TELL." + ("" if verdict.draws else " No current was told from the meter's zero. If it is on:")
        for found, p in verdict.probabilities.items():
            if p >= LEAST_TOLD:
                means, what_next = WORDS[found]
                yield f"{min(p, SURE):.0%}  {means}."
                if found is not Found.NO_FAULT or self.outcome == "no-short-seen":
                    yield f"     Next: {what_next}."

    def _limits(self) -> Iterator[str]:
        shut_out = None if self.verdict is None else self.verdict.shut_out_w
        if shut_out is not None and self.outcome != "short":
            yield (
                f"Shut out: shorted turns that would turn more than {shut_out:.2g} W into heat at full line."
                " Smaller ones may be there."
            )
        yield f"Not seen: {BLIND[self.plate.load_class]}."
        if self.left_out:
            yield f"Left out: {'; '.join(self.left_out)}."
        if any(point.weak for point in self.points):
            yield "weak: below a twentieth of the ammeter's range; a smaller range tells more."
        if any(point.passing for point in self.points):
            yield "rising: on the way up; judged only where it was cut there."

    def _end(self) -> Iterator[str]:
        yield f"The unit got {self.at_most_j:.2g} J at most."
        if self.off.proven:
            yield f"OFF, proven: {'; '.join(self.off.by)}."
            yield RESERVOIRS
        else:
            yield NOT_PROVEN_OFF
            yield from self.off.problems


def _row(point: Point) -> dict[str, Any]:
    told = impedance_of(point)
    return {
        "frequency_hz": point.frequency_hz,
        "line_voltage_v": point.volts,
        "line_current_a": point.amperes,
        "real_power_w": point.watts,
        "impedance_ohm": point.volts / point.amperes if point.amperes > point.bound_a else None,
        "resistance_ohm": None if told is None else told.r_ohm,
        "u_resistance_ohm": None if told is None else told.u_r_ohm,
        "weak": point.weak,
        "on_the_way_up": point.passing,
    }
