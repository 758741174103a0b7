"""A shop's ten thousand jobs: index built, searched, brought up to date, killed while it is built, and built anew.

What is found is held against a plain reading of every job.toml (by words that stand there: what only captures say is
not looked for), and an index that grew against one built anew. Each step is a program of its own, so that its memory is
its own, and the start of Python is in its time. Times are told as ratios, too: to a plain reading of every job.toml
(tomllib, no index; nothing is started), and to grep.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from figures import noted_parser, write_run
from job_population import BEYOND_INDEX, make_job, make_jobs

WORDS = (("hum",), ("emitter", "shorted"), ("coffee", "valve"), ("q70",), ("worn", "contacts", "when"), ("silver",))
INDEX = ".rampguard-index.sqlite"
_RAMPGUARD = [sys.executable, "-m", "rampguard", "jobs"]
_DIES = """
import os, signal, sqlite3, sys
from pathlib import Path
from rampguard.jobs import updating
left = [int(sys.argv[2])]
class Dying(sqlite3.Connection):
    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.set_trace_callback(step)
def step(_):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
connect = sqlite3.connect
sqlite3.connect = lambda *args, **more: connect(*args, **({"factory": Dying} | more))
for name in ("replace", "fsync"):
    def dying(*args, do=getattr(os, name), **more):
        step(name)
        done = do(*args, **more)
        step(name)
        return done
    setattr(os, name, dying)
with updating.opened(Path(sys.argv[1]), lambda text: None) as index:
    pass
"""


def main() -> None:
    """Run it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=20261127)
    parser.add_argument("--kills", type=int, default=30)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "jobs"
        make_jobs(root, options.count, options.seed)
        rows = [{"run": options.note, "what": what, **row} for what, row in measured(root, options)]
    for row in rows:
        print(row)
    if options.note:
        write_run("ten_thousand_jobs", "Many jobs: built, searched, killed, built anew", rows, seed=options.seed)


def measured(root: Path, options: Any) -> list[tuple[str, dict[str, Any]]]:
    """Every row."""
    plain_s, plainly = _timed(lambda: [plain_search(root, words) for words in WORDS], 1)
    plain_s /= len(WORDS)
    grep = ["grep", "-rliE", "--include=job.toml", r"\bhum", str(root)]
    grep_s, _ = _timed(lambda: subprocess.run(grep, capture_output=True, check=True), 3)

    def row(seconds: float, **more: Any) -> dict[str, Any]:
        ratio = {"times a plain reading of all": f"{seconds / plain_s:.3g}", "times grep": f"{seconds / grep_s:.3g}"}
        return {"seconds": f"{seconds:.2f}", **ratio, **more}

    found: list[tuple[str, dict[str, Any]]] = [("a plain reading of every job.toml, one search", row(plain_s))]
    found.append(("grep for one word", row(grep_s)))
    build_s, built, memory = run(root, "index")
    size = {"MB of memory": f"{memory:.0f}", "MB of index": f"{(root / INDEX).stat().st_size / 1e6:.1f}"}
    counts = f"{built['jobs']} jobs, {built['captures']} captures, {len(built['unreadable'])} cannot be read"
    found.append(("index built", row(build_s, **size, seen=counts)))
    _wait_until_old()
    run(root, "index")  # whatever was young is read once more
    for name, more in (("search, brought up to date first", ()), ("search as it is", ("--as-is",))):
        seconds, answer, memory = min((run(root, "find", "hum", *more) for _ in range(3)), key=lambda one: one[0])
        found.append((name, row(seconds, **{"MB of memory": f"{memory:.0f}"}, seen=f"{answer['found']} jobs")))
    found.append(("sums, as it is", row(run(root, "sums", "--as-is")[0])))
    right = sum(_found(root, words) == expected for words, expected in zip(WORDS, plainly, strict=True))
    found.append(("searches that found what a plain reading finds", {"seen": f"{right} of {len(WORDS)}"}))
    return found + _changed(root, options, row)


