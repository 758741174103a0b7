"""One run, from proven off to proven off: the order in which things happen, and what each failure leads to."""

from __future__ import annotations

import os
import queue
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from instruments.connect import close_bench, connect
from instruments.errors import InstrumentError
from instruments.roles import AcSource, Bench, Meter
from rampguard import __version__
from rampguard.archive.errors import ArchiveError
from rampguard.archive.writer import CaptureHeader, CaptureWriter
from rampguard.engine.acquire import Acquisition, Batch, FreeRunning, LockStep, read_once
from rampguard.engine.care import Care
from rampguard.engine.ceilings import limits_for
from rampguard.engine.cutoff import PERSON_LASTS_S, PROOF_DEADLINE_S, OffDrive, OffProof, OffReport, begin_proof
from rampguard.engine.expecting import Expecting
from rampguard.engine.guardian import Guardian, NoWatchdog, Watch, prove_exclusive
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
from rampguard.engine.machine import Sleep, StayAwake
from rampguard.engine.meanwhile import do_meanwhile
from rampguard.engine.operator import Asking, Operator
from rampguard.engine.permits import Permits
from rampguard.engine.presser import Presser
from rampguard.engine.reservoirs import UNTIL_HANDS_GO_IN_S, WATCHED_S, reservoirs
from rampguard.engine.setup import Prepared, Refused, prepare
from rampguard.engine.supply import DrivenSupply, HandTurnedSupply, Supply, cycle_s, fastest, line_gap_s
from rampguard.engine.telling import Teller
from rampguard.guard.decision import Layer
from rampguard.guard.evidence import causes_message, ranked
from rampguard.guard.interlock import Event, Interlock, State, step
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_VOLTAGE, Clock, Quantity, Reading, Signal
from rampguard.ramp.plan import PlanError
from rampguard.warmup.course import Course

CONTACTOR_CLOSES_BELOW_V: Final = 2.0
"""The contactor is closed only with the variac below this."""
SOURCE_LIMIT_RATIO: Final = 1.5
"""The source's own current limit, against the guard's ceiling: a backstop, not the first to act."""
TYPING_S: Final = 120.0
"""Where readings are typed: how long the newest may be the newest."""
PERSON_DEADLINE_S: Final = 60.0
"""Wall time for which a person who is the cut-off is called, before off counts as not proven."""
ZERO_LASTS_S: Final = 1.0
"""For so long at least a hand-turned line must read dead once it is switched on."""
HAND_TURNED: Final = "a person turns the variac"
RUN_TIME_MARGIN_S: Final = 600.0
"""The source's own output timer allows the whole plan, all time-outs used up, and so much more."""


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
        this = _Run(order, operator, prepared, bench, at_end)
        # Refusals are for before power alone: once live, what is not a trip ends this process, and the watchdog cuts.
        try:
            capture, guardian = this.get_ready()
        except (Refused, InstrumentError, ArchiveError) as error:
            operator.tell("refused", text=str(error))
            return EXIT_BAD_INPUT
        except NotProvenOff as error:
            operator.tell("finished", **this.summary("unproven", error.proof, None))
            return EXIT_UNPROVEN
        except StoppedBeforePower as error:
            operator.tell("finished", **this.summary("stopped", error.proof, None))
            return EXIT_STOPPED
        return this.power_up(capture, guardian)


class NotProvenOff(Exception):  # noqa: N818 - what is the case
    """Before anything was energised, the bench could not be proven off."""

    def __init__(self, proof: OffProof) -> None:
        self.proof = proof
        super().__init__("; ".join(proof.problems) or "no meter after the cut-off proved it off")


class StoppedBeforePower(Exception):  # noqa: N818 - what happened
    """The operator wanted off before anything was energised; the bench had been proven off."""

    def __init__(self, proof: OffProof) -> None:
        self.proof = proof
        super().__init__("stopped by the operator before anything was energised")


