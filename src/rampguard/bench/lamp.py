"""The live part of a bench check: a lamp in the unit's place, looked at, and cut by each way off in turn.

Guarded by a watchdog like any run; cut first and explained after; proven off, or said not to be.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

from instruments.bench import BenchFile
from instruments.errors import InstrumentError
from instruments.roles import Bench, CutOff, CycleMeter, Meter, OutputState, Position
from rampguard.bench.alignment import Heard, alignment_finding
from rampguard.bench.verdicts import (
    DEAD_BELOW_V,
    LAMP_FRACTION,
    Cut,
    Finding,
    Means,
    Sheet,
    cut_findings,
    fails,
    holds,
    lamp_findings,
    means,
    more_than_a_lamp,
)
from rampguard.engine.cutoff import attempt_off
from rampguard.engine.guarded import (
    BLIND_S,
    CUT_WITHIN_S,
    SWITCHED_WITHIN_S,
    Collect,
    CutShort,
    GuardedBench,
    deaf_to_ctrl_c,
    reading_of,
)
from rampguard.engine.supply import RELAY_S, line_gap_s
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Reading, Signal

LAMP_LIVE_S: Final = 2.5
"""How long the meters are watched with the lamp on."""
ZERO_S: Final = 0.5
"""For how long the line is looked at, switched on at zero."""
STEP_V: Final = 3.0
STEP_S: Final = 0.1
TOO_FAR: Final = 2.5
"""So many times the voltage that was asked for ends it, and so many times a lamp's rated current."""


