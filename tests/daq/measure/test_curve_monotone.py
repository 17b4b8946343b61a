"""Isotonic regression, against scipy's function of the same purpose and by its properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from daq.measure.curve_monotone import isotonic

VALUES = st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=15)


@pytest.mark.parametrize("seed", range(40))
def test_against_scipy(seed: int) -> None:
    """scipy.optimize.isotonic_regression, another implementation."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 15))
    y, weights = rng.normal(size=n), rng.uniform(0.1, 3.0, n)
    for rising in (True, False):
        assert isotonic(y, weights, rising) == pytest.approx(
            isotonic_regression(y, weights=weights, increasing=rising).x, abs=1e-12
        )


@given(VALUES)
def test_an_isotonic_sequence_keeps_the_mean_and_what_is_in_order(values: list[float]) -> None:
    y, ones = np.array(values), np.ones(len(values))
    fitted = isotonic(y, ones, rising=False)
    assert (np.diff(fitted) <= 0.0).all()
    assert fitted.mean() == pytest.approx(y.mean(), abs=1e-9)
    in_order = np.sort(y)[::-1]
    assert isotonic(in_order, ones, rising=False) == pytest.approx(in_order, abs=1e-9)
