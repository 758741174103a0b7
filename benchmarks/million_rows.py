"""A capture of a million rows: opened, verified, read, drawn, replayed, compared, exported, beside a plain read of it.

The plain read is numpy's ``loadtxt`` of the nine columns of numbers that every row has. Each is done by a process of
its own; time is that process's processor time, memory its largest resident size beyond what its imports took. The
capture is a real ramp's rows through the capture's own writer, then those of its hold at full line as lines, over and
over.

The replay has a frozen band: each row is judged by the band as it was recorded, one row after the other. A band that is
worked out anew costs as much a reading as it does while live (`decision_time`).
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from figures import write_run

from rampguard.archive.descriptor import READINGS_NAME
from rampguard.archive.reader import read_capture
from rampguard.archive.rows import Row, as_cells
from rampguard.archive.spool import Line
from rampguard.archive.writer import CaptureHeader, CaptureWriter
from rampguard.guard.decision import Observation
from rampguard.guard.interlock import OFF_COMMANDED
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.guard.limits import Limits
from rampguard.quantities import Signal

REAL = Path(__file__).resolve().parent.parent / "captures" / "healthy-amplifier"
PERIOD_S = 0.1
AT_ONCE = 20_000
"""So many lines are written at once."""
BY_THE_WRITER = 2_000
"""So many rows go through the writer one by one; the rest as lines."""
HELD_V = 229.0


def rows(count: int) -> Iterator[Row]:
    """A ramp, and then full line for as long as it takes: a row every 0.1 s."""
    real = [row for row in read_capture(REAL).rows() if row.state == "live" and row.readings]
    held = held_rows()
    for number in range(count):
        row = real[number] if number < len(real) else held[number % len(held)]
        yield replace(row, time_s=(1 + number) * PERIOD_S)


def make(into: Path, count: int) -> tuple[Path, float]:
    """The capture, and the processor time that each of its first rows took to be written, seconds."""
    real = read_capture(REAL)
    found = real.descriptor
    names = ("unit", "load_class", "nameplate_w", "nameplate_v", "mains_v", "mains_frequency_hz", "clock", "seed")
    more = ("permissives_confirmed", "program_version")
    facts: dict[str, Any] = {name: found[name] for name in (*names, *more)}
    signals = tuple(reading.signal for reading in next(rows(1)).readings)
    header = CaptureHeader(**facts, bench_title=found["bench"], bench_kind="programmable source", signals=signals)
    plan, bench = (REAL / "plan.toml").read_text(encoding="utf-8"), (REAL / "bench.toml").read_bytes()
    writer = CaptureWriter.create(into, header, plan_toml=plan, limits=real.limits, bench_toml=bench)
    some = list(rows(min(count, BY_THE_WRITER)))
    begun_s = time.process_time()
    for row in some:
        writer.put_row(row)
    each_s = (time.process_time() - begun_s) / len(some)
    for data in as_text(len(some), count, signals):
        writer._spool.put(Line(READINGS_NAME, data))
    writer.finish(real.result or {"outcome": "passed"}, within_s=600.0)
    assert not writer.failure, writer.failure
    return writer.folder, each_s


def as_text(first: int, last: int, signals: Sequence[Signal]) -> Iterator[bytes]:
    """The rows from there on as lines, many at once: what the writer makes of each is the same but for its time."""
    texts = []
    for row in held_rows():
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow(as_cells(row, signals))
        texts.append(text.getvalue().partition(",")[2])
    for begin in range(first, last, AT_ONCE):
        numbers = range(begin, min(begin + AT_ONCE, last))
        yield "".join(f"{(1 + k) * PERIOD_S!r},{texts[k % len(texts)]}" for k in numbers).encode()


def held_rows() -> list[Row]:
    """The real capture's rows of its hold at full line."""
    real = [row for row in read_capture(REAL).rows() if row.state == "live" and row.readings]
    return [row for row in real if (row.readings[0].value or 0.0) > HELD_V][20:]


def plainly(folder: Path) -> int:
    """The numbers that every row has, by numpy."""
    with (folder / "readings.csv").open(encoding="utf-8") as stream:
        return len(np.loadtxt(stream, delimiter=",", skiprows=1, usecols=range(9)))


def open_(folder: Path) -> int:
    """Open it, its seal checked."""
    return len(read_capture(folder).completeness)


def verify(folder: Path) -> int:
    """The verdict."""
    from rampguard.archive.found import look
    from rampguard.archive.verdict import verdict

    found = look(folder)
    assert verdict(found).state == "whole"
    return found.rows.count