@dataclass
class _Run:
    order: RunOrder
    operator: Operator
    prepared: Prepared
    bench: Bench
    at_end: ExitStack
    """What is let go of when the run is over."""

    def __post_init__(self) -> None:
        clock = self.prepared.bench_file.clock
        self.person_cuts = not self.bench.cut_offs
        self.typed = self.prepared.bench_file.is_keyed
        self.lock_step = clock is not None and clock.kind == "lock-step"
        self.permits = Permits(self.operator, self.prepared.by_a_person)
        self.sleep = Sleep()

    # -- before power -------------------------------------------------------------------------------------------

    def get_ready(self) -> tuple[CaptureWriter, Watch]:
        """Everything that must hold before anything is energised.

        Raises Refused, InstrumentError, ArchiveError, NotProvenOff, StoppedBeforePower.
        """
        if self.order.clip is not None and self.bench.unit_hand is not None:
            self.bench.unit_hand.move_clip(self.order.clip)
        self.limits = self._limits()
        # Before anything is energised, since the samples take a moment to make.
        self.expecting = Expecting(self.prepared.basis)
        permits = self.permits
        if self.order.direct and self.person_cuts:
            raise Refused("a direct switch-on needs a contactor, or a source, that the program can close and cut")
        with permits.making("proven-off"):
            proof = self._prove_off_first()
            self._rest(proof)
        if self.bench.source is None:
            permits.holds("source", HAND_TURNED)
            permits.holds("set-point", HAND_TURNED)
        else:
            with permits.making("source", "set-point"):
                self._prepare_source(self.bench.source)
        with permits.making("meters", "line-dead"):
            self._check_meters()
        with permits.making("capture"):
            capture = self._open_capture()
        guardian = NoWatchdog() if self.person_cuts else Guardian(Path(self.order.bench), capture.folder, os.getpid())
        try:
            with permits.making("watchdog", "screen", "engine"):
                self._await_watchdog(guardian)
            with permits.making("awake"):
                self._stay_awake(capture)
            capture.put_pids(engine=os.getpid(), watchdog=guardian.pid)
            if self.operator.off_reason:
                raise StoppedBeforePower(proof)
            # Off is proven, the files agree, the meters read, the watchdog has its path, a person confirmed the rest.
            self.armed, lacking = permits.arm(step(Interlock(), Event.OFF_PROVEN))
            if lacking:
                raise Refused(lacking)
        except (Refused, ArchiveError, StoppedBeforePower) as error:
            guardian.release(0.5)
            outcome = "stopped" if isinstance(error, StoppedBeforePower) else "refused"
            capture.finish({"outcome": outcome, "reason": str(error)})
            raise
        return capture, guardian

    def _signals(self) -> tuple[Signal, ...]:
        return tuple(signal for meter in self.bench.meters for signal in meter.signals)

    def _limits(self) -> Limits:
        signals = self._signals()
        twice = {str(signal.column) for signal in signals if signals.count(signal) > 1}
        if twice:
            raise Refused(
                f"two instruments measure {', '.join(sorted(twice))}: list only one of them in the bench file's roles"
            )
        return limits_for(
            self.prepared.load_class,
            nameplate_w=self.prepared.nameplate_w,
            nameplate_v=self.prepared.nameplate_v,
            signals=signals,
            driven=self.bench.source is not None,
            speed=self.prepared.speed,
            line_gap_s=TYPING_S if self.typed else line_gap_s(self.bench.meters),
            cycle_s=cycle_s(self.bench.meters),
            idle_v=None if self.prepared.sheet is None else self.prepared.sheet.idle.volts,
            direct=self.order.direct,
            drive=None if self.prepared.sheet is None else self.prepared.sheet.drive,
        )

    def _prove_off_first(self) -> OffProof:
        """A program that has just started has proved nothing: everything off, and proven, before anything else."""
        reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
        drive = OffDrive(self.bench.cut_offs, reports.put)
        drive.cut()
        try:
            bench = self.bench
            proof = begin_proof(bench.off_floor_v, bench.clock.now_s(), bench.meters, by_person=self.person_cuts)
            lasts_s = PERSON_LASTS_S if self.person_cuts else 0.0
            patience_s = TYPING_S if self.typed else PROOF_DEADLINE_S + line_gap_s(bench.meters) + lasts_s
            deadline_s = time.monotonic() + patience_s
            while len(proof.states) < len(self.bench.cut_offs) and time.monotonic() < deadline_s:
                try:
                    proof = proof.with_report(reports.get(timeout=0.05))
                except queue.Empty:
                    continue
            while not proof.proven and time.monotonic() < deadline_s:
                self.operator.poll()
                if self.operator.off_reason or self.operator.gone:
                    raise StoppedBeforePower(proof)
                self.bench.clock.sleep(0.1)
                for meter in self.bench.meters:
                    for reading in read_once(meter, self.bench.clock).readings:
                        proof = proof.with_reading(reading)
                while not reports.empty():
                    proof = proof.with_report(reports.get())
            if not proof.proven:
                raise NotProvenOff(proof)
            return proof
        finally:
            drive.stop()

    def _rest(self, proof: OffProof) -> None:
        """Let the unit stay off until it is cold. Raises StoppedBeforePower."""
        if self.order.rest_s > 0.0:
            self.operator.tell("notice", kind="rest", text=f"off for {self.order.rest_s:g} s, so that it starts cold")
        began_s = self.bench.clock.now_s()
        while self.bench.clock.now_s() - began_s < self.order.rest_s:
            self.operator.poll()
            if self.operator.off_reason or self.operator.gone:
                raise StoppedBeforePower(proof)
            self.bench.clock.sleep(0.1)

    def _prepare_source(self, source: AcSource) -> None:
        if source.max_line_voltage_v < self.prepared.plan.highest_v:
            raise Refused(
                f"the plan goes to {self.prepared.plan.highest_v:g} V but {source.name} reaches only"
                f" {source.max_line_voltage_v:g} V; lower the plan or use another source"
            )
        plan_s = sum(stage.timeout_s for stage in self.prepared.plan.stages)
        sheet = self.prepared.sheet
        course_s = 0.0 if sheet is None else 60.0 * (sheet.idle.longest_min + sheet.soak.minutes)
        ceiling_a = self.limits.ceiling(Quantity.LINE_CURRENT, in_event=True)
        assert ceiling_a is not None  # noqa: S101 - prepare() refused a run without a nameplate
        source.prepare(
            frequency_hz=self.prepared.bench_file.mains.frequency_hz,
            current_limit_a=SOURCE_LIMIT_RATIO * ceiling_a,
            run_time_limit_s=2.0 * plan_s + course_s + RUN_TIME_MARGIN_S,
        )

    def _check_meters(self) -> None:
        """Every meter gives a valid reading, and the line is below what a contactor may close on."""
        self.bench.clock.sleep(0.2)
        for meter in self.bench.meters:
            batch = _every_signal(meter, self.bench.clock)
            bad = [r for r in batch.readings if r.value is None]
            if batch.problem or bad:
                what = batch.problem or ", ".join(f"{r.signal.column} is {r.validity}" for r in bad)
                raise Refused(f"{meter.name}: {what}. Every meter must read before anything is energised")
            for reading in batch.readings:
                if reading.signal == LINE_VOLTAGE and abs(reading.value or 0.0) > CONTACTOR_CLOSES_BELOW_V:
                    raise Refused(
                        f"{meter.name} reads {reading.value:.3g} V before anything was energised: the line must be"
                        f" below {CONTACTOR_CLOSES_BELOW_V:g} V. Find out where it comes from"
                    )

    def _open_capture(self) -> CaptureWriter:
        prepared, order = self.prepared, self.order
        header = CaptureHeader(
            unit=prepared.unit_name,
            load_class=prepared.load_class.name,
            nameplate_w=prepared.nameplate_w,
            nameplate_v=prepared.nameplate_v,
            mains_v=prepared.bench_file.mains.voltage_v,
            mains_frequency_hz=prepared.bench_file.mains.frequency_hz,
            bench_title=prepared.bench_file.title,
            bench_kind=prepared.bench_file.kind_in_words,
            clock=prepared.bench_file.clock.kind if prepared.bench_file.clock else "wall",
            permissives_confirmed=order.permissives_confirmed,
            seed=order.seed,
            program_version=__version__,
            signals=self._signals(),
            narrowed=prepared.basis.narrowed,
            series_lamp_w=prepared.basis.series_lamp_w,
            sheet=None if prepared.sheet is None else prepared.sheet.model_dump(mode="json"),
            clip=order.clip,
            direct_after=Path(order.after).name if order.direct and order.after is not None else None,
        )
        return CaptureWriter.create(
            Path(order.into),
            header,
            plan_toml=prepared.plan.as_toml(),
            limits=self.limits.as_table(),
            bench_toml=prepared.bench_file.data,
        )

    def _stay_awake(self, capture: CaptureWriter) -> None:
        # In lock-step bench time stands still with the machine.
        awake = None if self.lock_step else self.at_end.enter_context(StayAwake())
        if awake is not None and awake.problem:
            text = f"this machine may fall asleep while live ({awake.problem}): set it to stay awake"
            capture.put_event(0.0, "sleep", text)
            self.operator.tell("notice", kind="sleep", text=text)
        slept = self.sleep.slept()
        if slept:
            raise Refused(f"{slept} during the pre-power checks; start again")

    def _await_watchdog(self, guardian: Watch) -> None:
        while not guardian.is_ready:
            trouble = guardian.trouble()
            if trouble:
                raise Refused(f"the watchdog cannot guard this run: {trouble}")
            self.operator.poll()
            if self.operator.gone:
                raise Refused("the operator's screen is gone")
            time.sleep(0.01)

    # -- live ---------------------------------------------------------------------------------------------------

    def power_up(self, capture: CaptureWriter, guardian: Watch) -> int:
        """From proven off, through live, to proven off. Returns the exit code."""
        reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
        teller = Teller(capture, self.operator)
        live = Live(
            bench=self.bench,
            plan=self.prepared.plan,
            limits=self.limits,
            capture=capture,
            operator=self.operator,
            guardian=guardian,
            acquisition=self._acquisition(),
            supply=self._supply(),
            drive=OffDrive(self.bench.cut_offs, reports.put),
            presser=Presser(self.bench.button),
            expecting=self.expecting,
            off_reports=reports,
            lock_step=self.lock_step,
            typed=self.typed,
            zero_s=self.bench.clock.now_s(),
            sleep=self.sleep,
            teller=teller,
            care=self._care(teller),
            direct=self.order.direct,
            reservoirs_watched_s=WATCHED_S if self.order.clip is None else UNTIL_HANDS_GO_IN_S,
        )
        loop = Loop(live, step(self.armed, Event.ENERGISE))
        self.operator.tell("live", capture=str(capture.folder), plan=self.prepared.plan.title)
        loop.note("energise", f"pre-power checks confirmed {self.order.permissives_confirmed}")
        for key, reason in self.permits.overridden.items():
            loop.note("override", f"{key}: {reason}")
        if self.order.direct:
            loop.expect_inrush("full mains at once")
        self._energise(loop)
        live.acquisition.start()
        loop.run(_gave_up)
        return self._wind_up(loop)

    def _supply(self) -> Supply:
        if self.bench.source is not None:
            return DrivenSupply(self.bench.source, begins_at_v=self._begins_at_v)
        mains_v = self.prepared.bench_file.mains.voltage_v
        # Between two readings that are typed there is no telling how fast the knob went.
        most = None if self.typed else fastest(mains_v, self.bench.meters, person=self.person_cuts)
        # What is typed is of now; what a meter says first may be of before the contactor closed.
        zero_lasts_s = 0.0 if self.typed else max(ZERO_LASTS_S, line_gap_s(self.bench.meters))
        return HandTurnedSupply(
            self.bench.knob,
            most,
            zero_lasts_s=zero_lasts_s,
            operator_turns=self.order.turns_knob,
            at_line=self.order.direct,
        )

    @property
    def _begins_at_v(self) -> float:
        """Where a source stands when the unit is switched on."""
        return self.prepared.plan.stages[0].line_voltage_v if self.order.direct else 0.0

    def _care(self, teller: Teller) -> Care | None:
        sheet = self.prepared.sheet
        if sheet is None:
            return None
        # In lock-step alone may a simulated hand be waited for.
        hand = self.bench.unit_hand if self.lock_step and not self.order.turns_knob else None
        course = Course(sheet, self._signals(), warm_min=self.order.warm_min, only=self.order.clip)
        return Care(course, self.operator, teller, hand)

    def _acquisition(self) -> Acquisition:
        if self.lock_step:
            return LockStep(self.bench.meters, self.bench.clock, self.order.pace)
        return FreeRunning(self.bench.meters, self.bench.clock)

    def _energise(self, loop: Loop) -> None:
        """Close every contactor onto zero volts, then switch the source, if there is one, on at zero volts.

        A direct switch-on is the other way round: the source stands at full mains when the contactor closes.
        """
        source = self.bench.source

        def close_and_switch_on() -> None:
            if self.bench.knob is not None and not self.order.turns_knob:
                self.bench.knob.get_ready(self._begins_at_v)
            if source is not None and self.order.direct:
                source.set_line_voltage(self._begins_at_v)
                source.output_on()
            for contactor in self.bench.contactors:
                contactor.close()
            if source is not None and not self.order.direct:
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
        live.capture.finish(summary)
        if live.capture.failure:
            self.operator.tell("notice", kind="capture", text=f"{live.capture.failure}. THE RECORD IS NOT WHOLE")
        self.operator.tell("finished", **summary)
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
            "off": proof.as_message,
            "reservoirs": {} if loop is None else {k: r.as_message for k, r in reservoirs(loop.held).items()},
            "checks": loop.parts.care.checks() if loop and loop.parts.care else [],
            "full_line_min": loop.parts.care.minutes if loop and loop.parts.care else None,
            "max_line_current_a": loop.max_line_current_a if loop else None,
            "max_line_voltage_v": loop.max_line_voltage_v if loop else None,
            "seed": self.order.seed,
        }


def _every_signal(meter: Meter, clock: Clock) -> Batch:
    """A reading of every signal: a scanner reads one at a time."""
    found: dict[Signal, Reading] = {}
    for _ in meter.signals:
        batch = read_once(meter, clock)
        found |= {reading.signal: reading for reading in batch.readings}
        if batch.problem or len(found) == len(meter.signals):
            break
    return Batch(meter.name, tuple(found.values()), batch.problem)


def _gave_up(loop: Loop) -> bool:
    """Whether off has waited for its proof too long."""
    if loop.proof is None or loop.proof.proven:
        return False
    waits_for_person = loop.person_cuts or (loop.parts.typed and loop.proof.reads_off)
    patience_s = PERSON_DEADLINE_S if waits_for_person else PROOF_DEADLINE_S + line_gap_s(loop.parts.bench.meters)
    return time.monotonic() - loop.commanded_wall_s > patience_s
