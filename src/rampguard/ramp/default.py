"""The default plan for a load class and mains: a small probing step, then steps of about a tenth of line.

The step sizes and times are common practice, no source.
"""

from __future__ import annotations

from rampguard.ramp.plan import Mains, Plan, Stage

_PROBE_FRACTION = 0.03
_STEPS = 10
_SLEW_FRACTION_PER_S = 0.05
_PROBE_SLEW_FRACTION_PER_S = 0.02
_HOLD_S = 2.0
_FULL_LINE_HOLD_S = 10.0
_TIMEOUT_S = 30.0
_PRESS_TIMEOUT_S = 120.0


DIRECT_HOLD_S = 8.0
"""How long a unit that was switched on at full mains is watched: its soft start is over, its speaker relay closed."""


def default_plan(
    class_name: str, *, mains_v: float, frequency_hz: float, press_power_at_fraction: float | None = None
) -> Plan:
    """The plan used where none is given.

    ``press_power_at_fraction`` puts in a stage that waits there for the power button. Volts rms, hertz.
    """
    stages = [_stage("probe", _PROBE_FRACTION, mains_v, slew=_PROBE_SLEW_FRACTION_PER_S)]
    fractions = {step / _STEPS for step in range(1, _STEPS + 1)}
    if press_power_at_fraction is not None:
        fractions.add(press_power_at_fraction)
    for fraction in sorted(fractions):
        if fraction == 1.0:
            stages.append(_stage("full line", 1.0, mains_v, hold_s=_FULL_LINE_HOLD_S))
        else:
            stages.append(_stage(f"{fraction:.0%} of line", fraction, mains_v))
        if fraction == press_power_at_fraction:
            stages.append(_press_power(fraction, mains_v))
    return Plan(
        format=1,
        title=f"{class_name} at {mains_v:g} V, {frequency_hz:g} Hz",
        mains=Mains(voltage_v=mains_v, frequency_hz=frequency_hz),
        stages=tuple(stages),
    )


def direct_plan(class_name: str, *, mains_v: float, frequency_hz: float, presses_power: bool) -> Plan:
    """Full mains at once: by no rule for ramps, and only for a unit that has passed one. Volts rms, hertz."""
    stages = [
        Stage(
            name="direct switch-on",
            line_voltage_v=mains_v,
            slew_v_per_s=mains_v,
            hold_s=DIRECT_HOLD_S,
            timeout_s=2.0 * DIRECT_HOLD_S,
            ends_when="held",
        )
    ]
    if presses_power:
        stages.append(_press_power(1.0, mains_v).model_copy(update={"hold_s": DIRECT_HOLD_S}))
    return Plan(
        format=1,
        title=f"{class_name}: direct switch-on at {mains_v:g} V, {frequency_hz:g} Hz",
        mains=Mains(voltage_v=mains_v, frequency_hz=frequency_hz),
        stages=tuple(stages),
    )


def _stage(
    name: str, fraction: float, mains_v: float, *, slew: float = _SLEW_FRACTION_PER_S, hold_s: float = _HOLD_S
) -> Stage:
    return Stage(
        name=name,
        line_voltage_v=round(fraction * mains_v, 1),
        slew_v_per_s=slew * mains_v,
        hold_s=hold_s,
        timeout_s=_TIMEOUT_S + hold_s,
    )


def _press_power(fraction: float, mains_v: float) -> Stage:
    return Stage(
        name="press power",
        line_voltage_v=round(fraction * mains_v, 1),
        slew_v_per_s=_SLEW_FRACTION_PER_S * mains_v,
        hold_s=_HOLD_S,
        timeout_s=_PRESS_TIMEOUT_S,
        ends_when="power-pressed",
    )
