"""Every error the hand-back raises.

::

    HandBackError
    +-- NotReady     the job lacks what a sheet must say: a line a missing thing
"""

from __future__ import annotations

from collections.abc import Sequence


class HandBackError(Exception):
    """No sheet was written; the text says why, and what to do."""


class NotReady(HandBackError):  # noqa: N818 - what happened
    """The job lacks what a sheet must say."""

    def __init__(self, folder: str, missing: Sequence[str]) -> None:
        self.folder = folder
        self.missing = tuple(missing)
        super().__init__("\n".join(f"{folder}: {line}" for line in missing))
