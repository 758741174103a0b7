"""Every key, in every stage and dialog, on the screen without a terminal: off is off from anywhere, at once."""

from __future__ import annotations

import asyncio
import queue
import time
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from textual.events import Key
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from rampguard.cautions import PRE_POWER_CHECKS
from rampguard.engine.link import RunOrder
from rampguard.guard.watched import BY_KEY, Override
from rampguard.screen import app as app_module
from rampguard.screen.app import Screen
from rampguard.screen.chooser import CHANCE, CHOICES, Chooser
from rampguard.screen.shown import asked_checks
from rampguard.screen.ui import Ui
from screen_help import advice, finished, live, moments, readings

Act = Callable[[Pilot[int], Screen, "Engine"], Awaitable[None]]


class Engine:
    """Stands in for the engine: says what it is told to, and keeps what it hears."""

    made: Engine | None = None

    def __init__(self, order: RunOrder) -> None:
        self.order = order
        self.events: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        self.commands: list[dict[str, Any]] = []
        self.ended = self.closed = False
        self.code = 3
        Engine.made = self

    def command(self, name: str, **details: Any) -> None:
        self.commands.append({"command": name, **details})

    def wait(self, timeout_s: float) -> int:
        return self.code

    def end(self) -> None:
        self.ended = True

    def close(self) -> None:
        self.closed = True

    def said(self) -> list[dict[str, Any]]:
        """All but that the screen is there."""
        return [command for command in self.commands if command["command"] != "alive"]


@pytest.fixture(autouse=True)
def _engine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app_module, "EngineProcess", Engine)


def played(events: list[dict[str, Any]], act: Act, ui: Ui | None = None) -> tuple[Screen, Engine | None]:
    """The screen, having heard these events, while something is done to it."""

    def ordered(confirmed: dict[str, str]) -> RunOrder:
        return RunOrder(bench="bench.toml", into="captures", overrides=dict(confirmed))

    screen = Screen(ordered, ui or Ui())
    Engine.made = None

    async def play() -> None:
        async with screen.run_test(size=(80, 24)) as pilot:
            engine = Engine.made
            if engine is not None:
                for event in events:
                    engine.events.put(event)
            screen._tick()
            await pilot.pause()
            await act(pilot, screen, engine)  # type: ignore[arg-type]

    asyncio.run(play())
    return screen, Engine.made


def pressing(*keys: str) -> Act:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        await pilot.press(*keys)
        await pilot.pause()

    return act


LIVE = [
    "just live",
    "power-up",
    "warned",
    "paused",
    "press power",
    "going off",
    "cut",
    "warm-up",
    "adjust",
    "soak",
]


@pytest.mark.parametrize("key", ["space", "escape", "ctrl+c", "ctrl+q"])
@pytest.mark.parametrize("moment", LIVE)
def test_off_is_one_key_from_anywhere(moment: str, key: str) -> None:
    _, engine = played(moments()[moment], pressing(key))
    assert engine is not None
    assert [command["command"] for command in engine.said()] == ["off"]


@pytest.mark.parametrize("opened_by", ["n", "t"])
def test_off_from_a_line_that_is_being_typed_and_a_space_in_it_is_a_space(opened_by: str) -> None:
    _, engine = played(moments()["warm-up"], pressing(opened_by, "a", "space", "b", "escape"))
    assert engine is not None
    assert [command["command"] for command in engine.said()] == ["off"]


def test_off_from_an_instruments_question() -> None:
    asked = {"event": "asked", "instrument": "voltmeter", "what": "line voltage, V", "why": ""}
    screen, engine = played([*moments()["power-up"], asked], pressing("2", "3", "escape"))
    assert engine is not None
    assert engine.said()[-1]["command"] == "off"
    assert screen.view.rings == 1


PACE = {"p": "pause", "r": "resume", "right": "step", "left": "back"}
TOUCH = {"d": "let-go", "l": "lid", "g": "go-on"}


@pytest.mark.parametrize("moment", [*LIVE, "tripped", "passed", "not proven off"])
def test_every_other_key_does_what_it_says_where_it_means_something_and_nothing_elsewhere(moment: str) -> None:
    keys = [*PACE, "b", *TOUCH, "w", "m", "c", "up", "down", "pageup", "pagedown", "x", "f1", "tab"]
    screen, engine = played(moments()[moment], pressing(*keys))
    assert engine is not None
    ramping = moment in ("just live", "power-up", "warned", "paused", "press power")
    warm = moment in ("warm-up", "adjust", "soak")
    expected = [{"command": "pace", "what": what} for what in PACE.values()] if ramping else []
    expected += [{"command": "power-pressed"}] if ramping else []
    touched = [what for what in TOUCH.values() if not (what == "go-on" and moment in ("warm-up", "adjust"))]
    expected += [{"command": "touch", "what": what} for what in touched] if warm else []
    assert engine.said() == expected
    assert (screen.ui.power, screen.ui.muted) == (True, True)


