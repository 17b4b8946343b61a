"""Residual pressure after power-off: its value at a time, without the stand's own leak, and how far to trust it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

from daq.measure.channels import Leak
from daq.measure.convert import Floats
from daq.measure.decay import decay_of
from daq.measure.errors import ResidualError
from daq.measure.residual import Residual, leak_rate, residual_of
from daq.measure.uncertainty import combine, mean_of

LEAK = Leak(((200e3, 100.0), (500e3, 400.0)), doubt=20.0, temperature=295.0)
STEP = 0.05


def times(until: float) -> Floats:
    """Middles of steps from power-off on."""
    return np.arange(0.5 * STEP, until, STEP)


def read(t: Floats, pressure: Floats, after: float = 10.0, leak: Leak | None = LEAK) -> Residual:
    return residual_of(t, pressure, after=after, leak=leak, kelvins=0.0)


def test_a_unit_that_holds_is_read_as_holding_on_a_stand_that_leaks() -> None:
    """What the stand loses by its law, solved by scipy's solve_ivp, is put back."""
    t = times(61.0)
    held = 450e3
    solved = solve_ivp(lambda _, p: -leak_rate(LEAK, p), (0.0, 61.0), [held], t_eval=t, rtol=1e-10, atol=1e-6)
    for after in (2.0, 10.0, 60.0):
        residual = read(t, solved.y[0], after)
        assert residual.value == pytest.approx(held, rel=1e-6)
        assert residual.correction == pytest.approx(held - float(np.interp(after, t, solved.y[0])), rel=1e-4)
        assert residual.decay.rate(after) == pytest.approx(0.0, abs=0.01)


def test_an_exponential_by_its_own_law() -> None:
    t = times(30.0)
    residual = read(t, 100e3 + 300e3 * np.exp(-t / 12.0), leak=None)
    assert residual.value == pytest.approx(100e3 + 300e3 * math.exp(-10 / 12), rel=1e-4)  # a mean over 0.5 s
    assert (residual.decay.rest, residual.decay.tau) == pytest.approx((100e3, 12.0), rel=1e-3)
    assert residual.decay.residual < 1.0
    assert residual.flags == ("stand_leak_unknown",)
    assert residual.drop == pytest.approx(0.0, abs=1.0)


def test_the_law_is_what_scipy_finds() -> None:
    rng, t = np.random.default_rng(7), times(20.0)
    pressure = 50e3 + 400e3 * np.exp(-t / 6.0) + rng.normal(0.0, 500.0, t.size)
    law = decay_of(t, pressure)
    found, _ = curve_fit(lambda t, rest, height, tau: rest + height * np.exp(-t / tau), t, pressure, (0.0, 4e5, 5.0))
    assert (law.rest, law.height, law.tau) == pytest.approx(tuple(found), rel=1e-4)
    assert law.residual == pytest.approx(500.0, rel=0.1)


def test_a_pressure_that_is_seen_late_has_a_law_too() -> None:
    """After a minute in which all scans were lost nothing of a short decay is left to fit."""
    late = np.arange(60.0, 64.0, 0.05)
    assert decay_of(late, np.full(late.size, 100e3)).at(62.0) == pytest.approx(100e3)


@given(start=st.floats(10e3, 900e3), rate=st.floats(-200.0, 200.0))
def test_a_pressure_that_hardly_falls_has_a_rate_all_the_same(start: float, rate: float) -> None:
    t = times(10.0)
    law = decay_of(t, start - rate * t)
    assert law.at(5.0) == pytest.approx(start - 5.0 * rate, abs=0.002 * start + 1.0)
    assert law.rate(5.0) == pytest.approx(rate, abs=0.15 * abs(rate) + 1.0)
    assert law.rest >= 0.0


def test_what_is_lost_at_once_is_told_apart() -> None:
    t = times(12.0)
    pressure = 400e3 * np.exp(-t / 100.0) + 150e3 * np.exp(-t / 0.1)
    residual = read(t, pressure, leak=None)
    assert residual.drop == pytest.approx(150e3 * math.exp(-0.25), rel=0.01)  # the first step's middle is 25 ms late
    assert read(t[20:], pressure[20:], leak=None).drop is None


