"""More worked examples of the Guides: where the core has a part in them, and where two libraries must agree first.

A test marked "witness check" runs no code of this project: it holds the independent libraries GTC and `uncertainties`,
which other tests take for witnesses of the core's first-order figures, against the printed ones.
"""

import math

import GTC
import numpy as np
import pytest
from uncertainties import correlated_values, correlation_matrix, ufloat, umath

from daq.measure.agreement import agreement
from daq.measure.distributions import fisher_above
from daq.measure.line import SlidingLine
from daq.measure.pooling import history_of
from daq.measure.reading import Reading
from daq.measure.scatter import Differences, variance_of
from daq.measure.uncertainty import Component, Shape, combine, mean_of
from tests.published.rows import rows

# JCGM 100:2008, H.2, Table H.2: simultaneous observations of V (V), I (mA), φ (rad).
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
MILLIAMPERES = [19.663, 19.639, 19.640, 19.685, 19.678]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


@rows("V5.8")
@pytest.mark.parametrize(
    ("observed", "mean", "u", "last"),
    [(VOLTS, 4.9990, 0.0032, 5e-5), (MILLIAMPERES, 19.6610, 0.0095, 5e-5), (RADIANS, 1.04446, 0.00075, 5e-6)],
    ids=["V", "I", "φ"],
)
def test_means_of_repeated_observations(observed: list[float], mean: float, u: float, last: float) -> None:
    """JCGM 100:2008, H.2, Table H.2. The Guide takes its observations as independent. Where the core is not told so, it
    doubts the mean more: five observations say little of how much neighbours resemble each other."""
    told, found = mean_of(np.array(observed), independent=True), mean_of(np.array(observed))
    assert told.value == pytest.approx(mean, abs=last)
    assert told.standard == pytest.approx(u, abs=last)
    assert told.dof == pytest.approx(4, rel=1e-9)
    assert combine([found.component()]).U > 1.5 * combine([told.component()]).U


# JCGM 100:2008, H.5, Table H.9 (from memory): standard deviations (µV) of five readings of a Zener standard a day.
OF_DAYS = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)


@rows("V5.41")
def test_pooled_variance_of_ten_days() -> None:
    """JCGM 100:2008, 4.2.4 and H.5, from memory: s_b² = (85 µV)² with 40 degrees of freedom, pooled from ten days of
    five readings; s_a² = 5·(57 µV)² = (128 µV)² with 9 between days; F = 2.25 against F₀.₉₅(9, 40) = 2.12 and
    F₀.₉₇₅(9, 40) = 2.45. A day is given by what pooling goes by: differences of neighbours, four to a day, which are
    2 s² on the average."""
    days = [{"bench.voltage": Differences((4 * 2.0 * s * s,), (4,))} for s in OF_DAYS]
    known = history_of(days)["bench.voltage"]
    assert known.runs == 10
    assert math.sqrt(variance_of(known.differences)) == pytest.approx(85.0, abs=0.5)
    assert known.differences.dof == 40
    assert known.dof == pytest.approx(40.0)  # days differ by no more than chance
    assert fisher_above((128.0 / 85.0) ** 2, 9.0, 40.0) == pytest.approx(0.04, abs=0.005)
    assert fisher_above(2.12, 9.0, 40.0) == pytest.approx(0.05, abs=5e-4)
    assert fisher_above(2.45, 9.0, 40.0) == pytest.approx(0.025, abs=5e-4)


@rows("V5.9", "V5.10", "V5.11", "V5.12")
def test_resistance_and_reactance_by_the_witnesses() -> None:
    """Witness check. JCGM 100:2008, H.2, Tables H.3 and H.4: correlated inputs through R = V/I cos φ, X = V/I sin φ,
    Z = V/I; nothing in this project has correlated inputs."""
    v, i, phi = GTC.type_a.multi_estimate_real((VOLTS, [1e-3 * a for a in MILLIAMPERES], RADIANS))
    r = [GTC.get_correlation(*pair) for pair in ((v, i), (v, phi), (i, phi))]
    assert r == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)
    out = [GTC.result(y) for y in (v / i * GTC.cos(phi), v / i * GTC.sin(phi), v / i)]
    table = np.array([VOLTS, [1e-3 * a for a in MILLIAMPERES], RADIANS])
    a, b, c = correlated_values(table.mean(axis=1), np.cov(table) / 5)
    other = (a / b * umath.cos(c), a / b * umath.sin(c), a / b)
    for k, (value, u) in enumerate(((127.732, 0.071), (219.847, 0.2955), (254.260, 0.236))):
        assert (out[k].x, out[k].u) == (pytest.approx(value, abs=1e-3), pytest.approx(u, abs=1e-3))
        assert (other[k].n, other[k].s) == (pytest.approx(out[k].x, rel=1e-9), pytest.approx(out[k].u, rel=1e-6))
    expected = {(0, 1): -0.588, (0, 2): -0.485, (1, 2): 0.993}
    matrix = correlation_matrix(other)
    for (j, k), printed in expected.items():
        assert GTC.get_correlation(out[j], out[k]) == pytest.approx(printed, abs=1e-3)
        assert matrix[j][k] == pytest.approx(printed, abs=1e-3)


# JCGM 100:2008, H.3, Table H.6: thermometer readings and corrections, °C.
THERMOMETER = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


