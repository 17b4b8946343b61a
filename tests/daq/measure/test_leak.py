"""A stand's own leak, found from the pressure of its blanked-off line."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import isotonic_regression

from daq.measure.channels import Leak
from daq.measure.convert import Floats
from daq.measure.errors import LeakError
from daq.measure.leak import _rising, leak_of
from daq.measure.residual import leak_rate
from tests.studies.common import autoregressive

T = np.arange(0.025, 120.0, 0.05)


def falling(rate: Callable[[float], float], start: float = 500e3) -> Floats:
    """Pressure that falls by `rate` of itself, as scipy's solve_ivp has it."""
    solved = solve_ivp(lambda _, p: [-rate(p[0])], (0.0, 120.0), [start], t_eval=T, rtol=1e-9, atol=1e-3)
    return np.asarray(solved.y[0], dtype=np.float64)


def gap(p: float) -> float:
    return p / 150.0


def hole(p: float) -> float:
    return 2.5e3 * math.sqrt(max(p, 0.0) / 500e3)


@pytest.mark.parametrize("rate", [gap, hole], ids=["in proportion to pressure", "to its root"])
def test_a_leak_by_its_law(rate: Callable[[float], float]) -> None:
    found = leak_of(T, falling(rate) + np.random.default_rng(2).normal(0.0, 300.0, T.size), kelvins=0.0)
    assert len(found.points) == 5
    assert found.start == pytest.approx(500e3, rel=0.01)
    for point in found.points:
        assert point.rate == pytest.approx(rate(point.at), abs=1.5 * point.U + 0.01 * point.rate)
        assert 0.05 * point.rate > point.U
    everywhere = np.linspace(found.points[0].at, found.points[-1].at, 50)
    assert leak_rate(found.leak, everywhere) == pytest.approx([rate(p) for p in everywhere], rel=0.03)


def test_a_stiff_line_loses_what_its_bulk_modulus_says() -> None:
    """dp = K·dV/V: 5 µL out of 50 mL at K = 1 GPa is 100 kPa (definition of the bulk modulus). Here within 100 s."""
    lost = 5e-9 * T / 100.0
    found = leak_of(T, 500e3 - 1e9 * lost / 50e-6, kelvins=0.0)
    assert [point.rate for point in found.points] == pytest.approx([100e3 / 100.0] * len(found.points), rel=1e-6)


def test_a_small_leak_gives_one_point() -> None:
    found = leak_of(T, falling(lambda p: p / 6000.0) + np.random.default_rng(3).normal(0.0, 200.0, T.size), kelvins=0.0)
    [point] = found.points
    assert point.at == pytest.approx(495e3, rel=0.002)
    assert abs(point.rate - 82.5) <= 2.0 * point.U


def test_no_leak_at_all_is_a_finding_too() -> None:
    found = leak_of(T, np.full_like(T, 400e3), lsb=40.0, kelvins=0.0)
    assert [point.rate for point in found.points] == pytest.approx([0.0], abs=1e-6)
    assert 0.0 < found.leak.doubt < 10.0


def test_a_leak_that_empties_the_line_in_seconds() -> None:
    found = leak_of(T, falling(lambda p: p / 2.0), kelvins=0.0)
    assert found.points[-1].rate == pytest.approx(found.points[-1].at / 2.0, rel=0.05)


def test_the_fluids_temperature_is_a_doubt_of_every_rate() -> None:
    pressure = falling(gap) + np.random.default_rng(4).normal(0.0, 10.0, T.size)
    sure = leak_of(T, pressure, kelvins=0.0, thermal=5e3)
    warmed = leak_of(T, pressure, kelvins=-0.6, thermal=5e3, temperature=299.0)
    unmeasured = leak_of(T, pressure, thermal=5e3)
    span = T[-1] - T[0]
    assert warmed.leak.doubt - sure.leak.doubt == pytest.approx(0.95 * 0.6 * 5e3 / span, rel=0.1)  # 95 % of a rectangle
    assert unmeasured.leak.doubt > warmed.leak.doubt > sure.leak.doubt
    assert warmed.leak.temperature == 299.0


def test_a_rise_is_no_leak() -> None:
    with pytest.raises(LeakError, match=r"expected it to fall in a line that is shut .* found it rising by 50 Pa/s"):
        leak_of(T, 400e3 + 50.0 * T, kelvins=0.0)
    assert leak_of(T, 400e3 + 5.0 * T, kelvins=1.0, thermal=5e3).points[0].rate == 0.0  # no more than warmth may do


