"""What every file of ours is read by: strictly, with every problem told at once, each naming its key."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


class Strict(BaseModel):
    """Base of everything read from a file: no unknown keys, no conversions, no infinities."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


S = TypeVar("S", bound=Strict)


def load_strict(path: Path, model: type[S], refused: Callable[[str, list[str]], Exception]) -> S:
    """Read a TOML file. Raises what ``refused`` makes of the file's name and its problems, a line each."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise refused(str(path), [f"cannot be read ({error.strerror}); check the path"]) from None
    except UnicodeDecodeError as error:
        raise refused(str(path), [f"is not TOML: {error}"]) from None
    return parse_strict(text, str(path), model, refused)


def parse_strict(text: str, origin: str, model: type[S], refused: Callable[[str, list[str]], Exception]) -> S:
    """The same of a text that is called ``origin``."""
    try:
        return model.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise refused(origin, [f"is not TOML: {error}"]) from None
    except ValidationError as error:
        raise refused(origin, [line for problem in explain(error) for line in problem.splitlines()]) from None


def explain(error: ValidationError) -> list[str]:
    """Every problem of a file in one line each: key, what is wrong, what to do."""
    return [_explain_one(problem) for problem in error.errors()]


def _explain_one(problem: Any) -> str:
    where = ".".join(str(part) for part in problem["loc"]) or "file"
    said = str(problem["msg"]).removeprefix("Value error, ")
    kind, found = problem["type"], problem["input"]
    if kind == "extra_forbidden":
        return f"{where}: unknown key; remove it or correct its spelling"
    if kind == "missing":
        return f"{where}: missing; add it"
    if kind == "float_type":
        return f"{where}: {found!r} is not a number; write a plain number (the unit is in the key's name)"
    return f"{where}: {said}" if isinstance(found, dict) else f"{where}: {said} (found {found!r})"
