"""The hunt's plans: up to where the fault first shows, and straight to the hold for a second."""

from __future__ import annotations

from typing import Final

from rampguard.ramp.plan import Mains, Plan, Stage

SHOWS_BELOW: Final = 0.25
"""No higher than this part of line voltage: what does not show by then is not hunted by short ramps."""
LOOKS_AT: Final = (0.02, 0.03, 0.045, 0.065, 0.09, 0.12, 0.16, 0.20, SHOWS_BELOW)
LOOKS_S: Final = 0.5
HOLDS_S: Final = 1.0
GENTLY_PER_S: Final = 0.02
STRAIGHT_PER_S: Final = 0.05
"""Slews, of line voltage a second."""
FIRST_STAGE: Final = 0.10
TIMEOUT_S: Final = 60.0


def finding_plan(mains_v: float, frequency_hz: float) -> Plan:
    """Up by small steps until the guard trips; volts rms, hertz."""
    stages = [_stage(f"{100 * part:g} % of line", part * mains_v, GENTLY_PER_S * mains_v, LOOKS_S) for part in LOOKS_AT]
    return _plan(f"until the fault shows, {mains_v:g} V", mains_v, frequency_hz, stages)


def holding_plan(hold_v: float, mains_v: float, frequency_hz: float) -> Plan:
    """Straight to the hold; volts rms, hertz."""
    slew = STRAIGHT_PER_S * mains_v
    way = [] if hold_v <= FIRST_STAGE * mains_v else [_stage("on the way", FIRST_STAGE * mains_v, slew, 0.0)]
    stages = [*way, _stage("hold", hold_v, slew, HOLDS_S)]
    return _plan(f"hold at {hold_v:.3g} V", mains_v, frequency_hz, stages)


def _stage(name: str, volts: float, slew_v_per_s: float, hold_s: float) -> Stage:
    return Stage(
        name=name,
        line_voltage_v=round(volts, 3),
        slew_v_per_s=slew_v_per_s,
        hold_s=hold_s,
        timeout_s=TIMEOUT_S,
        ends_when="held",
    )


def _plan(title: str, mains_v: float, frequency_hz: float, stages: list[Stage]) -> Plan:
    return Plan(format=1, title=title, mains=Mains(voltage_v=mains_v, frequency_hz=frequency_hz), stages=tuple(stages))
