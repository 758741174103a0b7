"""The course of a unit at full line: warm-up, its idle watched and set; every channel checked; then the soak.

It has a memory, but no clock and no I/O: readings, touches and the time come in, and what to say and do comes out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal
from rampguard.warmup.approach import Stretch
from rampguard.warmup.checks import Check, Newest, checks_of, soak_check
from rampguard.warmup.series import Series
from rampguard.warmup.sheet import UnitSheet
from rampguard.warmup.tracking import tracking
from rampguard.warmup.watch import Do, Going, Watch, look

LOOKED_AT_EVERY_S: Final = 2.0
"""Each channel in turn."""
IDLES_WITHIN: Final = 1.3
"""A unit idles again once it draws no more than so many times what it did before it was driven: it is hotter now."""
DRIVE_OFF_S: Final = 120.0
"""For so long after the soak a drive may still be on."""
COMES_BACK_S: Final = 1200.0
"""For so long at most the idle is waited for after a soak that drove the unit."""
MOST_READINGS: Final = 40_000
"""So many of a channel's newest readings are looked at: more than an hour, ten a second."""
AWAY_PART: Final = 0.12
"""So far from full line, as a part of it, the unit is not at full line: mains themselves wander by a tenth."""
TOUCHED_MOST_S: Final = 60.0
"""A trimmer that nobody says they have let go of counts as let go of after so long."""


class Phase(StrEnum):
    """Where on its course the unit is."""

    RAMP = "ramp"
    WARM_UP = "warm-up"
    SOAK = "soak"
    AFTER_SOAK = "after the soak"
    """The drive is off, and the idle comes back: it is checked once more."""
    DONE = "done"


class Touch(StrEnum):
    """What somebody touches that changes what an idle does."""

    TRIMMER = "trimmer"
    LID = "lid"


@dataclass(slots=True)
class _Channel:
    """One channel's idle: its stretches between touches; whether each has its time constant from the one before."""

    stretches: list[tuple[Series, bool]] = field(default_factory=lambda: [(Series(), False)])
    newest_v: float = 0.0
    let_go_s: float = float("-inf")
    watch: Watch | None = None

    def begin_anew(self, *, carries_over: bool) -> None:
        series, carries = self.stretches[-1]
        if len(series):
            self.stretches.append((Series(), carries_over))
        else:  # the lid, just after a trimmer
            self.stretches[-1] = (series, carries and carries_over)

    @property
    def as_stretches(self) -> list[Stretch]:
        """The newest readings of each; of hours no more, since looking takes time."""
        return [
            Stretch(series.time_s[-MOST_READINGS:], series.values[-MOST_READINGS:], carries)
            for series, carries in self.stretches
        ]


@dataclass(frozen=True, slots=True)
class Turned:
    """What a step came to: a channel's new word, a phase that begins, a channel that runs away; empty mostly."""

    said: str = ""
    begins: Phase | None = None
    runs_away: str = ""


