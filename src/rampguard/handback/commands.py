"""`rampguard hand-back`: gathers, says what is missing, writes both files whole or not at all."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import write_atomically
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_OUR_ERROR
from rampguard.handback.document import Sheet
from rampguard.handback.errors import HandBackError, NotReady
from rampguard.handback.html import as_html
from rampguard.handback.material import Wanted, gather
from rampguard.handback.missing import missing_of
from rampguard.handback.pdf import as_pdf
from rampguard.handback.told import told
from rampguard.job.errors import JobError

FOLDER: Final = "hand-back"
"""Of the job: the sheets given out."""


@dataclass(frozen=True, slots=True)
class Written:
    """What was written, and what is missing where it is a draft."""

    html: Path
    pdf: Path
    missing: tuple[str, ...]
    draft: bool

    @property
    def as_message(self) -> dict[str, object]:
        """For scripts."""
        return {
            "format": 1,
            "html": str(self.html),
            "pdf": str(self.pdf),
            "draft": self.draft,
            "missing": list(self.missing),
        }


def hand_back(job: Path, out: Path | None, wanted: Wanted, *, draft: bool, as_json: bool) -> int:
    """Write a job's sheet. Returns the exit code; what is missing goes to standard error."""
    try:
        written = write_sheet(job, job / FOLDER if out is None else out, wanted, draft=draft)
    except NotReady as error:
        return _not_ready(error, as_json=as_json)
    except JobError as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    except HandBackError as error:
        print(error, file=sys.stderr)
        return EXIT_OUR_ERROR
    except OSError as error:
        print(f"{error.filename}: cannot be written ({error.strerror}); give another folder by --out", file=sys.stderr)
        return EXIT_BAD_INPUT
    _say(written, as_json=as_json)
    return EXIT_DONE


def write_sheet(folder: Path, out: Path, wanted: Wanted, *, draft: bool) -> Written:
    """Write both files. Raises NotReady, JobError, HandBackError, OSError; what was there before stays."""
    material = gather(folder, wanted)
    missing = missing_of(material.job, material.runs, material.bad_pictures)
    if missing and not draft:
        raise NotReady(str(folder), missing)
    sheet = told(material, draft=draft)
    written = _files(sheet, out, material.job.number)
    return Written(*written, missing, draft)


def _files(sheet: Sheet, out: Path, number: str) -> tuple[Path, Path]:
    """Both are made before either is written, so that an error leaves no half of a pair."""
    html, pdf = as_html(sheet), as_pdf(sheet)
    out.mkdir(parents=True, exist_ok=True)
    paths = out / f"{number}.html", out / f"{number}.pdf"
    for path, data in zip(paths, (html, pdf), strict=True):
        write_atomically(path, data)
    return paths


def _not_ready(error: NotReady, *, as_json: bool) -> int:
    if as_json:
        print(json.dumps({"format": 1, "html": None, "pdf": None, "draft": False, "missing": list(error.missing)}))
    print(f"{error.folder} is not ready to hand back. What is missing:", file=sys.stderr)
    _list(error.missing)
    print("To see the sheet all the same: --draft (every page says that it is one)", file=sys.stderr)
    return EXIT_BAD_INPUT


def _say(written: Written, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(written.as_message))
        return
    if written.missing:
        print("A draft only. What is missing:", file=sys.stderr)
        _list(written.missing)
    for path in (written.html, written.pdf):
        print(f"{'draft' if written.draft else 'sheet'}: {path}")


def _list(lines: Sequence[str]) -> None:
    for line in lines:
        print(textwrap.fill(line, 80, initial_indent="  - ", subsequent_indent="    "), file=sys.stderr)
