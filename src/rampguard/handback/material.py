"""What a sheet is made of, read from the job folder: job, runs, pictures, and on demand whose unit it is."""

from __future__ import annotations

import datetime as dt
import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from rampguard.handback.runs import Runs, runs_of
from rampguard.job.model import Job, read_job
from rampguard.job.private import Private, read_private

LONGEST_SIDE_PX: Final = 1400
"""Pictures are made no larger: more is not seen on A4."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for."""

    language: str = "en"
    with_customer: bool = False
    with_price: bool = False


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture as it goes into the sheet."""

    data: bytes
    ending: Literal["png", "jpeg"]


@dataclass(frozen=True, slots=True)
class Material:
    """All that a sheet may tell of."""

    job: Job
    runs: Runs
    pictures: Mapping[str, Shown]
    """By their file's name in job.toml."""
    bad_pictures: tuple[str, ...]
    """What is wrong with the others, a line each."""
    private: Private | None
    """None unless it was asked for."""
    wanted: Wanted

    @property
    def dated(self) -> dt.date:
        """The sheet's date: when the job was closed, else the newest date in it."""
        job = self.job
        known = [job.opened, *(entry.date for entry in job.work), *(entry.date for entry in job.check if entry.date)]
        return job.closed or max(known)


def gather(folder: Path, wanted: Wanted) -> Material:
    """Read a job folder. Raises JobError; captures and pictures that cannot be read are told, not raised."""
    job = read_job(folder)
    private = read_private(folder) if wanted.with_customer else None
    pictures, bad = {}, []
    for entry in job.picture:
        try:
            pictures[entry.file] = as_shown(folder / entry.file)
        except (OSError, ValueError, SyntaxError, Warning) as error:
            said = getattr(error, "strerror", None) or str(error) or "it is no picture"
            bad.append(f"[[picture]]: {entry.file} cannot be shown ({said}); use a PNG or JPEG that is there")
    return Material(job, runs_of(folder, job), pictures, tuple(bad), private, wanted)


def as_shown(path: Path) -> Shown:
    """A PNG or JPEG, upright, no larger than wanted, and without what cameras write beside it (places, names).

    Raises OSError, ValueError, SyntaxError or a Warning for a file that is no such picture, or far too large a one.
    """
    from PIL import Image, ImageOps

    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a picture of a billion pixels is a warning only
        with Image.open(path, formats=("PNG", "JPEG")) as opened:
            is_png = opened.format == "PNG"
            upright = ImageOps.exif_transpose(opened)
            picture = upright.convert("RGBA" if is_png and "A" in upright.getbands() else "RGB")
    picture.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    bare = Image.new(picture.mode, picture.size)
    bare.paste(picture)
    out = io.BytesIO()
    if is_png:
        bare.save(out, "PNG", optimize=True)
    else:
        bare.save(out, "JPEG", quality=85)
    return Shown(out.getvalue(), "png" if is_png else "jpeg")
