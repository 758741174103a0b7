"""private.toml: whose unit it is. Apart from the job, so that a job can be shown; only `read_private` opens it."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

from instruments.strict import Strict, load_strict
from rampguard.job.errors import JobError
from rampguard.job.texts import Line, Said

PRIVATE_NAME: Final = "private.toml"


class Private(Strict):
    """The customer. Nothing of it has to be there."""

    format: Literal[1]
    name: Line | None = None
    contact: Line | None = None
    address: Said | None = None


def read_private(folder: Path) -> Private | None:
    """What is known of the customer; None where there is no such file. Raises JobError.

    Call it only where somebody asked for it by a flag of its own.
    """
    path = folder / PRIVATE_NAME
    return load_strict(path, Private, JobError) if path.exists() else None