def _changed(root: Path, options: Any, row: Callable[..., dict[str, Any]]) -> list[tuple[str, dict[str, Any]]]:
    rng = random.Random(options.seed)
    changed = rng.sample(sorted(root.glob("*/*")), max(1, options.count // 100))
    for number, path in enumerate(changed):
        subprocess.run(["rm", "-r", str(path)], check=True)
        if number % 3:
            make_job(path, options.count + number, rng, root.parent / "jobs-plain")
    seconds, told, _ = run(root, "index")
    seen = f"{told['read']} read, {told['gone']} gone"
    found = [("brought up to date after a hundredth changed", row(seconds, seen=seen))]
    grown = _answers(root)
    (root / INDEX).rename(root.parent / "grown.sqlite")
    found.append(("killed at a step of its building", {"seen": _killed(root, options, grown)}))
    run(root, "index", "--anew")
    same = "the same" if _answers(root) == grown else "NOT the same"
    found.append(("answers of one built anew, against the one that grew", {"seen": same}))
    found.append(("cut at a byte or a page", {"seen": _cut(root, options)}))
    private = sum(1 for _ in root.glob("*/*/private.toml"))
    holds = BEYOND_INDEX.encode() in (root / INDEX).read_bytes()
    found.append(("private files, of which something is in the index", {"seen": f"{int(holds)} of {private}"}))
    return found


def _killed(root: Path, options: Any, expected: list[Any]) -> str:
    """SIGKILL at drawn steps while an index grows by some jobs: afterwards it is the old one or the new one, whole."""
    from rampguard.jobs.store import NotWhole, open_whole

    grown = (root.parent / "grown.sqlite").read_bytes()
    (root / INDEX).write_bytes(grown)
    touched = sorted(root.glob("*/*/job.toml"))[:20]
    killed = whole = searched = same = 0
    for number in range(options.kills):
        (root / INDEX).write_bytes(grown)
        for path in touched:
            path.touch()
        step = number if number < options.kills // 2 else random.Random(f"{options.seed} {number}").randrange(400)
        done = subprocess.run([sys.executable, "-c", _DIES, str(root), str(step)], check=False)
        killed += done.returncode == -signal.SIGKILL
        with contextlib.suppress(NotWhole):
            open_whole(root / INDEX).close()
            whole += 1
        if number % 10 == 0:
            searched += 1
            same += _answers(root) == expected
    for left in root.glob(f"{INDEX}.*.part"):
        left.unlink()
    return (
        f"{killed} killed of {options.kills}, {whole} whole afterwards; of {searched} searched {same} answered the same"
    )


def _cut(root: Path, options: Any) -> str:
    """The file cut at every page and at some bytes: every cut is seen before anything is read."""
    from rampguard.jobs.store import NotWhole, open_whole

    path = root / INDEX
    size = path.stat().st_size
    copy = root.parent / "cut.sqlite"
    rng = random.Random(options.seed)
    pages = range(0, size, 4096) if size < 4_000_000 else sorted(rng.sample(range(0, size, 4096), 1000))
    cuts = sorted({*pages, *(rng.randrange(size) for _ in range(200))}, reverse=True)
    copy.write_bytes(path.read_bytes())
    seen = 0
    for cut in cuts:
        os.truncate(copy, cut)
        try:
            open_whole(copy).close()
        except NotWhole:
            seen += 1
    return f"{len(cuts)} cuts, {seen} seen"


def run(root: Path, does: str, *more: str) -> tuple[float, dict[str, Any], float]:
    """One command: seconds, what it told, and the most memory it had, MB."""
    begun_s = time.perf_counter()
    done = subprocess.Popen([*_RAMPGUARD, does, str(root), *more, "--json"], stdout=subprocess.PIPE)
    assert done.stdout is not None
    told = json.loads(done.stdout.read())
    _, status, used = os.wait4(done.pid, 0)
    done.returncode = os.waitstatus_to_exitcode(status)
    assert done.returncode == 0, told
    return time.perf_counter() - begun_s, told, _mb(used)


def _mb(used: resource.struct_rusage) -> float:
    return used.ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 1e6


def _answers(root: Path) -> list[Any]:
    return [run(root, "find", *words)[1] for words in WORDS] + [run(root, "sums")[1]]


def _found(root: Path, words: tuple[str, ...]) -> set[str]:
    return {one["folder"] for one in run(root, "find", *words)[1]["jobs"]}


def plain_search(root: Path, words: tuple[str, ...]) -> set[str]:
    """What a reading of every job.toml finds: jobs in which each of these begins a word of what is searched."""
    found = set()
    for path in root.glob("*/*/job.toml"):
        try:
            job = tomllib.loads(path.read_text())
        except tomllib.TOMLDecodeError:
            continue
        text = _said(job).casefold()
        if all(re.search(rf"\b{word}", text) for word in words):
            found.add(path.parent.relative_to(root).as_posix())
    return found


def _said(job: dict[str, Any]) -> str:
    said = [job["number"], job["unit"]["title"], job["unit"]["load_class"], job["complaint"], job["as_found"]]
    said += [
        job.get("cause", ""),
        *(one["what"] for one in job["work"]),
        *(one["note"] for one in job.get("capture", ())),
    ]
    said += [f"{one['designator']} {one['what']} {one['replaced_with']}" for one in job.get("part", ())]
    return "\n".join(said)


def _timed(do: Callable[[], Any], times: int) -> tuple[float, Any]:
    best_s, found = float("inf"), None
    for _ in range(times):
        begun_s = time.perf_counter()
        found = do()
        best_s = min(best_s, time.perf_counter() - begun_s)
    return best_s, found


def _wait_until_old() -> None:
    """What is younger than two seconds is read again; a shop's jobs are older."""
    time.sleep(2.5)


if __name__ == "__main__":
    main()
