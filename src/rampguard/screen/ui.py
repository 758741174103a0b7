"""What the person at the screen has chosen to see. It says nothing of the run."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Ui:
    """Choices, and where a long text has been read to."""

    muted: bool = False
    """Whether the bell is, for all but trips and a person who must switch off."""
    power: bool = False
    """Whether real power is drawn, not current."""
    tour: bool = False
    """Whether a line explains what is seen."""
    turns: bool = False
    """Whether keys turn the knob of a simulated variac."""
    on_the_bench: str = ""
    """What stands on the simulated bench: told at the end, not before."""
    asking: list[str] = field(default_factory=list)
    """The pre-power checks that a person has yet to answer, by key."""
    confirmed: dict[str, str] = field(default_factory=dict)
    """Those that were answered: empty, or the reason to go on without."""
    to_begin: bool = False
    """Whether every check was answered, and only the word to begin is missing."""
    typing: str = ""
    """What a line is being typed for; empty if none is."""
    hint: str = ""
    """What a key that did nothing, or has to be pressed once more, has to say."""
    read_to: int = 0
    """So many lines of a long text are above the first that is seen."""
