"""The pre-power checks of one run: what a person confirmed or overrode, and what the program finds, one by one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from rampguard.engine.operator import Operator
from rampguard.guard.interlock import Interlock, State, step
from rampguard.guard.permissives import Permissive, Standing, blocking, interlock_event
from rampguard.guard.watched import BY_KEY, PERSONS, REQUIRED, Override


class OverrideError(ValueError):
    """An override that cannot be; the text says why."""


def confirmed_by_a_person(
    how: str, overrides: Mapping[str, str], answers: Mapping[str, Permissive] | None = None
) -> dict[str, Permissive]:
    """How the checks stand that a person makes: confirmed, as ``how`` says, or overridden, each with its reason.

    ``answers`` are those that a cold sheet answers: it goes before a person's word, and an override before it.
    An empty ``how`` leaves them not evaluated. Raises OverrideError for a check that there is not, one that nobody
    may override, or an override without a reason.
    """
    for key, reason in overrides.items():
        row = BY_KEY.get(key)
        may_be = [person.key for person in PERSONS if person.override is Override.OPERATOR]
        if row is None or row.override is not Override.OPERATOR:
            what = "nobody may override it" if row else "there is no such check"
            raise OverrideError(f"override of {key!r}: {what}; those that may be overridden are {', '.join(may_be)}")
        if not reason.strip():
            raise OverrideError(f"override of {key!r}: say why, as {key}=REASON")
    held = Permissive(Standing.HOLDS, how) if how else Permissive()
    overridden = {key: Permissive(Standing.OVERRIDDEN, reason) for key, reason in overrides.items()}
    return {row.key: held for row in PERSONS} | dict(answers or {}) | overridden


class Permits:
    """All that must hold before anything is energised, as it becomes known."""

    def __init__(self, operator: Operator, by_a_person: Mapping[str, Permissive]) -> None:
        self._operator = operator
        self.standing: dict[str, Permissive] = {}
        for key, permissive in by_a_person.items():
            self._stands(key, permissive)

    def _stands(self, key: str, permissive: Permissive) -> None:
        self.standing[key] = permissive
        self._operator.tell("permissive", check=key, standing=str(permissive.standing), said=permissive.said)

    def holds(self, key: str, said: str = "") -> None:
        """A check was made, and holds."""
        self._stands(key, Permissive(Standing.HOLDS, said))

    @contextmanager
    def making(self, *keys: str) -> Iterator[None]:
        """Checks that hold unless what is within raises."""
        try:
            yield
        except Exception as error:
            self._stands(keys[0], Permissive(Standing.FAILS, str(error)))
            raise
        for key in keys:
            self.holds(key)

    @property
    def overridden(self) -> dict[str, str]:
        """What the operator overrode, with the reason of each."""
        return {key: p.said for key, p in self.standing.items() if p.standing is Standing.OVERRIDDEN}

    def arm(self, interlock: Interlock) -> tuple[Interlock, str]:
        """The interlock once the checks were put to it; and why it is not armed, empty if it is."""
        event, cause = interlock_event(REQUIRED, self.standing)
        after = step(interlock, event, cause)
        if after.state is State.ARMED:
            return after, ""
        lacking = (f"{key} ({BY_KEY[key].what}: {p.standing})" for key, p in blocking(REQUIRED, self.standing))
        return after, f"not armed, for want of {', '.join(lacking)}"
