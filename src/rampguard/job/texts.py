"""The words, dates and paths that a job's files hold: what each may be. Raise ValueError, saying what to write."""

from __future__ import annotations

import datetime as dt
import unicodedata
from pathlib import PurePosixPath
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field


def _printable(text: str) -> str:
    """No control characters: they would act on a terminal, not be read there."""
    bad = next((letter for letter in text if letter not in "\n\t" and unicodedata.category(letter) in ("Cc", "Cs")), "")
    if bad:
        raise ValueError(f"holds the control character {bad!r}; leave it out")
    return text


def _said(text: str) -> str:
    if not text.strip():
        raise ValueError("is blank; write something, or leave the key out")
    return _printable(text)


def _in_one_line(text: str) -> str:
    if "\n" in text:
        raise ValueError("goes over several lines; write it in one")
    return _said(text)


def _inside(text: str) -> str:
    """A path inside the job folder, with / between its parts."""
    parts = PurePosixPath(_in_one_line(text)).parts
    if "\\" in text:
        raise ValueError("write / between folders, on every machine")
    if text.startswith("/") or ":" in text or not parts or ".." in parts:
        raise ValueError("must lie inside the job folder, written relative to it; copy it there")
    return text


def plain(path: str) -> str:
    """A path inside the job folder without ``./`` and a last ``/``: two that are the same are equal so."""
    return PurePosixPath(path).as_posix()


def _dated(value: object) -> object:
    if type(value) is not dt.date:
        raise ValueError("is not a date; write it without quotes and without a time, such as 2026-03-14")
    return value


Line = Annotated[str, Field(max_length=200), AfterValidator(_in_one_line)]
"""A few words in one line."""
Said = Annotated[str, Field(max_length=4000), AfterValidator(_said)]
"""Words that may go over several lines."""
MaySay = Annotated[str, Field(max_length=4000), AfterValidator(_printable)]
"""The same, or nothing yet."""
Day = Annotated[dt.date, BeforeValidator(_dated)]
"""A day, without a time."""
Inside = Annotated[str, Field(max_length=400), AfterValidator(_inside)]
"""A path inside the job folder, relative to it, with / between its parts."""
