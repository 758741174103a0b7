"""One run, from proven off to proven off: the order in which things happen, and what each failure leads to."""

from __future__ import annotations

import queue
import time
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from instruments.connect import close_bench, connect
from instruments.errors import InstrumentError
from instruments.roles import CycleMeter
from rampguard.archive.errors import ArchiveError
from rampguard.engine.acquire import Acquisition, FreeRunning, LockStep, forget_what_waits
from rampguard.engine.before_power import BeforePower, Given, NotProvenOff, Ready, StoppedBeforePower
from rampguard.engine.care import Care
from rampguard.engine.cutoff import PROOF_DEADLINE_S, OffDrive, OffProof, OffReport
from rampguard.engine.guardian import prove_exclusive
from rampguard.engine.link import (
    EXIT_BAD_INPUT,
    EXIT_DONE,
    EXIT_STOPPED,
    EXIT_TRIPPED,
    EXIT_UNPROVEN,
    RunOrder,
)
from rampguard.engine.live import Live
from rampguard.engine.loop import Loop
from rampguard.engine.meanwhile import do_meanwhile
from rampguard.engine.operator import Asking, Operator
from rampguard.engine.presser import Presser
from rampguard.engine.reservoirs import UNTIL_HANDS_GO_IN_S, WATCHED_S, reservoirs
from rampguard.engine.setup import Refused, prepare
from rampguard.engine.supply import DrivenSupply, HandTurnedSupply, Supply, fastest, line_gap_s
from rampguard.engine.telling import Teller
from rampguard.engine.waves import Waves
from rampguard.guard.decision import Layer
from rampguard.guard.evidence import causes_message, ranked, wave_message
from rampguard.guard.interlock import Event, State, step
from rampguard.ramp.plan import PlanError
from rampguard.warmup.course import Course

PERSON_DEADLINE_S: Final = 60.0
"""Wall time for which a person who is the cut-off is called, before off counts as not proven."""
ZERO_LASTS_S: Final = 1.0
"""For so long at least a hand-turned line must read dead once it is switched on."""


def run(order: RunOrder, operator: Operator) -> int:
    """Do what the order says. Returns the exit code; everything else goes to the operator and into the capture."""
    try:
        prepared = prepare(order)
        unreliable = prove_exclusive(Path(order.bench)) if prepared.bench_file.exclusive_cut_offs else ""
        if unreliable:
            raise Refused(f"the watchdog cannot guard this run: {unreliable}")
        bench = connect(prepared.bench_file, Asking(operator))
    except (Refused, PlanError, InstrumentError) as error:
        operator.tell("refused", text=str(error))
        return EXIT_BAD_INPUT
    with ExitStack() as at_end:
        at_end.callback(close_bench, bench)
        given = Given(order, operator, prepared, bench, at_end)
        this = _Run(given)
        # Refusals are for before power alone: once live, what is not a trip ends this process, and the watchdog cuts.
        try:
            ready = BeforePower(given).get_ready()
        except (Refused, InstrumentError, ArchiveError) as error:
            operator.tell("refused", text=str(error))
            return EXIT_BAD_INPUT
        except NotProvenOff as error:
            operator.tell("finished", **this.summary("unproven", error.proof, None))
            return EXIT_UNPROVEN
        except StoppedBeforePower as error:
            operator.tell("finished", **this.summary("stopped", error.proof, None))
            return EXIT_STOPPED
        return this.power_up(ready)


