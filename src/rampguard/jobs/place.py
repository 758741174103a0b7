"""Where the index of a folder of jobs is kept."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
from pathlib import Path
from typing import Final

INDEX_NAME: Final = ".rampguard-index.sqlite"


def place_of(root: Path) -> Path | None:
    """In the folder itself; where that is read only, in the user's cache; None where there is neither."""
    if os.access(root, os.W_OK):
        return root / INDEX_NAME
    digest = hashlib.blake2b(os.fsencode(root.resolve()), digest_size=8).hexdigest()
    cache = _cache()
    with contextlib.suppress(OSError):
        cache.mkdir(mode=0o700, parents=True, exist_ok=True)
    return cache / f"jobs-{digest}.sqlite" if os.access(cache, os.W_OK) else None


def _cache() -> Path:
    if sys.platform == "win32":  # pragma: no cover - not tested on Windows
        return Path(os.environ.get("LOCALAPPDATA") or Path.home()) / "rampguard"
    if sys.platform == "darwin":  # pragma: no cover - nor there
        return Path.home() / "Library" / "Caches" / "rampguard"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "rampguard"
