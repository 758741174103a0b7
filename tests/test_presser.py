"""The press of the unit's power button: in a thread of its own, once, and honest about its end."""

from __future__ import annotations

import threading

from bench_help import wait_for
from instruments.errors import LinkLost
from rampguard.engine.presser import Presser


class Button:
    name = "button"

    def __init__(self, *, fails: bool = False) -> None:
        self.fails = fails
        self.presses = 0
        self.go_on = threading.Event()

    def press(self) -> None:
        self.presses += 1
        assert self.go_on.wait(5.0)
        if self.fails:
            raise LinkLost("button: does not answer.")


def test_a_press_takes_its_time_and_ends_once() -> None:
    button = Button()
    presser = Presser(button)
    presser.begin()
    presser.begin()
    assert presser.busy
    assert presser.take_end() == (False, "")
    button.go_on.set()
    wait_for(lambda: not presser.busy or presser.take_end() == (True, ""))
    assert not presser.busy
    assert presser.take_end() == (False, "")
    assert button.presses == 1


def test_a_press_that_failed_says_why_and_the_next_may_work() -> None:
    button = Button(fails=True)
    button.go_on.set()
    presser = Presser(button)
    ends: list[tuple[bool, str]] = []

    def ended() -> bool:
        ends.append(presser.take_end())
        return ends[-1][0]

    presser.begin()
    wait_for(ended)
    assert ends[-1] == (True, "button: does not answer.")
    button.fails = False
    presser.begin()
    wait_for(ended)
    assert ends[-1] == (True, "")


def test_without_a_button_there_is_nothing_to_press() -> None:
    presser = Presser(None)
    presser.begin()
    assert not presser.able
    assert not presser.busy
