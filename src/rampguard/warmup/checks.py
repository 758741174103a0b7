"""A warm unit against its sheet: idle of every channel, offsets ahead of the speaker relays and behind them, rails."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.quantities import BEHIND_RELAY, Quantity, Signal
from rampguard.warmup.drive import Drive
from rampguard.warmup.idle import idle_from
from rampguard.warmup.odd_one_out import odd_ones
from rampguard.warmup.sheet import UnitSheet
from rampguard.warmup.watch import Going, Watch

RELAY_OPEN_BELOW: Final = 0.2
"""Behind a closed relay there is at least this part of what is ahead of it."""
DRIVEN_FROM: Final = 0.5
"""A unit that drew less than this part of what its drive makes it draw was not driven as it should have been."""
TELLABLE_V: Final = 0.005
"""An offset of less than this says nothing of a relay."""


@dataclass(frozen=True, slots=True)
class Newest:
    """A newest reading: its value and its meter's bound."""

    value: float
    bound: float


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked. ``right`` is None where it could not be."""

    what: str
    right: bool | None
    text: str
    value: float | None = None
    """The reading, where there is one, V; of the drive in the soak, W."""


Readings = Mapping[Signal, Newest]


def checks_of(
    sheet: UnitSheet, newest: Readings, watches: Mapping[str, Watch], unwatched: Sequence[str]
) -> list[Check]:
    """All checks, in the order in which they are told."""
    return [
        *_idles(sheet, newest, watches),
        *_odd(sheet, newest),
        *(
            Check(f"idle of {name}", None, "no meter reads it; line power does not tell whether it runs away")
            for name in unwatched
        ),
        *_offsets(sheet, newest),
        *_rails(sheet, newest),
    ]


def soak_check(most_w: float, drive: Drive) -> Check:
    """Whether a unit was driven in its soak, by the most that it drew from the line; 0: power was not read."""
    wanted_w = drive.draws_w
    if most_w <= 0.0:
        return Check("drive in the soak", None, "no meter reads power, so that there is no telling")
    right = most_w >= DRIVEN_FROM * wanted_w
    text = f"{most_w:.3g} W from the line at most; driven so, a class-B unit of this sheet draws some {wanted_w:.3g} W"
    return Check("drive in the soak", right, text if right else f"{text}: was it driven at all?", most_w)


def _of(newest: Readings, quantity: Quantity, channel: str) -> Newest | None:
    return newest.get(Signal(quantity, channel))


def _idles(sheet: UnitSheet, newest: Readings, watches: Mapping[str, Watch]) -> Iterator[Check]:
    target = sheet.idle
    for name in sheet.channels:
        seen = _of(newest, Quantity.EMITTER_RESISTOR, name)
        if seen is None:
            continue
        idle = idle_from(seen.value, seen.bound, target.span, rails_v=_across(sheet, newest), pairs=target.pairs)
        # The meter's bound is granted neither way: what is just outside is looked at by a person.
        within = abs(abs(seen.value) - target.volts) <= target.tolerance_v
        watch = watches.get(name)
        settled = watch is not None and watch.going is Going.SETTLED
        text = (
            f"{1e3 * abs(seen.value):.3g} mV, {1e3 * idle.current_a:.3g} mA a device (standard uncertainty"
            f" {1e3 * idle.current_u:.1g} mA), {idle.heat_w:.2g} W in the channel; wanted"
            f" {1e3 * target.volts:.3g} mV within {target.tolerance_percent:g} %"
        )
        yield Check(f"idle of {name}", within and settled, text if settled else f"{text}; not settled", abs(seen.value))


def _across(sheet: UnitSheet, newest: Readings) -> float:
    """From rail to rail, as measured where it is, else as the sheet has it."""
    plus, minus = (_of(newest, Quantity.RAIL, name) for name in ("plus", "minus"))
    measured = plus is not None and (minus is not None or sheet.rails.minus_v is None)
    if not measured or plus is None:
        return sheet.rails.across_v
    return plus.value - (0.0 if minus is None else minus.value)


def _odd(sheet: UnitSheet, newest: Readings) -> Iterator[Check]:
    seen = {name: _of(newest, Quantity.EMITTER_RESISTOR, name) for name in sheet.channels}
    return odd_checks(sheet, {name: abs(one.value) for name, one in seen.items() if one is not None})


def odd_checks(sheet: UnitSheet, idles_v: Mapping[str, float]) -> Iterator[Check]:
    """The odd ones among channels that should be alike, by their idles, V across the test points.

    Alike by their sheet, they may differ by resistors and meters, and by as much as a setting may be off.
    """
    for name, off_v in odd_ones(idles_v, 2.0 * sheet.idle.tolerance_v).items():
        said = f"the odd one out: {1e3 * off_v:+.3g} mV from the middle of {len(idles_v)} channels"
        yield Check(f"idle of {name}", False, said, idles_v[name])


def _offsets(sheet: UnitSheet, newest: Readings) -> Iterator[Check]:
    limit_v = sheet.offset.limit_v
    for name in sheet.channels:
        ahead, behind = (_of(newest, Quantity.DC_OFFSET, f"{name}{end}") for end in ("", BEHIND_RELAY))
        if ahead is not None:
            right = abs(ahead.value) <= limit_v
            text = f"{1e3 * ahead.value:.2g} mV ahead of the speaker relay"
            yield Check(f"offset of {name}", right, text, ahead.value)
        if behind is None:
            continue
        text = f"{1e3 * behind.value:.2g} mV behind the speaker relay"
        closed: bool | None = None
        if ahead is not None and abs(ahead.value) > TELLABLE_V:
            closed = abs(behind.value) >= RELAY_OPEN_BELOW * abs(ahead.value)
            text += "" if closed else ": its relay has not closed"
        elif abs(behind.value) < TELLABLE_V:
            text += ": too little to tell whether its relay has closed"
        right = abs(behind.value) <= limit_v and closed is not False
        yield Check(f"offset of {name} at its terminals", right, text, behind.value)


def _rails(sheet: UnitSheet, newest: Readings) -> Iterator[Check]:
    wanted = {"plus": sheet.rails.plus_v, "minus": sheet.rails.minus_v}
    part = sheet.rails.tolerance_percent / 100.0
    for name, volts in wanted.items():
        seen = _of(newest, Quantity.RAIL, name)
        if volts is None:
            continue
        if seen is None:
            yield Check(f"{name} rail", None, "no meter reads it")
            continue
        right = abs(seen.value - volts) <= part * abs(volts)
        text = f"{seen.value:.3g} V; wanted {volts:.3g} V within {sheet.rails.tolerance_percent:g} %"
        yield Check(f"{name} rail", right, text, seen.value)
