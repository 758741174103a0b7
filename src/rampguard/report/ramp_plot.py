"""ramp.png"""

from pathlib import Path

from rampguard.archive.reader import Capture


def draw_ramp(capture: Capture, out: Path) -> None:
    """X"""
