"""The built wheel: it carries both packages, their types and the dialects, and the program runs from it alone."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from importlib.metadata import distribution
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT)],
        check=True,
        capture_output=True,
        timeout=100,
    )
    [path] = out.glob("*.whl")
    return path


def test_it_carries_both_packages_types_and_dialects(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    sources = {str(path.relative_to(ROOT / "src").as_posix()) for path in (ROOT / "src").rglob("*.py")}
    assert sources <= names
    assert {"rampguard/py.typed", "instruments/py.typed", "instruments/dialects/dialect.schema.json"} <= names
    shipped = {f"instruments/dialects/{path.name}" for path in (ROOT / "src/instruments/dialects").glob("*.toml")}
    assert len(shipped) >= 4
    assert shipped <= names
    assert not [name for name in names if name.startswith(("tests/", "captures/"))]


def test_the_program_runs_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    """The wheel's contents come first on the path; the checkout is nowhere on it."""
    unpacked = tmp_path / "unpacked"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(unpacked)
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import rampguard, sys; from rampguard.cli import main; print(rampguard.__file__); "
            "sys.exit(main(['demo', '--unit', 'shorted-output', '--no-screen', '--speed', '1000', '--into', 'c']))",
        ],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        timeout=100,
    )
    assert str(unpacked) in done.stdout
    assert done.returncode == 3, done.stderr
    assert "TRIP" in done.stdout


def test_the_entry_point_is_declared() -> None:
    [script] = [point for point in distribution("rampguard").entry_points if point.name == "rampguard"]
    assert script.value == "rampguard.cli:main"