def test_a_note_and_a_trimmer_are_typed_and_sent() -> None:
    _, engine = played(moments()["warm-up"], pressing("n", *"hums", "enter", "t", "2", "enter", "t", *"left", "enter"))
    assert engine is not None
    assert engine.said() == [
        {"command": "note", "text": "hums"},
        {"command": "touch", "what": "trimmer", "channel": "right"},
        {"command": "touch", "what": "trimmer", "channel": "left"},
    ]


def test_an_empty_line_sends_nothing_and_keys_are_keys_again_after_it() -> None:
    _, engine = played(moments()["power-up"], pressing("n", "enter", "p"))
    assert engine is not None
    assert engine.said() == [{"command": "pace", "what": "pause"}]


def test_answers_to_an_instruments_question_go_to_it_and_the_next_question_opens_again() -> None:
    def asked(why: str) -> dict[str, Any]:
        return {"event": "asked", "instrument": "voltmeter", "what": "line voltage, V", "why": why}

    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        typed = screen.query_one("#typed", Input)
        assert typed.has_focus
        await pilot.press(*"23,4", "enter")
        assert not typed.has_class("asked")
        engine.events.put(asked("a comma: write 23.4"))
        screen._tick()
        assert "a comma" in str(typed.border_title)
        await pilot.press(*"23.4", "enter")

    _, engine = played([*moments()["power-up"], asked("")], act)
    assert engine is not None
    assert [command["text"] for command in engine.said()] == ["23,4", "23.4"]


def test_arrows_turn_the_knob_of_a_simulated_variac_and_only_there() -> None:
    events = [live(hand_turned=True), advice(), readings(1.0, 5.0, 0.01)]
    _, engine = played(events, pressing("up", "down", "pageup", "pagedown"), Ui(turns=True))
    assert engine is not None
    assert [command["by_v"] for command in engine.said()] == [1.0, -1.0, 5.0, -5.0]
    _, engine = played(events, pressing("up", "pageup"))
    assert engine is not None
    assert engine.said() == []


def test_the_pre_power_checks_are_answered_one_by_one_before_anything_is_begun() -> None:
    keys = [check.key for check in PRE_POWER_CHECKS]
    may = next(key for key in keys if BY_KEY[key].override is Override.OPERATOR)
    ui = Ui(asking=asked_checks({}))

    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        for key in keys:
            assert Engine.made is None
            screen._answered_s = 0.0  # it was looked at
            assert ui.asking[0] == key
            if key == may:
                await pilot.press("o", *"alone", "space", *"here", "enter")
            elif BY_KEY[key].override is Override.OPERATOR:
                await pilot.press("y")
            else:
                await pilot.press("o", "y")  # one that may not be gone on without is not opened by o
        assert Engine.made is None
        await pilot.press("y", "y")  # nothing but Enter begins
        assert Engine.made is None
        await pilot.press("enter")
        assert Engine.made is not None

    played([], act, ui)
    assert Engine.made is not None
    assert Engine.made.order.overrides == {key: "alone here" if key == may else "" for key in keys}


def test_a_key_that_is_held_down_answers_one_check() -> None:
    ui = Ui(asking=asked_checks({}))
    _, engine = played([], pressing(*["y"] * 30), ui)
    assert len(ui.confirmed) == 1
    assert engine is None


def test_a_warm_up_is_ended_by_hand_with_two_presses() -> None:
    _, engine = played(moments()["warm-up"], pressing("g", "g"))
    assert engine is not None
    assert engine.said() == [{"command": "touch", "what": "go-on"}]


def test_what_could_not_be_proven_off_is_left_by_a_word_that_is_typed() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        engine.code = 4
        engine.events.put(None)
        screen._tick()
        await screen.workers.wait_for_complete()
        await pilot.press("q", "q", "enter")
        screen._tick()
        assert screen.is_running
        await pilot.press("enter", *"dead", "enter")
        screen._tick()

    screen, _ = played(moments()["not proven off"], act)
    assert screen.return_value == 4


def test_a_note_that_a_trip_comes_upon_is_kept_and_the_keys_are_keys_again() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        await pilot.press("n", *"it hum")
        for event in moments()["cut"][-3:]:
            engine.events.put(event)
        screen._tick()
        screen._tick()
        assert screen.ui.typing == ""
        await pilot.press("space")

    _, engine = played(moments()["power-up"], act)
    assert engine is not None
    assert [command["command"] for command in engine.said()] == ["note", "off"]


def test_the_frame_keeps_its_size_while_a_line_is_typed() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        await pilot.press("n")
        await pilot.pause()
        assert len(screen._board._lines) == 24
        assert screen._board.size.height == 24
        await pilot.press("up", "pageup")  # no knob is turned meanwhile

    _, engine = played([live(hand_turned=True), advice(), readings(1.0, 5.0, 0.01)], act, Ui(turns=True))
    assert engine is not None
    assert engine.said() == []


@pytest.mark.parametrize("key", ["n", "space", "escape"])
def test_no_to_a_check_ends_it_with_nothing_begun(key: str) -> None:
    screen, engine = played([], pressing(key), Ui(asking=["isolation", "eyes"]))
    assert (engine, screen.return_value) == (None, 5)


