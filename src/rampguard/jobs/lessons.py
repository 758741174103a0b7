"""What many jobs add up to: what failed most, hours spent against hours quoted, what healthy units draw. Pure.

Spreads are told as the lowest, the quarter, the median, the three quarters and the highest; between two values a
quantile is on a straight line (type 7 of Hyndman and Fan, The American Statistician 50, 1996, which numpy has, too).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import quantiles

ALL_CLASSES = "all"


@dataclass(frozen=True, slots=True)
class Spread:
    """How some values lie, in their unit."""

    count: int
    lowest: float
    quarter: float
    median: float
    three_quarters: float
    highest: float


@dataclass(frozen=True, slots=True)
class Often:
    """How often something is written down, and in how many jobs. ``said``: one way it was written."""

    said: str
    times: int
    jobs: int


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of one closed job that has both."""

    load_class: str
    quoted: float
    spent: float


@dataclass(frozen=True, slots=True)
class Model:
    """Units that are like one another: the job's title in plain words, nameplate in W and V rms, mains in Hz."""

    plain: str
    nameplate_w: float
    nameplate_v: float
    mains_frequency_hz: float | None
    is_simulated: bool


@dataclass(frozen=True, slots=True)
class HealthyRow:
    """What one healthy capture drew at one line voltage: V rms, A rms, W."""

    model: Model
    title: str
    job: int
    capture: int
    created: str
    part_of_line: float
    line_v: float
    current_a: float
    power_w: float | None


@dataclass(frozen=True, slots=True)
class Level:
    """How a model's units lie at one line voltage: V rms, A rms, W; power is None where nothing metered it."""

    part_of_line: float
    line_v: Spread
    current_a: Spread
    power_w: Spread | None


@dataclass(frozen=True, slots=True)
class Healthy:
    """What healthy units of a model draw, one capture a job."""

    model: Model
    title: str
    jobs: int
    levels: tuple[Level, ...]


def spread_of(values: Iterable[float]) -> Spread | None:
    """How values lie; None where there is none."""
    found = sorted(values)
    if not found:
        return None
    between = quantiles(found, n=4, method="inclusive") if len(found) > 1 else found * 3
    quarter, median, three_quarters = between
    return Spread(len(found), found[0], quarter, median, three_quarters, found[-1])


def most_often(said: Iterable[tuple[int, str, str]]) -> list[Often]:
    """What is written most often. ``said``: job, what it is counted under, and as it was written.

    In the order of jobs, times, and the name it is counted under.
    """
    times: Counter[str] = Counter()
    jobs: defaultdict[str, set[int]] = defaultdict(set)
    ways: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for job, key, text in said:
        times[key] += 1
        jobs[key].add(job)
        ways[key][text] += 1
    order = sorted(times, key=lambda key: (-len(jobs[key]), -times[key], key))
    return [Often(_usual(ways[key]), times[key], len(jobs[key])) for key in order]


def _usual(ways: Mapping[str, int]) -> str:
    return min(ways, key=lambda text: (-ways[text], text))


def hours_by_class(hours: Sequence[Hours]) -> dict[str, Spread]:
    """How hours spent lie against hours quoted (1 is as quoted), for all and for each load class."""
    ratios: defaultdict[str, list[float]] = defaultdict(list)
    for one in hours:
        for name in (ALL_CLASSES, one.load_class):
            ratios[name].append(one.spent / one.quoted)
    names = sorted(ratios, key=lambda name: (name != ALL_CLASSES, name))
    return {name: spread for name in names if (spread := spread_of(ratios[name])) is not None}


def healthy_by_model(rows: Iterable[HealthyRow]) -> list[Healthy]:
    """What healthy units draw, the models with most jobs first.

    Of each job the newest capture counts alone: a unit that was powered up ten times is one unit.
    """
    by_model: defaultdict[Model, list[HealthyRow]] = defaultdict(list)
    for row in rows:
        by_model[row.model].append(row)
    found = [_healthy(model, some) for model, some in by_model.items()]
    return sorted(found, key=lambda one: (-one.jobs, one.model.plain, one.title, repr(one.model)))


def _healthy(model: Model, rows: Sequence[HealthyRow]) -> Healthy:
    newest: dict[int, tuple[str, int]] = {}
    for row in rows:
        newest[row.job] = max(newest.get(row.job, ("", -1)), (row.created, row.capture))
    kept = [row for row in rows if newest[row.job][1] == row.capture]
    parts = sorted({row.part_of_line for row in kept})
    levels = tuple(_level(part, [row for row in kept if row.part_of_line == part]) for part in parts)
    return Healthy(model, _usual(Counter(row.title for row in kept)), len(newest), levels)


def _level(part: float, rows: Sequence[HealthyRow]) -> Level:
    line, current = spread_of(row.line_v for row in rows), spread_of(row.current_a for row in rows)
    assert line is not None  # noqa: S101 - a level is made of rows
    assert current is not None  # noqa: S101
    return Level(part, line, current, spread_of(row.power_w for row in rows if row.power_w is not None))
