"""What a capture comes to, in words: for a title and for the list of events under a picture."""

from __future__ import annotations

from typing import Any, Final

from rampguard.archive.reader import Capture, Completeness
from rampguard.archive.rows import CaptureEvent
from rampguard.report.series import Series

LONGEST_UNIT: Final = 36
"""Characters of a unit's name that a title has room for."""


def title(capture: Capture) -> str:
    """Which unit, and when."""
    described = capture.descriptor
    created = str(described.get("created", "")).replace("T", " ").removesuffix("Z")
    unit = str(described.get("unit", "an unnamed unit"))
    unit = unit if len(unit) <= LONGEST_UNIT else unit[: LONGEST_UNIT - 1] + "…"
    simulated = "" if described.get("clock") == "wall" else ", simulated bench"
    return f"Power-up of {unit}, {created} UTC{simulated}"


def facts(capture: Capture) -> str:
    """Load class, nameplate and mains, as far as they were recorded."""
    described = capture.descriptor
    parts = [
        str(described.get("load_class", "")),
        f"nameplate {_number(described.get('nameplate_w'))} W at {_number(described.get('nameplate_v'))} V",
        f"mains {_number(described.get('mains_v'))} V, {_number(described.get('mains_frequency_hz'))} Hz",
    ]
    if described.get("permissives_confirmed"):
        parts.append(f"pre-power checks confirmed: {described['permissives_confirmed']}")
    if described.get("seed") is not None:
        parts.append(f"seed {described['seed']}")
    return "; ".join(part for part in parts if part)


def outcome(capture: Capture, series: Series) -> str:
    """How the run ended and whether off was proven; a broken seal and a record cut short are said first."""
    said = _ending(capture, series)
    if capture.completeness is Completeness.TAMPERED:
        return f"SEAL BROKEN ({'; '.join(capture.problems)}). {said}"
    if capture.completeness is Completeness.CUT_SHORT and capture.result is not None:
        return f"RECORD INCOMPLETE, not sealed. {said}"
    return said


def not_proven_off(capture: Capture) -> bool:
    """Whether a run that may have been energised ended without a proof of off in this record."""
    result = capture.result
    if result is None or result.get("outcome") == "unproven":
        return True
    off = result.get("off")
    return off is not None and not off.get("proven")


def _ending(capture: Capture, series: Series) -> str:
    result = capture.result
    if result is None:
        ending = f"CUT SHORT: the record ends at {series.end_s:.4g} s without a result"
        if series.trip_s is not None:
            ending += f". It had TRIPPED at {series.trip_s:.4g} s: {series.trip_reason}"
        return ending
    off = _off(result.get("off"))
    highest = result.get("max_line_voltage_v")
    reached = "" if highest is None else f" Highest line voltage {highest:.4g} V."
    return {
        "passed": f"PASSED: the plan was walked to its end and nothing tripped. {off}{reached}",
        "tripped": f"TRIPPED{_cause(result.get('trip'))} {off}{reached}",
        "stopped": f"STOPPED EARLY by the operator; nothing tripped. {off}{reached}",
        "unproven": f"Off was commanded, and nothing proved it.{_unproven_cause(result.get('trip'))}{reached}",
        "refused": f"REFUSED, nothing was energised: {result.get('reason', '')}",
    }.get(str(result.get("outcome")), f"{result.get('outcome')}. {off}{reached}")


def _cause(trip: dict[str, Any] | None) -> str:
    if trip is None:
        return "."
    volts = trip.get("line_voltage_v")
    where = "" if volts is None else f" at {volts:.4g} V"
    return f"{where} after {trip['time_s']:.4g} s: {str(trip['reason']).rstrip('; .')}."


def _unproven_cause(trip: dict[str, Any] | None) -> str:
    return "" if trip is None else f" Tripped{_cause(trip)}"


def _off(off: dict[str, Any] | None) -> str:
    if off is None:
        return "Nothing is recorded of a proof of off."
    return "Output proven off." if off.get("proven") else "NOT PROVEN OFF."


def _number(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else "?"


def event_lines(events: list[CaptureEvent], most: int) -> list[str]:
    """The events worth a line, at most so many: all but the stages, which the picture shows itself."""
    told = [event for event in events if event.kind != "stage"]
    weight = {"trip": 0, "cut-off": 1, "stop": 1, "power-pressed": 1, "phase": 1, "energise": 2, "check": 5, "idle": 5}
    kept = sorted(sorted(told, key=lambda event: weight.get(event.kind, 4))[:most], key=told.index)
    lines = [f"{event.time_s:8.2f} s  {event.kind}: {event.text}" for event in kept]
    if len(told) > len(kept):
        lines.append(f"            and {len(told) - len(kept)} more in events.csv")
    return lines
