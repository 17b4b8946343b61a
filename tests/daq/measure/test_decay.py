"""The law of a pressure that dies away."""

import numpy as np
import pytest

from daq.measure.decay import Decay, decay_of

T = np.arange(0.025, 30.0, 0.05)


@pytest.mark.parametrize(("rest", "height", "tau"), [(100e3, 300e3, 4.0), (0.0, 50e3, 12.0), (400e3, -90e3, 2.0)])
def test_a_law_is_found_again(rest: float, height: float, tau: float) -> None:
    found = decay_of(T, rest + height * np.exp(-T / tau))
    assert (found.rest, found.height, found.tau) == pytest.approx((rest, height, tau), rel=1e-3, abs=50.0)
    assert found.residual < 1e-3 * abs(height)


def test_what_it_leaves_is_a_root_mean_square() -> None:
    noise = np.random.default_rng(2).normal(0.0, 700.0, T.size)
    assert decay_of(T, 100e3 + 300e3 * np.exp(-T / 4.0) + noise).residual == pytest.approx(700.0, rel=0.05)


def test_value_and_rate_follow_from_the_law() -> None:
    law = Decay(100e3, 300e3, 4.0, 0.0)
    assert law.at(0.0) == 400e3
    assert law.at(4.0) == pytest.approx(100e3 + 300e3 / np.e)
    assert law.curve(T) == pytest.approx([law.at(float(t)) for t in T])
    for t in (0.0, 2.0, 20.0):
        assert law.rate(t) == pytest.approx((law.at(t - 1e-4) - law.at(t + 1e-4)) / 2e-4, rel=1e-6)


@pytest.mark.parametrize("tau", [0.5, 50.0, 5e3])
def test_the_unit_and_the_scale_of_time_do_not_matter(tau: float) -> None:
    t = T * tau / 4.0
    found = decay_of(t, 1.0 + 3.0 * np.exp(-t / tau))
    assert found.at(float(t[-1])) == pytest.approx(1.0 + 3.0 * np.exp(-t[-1] / tau), rel=1e-3)
    assert found.rate(float(t[10])) == pytest.approx(3.0 / tau * np.exp(-t[10] / tau), rel=0.01)


def test_no_pressure_rests_below_its_floor() -> None:
    """Three seconds of a fall in a straight line, that an exponential to far below nothing would fit best."""
    t = T[T < 3.0]
    pressure = 300e3 - 60e3 * t - 4e3 * t * t
    free, held = decay_of(t, pressure, -1e9), decay_of(t, pressure)
    assert free.rest < 0.0
    assert held.rest == 0.0
    assert decay_of(t, pressure, 50e3).rest == 50e3
    assert free.residual < held.residual < decay_of(t, pressure, 50e3).residual


def test_the_best_time_constant_is_found_to_many_digits() -> None:
    rng = np.random.default_rng(5)
    pressure = 100e3 + 300e3 * np.exp(-T / 4.0) + rng.normal(0.0, 500.0, T.size)
    found = decay_of(T, pressure)
    for near in (0.999, 1.001):
        shape = np.exp(-T / (found.tau * near))
        design = np.column_stack([np.ones_like(T), shape])
        left = pressure - design @ np.linalg.lstsq(design, pressure, rcond=None)[0]
        assert np.sqrt(np.mean(left**2)) > found.residual