def test_above_its_table_the_leak_is_doubted_as_far_as_it_was_guessed() -> None:
    t = times(11.0)
    residual = read(t, np.full_like(t, 600e3))
    assert residual.flags == ("above_leak_table",)
    assert residual.correction == pytest.approx(400.0 * 1.2 * 10.0)
    doubts = {c.source: c.standard for c in residual.components}
    assert doubts["stand's leak beyond its table"] == pytest.approx(400.0 * 0.2 * 10.0 / math.sqrt(3))
    assert read(t, np.full_like(t, 500e3)).flags == ()


def test_below_its_table_the_leak_may_be_a_hole_or_a_gap() -> None:
    """In proportion to pressure, or to its root: at a quarter of the first point by a quarter of its rate apart."""
    t = times(11.0)
    residual = read(t, np.full_like(t, 50e3))
    doubts = {c.source: c.standard for c in residual.components}
    assert residual.correction == pytest.approx(25.0 * 10.0)
    assert doubts["stand's leak beyond its table"] == pytest.approx(25.0 * 10.0 / math.sqrt(3))
    assert residual.flags == ()


def test_the_leaks_law_between_its_points() -> None:
    found = leak_rate(LEAK, np.array([0.0, 100e3, 200e3, 350e3, 500e3, 1000e3]))
    assert found == pytest.approx([0.0, 50.0, 100.0, 250.0, 400.0, 800.0])
    absolute = replace(LEAK, rest=101_325.0)
    assert leak_rate(absolute, np.array([101_325.0, 200e3, 500e3])) == pytest.approx([0.0, 100.0, 400.0])


def test_each_doubt_by_hand() -> None:
    t = times(11.0)
    pressure = 400e3 - 2e3 * t + np.random.default_rng(1).normal(0.0, 200.0, t.size)
    residual = residual_of(t, pressure, after=10.0, leak=LEAK, lsb=300.0, kelvins=-0.5, thermal=4e3, temperature=305.0)
    doubts = {c.source: c.standard for c in residual.components}
    root = math.sqrt(3)
    assert doubts["scatter"] == pytest.approx(math.sqrt((200**2 + 300**2 / 12) / 10), rel=0.5)  # one draw of ten
    assert doubts["moment of power-off"] == pytest.approx(2e3 * 0.05 / root, rel=0.2)
    assert doubts["fluid temperature since power-off"] == pytest.approx(0.5 * 4e3 / root)
    assert doubts["stand's leak"] == pytest.approx(20.0 / 2 * 10.0)  # k = 2, and it errs one way for 10 s
    assert doubts["stand's leak beyond its table"] == 0.0
    assert doubts["stand's leak at another temperature"] == pytest.approx(0.03 * 10.0 * residual.correction / root)
    assert residual.correction == pytest.approx(10.0 * (100.0 + (390e3 - 200e3) / 1e3), rel=1e-3)


def test_a_temperature_that_nobody_measured_is_a_doubt_too() -> None:
    t = times(11.0)
    residual = residual_of(t, np.full_like(t, 400e3), after=10.0, leak=LEAK, kelvins=math.nan, thermal=4e3)
    doubts = {c.source: c.standard for c in residual.components}
    assert doubts["fluid temperature since power-off"] == pytest.approx(4e3 / math.sqrt(3))


@pytest.mark.parametrize("phi", [0.0, 0.5])
def test_the_true_value_lies_within_U(phi: float) -> None:
    """Monte Carlo: noise, moment of power-off, leak and temperature drawn as they are doubted; 93 to 98 % covered."""
    rng, inside, runs = np.random.default_rng(3), 0, 400
    t = times(11.0)
    for _ in range(runs):
        moved, off = rng.uniform(-2e3, 2e3), rng.uniform(-0.05, 0.05)
        leak = replace(LEAK, table=tuple((p, r + 10.0 * x) for x in [rng.normal()] for p, r in LEAK.table))
        unit = 300e3 + 150e3 * np.exp(-(t - off) / 8.0)
        true = 300e3 + 150e3 * math.exp(-10.0 / 8.0)
        noise = np.empty_like(t)
        noise[0] = rng.normal()
        for k in range(1, t.size):
            noise[k] = phi * noise[k - 1] + math.sqrt(1 - phi * phi) * rng.normal()
        # The stand loses by its true law what the reading puts back by the doubtful one.
        lost = np.cumsum(leak_rate(LEAK, unit)) * STEP
        residual = residual_of(
            t, unit - lost + 400.0 * noise + moved, after=10.0, leak=leak, kelvins=0.5, thermal=4e3, temperature=295.0
        )
        inside += abs(residual.value - true) <= combine(residual.components).U
    assert 0.93 * runs <= inside <= 0.985 * runs, inside / runs


