"""Isotonic regression and the monotone cubic, against scipy's functions of the same purpose and by their properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression

from daq.measure.curve_monotone import Cubic, isotonic

VALUES = st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=15)


@pytest.mark.parametrize("seed", range(40))
def test_against_scipy(seed: int) -> None:
    """scipy.interpolate.PchipInterpolator and scipy.optimize.isotonic_regression, other implementations."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 15))
    x, y, weights = np.cumsum(rng.uniform(0.1, 2.0, n)), rng.normal(size=n), rng.uniform(0.1, 3.0, n)
    curve, witness = Cubic(x, y), PchipInterpolator(x, y)
    for at in rng.uniform(x[0], x[-1], 8):
        assert curve.at(float(at)) == pytest.approx((float(witness(at)), float(witness(at, 1))), abs=1e-9)
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


@given(VALUES, st.floats(0.0, 1.0))
def test_between_two_nodes_the_cubic_stays_between_their_values(values: list[float], share: float) -> None:
    curve = Cubic(np.arange(len(values), dtype=np.float64), np.array(values))
    x = share * (len(values) - 1)
    k = curve.piece(x)
    low, high = sorted(values[k : k + 2])
    assert low - 1e-9 <= curve.at(x)[0] <= high + 1e-9


def test_a_straight_line_stays_one() -> None:
    curve = Cubic(np.array([0.0, 1.0, 3.0, 3.5]), np.array([1.0, 3.0, 7.0, 8.0]))
    assert curve.at(2.2) == pytest.approx((5.4, 2.0))
    assert curve.chord(2.2) == pytest.approx(5.4)


@pytest.mark.parametrize("x", [[1.0], [1.0, 1.0], [2.0, 1.0]])
def test_nodes_must_be_two_and_rise(x: list[float]) -> None:
    with pytest.raises(ValueError, match="strictly rising"):
        Cubic(np.array(x), np.zeros(len(x)))


def test_at_its_nodes_and_ends_it_has_their_values() -> None:
    x, y = np.array([0.0, 1.0, 3.0, 3.5]), np.array([1.0, 3.0, 2.0, 8.0])
    curve = Cubic(x, y)
    assert [curve.at(float(at))[0] for at in x] == pytest.approx(y.tolist())
    assert [curve.piece(float(at)) for at in x] == [0, 1, 2, 2]
    assert [curve.piece(at) for at in (0.5, 2.9, 3.4)] == [0, 1, 2]
