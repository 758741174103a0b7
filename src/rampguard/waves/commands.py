"""`rampguard waveforms`: reads a capture's waveforms; prints, draws, exports. 0: done; 2: something cannot be read."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rampguard.archive.errors import ArchiveError, CaptureError
from rampguard.archive.reader import Capture, Completeness, read_capture
from rampguard.archive.waveforms import WaveformFile
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.printed import print_json
from rampguard.waveform.comtrade import Kind, write_comtrade
from rampguard.waveform.errors import WaveformError
from rampguard.waveform.record import Record
from rampguard.waves.figures import Figures, figures_of, message_of
from rampguard.waves.words import legend, told

NONE_KEPT = "no waveforms were kept in it: they are where a digitiser is the line's meter"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is wanted of a capture's waveforms."""

    capture: Path
    only: str | None = None
    harmonics: int | None = None
    at_s: float | None = None
    plot: Path | None = None
    comtrade: Path | None = None
    kind: Kind = "FLOAT32"
    as_json: bool = False


def wanted_of(options: argparse.Namespace) -> Wanted:
    """What was typed."""
    at_s = None if options.at_ms is None else 1e-3 * options.at_ms
    return Wanted(
        options.capture,
        options.only,
        options.harmonics,
        at_s,
        options.plot,
        options.comtrade,
        options.kind,
        options.json,
    )


@dataclass(frozen=True, slots=True)
class _Read:
    """A waveform that could be read."""

    file: WaveformFile
    record: Record
    figures: Figures

    @property
    def lasts_s(self) -> tuple[float, float]:
        before_s = (self.record.trigger - self.record.begins).total_seconds()
        return before_s, float(self.record.at_s[-1]) - before_s


@dataclass(slots=True)
class _Done:
    """What came of it."""

    exported: list[Path] = field(default_factory=list)
    picture: Path | None = None
    problems: list[str] = field(default_factory=list)
    failed: bool = False

    def fails(self, problem: str) -> None:
        self.problems.append(problem)
        self.failed = True


def waveforms(wanted: Wanted) -> int:
    """Do what is wanted. Returns the exit code."""
    try:
        capture = read_capture(wanted.capture)
        files = _chosen(capture, wanted.only)
    except ArchiveError as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    done = _Done(problems=list(_of_capture(capture)))
    if not files:
        done.problems.append(f"{capture.folder}: {NONE_KEPT}")
    read = [one for one in (_read(file, wanted, done) for file in files) if one is not None]
    try:
        _write(capture, read, wanted, done)
    except (ArchiveError, WaveformError, OSError) as error:
        done.fails(str(error))
    for problem in done.problems:
        print(problem, file=sys.stderr)
    _tell(wanted, capture, read, done)
    return EXIT_BAD_INPUT if done.failed else EXIT_DONE


def _of_capture(capture: Capture) -> Iterator[str]:
    if capture.completeness is Completeness.CUT_SHORT:
        yield f"{capture.folder}: the record was cut short, or goes on: its last waveforms may be missing"
    yield from (f"{capture.folder}: {problem}" for problem in capture.problems)


def _chosen(capture: Capture, only: str | None) -> list[WaveformFile]:
    """The waveforms of that kind, name or number. Raises CaptureError where there is none."""
    files = capture.waveforms()
    if only is None:
        return files
    chosen = [
        f for f in files if only in (f.event, f.name) or (only.isdigit() and f.name.startswith(f"{int(only):02d}-"))
    ]
    if not chosen:
        there = ", ".join(file.name for file in files)
        raise CaptureError(
            f"{capture.folder}: " + (f"--only {only}: there is none; there are {there}" if files else NONE_KEPT)
        )
    return chosen


def _read(file: WaveformFile, wanted: Wanted, done: _Done) -> _Read | None:
    """A waveform; None where it cannot be read, which is no failure where the record says why."""
    try:
        record = file.read()
        return _Read(file, record, figures_of(record, wanted.harmonics, wanted.at_s))
    except (ArchiveError, WaveformError) as error:
        problem = str(error) if isinstance(error, ArchiveError) else f"{file.path}: {error}"
        if file.problem:
            done.problems.append(problem)
        else:
            done.fails(problem)
        return None


def _write(capture: Capture, read: Sequence[_Read], wanted: Wanted, done: _Done) -> None:
    """What is to be drawn and exported. Raises ArchiveError, WaveformError, OSError."""
    if (wanted.plot or wanted.comtrade) and not read:
        raise CaptureError(f"{capture.folder}: there is nothing to draw or to export")
    if wanted.comtrade is not None:
        _export(read, wanted.comtrade, wanted.kind, done)
    if wanted.plot is not None:
        from rampguard.report.wave_plot import draw_waveform

        one = next((one for one in read if one.file.event == "trip"), read[0])
        draw_waveform(capture, one.file, one.record, wanted.plot)
        done.picture = wanted.plot


def _export(read: Sequence[_Read], into: Path, kind: Kind, done: _Done) -> None:
    """Each as two files, none that is there already. Raises CaptureError, WaveformError, OSError."""
    stems = [into / one.file.name for one in read]
    there = [p for stem in stems for p in (stem.with_suffix(".cfg"), stem.with_suffix(".dat")) if p.exists()]
    if there:
        raise CaptureError(f"{there[0]}: is there already, nothing was exported; choose another folder")
    into.mkdir(parents=True, exist_ok=True)
    for one, stem in zip(read, stems, strict=True):
        done.exported += write_comtrade(one.record, stem, kind)


def _tell(wanted: Wanted, capture: Capture, read: Sequence[_Read], done: _Done) -> None:
    if wanted.as_json:
        print_json(_message(capture, read, done))
        return
    for path in (*done.exported, *filter(None, [done.picture])):
        print(f"written: {path}")
    if wanted.plot is None and wanted.comtrade is None:
        tables = [told(one.file, one.figures, one.lasts_s) for one in read]
        if tables:
            print("\n\n".join([*tables, legend()]), flush=True)


def _message(capture: Capture, read: Sequence[_Read], done: _Done) -> dict[str, Any]:
    return {
        "format": 1,
        "capture": str(capture.folder),
        "completeness": str(capture.completeness),
        "waveforms": [_one(one) for one in read],
        "exported": [str(path) for path in done.exported],
        "picture": None if done.picture is None else str(done.picture),
        "problems": done.problems,
    }


def _one(one: _Read) -> dict[str, Any]:
    file = one.file
    return {
        "name": file.name,
        "event": file.event,
        "time_s": file.time_s,
        "trigger": one.record.trigger.isoformat(),
        "events": [{"kind": kind, "time_s": time_s} for kind, time_s in file.events],
        "before_s": one.lasts_s[0],
        "after_s": one.lasts_s[1],
        "lost_samples": file.lost,
    } | message_of(one.figures)
