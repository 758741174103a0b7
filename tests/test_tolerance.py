"""The tolerance factor against the handbook's worked example, its definition, and what it promises."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import chi2, ncx2, norm

from rampguard.loads.tolerance import chi_squared, tolerance_factor

FEW = (2, 3, 5, 10, 30)


def test_the_handbooks_worked_example() -> None:
    """NIST/SEMATECH e-Handbook, 7.2.6.3: 43 observations, 90 % covered with 99 % confidence: 2.217 (from memory)."""
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=5e-4)


@pytest.mark.parametrize(("freedom", "part", "value"), [(1, 0.05, 0.0039), (2, 0.05, 0.103), (10, 0.05, 3.940)])
def test_chi_squared_by_printed_tables(freedom: int, part: float, value: float) -> None:
    """Lower 5 % points as statistical tables print them (from memory; scipy's below are the oracle)."""
    assert chi_squared(part, freedom) == pytest.approx(value, abs=0.0005 if freedom > 1 else 0.00005)


@given(st.integers(1, 300), st.floats(0.001, 0.999))
def test_chi_squared_against_scipy(freedom: int, part: float) -> None:
    assert chi_squared(part, freedom) == pytest.approx(float(chi2.ppf(part, freedom)), rel=1e-6)


def _exact(units: int, coverage: float, confidence: float) -> float:
    """By definition: given the mean's error x, mean +/- k s covers enough where s^2 is large enough (scipy's chi2)."""

    def reached(k: float) -> float:
        def at(x: float) -> float:
            within = ncx2.ppf(coverage, 1, x * x) / k**2
            return float(chi2.sf((units - 1) * within, units - 1) * norm.pdf(x, scale=1.0 / math.sqrt(units)))

        return 2.0 * float(quad(at, 0.0, 8.0 / math.sqrt(units))[0])

    return float(brentq(lambda k: reached(k) - confidence, 1.0, 300.0))


@pytest.mark.parametrize("units", FEW)
def test_howes_method_is_near_the_exact_factor(units: int) -> None:
    ratio = tolerance_factor(units, 0.99, 0.95) / _exact(units, 0.99, 0.95)
    assert 0.998 < ratio < (1.08 if units < 5 else 1.02)


def test_it_covers_with_the_confidence_it_promises() -> None:
    """4000 samples of five: of each the part of a normal population that is within, counted."""
    drawn = np.random.default_rng(20261127).normal(size=(4000, 5))
    mean, spread = drawn.mean(axis=1), drawn.std(axis=1, ddof=1)
    half = tolerance_factor(5, 0.99, 0.95) * spread
    covered = norm.cdf(mean + half) - norm.cdf(mean - half)
    assert 0.945 < np.mean(covered >= 0.99) < 0.97


def test_more_units_need_fewer_deviations() -> None:
    factors = [tolerance_factor(units, 0.99, 0.95) for units in (2, 3, 4, 5, 10, 30, 100, 200)]
    assert factors == sorted(factors, reverse=True)
    assert factors[-1] > norm.ppf(0.995)


@pytest.mark.parametrize(("units", "coverage", "confidence"), [(1, 0.9, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.0)])
def test_what_cannot_be_is_refused(units: int, coverage: float, confidence: float) -> None:
    with pytest.raises(ValueError, match=r"spread|parts"):
        tolerance_factor(units, coverage, confidence)
