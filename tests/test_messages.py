"""The messages of the link: models, schemas, and what a real engine says."""

from __future__ import annotations

import io
import json
import queue
import sys
import time
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from rampguard.demo import OnTheBench, SimulatedBench
from rampguard.engine.lines import LineWriter, decode
from rampguard.engine.link import ORDERS, EngineProcess, RunOrder
from rampguard.engine.messages import Alive, NoSuchMessage, Note, Off, command_in, event_in, schemas
from rampguard.engine.operator import Operator

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "docs"))

from make_link_page import all_schemas, messages  # noqa: E402 - the path comes first


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """All that an engine says of a shorted unit, with a note and a command that there is not."""
    heard: list[dict[str, Any]] = []
    with SimulatedBench(OnTheBench("shorted-output", 1)) as bench_file:
        into = tmp_path_factory.mktemp("captures")
        engine = EngineProcess(RunOrder(bench=str(bench_file), into=str(into), permissives_confirmed="simulated bench"))
        engine.command("note", text="left channel was dead")
        engine.command("dance")
        last_s = time.monotonic()
        while True:
            if time.monotonic() - last_s > 0.1:
                engine.command("alive")
                last_s = time.monotonic()
            try:
                event = engine.events.get(timeout=0.05)
            except queue.Empty:
                continue
            if event is None:
                break
            heard.append(event)
        assert engine.wait(10.0) == 3
        engine.close()
    return heard


def test_all_that_an_engine_says_is_in_the_models_and_the_schema(said: list[dict[str, Any]]) -> None:
    validator = jsonschema.Draft202012Validator(schemas()["event"])
    for event in said:
        event_in(event)
        assert list(validator.iter_errors(event)) == []
    told = [event["event"] for event in said]
    assert {"permissive", "live", "stage", "readings", "notice", "trip", "finished"} <= set(told)
    assert told[-1] == "finished"
    checks = [event["check"] for event in said if event["event"] == "permissive"]
    assert checks[0] == "isolation"
    assert {"proven-off", "watchdog", "awake"} <= set(checks)


def test_a_note_is_kept_and_a_command_that_there_is_not_is_said_to_be_none(said: list[dict[str, Any]]) -> None:
    notices = {event["kind"]: event["text"] for event in said if event["event"] == "notice"}
    assert notices["note"] == "left channel was dead"
    assert "a command was not understood, and nothing was done" in notices["link"]
    capture = Path(said[-1]["capture"])
    assert "note,left channel was dead" in (capture / "events.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ({"command": "dance"}, "does not match any of the expected tags"),
        ({"command": "alive", "loudly": True}, "Extra inputs are not permitted"),
        ({"command": "note"}, "Field required"),
        ({"command": "note", "text": 3}, "valid string"),
        ({"format": 2, "command": "alive"}, "Input should be 1"),
        ({}, "Unable to extract tag"),
    ],
)
def test_what_is_no_command(message: dict[str, Any], says: str) -> None:
    with pytest.raises(NoSuchMessage, match=says):
        command_in(message)


def test_commands_are_taken() -> None:
    assert command_in({"command": "alive"}) == Alive()
    assert command_in({"command": "off", "reason": "smoke"}) == Off(reason="smoke")
    assert command_in({"command": "note", "text": "x"}) == Note(text="x")


@pytest.mark.parametrize("more", [{}, {"reason": 3}, {"resaon": "smoke"}, {"format": 7}])
def test_off_is_obeyed_whatever_else_is_wrong_with_it(more: dict[str, Any]) -> None:
    inbox: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
    operator = Operator(inbox, LineWriter(io.BytesIO()))
    inbox.put({"command": "off", **more})
    operator.poll()
    assert operator.off_reason


@pytest.mark.parametrize(
    ("change", "says"),
    [({"nameplate_w": "300 W"}, "nameplate_w"), ({"guard": "off"}, "guard"), ({"facts": {"va": "x"}}, r"facts\.va")],
)
def test_an_order_with_something_wrong_is_none(change: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        RunOrder.from_message({"order": {"bench": "b", "into": "c", **change}})
    with pytest.raises(ValueError, match="must be a run order"):
        RunOrder.from_message({})


def test_a_number_that_is_none_is_refused_before_it_is_a_message() -> None:
    with pytest.raises(ValueError, match="JSON"):
        json.dumps({"x": float("nan")}, allow_nan=False)
    with pytest.raises(ValueError, match="finite"):
        RunOrder.from_message({"order": {"bench": "b", "into": "c", "nameplate_w": float("nan")}})


def test_pages_and_schemas_are_those_of_the_code() -> None:
    assert messages() in (ROOT / "docs" / "link.md").read_text(encoding="utf-8")
    kept = json.loads((ROOT / "docs" / "link-schemas.json").read_text(encoding="utf-8"))
    assert set(kept) == {"order", "command", "event"}
    assert set(kept["order"]["properties"]) == set(ORDERS.json_schema()["properties"])
    for name in ("command", "event"):
        assert set(kept[name]["$defs"]) == set(all_schemas()[name]["$defs"])
        jsonschema.Draft202012Validator.check_schema(kept[name])


def test_the_format_is_in_every_line() -> None:
    assert decode(b'{"format": 1, "command": "alive"}') == {"format": 1, "command": "alive"}
