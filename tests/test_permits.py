"""The pre-power checks, and the one table of all that is watched."""

from __future__ import annotations

import re
import runpy
import sys
from pathlib import Path
from unittest import mock

import pytest

from rampguard.cautions import PRE_POWER_CHECKS
from rampguard.engine.live import standing
from rampguard.engine.permits import OverrideError, Permits, confirmed_by_a_person
from rampguard.guard import case, interlock, watched
from rampguard.guard.interlock import Event, Interlock, State
from rampguard.guard.permissives import Permissive, Standing, blocking, interlock_event
from rampguard.guard.watched import BY_KEY, GO_ON_HOLDING, PERSONS, PROGRAMS, REQUIRED, TABLE, Override

ROOT = Path(__file__).resolve().parent.parent
SAFE = Interlock(State.SAFE)
ALL_HOLD = dict.fromkeys(REQUIRED, Permissive(Standing.HOLDS))


class Onlooker:
    """Hears what the engine tells."""

    def __init__(self) -> None:
        self.heard: list[dict[str, str]] = []

    def tell(self, event: str, **details: str) -> None:
        self.heard.append({"event": event, **details})


def permits(how: str = "by flag", **overrides: str) -> Permits:
    given = {key.replace("_", "-"): reason for key, reason in overrides.items()}
    return Permits(Onlooker(), confirmed_by_a_person(how, given))  # type: ignore[arg-type]


# -- standing ---------------------------------------------------------------------------------------------------------


def test_all_that_holds_arms() -> None:
    assert interlock_event(REQUIRED, ALL_HOLD) == (Event.PERMISSIVES_HOLD, "")


@pytest.mark.parametrize("key", REQUIRED)
@pytest.mark.parametrize("standing", [Standing.FAILS, Standing.NOT_EVALUATED, None])
def test_each_check_blocks_alone(key: str, standing: Standing | None) -> None:
    stands = {**ALL_HOLD, key: Permissive(standing, "because")} if standing else {**ALL_HOLD}
    if standing is None:
        del stands[key]  # never looked at
    event, cause = interlock_event(REQUIRED, stands)
    assert event is Event.PERMISSIVE_LOST
    assert cause == ("because" if standing else f"{key}: not-evaluated")
    assert [found for found, _ in blocking(REQUIRED, stands)] == [key]
    assert interlock.step(SAFE, event, cause).state is State.SAFE


def test_the_first_that_does_not_hold_is_the_cause() -> None:
    stands = {**ALL_HOLD, "meters": Permissive(Standing.FAILS, "silent"), "capture": Permissive(Standing.FAILS, "full")}
    assert interlock_event(REQUIRED, stands) == (Event.PERMISSIVE_LOST, "silent")


def test_an_override_lets_pass() -> None:
    stands = {**ALL_HOLD, "insulation": Permissive(Standing.OVERRIDDEN, "measured last week")}
    assert interlock_event(REQUIRED, stands)[0] is Event.PERMISSIVES_HOLD


# -- what a person says -----------------------------------------------------------------------------------------------


def test_a_person_confirms_all_and_overrides_with_a_reason() -> None:
    stands = confirmed_by_a_person("at the terminal", {"earth-continuity": "double insulated"})
    assert set(stands) == {row.key for row in PERSONS}
    assert stands["earth-continuity"] == Permissive(Standing.OVERRIDDEN, "double insulated")
    assert stands["isolation"] == Permissive(Standing.HOLDS, "at the terminal")


def test_what_nobody_confirmed_is_not_evaluated() -> None:
    stands = confirmed_by_a_person("", {"insulation": "new"})
    assert stands["isolation"].standing is Standing.NOT_EVALUATED
    assert stands["insulation"].standing is Standing.OVERRIDDEN


@pytest.mark.parametrize("row", [row for row in TABLE if row.override is Override.NOBODY], ids=lambda row: row.key)
def test_what_nobody_may_override_is_refused(row: object) -> None:
    with pytest.raises(OverrideError, match="nobody may override it"):
        confirmed_by_a_person("by flag", {row.key: "in a hurry"})  # type: ignore[attr-defined]


