"""Binary replies: definite-length blocks (IEEE 488.2-1992, 8.7.9, from memory): ``#``, a digit, as many digits, bytes.

``#512345`` begins a block of 12,345 bytes. A block of indefinite length (``#0``) has no end on a line that is not
closed after it, and is refused.
"""

from __future__ import annotations

from collections.abc import Callable

from instruments.errors import BadReply


def read_block(read: Callable[[int], bytes], most_bytes: int) -> bytes:
    """One block, read by a function that reads exactly so many bytes. Raises BadReply, and whatever ``read`` raises."""
    head = read(2)
    if head[:1] != b"#" or not head[1:].isdigit():
        raise BadReply(f"{head!r} begins no block: one begins with # and a digit")
    digits = int(head[1:])
    if digits == 0:
        raise BadReply("a block of indefinite length (#0) cannot be told from what follows it; set a definite one")
    count = read(digits)
    if not count.isdigit():
        raise BadReply(f"{(head + count)!r} begins no block: its length is no number")
    length = int(count)
    if length > most_bytes:
        raise BadReply(f"a block of {length} bytes; {most_bytes} at most can be an answer")
    return read(length) if length else b""


def as_block(data: bytes) -> bytes:
    """Bytes as one block."""
    count = str(len(data)).encode("ascii")
    return b"#" + str(len(count)).encode("ascii") + count + data
