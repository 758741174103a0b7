"""`rampguard learn`: reads, learns, writes, and says what it came to. 0: written; 2: refused, nothing written."""

from __future__ import annotations

import json
import sys
import textwrap
import tomllib
from collections.abc import Sequence
from pathlib import Path

from rampguard.archive.descriptor import write_atomically
from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import read_descriptor
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.learning.learn import learn
from rampguard.learning.story import WIDTH, story_of
from rampguard.learnt.file import LearntError, text_of
from rampguard.learnt.whose import Named, whose


def learned(captures: Sequence[str], out: Path, model: str | None, *, as_json: bool) -> int:
    """Learn, and write what was learnt."""
    try:
        _check_out(out)
        learnt = learn(captures, model or "", done=_say)
        write_atomically(out, text_of(learnt).encode())
    except ArchiveError as error:
        return _refused(str(error), as_json=as_json)
    except OSError as error:
        return _refused(f"{out}: cannot be written ({error.strerror}); name another", as_json=as_json)
    for line in _untold(captures):
        _say(line)
    if as_json:
        print(json.dumps(learnt.as_message() | {"outcome": "learnt", "file": str(out)}), flush=True)
    else:
        print(f"{story_of(learnt)}\nwritten: {out}", flush=True)
    return EXIT_DONE


def _check_out(out: Path) -> None:
    """What is there already may only be a learnt band, perhaps an older program's. Raises LearntError."""
    if out.exists() and not _looks_learnt(out):
        raise LearntError(str(out), ["is there, and is no learnt band; name another file"])


def _looks_learnt(path: Path) -> bool:
    try:
        return {"format", "load_class", "unit", "parameter"} <= set(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return False


def _refused(text: str, *, as_json: bool) -> int:
    _say(text)
    if as_json:
        print(json.dumps({"format": 1, "outcome": "refused", "problems": text.splitlines()}), flush=True)
    return EXIT_BAD_INPUT


def _untold(captures: Sequence[str]) -> list[str]:
    """Which captures nothing told apart, and how to."""
    given = [Named.of(capture) for capture in captures]
    owners = [(named.folder, whose(named, read_descriptor(named.folder))) for named in given]
    untold = [folder for folder, owner in owners if not owner.told]
    if len(untold) < 2:
        return []
    return textwrap.wrap(
        f"nothing says which units these {len(untold)} captures are of, so that those of one title count as one unit:"
        " keep captures in job folders, or name their units, such as second="
        f"{untold[1]}",
        WIDTH,
        break_long_words=False,
        break_on_hyphens=False,  # a path is to be copied
    )


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
