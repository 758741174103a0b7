"""What a live loop does at full line: the unit's course (`rampguard.warmup.course`), told, and obeyed in a demo."""

from __future__ import annotations

import time
from dataclasses import asdict
from typing import Any, Final

from instruments.errors import InstrumentError
from instruments.roles import UnitHand
from rampguard.course_story import WORDS
from rampguard.engine.messages import Touched
from rampguard.engine.operator import Operator
from rampguard.engine.telling import Teller
from rampguard.guard.decision import DRIVEN, TOUCHED
from rampguard.quantities import Reading
from rampguard.warmup.course import Course, Phase, Touch
from rampguard.warmup.watch import Watch

TOLD_EVERY_S: Final = 1.0
"""Wall time between two accounts of the idles for the onlooker."""
TURNS_EVERY_S: Final = 1.5
"""Bench time between two small turns of the simulated hand: the meter has to follow."""
TURNS_BY: Final = 0.6
"""So much of what is lacking it turns at once."""
NEAR_ENOUGH: Final = 0.01
LETS_GO_AFTER_S: Final = 30.0


class Care:
    """The course of one run; ``hand`` is the simulated one in the unit, None where a person does it."""

    def __init__(self, course: Course, operator: Operator, teller: Teller, hand: UnitHand | None) -> None:
        self.course = course
        self._operator = operator
        self._teller = teller
        self._hand = None if hand is None else _Turning(hand, course)
        self._told_s = 0.0
        self._minutes = 0.0

    @property
    def event(self) -> str:
        """What explains what the unit draws just now; empty mostly."""
        return DRIVEN if self.course.is_driven else TOUCHED if self.course.touched else ""

    @property
    def is_over(self) -> bool:
        """Whether all is done."""
        return self.course.phase is Phase.DONE

    @property
    def has_begun(self) -> bool:
        """Whether the ramp is over."""
        return self.course.phase is not Phase.RAMP

    @property
    def minutes(self) -> float:
        """Minutes at full line in this run, by the last turn."""
        return self._minutes

    def begin(self, now_s: float) -> None:
        """The plan's last stage has ended: full line is reached."""
        self.course.begin(now_s)
        self._phase_begins(now_s, Phase.WARM_UP)
        for name in self.course.unwatched:
            text = f"{name} is not watched: line power hides one channel that runs away, so look at it"
            self._teller.note(now_s, "idle", text)

    def take(self, reading: Reading, now_s: float) -> None:
        """One reading."""
        self.course.take(reading, now_s)

    def turn(self, now_s: float) -> str:
        """What is new; why to cut, empty where there is no reason to."""
        self._minutes = (now_s - self.course.began_s) / 60.0
        for touched in self._operator.take_touches():
            self._obey(touched, now_s)
        for turned in self.course.step(now_s):
            if turned.said:
                self._teller.note(now_s, "idle", turned.said)
            if turned.runs_away:
                return turned.runs_away
            if turned.begins is not None:
                self._phase_begins(now_s, turned.begins)
        if self._hand is not None:
            try:
                for said in self._hand.turn(now_s):
                    self._teller.note(now_s, "touch", said)
            except InstrumentError as error:
                self._teller.note(now_s, "link", str(error))
                self._hand = None
        self._tell(now_s)
        return ""

    def checks(self) -> list[dict[str, Any]]:
        """What was checked on the warm unit, as records have it; nothing where it did not come so far."""
        warm = self.course.phase in (Phase.SOAK, Phase.AFTER_SOAK, Phase.DONE)
        return [asdict(check) for check in self.course.checks()] if warm else []

    def _obey(self, touched: Touched, now_s: float) -> None:
        if touched.what == "let-go":
            self.course.let_go()
        elif touched.what == "go-on":
            self.course.hurry()
        elif touched.what == "trimmer" and touched.channel not in self.course.sheet.channels:
            known = ", ".join(self.course.sheet.channels)
            self._teller.note(now_s, "touch", f"there is no channel {touched.channel!r}; there are {known}")
            return
        else:
            self.course.touch(Touch(touched.what), touched.channel, now_s)
        self._teller.note(now_s, "touch", " ".join(filter(None, (touched.what, touched.channel))))

    def _phase_begins(self, now_s: float, phase: Phase) -> None:
        sheet = self.course.sheet
        said = {
            Phase.WARM_UP: f"first setting {sheet.idle.first_setting_min:g} min after full line, final check after"
            f" {sheet.idle.final_check_min:g}",
            Phase.SOAK: f"{sheet.soak.minutes:g} min, attended: stay with it{self._driven_words()}",
            Phase.AFTER_SOAK: "switch the drive off; the idle has to come back",
            Phase.DONE: "once it has cooled, power it up once more, and see the idle come back to the same",
        }
        if phase is Phase.SOAK:  # what holds at the very end is told with the run's result
            for check in self.course.checks():
                self._teller.note(now_s, "check", f"{check.what}: {WORDS[check.right]}: {check.text}")
        self._teller.note(now_s, "phase", f"{phase}: {said[phase]}" if phase in said else str(phase))

    def _driven_words(self) -> str:
        drive = self.course.sheet.drive
        if drive is None:
            return ""
        return (
            ". One eighth of rated power (16 CFR 432.3): 1 kHz into every channel, slowly up to"
            f" {drive.level_v:.3g} V rms across {self.course.sheet.soak.load_ohm:g} ohm each"
        )

    def _tell(self, now_s: float) -> None:
        wall_s = time.monotonic()
        if self.course.phase is Phase.RAMP or wall_s - self._told_s < TOLD_EVERY_S:
            return
        self._told_s = wall_s
        idles = {name: _idle(watch) for name, watch in self.course.watches.items()}
        phase_min = (now_s - self.course.phase_began_s) / 60.0
        minutes = self.course.minutes(now_s)
        self._operator.tell(
            "course", phase=str(self.course.phase), minutes=minutes, phase_minutes=phase_min, idles=idles
        )


