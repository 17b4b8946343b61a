"""Statistics against published tables, worked examples and certified data sets."""

import math

import numpy as np
import pytest

from daq.measure.distributions import normal_cdf
from daq.measure.line import Fit, SlidingLine
from daq.measure.uncertainty import combine, mean_of
from daq.study.capability import capability_of
from daq.study.gauge import analyse, gauge
from daq.study.shewhart import c4, d2, d3, factors
from tests.published.rows import rows


@pytest.mark.parametrize(
    ("n", "expected"),
    [
        pytest.param(2, (1.1284, 0.8525, 0.7979, 1.8800, 0.0, 3.2665), id="V7.1"),
        pytest.param(4, (2.0588, 0.8798, 0.9213, 0.7286, 0.0, 2.2821), id="V7.2"),
        pytest.param(5, (2.3259, 0.8641, 0.9400, 0.5768, 0.0, 2.1145), id="V7.3"),
        pytest.param(8, (2.8472, 0.8198, 0.9650, 0.3725, 0.1362, 1.8638), id="V7.4"),
        pytest.param(10, (3.0775, 0.7971, 0.9727, 0.3083, 0.2230, 1.7770), id="V7.5"),
        pytest.param(3, (1.6926, 0.8884, 0.8862, 1.0233, 0.0, 2.5746), id="V7.6"),
        pytest.param(6, (2.5344, 0.8480, 0.9515, 0.4832, 0.0, 2.0038), id="V7.7"),
    ],
)
def test_control_chart_constants(n: int, expected: tuple[float, ...]) -> None:
    """ASTM E2587 and ISO 7870-2, tables of constants (printed figures from memory): d2, d3, c4, A2, D3, D4."""
    used = factors(n)
    assert [d2(n), d3(n), c4(n), used.A2, used.D3, used.D4] == pytest.approx(expected, abs=0.0001)


@pytest.mark.parametrize(
    ("n", "expected"),
    [
        pytest.param(5, (1.4273, 0.0, 2.0890), id="V7.8"),
        pytest.param(7, (1.1819, 0.1177, 1.8823), id="V7.9, n = 7"),
        pytest.param(10, (0.9754, 0.2837, 1.7163), id="V7.9, n = 10"),
    ],
)
def test_constants_of_the_s_chart(n: int, expected: tuple[float, ...]) -> None:
    """ASTM E2587 and ISO 7870-2, tables of constants (printed figures from memory): A3, B3, B4."""
    factors.cache_clear()  # each row works its figures out
    used = factors(n)
    found = [used.A3, used.B3, used.B4]
    assert found == pytest.approx(expected, abs=0.0001)


# AIAG, Measurement Systems Analysis, 4th edition (2010), worked example: ten parts, three appraisers, three trials.
# Data from memory; the same in four unrelated open-source projects. A line is an appraiser's trial.
AIAG = """
    .29 -.56 1.34  .47  -.80  .02 .59 -.31 2.26 -1.36
    .41 -.68 1.17  .50  -.92 -.11 .75 -.20 1.99 -1.25
    .64 -.58 1.27  .64  -.84 -.21 .66 -.17 2.01 -1.31
    .08 -.47 1.19  .01  -.56 -.20 .47 -.63 1.80 -1.68
    .25 -1.22 .94 1.03 -1.20  .22 .55  .08 2.12 -1.62
    .07 -.68 1.34  .20 -1.28  .06 .83 -.34 2.19 -1.50
    .04 -1.38 .88  .14 -1.46 -.29 .02 -.46 1.77 -1.49
   -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
   -.15 -.96  .67  .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""
MEASURED = np.array(AIAG.split(), float).reshape(3, 3, 10).transpose(2, 0, 1)


@rows("V7.10", "V7.11")
def test_gauge_study_sums_of_squares() -> None:
    """AIAG's example; the same figures in an open-source test-suite that quotes it."""
    found = analyse(MEASURED)
    table = (found.units, found.operators, found.interaction, found.repeats, found.total)
    assert [row.squares for row in table] == pytest.approx([88.3619, 3.1673, 0.3590, 2.7589, 94.6471], abs=1e-4)
    assert [row.dof for row in table] == [9, 2, 18, 60, 89]


@rows("V7.12", "V7.13")
def test_gauge_study_mean_squares() -> None:
    """AIAG's example. F of the main effects against the interaction and, as the manual does, against the repeats; both
    customs are noted in the documentation of the R package SixSigma."""
    found = analyse(MEASURED)
    table = (found.units, found.operators, found.interaction, found.repeats)
    assert [row.mean for row in table] == pytest.approx([9.81799, 1.58363, 0.01994, 0.04598], abs=1e-5)
    assert (found.interaction_f, found.interaction_p) == (
        pytest.approx(0.434, abs=5e-4),
        pytest.approx(0.974, abs=5e-4),
    )
    for against, units, operators in ((found.interaction, 492.29, 79.41), (found.repeats, 213.52, 34.44)):
        assert found.units.mean / against.mean == pytest.approx(units, abs=0.01)
        assert found.operators.mean / against.mean == pytest.approx(operators, abs=0.01)


