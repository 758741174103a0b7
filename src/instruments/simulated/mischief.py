"""Instruments that misbehave on purpose: each kind of mischief, done at the n-th line an instrument is told.

Written ``INSTRUMENT:KIND@N`` for once, ``INSTRUMENT:KIND@N+`` for good. Lines are counted over all clients.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

LATE_S: Final = 0.8
"""Longer than any link waits."""
JUMP_S: Final = 5.0
"""By so much a clock jumps."""
_SPEC: Final = re.compile(r"(?P<instrument>[\w-]+):(?P<kind>[\w-]+)@(?P<at>\d+)(?P<lasting>\+?)")
_NUMBER: Final = re.compile(r"[-+]?\d+(\.\d+)?([eE][-+]?\d+)?")
_SWITCHES_OFF: Final = re.compile(r"(?i):?(outp\S* (off|0)|rout\S*:open\b.*|(sour\S*:)?volt\S* 0(\.0*)?|\*rst)")


class MischiefError(ValueError):
    """A mischief that there is not; the text says which there are."""


@dataclass(frozen=True, slots=True)
class Mischief:
    """One piece of mischief."""

    instrument: str
    kind: str
    at: int
    """The first line at which it is done, from 1."""
    lasting: bool = False

    @classmethod
    def parse(cls, text: str) -> Mischief:
        """From ``INSTRUMENT:KIND@N`` or ``INSTRUMENT:KIND@N+``. Raises MischiefError."""
        match = _SPEC.fullmatch(text)
        if match is None:
            raise MischiefError(f"{text!r}: write INSTRUMENT:KIND@N, or N+ for good, such as power-meter:lost-reply@12")
        if match["kind"] not in DEEDS:
            raise MischiefError(f"{match['kind']!r}: there is no such mischief; there are {', '.join(DEEDS)}")
        return cls(match["instrument"], match["kind"], max(1, int(match["at"])), bool(match["lasting"]))

    def __str__(self) -> str:
        return f"{self.instrument}:{self.kind}@{self.at}{'+' if self.lasting else ''}"

    def is_due(self, number: int) -> bool:
        """Whether it is done at a line."""
        return number == self.at or (self.lasting and number > self.at)


@dataclass(frozen=True, slots=True)
class Reaction:
    """What the client gets: bytes, perhaps none; and whether the connection goes."""

    sends: bytes = b""
    hangs_up: bool = False


@dataclass(slots=True)
class Told:
    """One line as an instrument was told it, and what it could do about it."""

    line: str
    execute: Callable[[str], str | None]
    flood: Callable[[], None]
    """Fill the error queue."""
    before: dict[str, str]
    """The first reply to each question so far."""

    def reply(self) -> str | None:
        """What an honest instrument does and says."""
        return self.execute(self.line)


Deed = Callable[[Told], Reaction]


def plain(reply: str | None) -> Reaction:
    """A reply as it is sent."""
    return Reaction() if reply is None else Reaction(reply.encode("latin-1") + b"\n")


def _numbers(change: Callable[[str], str]) -> Deed:
    """A deed that changes each number of a reply, and leaves other replies alone."""

    def deed(told: Told) -> Reaction:
        reply = told.reply()
        if reply is None:
            return Reaction()
        parts = (change(part) if _NUMBER.fullmatch(part) else part for part in reply.split(";"))
        return plain(";".join(parts))

    return deed


def _late(told: Told) -> Reaction:
    reaction = plain(told.reply())
    time.sleep(LATE_S)
    return reaction


def _lost(told: Told) -> Reaction:
    told.reply()
    return Reaction()


def _half(told: Told) -> Reaction:
    sends = plain(told.reply()).sends
    return Reaction(sends[: len(sends) // 2])


def _garbage(told: Told) -> Reaction:
    return Reaction() if told.reply() is None else Reaction(b"\x02\xff\x00~}\xc3\n")


def _another(told: Told) -> Reaction:
    reply = told.reply()
    other = [said for line, said in told.before.items() if line != told.line]
    return plain(reply if reply is None or not other else other[-1])


def _stuck(told: Told) -> Reaction:
    reply = told.reply()
    return plain(None if reply is None else told.before.get(told.line, reply))


def _flooded(told: Told) -> Reaction:
    told.flood()
    return plain(told.reply())


def _ignored(told: Told) -> Reaction:
    """Commands do nothing; what is asked is answered."""
    asked = ";".join(part for part in told.line.split(";") if "?" in part)
    return plain(told.execute(asked)) if asked else Reaction()


def _stays_on(told: Told) -> Reaction:
    """Whatever would switch off does nothing."""
    rest = ";".join(part for part in told.line.split(";") if not _SWITCHES_OFF.match(part.strip()))
    return plain(told.execute(rest)) if rest else Reaction()


DEEDS: Final[dict[str, Deed]] = {
    "late": _late,
    "lost-reply": _lost,
    "half-line": _half,
    "garbage": _garbage,
    "reply-to-another": _another,
    "stuck-reading": _stuck,
    "not-a-number": _numbers(lambda _: "9.91E+37"),
    "infinity": _numbers(lambda _: "inf"),
    "over-range": _numbers(lambda _: "9.9E+37"),
    "wrong-sign": _numbers(lambda number: number[1:] if number.startswith("-") else f"-{number}"),
    "wrong-mode": _numbers(lambda _: "0.000000E+00"),
    "disconnect": lambda told: Reaction(hangs_up=True),
    "errors-queued": _flooded,
    "ignored": _ignored,
    "stays-on": _stays_on,
    "clock-jump": _numbers(lambda number: repr(float(number) + JUMP_S)),
}
"""Each kind. A meter in the wrong mode reads zero; a lasting disconnect refuses every client from then on."""


@dataclass(slots=True)
class Mischiefs:
    """One instrument's, counting the lines that it is told."""

    planned: tuple[Mischief, ...] = ()
    told: int = 0
    done: int = 0
    _before: dict[str, str] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def of(cls, instrument: str, planned: Iterable[Mischief]) -> Mischiefs:
        """Those planned for one instrument."""
        return cls(tuple(mischief for mischief in planned if mischief.instrument == instrument))

    def react(self, line: str, execute: Callable[[str], str | None], flood: Callable[[], None]) -> Reaction:
        """What the instrument does with a line."""
        with self._lock:
            self.told += 1
            due = [mischief for mischief in self.planned if mischief.is_due(self.told)]
            self.done += len(due)
        if due:
            return DEEDS[due[0].kind](Told(line, execute, flood, self._before))
        reply = execute(line)
        if reply is not None:
            self._before.setdefault(line, reply)
        return plain(reply)

    @property
    def refuses(self) -> bool:
        """Whether no client is let in any more."""
        return any(m.kind == "disconnect" and m.lasting and self.told >= m.at for m in self.planned)
