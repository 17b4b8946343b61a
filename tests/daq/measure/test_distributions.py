"""Quantiles against scipy as a witness."""

import math

import pytest
from scipy import stats

from daq.measure.distributions import fisher_above, normal_cdf, normal_quantile, student_cdf, student_quantile

PROBABILITIES = (1e-6, 0.001, 0.025, 0.3, 0.5, 0.6, 0.9, 0.975, 0.995, 0.99999)


@pytest.mark.parametrize(
    "dof", [0.5, 1, 1.5, 2, 3.7, 5, 10, 16.75, 29, 100, 1e3, 1e5, 0.99e6, 1e6, 1e7, 1e10, 1e14, 1e20]
)
def test_student_quantiles_agree_with_scipy(dof: float) -> None:
    for p in PROBABILITIES:
        assert student_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=1e-7, abs=1e-12)


@pytest.mark.parametrize("dof", [0.7, 1, 4.4, 30, 1e4, 1e7, 1e12, 1e20])
def test_student_cdf_agrees_with_scipy(dof: float) -> None:
    for t in (-50.0, -4.0, -1.0, -0.01, 0.0, 0.3, 2.0, 9.0):
        assert student_cdf(t, dof) == pytest.approx(stats.t.cdf(t, dof), rel=1e-9)


def test_infinite_degrees_of_freedom_are_the_normal_distribution() -> None:
    for p in PROBABILITIES:
        assert student_quantile(p, math.inf) == normal_quantile(p)
        assert normal_quantile(p) == pytest.approx(stats.norm.ppf(p), rel=1e-9, abs=1e-12)
    assert student_cdf(-7.0, math.inf) == normal_cdf(-7.0) == pytest.approx(stats.norm.cdf(-7.0), rel=1e-9)


def test_infinite_t_is_certain() -> None:
    assert (student_cdf(-math.inf, 3), student_cdf(math.inf, 3)) == (0.0, 1.0)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, math.nan])
def test_a_probability_outside_its_range_is_refused(p: float) -> None:
    with pytest.raises(ValueError, match="probability between 0 and 1"):
        student_quantile(p, 5)


@pytest.mark.parametrize("dof", [0.0, -1.0, math.nan])
def test_degrees_of_freedom_must_be_positive(dof: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        student_quantile(0.9, dof)


@pytest.mark.parametrize(("above", "below"), [(1, 1), (2, 18), (18, 60), (9, 3.5)])
def test_the_tail_of_fishers_f_agrees_with_scipy(above: float, below: float) -> None:
    for f in (0.0, 1e-3, 0.434, 1.0, 3.0, 50.0):
        assert fisher_above(f, above, below) == pytest.approx(stats.f.sf(f, above, below), rel=1e-9)
    assert fisher_above(math.inf, above, below) == 0.0
