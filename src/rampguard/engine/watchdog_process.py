"""The watchdog's shell: a tiny process of its own that holds its own sessions to every way off.

``python -m rampguard.engine.watchdog_process``, fed over standard input, answering on standard output. It leaves its
verdict in the capture folder, since by then there may be no one left to tell.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from instruments.bench import BenchFile, load_bench_file
from instruments.connect import Which, close_bench, connect
from instruments.errors import InstrumentError
from instruments.roles import Bench, CutOff, Meter, OutputState
from rampguard.engine.cutoff import (
    PROOF_DEADLINE_S,
    RETRY_EVERY_S,
    OffDrive,
    OffProof,
    OffReport,
    attempt_off,
    begin_proof,
)
from rampguard.engine.lines import LineReader, LineWriter
from rampguard.engine.machine import wall_s
from rampguard.engine.watchdog import FEED_LIMIT_S, Action, Input, WatchdogState, cannot_release, step
from rampguard.quantities import LINE_VOLTAGE, Reading

VERDICT_NAME = "watchdog.json"
_TURN_S = FEED_LIMIT_S / 20


@dataclass(frozen=True, slots=True)
class Post:
    """What the watchdog is told once: which bench, where to leave its verdict, and whose death it watches."""

    bench: BenchFile
    folder: Path
    engine_pid: int


REOPENS_WITHIN_S: Final = 0.3
"""A way off that serves one client only is the watchdog's once the engine is ended, if it opens again within this."""


