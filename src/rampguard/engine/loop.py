"""The loop that owns the bench while anything can be live: readings in, guard, decision, cut-off, capture row, event.

One turn takes about ten milliseconds at most: it feeds the watchdog, takes what has arrived, judges it, and acts.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from instruments.errors import InstrumentError
from instruments.roles import OutputState
from rampguard.engine.acquire import Batch, in_time
from rampguard.engine.care import Care
from rampguard.engine.cutoff import OffProof, begin_proof
from rampguard.engine.expecting import OVERRAN, Seen, Sights
from rampguard.engine.live import Live, standing
from rampguard.engine.machine import wall_s
from rampguard.engine.reservoirs import WATCHED_S, Held, below_hands, held_with
from rampguard.engine.shown import Shown, row_of
from rampguard.engine.supply import TAKES_WITHIN_S
from rampguard.engine.telling import Teller
from rampguard.guard.decision import POWER_PRESSED, Decision, Layer, Observation, Severity
from rampguard.guard.interlock import OFF_COMMANDED, Event, Interlock, State, step
from rampguard.guard.judge import GuardState, judge, judge_expected, trip_from_outside
from rampguard.guard.permissives import interlock_event
from rampguard.guard.watched import GO_ON_HOLDING
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Expectation, Reading, Signal
from rampguard.ramp.plan import Stage
from rampguard.ramp.stepper import Pace, RampInput, RampStep

NOW_OFF: Final = "SWITCH OFF NOW: the variac's switch or the emergency-off. Nothing else can cut this line"
AT_THE_END: Final = "Turn the variac back to zero and switch it off"
STUBBORN_AFTER_S: Final = 1.0
"""Wall time a way off has to read back off, once commanded, before that is a fault of its own."""
BAND_LIMIT_S: Final = 0.1
"""Working out the expected band longer than this is no evaluation of it."""


@dataclass(slots=True)
class Loop:
    """One live run, from energised to proven off (or given up)."""

    parts: Live
    interlock: Interlock
    guard: GuardState = field(default_factory=GuardState)
    proof: OffProof | None = None
    finished: bool = False
    """The plan was walked to its end."""
    max_line_voltage_v: float = 0.0
    max_line_current_a: float = 0.0
    held: Held = field(default_factory=dict)
    """What metered rails hold since off was commanded."""
    commanded_wall_s: float = 0.0
    _stage: str = ""
    _is_off: bool = False
    """Whether the last row that was recorded says that off was commanded: a replay knows no more."""
    _severity: Severity = Severity.SAFE
    _event: str = ""
    _current: Reading | None = None
    _line_v: float | None = None
    _blind: set[Signal] = field(default_factory=set)
    """Of the line's signals, those without a reading just now."""
    _turn_s: float = field(default_factory=wall_s)
    _sights: Sights = field(init=False)
    _problems: set[str] = field(default_factory=set)
    _shown: Shown = field(default_factory=Shown)

    def __post_init__(self) -> None:
        self._sights = Sights(self.parts.limits.line_window_s)

    @property
    def teller(self) -> Teller:
        """Tells what happens."""
        return self.parts.teller

    @property
    def set_voltage_v(self) -> float | None:
        """The set-point as it was last asked for, volts rms; None where a person turns."""
        set_v = self.parts.supply.set_voltage_v
        return set_v if set_v is None or self.proof is None else 0.0

    @property
    def person_cuts(self) -> bool:
        """Whether a person is the cut-off."""
        return not self.parts.bench.cut_offs

    def expect_inrush(self, why: str, kind: str = "inrush") -> None:
        """What is read next is of an inrush that is expected."""
        self._event = POWER_PRESSED
        self.note(kind, why)

    def keep_alive(self) -> None:
        """Feed the watchdog and listen to the operator; called at every turn and while waiting within one."""
        self.parts.guardian.feed()
        self.parts.operator.poll()

    def run(self, give_up: Callable[[Loop], bool]) -> None:
        """Turn until off is proven, or until ``give_up`` says so."""
        self._turn_s = wall_s()
        while not (self.proof is not None and self.proof.proven and self._all_off_or_waited()):
            self._turn()
            if give_up(self):
                return
        stubborn = [name for name, state in self.proof.states.items() if state is not OutputState.OFF]
        if stubborn:
            self.trip(Layer.READING, f"{' and '.join(stubborn)} was commanded off and does not read back off")
        self.interlock = step(self.interlock, Event.OFF_PROVEN)
        self._watch_reservoirs()

    def _watch_reservoirs(self) -> None:
        """Off being proven, what metered rails still hold; recorded, and no matter for the guard any more."""
        watched_s, began_s = self.parts.reservoirs_watched_s, self._now_s()
        until_wall_s, was_asked = time.monotonic() + 2.0 * watched_s, bool(self.parts.operator.off_reason)
        while self.held and self._now_s() < began_s + watched_s and time.monotonic() < until_wall_s:
            asked_for = bool(self.parts.operator.off_reason) and not was_asked
            if asked_for or (self._now_s() >= began_s + WATCHED_S and below_hands(self.held)):
                return
            self.keep_alive()
            self._tell()
            if self.parts.operator.gone:
                return
            for moment in self._collect():
                readings = tuple(reading for batch in moment for reading in batch.readings)
                self.held = held_with(self.held, readings)
                for reading in readings:
                    self._shown.read(reading, self._now_s())
                if readings:
                    observation = Observation(self._now_s(), readings, self.set_voltage_v, is_off=True)
                    self.guard = replace(self.guard, time_s=observation.time_s)
                    self._record(observation, Decision(Severity.SAFE, (), self.guard.trip), None)
            time.sleep(0.0 if self.parts.lock_step else 0.01)

    def _all_off_or_waited(self) -> bool:
        """Off may be proven by one way off alone; the others get a moment to follow before they count as stubborn."""
        assert self.proof is not None  # noqa: S101 - asked only once off was commanded
        every = [self.proof.states.get(cut_off.name) for cut_off in self.parts.bench.cut_offs]
        waited_s = time.monotonic() - self.commanded_wall_s
        return all(state is OutputState.OFF for state in every) or waited_s > STUBBORN_AFTER_S

    def _turn(self) -> None:
        self.keep_alive()
        for text in self.parts.operator.take_notes():
            self.note("note", text)
        self._watch_the_house()
        for moment in self._collect():
            self._take(moment)
        self._judge(Observation(self._now_s(), (), self.set_voltage_v, is_off=self._is_off))
        self._walk()
        self._take_off_reports()
        if self.person_cuts and self.proof is not None and not self.proof.proven:
            self.teller.alarm(NOW_OFF if self.interlock.cause else AT_THE_END)
        self._tell()

    def _collect(self) -> list[tuple[Batch, ...]]:
        """What has arrived. In lock-step, simulated time waits for every way off to report once, and for a press."""
        waiting = self.proof is not None and len(self.proof.states) < len(self.parts.bench.cut_offs)
        waiting = waiting and time.monotonic() - self.commanded_wall_s < 0.3
        if self.parts.lock_step and (waiting or self.parts.presser.busy):
            time.sleep(0.002)
            return []
        try:
            return self.parts.acquisition.collect(self.keep_alive)
        except InstrumentError as error:  # a bench in lock-step has lost its clock
            if self.proof is None:
                self.trip(Layer.READING, str(error))
            time.sleep(0.01)
            return []

    def _now_s(self) -> float:
        return max(self.guard.time_s, self.parts.bench.clock.now_s() - self.parts.zero_s)

    # -- readings -----------------------------------------------------------------------------------------------

    def _take(self, moment: tuple[Batch, ...]) -> None:
        told = tuple(reading for batch in moment for reading in batch.readings)
        readings = in_time(told, self.parts.bench.clock.now_s(), self.parts.limits)
        for batch in moment:
            if batch.problem and batch.problem not in self._problems:
                self._problems.add(batch.problem)
                self.note("link", batch.problem)
        if not readings:
            return
        arrived_s = max(0.0, max(reading.time_s for reading in readings) - self.parts.zero_s)
        explained = "" if self.parts.care is None else self.parts.care.event
        event, self._event = explained or self._event, ""
        now_s = max(arrived_s, self.guard.time_s)
        observation = Observation(now_s, readings, self.set_voltage_v, event, is_off=self._is_off)
        self._judge(observation)
        for reading in readings:
            self._notice(reading, now_s)
            if self.parts.care is not None and self.interlock.state is State.LIVE:
                self.parts.care.take(reading, now_s)

    def _notice(self, reading: Reading, now_s: float) -> None:
        if reading.value is None:
            self._blind |= {reading.signal} & {LINE_VOLTAGE, LINE_CURRENT}
            return
        self._blind.discard(reading.signal)
        self._shown.read(reading, now_s)
        if reading.signal == LINE_VOLTAGE:
            self.max_line_voltage_v = max(self.max_line_voltage_v, reading.value)
            self._line_v = reading.value
        if reading.signal == LINE_CURRENT:
            self._current = reading
            self.max_line_current_a = max(self.max_line_current_a, reading.value)
        if self.proof is not None:
            self.proof = self.proof.with_reading(reading)
            self.held = held_with(self.held, (reading,))

    def _judge(self, observation: Observation) -> None:
        live = self.interlock.state is State.LIVE
        self.guard, decision = judge(self.guard, self.parts.limits, observation)
        self._act_on(decision)
        # What layer 1 has just cut for speaks for a cause, too.
        now = self._sights.of(observation, tripped=decision.trip is not None) if live else None
        expectation = None if now is None else self._expect(now)
        if now is not None and expectation is not None:
            self.guard, decision = judge_expected(self.guard, decision, self.parts.limits, now.observation, expectation)
            self._act_on(decision)
        if observation.readings:
            self._shown.judged(self.guard, self.parts.limits, observation, decision, expectation)
        if observation.readings or observation.expected_event or decision.severity is not self._severity:
            self._record(observation, decision, expectation)
        if decision.severity is Severity.WARN:
            self.teller.warn(observation.time_s, decision.reason)
        self._severity = decision.severity

    def _act_on(self, decision: Decision) -> None:
        if decision.trip is not None and not self.interlock.cause:
            self._trip(decision.trip.reason)

    def _expect(self, now: Seen) -> Expectation:
        """What was expected; layer 1 has acted by now. Late, it was not evaluated."""
        begun_s = time.monotonic()
        expectation = self.parts.expecting.expect(now)
        late = not self.parts.lock_step and time.monotonic() - begun_s > BAND_LIMIT_S
        return Expectation(why_not=OVERRAN) if late else expectation

    def _record(self, observation: Observation, decision: Decision, expectation: Expectation | None) -> None:
        state = str(self.interlock.state)
        self.parts.capture.put_row(row_of(observation, self.guard, decision, expectation, self._stage, state))
        self._is_off = self.interlock.state in OFF_COMMANDED

    # -- acting -------------------------------------------------------------------------------------------------

    def _watch_the_house(self) -> None:
        """Everything but the readings that must go on holding."""
        now_s = wall_s()
        held_up_s, self._turn_s = now_s - self._turn_s, now_s
        if self.interlock.state is not State.LIVE:
            return
        event, cause = interlock_event(GO_ON_HOLDING, standing(self.parts, held_up_s))
        if event is Event.PERMISSIVE_LOST:
            self.trip(Layer.READING, cause)
        elif self.parts.operator.off_reason:
            self._stop(self.parts.operator.off_reason)

    def _walk(self) -> None:
        if self.interlock.state is not State.LIVE:
            return
        pressed = self._press_power()
        if self.parts.operator.take_power_pressed():
            pressed = True
            self.expect_inrush("power was pressed", POWER_PRESSED)
        if self.parts.care is not None and self.parts.care.has_begun:
            self._go_on_at_full_line(self.parts.care)
            return
        for touched in self.parts.operator.take_touches():
            self.note("touch", f"{touched.what}: nothing was done, since a sheet is gone by at full line alone")
        current, self._current = self._current, None
        given = RampInput(
            self._now_s(),
            None if current is None else current.value,
            0.0 if current is None else 2.0 * current.bound,
            pressed,
            blind=bool(self._blind),
        )
        self._pace()
        turned_v = self.parts.operator.take_turned_v()
        if turned_v:
            self.parts.supply.turn_by(turned_v)
        line_v, self._line_v = self._line_v, None
        self._follow(self.parts.supply.walk(self.parts.plan, given, line_v))

    def _pace(self) -> None:
        """Stand still, go on, by a step or back, as the operator wants it."""
        for wanted in self.parts.operator.take_paces():
            before = self.parts.supply.on_plan.stage_index
            why_not = self.parts.supply.pace(self.parts.plan, Pace(wanted.what))
            self.note("pace", f"{wanted.what}: {why_not}" if why_not else wanted.what)
            if self.parts.supply.on_plan.stage_index != before:
                self._tell_stage(self.parts.plan.stages[self.parts.supply.on_plan.stage_index])

    def _press_power(self) -> bool:
        """At a stage that waits for it, press where the bench can; whether a press has just been made."""
        presser, on_plan = self.parts.presser, self.parts.supply.on_plan
        if presser.wait_at(self.parts.plan.stages[on_plan.stage_index], on_plan):
            self.expect_inrush("power was pressed", POWER_PRESSED)  # a relay may close before it is let go
        ended, problem = presser.take_end()
        if problem:
            self.note("link", f"{problem} Press the unit's power button by hand.")
        return ended and not problem

    def _follow(self, move: RampStep) -> None:
        if move.stage_began:
            self._tell_stage(move.stage)
        if move.overdue:
            self.trip(Layer.CEILING, move.overdue)
        elif move.finished and self.parts.direct and not self.guard.memory.current_seen:
            self.trip(Layer.CEILING, "no current could be told from zero: has the fuse blown?")
        elif move.finished and self.parts.care is None:
            self.finished = True
            self._stop("the plan is done")
        elif move.finished and self.parts.care is not None:
            self.parts.care.begin(self.guard.time_s)
        else:
            self._have_it_obeyed()
            if self.parts.supply.advice is not None:
                self.teller.advise(self.guard.time_s, self.parts.supply.advice)

    def _tell_stage(self, stage: Stage) -> None:
        self._stage = stage.name
        self.note("stage", f"{stage.name}: to {stage.line_voltage_v:g} V")
        self.teller.stage(stage, bench_presses=self.parts.presser.able)

    def _go_on_at_full_line(self, care: Care) -> None:
        self._stage = str(care.course.phase)
        runs_away = care.turn(self.guard.time_s)
        if runs_away:
            self.trip(Layer.EVIDENCE, runs_away)
        elif care.is_over:
            self.finished = True
            self._stop("the unit's course is done")

    def _have_it_obeyed(self) -> None:
        """In lock-step, bench time waits until the supply has heard."""
        patience_s = 0.02 if self.parts.lock_step else 0.0
        deadline_s = time.monotonic() + TAKES_WITHIN_S
        while not self.parts.supply.obey(patience_s) and patience_s and time.monotonic() < deadline_s:
            self.keep_alive()

    def trip(self, layer: Layer, reason: str) -> None:
        """Trip for a cause that the readings did not show. The first cause is kept."""
        self.guard = trip_from_outside(self.guard, layer, reason)
        self._trip(reason)

    def _trip(self, reason: str) -> None:
        if self.interlock.state is State.LIVE:
            self._cut()
        self.interlock = step(self.interlock, Event.TRIP, reason)
        self.note("trip", reason)
        trip = self.guard.trip
        self.parts.operator.tell(
            "trip",
            reason=reason,
            line_voltage_v=None if trip is None else trip.line_voltage_v,
            layer=None if trip is None else str(trip.layer),
        )

    def _stop(self, reason: str) -> None:
        self._cut()
        self.interlock = step(self.interlock, Event.STOP, reason)
        self.note("stop", reason)

    def _cut(self) -> None:
        """Off, first of all; everything else may wait."""
        self.parts.drive.cut()
        self.commanded_wall_s = time.monotonic()
        bench = self.parts.bench
        self.proof = begin_proof(bench.off_floor_v, bench.clock.now_s(), bench.meters, by_person=self.person_cuts)
        # In lock-step bench time must not move before it was heard.
        self.parts.supply.to_zero(0.2 if self.parts.lock_step else 0.0)
        if self.parts.supply.advice is not None and not self.person_cuts:
            self.note("hand", "turn the variac back to zero")

    def _take_off_reports(self) -> None:
        while self.proof is not None and not self.parts.off_reports.empty():
            report = self.parts.off_reports.get()
            self.proof = self.proof.with_report(report)
            said = f"reads back {report.state}" if report.state else report.problem
            self.note("cut-off", f"{report.name}: {said}")

    # -- telling ------------------------------------------------------------------------------------------------

    def note(self, kind: str, text: str) -> None:
        """Into the capture's events, its log, and to the onlooker."""
        self.teller.note(self.guard.time_s, kind, text)

    def _tell(self) -> None:
        self.teller.readings(
            self.guard.time_s,
            state=str(self.interlock.state),
            stage=self._stage,
            set_voltage_v=self.set_voltage_v,
            paused=self.parts.supply.on_plan.paused_s is not None,
            shown=self._shown,
        )