def test_no_chance_of_ten_steps_makes_a_reading_useless() -> None:
    """Scatter and autocorrelation come from more steps than the mean itself, else one window in some says dof 1."""
    rng, t = np.random.default_rng(9), times(12.5)
    spread = []
    for _ in range(200):
        residual = read(t, 500e3 - 400.0 * t + rng.normal(0.0, 350.0, t.size), leak=None)
        spread.append(combine(residual.components[:1]).U)
    assert np.median(spread) == pytest.approx(1.96 * 350.0 / math.sqrt(10), rel=0.25)
    assert max(spread) < 2.5 * np.median(spread)


def test_a_leak_that_is_no_exponential_is_no_noise() -> None:
    """Through a hole pressure falls with its own root: p = (√p₀ − ct)²."""
    t = times(12.5)
    pressure = (math.sqrt(600e3) - 25.0 * t) ** 2 + np.random.default_rng(8).normal(0.0, 300.0, t.size)
    residual = read(t, pressure, leak=None)
    assert residual.decay.residual > 3e3
    assert residual.value == pytest.approx((math.sqrt(600e3) - 250.0) ** 2, abs=300.0)
    assert combine(residual.components[:1]).U < 500.0


@pytest.mark.parametrize(
    ("missing", "found"),
    [
        (slice(190, 220), r"found 0 steps|found a gap"),
        (slice(199, 201), r"found a gap of 0\.15 s"),
        (slice(202, 260), r"found a gap"),
    ],
)
def test_a_hole_about_the_time_is_no_reading(missing: slice, found: str) -> None:
    t = times(12.0)
    kept = np.ones(t.size, dtype=bool)
    kept[missing] = False
    with pytest.raises(
        ResidualError, match=rf"10 s after power-off: expected an unbroken record.*({found}).*test again"
    ):
        read(t[kept], np.full(int(kept.sum()), 400e3))


def test_a_hole_elsewhere_is_bridged() -> None:
    t = times(12.0)
    kept = np.abs(t - 5.0) > 0.3
    whole, holed = read(t, 450e3 - 1e3 * t), read(t[kept], 450e3 - 1e3 * t[kept])
    assert holed.value == pytest.approx(whole.value, rel=1e-5)


def test_below_its_table_the_leak_of_an_absolute_transducer_counts_from_the_air() -> None:
    air, t = 101_325.0, times(11.0)
    absolute = Leak(((air + 200e3, 100.0), (air + 500e3, 400.0)), doubt=20.0, rest=air)
    for above, apart in ((50e3, 25.0), (0.0, 0.0), (300e3, 0.0)):
        residual = read(t, np.full_like(t, air + above), leak=absolute)
        doubts = {c.source: c.standard for c in residual.components}
        assert doubts["stand's leak beyond its table"] == pytest.approx(apart * 10.0 / math.sqrt(3), abs=1e-9)


def test_the_curve_that_the_law_may_miss_takes_its_degrees_of_freedom() -> None:
    """The scatter is that of 80 steps (2 s each way) about a polynomial of degree 3."""
    t = times(20.0)
    noise = np.random.default_rng(3).normal(0.0, 300.0, t.size)
    residual = read(t, 400e3 + noise, leak=None)
    near = noise[np.abs(t - 10.0) <= 2.0]
    about = t[np.abs(t - 10.0) <= 2.0] - 10.0
    plain = mean_of(near - np.polyval(np.polyfit(about, near, 3), about))
    assert residual.mean.dof == pytest.approx(plain.dof - 3.0, rel=0.05)
    assert residual.mean.n == 10
