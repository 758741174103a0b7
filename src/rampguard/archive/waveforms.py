"""Waveforms in a capture: ``waveforms/NN-kind.cfg`` and ``.dat``, COMTRADE (IEEE C37.111-2013) with 32 bit floats.

The data file comes first, then its configuration, then the descriptor that names both: what the descriptor names is
whole, and what it does not name was being written when the writing ended.
"""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from rampguard.archive.descriptor import WAVEFORMS, write_atomically
from rampguard.archive.errors import CaptureError
from rampguard.waveform.comtrade import comtrade_bytes, read_comtrade
from rampguard.waveform.errors import ComtradeError
from rampguard.waveform.keeper import Kept
from rampguard.waveform.record import Record

MOST_WAITING: Final = 8
"""Waveforms that may wait for the disk: a megabyte or two each."""
TORN: Final = "was being written when the record ended"
_PATH: Final = re.compile(rf"{WAVEFORMS}/([0-9]{{2,}}-[a-z0-9-]+)\.cfg")
_MEDIA: Final = {"cfg": "text/plain", "dat": "application/octet-stream"}
_HOLDS: Final = {"cfg": "configuration", "dat": "samples"}


class WaveformFiles:
    """Those of a capture that is being written.

    `reserve` is for whoever puts a waveform, the rest for the thread that writes.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._room = threading.Semaphore(MOST_WAITING)
        self._begun = 0
        self._resources: dict[str, list[dict[str, Any]]] = {}

    @property
    def resources(self) -> list[dict[str, Any]]:
        """What the descriptor says of each file that is written."""
        return [resource for resources in self._resources.values() for resource in resources]

    def reserve(self, kind: str) -> str | None:
        """The name of the next waveform; None where the disk has not taken so many by now."""
        if not self._room.acquire(blocking=False):
            return None
        self._begun += 1
        return f"{self._begun:02d}-{kind}"

    def write(self, name: str, kept: Kept) -> None:
        """Write a waveform's files; may be tried again. Raises OSError, ComtradeError for what no record can hold."""
        config, data = comtrade_bytes(kept.record)
        (self._folder / WAVEFORMS).mkdir(exist_ok=True)
        for ending, content in (("dat", data), ("cfg", config)):
            write_atomically(self._folder / WAVEFORMS / f"{name}.{ending}", content)
        told = _told(kept)
        self._resources[name] = [
            _resource(name, ending, content, kept) | told for ending, content in (("cfg", config), ("dat", data))
        ]

    def done(self) -> None:
        """A waveform waits no longer."""
        self._room.release()


def _told(kept: Kept) -> dict[str, Any]:
    return {
        "event": kept.named_by.kind,
        "time_s": kept.named_by.time_s,
        "trigger": kept.record.trigger.astimezone(UTC).isoformat(),
        "events": [{"kind": moment.kind, "time_s": moment.time_s} for moment in kept.moments],
        "more_events": kept.more,
        "lost_samples": kept.lost,
    }


def _resource(name: str, ending: str, content: bytes, kept: Kept) -> dict[str, Any]:
    around = f"line voltage and line current around {kept.named_by.kind} at {kept.named_by.time_s:.3f} s"
    lost = f", {kept.lost} samples lost" if kept.lost else ""
    return {
        "name": f"waveform-{name}-{ending}",
        "path": f"{WAVEFORMS}/{name}.{ending}",
        "description": f"{around}{lost}: {_HOLDS[ending]} (COMTRADE, IEEE C37.111-2013)",
        "format": ending,
        "mediatype": _MEDIA[ending],
        **({"encoding": "utf-8"} if ending == "cfg" else {}),
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
    }


@dataclass(frozen=True, slots=True)
class WaveformFile:
    """A waveform as it lies in a capture. ``time_s`` is bench time since the run began.

    What the descriptor does not name has a ``problem``, and neither time nor trigger.
    """

    path: Path
    """Its .cfg file."""
    event: str
    time_s: float | None = None
    trigger: datetime | None = None
    events: tuple[tuple[str, float], ...] = ()
    """The kind and the bench time of every event in it."""
    lost: int = 0
    """Samples that are missing."""
    problem: str = ""

    @property
    def name(self) -> str:
        """``NN-kind``."""
        return self.path.stem

    def read(self) -> Record:
        """Its samples. Raises CaptureError."""
        try:
            return read_comtrade(self.path)
        except (ComtradeError, OSError) as error:
            raise CaptureError(f"{error}{self.problem and f'; it {self.problem}'}") from None


def waveforms_of(folder: Path, descriptor: Mapping[str, Any]) -> list[WaveformFile]:
    """The waveforms of a capture, by number. Raises CaptureError."""
    listed = (_listed(folder, resource) for resource in descriptor.get("resources") or ())
    found = {one.name: one for one in listed if one is not None}
    try:
        lying = [path.name for path in (folder / WAVEFORMS).iterdir()] if (folder / WAVEFORMS).is_dir() else []
    except OSError as error:
        raise CaptureError(f"{folder / WAVEFORMS}: cannot be read ({error.strerror})") from None
    for name in {name.partition(".")[0] for name in lying}:
        if name not in found and _PATH.fullmatch(f"{WAVEFORMS}/{name}.cfg"):
            found[name] = WaveformFile(folder / WAVEFORMS / f"{name}.cfg", _kind(name), problem=TORN)
    return [found[name] for name in sorted(found, key=lambda name: (int(name.partition("-")[0]), name))]


def _listed(folder: Path, resource: Any) -> WaveformFile | None:
    """A waveform as the descriptor tells of it; None for any other file."""
    path = resource.get("path") if isinstance(resource, dict) else None
    named = _PATH.fullmatch(path) if isinstance(path, str) else None
    if named is None:
        return None
    try:
        return WaveformFile(
            path=folder / WAVEFORMS / f"{named[1]}.cfg",
            event=str(resource["event"]),
            time_s=float(resource["time_s"]),
            trigger=datetime.fromisoformat(resource["trigger"]),
            events=tuple((str(one["kind"]), float(one["time_s"])) for one in resource["events"]),
            lost=int(resource["lost_samples"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        problem = f"is not described as we do it ({error}): the descriptor was changed"
        return WaveformFile(folder / WAVEFORMS / f"{named[1]}.cfg", _kind(named[1]), problem=problem)


def _kind(name: str) -> str:
    return name.partition("-")[2]
