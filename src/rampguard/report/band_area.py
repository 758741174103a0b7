"""The expected band on a plot: its edges, how it closed, and where it was not evaluated."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from rampguard.quantities import Quantity
from rampguard.report.series import Array, Series
from rampguard.report.thin import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_EDGE: Final = "#8a6d1f"
_FILL: Final = "#f0e2b6"
_HIGHEST: Final = 2.5
"""The band is drawn to so many times the largest reading: above, it says no more than 'far above'."""
LABEL: Final = "expected band"


def over_time(axes: Axes, series: Series, quantity: Quantity, values: Array, scale_s: float) -> None:
    """The band behind a trace over time; a gap where nothing was expected."""
    band = series.bands.get(quantity)
    if band is None:
        return
    few = shown(band.time_s, *_drawn(band.low, band.high, values))
    low, high = _drawn(band.low[few], band.high[few], values)
    at = band.time_s[few] / scale_s
    axes.fill_between(at, low, high, color=_FILL, linewidth=0, zorder=0.5, label=LABEL)
    axes.plot(at, high, color=_EDGE, linewidth=0.8, linestyle=(0, (1, 1)), zorder=0.6)


def against_voltage(axes: Axes, series: Series, quantity: Quantity, values: Array) -> None:
    """The band's edges against line voltage, in the order of time: it comes back lower where it has closed."""
    band = series.bands.get(quantity)
    if band is None:
        return
    few = shown(band.line_v, *_drawn(band.low, band.high, values))
    low, high = _drawn(band.low[few], band.high[few], values)
    axes.plot(band.line_v[few], high, color=_EDGE, linewidth=1.0, linestyle=(0, (1, 1)), label="expected")
    axes.plot(band.line_v[few], low, color=_EDGE, linewidth=0.8, linestyle=(0, (4, 3)))


def _drawn(low: Array, high: Array, values: Array) -> tuple[Array, Array]:
    top = _HIGHEST * float(np.abs(values).max(initial=0.0))
    return np.minimum(low, top), np.minimum(high, top)
