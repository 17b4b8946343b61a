"""Uncertainty against the worked examples of the Guides. JCGM 100:2008 is the GUM, JCGM 101:2008 its Supplement 1."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.measure.channels import Distribution, Doubt
from daq.measure.convolution import convolve
from daq.measure.distributions import normal_quantile, student_quantile
from daq.measure.uncertainty import Component, Shape, combine, effective_dof, evaluate, mean_of
from tests.published.rows import rows


def normal(source: str, u: float, dof: float = math.inf) -> Component:
    return Component(source, Shape.NORMAL, u, dof)


# JCGM 100:2008, H.1 (end gauge), Table H.1; nanometres. Inputs seen in the GTC 1.5 documentation.
COMPARATOR = (
    normal("repeated observations", 5.8, 24),
    normal("random, comparator", 3.9, 5),
    normal("systematic", 6.7, 8),
)
NOMINAL_NM = 50_000_623.0
THERMAL = (
    # within ± 1e-6 /K, at 0.1 K below 20 °C; and within ± 0.05 K, at 11.5e-6 /K
    replace(Component.rectangular("difference of expansion", 1e-6, NOMINAL_NM * 0.1), dof=50),
    replace(Component.rectangular("difference of temperature", 0.05, NOMINAL_NM * 11.5e-6), dof=2),
)


@rows("V5.1", "V5.3")
def test_end_gauge_comparator() -> None:
    """H.1.3.2: u(d) = 9.7 nm; ν = 25.6 (25.4 to 25.6 by rounding)."""
    combined = combine(COMPARATOR)
    assert combined.u == pytest.approx(9.7, abs=0.05)
    assert combined.dof == pytest.approx(25.5, abs=0.15)


@rows("V5.4")
def test_end_gauge_contributions() -> None:
    """H.1.5, Table H.1: 25, 9.7, 2.9 and 16.6 nm, from the standard's certificate (75 nm at k = 3), the comparator,
    expansion and temperature; each doubt alone, taken together from none but itself."""
    standard = Component.normal("standard", 75.0, 3.0)
    found = [combine(alone).u for alone in ([standard], COMPARATOR, *([part] for part in THERMAL))]
    assert found == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.05)
    assert [c.stated for c in THERMAL] == pytest.approx([1e-6, 0.05])


@rows("V5.5", "V5.6", "V5.7")
def test_end_gauge_combined() -> None:
    """H.1.5 and H.1.6: u = 32 nm (31.66 by GTC 1.5), ν_eff = 16.7, truncated to 16."""
    difference = combine(COMPARATOR)
    combined = combine([normal("standard", 25.0, 18), normal("difference", difference.u, difference.dof), *THERMAL])
    assert combined.u == pytest.approx(31.66, abs=0.01)
    assert combined.dof == pytest.approx(16.7, abs=0.1)
    # H.1.6: t99(16) = 2.92, U99 = 93 nm, from the rounded 32 nm
    assert student_quantile(0.995, math.floor(combined.dof)) * 32 == pytest.approx(93, abs=0.5)


@rows("V5.5", "V5.6")
def test_end_gauge_agrees_with_gtc() -> None:
    """GTC 1.5 as an independent witness of the first-order figures."""
    gtc = pytest.importorskip("GTC")
    parts = [gtc.ureal(0.0, c.standard, c.dof) for c in (*COMPARATOR, *THERMAL)]
    witness = parts[0] + parts[1] + parts[2] + parts[3] + parts[4] + gtc.ureal(0.0, 25.0, 18)
    combined = combine([normal("standard", 25.0, 18), *COMPARATOR, *THERMAL])
    assert combined.u == pytest.approx(witness.u, rel=1e-12)
    assert combined.dof == pytest.approx(witness.df, rel=1e-9)


@rows("V5.15")
def test_welch_satterthwaite() -> None:
    """JCGM 100:2008, G.4.1 EXAMPLE: u_c = 1.03 %, ν_eff = 19.0, t95(19) = 2.09, U95 = 2.2 %."""
    parts = [normal("X1", 0.25, 9), normal("X2", 0.57, 4), normal("X3", 0.82, 14)]
    dof = effective_dof(parts)
    u = combine(parts).u
    assert u == pytest.approx(1.03, abs=0.005)
    assert dof == pytest.approx(19.0, abs=0.05)
    assert student_quantile(0.975, dof) == pytest.approx(2.09, abs=0.005)
    assert student_quantile(0.975, dof) * u == pytest.approx(2.2, abs=0.05)


@rows("V5.16", "V5.17")
@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (0.95, (12.71, 4.30, 2.57, 2.23, 2.09, 2.01)),
        (0.9545, (13.97, 4.53, 2.65, 2.28, 2.13, 2.05)),
    ],
)
def test_t_factors(share: float, expected: tuple[float, ...]) -> None:
    """JCGM 100:2008, Table G.2."""
    student_quantile.cache_clear()  # a remembered answer runs no code
    found = [student_quantile(0.5 + share / 2, dof) for dof in (1, 2, 5, 10, 20, 50)]
    assert found == [pytest.approx(t, abs=0.005) for t in expected]


@rows("V5.18")
def test_t_factors_for_three_degrees_of_freedom() -> None:
    """JCGM 100:2008, Table G.2, at 68.27, 90 and 99.73 %."""
    found = [student_quantile(0.5 + share / 2, 3) for share in (0.6827, 0.90, 0.9973)]
    assert found == [pytest.approx(t, abs=0.005) for t in (1.20, 2.35, 9.22)]


@rows("V5.20")
def test_rectangular_divisor() -> None:
    """JCGM 100:2008, 4.3.7: a/√3. Triangular (4.3.9) and arcsine (H.1.3.4) tolerances cannot be stated here."""
    (component,) = evaluate((Doubt("tolerance", absolute=6.0),), reading=1.0, years=0.0, kelvins=0.0)
    assert component.standard == pytest.approx(6.0 / math.sqrt(3), rel=1e-12)


@rows("V5.21")
def test_half_width_with_a_fifty_percent_chance() -> None:
    """JCGM 100:2008, 4.3.5: u = 1.48 a; the coverage factor of such a half-width is the normal quantile at 0.75."""
    fifty = Doubt("even chance", absolute=1.0, distribution=Distribution.NORMAL, k=normal_quantile(0.75))
    (component,) = evaluate((fifty,), reading=0.0, years=0.0, kelvins=0.0)
    assert component.standard == pytest.approx(1.48, abs=0.005)


@rows("V5.22", "V5.23")
@pytest.mark.parametrize(("n", "percent"), [(2, 76), (3, 52), (4, 42), (5, 36), (10, 24), (20, 16), (30, 13), (50, 10)])
def test_doubt_about_a_standard_deviation(n: int, percent: float) -> None:
    """JCGM 100:2008, Table E.1: the relative scatter of s from n values, here of the standard deviations that
    windows of values known to be independent were given."""
    windows = np.random.default_rng(1008).standard_normal((6_000, n))
    spreads = np.array([mean_of(w, independent=True).standard for w in windows])
    assert 100 * spreads.std() / spreads.mean() == pytest.approx(percent, abs=1.5)


@rows("V5.24")
def test_degrees_of_freedom_from_a_doubt_about_u() -> None:
    """JCGM 100:2008, G.4.2: a doubt of 25 % about u is worth 8 degrees of freedom: ν = ½(Δu/u)⁻²."""
    dof = 0.5 * 0.25**-2
    assert dof == 8
    assert combine([normal("judged", 1.0, dof)]).dof == pytest.approx(8, rel=1e-12)


@rows("V5.25")
def test_four_normal_errors() -> None:
    """JCGM 101:2008, 9.2.2: y = 0, u = 2.00, 95 % interval [−3.92, 3.92]."""
    combined = combine([normal(f"X{k}", 1.0) for k in range(4)])
    assert (combined.u, combined.U) == (pytest.approx(2.0, rel=1e-12), pytest.approx(3.92, abs=0.005))


@rows("V5.26")
def test_four_rectangular_errors() -> None:
    """JCGM 101:2008, 9.2.3: 95 % interval [−3.88, 3.88]; exact 2√3(2 − (3/5)^¼) = 3.8794."""
    combined = combine([Component(f"X{k}", Shape.RECTANGULAR, 1.0) for k in range(4)])
    half = combined.U
    assert combined.u == pytest.approx(2.0, rel=1e-12)
    assert half == pytest.approx(3.88, abs=0.005)
    assert half == pytest.approx(2 * math.sqrt(3) * (2 - (3 / 5) ** 0.25), rel=1e-4)


@rows("V5.29")
def test_gauge_block_interval() -> None:
    """JCGM 101:2008, 9.5 (figures seen in a paper that quotes it): shortest 99 % interval [745, 932] nm about 838 nm.

    Its standard and comparator enter as scaled Student's t, temperatures as rectangles. The products of errors there
    (expansion × temperature, u about 16 nm) are no part of a sum: they enter as drawn, so that only the sum is ours.
    """
    rng = np.random.default_rng(1011)
    n = 400_000
    theta = -0.1 + 0.2 * rng.standard_normal(n) + 0.5 * np.sin(rng.uniform(0, 2 * math.pi, n))
    # half-widths of expansion difference and temperature difference are themselves known to 10 % and 50 % only
    expansion = rng.uniform(-1, 1, n) * rng.uniform(0.9e-6, 1.1e-6, n)
    alpha = rng.uniform(9.5e-6, 13.5e-6, n)
    temperature = rng.uniform(-1, 1, n) * rng.uniform(0.025, 0.075, n)
    products = NOMINAL_NM * (-expansion * theta - alpha * temperature)
    offsets, below = convolve([], [], [(25.0, 18), (5.8, 24), (3.9, 5), (6.7, 8)])
    grid = np.arange(-200.0, 200.1, 2.0)
    total = np.array([np.interp(d - products[:20_000], offsets, below).mean() for d in grid])
    low, high = np.interp([0.005, 0.995], total, grid)
    assert (838 + low, 838 + high) == (pytest.approx(745, abs=2.5), pytest.approx(932, abs=2.5))
