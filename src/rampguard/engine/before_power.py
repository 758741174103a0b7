"""What comes before anything is energised: off proven, source set, meters read, capture open, watchdog there; armed."""

from __future__ import annotations

import os
import queue
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from instruments.roles import AcSource, Bench, Meter
from rampguard import __version__
from rampguard.archive.errors import ArchiveError
from rampguard.archive.writer import CaptureHeader, CaptureWriter
from rampguard.engine.acquire import Batch, read_once
from rampguard.engine.ceilings import limits_for, source_limit_a
from rampguard.engine.cutoff import PERSON_LASTS_S, PROOF_DEADLINE_S, OffDrive, OffProof, OffReport, begin_proof
from rampguard.engine.expecting import Expecting
from rampguard.engine.guardian import Guardian, NoWatchdog, Watch
from rampguard.engine.link import RunOrder
from rampguard.engine.machine import Sleep, StayAwake
from rampguard.engine.operator import Operator
from rampguard.engine.permits import Permits
from rampguard.engine.setup import Prepared, Refused
from rampguard.engine.supply import cycle_s, line_gap_s, line_window_s
from rampguard.guard.interlock import Event, Interlock, step
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_VOLTAGE, Clock, Reading, Signal
from rampguard.warmup.course import COMES_BACK_S

CONTACTOR_CLOSES_BELOW_V: Final = 2.0
"""The contactor is closed only with the variac below this."""
TYPING_S: Final = 120.0
"""Where readings are typed: how long the newest may be the newest."""
HAND_TURNED: Final = "a person turns the variac"
RUN_TIME_MARGIN_S: Final = 600.0
"""The source's own output timer allows the whole plan, all time-outs used up, and so much more."""


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


@dataclass(frozen=True, slots=True)
class Given:
    """What a run has been given: its order, files that agree, a connected bench, and whoever looks on."""

    order: RunOrder
    operator: Operator
    prepared: Prepared
    bench: Bench
    at_end: ExitStack
    """What is let go of when the run is over."""

    @property
    def person_cuts(self) -> bool:
        """Whether a person is the cut-off."""
        return not self.bench.cut_offs

    @property
    def typed(self) -> bool:
        """Whether a person types the line's readings."""
        return self.prepared.bench_file.is_keyed

    @property
    def lock_step(self) -> bool:
        """Whether bench time moves only when it is asked to."""
        clock = self.prepared.bench_file.clock
        return clock is not None and clock.kind == "lock-step"

    @property
    def signals(self) -> tuple[Signal, ...]:
        """All that is metered."""
        return tuple(signal for meter in self.bench.meters for signal in meter.signals)


@dataclass(frozen=True, slots=True)
class Ready:
    """All that must hold holds: what a live run begins with."""

    capture: CaptureWriter
    guardian: Watch
    armed: Interlock
    limits: Limits
    expecting: Expecting
    sleep: Sleep
    overridden: dict[str, str]
    """Pre-power checks that the operator overrode, with the reason of each."""


