"""Begins a job: what the flags say, and at a terminal the rest by questions."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from rampguard.job.errors import JobError
from rampguard.job.fresh import Intake, fresh_job
from rampguard.job.model import JOB_NAME, Job, parse_job
from rampguard.job.writing import begin_job
from rampguard.job_desk.asking import Ask, Say, answers
from rampguard.job_desk.questions import Prompt
from rampguard.job_desk.typed import mains, names, number
from rampguard.loads.classes import LOAD_CLASSES

_CHOICES: Final = "\n".join(f"  {number}. {name}" for number, name in enumerate(LOAD_CLASSES, 1))


def _load_class(text: str) -> str:
    names_ = list(LOAD_CLASSES)
    return names_[int(text) - 1] if text.isdigit() and 1 <= int(text) <= len(names_) else text


_PROMPTS: Final = (
    Prompt("title", "what is it, such as shelf amplifier, 2 x 60 W", needed=True),
    Prompt("load_class", f"load class:\n{_CHOICES}\nnumber or name", _load_class, needed=True),
    Prompt("nameplate_w", "watts on its nameplate", number, needed=True),
    Prompt("mains", "mains that it is run on here, such as 230/50", mains, needed=True),
    Prompt("channels", "channels, such as left,right", names),
    Prompt("serial", "serial number, as on its plate"),
    Prompt("complaint", "what does the customer say is wrong?"),
)
_NUMBER: Final = Prompt("number", "the job's number, such as 2026-014", needed=True)


def begin(folder: Path, given: Mapping[str, Any], ask: Ask | None, say: Say, today: dt.date) -> Job:
    """Write a fresh job.toml; ``ask`` is None where nobody sits at a terminal. Raises JobError, Stopped.

    ``given`` is what the flags say, by name; the job's number is the folder's name where that can be one.
    """
    path = folder / JOB_NAME
    if path.exists():
        raise JobError(str(path), ["is there already; nothing was written. Choose another folder"])
    known = {key: value for key, value in given.items() if value is not None}
    if "number" not in known and re.fullmatch(r"[^\W_][\w-]*", folder.resolve().name):
        known["number"] = folder.resolve().name
    known.setdefault("opened", today)
    open_ends = [prompt for prompt in (_NUMBER, *_PROMPTS) if prompt.key not in known]
    if ask is None:
        lacking = [f"{prompt.key}: give --{prompt.key.replace('_', '-')}" for prompt in open_ends if prompt.needed]
        if lacking:
            raise JobError(str(path), [f"{line}, or begin it at a terminal" for line in lacking])
    else:
        for prompt in open_ends:
            known |= _answered(prompt, ask, say, today)
    return begin_job(folder, fresh_job(Intake(**known)))


def _answered(prompt: Prompt, ask: Ask, say: Say, today: dt.date) -> dict[str, Any]:
    """One answer, checked on the spot, as if all else were answered well."""
    well = Intake(number="1", opened=today, title="x", load_class="heater", nameplate_w=1.0, mains=(230.0, 50.0))
    while True:
        said = answers((prompt,), ask, say)
        try:
            parse_job(fresh_job(replace(well, **said)), JOB_NAME)
        except JobError as error:
            say("\n".join(f"   {problem}" for problem in error.problems))
        else:
            return said
