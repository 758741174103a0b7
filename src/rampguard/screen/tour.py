"""What a newcomer is told beside each moment of a demo. All of it is common practice, no source."""

from __future__ import annotations

from rampguard.quantities import Cause
from rampguard.screen.view import Part, View

SHORT_TELLS = (
    "A shorted output stage ties the rails together: current climbs as soon as the rectifier conducts, at a few per"
    " cent of line. That is why a ramp begins so low, and why a second is too long."
)


def caption(view: View) -> str:
    """The words for what is on the screen now."""
    if view.summary is not None:
        return _at_the_end(view)
    if view.trip:
        return "The supply was cut before this was drawn. Off counts only once a meter has read the line dead after it."
    if view.going_off:
        return "AC at zero says nothing about a charged reservoir: it is measured, below 2 V, before hands go in."
    if view.part is Part.READY:
        return (
            "Before anything is live every way off is commanded and read back, every meter read, and a second process"
            " has proven that it can cut by itself."
        )
    if view.course:
        return (
            "Full line is half the job: idle drifts as it warms. Set it when told, lid on for the final check, and let"
            " it settle again."
        )
    volts, full = view.line_v or 0.0, view.nameplate_v
    if view.run.get("hand_turned") and volts < 0.1 * full:
        return (
            "You turn, it watches. Do what the large words say, no faster than the gauge allows. Where there is a"
            " contactor, a trip opens it."
        )
    if volts < 0.06 * full:
        return "Shaded is what a healthy unit of this kind may draw here. Shorts show within a few per cent of line."
    if volts < 0.5 * full:
        return (
            "The band closes around this unit as readings come in: samples of healthy units that do not fit it lose"
            " weight. What climbs out of it is cut."
        )
    if volts < 0.95 * full:
        return (
            "Press p to stand still, arrows to step. Space is off, from anywhere, at once: try it, that is what it is"
            " for."
        )
    return "Full line. It stays here a moment, since idle current and leaks show late."


def _at_the_end(view: View) -> str:
    assert view.summary is not None  # noqa: S101 - asked only at the end
    causes = view.summary.get("causes", [])
    if view.summary["outcome"] == "tripped":
        if causes and causes[0]["cause"] == Cause.OUTPUT_SHORT:
            return SHORT_TELLS
        return "Read why it was cut, what is likely, and what to measure next, unpowered. Up and down read on."
    if view.summary["outcome"] == "passed":
        return "It came up as its kind does. The capture folder keeps every reading and every decision."
    return "Stopped. The capture folder keeps every reading up to here."
