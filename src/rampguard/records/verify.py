"""`rampguard verify`: whether a capture is whole, was cut short, or was changed after it was sealed."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from rampguard.archive.errors import CaptureError
from rampguard.archive.found import Found, look
from rampguard.archive.verdict import GROWING, State, Verdict, verdict
from rampguard.records.finding import captures_at

WIDTH: Final = 80
_WORDS: Final = {State.WHOLE: "WHOLE", State.CUT_SHORT: "CUT SHORT", State.CHANGED: "CHANGED"}
_PROVES: Final = (
    "A seal tells what was changed by whoever did not make the seal anew. Whoever can write these files can make it"
    " anew: only its digest on paper tells that (--seal-of)."
)
_UNSEALED: Final = "Without a seal nothing tells whether what is there was changed."
_NOT_PROVEN_OFF: Final = (
    "Nothing in it proves the output off. If that run may still be on: emergency-off, then the plug, and measure"
    " before hands go in."
)


@dataclass(frozen=True, slots=True)
class Verified:
    """One capture, as it lies there and as it is judged."""

    folder: Path
    found: Found
    verdict: Verdict

    @property
    def as_message(self) -> dict[str, Any]:
        """The verdict as `--json` has it."""
        return {
            "capture": str(self.folder),
            "state": str(self.verdict.state),
            "why": self.verdict.why,
            "problems": [asdict(problem) for problem in self.verdict.problems],
            "outcome": self.found.outcome or None,
            "rows": self.found.rows.count,
            "until_s": self.found.rows.until_s,
            "torn_bytes": self._torn,
            "seal": self.found.seal_digest or None,
        }

    @property
    def as_lines(self) -> Iterator[str]:
        """The verdict in lines of at most 80 characters."""
        why = f": {self.verdict.why}" if self.verdict.why else ""
        yield from _wrapped(f"{self.folder}: {_WORDS[self.verdict.state]}{why}", "")
        for problem in self.verdict.problems:
            yield from _wrapped(f"{problem.file}: {problem.text}")
        yield from _wrapped(self._extent)
        for name, size in self._torn.items():
            yield from _wrapped(f"{name}: its last line was half written ({size} bytes), and is not believed")
        if self.found.seal_digest:
            yield "  seal's own digest:"
            yield f"  {grouped(self.found.seal_digest)}"
        else:
            yield from _wrapped(_UNSEALED)
        if self.verdict.state is State.CUT_SHORT and self.found.is_live:
            yield from _wrapped(_NOT_PROVEN_OFF)

    @property
    def _torn(self) -> dict[str, int]:
        """Bytes after the last line end, by file, where a file that was not sealed ends so."""
        if self.verdict.state is not State.CUT_SHORT:
            return {}
        torn = {name: self.found.files[name].since_line_end for name in GROWING if name in self.found.files}
        return {name: size for name, size in torn.items() if size}

    @property
    def _extent(self) -> str:
        rows = self.found.rows
        until = "" if rows.until_s is None else f" to {rows.until_s:.2f} s"
        return f"{rows.count} rows{until}; outcome: {self.found.outcome or 'not recorded'}"


def verify(paths: Sequence[Path], seals: Sequence[str]) -> tuple[list[Verified], list[str]]:
    """Every capture at these paths, judged, and what could not be, a line each.

    ``seals`` are digests, or beginnings of them, from paper; each is to be of one of the captures. Of a single capture
    it is to be the one.
    """
    folders: list[Path] = []
    wrong: list[str] = []
    for path in paths:
        try:
            found_there, problems = captures_at(path)
            folders += found_there
            wrong += problems
        except (CaptureError, OSError) as error:
            wrong.append(str(error))
    found: dict[Path, Found] = {}
    for folder in folders:
        try:
            found[folder] = look(folder)
        except CaptureError as error:
            wrong.append(str(error))
    the_one = seals[0] if len(found) == 1 and len(seals) == 1 else ""
    verified = [Verified(folder, one, verdict(one, the_one)) for folder, one in found.items()]
    if not the_one:
        digests = [one.found.seal_digest for one in verified]
        unknown = [seal for seal in seals if not any(digest.startswith(seal) for digest in digests)]
        wrong += [f"--seal-of {seal[:16]}: no capture here has that seal" for seal in unknown]
    return verified, wrong


def message(verified: Sequence[Verified], wrong: Sequence[str]) -> dict[str, Any]:
    """What `--json` prints."""
    return {"format": 1, "whole": all_whole(verified, wrong), "captures": [one.as_message for one in verified]} | {
        "errors": list(wrong)
    }


def lines(verified: Sequence[Verified]) -> Iterator[str]:
    """What is printed otherwise."""
    for one in verified:
        yield from one.as_lines
    if len(verified) > 1:
        whole = sum(one.verdict.state is State.WHOLE for one in verified)
        yield f"{whole} of {len(verified)} captures are whole."
    if verified:
        yield from textwrap.wrap(_PROVES, WIDTH, break_on_hyphens=False)


def all_whole(verified: Sequence[Verified], wrong: Sequence[str]) -> bool:
    """Whether there is nothing to be said against any."""
    return not wrong and all(one.verdict.state is State.WHOLE for one in verified)


def grouped(digest: str) -> str:
    """A digest as it is copied from paper: in groups of eight."""
    return " ".join(textwrap.wrap(digest, 8))


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ", break_on_hyphens=False)
