"""Records cut at every write, and sealed ones changed at every byte: each called what it is, and nothing lost.

A real capture's rows and events are written anew by the writer, and every act of it on the disk is noted. The folder is
then brought along these acts one by one; at each, and at several bytes inside each write, it is looked at as a person
would find it. A cut one must be called cut short, give back every row and event that was written whole, and no other.
Then every byte of every sealed file is changed, removed and doubled with another, and lines are swapped, removed and
repeated: each must be called changed.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from figures import write_run

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from cut_help import Rebuilt, Step, changed, steps_of, wrong_with_a_cut

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
SHORT_BYTES, LONG_EVERY = 20_000, 8
"""Of a longer record only one write in so many is cut inside."""
INSIDE = 5
"""Cuts inside each write, beside the ones after its first byte and before its last."""


def lengths(step: Step, chance: random.Random) -> list[int]:
    """Where a write is cut, in bytes."""
    size = len(step.data)
    some = {1, size - 1, *(chance.randrange(1, size) for _ in range(INSIDE if size > 1 else 0))}
    return sorted(some - {0, -1, size})


def cut(real: Path, chance: random.Random, work: Path, every: int) -> Counter[str]:
    """Cut one record at every write, and inside one write in ``every``."""
    steps, rows, _ = steps_of(real, work / "made")
    built, seen = Rebuilt(work / "cut"), Counter[str]()
    for number, step in enumerate(steps):
        seen["at writes"] += 1
        seen["wrong"] += tell(wrong_with_a_cut(built, rows), number, None)
        for length in lengths(step, chance) if step.act == "append" and number % every == 0 else ():
            with built.torn(step, length):
                seen["inside writes"] += 1
                seen["wrong"] += tell(wrong_with_a_cut(built, rows), number, length)
        built.take(step)
    whole = changed(built.folder, "plan.toml", (built.folder / "plan.toml").read_bytes())
    seen["wrong"] += whole != "whole"  # the end of the way
    return seen


def tell(wrong: str, number: int, length: int | None) -> bool:
    """Say what went wrong, if anything did."""
    if wrong:
        print(f"cut at act {number}, byte {length}: {wrong}", file=sys.stderr)
    return bool(wrong)


def edits(was: bytes, chance: random.Random) -> Iterator[tuple[str, bytes]]:
    """Every byte another, gone, and with one more before it; lines swapped with the next, gone, and twice."""
    for at in range(len(was)):
        other = bytes([was[at] ^ chance.randrange(1, 256)])
        yield "bytes changed", was[:at] + other + was[at + 1 :]
        yield "bytes removed", was[:at] + was[at + 1 :]
        yield "bytes added", was[:at] + other + was[at:]
    lines = was.splitlines(keepends=True)
    for at in range(len(lines)):
        with_next = [*lines[:at], *reversed(lines[at : at + 2]), *lines[at + 2 :]]
        yield "lines swapped", b"".join(with_next)
        yield "lines removed", b"".join(lines[:at] + lines[at + 1 :])
        yield "lines repeated", b"".join([*lines[: at + 1], *lines[at:]])
    yield "appended to", was + b"0.0\n"


def change(folder: Path, chance: random.Random) -> Counter[str]:
    """Change one sealed record in every way, one at a time."""
    seen = Counter[str]()
    for path in sorted(folder.iterdir()):
        was = path.read_bytes()
        seen["files removed"] += 1
        seen["wrong"] += changed(folder, path.name, None) != "changed"
        for number, (kind, data) in enumerate(edits(was, chance)):
            if data == was:
                continue
            seen[kind] += 1
            state = changed(folder, path.name, data)
            if state != "changed":
                seen["wrong"] += 1
                print(f"{path.name}, edit {number} ({kind}): called {state}", file=sys.stderr)
    seen["files added"] += 1
    seen["wrong"] += changed(folder, "added.csv", b"1\n") != "changed"
    return seen


def main() -> int:
    """Cut records, or change one."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cut", nargs="*", default=["shorted-output", "healthy-amplifier"], metavar="CAPTURE")
    parser.add_argument("--change", nargs="*", default=["shorted-output"], metavar="CAPTURE")
    parser.add_argument("--seed", type=int, default=20261127)
    options = parser.parse_args()
    chance, rows = random.Random(options.seed), []
    with tempfile.TemporaryDirectory() as place:
        for name in options.cut:
            work = Path(place) / f"cut-{name}"
            work.mkdir()
            every = 1 if (CAPTURES / name / "readings.csv").stat().st_size < SHORT_BYTES else LONG_EVERY
            rows.append({"run": f"{name}, cut", **counted(cut(CAPTURES / name, chance, work, every))})
            print(rows[-1], flush=True)
        for name in options.change:
            unsealed = shutil.ignore_patterns("ramp.png")
            folder = shutil.copytree(CAPTURES / name, Path(place) / name, ignore=unsealed)
            rows.append({"run": f"{name}, changed", **counted(change(folder, chance))})
            print(rows[-1], flush=True)
    write_run("cut_records", "Records cut at every write, and changed at every byte", rows, seed=options.seed)
    return int(any(row["called wrongly"] for row in rows))


def counted(seen: Counter[str]) -> dict[str, object]:
    """A row of the figures."""
    kinds = {kind: count for kind, count in seen.items() if kind != "wrong"}
    return {
        "how": ", ".join(f"{count} {kind}" for kind, count in kinds.items()),
        "times": sum(kinds.values()),
        "called wrongly": seen["wrong"],
    }


if __name__ == "__main__":
    sys.exit(main())
