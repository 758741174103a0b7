"""Pictures of the screen in a real terminal, for docs/screen.md: ``python docs/make_screens.py [SCENE]``.

Needs tmux. Each scene is played on the simulated bench, by keys as a person would, at three sizes, and once without
colour; what then stands on the terminal is kept as text (docs/screens/*.txt) and, of two sizes, in colour (*.svg).
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))

from live_help import served_bench  # noqa: E402 - the path comes first

FOLDER = HERE / "screens"
SIZES = ((80, 24), (120, 40), (200, 60))
DRAWN = SIZES[:2]
GREY = [(128, 128, 128)] * 8
COLOURS = [(0, 0, 0), (200, 40, 40), (60, 160, 60), (200, 160, 40)]
THEME = TerminalTheme((0, 0, 0), (232, 232, 232), [*COLOURS, *GREY[:4]], GREY)
PLAIN = CONSOLE_SVG_FORMAT.replace("{chrome}", '<rect width="100%" height="100%" fill="#000000"/>')
"""A terminal without a window around it."""
SESSION = "rampguard-screens"


@dataclass(frozen=True)
class Scene:
    """One thing to see: a command, and what is typed once something stands on the screen; kept when ``at`` does."""

    name: str
    arguments: str
    at: str
    keys: Sequence[tuple[str, Sequence[str]]] = ()
    wait_s: float = 0.0
    served: bool = False


TURN = ("slowly", ("Up",) * 7)
SCENES = (
    Scene(
        "getting-ready",
        "run --bench {bench} --into {into}",
        "[ok] emergency-off",
        (("look, then answer", ("y", "y", "y")),),
        0.3,
        True,
    ),
    Scene("power-up", "demo --unit healthy-amplifier --speed 3 --into {into}", "Now 70% of line", (), 0.5),
    Scene(
        "paused",
        "demo --unit healthy-amplifier --speed 3 --no-tour --into {into}",
        "PAUSED",
        (("Now 40%", ("p",)),),
        1.0,
    ),
    Scene("receiver", "demo --unit healthy-receiver --speed 5 --into {into}", "presses the unit", (), 0.2),
    Scene("power-up-by-hand", "demo --unit healthy-amplifier --hand --into {into}", "to 23 V", (TURN,), 1.0),
    Scene("trip", "demo --unit shorted-output --into {into}", "LIKELY", (), 0.5),
    Scene("trip-by-hand", "demo --unit shorted-output --hand --into {into}", "LIKELY", (TURN,), 0.5),
    Scene(
        "person-is-the-cut-off",
        "demo --unit shorted-output --hand --no-relay --no-tour --into {into}",
        "SWITCH OFF",
        (TURN,),
        0.2,
    ),
    Scene("warm-up", "demo --unit repaired-amplifier --warm-up --speed 60 --into {into}", "against minutes", (), 7.0),
    Scene("soak", "demo --unit repaired-amplifier --warm-up --speed 40 --into {into}", "g ends the soak", (), 1.0),
    Scene("after", "demo --unit healthy-amplifier --speed 100 --into {into}", "enter close", (), 1.0),
)


def tmux(*words: str) -> str:
    """What tmux says."""
    return subprocess.run(["tmux", *words], capture_output=True, text=True, check=False).stdout  # noqa: S607


def played(scene: Scene, width: int, height: int, *, colour: bool) -> tuple[str, str]:
    """What stands on the screen: as text, and with its colours."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with served_bench(folder) if scene.served else nullcontext() as bench:
            arguments = scene.arguments.format(
                into=shlex.quote(str(folder / "captures")), bench="" if bench is None else bench.bench_file
            )
            command = f"{'' if colour else 'NO_COLOR=1 '}{sys.executable} -m rampguard {arguments}"
            tmux("kill-session", "-t", SESSION)
            tmux("new-session", "-d", "-s", SESSION, "-x", str(width), "-y", str(height), command)
            for standing, keys in scene.keys:
                _until(lambda text, standing=standing: standing in text)
                for key in keys:
                    tmux("send-keys", "-t", SESSION, key)
                    time.sleep(0.6)  # as a person presses
            _until(lambda text: scene.at in text)
            time.sleep(scene.wait_s)
            found = tmux("capture-pane", "-p", "-t", SESSION), tmux("capture-pane", "-e", "-p", "-t", SESSION)
            tmux("send-keys", "-t", SESSION, "Escape")
            time.sleep(0.5)
            tmux("kill-session", "-t", SESSION)
            return found


def _until(condition: Callable[[str], bool], timeout_s: float = 120.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not condition(text := tmux("capture-pane", "-p", "-t", SESSION)):
        if time.monotonic() > deadline_s:
            raise TimeoutError(text)
        time.sleep(0.05)


def svg(coloured: str, width: int, title: str) -> str:
    """A terminal's contents as a drawing that fetches no font."""
    console = Console(record=True, width=width, file=open("/dev/null", "w"), force_terminal=True)  # noqa: SIM115
    console.print(Text.from_ansi(coloured), end="", no_wrap=True, crop=True)
    drawn = console.export_svg(title=title, theme=THEME, code_format=PLAIN)
    drawn = re.sub(r"<!--.*?-->", "", drawn)
    drawn = re.sub(r"@font-face \{.*?\}", "", drawn, flags=re.DOTALL)
    return "\n".join(line.rstrip() for line in drawn.replace("Fira Code", "monospace").splitlines()) + "\n"


def main() -> None:
    """Play the scenes whose names are given, or all."""
    FOLDER.mkdir(exist_ok=True)
    for scene in SCENES:
        if sys.argv[1:] and scene.name not in sys.argv[1:]:
            continue
        for width, height in SIZES:
            text, coloured = played(scene, width, height, colour=True)
            path = FOLDER / f"{scene.name}-{width}x{height}.txt"
            path.write_text("\n".join(line.rstrip() for line in text.splitlines()) + "\n", encoding="utf-8")
            if (width, height) in DRAWN:
                drawn = svg(coloured, width, f"rampguard, {width} by {height}")
                path.with_suffix(".svg").write_text(drawn, encoding="utf-8")
            print(path.name, flush=True)
        text, _ = played(scene, *SIZES[0], colour=False)
        path = FOLDER / f"{scene.name}-80x24-no-colour.txt"
        path.write_text("\n".join(line.rstrip() for line in text.splitlines()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
