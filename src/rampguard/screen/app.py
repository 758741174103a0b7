"""The screen itself: takes the engine's events, draws the frame ten times a second, passes keys on.

The loop that draws is the one that says ``alive``: a screen that hangs is a lost screen, and the engine cuts.
"""

from __future__ import annotations

import queue
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, ClassVar, Final

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.events import Event, Key, Resize
from textual.widgets import Input

from rampguard.engine.link import EXIT_STOPPED, EngineProcess, RunOrder
from rampguard.guard.watched import BY_KEY, Override
from rampguard.run_seen import Silence
from rampguard.screen.board import Board
from rampguard.screen.frame import frame
from rampguard.screen.giving_way import offer_processor
from rampguard.screen.ui import Ui
from rampguard.screen.view import Part, View

FRAME_EVERY_S: Final = 0.1
"""Wall time between two frames; with each the engine is told that the screen is there."""
RESIZED_EVERY_S: Final = 0.3
"""A window that is being pulled about is followed no more often than so: laying out takes time from the engine."""
TURN_V, TURN_FAR_V = 1.0, 5.0
"""By how much a key turns the knob of a simulated variac."""
CLOSE_WAIT_S: Final = 10.0
LOOKS_S: Final = 0.4
"""An answer sooner than this after the one before was not looked at: a key that is held down."""
HINT_S: Final = 3.0

Look = Callable[[dict[str, Any]], None]
"""Somebody else who is told every event."""