@pytest.mark.parametrize(("given", "says"), [({"earht": "x"}, "no such check"), ({"insulation": " "}, "say why")])
def test_an_override_that_cannot_be_is_refused(given: dict[str, str], says: str) -> None:
    with pytest.raises(OverrideError, match=says):
        confirmed_by_a_person("by flag", given)


# -- what the program finds -------------------------------------------------------------------------------------------


def test_it_arms_once_everything_was_found_to_hold() -> None:
    checks = permits()
    assert checks.arm(SAFE)[0].state is State.SAFE
    for row in PROGRAMS:
        with checks.making(row.key):
            pass
    after, why_not = checks.arm(SAFE)
    assert (after.state, why_not) == (State.ARMED, "")
    assert checks.overridden == {}


def test_what_is_lacking_is_named_with_what_it_is() -> None:
    checks = permits(how="", second_person="my neighbour is out; he looks in every hour")
    for row in PROGRAMS[:-1]:
        checks.holds(row.key)
    _, why_not = checks.arm(SAFE)
    assert "isolation (isolation transformer and fuse feed the unit: not-evaluated)" in why_not
    assert "capture" in why_not
    assert "second-person" not in why_not
    assert list(checks.overridden) == ["second-person"]


def test_a_check_that_raises_fails_and_is_told() -> None:
    checks = permits()
    with pytest.raises(RuntimeError), checks.making("meters", "line-dead"):
        raise RuntimeError("the meter says nothing")
    assert checks.standing["meters"] == Permissive(Standing.FAILS, "the meter says nothing")
    assert "line-dead" not in checks.standing
    told = checks._operator.heard[-1]  # type: ignore[attr-defined]
    assert told == {"event": "permissive", "check": "meters", "standing": "fails", "said": "the meter says nothing"}


# -- the table --------------------------------------------------------------------------------------------------------


def test_every_row_is_whole_and_every_key_once() -> None:
    assert len(BY_KEY) == len(TABLE)
    for row in TABLE:
        assert all((row.key, row.what, row.limit, row.trips, row.clears, row.recorded)), row


def test_the_questions_are_the_checks_of_a_person() -> None:
    assert [check.key for check in PRE_POWER_CHECKS] == [row.key for row in PERSONS]


def test_the_loop_watches_all_that_must_go_on_holding() -> None:
    parts = mock.MagicMock(lock_step=False)
    parts.supply.trouble.return_value = parts.capture.failure = ""
    for asked in (parts.guardian.trouble, parts.operator.lost, parts.sleep.slept):
        asked.return_value = ""
    assert list(standing(parts, 0.01)) == list(GO_ON_HOLDING)
    assert blocking(GO_ON_HOLDING, standing(parts, 0.01)) == ()
    parts.supply.trouble.return_value = "the source does not take its set-point"
    assert [key for key, _ in blocking(GO_ON_HOLDING, standing(parts, 0.5))] == ["engine", "set-point"]


def test_every_finding_of_the_guard_is_a_row() -> None:
    called = re.compile(r"(?:trip|warn|not_evaluated)\(\s*(\"[a-z-]+\"|[A-Z_]+)\s*,|Layer\.EVIDENCE,\s*(\"[a-z-]+\"),")
    names = set()
    for file in (ROOT / "src" / "rampguard" / "guard").glob("*.py"):
        for found in called.findall(file.read_text(encoding="utf-8")):
            name = found[0] or found[1]
            names.add(name.strip('"') if name.startswith('"') else getattr(case, name))
    assert names >= {"ceiling", "stale", "evidence", "no-current", "inrush"}
    assert names <= set(BY_KEY), names - set(BY_KEY)


def test_the_page_has_the_table() -> None:
    sys.path.insert(0, str(ROOT / "docs"))
    from make_interlock_table import BEGIN, END, table

    made_anew = runpy.run_path(watched.__file__, run_name=watched.__name__)["TABLE"]
    page = (ROOT / "docs" / "interlock.md").read_text(encoding="utf-8")
    assert page.split(BEGIN)[1].split(END)[0] == f"\n\n{table(made_anew)}\n"