def read(folder: Path) -> int:
    """Every row."""
    return sum(1 for _ in read_capture(folder).rows())


def plot(folder: Path) -> int:
    """Its picture."""
    from rampguard.report.ramp_plot import draw_ramp

    draw_ramp(read_capture(folder), folder / "ramp.png")
    return 1


def replay(folder: Path) -> int:
    """Every row judged by limits and by the band as it was recorded, one after the other."""
    limits = Limits.from_table(tomllib.loads((folder / "limits.toml").read_text(encoding="utf-8"))["limits"])
    state, is_off, count = GuardState(), False, 0
    for row in read_capture(folder).rows():
        seen = Observation(row.time_s, row.readings, row.set_voltage_v, row.expected_event, is_off=is_off)
        is_off = row.state in OFF_COMMANDED
        state, decision = judge(state, limits, seen)
        if row.expectation is not None:
            state, decision = judge_expected(state, decision, limits, seen, row.expectation)
        count += 1
    assert state.trip is None, state.trip
    return count


def compare(folder: Path) -> int:
    """What it says for a comparison."""
    from rampguard.compare.gather import side_of

    capture = read_capture(folder)
    return len(side_of("a", capture.descriptor, capture.rows()).holds)


def export(folder: Path) -> int:
    """As Parquet."""
    from rampguard.records.parquet import write_parquet

    return write_parquet(folder, folder / "out.parquet").rows


WAYS: dict[str, Callable[[Path], int]] = {
    "plain read by numpy": plainly,
    "open": open_,
    "verify": verify,
    "read every row": read,
    "plot": plot,
    "replay, frozen band": replay,
    "compare (one side)": compare,
    "export to Parquet": export,
}


def measured(way: str, folder: Path) -> dict[str, float]:
    """One way, in a process of its own: seconds of processor time, and megabytes beyond its imports."""
    asked = [sys.executable, __file__, "--way", way, "--capture", str(folder)]
    done = subprocess.run(asked, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{way}: {done.stderr}")
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def one_way(way: str, folder: Path) -> None:
    """What a process of `measured` does."""
    if way == "plot":
        import matplotlib.figure  # noqa: F401 - not counted
    if way == "export to Parquet":
        import pyarrow.csv
        import pyarrow.parquet  # noqa: F401 - not counted
    before_mb, begun_s = peak_mb(), time.process_time()
    WAYS[way](folder)
    print(json.dumps({"s": time.process_time() - begun_s, "mb": peak_mb() - before_mb}))


def peak_mb() -> float:
    """The largest resident size so far, megabytes: Linux's own of this process; getrusage has its parent's in it."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def main() -> None:
    """Make it, do everything to it, and keep the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--only", nargs="*", default=list(WAYS))
    parser.add_argument("--keep", action="store_true", help="keep the figures")
    parser.add_argument("--way", help=argparse.SUPPRESS)
    parser.add_argument("--capture", type=Path, help="one that was made before")
    options = parser.parse_args()
    if options.way:
        one_way(options.way, options.capture)
        return
    with tempfile.TemporaryDirectory() as place:
        folder, each_s = (options.capture, 0.0) if options.capture else make(Path(place), options.count)
        size_mb = (folder / "readings.csv").stat().st_size / 1e6
        print(f"{options.count} rows, {size_mb:.0f} MB", flush=True)
        table: list[dict[str, Any]] = []
        if each_s:
            table.append(told("write by the capture's writer", BY_THE_WRITER, {"s": each_s * BY_THE_WRITER}, 0.0))
        plain = measured("plain read by numpy", folder)
        for way in options.only:
            found = plain if way == "plain read by numpy" else measured(way, folder)
            table.append(told(way, options.count, found, plain["s"]))
            print(table[-1], flush=True)
            if options.keep:  # each as it comes: it takes long
                write_run("million_rows", "Long captures, beside a plain read of their numbers", table, seed=1)


def told(way: str, count: int, found: dict[str, float], plain_s: float) -> dict[str, Any]:
    """A row of the figures."""
    return {
        "run": f"{way}, {count} rows",
        "processor time, s": round(found["s"], 1),
        "to the plain read": round(found["s"] / plain_s, 1) if plain_s else "",
        "memory beyond imports, MB": round(found["mb"]) if "mb" in found else "",
        "microseconds a row": round(1e6 * found["s"] / count, 1),
    }


if __name__ == "__main__":
    main()