@rows("V7.14", "V7.15", "V7.16", "V7.17")
def test_gauge_study_components() -> None:
    """AIAG's example with the interaction pooled (78 degrees of freedom): EV to TV; four classes."""
    found = gauge(MEASURED)
    deviations = [found.ev, found.av, found.grr, found.pv, found.tv]
    assert found.pooled
    assert np.square(deviations) == pytest.approx([0.039973, 0.051455, 0.091429, 1.086447, 1.177875], abs=2e-6)
    assert deviations == pytest.approx([0.199933, 0.226838, 0.302372, 1.042327, 1.085300], abs=2e-6)
    shares = [100 * found.share(d) for d in deviations[:4]]
    assert shares == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=0.01)
    assert found.distinct == 4


@rows("V7.18")
def test_capability_of_a_band() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 (example from memory): 8 to 20, mean 16, s = 2."""
    found = capability_of(50, 16.0, 2.0, 8.0, 20.0)
    assert (found.cp, found.cpk) == (pytest.approx(1.0, abs=1e-4), pytest.approx(0.6667, abs=1e-4))


@rows("V7.19")
def test_capability_of_a_minimum() -> None:
    """ISO 22514-2, definition: at least 110, mean 124, s = 3.5."""
    assert capability_of(50, 124.0, 3.5, 110.0, None).cpk == pytest.approx(1.3333, abs=1e-4)


@rows("V7.20")
def test_fallout_of_one_side() -> None:
    """Normal tail: Cpk 1 leaves 1 349.9 ppm beyond, 1.33 leaves 33.04 ppm."""
    for cpk, ppm in ((1.0, 1349.9), (1.33, 33.04)):
        found = capability_of(50, 3.0 * cpk, 1.0, 0.0, None)
        assert found.beyond * 1e6 == pytest.approx(ppm, abs=0.1)
        assert normal_cdf(-3.0 * cpk) * 1e6 == pytest.approx(ppm, abs=0.1)


def laid(x: list[float], y: list[float]) -> Fit:
    line = SlidingLine()
    for t, value in zip(x, y, strict=True):
        line.push(t, value)
    return line.fit()


NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 "
    "995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 "
    "998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)


@rows("V7.21")
def test_a_certified_line() -> None:
    """NIST StRD, linear regression, Norris, to 1e-9 of each certified value. The fit gives slope, spread, residuals and
    the oldest point's residual; intercept and standard deviations follow from these."""
    x, y = [[float(v) for v in text.split()] for text in (NORRIS_X, NORRIS_Y)]
    fit, n = laid(x, y), len(x)
    s = math.sqrt(fit.residuals / (n - 2))
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert s / math.sqrt(fit.spread) == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert y[0] - fit.first - fit.slope * x[0] == pytest.approx(-0.262323073774029, rel=1e-9)
    assert s * math.sqrt(1 / n + np.mean(x) ** 2 / fit.spread) == pytest.approx(0.232818234301152, rel=1e-9)
    assert s == pytest.approx(0.884796396144373, rel=1e-9)
    assert 1 - fit.residuals / (n * np.var(y)) == pytest.approx(0.999993745883712, rel=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "slope", "doubt", "s"),
    [
        pytest.param(
            *(range(60, 71), range(130, 141)), 2.07438016528926, 0.165289256198347e-1, 3.56753034006338, id="V7.22"
        ),
        pytest.param([4, 5, 6], [3, 4, 4], 0.727272727272727, None, None, id="V7.23"),
    ],
)
def test_a_certified_line_through_the_origin(
    x: list[int], y: list[int], slope: float, doubt: float | None, s: float | None
) -> None:
    """NIST StRD, NoInt1 and NoInt2 (the latter from memory), to 1e-10. Points and their mirror images about the origin
    have the line through it; sums come out twice."""
    fit = laid([*map(float, x), *(-float(v) for v in x)], [*map(float, y), *(-float(v) for v in y)])
    assert fit.slope == pytest.approx(slope, rel=1e-10)
    if s is not None:
        found = math.sqrt(fit.residuals / 2 / (len(x) - 1))
        assert found == pytest.approx(s, rel=1e-10)
        assert found / math.sqrt(fit.spread / 2) == pytest.approx(doubt, rel=1e-10)


@pytest.mark.parametrize(
    ("values", "mean", "deviation", "relative"),
    [
        pytest.param([10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, 1e-15, id="V7.24"),
        pytest.param([1.2, *([1.1, 1.3] * 500)], 1.2, 0.1, 1e-9, id="V7.25"),
    ],
)
def test_certified_means(values: list[float], mean: float, deviation: float, relative: float) -> None:
    """NIST StRD, univariate, NumAcc1 and NumAcc2 (the latter from memory). Their lag-1 autocorrelations, −0.5 and
    −0.999, must not make the mean better than that of independent values."""
    found, told = mean_of(np.array(values)), mean_of(np.array(values), independent=True)
    assert found.value == pytest.approx(mean, rel=relative)
    assert told.standard * math.sqrt(told.n) == pytest.approx(deviation, rel=max(relative, 1e-9))
    assert (told.phi, told.n_effective) == (pytest.approx(0.0, abs=1e-9), pytest.approx(len(values)))
    assert combine([found.component()]).U >= 0.999999 * combine([told.component()]).U
