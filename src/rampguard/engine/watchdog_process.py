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
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from instruments.bench import load_bench_file
from instruments.connect import connect
from instruments.errors import InstrumentError
from instruments.roles import Bench, OutputState
from rampguard.engine.cutoff import PROOF_DEADLINE_S, OffDrive, OffProof, OffReport, attempt_off, begin_proof
from rampguard.engine.lines import LineReader, LineWriter
from rampguard.engine.machine import wall_s
from rampguard.engine.watchdog import FEED_LIMIT_S, Action, Input, WatchdogState, cannot_release, step

VERDICT_NAME = "watchdog.json"
_TURN_S = FEED_LIMIT_S / 20


@dataclass(frozen=True, slots=True)
class Post:
    """What the watchdog is told once: which bench, where to leave its verdict, and whose death it watches."""

    bench: Path
    folder: Path
    engine_pid: int


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
    post = Post(Path(told["bench"]), Path(told["folder"]), int(told["engine_pid"]))
    try:
        bench = connect(load_bench_file(post.bench), cut_off_only=True)
        _prove_path(bench)
    except InstrumentError as error:
        answers.put({"refused": str(error)})
        answers.close()
        return 2
    reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
    drive = OffDrive(bench.cut_offs, reports.put)
    answers.put({"ready": [cut_off.name for cut_off in bench.cut_offs]})
    state = _guard(bench, inbox, answers)
    if not state.reason:
        answers.put({"released": True})
        answers.close()
        return 0
    drive.cut()
    return _after_cut(post, bench, reports, state)


def _prove_path(bench: Bench) -> None:
    """Command every way off and see it read back off, before anything may be armed."""
    if not bench.cut_offs:
        raise InstrumentError("the watchdog has no way off of its own on this bench")
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
            if any(_reads_off(bench, index) for index in range(len(bench.cut_offs))):
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


def _reads_off(bench: Bench, index: int) -> bool:
    try:
        return bench.cut_offs[index].state() is OutputState.OFF
    except InstrumentError:
        return False


def _after_cut(post: Post, bench: Bench, reports: queue.SimpleQueue[OffReport], state: WatchdogState) -> int:
    """End a hung engine so that it can never wake and energise again, prove off, and leave the verdict."""
    commanded_s = time.monotonic()
    proof = begin_proof(bench.off_floor_v, bench.clock.now_s(), bench.meters)
    proof = _take_reports(proof, reports, RETRY_WAIT_S)
    if not state.spares_engine:
        _end_engine(post.engine_pid)
    while not proof.proven and time.monotonic() - commanded_s < PROOF_DEADLINE_S:
        bench.clock.sleep(0.05)
        proof = _take_reports(proof, reports, 0.0)
        for reading in _line_readings(bench):
            proof = proof.with_reading(reading)
    _leave_verdict(post.folder, state.reason, proof)
    if not proof.proven:
        # Ways off that do not answer are tried for as long as this process lives; it stays a while for that.
        threading.Event().wait(10.0)
    return 3 if proof.proven else 4


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


def _line_readings(bench: Bench) -> list[Any]:
    readings: list[Any] = []
    for meter in bench.meters:
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
