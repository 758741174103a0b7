"""Words as they are compared: small letters, no accents, letters and digits alone. Pure."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

_WORD: Final = re.compile(r"[^\W_]+")


def plain_words(text: str) -> str:
    """The words of a text with one space between, ``Q701: 10 µF`` as ``q701 10 μf``; empty where it has none.

    Unicode's compatibility decomposition (NFKD) without its marks.
    """
    apart = unicodedata.normalize("NFKD", text.casefold())
    bare = "".join(letter for letter in apart if not unicodedata.combining(letter))
    return " ".join(_WORD.findall(bare.casefold()))


def kind_of(what: str) -> str:
    """What kind of part it is: what stands ahead of the first comma, as plain words; ``output transistor, left``."""
    return plain_words(what.partition(",")[0]) or plain_words(what)


def shown(text: str) -> str:
    """In one line that does nothing to a terminal: a folder may be called anything."""
    told = "".join(letter if letter.isprintable() else f"\\x{ord(letter):02x}" for letter in text)
    return told.encode("utf-8", "backslashreplace").decode("utf-8")
