"""Propagation of uncertainty against example H.2 of the GUM (JCGM 100:2008): resistance, reactance, impedance.

Five simultaneous sets of V, I and phi (Table H.2), as transcribed in MSL New Zealand's GTC (GTC/type_a.py); results as
printed there, to the digits that hold whichever way the table's rounding is taken.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rampguard.loads.uncertainty import combined, standard

SETS = np.array(
    [
        (5.007, 19.663e-3, 1.0456),
        (4.994, 19.639e-3, 1.0438),
        (5.005, 19.640e-3, 1.0468),
        (4.990, 19.685e-3, 1.0428),
        (4.999, 19.678e-3, 1.0433),
    ]
)
VOLTS, AMPERES, PHI = SETS.mean(axis=0)
U = SETS.std(axis=0, ddof=1) / math.sqrt(5)
R = np.corrcoef(SETS.T)
CORRELATIONS = {(0, 1): float(R[0, 1]), (0, 2): float(R[0, 2]), (1, 2): float(R[1, 2])}
Z = VOLTS / AMPERES


@pytest.mark.parametrize(
    ("value", "sensitivities", "printed", "printed_u"),
    [
        (
            Z * math.cos(PHI),
            (math.cos(PHI) / AMPERES, -Z * math.cos(PHI) / AMPERES, -Z * math.sin(PHI)),
            127.732,
            0.071,
        ),
        (Z * math.sin(PHI), (math.sin(PHI) / AMPERES, -Z * math.sin(PHI) / AMPERES, Z * math.cos(PHI)), 219.847, 0.295),
        (Z, (1.0 / AMPERES, -Z / AMPERES, 0.0), 254.260, 0.236),
    ],
    ids=["resistance", "reactance", "impedance"],
)
def test_example_h2_of_the_gum(
    value: float, sensitivities: tuple[float, ...], printed: float, printed_u: float
) -> None:
    assert value == pytest.approx(printed, abs=0.005)
    assert combined(sensitivities, U.tolist(), CORRELATIONS) == pytest.approx(printed_u, abs=0.002)


def test_without_its_correlations_it_would_be_far_off() -> None:
    """What makes the example a check: resistance's uncertainty comes out some three times as large."""
    sensitivities = (math.cos(PHI) / AMPERES, -Z * math.cos(PHI) / AMPERES, -Z * math.sin(PHI))
    assert combined(sensitivities, U.tolist()) > 2.0 * 0.071


def test_a_bound_is_even_within_itself() -> None:
    assert standard(1.0) == pytest.approx(np.sqrt(np.var(np.linspace(-1.0, 1.0, 100_001))), rel=1e-4)


def test_a_correlation_beyond_one_is_refused() -> None:
    with pytest.raises(ValueError, match="from -1 to 1"):
        combined((1.0, 1.0), (1.0, 1.0), {(0, 1): 1.5})