def test_it_is_left_only_when_the_engine_is_gone() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        await pilot.press("enter", "q")
        assert screen.is_running
        engine.events.put(None)
        screen._tick()
        await screen.workers.wait_for_complete()
        screen._tick()

    screen, engine = played(moments()["tripped"], act)
    assert engine is not None
    assert (engine.closed, screen.return_value) == (True, 3)


def test_each_frame_tells_the_engine_that_the_screen_is_there() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        before = len(engine.commands)
        for _ in range(5):
            screen._tick()
        assert [command["command"] for command in engine.commands[before : before + 5]] == ["alive"] * 5

    played(moments()["power-up"], act)


def test_off_while_the_plot_is_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A key that comes in the middle of a slow frame is obeyed once that is drawn, or one more whose turn it was."""
    told: list[str] = []
    real, pressed = app_module.frame, False

    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        def slow(*given: Any) -> Any:
            nonlocal pressed
            told.append("frame")
            if not pressed:
                pressed = True
                screen.post_message(Key("space", " "))
                time.sleep(0.05)
            return real(*given)

        monkeypatch.setattr(app_module, "frame", slow)
        monkeypatch.setattr(engine, "command", lambda name, **details: told.append(name))
        screen._tick()
        await pilot.pause()
        assert "off" in told[told.index("frame") :]
        assert told[told.index("frame") : told.index("off")].count("frame") <= 2

    played(moments()["power-up"], act)


def test_the_bell_rings_for_a_warning_unless_muted_and_for_a_trip_always(monkeypatch: pytest.MonkeyPatch) -> None:
    rung: list[str] = []
    monkeypatch.setattr(Screen, "bell", lambda self: rung.append("bell"))
    played(moments()["warned"], pressing())
    assert rung == ["bell"]
    rung.clear()
    played(moments()["warned"], pressing(), Ui(muted=True))
    assert rung == []
    played(moments()["cut"], pressing(), Ui(muted=True))
    assert rung == ["bell"]


def test_an_engine_that_hangs_is_called_for_and_then_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rampguard.run_seen.HUNG_S", 1.2)

    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        screen.view.seen.heard_s -= 1.1
        screen._tick()
        assert (screen.view.alarms, engine.ended) == (1, False)
        screen.view.seen.heard_s -= 0.2
        screen._tick()
        assert engine.ended

    played(moments()["power-up"], act)


def test_a_run_that_ends_without_a_result_takes_the_watchdogs_word(tmp_path: Any) -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        engine.code = -9
        engine.events.put(None)
        screen._tick()
        await screen.workers.wait_for_complete()
        assert screen.view.summary is not None
        assert not screen.view.proven_off

    (tmp_path / "pids.json").write_text('{"engine": 1, "watchdog": null}')
    played([live(str(tmp_path)), readings(1.0, 5.0, 0.1)], act)


def test_contrast_and_clicks() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        await pilot.press("c")
        assert screen.screen.has_class("bright")
        await pilot.click(offset=(2, 23))  # SPACE OFF, at the left of the last line
        await pilot.pause()
        assert [command["command"] for command in engine.said()] == ["off"]

    played(moments()["power-up"], act)


def test_a_frame_has_the_size_that_the_terminal_has_by_then() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        for size in ((200, 60), (40, 10), (120, 40)):
            screen._resized_s = 0.0
            await pilot.resize_terminal(*size)
            await pilot.pause()
            screen._tick()
            assert len(screen._board._lines) == size[1]

    played(moments()["power-up"], act)


def test_of_a_window_that_is_pulled_about_the_last_size_is_drawn() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        for height in range(25, 45):
            await pilot.resize_terminal(120, height)
        screen._resized_s = 0.0
        screen._tick()
        await pilot.pause()
        screen._tick()
        assert len(screen._board._lines) == 44

    played(moments()["power-up"], act)


def test_a_long_end_is_read_by_arrows() -> None:
    async def act(pilot: Pilot[int], screen: Screen, engine: Engine) -> None:
        first = [line.plain for line in screen._board._lines]
        await pilot.press("down", "pagedown")
        screen._tick()
        assert [line.plain for line in screen._board._lines] != first
        await pilot.press("pageup", "pageup")
        screen._tick()
        assert [line.plain for line in screen._board._lines] == first

    played([*moments()["cut"], finished()], act)


# -- what stands on the simulated bench --------------------------------------------------------------------------------


@pytest.mark.parametrize(("keys", "chosen"), [(("enter",), CHANCE), (("down", "enter"), CHOICES[0][0]), (("q",), None)])
def test_the_chooser(keys: tuple[str, ...], chosen: str | None) -> None:
    async def choose() -> str | None:
        chooser = Chooser()
        async with chooser.run_test(size=(80, 24)) as pilot:
            assert chooser.query_one(OptionList).has_focus
            await pilot.press(*keys)
        return chooser.return_value

    assert asyncio.run(choose()) == chosen
