"""Draws the pictures of docs/wiring.md: ``python docs/make_wiring.py``. What comes before what, a bench a picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

PICTURES: Final = Path(__file__).resolve().parent / "pictures"
MAINS, CUT, METER, UNIT, PLAIN = "#f3d9d0", "#f2c14e", "#cfe3f1", "#d8ead2", "#eeeeee"


@dataclass(frozen=True)
class Block:
    """One thing in the line. ``wire`` is what goes from it to the computer; empty: nothing."""

    words: str
    colour: str = PLAIN
    wire: str = ""


SOCKET = Block("mains socket\nRCD/GFCI", MAINS)
ISOLATION = Block("isolation\ntransformer")
FUSE = Block("fuse")
STOP = Block("emergency-off\n(a person's)", CUT)
VARIAC = Block("variac\n(a hand's)")
CONTACTOR = Block("contactor\n2 poles", CUT, "relay board:\ncoil, heartbeat")
POWER_METER = Block("power meter", METER, "readings")
HANDHELDS = Block("volts and\namperes,\nhandheld", METER, "readings, or\ntyped by you")
LAMP = Block("series lamp\n(if wanted)")
THE_UNIT = Block("unit", UNIT, "clips: rails,\noffset, idle")

BENCHES: Final = {
    "wiring-source": (
        SOCKET,
        ISOLATION,
        FUSE,
        STOP,
        Block("AC source", PLAIN, "set-point,\noff"),
        CONTACTOR,
        POWER_METER,
        LAMP,
        THE_UNIT,
    ),
    "wiring-variac-relay": (SOCKET, ISOLATION, FUSE, STOP, VARIAC, CONTACTOR, POWER_METER, LAMP, THE_UNIT),
    "wiring-variac-alone": (SOCKET, ISOLATION, FUSE, STOP, VARIAC, POWER_METER, LAMP, THE_UNIT),
    "wiring-handheld": (SOCKET, ISOLATION, FUSE, STOP, VARIAC, CONTACTOR, HANDHELDS, LAMP, THE_UNIT),
}
WIDTH, GAP, HEIGHT = 1.35, 0.35, 0.9


def draw(chain: tuple[Block, ...], path: Path) -> None:
    """One bench, from the mains to the unit, with the computer below."""
    span = len(chain) * (WIDTH + GAP) - GAP
    figure = Figure(figsize=(span * 0.8, 3.0))
    axes = figure.add_axes((0.01, 0.01, 0.98, 0.98))
    axes.set_xlim(-0.1, span + 0.1)
    axes.set_ylim(-2.3, HEIGHT + 0.75)
    axes.axis("off")
    for number, block in enumerate(chain):
        left = number * (WIDTH + GAP)
        _box(axes, left, 0.0, WIDTH, block)
        if number:
            axes.annotate("", (left, HEIGHT / 2), (left - GAP, HEIGHT / 2), arrowprops={"arrowstyle": "-", "lw": 2.5})
        if block.wire:
            middle = left + WIDTH / 2
            axes.annotate("", (middle, 0.0), (middle, -1.45), arrowprops={"arrowstyle": "<->", "lw": 1.0, "ls": "--"})
            axes.text(middle + 0.06, -0.75, block.wire, fontsize=7.5, va="center")
    _box(
        axes,
        0.0,
        -2.2,
        span,
        Block("computer: rampguard's engine and its watchdog, each with a path of its own to the cut-off"),
        0.7,
    )
    isolated = chain.index(ISOLATION)
    axes.text(0.0, HEIGHT + 0.12, "earthed; the RCD works here", fontsize=8, style="italic")
    axes.text(
        isolated * (WIDTH + GAP) + WIDTH + GAP,
        HEIGHT + 0.12,
        "isolated: no RCD protects here; at most ONE point may be earthed, and none where a scope is clipped otherwise",
        fontsize=8,
        style="italic",
    )
    figure.savefig(path, dpi=110)


def _box(axes: Axes, left: float, bottom: float, width: float, block: Block, height: float = HEIGHT) -> None:
    axes.add_patch(
        FancyBboxPatch((left, bottom), width, height, boxstyle="round,pad=0.02", fc=block.colour, ec="black", lw=1.2)
    )
    axes.text(left + width / 2, bottom + height / 2, block.words, ha="center", va="center", fontsize=8.5)


def main() -> None:
    """Draw all."""
    for name, chain in BENCHES.items():
        draw(chain, PICTURES / f"{name}.png")


if __name__ == "__main__":
    main()