@rows("V5.13", "V5.14")
def test_thermometer_calibration_line() -> None:
    """JCGM 100:2008, H.3: intercept at 20 °C −0.171 2 (0.002 9), slope 0.002 18 (0.000 67), r = −0.930, s = 0.003 5; at
    30 °C −0.149 4 (0.004 1). Slope, spread and residuals are the core's, and GTC's line is a witness of all of it."""
    t = [x - 20.0 for x in THERMOMETER]
    line = SlidingLine()
    for x, y in zip(t, CORRECTIONS, strict=True):
        line.push(x, y)
    fit, n, centre = line.fit(), len(t), float(np.mean(t))
    s = math.sqrt(fit.residuals / (n - 2))
    intercept = CORRECTIONS[0] - fit.first - fit.slope * t[0]
    at_0, of_slope = s * math.sqrt(1 / n + centre**2 / fit.spread), s / math.sqrt(fit.spread)
    at_30 = s * math.sqrt(1 / n + (10.0 - centre) ** 2 / fit.spread)
    assert (intercept, at_0) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.0029, abs=5e-5))
    assert (fit.slope, of_slope) == (pytest.approx(0.00218, abs=5e-6), pytest.approx(0.00067, abs=5e-6))
    assert -centre * of_slope / at_0 == pytest.approx(-0.930, abs=5e-4)
    assert s == pytest.approx(0.0035, abs=5e-5)
    assert (intercept + 10 * fit.slope, at_30) == (pytest.approx(-0.1494, abs=5e-5), pytest.approx(0.0041, abs=5e-5))
    witness = GTC.type_a.line_fit(t, CORRECTIONS)
    a, b = witness.a_b
    assert (a.x, a.u, b.x, b.u) == (
        *(pytest.approx(x, rel=1e-9) for x in (intercept, at_0)),
        *(pytest.approx(x, rel=1e-9) for x in (fit.slope, of_slope)),
    )


@rows("V5.2")
def test_the_length_of_the_end_gauge() -> None:
    """Witness check. JCGM 100:2008, H.1: 50 000 838 nm, by both libraries from Table H.1; the core's share of that
    example is its combination of uncertainties, checked in test_metrology.py."""
    for make in (GTC.ureal, ufloat):
        length = make(50_000_623.0, 25.0) + make(215.0, 9.682)
        expansion = length * (make(0.0, 0.58e-6) * make(-0.1, 0.41) + make(11.5e-6, 1.2e-6) * make(0.0, 0.029))
        gauge = length - expansion
        value = gauge.x if make is GTC.ureal else gauge.n
        assert value == pytest.approx(50_000_838, abs=0.5)


def compared(ohms: float, sensitivity: float) -> Reading:
    """Resistors whose only doubt is that of the standard that they were compared with."""
    doubt = Component.normal("standard", 0.1, sensitivity=sensitivity, common=True)
    return Reading("power", "free_flow", ohms, ohms, ohms, combine([doubt]), 1, 1.0, (0.0, 1.0))


@rows("V5.19")
def test_ten_resistors_compared_with_one_standard() -> None:
    """JCGM 100:2008, 5.2.2 EXAMPLE: ten resistors of 1 kΩ, each with u = 100 mΩ from the same standard, in series:
    u = 1 Ω; 0.32 Ω were they independent. Within a reading components are independent ones, so that what many values
    share must enter once, with the whole sensitivity; between two readings what is common is told apart: here one
    resistor, less nine of them in the other sense."""
    shared = combine([Component("standard", Shape.NORMAL, 10 * 0.1)])
    apart = combine([Component(f"resistor {k}", Shape.NORMAL, 0.1) for k in range(10)])
    assert (shared.u, apart.u) == (pytest.approx(1.0, abs=0.01), pytest.approx(0.32, abs=0.01))
    nine, one = (compared(times * 1000.0, times) for times in (-9, 1))
    assert agreement(nine, one).difference == 10_000.0
    assert agreement(nine, one).combined.u == pytest.approx(1.0, rel=1e-12)
    assert agreement(one, one).combined.u == 0.0
    standard = GTC.ureal(0.0, 0.1)
    assert (sum(standard + 1000.0 for _ in range(10))).u == pytest.approx(shared.u, rel=1e-12)


@rows("V5.27", "V5.28")
@pytest.mark.parametrize(("x1", "mean", "u", "first_order"), [(0.0, 50e-6, 50e-6, 0.0), (0.050, 2550e-6, 502e-6, 5e-4)])
def test_comparison_loss(x1: float, mean: float, u: float, first_order: float) -> None:
    """Witness check. JCGM 101:2008, 9.4.2: Y = X1² + X2², u = 0.005 each, uncorrelated: the propagation of
    distributions against first order, which fails at 0. By closed form (E and Var of squares of normal values) and both
    libraries. The core has no such model: its readings are sums, products with small relative uncertainties, and their
    distributions are convolved."""
    s = 0.005
    assert x1**2 + 2 * s**2 == pytest.approx(mean, abs=1e-9)
    assert math.sqrt(4 * x1**2 * s**2 + 2 * s**4 + 2 * s**4) == pytest.approx(u, abs=1e-6)
    witness = GTC.ureal(x1, s) ** 2 + GTC.ureal(0.0, s) ** 2
    other = ufloat(x1, s) ** 2 + ufloat(0.0, s) ** 2
    assert (witness.u, other.s) == (pytest.approx(first_order, abs=1e-9), pytest.approx(first_order, abs=1e-9))