def test_an_absolute_transducer() -> None:
    air = 101_325.0
    found = leak_of(T, air + falling(gap), rest=air, kelvins=0.0)
    assert leak_rate(found.leak, np.array([air, air + 300e3])) == pytest.approx([0.0, 2e3], rel=0.01)


def test_rates_are_as_doubtful_as_they_say() -> None:
    """Monte Carlo with autocorrelated noise: 92 to 99 % of the rates lie within U."""
    rng, inside, total = np.random.default_rng(11), 0, 0
    pressure = falling(gap)
    for _ in range(80):
        noise, fresh = np.empty(T.size), rng.normal(0.0, 400.0 * math.sqrt(1 - 0.4**2), T.size)
        noise[0] = fresh[0]
        for k in range(1, T.size):
            noise[k] = 0.4 * noise[k - 1] + fresh[k]
        points = leak_of(T, pressure + noise, kelvins=0.0).points
        inside += sum(abs(point.rate - gap(point.at)) <= point.U for point in points)
        total += len(points)
    assert 0.92 <= inside / total <= 0.99, inside / total


@pytest.mark.parametrize(("steps", "phi"), [(21, 0.6), (40, 0.6), (100, 0.8), (100, 0.9), (200, 0.95)])
def test_the_rate_of_a_short_record_of_correlated_noise_is_as_doubtful_as_it_says(steps: int, phi: float) -> None:
    """Monte Carlo: a line takes two degrees of freedom from the few that such a record has."""
    rng, inside, total = np.random.default_rng(1), 0, 0
    t = T[:steps]
    for noise in autoregressive(rng, phi, 200, steps):
        [point] = leak_of(t, 400e3 - 5e3 * t + 300.0 * noise, kelvins=0.0).points
        inside += abs(point.rate - 5e3) <= point.U
        total += 1
    assert 0.89 <= inside / total <= 0.99, inside / total


@given(rates=st.lists(st.floats(0.0, 1e4), min_size=1, max_size=8))
def test_rates_that_fall_are_pooled_as_scipy_does(rates: list[float]) -> None:
    assert _rising(rates) == pytest.approx(isotonic_regression(rates).x.tolist(), rel=1e-9, abs=1e-9)


def test_the_table_is_one_that_a_stand_may_state() -> None:
    leak: Leak = leak_of(T, falling(hole), kelvins=0.0).leak
    at, rate = zip(*leak.table, strict=True)
    assert list(at) == sorted(at)
    assert list(rate) == sorted(rate)


@pytest.mark.parametrize("later", [30.0, 1e4])
def test_a_record_that_begins_later_tells_the_same(later: float) -> None:
    pressure = falling(hole) + np.random.default_rng(6).normal(0.0, 100.0, T.size)
    first, then = leak_of(T, pressure, kelvins=0.1, thermal=5e3), leak_of(T + later, pressure, kelvins=0.1, thermal=5e3)
    assert [(p.at, p.rate, p.U) for p in then.points] == [
        (pytest.approx(p.at, rel=1e-6), pytest.approx(p.rate, rel=1e-4), pytest.approx(p.U, rel=1e-3))
        for p in first.points
    ]
    assert then.seconds == pytest.approx(first.seconds) == pytest.approx(T[-1] - T[0])


def test_start_and_end_are_the_means_of_a_second() -> None:
    found = leak_of(T, 500e3 - 1e3 * T, kelvins=0.0)
    middles = 500e3 - 1e3 * (T[0] + 0.475), 500e3 - 1e3 * (T[-1] - 0.475)
    assert (found.start, found.end) == pytest.approx(middles)


def test_all_of_a_falls_parts_lose_the_same_pressure() -> None:
    found = leak_of(T, falling(gap), kelvins=0.0)
    assert len(found.points) == 5
    levels = np.linspace(500e3, float(falling(gap)[-1]), 6)
    assert [p.at for p in found.points] == pytest.approx((0.5 * (levels[1:] + levels[:-1]))[::-1].tolist(), rel=0.01)


@pytest.mark.parametrize(("share", "points"), [(0.19, 1), (0.21, 2), (0.31, 3), (0.41, 4), (0.55, 5), (0.9, 5)])
def test_each_point_needs_a_tenth_of_the_pressure(share: float, points: int) -> None:
    found = leak_of(T, 500e3 * (1.0 - share * (T - T[0]) / (T[-1] - T[0])), kelvins=0.0)
    assert len(found.points) == points
