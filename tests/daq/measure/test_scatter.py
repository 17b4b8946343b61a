"""Scatter of a mean: every autocorrelation weighed, against matrices written out and another library's mixture."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from daq.measure.distributions import student_quantile
from daq.measure.scatter import scatter_of
from tests.studies.common import autoregressive


def written_out(values: np.ndarray) -> float:
    """The same half-width with correlation matrices, determinants and inverses, and scipy's t and root finder."""
    n, one = len(values), np.ones(len(values))
    logs, scales = [], []
    for phi in [*np.arange(0.0, 0.951, 0.05), 0.975, 0.99]:
        r = phi ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        inverse = np.linalg.inv(r)
        told = one @ inverse @ one
        left = values - (one @ inverse @ values) / told
        squares = left @ inverse @ left
        logs.append(
            0.5 * math.log(1 - phi)
            - 0.5 * (np.linalg.slogdet(r)[1] + math.log(told))
            - 0.5 * (n - 1) * math.log(squares)
        )
        scales.append(math.sqrt(squares / (n - 1) * (one @ r @ one) / n**2))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    missing = lambda half: weights @ stats.t.cdf(half / np.array(scales), n - 1) - 0.975  # noqa: E731
    return float(optimize.brentq(missing, 0.0, 100.0 * max(scales), xtol=1e-12))


@pytest.mark.parametrize(("phi", "n"), [(0.0, 20), (0.5, 20), (0.9, 13), (0.6, 40), (0.3, 5)])
def test_the_mixture_written_out(phi: float, n: int) -> None:
    values = 4.0 + autoregressive(np.random.default_rng(n), phi, 1, n)[0]
    assert scatter_of(values).half == pytest.approx(written_out(values), rel=1e-5)


def test_values_known_to_be_independent_have_the_textbook_error() -> None:
    values = np.random.default_rng(2).normal(3.0, 0.5, 12)
    found = scatter_of(values, highest=0.0)
    assert found.standard == pytest.approx(values.std(ddof=1) / math.sqrt(12), rel=1e-6)
    assert (found.dof, found.longer) == (pytest.approx(11), pytest.approx(1))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=130), st.floats(-1e4, 1e4), st.floats(0.01, 100.0))
def test_neither_zero_nor_unit_matters_and_nothing_beats_independence(
    drawn: list[float], shift: float, factor: float
) -> None:
    values = np.array(drawn)
    if values.std() < 1e-3:
        return
    found, moved = scatter_of(values), scatter_of(factor * values + shift)
    assert moved.standard == pytest.approx(factor * found.standard, rel=1e-4)
    assert moved.dof == pytest.approx(found.dof, rel=1e-4)
    independent = values.std(ddof=1) / math.sqrt(values.size) * student_quantile(0.975, values.size - 1)
    assert found.half >= (1 - 1e-6) * independent
    assert found.dof >= 1.0
    assert math.isfinite(found.standard)


def test_swinging_to_and_fro_makes_no_mean_certain() -> None:
    values = np.tile([1.0, 3.0], 60)
    assert scatter_of(values).standard == pytest.approx(values.std(ddof=1) / math.sqrt(120))


def test_equal_values_have_no_scatter() -> None:
    assert (scatter_of(np.full(30, 7.0)).standard, scatter_of(np.full(30, 7.0)).dof) == (0.0, math.inf)


def test_longer_windows_are_judged_by_longer_means() -> None:
    """White noise upon a slow wander: neighbours hardly resemble each other, their means over longer times do."""
    rng = np.random.default_rng(4)
    wander = autoregressive(rng, 0.9, 1, 600)[0]
    values = wander + 2.0 * rng.standard_normal(600)
    neighbours = np.corrcoef(values[1:], values[:-1])[0, 1]
    by_neighbours = values.std() * math.sqrt((1 + neighbours) / (1 - neighbours) / 600)
    truly = math.sqrt((19.0 + 4.0) / 600)
    assert by_neighbours < 0.7 * truly
    assert scatter_of(values).standard == pytest.approx(truly, rel=0.3)
