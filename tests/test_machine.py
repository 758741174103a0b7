"""Whether the machine slept, and asking it not to."""

from __future__ import annotations

import os
import stat
import sys
import time
from pathlib import Path
from unittest import mock

import pytest

from rampguard.engine import machine
from rampguard.engine.machine import Sleep, StayAwake, wall_s


def test_the_clock_goes_on() -> None:
    before_s = wall_s()
    time.sleep(0.01)
    assert 0.01 <= wall_s() - before_s < 5.0


def test_a_machine_that_was_awake_has_not_slept() -> None:
    assert Sleep().slept() == ""


def test_a_clock_that_stood_still_is_a_sleep() -> None:
    sleep = Sleep()
    real = machine.wall_s
    with mock.patch.object(machine, "wall_s", return_value=real() + 37.5):
        assert sleep.slept() == "the machine slept for 37.5 s"
    with mock.patch.object(machine, "wall_s", return_value=real() + 0.2):
        assert sleep.slept() == ""


@pytest.mark.skipif(sys.platform != "linux", reason="the helper of Linux")
class TestStayAwake:
    def _helper(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        """A stand-in for systemd-inhibit: writes its arguments and process id, and stays until its input ends."""
        program, said = folder / "systemd-inhibit", folder / "said"
        program.write_text(f'#!/bin/sh\necho "$$ $*" > "{said}"\nexec cat > /dev/null\n', encoding="utf-8")
        program.chmod(program.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
        return said

    def test_it_asks_and_lets_go(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        said = self._helper(tmp_path, monkeypatch)
        with StayAwake() as awake:
            assert awake.problem == ""
            deadline_s = time.monotonic() + 5.0
            while not said.exists() or not said.read_text(encoding="utf-8"):
                assert time.monotonic() < deadline_s
                time.sleep(0.01)
        pid, *arguments = said.read_text(encoding="utf-8").split()
        assert arguments[0] == "--what=sleep:idle:handle-lid-switch"
        assert "--mode=block" in arguments
        with pytest.raises(ProcessLookupError):
            os.kill(int(pid), 0)

    def test_where_it_cannot_be_asked_it_says_so(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("PATH", str(tmp_path))
        with StayAwake() as awake:
            assert awake.problem.startswith("systemd-inhibit: ")
