"""Jobs of long benchmarks: in order, and taken up again where a run was cut short."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from jobs import results


def _job(job: tuple[str, int]) -> list[str]:
    folder, number = job
    file = Path(folder) / str(number)
    file.write_text(file.read_text() + "x" if file.exists() else "x")
    return [f"{number}"]


def test_a_run_goes_on_where_it_was(tmp_path: Path) -> None:
    store, jobs = tmp_path / "store", [(str(tmp_path), number) for number in range(4)]
    first = results(_job, jobs, store)
    assert [next(first), next(first)] == [["0"], ["1"]]
    first.close()
    assert list(results(_job, jobs, store)) == [["0"], ["1"], ["2"], ["3"]]
    assert (tmp_path / "0").read_text() == "x"


def test_without_a_store_every_job_is_done(tmp_path: Path) -> None:
    jobs = [(str(tmp_path), number) for number in range(2)]
    for _ in range(2):
        assert list(results(_job, jobs, None)) == [["0"], ["1"]]
    assert (tmp_path / "0").read_text() == "xx"
