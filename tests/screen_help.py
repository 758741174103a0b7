"""A run as the engine would tell it, event by event, for what shows it."""

from __future__ import annotations

from typing import Any

STAGES = [
    {"name": "probe", "line_voltage_v": 6.9, "hold_s": 2.0, "ends_when": "current-steady"},
    {"name": "10% of line", "line_voltage_v": 23.0, "hold_s": 2.0, "ends_when": "current-steady"},
    {"name": "press power", "line_voltage_v": 23.0, "hold_s": 2.0, "ends_when": "power-pressed"},
    {"name": "full line", "line_voltage_v": 230.0, "hold_s": 10.0, "ends_when": "current-steady"},
]


def permissive(check: str = "watchdog", standing: str = "holds", said: str = "") -> dict[str, Any]:
    return {"format": 1, "event": "permissive", "check": check, "standing": standing, "said": said}


def live(capture: str = "capture", *, hand_turned: bool = False, person_cuts: bool = False) -> dict[str, Any]:
    return {
        "format": 1,
        "event": "live",
        "capture": capture,
        "plan": "a plan",
        "bench": "a bench",
        "hand_turned": hand_turned,
        "person_cuts": person_cuts,
        "load_class": "linear-amplifier",
        "nameplate_w": 150.0,
        "nameplate_v": 230.0,
        "stages": STAGES,
    }


def stage(number: int = 1, *, bench_presses: bool = False) -> dict[str, Any]:
    told = {key: STAGES[number][key] for key in ("name", "line_voltage_v", "ends_when")}
    return {"format": 1, "event": "stage", "bench_presses": bench_presses, **told}


def readings(
    time_s: float, volts: float, amperes: float, *, state: str = "live", paused: bool = False, **more: Any
) -> dict[str, Any]:
    values = {
        "line_voltage_v": volts,
        "line_current_a": amperes,
        "real_power_w": 0.6 * volts * amperes,
        "dc_offset_left_v": 0.012,
        "emitter_resistor_left_v": 0.009,
        "rail_plus_v": 0.2 * volts,
    }
    told: dict[str, Any] = {
        "format": 1,
        "event": "readings",
        "time_s": time_s,
        "state": state,
        "stage": "10% of line",
        "set_voltage_v": volts,
        "values": values,
        "ages_s": dict.fromkeys(values, 0.1),
        "ceilings": {
            "line_voltage_v": 253.0,
            "line_current_a": 0.8,
            "real_power_w": 165.0,
            "dc_offset_left_v": 0.1,
            "emitter_resistor_left_v": 0.1,
        },
        "expected": {"line_current_a": [0.5 * amperes, 1.5 * amperes], "real_power_w": [0.0, volts * amperes]},
        "not_evaluated": ["DC offset, left: rails not up and settled, so it means nothing yet"],
        "paused": paused,
    }
    return told | more


def advice(turn: str = "up", *, speed: float = 1.0, too_fast: bool = False, blind: bool = False) -> dict[str, Any]:
    return {
        "format": 1,
        "event": "advice",
        "turn": turn,
        "target_v": 23.0,
        "speed_v_per_s": speed,
        "fastest_v_per_s": 9.0,
        "too_fast": too_fast,
        "blind": blind,
    }


def course(phase: str = "warm-up", *, minutes: float = 5.0, do: str = "wait") -> dict[str, Any]:
    idle = {
        "now_v": 0.0085,
        "going": "settled",
        "do": do,
        "text": "8.5 mV, settled",
        "set_to_v": 0.0088 if do == "adjust now" else None,
        "comes_to_v": [0.0083, 0.0085, 0.0087],
    }
    idles = {"left": idle, "right": idle | {"do": "wait", "set_to_v": None, "comes_to_v": None}}
    told = {"format": 1, "event": "course", "phase": phase, "minutes": minutes, "phase_minutes": 1.0}
    return {**told, "idles": idles}


def trip() -> dict[str, Any]:
    reason = "line current 0.9 A is above its ceiling of 0.8 A"
    return {"format": 1, "event": "trip", "reason": reason, "line_voltage_v": 12.0, "layer": "ceiling"}


def notice(kind: str = "warn", text: str = "line current 0.79 A nears its ceiling") -> dict[str, Any]:
    return {"format": 1, "event": "notice", "kind": kind, "text": text}


def finished(outcome: str = "tripped", *, proven: bool = True) -> dict[str, Any]:
    made = {"time_s": 3.0, "line_voltage_v": 12.0, "layer": "ceiling", "reason": trip()["reason"]}
    return {
        "format": 1,
        "event": "finished",
        "outcome": outcome,
        "capture": "captures/one",
        "trip": made if outcome in ("tripped", "unproven") else None,
        "causes": [{"cause": "output-stage-short", "probability": 0.9}, {"cause": "no-fault", "probability": 0.1}],
        "off": {
            "proven": proven,
            "by": ["contactor reads back off"] if proven else [],
            "problems": [] if proven else ["power-meter: no answer"],
        },
        "reservoirs": {"rail_plus_v": {"volts": 12.0, "below_60_v_in_s": 0.0, "below_2_v_in_s": 40.0}},
        "checks": [{"what": "idle of left", "right": True, "text": "8.8 mV", "value": 0.0088}],
        "max_line_current_a": 0.9,
        "clip": None,
        "full_line_min": None,
        "max_line_voltage_v": 12.0,
        "seed": 1,
    }


def ramp(upto_v: float = 23.0) -> list[dict[str, Any]]:
    steps = int(upto_v / 0.5)
    return [readings(0.1 * k, 0.5 * k, 0.002 * k) for k in range(steps + 1)]


def moments(*, hand_turned: bool = False, person_cuts: bool = False) -> dict[str, list[dict[str, Any]]]:
    """The events of a run up to each moment that looks different."""
    going = [
        permissive(),
        live(hand_turned=hand_turned, person_cuts=person_cuts),
        stage(),
        *([advice()] if hand_turned else []),
        *ramp(),
    ]
    tripped = [*going, notice(), trip(), readings(3.1, 12.0, 0.9, state="tripped")]
    return {
        "getting ready": [permissive(), permissive("meters", "fails", "power-meter: no answer")],
        "just live": [permissive(), live(hand_turned=hand_turned)],
        "power-up": going,
        "warned": [*going, notice()],
        "paused": [*going, readings(4.0, 23.0, 0.1, paused=True)],
        "press power": [*going, stage(2)],
        "going off": [*going, readings(4.0, 3.0, 0.0, state="unproven")],
        "cut": tripped,
        "tripped": [*tripped, finished()],
        "not proven off": [*tripped, finished("unproven", proven=False)],
        "warm-up": [*going, course()],
        "adjust": [*going, course(do="adjust now")],
        "soak": [*going, course("soak")],
        "passed": [*going, finished("passed")],
        "stopped": [*going, notice("stop", "off by key"), finished("stopped")],
        "refused": [{"format": 1, "event": "refused", "text": "the bench's mains are 120 V\nuse another bench"}],
        "broken": [*going, {"format": 1, "event": "broken", "text": "Traceback"}],
    }
