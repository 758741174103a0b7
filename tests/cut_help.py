"""A capture's way onto the disk, write by write, and the folder as it was at any point of that way."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from archive_help import PASSED
from rampguard.archive import descriptor, writer
from rampguard.archive.reader import read_capture
from rampguard.archive.rows import CaptureEvent, Row
from rampguard.archive.writer import CaptureHeader, CaptureWriter
from rampguard.quantities import Signal


@dataclass(frozen=True)
class Step:
    """One act on the disk: bytes put at the end of a file, a file moved onto another, or one removed."""

    act: str
    name: str
    data: bytes = b""
    onto: str = ""


class Logged:
    """A file whose writes are noted."""

    def __init__(self, stream: IO[bytes], name: str, steps: list[Step]) -> None:
        self._stream, self._name, self._steps = stream, name, steps

    def write(self, data: bytes) -> int:
        self._steps.append(Step("append", self._name, bytes(data)))
        return self._stream.write(data)

    def fileno(self) -> int:
        return self._stream.fileno()

    def close(self) -> None:
        self._stream.close()

    def __enter__(self) -> Logged:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()


@contextmanager
def logged() -> Iterator[list[Step]]:
    """Note every act of a capture's writer on the disk while this lasts."""
    steps: list[Step] = []
    kept = (writer._open, descriptor.write_aside, os.replace, Path.unlink)

    def opens(path: Path, first: bytes) -> Any:
        stream = path.open("xb", buffering=0)
        noted = Logged(stream, path.name, steps)
        steps.append(Step("append", path.name))
        noted.write(first)
        return noted

    def aside(path: Path, data: bytes) -> Path:
        steps.append(Step("append", path.name + ".part", data))
        return kept[1](path, data)

    def moves(source: Any, target: Any) -> None:
        steps.append(Step("move", Path(source).name, onto=Path(target).name))
        kept[2](source, target)

    def removes(path: Path, missing_ok: bool = False) -> None:
        if path.exists():
            steps.append(Step("remove", path.name))
        kept[3](path, missing_ok=missing_ok)

    writer._open, os.replace, Path.unlink = opens, moves, removes  # type: ignore[assignment, method-assign]
    descriptor.write_aside = writer.write_aside = aside
    try:
        yield steps
    finally:
        writer._open, os.replace, Path.unlink = kept[0], kept[2], kept[3]  # type: ignore[method-assign]
        descriptor.write_aside = writer.write_aside = kept[1]


def steps_of(real: Path, into: Path, first: int = 0, last: int | None = None) -> tuple[list[Step], list[Row], Path]:
    """A real capture's rows and events written anew by the writer: each act on the disk, the rows, the folder made."""
    capture = read_capture(real)
    rows = list(capture.rows())[first:last]
    said = [event for event in capture.events() if rows[0].time_s <= event.time_s <= rows[-1].time_s]
    found = capture.descriptor
    facts = {name: found[name] for name in ("unit", "load_class", "nameplate_w", "nameplate_v", "mains_v")}
    signals = tuple(dict.fromkeys(reading.signal for row in rows for reading in row.readings))
    with logged() as steps:
        header = header_of(facts, found, signals)
        plan, bench = (real / "plan.toml").read_text(encoding="utf-8"), (real / "bench.toml").read_bytes()
        to = CaptureWriter.create(into, header, plan_toml=plan, limits=capture.limits, bench_toml=bench)
        to.put_pids(engine=1, watchdog=2)
        for moment in sorted([*rows, *said], key=lambda one: one.time_s):
            if isinstance(moment, CaptureEvent):
                to.put_event(moment.time_s, moment.kind, moment.text)
            else:
                to.put_row(moment)
        to.finish(capture.result or PASSED)
    assert not to.failure
    return steps, rows, to.folder


def header_of(facts: dict[str, Any], found: dict[str, Any], signals: tuple[Signal, ...]) -> CaptureHeader:
    return CaptureHeader(
        **facts,
        mains_frequency_hz=found["mains_frequency_hz"],
        bench_title=found["bench"],
        bench_kind=found.get("bench_kind", "programmable source"),
        clock=found["clock"],
        permissives_confirmed=found["permissives_confirmed"],
        seed=found["seed"],
        program_version=found["program_version"],
        signals=signals,
    )


class Rebuilt:
    """A folder brought along the steps: what had been written whole stands in ``whole``, by file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self.whole: dict[str, int] = {}

    def take(self, step: Step) -> None:
        """One whole step."""
        path = self.folder / step.name
        if step.act == "append":
            self.put(path, step.data)
            self.whole[step.name] = self.whole.get(step.name, 0) + 1
        elif step.act == "move":
            path.replace(self.folder / step.onto)
        else:
            path.unlink()

    @contextmanager
    def torn(self, step: Step, length: int) -> Iterator[None]:
        """Only so many bytes of a step, while this lasts."""
        path = self.folder / step.name
        was = path.stat().st_size if path.exists() else None
        self.put(path, step.data[:length])
        try:
            yield
        finally:
            if was is None:
                path.unlink()
            else:
                os.truncate(path, was)

    @staticmethod
    def put(path: Path, data: bytes) -> None:
        with path.open("ab") as stream:
            stream.write(data)

    @property
    def rows(self) -> int:
        """Rows written whole: the acts on readings.csv after the file was made and its header written."""
        return max(0, self.whole.get("readings.csv", 0) - 2)

    @property
    def events(self) -> int:
        """Events written whole."""
        return max(0, self.whole.get("events.csv", 0) - 2)


def wrong_with_a_cut(built: Rebuilt, rows: list[Row]) -> str:
    """What a folder cut just here is believed to be, where it should not be; empty where all is as it should."""
    from rampguard.archive.errors import ArchiveError
    from rampguard.archive.found import look
    from rampguard.archive.verdict import State, verdict

    found = look(built.folder)
    judged = verdict(found)
    if judged.state is not State.CUT_SHORT:
        return f"called {judged.state}: {judged.why} {judged.problems}"
    if found.rows.count != built.rows:
        return f"{found.rows.count} rows told, {built.rows} were written"
    try:
        capture = read_capture(built.folder)
        back, said = list(capture.rows()), capture.events() if built.whole.get("events.csv", 0) > 1 else []
    except ArchiveError as error:
        return "" if built.whole.get("readings.csv", 0) < 2 else f"cannot be read: {error}"
    if back != rows[: built.rows]:
        return f"{len(back)} rows come back, not the {built.rows} that were written"
    return "" if len(said) == built.events else f"{len(said)} events come back of {built.events}"


def changed(folder: Path, name: str, data: bytes | None) -> str:
    """The verdict with one file's content another, or the file gone; the folder is as it was after that."""
    from rampguard.archive.found import look
    from rampguard.archive.verdict import verdict

    path = folder / name
    was = path.read_bytes() if path.exists() else None
    if data is None:
        path.unlink()
    else:
        path.write_bytes(data)
    try:
        return verdict(look(folder)).state
    finally:
        if was is None:
            path.unlink()
        else:
            path.write_bytes(was)
