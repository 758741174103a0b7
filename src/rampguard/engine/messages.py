"""The messages between the engine and whoever looks on, as models: one place for what each holds, and its schema.

A message is one line of JSON with ``format`` 1. The first line to the engine is the order, after it come commands; from
the engine come events. docs/link.md is made from this.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from rampguard.engine.lines import FORMAT


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class _Message(_Part):
    format: Literal[1] = FORMAT


# -- commands ---------------------------------------------------------------------------------------------------------


class Alive(_Message):
    """The onlooker is there. Any command says so too."""

    command: Literal["alive"] = "alive"


class Off(_Message):
    """Switch off, now."""

    command: Literal["off"] = "off"
    reason: str = ""


class PowerPressed(_Message):
    """The unit's power button has been pressed."""

    command: Literal["power-pressed"] = "power-pressed"


class Note(_Message):
    """Words of the operator's, for the capture's events."""

    command: Literal["note"] = "note"
    text: str


class Answer(_Message):
    """What a person typed when they were asked for an instrument's readings."""

    command: Literal["answer"] = "answer"
    instrument: str
    text: str


class Turn(_Message):
    """Turn the knob of a simulated variac by so many volts, at once. On a real bench a person's hand does that."""

    command: Literal["turn"] = "turn"
    by_v: Annotated[float, Field(ge=-50, le=50)]


class Touched(_Message):
    """At full line: a channel's bias trimmer is taken hold of, or let go of; the lid is moved; or this phase is over.

    Ahead of a trimmer's first turn; while it is held, what is drawn is not held against what was drawn before.
    """

    command: Literal["touch"] = "touch"
    what: Literal["trimmer", "let-go", "lid", "go-on"]
    channel: str = ""


class Paced(_Message):
    """On the ramp: stand still, go on, go to the next stage and stand still there, or back to the one before.

    What cannot be (a step over a stage that waits for power to be pressed) is not done, and a notice says so.
    """

    command: Literal["pace"] = "pace"
    what: Literal["pause", "resume", "step", "back"]


Command = Annotated[Alive | Off | PowerPressed | Note | Answer | Turn | Touched | Paced, Field(discriminator="command")]

# -- events -----------------------------------------------------------------------------------------------------------


class Refused(_Message):
    """The run was refused; nothing was energised."""

    event: Literal["refused"] = "refused"
    text: str


class Broken(_Message):
    """An error of ours ended the engine; the watchdog cuts."""

    event: Literal["broken"] = "broken"
    text: str


class PermissiveStands(_Message):
    """How one pre-power check stands; ``check`` is its key in the table of all that is watched."""

    event: Literal["permissive"] = "permissive"
    check: str
    standing: Literal["holds", "fails", "not-evaluated", "overridden"]
    said: str


class StageAhead(_Part):
    """A stage of the plan; volts rms, seconds."""

    name: str
    line_voltage_v: float
    hold_s: float
    ends_when: Literal["held", "current-steady", "power-pressed"]


class Live(_Message):
    """The supply is about to be switched on: on which bench, for what kind of unit, by which plan."""

    event: Literal["live"] = "live"
    capture: str
    plan: str
    bench: str
    hand_turned: bool
    person_cuts: bool
    """Whether a person is the cut-off."""
    load_class: str
    nameplate_w: float
    nameplate_v: float
    stages: list[StageAhead]


class Stage(_Message):
    """A stage of the plan begins; volts rms."""

    event: Literal["stage"] = "stage"
    name: str
    line_voltage_v: float
    ends_when: str
    bench_presses: bool


class Readings(_Message):
    """Ten times a second: bench seconds since the run began, the interlock's state, the newest readings by column.

    The set-point is null where a person turns a variac. With it how old each reading is, bench seconds; the ceiling on
    each just now, where one is set; what a healthy unit may draw, from and to, where that is known; and which checks
    could not be made at the last readings, and why.
    """

    event: Literal["readings"] = "readings"
    time_s: float
    state: Literal["safe", "armed", "live", "tripped", "unproven"]
    stage: str
    set_voltage_v: float | None
    values: dict[str, float]
    ages_s: dict[str, float]
    ceilings: dict[str, float]
    expected: dict[str, list[float]]
    not_evaluated: list[str]
    paused: bool


class Advice(_Message):
    """What a person who turns the knob should do: where to, volts rms; how fast the line moves, and may, in V/s.

    How fast it may is null where readings are typed, too seldom for that.
    """

    event: Literal["advice"] = "advice"
    turn: Literal["up", "wait", "back"]
    target_v: float
    speed_v_per_s: float
    fastest_v_per_s: float | None
    too_fast: bool
    blind: bool
    """Whether to wait because a meter has no reading just now."""


class IdleTold(_Part):
    """How a channel's idle does: volts across its test points now, and what it comes to (low, middle, high; 95 %)."""

    now_v: float
    going: Literal["not told yet", "rising", "cresting", "settling", "settled", "running away"]
    do: Literal["wait", "adjust now", "turn down", "switch off", "find out why", "leave it"]
    text: str
    set_to_v: float | None
    """Where to turn its trimmer to now; null: nowhere."""
    comes_to_v: list[float] | None