@dataclass(frozen=True, slots=True)
class _Run:
    """From energised to proven off."""

    given: Given

    def power_up(self, ready: Ready) -> int:
        """From proven off, through live, to proven off. Returns the exit code."""
        reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
        zero_s = self.given.bench.clock.now_s()
        waves = self._waves(ready, zero_s)
        teller = Teller(ready.capture, self.given.operator, waves)
        live = Live(
            bench=self.given.bench,
            plan=self.given.prepared.plan,
            limits=ready.limits,
            capture=ready.capture,
            operator=self.given.operator,
            guardian=ready.guardian,
            acquisition=self._acquisition(),
            supply=self._supply(),
            drive=OffDrive(self.given.bench.cut_offs, reports.put),
            presser=Presser(self.given.bench.button),
            expecting=ready.expecting,
            off_reports=reports,
            lock_step=self.given.lock_step,
            typed=self.given.typed,
            zero_s=zero_s,
            sleep=ready.sleep,
            teller=teller,
            waves=waves,
            care=self._care(teller),
            direct=self.given.order.direct,
            reservoirs_watched_s=WATCHED_S if self.given.order.clip is None else UNTIL_HANDS_GO_IN_S,
        )
        loop = Loop(live, step(ready.armed, Event.ENERGISE))
        self._tell_live(ready)
        loop.note("energise", f"pre-power checks confirmed {self.given.order.permissives_confirmed}")
        for key, reason in ready.overridden.items():
            loop.note("override", f"{key}: {reason}")
        for line in () if self.given.prepared.cold is None else self.given.prepared.cold.for_the_record():
            loop.note("cold-sheet", line)
        if self.given.prepared.basis.rests_on:
            loop.note("band", self.given.prepared.basis.rests_on)
        if self.given.order.direct:
            loop.expect_inrush("full mains at once")
        # A digitiser has sampled all the while: seconds of it are no part of this run, and an inrush is none of theirs.
        do_meanwhile(lambda: forget_what_waits(self.given.bench.meters, self.given.bench.clock), loop.keep_alive)
        self._energise(loop)
        live.acquisition.start()
        loop.run(_gave_up)
        return self._wind_up(loop)

    def _supply(self) -> Supply:
        if self.given.bench.source is not None:
            return DrivenSupply(self.given.bench.source, begins_at_v=self._begins_at_v)
        mains_v = self.given.prepared.bench_file.mains.voltage_v
        # Between two readings that are typed there is no telling how fast the knob went.
        most = None if self.given.typed else fastest(mains_v, self.given.bench.meters, person=self.given.person_cuts)
        # What is typed is of now; what a meter says first may be of before the contactor closed.
        zero_lasts_s = 0.0 if self.given.typed else max(ZERO_LASTS_S, line_gap_s(self.given.bench.meters))
        return HandTurnedSupply(
            self.given.bench.knob,
            most,
            zero_lasts_s=zero_lasts_s,
            operator_turns=self.given.order.turns_knob,
            at_line=self.given.order.direct,
        )

    @property
    def _begins_at_v(self) -> float:
        """Where a source stands when the unit is switched on."""
        return self.given.prepared.plan.stages[0].line_voltage_v if self.given.order.direct else 0.0

    def _waves(self, ready: Ready, zero_s: float) -> Waves | None:
        """The waveforms around what happens, where a meter samples them."""
        sampling = [meter for meter in self.given.bench.meters if isinstance(meter, CycleMeter)]
        if not sampling:
            return None
        waves = Waves(
            ready.capture,
            unit=self.given.prepared.unit_name,
            line_frequency_hz=self.given.prepared.bench_file.mains.frequency_hz,
            zero_s=zero_s,
            began=datetime.now(UTC),
            lock_step=self.given.lock_step,
        )
        for meter in sampling:
            meter.listen(waves.feed)
        return waves

    def _care(self, teller: Teller) -> Care | None:
        sheet = self.given.prepared.sheet
        if sheet is None or self.given.order.direct:
            return None
        # In lock-step alone may a simulated hand be waited for.
        hand = self.given.bench.unit_hand if self.given.lock_step else None
        course = Course(
            sheet,
            self.given.signals,
            warm_min=self.given.order.warm_min,
            only=self.given.order.clip,
            full_line_v=self.given.prepared.plan.stages[-1].line_voltage_v,
        )
        return Care(course, self.given.operator, teller, hand)

    def _tell_live(self, ready: Ready) -> None:
        prepared = self.given.prepared
        self.given.operator.tell(
            "live",
            capture=str(ready.capture.folder),
            plan=prepared.plan.title,
            bench=prepared.bench_file.kind_in_words,
            hand_turned=self.given.bench.source is None,
            person_cuts=not self.given.bench.cut_offs,
            load_class=prepared.load_class.name,
            nameplate_w=prepared.nameplate_w,
            nameplate_v=prepared.nameplate_v,
            stages=[stage.model_dump(exclude={"slew_v_per_s", "timeout_s"}) for stage in prepared.plan.stages],
        )

    def _acquisition(self) -> Acquisition:
        if self.given.lock_step:
            return LockStep(self.given.bench.meters, self.given.bench.clock, self.given.order.pace)
        return FreeRunning(self.given.bench.meters, self.given.bench.clock)

    def _energise(self, loop: Loop) -> None:
        """Close every contactor onto zero volts, then switch the source, if there is one, on at zero volts.

        A direct switch-on is the other way round: the source stands at full mains when the contactor closes.
        """
        source = self.given.bench.source

        def close_and_switch_on() -> None:
            if self.given.bench.knob is not None and not self.given.order.turns_knob:
                self.given.bench.knob.get_ready(self._begins_at_v)
            if source is not None and self.given.order.direct:
                source.set_line_voltage(self._begins_at_v)
                source.output_on()
            for contactor in self.given.bench.contactors:
                contactor.close()
            if source is not None and not self.given.order.direct:
                source.output_on()

        try:
            do_meanwhile(close_and_switch_on, loop.keep_alive)
        except InstrumentError as error:
            loop.trip(Layer.READING, f"could not be energised: {error}")

    def _wind_up(self, loop: Loop) -> int:
        live = loop.parts
        assert loop.proof is not None  # noqa: S101 - the loop ends only after off was commanded
        if loop.proof.proven:
            live.guardian.release()
        else:
            live.guardian.take_over()
        live.acquisition.stop()
        live.drive.stop()
        live.supply.stop()
        outcome, code = self._outcome(loop)
        summary = self.summary(outcome, loop.proof, loop)
        if live.waves is not None:
            live.waves.finish()
        live.capture.finish(summary)
        if live.capture.failure:
            self.given.operator.tell("notice", kind="capture", text=f"{live.capture.failure}. THE RECORD IS NOT WHOLE")
        self.given.operator.tell("finished", **summary)
        return code

    def _outcome(self, loop: Loop) -> tuple[str, int]:
        if loop.interlock.state is State.UNPROVEN:
            return "unproven", EXIT_UNPROVEN
        if loop.guard.trip is not None:
            return "tripped", EXIT_TRIPPED
        return ("passed", EXIT_DONE) if loop.finished else ("stopped", EXIT_STOPPED)

    def summary(self, outcome: str, proof: OffProof, loop: Loop | None) -> dict[str, Any]:
        trip = loop.guard.trip if loop else None
        return {
            "outcome": outcome,
            "capture": str(loop.parts.capture.folder) if loop else None,
            "trip": None
            if trip is None
            else {
                "time_s": max(0.0, trip.time_s),
                "line_voltage_v": trip.line_voltage_v,
                "layer": str(trip.layer),
                "reason": trip.reason,
            },
            "causes": [] if loop is None else causes_message(ranked(loop.guard.evidence, trip)),
            "wave": None if loop is None else wave_message(loop.guard.evidence),
            "off": proof.as_message,
            "reservoirs": {} if loop is None else {k: r.as_message for k, r in reservoirs(loop.held).items()},
            "checks": loop.parts.care.checks() if loop and loop.parts.care else [],
            "full_line_min": loop.parts.care.minutes if loop and loop.parts.care else None,
            "clip": self.given.order.clip,
            "max_line_current_a": loop.max_line_current_a if loop else None,
            "max_line_voltage_v": loop.max_line_voltage_v if loop else None,
            "seed": self.given.order.seed,
        }


def _gave_up(loop: Loop) -> bool:
    """Whether off has waited for its proof too long."""
    if loop.proof is None or loop.proof.proven:
        return False
    waits_for_person = loop.person_cuts or (loop.parts.typed and loop.proof.reads_off)
    patience_s = PERSON_DEADLINE_S if waits_for_person else PROOF_DEADLINE_S + line_gap_s(loop.parts.bench.meters)
    return time.monotonic() - loop.commanded_wall_s > patience_s
