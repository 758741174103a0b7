"""The causes in words a technician acts on: what was seen, what it means, what to measure next, what is not told apart.

All measuring next is with power off, the plug out, and the reservoirs' voltage measured below 2 V first. What to
measure is common practice, no source.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rampguard.guard.evidence import CAUSE_WORDS
from rampguard.quantities import Cause

OFF_FIRST: Final = "likely causes (before you measure: power off, plug out, reservoirs measured below 2 V):"
LEAST_TOLD: Final = 0.05
"""Causes less probable than this are not spelt out."""
TOLD_MOST: Final = 3
SURE: Final = 0.99
"""No cause is told as surer than this."""


@dataclass(frozen=True, slots=True)
class Words:
    """What there is to say of one cause."""

    seen: str
    means: str
    measure: str
    like: str
    """Which other causes look like it on the line's meters alone, and what would tell them apart."""


STORY: Final[dict[str, Words]] = {
    Cause.OUTPUT_SHORT: Words(
        seen="current that rises steeply as soon as the rails are above the diodes' thresholds, in every half cycle",
        means="an output device is shorted, or both of a pair: the rails are tied together through emitter resistors",
        measure="collector to emitter of each output device, both ways, and each emitter resistor; then drivers, bias"
        " transistor and its sensor. Unplug one channel's rails after the other to find which it is",
        like="a shorted reservoir or regulator on the rails looks the same; the emitter resistors' voltage tells",
    ),
    Cause.DIODE_SHORT: Words(
        seen="much current from the first volts on, before any diode's threshold, and in one half of each cycle more",
        means="a rectifier diode is shorted, and shorts the winding through another one in every second half cycle",
        measure="each diode of the rectifier both ways, a lead lifted where windings are across it; a fuse between"
        " winding and rectifier first",
        like="a reservoir fitted the wrong way round looks much the same; the rails' voltages tell",
    ),
    Cause.SHORTED_TURNS: Words(
        seen="power that goes with the square of the line from zero on, with no threshold of any diode",
        means="turns of a winding are shorted, or something resistive is across one ahead of the rectifier",
        measure="the transformer alone, its secondaries unplugged, brought up again: it draws the same. Then each"
        " winding's resistance against its twin or a good unit's",
        like="a shorted device on an AC winding (lamp circuit, capacitor) looks the same until it is unplugged",
    ),
    Cause.LEAK: Words(
        seen="current from the rails before the stages' idle comes on, and that goes with the rails",
        means="a reservoir leaks, or a bleeder, protection diode or regulator draws what it should not",
        measure="each reservoir out of circuit, at its voltage behind 10 kilohm: leakage should fall to a milliampere"
        " or less within minutes. One that warms is finished",
        like="a unit with more small stages than its class has looks the same; a known-good capture tells",
    ),
    Cause.RUNAWAY: Words(
        seen="power that grows while line voltage stands still",
        means="the idle current heats its devices and grows with them: bias set too high, its sensor off the heat sink,"
        " or a bias transistor or trimmer open",
        measure="trimmer to its minimum, sensor's seat and leads, bias transistor and its resistors; emitter resistors'"
        " voltage of every channel at the next try, at half of line",
        like="a reservoir that leaks more and more looks the same; emitter resistors' voltage tells",
    ),
    Cause.SWITCH_SHORT: Words(
        seen="current as soon as the rectifier conducts, limited only by the inrush limiter",
        means="the converter's switch is shorted, or the bulk capacitor or a bridge diode",
        measure="switch, bulk capacitor, bridge, and the sense resistor beside the switch; before a new switch goes in,"
        " its driver and snubber. The primary is live to earth when powered",
        like="a shorted bulk capacitor looks the same, a shorted diode of the bridge takes one half cycle only",
    ),
    Cause.OTHER: Words(
        seen="readings that none of the followed faults explains, nor a healthy unit of this class",
        means="with too little current: a fuse, a switch, a rail or a lead is open. With too much: an oscillation, a"
        " regulator, a leakage to the chassis; or load class or nameplate are not this unit's",
        measure="fuses and both rails' rectifiers for an open one; insulation from line to chassis; then load class and"
        " nameplate as given. An oscillation shows on a scope at the output, the unit at half of line behind a lamp",
        like="",
    ),
}


ALIKE: Final = 0.05
"""Half waves no further apart than this are alike, as far as meters and the mains tell."""
ONE_SIDED: Final = 0.8
"""From here on one half wave is all there is to speak of."""
CRESTS: Final = ((1.6, "is nearly a sine"), (2.3, "comes in broad pulses"), (float("inf"), "comes in narrow pulses"))
"""What a wave of a crest factor below each of these does; a sine has 1.41."""


def wave_words(wave: Mapping[str, Any]) -> str:
    """What the shape of the current's wave showed, and what that is like; see `guard.evidence.wave_message`."""
    apart, crest = float(wave["apart"]), float(wave["crest"])
    looks = next(words for below, words in CRESTS if crest < below)
    said = f"{_halves(apart)}, and it {looks} (crest factor {crest:.2f})"
    like = wave["speaks_for"]
    return (
        f"{said}, as with {CAUSE_WORDS[like]}" if like in CAUSE_WORDS else f"{said}, which tells no fault from others"
    )


def _halves(apart: float) -> str:
    if apart <= ALIKE:
        return "the two half waves of the current are alike"
    if apart >= ONE_SIDED:
        return "the current flows almost in one half wave alone"
    times = (1.0 + apart) / (1.0 - apart)
    higher = f"{times:.1f} times as high as" if times >= 2.0 else f"{100.0 * (times - 1.0):.0f} % higher than"
    return f"one half wave of the current peaks {higher} the other"


def told_causes(causes: Sequence[tuple[str, float]]) -> list[tuple[str, float]]:
    """The faults that are worth telling, with their probabilities, best first."""
    faults = [(cause, probability) for cause, probability in causes if cause != Cause.NO_FAULT]
    return [pair for pair in faults if pair[1] >= LEAST_TOLD][:TOLD_MOST]


def cause_lines(
    causes: Sequence[tuple[str, float]], *, tripped: bool, width: int = 100, wave: Mapping[str, Any] | None = None
) -> Iterator[str]:
    """The causes as lines of text, best first, and what the wave showed; nothing where nothing speaks for any fault."""
    told = told_causes(causes)
    if not told or (not tripped and causes[0][0] == Cause.NO_FAULT):
        return
    yield OFF_FIRST
    for cause, probability in told:
        words = STORY[cause]
        percent = "over 99" if probability > SURE else f"{100.0 * probability:.0f}"
        yield f"  {percent:>7} %  {CAUSE_WORDS[cause]}"
        yield from _wrapped("seen: ", words.seen, width)
        yield from _wrapped("it means: ", words.means, width)
        yield from _wrapped("measure next: ", words.measure, width)
        if words.like:
            yield from _wrapped("mind: ", words.like, width)
    if wave is not None:
        yield from _wrapped("", f"The wave, when last told: {wave_words(wave)}.", width)
    if len(told) > 1 and told[1][1] > 0.1 * told[0][1]:
        names = " and ".join(CAUSE_WORDS[cause] for cause, _ in told)
        yield from _wrapped("", f"These meters do not tell {names} apart for certain.", width)


def _wrapped(label: str, text: str, width: int) -> list[str]:
    indent = " " * 9
    return textwrap.wrap(label + text, width, initial_indent=indent, subsequent_indent=indent + "  ")