def _idle(watch: Watch) -> dict[str, Any]:
    comes = watch.forecast
    return {
        "now_v": watch.now_v,
        "going": str(watch.going),
        "do": str(watch.do),
        "text": watch.text,
        "set_to_v": watch.set_to_v,
        "comes_to_v": None if comes is None else [comes.low, comes.comes_to, comes.high],
    }


class _Turning:
    """A simulated hand that does what the watch says: takes hold of a trimmer, turns by the meter, lets go."""

    def __init__(self, hand: UnitHand, course: Course) -> None:
        self._hand = hand
        self._course = course
        self._channel = ""
        self._set_to_v = 0.0
        self._since_s = self._turned_s = self._drive_v = 0.0

    def turn(self, now_s: float) -> list[str]:
        """What it did, in words."""
        drive = self._course.sheet.drive
        wanted_v = drive.level_v if drive is not None and self._course.phase is Phase.SOAK else 0.0
        if wanted_v != self._drive_v:
            # Up in small steps, off at once.
            self._drive_v = 0.0 if wanted_v == 0.0 else min(wanted_v, self._drive_v + 0.02 * wanted_v)
            self._hand.drive(self._drive_v, self._course.sheet.soak.load_ohm or 8.0)
        if not self._channel:
            return self._take_hold(now_s)
        if now_s - self._turned_s < TURNS_EVERY_S:
            return []
        self._turned_s = now_s
        lacking_v = self._set_to_v - self._course.newest_idle_v(self._channel)
        if abs(lacking_v) <= NEAR_ENOUGH * self._set_to_v or now_s - self._since_s > LETS_GO_AFTER_S:
            channel, self._channel = self._channel, ""
            self._course.let_go()
            return [f"{channel}'s trimmer is let go of"]
        self._hand.turn_trimmer(self._channel, TURNS_BY * lacking_v / self._course.sheet.idle.span.ohm)
        return []

    def _take_hold(self, now_s: float) -> list[str]:
        for name, watch in self._course.watches.items():
            if watch.set_to_v is not None and now_s - self._course.let_go_s(name) > 2.0 * LETS_GO_AFTER_S:
                self._channel, self._set_to_v, self._since_s, self._turned_s = name, watch.set_to_v, now_s, now_s
                self._course.touch(Touch.TRIMMER, name, now_s)
                return [f"{name}'s trimmer is turned until the meter shows {1e3 * watch.set_to_v:.3g} mV"]
        return []
