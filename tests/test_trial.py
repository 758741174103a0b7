"""Trial samples: the thinned-out record they go by, what they score by it, and what they are for."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np
import pytest

from rampguard.loads import trial
from rampguard.loads.families import FAMILIES
from rampguard.loads.following import FORGOTTEN_S, Following, Pace, Sight, paced
from rampguard.loads.ranges import even_parts
from rampguard.loads.trial import Crowd, Groups, Record, renewed

VOLTS, WATTS = 230.0, 200.0
RANGES = FAMILIES["linear-amplifier"].ranges
SIZE = 256
GROUPS = Groups({name: (item,) for name, item in RANGES.items()}, (SIZE,))


def _follow(values: Mapping[str, np.ndarray]) -> Following:
    model = FAMILIES["linear-amplifier"](values)
    return Following(model, nameplate_v=VOLTS, nameplate_w=WATTS, error=0.1)


def _line(seconds: float) -> float:
    """Up to half of line, a hold, and up to all of it."""
    return VOLTS * min(1.0, 0.02 * min(seconds, 25.0) + 0.02 * max(0.0, seconds - 35.0))


def _readings(seed: int, until_s: float = 60.0) -> Iterator[tuple[Pace, Sight, float]]:
    """What a unit of the class, drawn by the seed, would have a perfect meter read."""
    places = np.random.default_rng(seed).uniform(0.2, 0.8, len(RANGES))
    values = {name: item.at(np.array([part])) for (name, item), part in zip(RANGES.items(), places, strict=True)}
    unit = FAMILIES["linear-amplifier"](values)
    state, before = unit.rest(), None
    for k in range(round(until_s / 0.1)):
        pace = paced(_line(0.1 * k), VOLTS, 0.1 * k, before)
        before = (0.1 * k, pace.v, pace.moved_by)
        state, drawn = unit.step(state, pace.v, pace.seconds, event=False)
        amperes, watts = float(drawn.current[0]) * WATTS / VOLTS, float(drawn.power[0]) * WATTS
        yield (
            pace,
            Sight(time_s=0.1 * k, line_voltage_v=_line(0.1 * k), line_current_a=amperes, real_power_w=watts),
            0.2,
        )


def _first() -> Crowd:
    parts = even_parts(len(RANGES), SIZE)
    following = _follow(GROUPS.values(parts))
    return Crowd(parts, following, following.model.rest(), np.zeros(SIZE))


def _along(seed: int, renew: Callable[..., Crowd] | None) -> tuple[Crowd, Record]:
    crowd, record = _first(), Record()
    for pace, sight, dose in _readings(seed):
        samples, against = crowd.following.follow(crowd.samples, pace, sight, np.ones(SIZE, dtype=np.bool_))
        scores = crowd.scores * float(np.exp(-pace.seconds / FORGOTTEN_S)) - dose * against
        crowd = replace(crowd, samples=samples, scores=scores)
        if renew is not None:
            crowd = renew(crowd, GROUPS, record, record.now(pace, sight, dose), _follow)
        record = record.after(pace, sight, dose)
    return crowd, record


def test_a_record_loses_neither_time_nor_readings_nor_an_event() -> None:
    generator = random.Random(1)
    record, before, seconds, doses, v = Record(), None, 0.0, 0.0, 0.0
    for k in range(5000):
        v = min(1.0, max(0.0, v + generator.choice([0.0, 0.0, 0.004, -0.003, 0.02])))
        pace = paced(v * VOLTS, VOLTS, 0.1 * k, before)
        before = (0.1 * k, pace.v, pace.moved_by)
        record = record.after(pace, Sight(time_s=0.1 * k, line_voltage_v=v * VOLTS, event=k == 700), 0.2)
        seconds, doses = seconds + pace.seconds, doses + 0.2
    assert record.thinned > 0
    assert len(record.kept) <= trial.LONGEST
    assert sum(k.seconds + k.pace.seconds for k in record.kept) + record.seconds == pytest.approx(seconds)
    assert sum(k.dose for k in record.kept) + record.dose == pytest.approx(doses)
    assert sum(k.sight.event for k in record.kept) == 1


@pytest.mark.parametrize("seed", [3, 4])
def test_samples_score_by_the_record_about_what_they_score_by_all_readings(seed: int) -> None:
    crowd, record = _along(seed, None)
    following = _follow(GROUPS.values(crowd.parts))
    again = trial.Trial(crowd.parts, following, following.model.rest(), np.zeros(SIZE), record.thinned)
    for kept in record.kept:
        again = trial._once_more(again, kept, FORGOTTEN_S)
    best = np.argsort(-crowd.scores)[:40]
    assert np.median(np.abs(again.scores - crowd.scores)[best] / np.maximum(-crowd.scores[best], 1.0)) < 0.15
    assert len(set(best) & set(np.argsort(-again.scores)[:40])) >= 28


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_samples_come_closer_to_the_unit(seed: int) -> None:
    plain, _ = _along(seed, None)
    closer, _ = _along(seed, renewed)
    assert closer.trials > 5
    assert closer.scores.max() > 0.5 * plain.scores.max()  # scores are below zero: half as far off at most
    assert np.median(closer.scores) > np.median(plain.scores)
    assert closer.parts.min() >= 0.0
    assert closer.parts.max() <= 1.0


def test_the_same_readings_always_give_the_same_samples() -> None:
    one, other = (_along(8, renewed)[0] for _ in range(2))
    np.testing.assert_array_equal(one.parts, other.parts)
    np.testing.assert_array_equal(one.scores, other.scores)


def test_a_trial_begins_anew_once_the_record_was_thinned_out() -> None:
    crowd, record = _along(9, renewed)
    begun = replace(crowd, trial=None, begun_at=0)
    pace, sight, dose = next(_readings(9))
    begun = renewed(begun, GROUPS, record, record.now(pace, sight, dose), _follow)
    assert begun.trial is not None
    thinner = replace(record, thinned=record.thinned + 1, count=record.count + 1)
    after = renewed(begun, GROUPS, thinner, thinner.now(pace, sight, dose), _follow)
    assert after.trial is not None
    assert (after.trial.done, after.trial.thinned) == (0, record.thinned + 1)
    assert after.trials == begun.trials + 1


def test_what_is_past_an_end_of_a_range_comes_back_from_it() -> None:
    found = trial._folded(np.array([-0.1, 0.0, 0.4, 1.0, 1.2, -1.3]))
    np.testing.assert_allclose(found, [0.1, 0.0, 0.4, 1.0, 0.8, 0.7])


def test_a_group_has_its_own_ranges_and_nothing_of_the_others() -> None:
    idle, size = RANGES["idle"], RANGES["span"]
    groups = Groups({"idle": (idle, idle, idle), "size": (None, size, None)}, (4, 4, 4))
    values = groups.values(np.full((2, 12), 0.5))
    np.testing.assert_allclose(values["idle"], idle.at(np.array(0.5)))
    np.testing.assert_allclose(values["size"], [0.0] * 4 + [float(size.at(np.array(0.5)))] * 4 + [0.0] * 4)


@pytest.mark.parametrize("seed", [5, 9])
def test_samples_of_either_make_stay(seed: int) -> None:
    crowd, _ = _along(seed, renewed)
    makes = GROUPS.makes(crowd.parts)
    place = list(RANGES).index("soft_share")
    np.testing.assert_array_equal(makes == 1, crowd.parts[place] < 0.3)
    assert crowd.trials > 5
    for make in (0, 1):
        assert np.count_nonzero(makes == make) >= SIZE // trial.RESERVED
