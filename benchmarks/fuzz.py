"""A million fuzzed replies to the parsers, and a million steps of the interlock, from a seed.

    python benchmarks/fuzz.py [--count 1000000] [--seed 1] [--note RUN]

A reply is a good one with bytes changed, cut, doubled or put in, or none of ours at all. A parser may say that it is no
reply (`BadReply`); it may not raise anything else, nor give a number that is not finite, nor one that is not there.

The interlock takes events and checks at random; after each step, what it promises is asked for, from what was done to
it alone and not from its own table.
"""

from __future__ import annotations

import math
import random
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from figures import noted_parser, write_run

from instruments.errors import BadReply
from instruments.replies import UNITS, parse_error, parse_number, parse_reading, split_fields
from rampguard.guard.interlock import Event, Interlock, InterlockError, State, step
from rampguard.guard.permissives import Permissive, Standing, interlock_event
from rampguard.guard.watched import REQUIRED
from rampguard.quantities import Quantity, Validity

GOOD: Final = (
    "1.234E+01",
    "+9.91E+37",
    "9.9E37",
    "-0.05",
    "230",
    "nan",
    "-inf",
    "0",
    '0,"No error"',
    '-113,"Undefined"',
)
BITS: Final = ("e", "E", ".", "-", "+", ",", ";", '"', "\x00", "\n", " ", "0", "9", "é", "٣", "_", "inf", "nan", "0x")


def reply(chance: random.Random) -> str:
    """One fuzzed reply."""
    if chance.random() < 0.1:
        return "".join(chr(chance.choice((chance.randrange(128), chance.randrange(0x3000)))) for _ in range(12))
    text = chance.choice(GOOD)
    for _ in range(chance.randrange(4)):
        at = chance.randrange(len(text) + 1)
        what = chance.randrange(4)
        bit = chance.choice(BITS)
        text = (
            text[:at] + bit + text[at:],
            text[:at],
            text[:at] + text[at + 1 :],
            text + chance.choice((text, ";" + text)),
        )[what]
    return text


def ask(text: str, chance: random.Random) -> str:
    """Put one reply to all parsers. Returns what came of it. Raises AssertionError for what may not be."""
    try:
        value, validity = parse_number(text)
        assert (value is None) == (validity is not Validity.VALID), text
        assert value is None or (math.isfinite(value) and value == float(text)), text
        quantity = chance.choice(list(Quantity))
        value, validity = parse_reading(text, quantity, chance.choice(list(UNITS)))
        assert value is None or math.isfinite(value), text
        said = str(validity)
    except BadReply:
        said = "no number"
    try:
        number, _ = parse_error(text)
        assert str(number) in text.replace("+", "") or number == 0 or text.strip().startswith(("+", "-", "0")), text
        said = "error entry"
    except BadReply:
        pass
    try:
        assert ";".join(split_fields(text, ";", 1 + text.count(";"))) == text
        split_fields(text, ";", 2 + text.count(";"))
    except BadReply:
        return said
    raise AssertionError(text)


@dataclass
class Promises:
    """What was done to an interlock, kept apart from what it says of itself."""

    interlock: Interlock
    proven: bool = False
    """Off was proven since power was last possible."""
    held: bool = False
    """All checks held when it was last asked, and none was lost since."""
    tripped: bool = False
    """A trip since the last reset."""

    def take(self, event: Event, cause: str) -> bool:
        """One event; whether it had a place. Raises AssertionError where a promise is broken."""
        before = self.interlock
        try:
            after = step(before, event, cause)
        except InterlockError:
            return False
        self.interlock = after
        self._note(event, before)
        assert not after.may_energise or (self.proven_before and self.held_before), (before, event, after)
        assert after.state is not State.LIVE or (before.state, event) == (State.ARMED, Event.ENERGISE), (before, event)
        assert before.state is not State.LIVE or after.state is State.UNPROVEN, (before, event, after)
        assert bool(after.cause) == self.tripped, (before, event, after)
        assert not self.tripped or after.state in (State.UNPROVEN, State.TRIPPED), (before, event, after)
        assert not (before.cause and after.cause) or before.cause == after.cause, "the first cause is kept"
        return True

    def _note(self, event: Event, before: Interlock) -> None:
        self.proven_before, self.held_before = self.proven, self.held
        if event is Event.OFF_PROVEN:
            self.proven = True
        if event is Event.PERMISSIVES_HOLD:
            self.held = True
        if event is Event.RESET:
            self.tripped = self.held = False
        if event is Event.TRIP or (event is Event.PERMISSIVE_LOST and before.state is State.LIVE):
            self.tripped = True
        if event in (Event.TRIP, Event.STOP, Event.PERMISSIVE_LOST):
            self.held = False
            self.proven = self.proven and (before.state is State.TRIPPED or event is Event.PERMISSIVE_LOST)
        if event is Event.ENERGISE:
            self.proven = self.held = False


def event(chance: random.Random) -> tuple[Event, str]:
    """An event, half of the time by way of the pre-power checks."""
    if chance.random() < 0.5:
        return chance.choice(list(Event)), chance.choice(("a", "b", ""))
    stands = {key: Permissive(Standing.HOLDS) for key in REQUIRED}
    if chance.random() < 0.4:
        stands[chance.choice(REQUIRED)] = Permissive(chance.choice(list(Standing)), "as it is")
    return interlock_event(REQUIRED, stands)


def replies(count: int, seed: int) -> Counter[str]:
    """So many fuzzed replies."""
    chance = random.Random(seed)
    return Counter(ask(reply(chance), chance) for _ in range(count))


def interlock_steps(count: int, seed: int) -> Counter[str]:
    """So many steps; the states they came to."""
    chance = random.Random(seed)
    promises, states = Promises(Interlock()), Counter[str]()
    for _ in range(count):
        promises.take(*event(chance))
        states[str(promises.interlock.state)] += 1
    return states


def main() -> int:
    """Run both."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    parts: tuple[tuple[str, Callable[[int, int], Counter[str]]], ...] = (
        ("replies to the parsers", replies),
        ("steps of the interlock", interlock_steps),
    )
    rows: list[dict[str, Any]] = []
    for name, run in parts:
        found = run(options.count, options.seed)
        came = ", ".join(f"{word} {number:,}" for word, number in found.most_common())
        rows.append({"run": options.note, "what": name, "count": f"{options.count:,}", "came to": came, "broken": 0})
        print(rows[-1])
    if options.note:
        write_run("fuzz", "Fuzzed replies, and random steps of the interlock", rows, seed=options.seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