def main() -> int:
    """Guard until released or until it has cut. Exit 0 released, 2 refused, 3 cut and proven off, 4 cut, not proven."""
    for name in ("SIGINT", "SIGHUP", "SIGTERM"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    inbox: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
    LineReader(sys.stdin.fileno(), inbox).start()
    answers = LineWriter(sys.stdout.buffer)
    answers.start()
    told = inbox.get()
    if told is None:
        return 2
    try:
        bench_file = load_bench_file(Path(told["bench"]))
        if "folder" not in told:
            answers.put({"ready": _prove_exclusive(bench_file)})
            answers.close()
            return 0
        post = Post(bench_file, Path(told["folder"]), int(told["engine_pid"]))
        bench = connect(bench_file, which=Which.WATCHDOGS)
        _prove_path(bench)
    except InstrumentError as error:
        answers.put({"refused": str(error)})
        answers.close()
        return 2
    reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
    drive = OffDrive(bench.cut_offs, reports.put)
    answers.put({"ready": [*(cut_off.name for cut_off in bench.cut_offs), *bench_file.exclusive_cut_offs]})
    state = _guard(bench, inbox, answers)
    if not state.reason:
        answers.put({"released": True})
        answers.close()
        return 0
    drive.cut()
    return _after_cut(post, bench, reports, state)


def _prove_exclusive(bench_file: BenchFile) -> list[str]:
    """Before the engine opens them: command the ways off that serve one client only, and see how soon they reopen."""
    bench = connect(bench_file, which=Which.EXCLUSIVE_WAYS_OFF)
    _prove_path(bench)
    close_bench(bench)
    began_s = time.monotonic()
    bench = connect(bench_file, which=Which.EXCLUSIVE_WAYS_OFF)
    states = [cut_off.state() for cut_off in bench.cut_offs]
    took_s = time.monotonic() - began_s
    close_bench(bench)
    names = ", ".join(bench_file.exclusive_cut_offs)
    if any(state is not OutputState.OFF for state in states):
        raise InstrumentError(f"{names}: does not stay off while its port is closed and opened again")
    if took_s > REOPENS_WITHIN_S:
        raise InstrumentError(
            f"{names}: takes {took_s:.2f} s to open again, more than {REOPENS_WITHIN_S:g} s, so that no watchdog could"
            " use it in time; use another interface, or a second way off"
        )
    return list(bench_file.exclusive_cut_offs)


def _prove_path(bench: Bench) -> None:
    """Command every way off and see it read back off, before anything may be armed."""
    for report in [attempt_off(cut_off) for cut_off in bench.cut_offs]:
        if report.state is not OutputState.OFF:
            raise InstrumentError(report.problem or f"{report.name} was commanded off and reads back on")


def _guard(bench: Bench, inbox: queue.SimpleQueue[dict[str, Any] | None], answers: LineWriter) -> WatchdogState:
    """Take the feed until it must cut (the state has a reason) or is released (it has none)."""
    # By a clock that goes on in sleep: a machine that wakes finds its feed long silent.
    state = WatchdogState(wall_s())
    while True:
        given, number = _next(inbox)
        state, action = step(state, given, wall_s())
        if action is Action.CHECK_OFF:
            if _is_off(bench):
                return state
            state, action = cannot_release(state), Action.CUT
        if action is Action.CUT:
            return state
        if number is not None:
            answers.put({"ack": number})


def _next(inbox: queue.SimpleQueue[dict[str, Any] | None]) -> tuple[Input, int | None]:
    try:
        message = inbox.get(timeout=_TURN_S)
    except queue.Empty:
        return Input.NOTHING, None
    if message is None:
        return Input.FEED_ENDED, None
    if message.get("release"):
        return Input.RELEASE, None
    if message.get("take_over"):
        return Input.TAKE_OVER, None
    return Input.FEED, int(message["feed"])


def _is_off(bench: Bench) -> bool:
    """Whether a way off reads back off; where the engine holds every one, whether the line is dead.

    Where the watchdog has neither it can ask nobody; the engine proved off before it asked for its release.
    """
    if bench.cut_offs:
        return any(_reads_off(cut_off) for cut_off in bench.cut_offs)
    volts = [abs(r.value) for r in _line_readings(bench.meters) if r.signal == LINE_VOLTAGE and r.value is not None]
    return all(value < bench.off_floor_v for value in volts) and (bool(volts) or not bench.meters)


def _reads_off(cut_off: CutOff) -> bool:
    try:
        return cut_off.state() is OutputState.OFF
    except InstrumentError:
        return False


def _after_cut(post: Post, bench: Bench, reports: queue.SimpleQueue[OffReport], state: WatchdogState) -> int:
    """End a hung engine so that it can never wake and energise again, prove off, and leave the verdict."""
    engine_held: list[Meter] = []
    proof = begin_proof(bench.off_floor_v, bench.clock.now_s(), bench.meters)
    if bench.cut_offs:
        proof = _take_reports(proof, reports, RETRY_WAIT_S)
    if state.spares_engine and post.bench.exclusive_cut_offs:
        _await_end(post.engine_pid)  # it finishes its record, and lets go of the ports
    if post.bench.exclusive_cut_offs or not state.spares_engine:
        _end_engine(post.engine_pid)
        for name in post.bench.exclusive_cut_offs:
            threading.Thread(target=_cut_exclusive, args=(post.bench, name, reports.put), daemon=True).start()
        with contextlib.suppress(InstrumentError):
            engine_held += connect(post.bench, which=Which.EXCLUSIVE_METERS).meters
            proof = proof.proven_by((*bench.meters, *engine_held))
    commanded_s = time.monotonic()
    while not proof.proven and time.monotonic() - commanded_s < PROOF_DEADLINE_S:
        bench.clock.sleep(0.05)
        proof = _take_reports(proof, reports, 0.0)
        for reading in _line_readings((*bench.meters, *engine_held)):
            proof = proof.with_reading(reading)
    _leave_verdict(post.folder, state.reason, proof)
    if not proof.proven:
        # Ways off that do not answer are tried for as long as this process lives; it stays a while for that.
        threading.Event().wait(10.0)
    return 3 if proof.proven else 4


ENGINE_ENDS_WITHIN_S: Final = 5.0
"""How long an engine that could not prove off may take over its record before the ports that it holds are wanted."""


def _await_end(pid: int) -> None:
    deadline_s = time.monotonic() + ENGINE_ENDS_WITHIN_S
    while os.getppid() == pid and time.monotonic() < deadline_s:
        time.sleep(_TURN_S)


def _cut_exclusive(bench_file: BenchFile, name: str, report: Callable[[OffReport], None]) -> None:
    """The engine that held it being gone, open a way off that serves one client only, and command it off."""
    while True:
        try:
            bench = connect(bench_file, which=Which.EXCLUSIVE_WAYS_OFF, only=name)
        except InstrumentError as error:
            report(OffReport(name, None, str(error)))
            time.sleep(RETRY_EVERY_S)
        else:
            OffDrive(bench.cut_offs, report).cut()
            return


RETRY_WAIT_S = 0.2
"""How long the first attempts may take before the engine is ended; ending it must not wait on a dead instrument."""


def _take_reports(proof: OffProof, reports: queue.SimpleQueue[OffReport], wait_s: float) -> OffProof:
    deadline_s = time.monotonic() + wait_s
    while True:
        try:
            left_s = max(0.0, deadline_s - time.monotonic())
            proof = proof.with_report(reports.get(timeout=left_s) if left_s else reports.get_nowait())
        except queue.Empty:
            return proof
        if any(state is OutputState.OFF for state in proof.states.values()):
            deadline_s = 0.0


def _line_readings(meters: Sequence[Meter]) -> list[Reading]:
    readings: list[Reading] = []
    for meter in meters:
        with contextlib.suppress(InstrumentError):
            readings += meter.read()
    return readings


def _end_engine(pid: int) -> None:
    """Kill the engine if it is still this process's parent: a process id may since belong to someone else."""
    if os.getppid() == pid:
        with contextlib.suppress(OSError):
            os.kill(pid, signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)


def _leave_verdict(folder: Path, reason: str, proof: OffProof) -> None:
    verdict = {
        "format": 1,
        "reason": reason,
        "off": proof.as_message,
        "wall_time": datetime.now(UTC).isoformat(),
    }
    with contextlib.suppress(OSError):
        partial = folder / f"{VERDICT_NAME}.part"
        partial.write_text(json.dumps(verdict, indent=2) + "\n", encoding="utf-8")
        os.replace(partial, folder / VERDICT_NAME)
        if proof.proven:
            (folder / "pids.json").unlink(missing_ok=True)


if __name__ == "__main__":
    sys.exit(main())
