"""The noise that the studies draw is as independent as they say: von Neumann's ratio of it has the published quantiles.

J. von Neumann, Ann. Math. Stat. 12 (1941) 367; B. I. Hart, Ann. Math. Stat. 13 (1942) 445. The core tests slope and R
instead of this ratio, but the line that it lays through a series holds the same sums: the squares of the deviations and
of the differences between neighbours. Exact cases come from those; tens of thousands of series are faster as arrays, of
which the first are held against the core's sums.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.measure.line import SlidingLine
from tests.published.rows import rows
from tests.studies.common import autoregressive

Floats = NDArray[np.float64]
COUNT = 60_000
LOWER = {4: (0.780, 0.626), 10: (1.062, 0.752), 20: (1.300, 1.041), 30: (1.418, 1.195), 50: (1.544, 1.363)}
"""n: lower 5 % and 1 % points."""


def ratio(series: Floats) -> Floats:
    """Σ(differences²)/Σ(deviations²) of each row."""
    deviations = series - series.mean(axis=-1, keepdims=True)
    return np.asarray((np.diff(series) ** 2).sum(axis=-1) / (deviations**2).sum(axis=-1))


def by_line(series: Floats) -> float:
    """The same of one series, from the core's line: followed by its mirror image a series has no slope, so that the
    line's residuals are deviations from the mean; both halves have the same sums."""
    line = SlidingLine()
    for k, x in enumerate([*series.tolist(), *series[::-1].tolist()]):
        line.push(float(k), x)
    fit = line.fit()
    ends = 2.0 * fit.first**2
    return (2.0 * fit.residuals * (1.0 - fit.lag1) - ends) / fit.residuals


def of_studies(n: int, phi: float = 0.0) -> Floats:
    series = autoregressive(np.random.default_rng(600 + n), phi, COUNT, n)
    found = ratio(series)
    assert found[:20] == pytest.approx([by_line(one) for one in series[:20]], rel=1e-9)
    return found


@pytest.mark.parametrize("n", LOWER)
@rows("V6.11", "V6.12")
def test_independent_noise_has_the_published_lower_points(n: int) -> None:
    found = np.quantile(of_studies(n), [0.05, 0.01])
    assert found == pytest.approx(LOWER[n], rel=0.02)  # what 60 000 draws leave open at 1 %


@rows("V6.13")
def test_harts_form() -> None:
    """k = ratio × n/(n − 1); 1.040 6 at n = 4 and 5 %, as printed (from memory)."""
    assert np.quantile(of_studies(4), 0.05) * 4 / 3 == pytest.approx(1.0406, rel=0.01)


@pytest.mark.parametrize(("n", "lower"), [(4, 0.390), (10, 0.531), (20, 0.650)])
@rows("V6.14")
def test_abbes_value(n: int, lower: float) -> None:
    """Half the ratio, 5 % points (printed values from memory)."""
    assert np.quantile(of_studies(n), 0.05) / 2 == pytest.approx(lower, rel=0.01)


@pytest.mark.parametrize(("n", "variance"), [(10, 0.323232), (20, 0.180451)])
@rows("V6.15")
def test_mean_and_variance(n: int, variance: float) -> None:
    """E = 2, Var = 4(n − 2)/((n − 1)(n + 1)); formula as in the R package DescTools."""
    assert 4 * (n - 2) / ((n - 1) * (n + 1)) == pytest.approx(variance, abs=1e-6)
    found = of_studies(n)
    assert found.mean() == pytest.approx(2.0, abs=0.01)
    assert found.var() == pytest.approx(variance, rel=0.03)


@rows("V6.16", "V6.17", "V6.18")
def test_exact_cases_of_the_ratio() -> None:
    """A ramp of ten, 12/(10·11); an alternation of ten; and the corrections of JCGM 100:2008, H.3."""
    assert by_line(np.arange(1.0, 11.0)) == pytest.approx(0.109090909, abs=1e-8)
    assert by_line(np.array([1.0, -1.0] * 5)) == pytest.approx(3.6, abs=1e-9)
    corrections = (-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160)
    assert by_line(1e-3 * np.array(corrections)) == pytest.approx(0.743580, abs=1e-6)


def test_noise_that_resembles_itself_is_told_from_independent_noise() -> None:
    """With φ = 0.4 most series of 50 lie below the 1 % point of independent ones."""
    assert np.mean(of_studies(50, 0.4) < LOWER[50][1]) > 0.6
