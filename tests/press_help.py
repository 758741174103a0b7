"""A bench whose unit's power button only a hand presses: the test is the hand, and types `p`."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from live_help import RAMPGUARD, ServedBench

ENTRY = re.compile(
    r'\n\[instruments\.button\]\ndialect = "scpi-button"\nresource = "TCPIP0::([\d.]+)::(\d+)::SOCKET"\n'
)


@dataclass
class Button:
    """The unit's power button, which the bench file no longer knows of."""

    host: str
    port: int

    def press(self) -> None:
        """Press it."""
        with socket.create_connection((self.host, self.port), timeout=5.0) as link:
            link.sendall(b"ROUT:CLOS (@1);*OPC?\n")
            link.recv(100)
            link.sendall(b"ROUT:OPEN (@1);*OPC?\n")
            link.recv(100)


def button_of(bench: ServedBench) -> Button:
    """Take the button out of the bench file: a person presses it from now on."""
    text = bench.bench_file.read_text(encoding="utf-8")
    found = ENTRY.search(text)
    assert found is not None
    text = ENTRY.sub("\n", text).replace('power_button = "button"\n', "")
    bench.bench_file.write_text(text, encoding="utf-8")
    return Button(found[1], int(found[2]))


def run_by_hand(
    bench: ServedBench, into: Path, *, press_after_s: float | None, say_after_s: float | None
) -> tuple[int, dict[str, Any], str]:
    """Run the default plan; press and say so that long after the stage is told: exit code, JSON object, story."""
    button = button_of(bench)
    process = subprocess.Popen(
        [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--into", str(into)]
        + ["--permissives-confirmed", "--no-screen", "--json"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdin is not None
    assert process.stderr is not None
    story: list[str] = []
    try:
        for line in process.stderr:
            story.append(line)
            if line.startswith("-> press power"):
                threading.Thread(target=_act, args=(button, process, press_after_s, say_after_s), daemon=True).start()
        return process.wait(60.0), json.loads(process.communicate()[0]), "".join(story)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()


def _act(
    button: Button, process: subprocess.Popen[str], press_after_s: float | None, say_after_s: float | None
) -> None:
    begun_s = time.monotonic()
    acts = [(press_after_s, button.press), (say_after_s, lambda: _say(process))]
    for at_s, act in sorted((at_s, act) for at_s, act in acts if at_s is not None):
        time.sleep(max(0.0, begun_s + at_s - time.monotonic()))
        act()


def _say(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("p\n")
    process.stdin.flush()