class BeforePower:
    """Gets one run ready."""

    def __init__(self, given: Given) -> None:
        self._given = given
        self._permits = Permits(given.operator, given.prepared.by_a_person)
        self._sleep = Sleep()

    def get_ready(self) -> Ready:
        """Everything that must hold before anything is energised.

        Raises Refused, InstrumentError, ArchiveError, NotProvenOff, StoppedBeforePower.
        """
        if self._given.order.clip is not None and self._given.bench.unit_hand is not None:
            self._given.bench.unit_hand.move_clip(self._given.order.clip)
        if self._given.order.unplugged is not None and self._given.bench.unit_hand is not None:
            self._given.bench.unit_hand.unplug(self._given.order.unplugged)
        self._limits = self._worked_out()
        # Before anything is energised, since the samples take a moment to make.
        self._expecting = Expecting(self._given.prepared.basis)
        permits = self._permits
        with permits.making("proven-off"):
            proof = self._prove_off_first()
            self._rest(proof)
        if self._given.bench.source is None:
            permits.holds("source", HAND_TURNED)
            permits.holds("set-point", HAND_TURNED)
        else:
            with permits.making("source", "set-point"):
                self._prepare_source(self._given.bench.source)
        with permits.making("meters", "line-dead"):
            self._check_meters()
        with permits.making("capture"):
            capture = self._open_capture()
        guardian = (
            NoWatchdog()
            if self._given.person_cuts
            else Guardian(Path(self._given.order.bench), capture.folder, os.getpid())
        )
        try:
            with permits.making("watchdog", "screen", "engine"):
                self._await_watchdog(guardian)
            with permits.making("awake"):
                self._stay_awake(capture)
            capture.put_pids(engine=os.getpid(), watchdog=guardian.pid)
            if self._given.operator.off_reason:
                raise StoppedBeforePower(proof)
            # Off is proven, the files agree, the meters read, the watchdog has its path, a person confirmed the rest.
            armed, lacking = permits.arm(step(Interlock(), Event.OFF_PROVEN))
            if lacking:
                raise Refused(lacking)
        except (Refused, ArchiveError, StoppedBeforePower) as error:
            guardian.release(0.5)
            outcome = "stopped" if isinstance(error, StoppedBeforePower) else "refused"
            capture.finish({"outcome": outcome, "reason": str(error)})
            raise
        return Ready(capture, guardian, armed, self._limits, self._expecting, self._sleep, permits.overridden)

    def _worked_out(self) -> Limits:
        signals = self._given.signals
        twice = {str(signal.column) for signal in signals if signals.count(signal) > 1}
        if twice:
            raise Refused(
                f"two instruments measure {', '.join(sorted(twice))}: list only one of them in the bench file's roles"
            )
        sheet = self._given.prepared.sheet
        return limits_for(
            self._given.prepared.load_class,
            nameplate_w=self._given.prepared.nameplate_w,
            nameplate_v=self._given.prepared.nameplate_v,
            signals=signals,
            driven=self._given.bench.source is not None,
            speed=self._given.prepared.speed,
            line_gap_s=TYPING_S if self._given.typed else line_gap_s(self._given.bench.meters),
            cycle_s=cycle_s(self._given.bench.meters),
            line_window_s=line_window_s(self._given.bench.meters),
            idle_v=None if sheet is None else sheet.idle.volts,
            direct=self._given.order.direct,
            drive=None if sheet is None or self._given.order.direct else sheet.drive,
        )

    def _prove_off_first(self) -> OffProof:
        """A program that has just started has proved nothing: everything off, and proven, before anything else."""
        reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
        drive = OffDrive(self._given.bench.cut_offs, reports.put)
        drive.cut()
        try:
            bench = self._given.bench
            proof = begin_proof(bench.off_floor_v, bench.clock.now_s(), bench.meters, by_person=self._given.person_cuts)
            lasts_s = PERSON_LASTS_S if self._given.person_cuts else 0.0
            patience_s = TYPING_S if self._given.typed else PROOF_DEADLINE_S + line_gap_s(bench.meters) + lasts_s
            deadline_s = time.monotonic() + patience_s
            while len(proof.states) < len(self._given.bench.cut_offs) and time.monotonic() < deadline_s:
                try:
                    proof = proof.with_report(reports.get(timeout=0.05))
                except queue.Empty:
                    continue
            while not proof.proven and time.monotonic() < deadline_s:
                self._given.operator.poll()
                if self._given.operator.off_reason or self._given.operator.gone:
                    raise StoppedBeforePower(proof)
                self._given.bench.clock.sleep(0.1)
                for meter in self._given.bench.meters:
                    for reading in read_once(meter, self._given.bench.clock).readings:
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
        rest_s, clock, operator = self._given.order.rest_s, self._given.bench.clock, self._given.operator
        if rest_s > 0.0:
            operator.tell("notice", kind="rest", text=f"off for {rest_s:g} s, so that it starts cold")
        began_s = clock.now_s()
        while clock.now_s() - began_s < rest_s:
            operator.poll()
            if operator.off_reason or operator.gone:
                raise StoppedBeforePower(proof)
            clock.sleep(0.1)

    def _prepare_source(self, source: AcSource) -> None:
        if source.max_line_voltage_v < self._given.prepared.plan.highest_v:
            raise Refused(
                f"the plan goes to {self._given.prepared.plan.highest_v:g} V but {source.name} reaches only"
                f" {source.max_line_voltage_v:g} V; lower the plan or use another source"
            )
        plan_s = sum(stage.timeout_s for stage in self._given.prepared.plan.stages)
        sheet = self._given.prepared.sheet
        course_s = 0.0 if sheet is None else 60.0 * (sheet.idle.longest_min + sheet.soak.minutes) + COMES_BACK_S
        limit_a = source_limit_a(self._limits)
        assert limit_a is not None  # noqa: S101 - prepare() refused a run without a nameplate
        source.prepare(
            frequency_hz=self._given.prepared.bench_file.mains.frequency_hz,
            current_limit_a=limit_a,
            run_time_limit_s=2.0 * plan_s + course_s + RUN_TIME_MARGIN_S,
        )

    def _check_meters(self) -> None:
        """Every meter gives a valid reading, and the line is below what a contactor may close on."""
        self._given.bench.clock.sleep(0.2)
        for meter in self._given.bench.meters:
            batch = _every_signal(meter, self._given.bench.clock)
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
        prepared, order = self._given.prepared, self._given.order
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
            signals=self._given.signals,
            narrowed=prepared.basis.narrowed,
            series_lamp_w=prepared.basis.series_lamp_w,
            sheet=None if prepared.sheet is None else prepared.sheet.model_dump(mode="json"),
            clip=order.clip,
            unplugged=tuple(order.unplugged or ()),
            direct_after=Path(order.after).name if order.direct and order.after is not None else None,
        )
        return CaptureWriter.create(
            Path(order.into),
            header,
            plan_toml=prepared.plan.as_toml(),
            limits=self._limits.as_table(),
            bench_toml=prepared.bench_file.data,
        )

    def _stay_awake(self, capture: CaptureWriter) -> None:
        # In lock-step bench time stands still with the machine.
        awake = None if self._given.lock_step else self._given.at_end.enter_context(StayAwake())
        if awake is not None and awake.problem:
            text = f"this machine may fall asleep while live ({awake.problem}): set it to stay awake"
            capture.put_event(0.0, "sleep", text)
            self._given.operator.tell("notice", kind="sleep", text=text)
        slept = self._sleep.slept()
        if slept:
            raise Refused(f"{slept} during the pre-power checks; start again")

    def _await_watchdog(self, guardian: Watch) -> None:
        while not guardian.is_ready:
            trouble = guardian.trouble()
            if trouble:
                raise Refused(f"the watchdog cannot guard this run: {trouble}")
            self._given.operator.poll()
            if self._given.operator.gone:
                raise Refused("the operator's screen is gone")
            time.sleep(0.01)


def _every_signal(meter: Meter, clock: Clock) -> Batch:
    """A reading of every signal: a scanner reads one at a time."""
    found: dict[Signal, Reading] = {}
    for _ in meter.signals:
        batch = read_once(meter, clock)
        found |= {reading.signal: reading for reading in batch.readings}
        if batch.problem or len(found) == len(meter.signals):
            break
    return Batch(meter.name, tuple(found.values()), batch.problem)
