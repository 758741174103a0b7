"""V, I and phase or power to R, X, Z: against the worked example H.2 of the GUM, and against calculus."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rampguard.probe.phasor import impedance, impedance_by_power, phase_of

# JCGM 100:2008, table H.2 (as transcribed in the tests of a public uncertainty calculator): V, mA, rad.
H2 = np.array(
    [
        (5.007, 19.663, 1.0456),
        (4.994, 19.639, 1.0438),
        (5.005, 19.640, 1.0468),
        (4.990, 19.685, 1.0428),
        (4.999, 19.678, 1.0433),
    ]
) * (1.0, 1e-3, 1.0)


def test_gum_h2() -> None:
    """R 127.732 ohm u 0.071, X 219.85 u 0.30, Z 254.26 u 0.24, r(R,X) -0.588: printed; more digits recomputed."""
    means, u = H2.mean(axis=0), H2.std(axis=0, ddof=1) / math.sqrt(len(H2))
    r = np.corrcoef(H2.T)
    assert u == pytest.approx([3.20936e-3, 9.47101e-6, 7.52064e-4], rel=1e-5)
    found = impedance(*means, tuple(u), {(i, j): float(r[i, j]) for i, j in ((0, 1), (0, 2), (1, 2))})
    assert (found.r_ohm, found.x_ohm, found.z_ohm) == pytest.approx((127.73217, 219.84651, 254.25970), abs=1e-4)
    assert (found.u_r_ohm, found.u_x_ohm, found.u_z_ohm) == pytest.approx((0.0710714, 0.295582, 0.236336), abs=1e-5)
    assert found.r_with_x == pytest.approx(-0.588430, abs=1e-4)


@given(st.floats(0.5, 10.0), st.floats(1e-4, 1.0), st.floats(0.05, 0.99), st.floats(1e-4, 0.05), st.floats(1e-4, 0.05))
def test_resistance_by_power_is_as_certain_as_power_over_current_squared(
    volts: float, amperes: float, factor: float, u_a: float, u_w: float
) -> None:
    """R = P/I^2, whatever the volts: (u(R)/R)^2 = (u(P)/P)^2 + (2 u(I)/I)^2, by calculus."""
    watts = volts * amperes * factor
    found = impedance_by_power(volts, amperes, watts, (0.02 * volts, u_a * amperes, u_w * watts))
    assert found.r_ohm == pytest.approx(watts / amperes**2, rel=1e-9)
    assert found.u_r_ohm == pytest.approx(found.r_ohm * math.hypot(u_w, 2.0 * u_a), rel=1e-6)
    assert found.z_ohm**2 == pytest.approx(found.r_ohm**2 + found.x_ohm**2)


def test_power_beyond_what_can_be_is_a_meters_error() -> None:
    assert phase_of(5.0, 0.01, 0.051) == 0.0
    assert phase_of(5.0, 0.01, -0.001) == pytest.approx(math.pi / 2.0)
    for nothing in ((0.0, 0.1), (1.0, 0.0)):
        with pytest.raises(ValueError, match="must be above zero"):
            phase_of(*nothing, 0.0)
        with pytest.raises(ValueError, match="must be above zero"):
            impedance(*nothing, 0.0, (0.0, 0.0, 0.0))