class Screen(App[int]):
    """One run, on the screen. Its return value is the run's exit code."""

    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None
    """The line that is typed into takes no key before it is asked for."""
    CSS = """
    Screen { background: #000000; color: #f0f0f0; }
    Screen.bright { background: #ffffff; color: #000000; }
    Screen { layers: frame typed; }
    Input { layer: typed; dock: bottom; margin-bottom: 1; height: 3; display: none; }
    Input.asked { display: block; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        # Off comes before anything else that is listening, from anywhere.
        Binding("escape,ctrl+c,ctrl+q", "off", "off", priority=True),
        Binding("space", "off_or_space", "off", priority=True),
        Binding("p", "pause", "pause"),
        Binding("r", "resume", "resume"),
        Binding("right", "step", "step"),
        Binding("left", "stage_back", "back"),
        Binding("b", "pressed", "power was pressed"),
        Binding("n", "note_or_no", "note"),
        Binding("y", "answer_yes", "confirmed"),
        Binding("o", "override", "go on without"),
        Binding("t", "trimmer", "trimmer"),
        Binding("d", "let_go", "let go"),
        Binding("l", "lid", "lid"),
        Binding("g", "go_on", "go on"),
        Binding("w", "power", "watts or amperes"),
        Binding("m", "mute", "mute"),
        Binding("c", "contrast", "contrast"),
        Binding("up", "more(1)", "up"),
        Binding("down", "more(-1)", "down"),
        Binding("pageup", "more(5)", "up"),
        Binding("pagedown", "more(-5)", "down"),
        Binding("enter,q", "close", "close"),
    ]

    def __init__(
        self,
        order: Callable[[dict[str, str]], RunOrder],
        ui: Ui,
        look: Look | None = None,
        gives_way: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__()
        self.view = View()
        self.ui = ui
        self._order = order
        self._look = look
        self._gives_way = gives_way
        self._engine: EngineProcess | None = None
        self._rung = (0, 0)
        self._code = EXIT_STOPPED
        self._resized_s = self._answered_s = self._hinted_s = 0.0
        self._resize: Resize | None = None
        self._concluded = False
        """Whether the engine is gone, and the run's exit code is known."""
        self._leaving = False
        self._shown: tuple[object, ...] = ()
        """What the newest frame was made of."""
        self._had_terminal = _is_terminal()

    def compose(self) -> ComposeResult:
        """The board, and a line to type into."""
        self._board = Board(lambda size: frame(self.view, self.ui, size, time.monotonic(), offer_processor))
        yield self._board
        yield Input(id="typed")

    def on_mount(self) -> None:
        """Begin: by asking, or by the run."""
        self._listen_to_signals()
        self.set_interval(FRAME_EVERY_S, self._tick)
        if not self.ui.asking:
            self._begin()

    async def on_event(self, event: Event) -> None:
        """Everything that happens comes by here. Of a window that is being pulled about the newest size is enough."""
        if isinstance(event, Resize):
            if time.monotonic() - self._resized_s < RESIZED_EVERY_S:
                self._resize = event
                return
            self._resized_s, self._resize = time.monotonic(), None
        await super().on_event(event)

    def on_resize(self, event: Resize) -> None:
        """The frame is of another size."""
        self._board.draw()

    def _listen_to_signals(self) -> None:
        if sys.platform != "win32":
            import asyncio

            loop = asyncio.get_running_loop()
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.add_signal_handler(number, self.action_off)

    def _begin(self) -> None:
        self._engine = EngineProcess(self._order(self.ui.confirmed))
        self._gives_way()

    # -- ten times a second -------------------------------------------------------------------------------------

    def _tick(self) -> None:
        engine = self._engine
        if engine is not None and not self.view.ended:
            engine.command("alive")
            self._hear(engine)
            self._mind_silence(engine)
        if self._had_terminal and not _is_terminal():  # a closed window does not always say so
            self.exit(self._code)
            return
        self._leave()
        self._ring()
        self._ask()
        if self.ui.typing and self.ui.typing != "dead" and (self.view.trip or self.view.part is Part.AFTER):
            self._stop_typing()
        if self.ui.hint and time.monotonic() - self._hinted_s > HINT_S:
            self.ui.hint = ""
        if self._resize is not None and time.monotonic() - self._resized_s >= RESIZED_EVERY_S:
            self.post_message(self._resize)
        self._draw()

    def _draw(self) -> None:
        """A frame; once it is over, and says no more how old it is, only where something has changed."""
        before, self._shown = self._shown, (self.view.told, self.view.ended, replace(self.ui), self._board.size)
        if self.view.summary is None or self._shown != before:
            self._board.draw()

    def _hear(self, engine: EngineProcess) -> None:
        try:
            while True:
                event = engine.events.get_nowait()
                if event is None:
                    self._engine_is_gone(engine)
                    return
                self.view.hear(event)
                if self._look is not None:
                    self._look(event)
        except queue.Empty:
            return

    def _engine_is_gone(self, engine: EngineProcess) -> None:
        """Its exit code, or, if it died live, its watchdog's verdict: in a thread, since that may take a while."""
        self.view.ended = True

        def conclude() -> None:
            code = engine.wait(CLOSE_WAIT_S)
            engine.close()
            self._code = self.view.seen.conclude(code)
            self._concluded = True

        self.run_worker(conclude, thread=True, exit_on_error=True)

    def _mind_silence(self, engine: EngineProcess) -> None:
        does = self.view.seen.silence()
        if does is Silence.CALL:
            self.view.alarms += 1
        elif does is Silence.END:
            engine.end()

    def _ring(self) -> None:
        before, now = self._rung, (self.view.rings, self.view.alarms)
        self._rung = now
        if now[1] > before[1] or (now[0] > before[0] and not self.ui.muted):
            self.bell()

    def _ask(self) -> None:
        asked = self.view.asked
        if asked and not self.ui.typing:
            said = f"{asked['why']}: " if asked["why"] else ""
            self._open("answer", f"{said}{asked['instrument']}: type {asked['what']}")

    # -- what is typed ------------------------------------------------------------------------------------------

    def _open(self, what: str, hint: str) -> None:
        self.ui.typing = what
        typed = self.query_one("#typed", Input)
        typed.value, typed.placeholder = "", f"{hint}   (Enter sends; Esc switches off)"
        typed.border_title = hint
        typed.add_class("asked")
        typed.focus()

    def _stop_typing(self) -> tuple[str, str]:
        """What was typed, and what for; a note that a trip came upon is kept as far as it was typed."""
        typed = self.query_one("#typed", Input)
        text, what = typed.value.strip(), self.ui.typing
        self.ui.typing = ""
        typed.remove_class("asked")
        self.set_focus(None)
        if text and what == "note":
            self._command("note", text=text)
        return text, what

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """What was typed, to where it belongs."""
        text, what = self._stop_typing()
        if what == "answer":
            instrument = self.view.asked.get("instrument", "")
            self.view.asked = {}
            self._command("answer", instrument=instrument, text=text)
        elif text and what == "trimmer":
            self._command("touch", what="trimmer", channel=self._channel(text))
        elif text and what == "override":
            self._answered(text)
        elif what == "dead" and text.lower() == "dead":
            self._leaving = True
            self._leave()

    def _channel(self, text: str) -> str:
        """A channel by its name, or its number on the screen."""
        names = list(self.view.course.get("idles", {}))
        return names[int(text) - 1] if text.isdigit() and 0 < int(text) <= len(names) else text.lower()

    # -- keys ---------------------------------------------------------------------------------------------------

    def _command(self, name: str, **details: Any) -> None:
        if self._engine is not None and not self.view.ended:
            self._engine.command(name, **details)

    def action_off(self) -> None:
        """Switch off, at once, unasked; before anything is live, stop; once all is over, nothing."""
        if self._engine is None:
            self.exit(self._code)
            return
        if self.ui.typing == "dead":
            self._stop_typing()
        self._command("off", reason="off by key")

    def action_off_or_space(self) -> None:
        """Switch off; but where words are being typed, a space is one."""
        if self.ui.typing:
            self.query_one("#typed", Input).insert_text_at_cursor(" ")
        else:
            self.action_off()

    def action_pause(self) -> None:
        """Stand still."""
        self._pace("pause")

    def action_resume(self) -> None:
        """Go on."""
        self._pace("resume")

    def action_step(self) -> None:
        """To the next stage, and stand still there."""
        self._pace("step")

    def action_stage_back(self) -> None:
        """To the stage before, and stand still there."""
        self._pace("back")

    def _pace(self, what: str) -> None:
        if self.view.ramping:
            self._command("pace", what=what)

    def action_pressed(self) -> None:
        """The unit's power button has been pressed."""
        if self.view.ramping and self.view.presses_power:
            self._command("power-pressed")

    def action_note_or_no(self) -> None:
        """A note; or no, where a check is asked for."""
        if self.ui.asking:
            self.exit(EXIT_STOPPED)
        elif self.view.seen.live and self.view.part is not Part.AFTER:
            self._open("note", "note")

    def action_answer_yes(self) -> None:
        """A pre-power check holds."""
        held_down = time.monotonic() - self._answered_s <= LOOKS_S
        self._answered_s = time.monotonic()
        if self.ui.asking and not held_down:
            self._answered("")

    def action_override(self) -> None:
        """Go on without a pre-power check, for a reason."""
        if self.ui.asking and BY_KEY[self.ui.asking[0]].override is Override.OPERATOR:
            self._open("override", "the reason to go on without it")

    def _answered(self, reason: str) -> None:
        self._answered_s = time.monotonic()
        self.ui.confirmed[self.ui.asking.pop(0)] = reason
        self.ui.to_begin = not self.ui.asking

    def action_trimmer(self) -> None:
        """A trimmer is taken hold of."""
        if self.view.course and not self.view.trip:
            self._open("trimmer", "trimmer of which channel, by name or number")

    def action_let_go(self) -> None:
        """The trimmer is let go of."""
        self._touch("let-go")

    def action_lid(self) -> None:
        """The lid is moved."""
        self._touch("lid")

    def action_go_on(self) -> None:
        """Say that this phase is over; of the warm-up, whose final check is then left out, twice."""
        if self.view.part is Part.WARM_UP and not self.ui.hint:
            self._hint("g once more ends the warm-up here, before its final check is made")
            return
        self._touch("go-on")

    def _touch(self, what: str) -> None:
        if self.view.course and not self.view.trip:
            self._command("touch", what=what)

    def action_power(self) -> None:
        """Draw power, or current."""
        self.ui.power = not self.ui.power

    def action_mute(self) -> None:
        """The bell, for all but trips."""
        self.ui.muted = not self.ui.muted

    def action_contrast(self) -> None:
        """Black on white, for a sunlit bench."""
        self.screen.toggle_class("bright")

    def action_more(self, steps: int) -> None:
        """Read up or down; or turn the knob of a simulated variac."""
        if self.ui.typing:
            return
        if self.view.trip or self.view.summary is not None:
            self.ui.read_to = max(0, self.ui.read_to - steps)
        elif self.ui.turns and self.view.ramping:
            far = abs(steps) > 1
            self._command("turn", by_v=(TURN_FAR_V if far else TURN_V) * (1 if steps > 0 else -1))

    def action_close(self) -> None:
        """Begin, where every check is answered; or leave, once nothing can be live."""
        if self.ui.to_begin:
            self.ui.to_begin = False
            self._begin()
        elif self.view.ended and self.view.seen.live and not self.view.proven_off:
            self._open("dead", "type dead once a meter of your own says that the line is dead")
        elif self.view.proven_off or self.view.ended:
            self._leaving = True
            self._leave()

    def _hint(self, said: str) -> None:
        self.ui.hint, self._hinted_s = said, time.monotonic()

    def _leave(self) -> None:
        if self._leaving and self._concluded:
            self.exit(self._code)

    def on_key(self, event: Key) -> None:
        """Keys without a meaning mean nothing."""


def _is_terminal() -> bool:
    return sys.__stdin__ is not None and sys.__stdin__.isatty()
