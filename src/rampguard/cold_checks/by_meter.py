"""A meter of the bench answers for the person, who moves the probes: Enter reads it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from instruments.bench import load_bench_file
from instruments.cold_meter import ColdMeter
from instruments.connect import connect_cold_meter
from instruments.errors import InstrumentError
from rampguard.cold.parts import Kind
from rampguard.cold.point import OPEN_WORDS
from rampguard.cold_checks.asking import Answer, Say
from rampguard.cold_checks.questions import Question, understood

LATER: Final = "-"
NOISE: Final = 0.002
"""A reading this little below zero is the meter's own."""
HOW: Final = (
    "Probes on the point, then Enter: {name} reads it. A number is taken as typed; - leaves it for later; q stops."
)


@contextmanager
def meter_of(bench: Path, name: str | None) -> Iterator[ColdMeter]:
    """The bench's ohmmeter, put back to volts at the end. Raises BenchFileError, InstrumentError."""
    meter = connect_cold_meter(load_bench_file(bench), name)
    try:
        yield meter
    finally:
        with suppress(InstrumentError):  # the link that failed said so when it did
            meter.close()


def answering(meter: ColdMeter, wires: int, say: Say) -> Answer:
    """Answers of ``meter``, told as they are read. Raises ValueError, saying what to do, where it has none."""

    def answer(question: Question, said: str) -> float | str | None:
        if said.strip() == LATER:
            return None
        if said.strip() or not question.point:
            return understood(said, question)
        try:
            value = meter.diode_v() if question.kind is Kind.DIODE else meter.resistance_ohm(wires=wires)
        except InstrumentError as error:
            raise ValueError(f"{error}. Enter reads it once more") from error
        say(f"   {value:.4g}" if math.isfinite(value) else "   open")
        return max(value, 0.0) if abs(value) < NOISE else value if math.isfinite(value) else OPEN_WORDS[0]

    return answer
