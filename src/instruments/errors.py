"""Every error the instrument layer raises.

::

    InstrumentError
    +-- BenchFileError      a bench file or dialect file that cannot be used: names file, key and remedy
    +-- LinkError           an instrument that cannot be reached or believed; its session has been discarded
        +-- LinkLost        refused, reset, closed, no such address
        +-- LinkTimeout     no answer before the deadline
        +-- BadReply        an answer, but not one that can be an answer to this question
        +-- WrongInstrument it answered ``*IDN?`` as something else
    +-- CommandRefused      the instrument's error queue reported errors after a command

A reading that is over range or invalid is no exception: it is a `Reading` that says so.
"""

from __future__ import annotations

from pathlib import Path


class InstrumentError(Exception):
    """Any failure of the instrument layer."""


class BenchFileError(InstrumentError):
    """A bench file or dialect that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, path: Path | str, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


class LinkError(InstrumentError):
    """An instrument that cannot be reached or believed; its session has been discarded."""


class LinkLost(LinkError):  # noqa: N818 - a state of the link, read as one
    """The connection was refused, reset or closed, or there is no such address."""


class LinkTimeout(LinkError):  # noqa: N818
    """No answer before the deadline."""


class BadReply(LinkError):  # noqa: N818
    """An answer that cannot belong to the question."""


class WrongInstrument(LinkError):  # noqa: N818
    """The instrument at this address identified itself as something else."""


class CommandRefused(InstrumentError):  # noqa: N818
    """The instrument reported errors after a command."""