@dataclass
class LampLive:
    """The lamp, live. ``path`` is the bench file's, for the watchdog; ``say`` tells the person what to do."""

    sheet: Sheet
    path: Path
    bench_file: BenchFile
    bench: Bench
    lamp_w: float
    say: Callable[[str], None]
    dead: Means
    """What the meters read with everything off."""
    held: GuardedBench = field(init=False)
    _heard: dict[str, Heard] = field(default_factory=dict)
    """Of each digitiser, what it has just sampled."""
    _set: list[tuple[float, float]] = field(default_factory=list)
    """Each set-point, V, and when it was set, wall time; empty where a person turns."""
    _volts: float = 0.0
    """The line voltage last read."""

    def __post_init__(self) -> None:
        self.held = GuardedBench(self.path, self.bench, self.say)

    def run(self) -> float | None:
        """Lamp on, looked at, and cut by each way off in turn. The longest time to a dead line, s, if it was cut."""
        sheet, bench = self.sheet, self.bench
        with tempfile.TemporaryDirectory() as folder:
            problem = self.held.begin(Path(folder))
            if problem:
                sheet.findings.append(fails("watchdog", problem))
                return None
            sheet.findings.append(holds("watchdog", "has proven its own path to the cut-off"))
            sheet.was_live = True
            times: list[float | None] = []
            for meter in bench.meters:
                if isinstance(meter, CycleMeter):
                    self._heard[meter.name] = Heard()
                    meter.listen(self._heard[meter.name].take)
            with reading_of(bench) as collect:
                try:
                    self._through(times, collect)
                except (InstrumentError, CutShort) as error:
                    sheet.findings.append(fails("known load", str(error)))
                except KeyboardInterrupt:
                    sheet.findings.append(fails("known load", "Ctrl-C"))
                finally:
                    with deaf_to_ctrl_c():
                        self._all_off(collect)
            known = [seconds for seconds in times if seconds is not None]
            return max(known) if known else None

    def _through(self, times: list[float | None], collect: Collect) -> None:
        for number, way in enumerate(self.bench.cut_offs or (None,)):
            live = self._bring_up(collect)
            if number == 0:
                self.sheet.findings += self._looked_at(live)
            if self.sheet.failed():
                return
            times.append(self._cut_by(way, collect))
            if self.sheet.failed():
                return

    def _looked_at(self, live: list[Reading]) -> list[Finding]:
        set_v = None if self.bench.source is None else self._target_v
        mains_v = self.bench_file.mains.voltage_v
        found = lamp_findings(means(live), self.dead, volts=set_v, watts=self.lamp_w, mains_v=mains_v)
        aligned = [
            alignment_finding(self.bench_file, name, heard.newest(LAMP_LIVE_S)) for name, heard in self._heard.items()
        ]
        return [*found, *aligned]

    @property
    def _target_v(self) -> float:
        return LAMP_FRACTION * self.bench_file.mains.voltage_v

    def _bring_up(self, collect: Collect) -> list[Reading]:
        source = self.bench.source
        self.held.switch_on()
        self._at_zero(collect(ZERO_S, self._too_much))
        if source is None:
            self._turned(collect)
        else:
            volts = 0.0
            while volts < self._target_v:
                volts = min(volts + STEP_V, self._target_v)
                self._set.append((volts, time.monotonic()))
                self.held.fed(partial(source.set_line_voltage, volts))
                collect(STEP_S, self._too_much)
        collect(1.0, self._too_much)  # the filament settles
        return collect(LAMP_LIVE_S, self._too_much)

    def _at_zero(self, readings: list[Reading]) -> None:
        """Switched on with set-point or knob at zero, the line must be dead."""
        for (name, signal), value in means(readings).items():
            if signal == LINE_VOLTAGE and value > DEAD_BELOW_V:
                raise CutShort(f"{name} reads {value:.3g} V, switched on at zero: source or knob is not at zero; cut")

    def _turned(self, collect: Collect) -> None:
        self.say(f"turn the variac up to {self._target_v:.0f} V, slowly, and leave it there")
        if self.bench.knob is not None:
            self.bench.knob.set_line_voltage(self._target_v)
        near = 0.15 * self._target_v

        def there(readings: list[Reading]) -> bool:
            self._too_much(readings)
            volts = [r.value for r in readings if r.signal == LINE_VOLTAGE and r.value is not None]
            return any(abs(value - self._target_v) < near for value in volts)

        collect(SWITCHED_WITHIN_S, there)

    def _too_much(self, readings: list[Reading]) -> bool:
        """Feeds the watchdog, and ends it all where more comes than a lamp could take, or nothing is read."""
        self.held.check(readings)
        for reading in readings:
            if reading.value is not None:
                self._judge(reading.signal, reading.value, reading.instrument)
        return False

    def _judge(self, signal: Signal, value: float, name: str) -> None:
        most_a = TOO_FAR * self.lamp_w / self.bench_file.mains.voltage_v
        if signal == LINE_VOLTAGE:
            self._volts = value
            if value > TOO_FAR * self._target_v:
                raise CutShort(f"{name} reads {value:.3g} V where {self._target_v:.3g} V were meant; cut")
        elif signal == LINE_CURRENT and value > most_a:
            raise CutShort(more_than_a_lamp(name, value, self._volts, self._set_lately()))

    def _set_lately(self) -> tuple[float, float] | None:
        """The least and the most volts set while a reading that came now may have been taken; None: a person turns."""
        if not self._set:
            return None
        since_s = time.monotonic() - max(BLIND_S, line_gap_s(self.bench.meters))
        before = [volts for volts, set_s in self._set if set_s <= since_s]
        return (before[-1] if before else 0.0, self._set[-1][0])

    def _cut_by(self, way: CutOff | None, collect: Collect) -> float | None:
        """Cut by one way off alone (None: by the person), and watch the line die."""
        began_s = time.monotonic()
        read_back: list[float] = []
        if way is None:
            self.say("now switch off at the variac's switch or the emergency-off, and turn the knob back")
            if self.bench.knob is not None:
                self.bench.knob.set_line_voltage(0.0)
        else:
            threading.Thread(target=_off, args=(way, began_s, read_back), daemon=True).start()
        after = {m.name for m in self.bench.meters if _proves(m)}
        dead_s: dict[str, float | None] = dict.fromkeys(sorted(after))
        amperes: dict[str, float] = {}

        def seen(readings: list[Reading]) -> bool:
            self.held.guardian.feed()
            for r in readings:
                if r.value is None:
                    continue
                if r.signal == LINE_CURRENT:
                    amperes[r.instrument] = r.value - r.bound
                elif r.signal == LINE_VOLTAGE and r.instrument in after and abs(r.value) < DEAD_BELOW_V:
                    dead_s[r.instrument] = dead_s[r.instrument] or time.monotonic() - began_s
            return all(seconds is not None for seconds in dead_s.values()) and bool(read_back or way is None)

        collect(CUT_WITHIN_S if way is not None else SWITCHED_WITHIN_S, seen)
        gone = all(value < 0.005 for value in amperes.values())
        if way is not None:
            cut = Cut(way.name, read_back[0] if read_back else None, dead_s, gone)
            self.sheet.findings += cut_findings(cut)
        # A relay board answers before the contactor has opened.
        return max(read_back[0], RELAY_S) if read_back else None

    def _all_off(self, collect: Collect) -> None:
        """Everything off at once, and proven; the watchdog is let go only then."""
        proof = self.held.all_off(collect)
        self.sheet.off_unproven = not proof.proven
        self.held.end(proof)


def _off(way: CutOff, began_s: float, read_back: list[float]) -> None:
    while time.monotonic() - began_s < CUT_WITHIN_S:
        if attempt_off(way).state is OutputState.OFF:
            read_back.append(time.monotonic() - began_s)
            return
        time.sleep(0.02)


def _proves(meter: Meter) -> bool:
    """Whether it reads line voltage, after the cut-off."""
    return meter.position is Position.AFTER_CUT_OFF and LINE_VOLTAGE in meter.signals
