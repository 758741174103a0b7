"""One command's runs, followed to their end, on the screen or in lines of text: one, one a channel, cold starts."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_STOPPED, RunOrder
from rampguard.printed import print_json
from rampguard.typed_lines import TypedLines

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rampguard.every_channel import Follow
    from rampguard.look_on import LookOn
    from rampguard.run_seen import RunSeen
    from rampguard.screen.ui import Ui


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is wanted of a run besides its order."""

    as_json: bool = False
    on_screen: bool = False
    every_channel: bool = False
    cold_starts: bool = False
    hunts_in: Path | None = None
    """The sections file by which the section at fault is hunted; None: it is not."""
    by_a_person: bool = True
    """Whether somebody has to confirm what is done in between; on a simulated bench nobody has to."""
    asks_checks: bool = False
    """Whether the pre-power checks are asked for on the screen."""
    tour: bool = False
    """Whether the screen explains itself."""
    on_the_bench: str = ""
    """What stands on a simulated bench, to be told at the end."""
    look_on: LookOn | None = None
    """Where a browser may look on; None: nowhere."""


def screen_fits(*, no_screen: bool, as_json: bool) -> bool:
    """Whether there is a terminal for a screen, and one is wanted."""
    terminal = sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()
    return terminal and not no_screen and not as_json


def follow_all(order: RunOrder, wanted: Wanted) -> int:
    """Follow what was ordered to its end. Returns the exit code."""
    following = _Following(wanted)
    order = replace(order, starts_follow=wanted.cold_starts)
    if wanted.hunts_in is not None:
        code, result = following.hunt(order, wanted.hunts_in)
    elif wanted.every_channel:
        code, result = following.every_channel(order)
    else:
        code, result = following.follow(order)
    if wanted.cold_starts and code == EXIT_DONE:
        code = following.cold_starts(order, result)
    if wanted.as_json:
        print_json(result)
    return code


