"""`rampguard bench check`: every instrument found and identified, its pace measured, and the cut proven on a lamp.

With the output off first; then, if a lamp stands in for the unit, live at a tenth of mains, guarded by a watchdog like
any run. Agreeing zeros prove nothing: only a known load shows that meters and cut-off do what the bench file says.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from instruments.bench import BenchFile
from instruments.connect import close_bench, connect, identified
from instruments.errors import InstrumentError
from instruments.roles import Bench, Meter, OutputState
from rampguard.bench.lamp import LampLive
from rampguard.bench.verdicts import (
    Finding,
    Pace,
    Sheet,
    fails,
    holds,
    means,
    pace_finding,
    worst_case,
    zero_findings,
)
from rampguard.engine.cutoff import attempt_off
from rampguard.engine.guarded import reading_of
from rampguard.engine.guardian import prove_exclusive
from rampguard.engine.supply import is_of_line
from rampguard.guard.permissives import Standing
from rampguard.quantities import Reading

WATCHED_S: Final = 3.0
"""How long the meters are watched with the output off."""
CURRENT_LIMIT_A: Final = 5.0
RUN_TIME_S: Final = 120.0


@dataclass
class BenchCheck:
    """One check of one bench. ``say`` tells the person what goes on, and what to do."""

    path: Path
    bench_file: BenchFile
    lamp_w: float | None
    say: Callable[[str], None]
    sheet: Sheet = field(default_factory=Sheet)

    def run(self) -> None:
        """All of it; what was found is on the ``sheet``."""
        if not self._instruments():
            return
        unreliable = prove_exclusive(self.path) if self.bench_file.exclusive_cut_offs else ""
        if unreliable:
            self.sheet.findings.append(fails("watchdog", unreliable))
            return
        try:
            bench = connect(self.bench_file)
        except InstrumentError as error:
            self.sheet.findings.append(fails("instruments", str(error)))
            return
        with ExitStack() as at_end:
            at_end.callback(close_bench, bench)
            self._with(bench)

    # -- output off -----------------------------------------------------------------------------------------------

    def _instruments(self) -> bool:
        self.say("asking every instrument who it is")
        for name, identity, problem in identified(self.bench_file):
            check = f"instrument {name}"
            self.sheet.findings.append(fails(check, problem) if problem else holds(check, identity))
        return not self.sheet.failed()

    def _with(self, bench: Bench) -> None:
        self.say("with the output off: ways off, source, meters")
        for cut_off in bench.cut_offs:
            report = attempt_off(cut_off)
            well = report.state is OutputState.OFF
            said = "commanded off, reads back off" if well else report.problem or "was commanded off and reads back on"
            self.sheet.findings.append((holds if well else fails)(f"way off {cut_off.name}", said))
        self._source(bench)
        watched = self._watch(bench, WATCHED_S)
        newest = {(r.instrument, r.signal): r for r in watched}
        self.sheet.findings += zero_findings(list(newest.values()))
        paces = [_pace(meter, watched, WATCHED_S) for meter in bench.meters]
        for meter, pace in zip(bench.meters, paces, strict=True):
            self.sheet.findings.append(pace_finding(pace, of_line=is_of_line(meter)))
        of_line = [pace for meter, pace in zip(bench.meters, paces, strict=True) if is_of_line(meter)]
        cut_s: float | None = None
        if self.sheet.failed() or self.lamp_w is None:
            why = (
                "something failed before power"
                if self.sheet.failed()
                else "no --lamp-w: zeros that agree prove nothing"
            )
            self.sheet.findings.append(Finding("known load", Standing.NOT_EVALUATED, why))
        else:
            cut_s = LampLive(self.sheet, self.path, self.bench_file, bench, self.lamp_w, self.say, means(watched)).run()
        if bench.cut_offs and cut_s is None:
            self.sheet.findings.append(Finding("worst case", Standing.NOT_EVALUATED, "no cut was measured"))
        elif not self.sheet.failed():
            self.sheet.findings.append(worst_case(self.bench_file.mains.voltage_v, of_line, cut_s))

    def _source(self, bench: Bench) -> None:
        if bench.source is None:
            return
        mains = self.bench_file.mains
        try:
            bench.source.prepare(
                frequency_hz=mains.frequency_hz, current_limit_a=CURRENT_LIMIT_A, run_time_limit_s=RUN_TIME_S
            )
        except InstrumentError as error:
            self.sheet.findings.append(fails("source", str(error)))
        else:
            self.sheet.findings.append(holds("source", "off, at zero; its own limits are taken and read back"))

    def _watch(self, bench: Bench, for_s: float) -> list[Reading]:
        with reading_of(bench) as collect:
            return collect(for_s, lambda readings: False)


def _pace(meter: Meter, watched: list[Reading], for_s: float) -> Pace:
    times = [r.time_s for r in watched if r.instrument == meter.name and r.value is not None]
    return Pace(meter.name, tuple(sorted(set(times))), for_s, meter.measuring_time_s, meter.range_change_s)
