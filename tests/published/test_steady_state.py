"""Steady-state statistics against published and recomputed values."""

import math

import numpy as np
import pytest

from daq.measure.distributions import student_cdf, student_quantile
from daq.measure.line import SlidingLine
from daq.measure.ratio import Ratio
from tests.published.rows import rows
from tests.studies.tables import ratio_values

# S. Cao, R. R. Rhinehart, J. Process Control 5 (1995) 363 (method) and 7 (1997) 149 (critical values). The table of
# 1997 was not seen; the values were recomputed exactly (Imhof inversion) and by simulation.
QUANTILES = {
    0.2: {
        0.01: 0.710, 0.05: 0.770, 0.10: 0.809, 0.50: 1.000,
        0.90: 1.315, 0.95: 1.439, 0.975: 1.562, 0.99: 1.728, 0.995: 1.856,
    },
    0.1: {
        0.01: 0.688, 0.05: 0.751, 0.10: 0.793, 0.50: 0.998,
        0.90: 1.351, 0.95: 1.493, 0.975: 1.638, 0.99: 1.835, 0.995: 1.990,
    },
}  # fmt: skip


@rows("V6.1", "V6.2", "V6.3", "V6.4")
@pytest.mark.parametrize("l1", [0.2, 0.1])
def test_quantiles_of_the_ratio_for_independent_noise(l1: float) -> None:
    """λ = (l1, 0.1, 0.1), independent normal noise; here by simulation."""
    values = ratio_values(0.0, 12_000, seed=2001, l1=l1)
    for share, expected in QUANTILES[l1].items():
        assert np.quantile(values, share) == pytest.approx(expected, rel=0.01)


@rows("V6.9")
def test_the_recursion_by_hand() -> None:
    """Worked out by hand from the formulas of Cao and Rhinehart (1995), λ = (0.2, 0.1, 0.1)."""
    ratio = Ratio(100.0)
    found = []
    for x in (102.0, 99.0, 101.0, 100.5, 98.5):
        ratio.feed(x)
        found.append(ratio.value)
    assert found == pytest.approx([1.8, 0.794286, 0.678039, 0.671309, 0.874767], abs=1e-6)


@rows("V6.10")
def test_a_ramp_without_noise() -> None:
    """Derived from the recursion: R → (2 − λ1)/λ1² = 45, whatever the slope."""
    for slope in (1e-3, 7.0):
        ratio = Ratio(0.0)
        for k in range(1, 401):
            ratio.feed(slope * k)
        assert ratio.value == pytest.approx(45.0, rel=1e-9)


def laid_through(times: list[float], values: list[float]) -> tuple[float, float]:
    """The slope and its standard error by ordinary least squares."""
    line = SlidingLine()
    for t, x in zip(times, values, strict=True):
        line.push(t, x)
    fit = line.fit()
    return fit.slope, math.sqrt(fit.residuals / (fit.n - 2) / fit.spread)


@rows("V6.19")
def test_thermometer_calibration_line() -> None:
    """JCGM 100:2008, H.3, Table H.6: slope 0.002 18 (0.000 67), t = 3.268, critical t95(9) = 2.262."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    slope, error = laid_through(t, b)
    assert slope == pytest.approx(0.002183, abs=5e-7)
    assert error == pytest.approx(0.000668, abs=5e-7)
    assert slope / error == pytest.approx(3.268, abs=0.001)
    assert student_quantile(0.975, 9) == pytest.approx(2.262, abs=0.001)


@rows("V6.20")
def test_significance_of_a_slope() -> None:
    """Ordinary least squares, recomputed with scipy; data invented for the test."""
    x = [401.2, 400.8, 401.5, 400.9, 401.9, 401.3, 402.2, 401.6, 402.1, 402.4]
    slope, error = laid_through([float(k) for k in range(10)], x)
    assert (slope, error) == (pytest.approx(0.143636, abs=1e-5), pytest.approx(0.039445, abs=1e-5))
    assert slope / error == pytest.approx(3.641417, abs=1e-5)
    assert 2 * student_cdf(-slope / error, 8) == pytest.approx(0.006575, abs=1e-5)
    assert student_quantile(0.975, 8) == pytest.approx(2.306004, abs=1e-5)
