"""What readings of a few volts add up to; what they do not say is said."""

from __future__ import annotations

import dataclasses
import math

import pytest

from rampguard.probe.low_flux import Found
from rampguard.probe.story import BLIND, WORDS
from rampguard.probe.verdict import SHORT_FROM, WELL_FROM, Plate, Point, impedance_of, judge

TRANSFORMER = Plate("transformer", 230.0, 80.0, 50.0)
HERTZ = (50.0, 40.0, 100.0, 200.0, 400.0)


def point(hertz: float, volts: float, siemens: complex, *, bound_a: float = 5e-5, bound_w: float = 5e-4) -> Point:
    """What good meters read of an admittance."""
    return Point(
        frequency_hz=hertz,
        volts=volts,
        amperes=volts * abs(siemens),
        watts=volts**2 * siemens.real,
        bound_v=0.005 * volts,
        bound_a=bound_a,
        bound_w=bound_w,
    )


def wound(turns_ohm: float = math.inf, **bounds: float) -> list[Point]:
    """28 ohm, and behind it 14 H, 20 kilohm and shorted turns: by hand, in complex numbers."""

    def siemens(hertz: float) -> complex:
        inner = 1.0 / 20_000.0 + 1.0 / (2j * math.pi * hertz * 14.0) + 1.0 / turns_ohm
        return 1.0 / (28.0 + 1.0 / inner)

    return [point(hertz, 9.0, siemens(hertz), **bounds) for hertz in HERTZ]


def test_a_whole_transformer_and_one_with_a_percent_of_its_turns_shorted() -> None:
    whole, shorted = judge(wound(), TRANSFORMER), judge(wound(2800.0), TRANSFORMER)
    assert whole.outcome == "no-short-seen"
    assert whole.probabilities[Found.NO_FAULT] > WELL_FROM
    assert whole.shut_out_w is not None
    assert whole.shut_out_w < 230.0**2 / 2800.0
    assert (shorted.outcome, shorted.likeliest) == ("short", Found.SHORTED_TURNS)
    assert shorted.of_faults > SHORT_FROM
    assert math.fsum(shorted.probabilities.values()) == pytest.approx(1.0)


def test_poor_meters_cannot_tell() -> None:
    """The same readings where the ammeter may be off by 3 mA: 3.2 mA of shorted turns are no evidence."""
    said = judge(wound(2800.0, bound_a=3e-3, bound_w=1.0), TRANSFORMER)
    assert said.outcome == "cannot-tell"
    assert not said.draws
    assert said.shut_out_w is not None
    assert said.shut_out_w > 230.0**2 / 2800.0


def test_many_readings_on_one_range_are_not_many_witnesses() -> None:
    """An error that all share is not read away: of ten times the readings no cause is surer than of one's."""
    once = wound(6000.0, bound_a=8e-4, bound_w=1.0)
    one, ten = judge(once, TRANSFORMER), judge(once * 10, TRANSFORMER)
    odds_one, odds_ten = (v.probabilities[Found.SHORTED_TURNS] / v.probabilities[Found.NO_FAULT] for v in (one, ten))
    assert abs(math.log(odds_ten / odds_one)) < 5.0


def test_weak_readings_count_half() -> None:
    sure = wound(2800.0, bound_a=4e-4, bound_w=1.0)
    weak = [dataclasses.replace(p, weak=True) for p in sure]
    assert judge(weak, TRANSFORMER).of_faults < judge(sure, TRANSFORMER).of_faults


def test_what_draws_nothing_is_not_called_whole() -> None:
    dead = [point(hertz, 9.0, 1e-9 + 0j) for hertz in HERTZ]
    said = judge(dead, TRANSFORMER)
    assert not said.draws
    assert said.outcome == "cannot-tell"


def test_a_primary_side_short_and_more_than_any_unit_draws() -> None:
    short = [point(50.0, 0.9, 0.5 + 0j)]
    said = judge(short, TRANSFORMER, "0.45 A")
    assert (said.outcome, said.likeliest) == ("short", Found.PRIMARY_SHORT)
    # Whatever the samples say, a unit that was cut for its current is not ramped.
    assert judge(wound(), TRANSFORMER, "0.45 A").outcome == "short"


def test_the_wrong_class_is_like_no_sample() -> None:
    """Something of 35 ohm whose admittance rises with frequency, taken for a receiver's standby transformer."""
    heater = [point(hertz, 9.0, 0.02 + 0.02j * (hertz / 50.0)) for hertz in HERTZ]
    assert judge(heater, Plate("receiver", 230.0, 350.0, 50.0)).outcome != "no-short-seen"


def test_a_reservoirs_threshold_tells_what_is_behind_a_rectifier() -> None:
    """0.3 mA at 2 V and 55 mA at 4 V: no winding does that, a short behind diodes does."""
    plate = Plate("linear-amplifier", 230.0, 300.0, 50.0)
    points = [point(50.0, v, a / v + 0j, bound_a=5e-4) for v, a in ((1.0, 1e-4), (2.0, 3e-4), (4.0, 0.055))]
    said = judge(points, plate)
    assert (said.outcome, said.likeliest) == ("short", Found.OUTPUT_SHORT)


def test_impedance_is_told_only_of_power_that_is_told_from_nothing() -> None:
    good = impedance_of(point(50.0, 9.0, 0.001 + 0j))
    assert good is not None
    assert good.r_ohm == pytest.approx(1000.0)
    assert impedance_of(point(50.0, 9.0, 0.001 + 0j, bound_w=0.75)) is None
    assert impedance_of(dataclasses.replace(point(50.0, 9.0, 0.001 + 0j), watts=None)) is None


def test_without_readings_or_of_another_class_nothing_is_judged() -> None:
    with pytest.raises(ValueError, match="no readings"):
        judge([], TRANSFORMER)
    with pytest.raises(ValueError, match="nothing of the load class"):
        judge(wound(), Plate("heater", 230.0, 1000.0, 50.0))


def test_words_for_all_that_may_be_found() -> None:
    assert set(WORDS) == set(Found)
    assert set(BLIND) == {"transformer", "linear-amplifier", "receiver", "valve-amplifier", "switch-mode"}


def test_what_was_read_on_the_way_up_counts_only_if_it_was_cut_there() -> None:
    """3 mA of direct current at 1 V, as a core gives up what it kept."""
    early = dataclasses.replace(point(50.0, 1.0, 0.003 + 0j), passing=True)
    assert judge([early, *wound()], TRANSFORMER) == judge(wound(), TRANSFORMER)
    assert judge([early, *wound()], TRANSFORMER, "0.2 A").probabilities != judge(wound(), TRANSFORMER).probabilities
    assert judge([early], TRANSFORMER).draws
