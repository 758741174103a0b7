"""Pictures as files: whole or not at all, and the same of the same record, whatever its reader's settings are."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def save_whole(
    make: Callable[[], Figure],
    out: Path,
    *,
    dpi: float,
    metadata: Mapping[str, str | None],
    form: str = "png",
    settings: Any = None,
) -> None:
    """Make a figure with matplotlib's own settings and write it. Raises OSError.

    ``settings`` are some of matplotlib's by name, in place of its own; None: none.
    """
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(settings or {})
        partial = out.with_name(out.name + ".part")
        make().savefig(partial, format=form, dpi=dpi, metadata=dict(metadata))
    os.replace(partial, out)