class CourseTold(_Message):
    """At full line, once a second: the phase, minutes since full line and in the phase, and each channel's idle."""

    event: Literal["course"] = "course"
    phase: Literal["warm-up", "soak", "after the soak", "done"]
    minutes: float
    phase_minutes: float
    idles: dict[str, IdleTold]


class Asked(_Message):
    """A person is asked to type what an instrument shows; ``why`` says what was wrong with the answer before."""

    event: Literal["asked"] = "asked"
    instrument: str
    what: str
    why: str


class Alarm(_Message):
    """Off is wanted, and a person is the cut-off: what they must do. Told every second until off is proven."""

    event: Literal["alarm"] = "alarm"
    text: str


class Notice(_Message):
    """Something to be told, by its kind in the capture's events."""

    event: Literal["notice"] = "notice"
    kind: str
    text: str


class TripTold(_Message):
    """A trip, as it happens; volts rms at that moment, null if none were read."""

    event: Literal["trip"] = "trip"
    reason: str
    line_voltage_v: float | None
    layer: Literal["ceiling", "band", "evidence", "reading"] | None


class TripMade(_Part):
    """A trip, in the run's result."""

    time_s: float
    line_voltage_v: float | None
    layer: Literal["ceiling", "band", "evidence", "reading"]
    reason: str


class WaveSeen(_Part):
    """The shape of a cycle of line current: how unlike its half waves are (0 to 1), its crest factor.

    ``speaks_for`` is the cause that it speaks for, where it does for one.
    """

    apart: float
    crest: float
    speaks_for: str | None


class CauseRanked(_Part):
    """One cause and its probability."""

    cause: str
    probability: float


class OffShown(_Part):
    """Whether off is proven, what speaks for it, and what went wrong."""

    proven: bool
    by: list[str]
    problems: list[str]


class ReservoirHeld(_Part):
    """What a metered rail held when last read, volts; and, by estimate, seconds until below 60 V and below 2 V.

    Null where there is no telling.
    """

    volts: float
    below_60_v_in_s: float | None
    below_2_v_in_s: float | None


class CheckMade(_Part):
    """One thing that was checked on the warm unit; ``right`` is null where it could not be."""

    what: str
    right: bool | None
    text: str
    value: float | None
    """The reading, where there is one, V; of the drive in the soak, W."""


class Finished(_Message):
    """The run's result: the last event."""

    event: Literal["finished"] = "finished"
    outcome: Literal["passed", "tripped", "stopped", "unproven"]
    capture: str | None
    trip: TripMade | None
    causes: list[CauseRanked]
    wave: WaveSeen | None = None
    """The last shape of the current's wave; None: no meter cuts cycles, or too little flowed."""
    off: OffShown
    reservoirs: dict[str, ReservoirHeld]
    checks: list[CheckMade]
    max_line_current_a: float | None
    """The largest reading, A rms over the meter's window: an inrush's peak is several times as much."""
    clip: str | None
    """The channel that the clips were on, where they were moved."""
    full_line_min: float | None
    """Minutes at full line after the ramp, where the run went on there."""
    max_line_voltage_v: float | None
    seed: int | None


Event = Annotated[
    Refused
    | Broken
    | PermissiveStands
    | Live
    | Stage
    | Readings
    | Advice
    | CourseTold
    | Asked
    | Alarm
    | Notice
    | TripTold
    | Finished,
    Field(discriminator="event"),
]

_COMMANDS: Final[TypeAdapter[Any]] = TypeAdapter(Command)
_EVENTS: Final[TypeAdapter[Any]] = TypeAdapter(Event)


class NoSuchMessage(ValueError):  # noqa: N818 - what it is
    """A line that is no message of this link; the text says what is wrong with it."""


def command_in(message: dict[str, Any]) -> Alive | Off | PowerPressed | Note | Answer | Turn | Touched | Paced:
    """The command in a message. Raises NoSuchMessage."""
    return _checked(_COMMANDS, message)  # type: ignore[no-any-return]


def event_in(message: dict[str, Any]) -> _Message:
    """The event in a message. Raises NoSuchMessage."""
    return _checked(_EVENTS, message)  # type: ignore[no-any-return]


def _checked(adapter: TypeAdapter[Any], message: dict[str, Any]) -> Any:
    try:
        return adapter.validate_python(message)
    except ValidationError as error:
        raise NoSuchMessage(first_problem(error)) from None


def first_problem(error: ValidationError) -> str:
    """What is wrong with a message, and where in it."""
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    return f"{where}: {first['msg']}" if where else first["msg"]


def schemas() -> dict[str, dict[str, Any]]:
    """The JSON Schemas of commands and of events."""
    return {"command": _COMMANDS.json_schema(), "event": _EVENTS.json_schema()}
