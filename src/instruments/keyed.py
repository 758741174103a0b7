"""Readings that a person types: an instrument without any interface. Checked as a colleague would who looks on.

What cannot be is asked again. What could be a slip (of the unit, of the decimal point) is asked again, too, with the
advice to switch off if the meter really shows it; typed a second time, it is believed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from instruments.dialect import Dialect, Measurement
from instruments.errors import CommandRefused, LinkTimeout
from instruments.replies import UNITS

KEYED: Final = "keyed"
"""The resource of an instrument whose readings a person types."""
SLIP_RATIO: Final = 7.0
"""Volts so many times what was typed before, or a current so many times less at no fewer volts, may be a slip."""
OVER: Final = "OL"
"""What a display shows of more than its range."""
POWER_MARGIN: Final = 1.1
"""Real power above volts times amperes by more than this cannot be, whatever meters of this kind show."""
_TOKEN: Final = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)|OL)\s*((?!OL\b)[a-zA-Zµ]*)", re.ASCII | re.IGNORECASE)
_UNITS: Final = {name.lower(): name for name in UNITS}


class Keyboard(Protocol):
    """Where a person is asked, and answers."""

    def ask(self, instrument: str, what: str, why: str) -> str:
        """Ask for ``what``; ``why`` says what was wrong with the answer before, empty at first. Blocks.

        Raises LinkError when nobody will answer any more.
        """
        ...


class Slip(ValueError):  # noqa: N818 - what it is
    """An answer that cannot be believed as it stands; the text says why, and what to do."""

    def __init__(self, text: str, values: tuple[float, ...] = ()) -> None:
        super().__init__(text)
        self.values = values
        """What was typed, where it may be right after all."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for in one go: the measurements, in the order in which they are typed."""

    measurements: tuple[Measurement, ...]

    @property
    def what(self) -> str:
        """In words, with units."""
        return ", ".join(f"{m.quantity.replace('_', ' ')} in {m.unit}" for m in self.measurements)


def values_typed(text: str, asked: Asked, before: tuple[float, ...]) -> tuple[float, ...]:
    """What was typed, each in its measurement's unit. Raises Slip.

    A decimal comma is understood, and a unit after a number (``350 mA``). ``before`` is what was typed the last time.
    """
    tokens = _tokens(text, len(asked.measurements), asked.what)
    values = tuple(_value(number, unit, m) for (number, unit), m in zip(tokens, asked.measurements, strict=True))
    _look_for_slips(values, asked, before)
    return values


def _tokens(text: str, count: int, what: str) -> list[tuple[str, str]]:
    plain = text.strip().replace(";", " ")
    if re.search(r"\d[.,]\d+[.,]", plain):
        raise Slip(f"{text.strip()!r} has two decimal points in one number: type {what}")
    found = _TOKEN.findall(plain)
    if len(found) != count or _TOKEN.sub("", plain).strip(" \t"):
        raise Slip(f"{text.strip()!r} is not what was asked for: type {what}, with a space between")
    return found


def _value(number: str, unit: str, measurement: Measurement) -> float:
    if number.upper() == OVER:
        return math.inf
    value = float(number.replace(",", "."))
    if unit:
        known = _UNITS.get(unit.lower().replace("µ", "u"))
        if known is None or UNITS[known][0] != UNITS[measurement.unit][0]:
            raise Slip(
                f"{unit!r} is no unit of {measurement.quantity.replace('_', ' ')}: type it in {measurement.unit}"
            )
        value *= UNITS[known][1] / UNITS[measurement.unit][1]
    if value < 0.0:
        raise Slip(f"{value:g} {measurement.unit}: it cannot be below zero")
    full = max(item.full for item in measurement.ranges)
    if value > full:
        raise Slip(
            f"{value:g} {measurement.unit} is more than this meter can show ({full:g} {measurement.unit}):"
            f" is it in m{measurement.unit}? Then type {value:g} m{measurement.unit}"
        )
    return value


def _look_for_slips(values: tuple[float, ...], asked: Asked, before: tuple[float, ...]) -> None:
    really = "If the meter really shows it, SWITCH OFF, then type it again; else type what it shows"
    by_quantity = {str(m.quantity): v * UNITS[m.unit][1] for v, m in zip(values, asked.measurements, strict=True)}
    watts, volts, amperes = (by_quantity.get(q) for q in ("real_power", "line_voltage", "line_current"))
    if watts is not None and volts is not None and amperes is not None:
        most_w = POWER_MARGIN * (volts + 0.5) * (amperes + 0.005) + 0.5
        if watts > most_w and math.isfinite(watts):
            raise Slip(f"{watts:g} W is more than {volts:g} V times {amperes:g} A can be. {really}", values)
    if len(before) != len(values):
        return
    # More current is never asked about: it goes to the guard at once. Less, at no fewer volts, may hide it.
    volts_fell = any(v < b for v, b, m in zip(values, before, asked.measurements, strict=True) if _is_volts(m))
    for value, previous, measurement in zip(values, before, asked.measurements, strict=True):
        full = max(item.full for item in measurement.ranges)
        jumped = _is_volts(measurement) and value > SLIP_RATIO * max(previous, 0.002 * full)
        fell = not _is_volts(measurement) and not volts_fell and SLIP_RATIO * max(value, 0.0005 * full) < previous
        if jumped or fell:
            raise Slip(f"{value:g} {measurement.unit} after {previous:g} {measurement.unit}: a slip? {really}", values)


def _is_volts(measurement: Measurement) -> bool:
    return str(measurement.quantity) == "line_voltage"


class KeyedLink:
    """A person with the meter before them, as a link: asked, they answer. Raises LinkTimeout when nobody does."""

    def __init__(self, name: str, dialect: Dialect, keyboard: Keyboard) -> None:
        self.name = name
        self.resource = KEYED
        self._asked = Asked(dialect.measurements)
        self._separator = dialect.measurements[0].separator
        self._keyboard = keyboard
        self._before: tuple[float, ...] = ()

    def query(self, text: str, deadline_s: float | None = None) -> str:
        """Ask until the answer can be believed; it, as an instrument would give it."""
        why, doubtful = "", tuple[float, ...]()
        while True:
            typed = self._keyboard.ask(self.name, self._asked.what, why)
            try:
                values = values_typed(typed, self._asked, self._before)
            except Slip as slip:
                if not slip.values or slip.values != doubtful:
                    why, doubtful = str(slip), slip.values
                    continue
                values = slip.values
            self._before = values
            return self._separator.join("inf" if math.isinf(value) else f"{value:.9g}" for value in values)

    def write(self, text: str) -> None:
        """There is nothing that it could be told."""
        raise CommandRefused(f"{self.name}: readings typed by a person can be asked for, nothing else")

    def close(self) -> None:
        """Nothing to close."""


def keyed_problems(dialect: Dialect) -> Sequence[str]:
    """Why a dialect cannot be keyed in; empty if it can."""
    if not dialect.measurements:
        return ("it measures nothing, so there is nothing to type",)
    if len({(m.query, m.separator) for m in dialect.measurements}) != 1:
        return ("what is typed in one line has one query and one separator",)
    if [m.field for m in dialect.measurements] != list(range(len(dialect.measurements))):
        return ("what is typed in one line has the fields 0, 1, 2 in order",)
    return ()


class NobodyAnswers(LinkTimeout):
    """Whoever was asked has gone."""
