"""Cold sheets for tests: a channel's usual points, and what good ones read."""

from __future__ import annotations

from collections.abc import Mapping

import tomli_w

from rampguard.cold.finding import Finding
from rampguard.cold.judgement import judge
from rampguard.cold.sheet import ColdSheet, parse_cold_sheet

POINTS = {
    "be": {"part": "transistor-junction"},
    "ce": {"part": "collector-emitter"},
    "re": {"part": "emitter-resistor", "nominal_ohm": 0.22},
    "fr": {"part": "fuse-resistor", "nominal_ohm": 10.0},
    "out": {"part": "output-to-ground"},
}
GOOD = {
    "be": {"reads_v": 0.55, "reversed_v": "open"},
    "ce": {"reads_v": "open", "reversed_v": 0.6},
    "re": {"reads_ohm": 0.221},
    "fr": {"reads_ohm": 10.1},
    "out": {"reads_ohm": 12_000.0},
}
FINE_METER = {"percent_of_reading": 0.05, "absolute_ohm": 0.002, "absolute_v": 0.001, "wires": 4}
Reads = Mapping[str, object]


def sheet_text(
    channels: tuple[str, ...], changed: Mapping[str, Mapping[str, Reads | None]] | None = None, **more: object
) -> str:
    """A sheet of good readings, but for what is ``changed``, by channel and point; None: not measured."""
    readings = {}
    for channel in channels:
        of_channel = {**GOOD, **(changed or {}).get(channel, {})}
        readings[channel] = {point: dict(reads) for point, reads in of_channel.items() if reads is not None}
    table = {"format": 1, "model": "a test", "channels": list(channels), "meter": FINE_METER, "points": POINTS}
    return tomli_w.dumps({**table, "readings": readings, **more})


def sheet(
    channels: tuple[str, ...], changed: Mapping[str, Mapping[str, Reads | None]] | None = None, **more: object
) -> ColdSheet:
    """The same, read."""
    return parse_cold_sheet(sheet_text(channels, changed, **more), "sheet.toml")


def found(
    channels: tuple[str, ...], changed: Mapping[str, Mapping[str, Reads | None]] | None = None, **more: object
) -> dict[tuple[str, str], Finding]:
    """Its findings that are not good, by channel and point."""
    findings = judge(sheet(channels, changed, **more)).findings
    return {(one.channel, one.what): one for one in findings if one.verdict != "good"}
