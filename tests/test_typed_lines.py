"""Lines typed at a terminal while several runs follow one another: each is heard once, by whom it is meant for."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from rampguard.typed_lines import Said, meaning

if sys.platform != "win32":
    import pty

SCRIPT = """
import sys, time
from rampguard.typed_lines import TypedLines
typed = TypedLines()
print("heard", typed.ask("moved?", sys.stdout), flush=True)
print("runs:", end=" ", flush=True)
lines = []
deadline_s = time.monotonic() + (10.0 if sys.stdin.isatty() else 0.0)
while not lines and time.monotonic() < deadline_s:
    lines = typed.take()
print("heard", *(line.strip() for line in lines), flush=True)
print("heard", typed.ask("go on?", sys.stdout), flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_one_reader_hears_questions_and_commands_in_turn() -> None:
    ours, theirs = pty.openpty()
    with subprocess.Popen([sys.executable, "-c", SCRIPT], stdin=theirs, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        for prompt, line in (("moved? ", "y"), ("runs: ", "off"), ("go on? ", "n")):
            assert process.stdout.read(len(prompt)).decode() == prompt
            os.write(ours, f"{line}\n".encode())
            assert process.stdout.readline().decode() == f"heard {line}\n"
    os.close(ours)
    os.close(theirs)


def test_nobody_answers_where_there_is_no_terminal() -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30
    )
    assert done.stdout.splitlines() == ["heard ", "runs: heard", "heard "]


@pytest.mark.parametrize("word", ["pause", "resume", "step", "back"])
def test_a_ramp_is_paced_by_words_whatever_is_asked_for(word: str) -> None:
    assert meaning(f" {word.upper()} ", "voltmeter") == Said("pace", {"what": word})