class Course:
    """One unit's course, by its sheet; ``signals`` are what is metered. Volts, seconds of bench time.

    ``warm_min`` is for how long it has been warm before; ``only`` is the one channel that this run is about;
    ``full_line_v`` is full line, V rms, where it is watched that the line stays there.
    """

    def __init__(
        self,
        sheet: UnitSheet,
        signals: Sequence[Signal],
        *,
        warm_min: float = 0.0,
        only: str | None = None,
        full_line_v: float | None = None,
    ) -> None:
        self.sheet = sheet
        self._warm_min = warm_min
        self.phase = Phase.RAMP
        self.began_s = self.phase_began_s = 0.0
        metered = {signal.channel for signal in signals if signal.quantity is Quantity.EMITTER_RESISTOR}
        self._channels = {name: _Channel() for name in sheet.channels if name in metered}
        self.unwatched = tuple(name for name in sheet.channels if name not in metered and only in (None, name))
        """Channels of whose idle no meter tells: line power hides one of seven that runs away."""
        self._sinks: dict[str, Series] = {}
        self._newest: dict[Signal, Newest] = {}
        self._next_look_s = 0.0
        self._turn = 0
        self._hurried = False
        self._now_s = 0.0
        self._idled_at: tuple[Signal, float] | None = None
        self._idles_again = False
        self._soaked_w = 0.0
        self._held: dict[str, float] = {}
        """Channels whose trimmers somebody has hold of, and since when."""
        self._full_line_v = full_line_v
        self._away = self._told_away = False

    # -- what comes in ------------------------------------------------------------------------------------------

    def begin(self, now_s: float) -> None:
        """Full line is reached."""
        self.phase, self.began_s, self.phase_began_s = Phase.WARM_UP, now_s, now_s

    def take(self, reading: Reading, now_s: float) -> None:
        """One reading, from full line on."""
        if reading.value is None or self.phase in (Phase.RAMP, Phase.DONE):
            return
        signal, self._now_s = reading.signal, now_s
        if not self.is_driven:  # what is checked is a unit that idles
            self._newest[signal] = Newest(reading.value, reading.bound)
        if signal == LINE_VOLTAGE and self._full_line_v is not None:
            self._away = abs(reading.value - self._full_line_v) > AWAY_PART * self._full_line_v
        if self._idled_at is not None and signal == self._idled_at[0] and self.phase is Phase.AFTER_SOAK:
            self._idles_again = self._idles_again or reading.value <= IDLES_WITHIN * self._idled_at[1]
        if self.phase is Phase.SOAK and signal == REAL_POWER:
            self._soaked_w = max(self._soaked_w, reading.value)
        if signal.quantity is Quantity.TEMPERATURE:
            self._sinks.setdefault(signal.channel, Series()).put(now_s, reading.value)
        channel = self._channels.get(signal.channel)
        if signal.quantity is not Quantity.EMITTER_RESISTOR or channel is None:
            return
        channel.newest_v = abs(reading.value)
        if signal.channel not in self._held and not self.is_driven:
            channel.stretches[-1][0].put(now_s, channel.newest_v)

    def touch(self, what: Touch, channel: str, now_s: float) -> None:
        """Somebody touches a channel's trimmer, and goes on until `let_go`; or has moved the lid."""
        if what is Touch.LID:
            for each in self._channels.values():
                each.begin_anew(carries_over=False)
        elif channel in self.sheet.channels:
            self._held[channel] = now_s

    def let_go(self) -> None:
        """Whatever trimmer was touched is let go of."""
        for name in self._held:
            channel = self._channels.get(name)
            if channel is not None:
                channel.let_go_s, channel.watch = self._now_s, None
                channel.begin_anew(carries_over=True)
        self._held.clear()

    def hurry(self) -> None:
        """Whoever works here does not wait for this phase to end by itself."""
        self._hurried = True

    # -- what comes out -----------------------------------------------------------------------------------------

    @property
    def is_driven(self) -> bool:
        """Whether a signal drives the unit: from the soak's beginning until, after it, it draws as it did idling.

        Whoever drives it has two minutes to switch the drive off: what draws more after that is no drive.
        """
        if self.sheet.drive is None:
            return False
        late = self._now_s - self.phase_began_s > DRIVE_OFF_S
        return self.phase is Phase.SOAK or (self.phase is Phase.AFTER_SOAK and not self._idles_again and not late)

    @property
    def touched(self) -> tuple[str, ...]:
        """The channels whose trimmers somebody has hold of."""
        return tuple(self._held)

    def newest_idle_v(self, channel: str) -> float:
        """A channel's newest reading, V across its test points. Raises KeyError for one that is not watched."""
        return self._channels[channel].newest_v

    def let_go_s(self, channel: str) -> float:
        """When a channel's trimmer was let go of last; before everything if never. Raises KeyError as above."""
        return self._channels[channel].let_go_s

    @property
    def watches(self) -> dict[str, Watch]:
        """What was seen last of each channel that is watched."""
        return {name: channel.watch for name, channel in self._channels.items() if channel.watch is not None}

    def minutes(self, now_s: float) -> float:
        """Minutes at full line, those of before included."""
        return self._warm_min + (now_s - self.began_s) / 60.0

    def step(self, now_s: float) -> Iterator[Turned]:
        """What is new by now."""
        if self.phase in (Phase.RAMP, Phase.DONE):
            return
        if any(now_s - since_s > TOUCHED_MOST_S for since_s in self._held.values()):
            yield Turned(said=f"{', '.join(self._held)}: the trimmer counts as let go of, a minute after it was held")
            self.let_go()
        if self._away is not self._told_away:
            self._told_away = self._away
            where = "away from full line: nothing goes on until it is back" if self._away else "back at full line"
            yield Turned(said=f"the line is {where}")
        if self._channels and not self.is_driven and now_s >= self._next_look_s:
            self._next_look_s = now_s + LOOKED_AT_EVERY_S / len(self._channels)
            yield from self._look(now_s)
        if self._phase_is_over(now_s):
            self.phase, self.phase_began_s, self._hurried = self._next_phase(), now_s, False
            yield Turned(begins=self.phase)

    def _look(self, now_s: float) -> Iterator[Turned]:
        names = list(self._channels)
        self._turn = (self._turn + 1) % len(names)
        name, channel = names[self._turn], self._channels[names[self._turn]]
        if name in self._held or not len(channel.stretches[-1][0]):
            return
        before = channel.watch
        now = look(
            channel.as_stretches,
            self.sheet.idle,
            self.minutes(now_s),
            adjustable=self.sheet.trimmers == "bias",
            before=Going.UNTOLD if before is None else before.going,
        )
        channel.watch = now
        if now.going is Going.RUNNING_AWAY:
            yield Turned(runs_away=f"{name}: {now.text}")
        elif before is None or (now.going, now.do) != (before.going, before.do):
            yield Turned(said=f"{name}: {now.text}")

    def _next_phase(self) -> Phase:
        if self.phase is Phase.WARM_UP and self.sheet.soak.minutes > 0.0 and (self._all_right or self._hurried):
            drawn = ((signal, self._newest.get(signal)) for signal in (REAL_POWER, LINE_CURRENT))
            self._idled_at = next(((signal, seen.value) for signal, seen in drawn if seen is not None), None)
            return Phase.SOAK
        # What has not come right is not soaked, and what was driven is looked at once more.
        if self.phase is not Phase.SOAK or not self.is_driven:
            return Phase.DONE
        for channel in self._channels.values():
            channel.begin_anew(carries_over=False)
            channel.watch = None
        return Phase.AFTER_SOAK

    @property
    def _all_right(self) -> bool:
        return all(c.watch is not None and c.watch.do is Do.LEAVE for c in self._channels.values())

    def _phase_is_over(self, now_s: float) -> bool:
        if self._hurried:
            return True
        if self._away:
            return False
        if self.phase is Phase.SOAK:
            return now_s - self.phase_began_s >= 60.0 * self.sheet.soak.minutes
        if self.phase is Phase.AFTER_SOAK and now_s - self.phase_began_s >= COMES_BACK_S:
            return True
        if self.phase is Phase.WARM_UP and now_s - self.began_s >= 60.0 * self.sheet.idle.longest_min:
            return True
        return self._all_right and self.minutes(now_s) >= self.sheet.idle.final_check_min

    def checks(self) -> list[Check]:
        """Every channel, offset and rail against the sheet, by the newest readings; and whether the bias tracks."""
        found = checks_of(self.sheet, self._newest, self.watches, self.unwatched)
        for sink in self._sinks.values():
            for name, channel in self._channels.items():
                series = channel.stretches[-1][0]
                told = tracking(series.time_s, series.values, sink.time_s, sink.values)
                if told is not None:
                    tolerance = self.sheet.idle.tolerance_percent / 100.0
                    right = abs(told.over_span) <= tolerance
                    found.append(Check(f"bias of {name}", right, told.said(tolerance)))
        drive = self.sheet.drive
        if drive is not None:
            found.append(soak_check(self._soaked_w, drive))
        return found