@dataclass(slots=True)
class _Following:
    wanted: Wanted
    _typed: TypedLines = field(default_factory=TypedLines)

    @property
    def follow(self) -> Follow:
        """Follows one run to its end."""
        return self._on_screen if self.wanted.on_screen else self._in_text

    @property
    def out(self) -> TextIO:
        """Where the story goes: standard output belongs to the JSON object where one was asked for."""
        return sys.stderr if self.wanted.as_json else sys.stdout

    def _in_text(self, one: RunOrder) -> tuple[int, dict[str, Any]]:
        from rampguard.onlooker import Onlooker

        look_on = self.wanted.look_on
        onlooker = Onlooker(self.out, self._typed, look=None if look_on is None else look_on.hear)
        code = onlooker.follow(one)
        return self._drawn(one, onlooker.seen.capture, code, onlooker.seen.summary, onlooker.seen.refused)

    def _on_screen(self, one: RunOrder) -> tuple[int, dict[str, Any]]:
        from rampguard.cold.gate import answered_by
        from rampguard.screen.shown import asked_checks, on_screen
        from rampguard.screen.ui import Ui

        wanted = self.wanted
        ui = Ui(tour=wanted.tour, turns=one.turns_knob, on_the_bench=wanted.on_the_bench)
        if wanted.asks_checks:
            sheet, overrides = one.cold_sheet, one.overrides or {}
            answered = answered_by(None if sheet is None else Path(sheet), overrides)
            ui.asking = asked_checks(overrides, answered or ())
        code, seen = on_screen(one, ui, None if wanted.look_on is None else wanted.look_on.hear)
        # What the screen said is gone with it: what matters stays behind it.
        for line in _left_behind(seen, ui):
            print(line)
        return self._drawn(one, seen.capture, code, seen.summary, seen.refused)

    def _drawn(
        self, one: RunOrder, capture: Path | None, code: int, summary: dict[str, Any] | None, refused: str
    ) -> tuple[int, dict[str, Any]]:
        if capture is not None:
            draw(capture, None)
            self._keep(one, capture)
        return code, summary or {"format": 1, "outcome": "refused", "reason": refused}

    def _keep(self, one: RunOrder, capture: Path) -> None:
        """Enter the capture into the job; a job that does not take it changes nothing about the run."""
        from rampguard.job.errors import JobError
        from rampguard.job.keeping import keep_capture

        if one.job is None:
            return
        try:
            said = keep_capture(Path(one.job), capture, hunting=self.wanted.hunts_in is not None)
        except JobError as error:
            said = str(error)
        if said:
            print(said, file=sys.stderr)

    def every_channel(self, order: RunOrder) -> tuple[int, dict[str, Any]]:
        """A run for each channel of the unit's sheet."""
        from rampguard.every_channel import every_channel, summary_lines
        from rampguard.warmup.sheet import SheetError, load_sheet

        try:
            if order.sheet is None:
                raise SheetError("--every-channel", ["goes by a unit sheet: give --sheet (demo: --warm-up)"])
            sheet = load_sheet(Path(order.sheet))
        except SheetError as error:
            print(error, file=sys.stderr)
            return EXIT_BAD_INPUT, {"format": 1, "outcome": "refused", "reason": str(error)}
        moved = "The clips are moved, rails measured below 2 V before?"
        every = every_channel(order, sheet, self.follow, lambda text: self._agreed(text, moved))
        for line in summary_lines(every):
            print(line, file=self.out)
        return every.exit_code, every.as_message

    def hunt(self, order: RunOrder, sections_file: Path) -> tuple[int, dict[str, Any]]:
        """Runs until it is known, as far as it can be, which section carries the fault."""
        from rampguard.hunt.hunting import Hunt, HuntRefused, lines_of, mains_of
        from rampguard.hunt.sections import SectionsError, load_sections

        try:
            sections = load_sections(sections_file)
            mains = mains_of(order)
        except (SectionsError, HuntRefused) as error:
            print(error, file=sys.stderr)
            return EXIT_BAD_INPUT, {"format": 1, "outcome": "refused", "reason": str(error)}
        done = "Unplugged, reservoirs measured below 2 V before?"
        hunted = Hunt(order, mains, sections, self.follow, lambda text: self._agreed(text, done)).hunt()
        for line in lines_of(hunted):
            print(line, file=self.out)
        return hunted.exit_code, hunted.as_message

    def cold_starts(self, order: RunOrder, result: dict[str, Any]) -> int:
        """Cold starts after a run that passed; they go into its result."""
        from rampguard.cold_starts import APART_S, READY, STARTS, cold_starts, start_lines

        passed = result if "capture" in result else list(result["channels"].values())[-1]
        wrong = [check["what"] for check in passed.get("checks", []) if check["right"] is False]
        if wrong:
            print(f"no cold starts: {', '.join(wrong)} is not right", file=self.out)
            return EXIT_STOPPED
        if not self._agreed(READY.format(starts=STARTS, apart=APART_S), "Go on?"):
            return EXIT_STOPPED
        code, starts = cold_starts(order, passed, self.follow)
        result["cold_starts"] = starts
        for line in start_lines(starts):
            print(line, file=self.out)
        return code

    def _agreed(self, text: str, question: str) -> bool:
        print(f"\n{text}.", file=self.out, flush=True)
        if not self.wanted.by_a_person:
            return True
        try:
            return self._ask(f"{question} [y/N]").lower() in ("y", "yes")
        except (KeyboardInterrupt, EOFError):  # between two runs: nothing is live, and what was done stands
            print("", file=self.out)
            return False

    def _ask(self, question: str) -> str:
        if self.wanted.on_screen:  # a thread that goes on reading would take the keys of the next run's screen
            return input(f"{question} ").strip()
        return self._typed.ask(question, self.out)


def _left_behind(seen: RunSeen, ui: Ui) -> Iterator[str]:
    from rampguard.end_story import off_lines, outcome_line

    if seen.summary is not None:
        yield outcome_line(seen.summary)
        yield from off_lines(seen.summary)
        yield f"capture: {seen.summary['capture']}"
    elif seen.refused:
        yield f"refused, nothing was energised:\n{seen.refused}"
    elif ui.asking:
        yield f"stopped: {ui.asking[0]} was not confirmed; nothing was energised"
    else:
        yield "stopped before anything was energised"


def draw(capture: Path, out: Path | None) -> int:
    """Draw a capture's picture. Returns the exit code; why there is none goes to standard error."""
    from rampguard.archive.errors import ArchiveError
    from rampguard.archive.reader import read_capture
    from rampguard.report.ramp_plot import draw_ramp

    target = out or capture / "ramp.png"
    try:
        draw_ramp(read_capture(capture), target)
    except (ArchiveError, OSError) as error:
        print(f"no picture: {error}", file=sys.stderr)
        return EXIT_BAD_INPUT
    print(f"picture: {target}", file=sys.stderr)
    return EXIT_DONE
