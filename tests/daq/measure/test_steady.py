"""The steady-state detector, by hand and by a short form of its study."""

import math
import timeit
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import brentq

from daq.measure.line import SlidingLine
from daq.measure.source import HOLD_S
from daq.measure.steady import CAUTION, FEWEST, HIGHEST_PHI, SAME, Detector, autocorrelation, tolerance
from tests.studies import signals
from tests.studies.common import autoregressive
from tests.studies.steady import Settings, Tally, at_rate, drifting, grid_noise, resting, settling, started

STEP = 0.05
WINDOW = 0.8


def feed(detector: Detector, values: list[float], start: float = 0.0, step: float = STEP) -> list[bool]:
    return [detector.feed(start + step * k, x) for k, x in enumerate(values)]


def noisy(count: int, noise: float = 0.05, phi: float = 0.3, seed: int = 2) -> list[float]:
    return (100.0 + noise * autoregressive(np.random.default_rng(seed), phi, 1, count)[0]).tolist()


def test_the_tolerance_is_a_share_of_the_smaller_limit_or_the_floor() -> None:
    assert tolerance([400e3, -380e3], share=0.005, floor=1e3) == pytest.approx(1900.0)
    assert tolerance([100.0], share=0.005, floor=1e3) == 1e3
    assert tolerance([], share=0.005, floor=1e3) == 1e3


def test_it_starts_as_moving_and_needs_a_whole_window() -> None:
    found = feed(Detector(0.5), noisy(60))
    assert not any(found[: round(WINDOW / STEP)])
    assert found.index(True) * STEP <= 1.25
    assert all(found[25:])


def test_a_reset_forgets_everything() -> None:
    detector = Detector(0.5)
    feed(detector, noisy(60))
    detector.reset()
    assert not detector.steady
    assert not any(feed(detector, noisy(16), start=0.0))


def test_a_missing_value_is_a_reset() -> None:
    detector = Detector(0.5)
    assert feed(detector, noisy(60))[-1]
    assert not detector.feed(3.0, math.nan)
    assert not any(feed(detector, noisy(16), start=3.05))


def test_a_ramp_is_never_steady() -> None:
    assert not any(feed(Detector(0.5), [100.0 + 0.05 * k for k in range(400)]))  # 0.8 a window


def test_a_slow_ramp_within_the_tolerance_is_steady() -> None:
    detector = Detector(0.5)
    found = feed(detector, [x + 0.002 * k for k, x in enumerate(noisy(200))])  # 0.03 a window
    assert all(found[40:])


def test_a_ramp_ends_the_steady_state_within_the_window() -> None:
    detector = Detector(0.5)
    assert feed(detector, noisy(100))[-1]
    found = feed(detector, [x + 0.1 * k for k, x in enumerate(noisy(60, seed=3))], start=5.0)  # 1.6 a window
    assert found.index(False) * STEP <= WINDOW
    assert not any(found[30:])


def test_a_jump_ends_the_steady_state_at_once() -> None:
    detector = Detector(0.5)
    assert feed(detector, noisy(100))[-1]
    found = feed(detector, [x + 3.0 for x in noisy(100, seed=4)], start=5.0)
    assert found.index(False) <= 6
    assert found[-1]


def test_a_constant_signal_is_steady_but_not_on_repeats_alone() -> None:
    found = feed(Detector(0.5), [7.0] * 100)
    assert found.index(True) * STEP >= (FEWEST - 1) * HOLD_S - 1e-9
    assert found[-1]


def test_what_goes_before_spoils_only_the_windows_that_reach_back_to_it() -> None:
    values = [*np.linspace(0.0, 100.0, 20).tolist(), *noisy(40)]
    found = feed(Detector(0.5), values)
    assert 20 * STEP + WINDOW - STEP <= found.index(True) * STEP <= 20 * STEP + 1.3


def test_a_held_flow_repeats_though_its_edges_come_at_whole_ticks() -> None:
    rng = np.random.default_rng(6)
    held = np.repeat(noisy(20, noise=0.1, phi=0.0), 5) * (1.0 + 2e-5 * rng.uniform(-1.0, 1.0, 100))
    exact = np.repeat(noisy(20, noise=0.1, phi=0.0), 5)
    assert feed(Detector(0.5), held.tolist()) == feed(Detector(0.5), exact.tolist())


def test_a_coarse_resolution_keeps_a_constant_signal_from_proving_anything() -> None:
    assert not any(feed(Detector(0.5, lsb=4.0), [7.0] * 100))


def test_repeated_values_count_once() -> None:
    values = noisy(60, noise=0.2, phi=0.0, seed=9)
    assert min(abs(a - b) for a, b in pairwise(values)) > SAME * 0.5  # else some would be repeats by chance
    once, thrice = Detector(0.5), Detector(0.5)
    single = feed(once, values, step=3 * STEP)
    triple = feed(thrice, np.repeat(values, 3).tolist())
    assert triple[1::3] == single  # the first of a new value may be a mean of both
    assert triple[2::3] == single


@pytest.mark.parametrize("step", [0.1, 0.3, 0.7])
def test_slow_steps_get_a_longer_window(step: float) -> None:
    found = feed(Detector(0.5), noisy(60), step=step)
    assert found.index(True) * step >= max(WINDOW, (FEWEST - 1) * step) - 1e-9
    assert found[-1]


def test_steps_too_slow_for_any_window_are_never_steady() -> None:
    assert not any(feed(Detector(0.5), noisy(60), step=8.0))


@pytest.mark.parametrize("hertz", [1.0, 2.0, 4.0, 5.0])
@pytest.mark.parametrize("phase", [0.0, 0.013, 0.02, 0.049])
def test_values_that_a_slow_source_holds_are_no_new_evidence(hertz: float, phase: float) -> None:
    """A logger of 20 steps a second repeats them, and means the first of each with the one before. Until two values
    have been seen to change, repeats may count; here it was listened to before."""
    rows = noisy(round(60 * hertz), noise=0.5, phi=0.0)
    scans = np.array([rows[int((k * 0.002 + phase) * hertz)] for k in range(round(55 / 0.002))])
    detector, direct = Detector(0.5), Detector(0.5)
    steps = scans.reshape(-1, 25).mean(axis=1).tolist()
    feed(detector, steps)
    detector.reset()
    found = feed(detector, steps, start=100.0)
    alone = feed(direct, rows[: round(55 * hertz)], step=1.0 / hertz)
    assert found.index(True) * STEP >= (alone.index(True) - 3) / hertz
    assert detector._source.period == pytest.approx(1.0 / hertz, abs=STEP + 1e-6)


def test_a_drift_beneath_the_tolerance_of_a_window_is_noticed_once_it_has_moved_by_it() -> None:
    """0.2 % a second, 0.16 % in the shortest window of 0.8 s, of which 0.75 % are let be."""
    detector = Detector(0.75)
    assert feed(detector, noisy(200))[-1]
    found = feed(detector, [x + 0.2 * STEP * k for k, x in enumerate(noisy(400, seed=3))], start=10.0)
    assert found.index(False) * STEP <= 6.5
    assert np.mean(found[200:]) <= 0.1


def test_a_drift_that_takes_longer_than_units_warm_up_is_let_be() -> None:
    detector = Detector(0.75)
    found = feed(detector, [x + 0.1 * STEP * k for k, x in enumerate(noisy(400))])
    assert all(found[round(2.0 / STEP) : round(8.0 / STEP)])


@pytest.mark.parametrize("back", [0.0, 0.5, 2.0])
def test_a_jump_that_is_over_is_no_drift(back: float) -> None:
    """Soon after a jump, or a run-up of `back` seconds, the windows that begin behind it count."""
    n = round(back / STEP)
    values = [*noisy(60), *np.linspace(100.0, 106.0, n + 1).tolist(), *[x + 6.0 for x in noisy(100, seed=5)]]
    found = feed(Detector(0.5), values)
    over = 61 + n
    assert found[over:].index(True) * STEP <= 2.0
    assert all(found[over + round(2.5 / STEP) :])


@pytest.mark.parametrize("hertz", [1.0, 4.0, 20.0])
def test_another_level_ends_the_steady_state(hertz: float) -> None:
    """6 % on from one value to the next, beside noise of 1 %: few slow values lie across any line."""
    detector = Detector(0.75)
    n = round(60 * hertz)
    assert feed(detector, noisy(n, noise=1.0, phi=0.0), step=1.0 / hertz)[-1]
    found = feed(detector, [x + 6.0 for x in noisy(n, noise=1.0, phi=0.0, seed=6)], start=60.0, step=1.0 / hertz)
    assert found.index(False) <= 8
    assert found[-1]


@pytest.mark.parametrize("hertz", [1, 5, 20, 100])
def test_sources_of_any_rate_are_found_steady_and_their_ramps_noticed(hertz: int) -> None:
    """A short form of the study."""
    total = sum(at_rate(hertz, 1, ramps=(0.2, 1.0), noises=(0.1, 1.0)).values(), Tally())
    assert total.recall >= 0.95
    assert total.false_steady <= 0.08
    assert total.missed == 0


def test_a_window_longer_than_the_longest_is_still_covered() -> None:
    found = feed(Detector(0.5, window_s=8.0), noisy(200))
    assert found.index(True) * STEP >= 8.0 - 1e-9


def test_time_must_rise() -> None:
    detector = Detector(0.5)
    detector.feed(1.0, 5.0)
    with pytest.raises(ValueError, match=r"expected one after 1.0 s, got 1.0 s"):
        detector.feed(1.0, 6.0)


@pytest.mark.parametrize(("noise", "phi", "longest"), [(0.05, 0.6, 1.3), (0.2, 0.3, 2.0), (1.0, 0.0, 4.1)])
def test_noise_at_rest_is_found_steady_and_stays_so(noise: float, phi: float, longest: float) -> None:
    found = resting(grid_noise(noise, phi, 40), STEP, Settings())
    assert found.missed == 0
    assert found.long_delay <= longest
    assert found.kept > 0.99


@pytest.mark.parametrize(("noise", "phi"), [(0.05, 0.0), (0.2, 0.6), (0.5, 0.6), (1.0, 0.3)])
def test_a_drift_of_twice_the_tolerance_is_hardly_ever_called_steady(noise: float, phi: float) -> None:
    assert drifting(grid_noise(noise, phi, 50), STEP, Settings()) <= 0.02


@pytest.mark.parametrize("tau", [0.15, 1.0])
def test_an_approach_is_moving_until_it_is_over_and_steady_soon_after(tau: float) -> None:
    found = settling(grid_noise(0.2, 0.3, 40), STEP, Settings(), tau)
    assert found.false == 0
    assert found.long_delay <= 2.5
    assert found.error <= 0.3


def test_a_flow_behind_a_lagging_meter_is_read_soon_after_power_on() -> None:
    noise = signals.metered()(np.random.default_rng(7), 40, 10.0)
    mean, most = started(noise, signals.FLOW_STEP_S, Settings())
    assert mean <= 3.3
    assert most <= 4.0
    assert drifting(noise, signals.FLOW_STEP_S, Settings()) == 0


@pytest.mark.parametrize("wide", [1, 2])
def test_spikes_keep_nothing_from_being_steady(wide: int) -> None:
    spiked = signals.spiked(5.0, wide)(np.random.default_rng(8), 40, 10.0)
    found = resting(spiked, STEP, Settings())
    assert found.long_delay <= 1.3
    assert found.kept > 0.99


def test_a_step_costs_little_more_than_a_few_lines() -> None:
    """Beside what a single line over the longest window costs, on the same machine at the same moment."""
    values = list(enumerate(noisy(2_000, noise=0.2)))

    def one_line() -> None:
        line = SlidingLine()
        for k, x in values:
            line.push(STEP * k, x)
            line.fit() if k > 2 else None
            if len(line) > 120:
                line.drop()

    pairs = [(timeit.timeit(one_line, number=1), timeit.timeit(lambda: _run(values), number=1)) for _ in range(5)]
    assert min(mine for _, mine in pairs) <= 8.0 * min(plain for plain, _ in pairs)


@pytest.mark.parametrize("phi", [0.2, 0.4])
def test_the_autocorrelation_behind_a_line_is_found_without_bias(phi: float) -> None:
    """Over many windows the mean of what is found is what is there, once the caution is taken off again.

    The caution's standard error of a lag-1 autocorrelation is √((1 − φ²)/n) (Bartlett 1946, from memory).
    """
    n, found = 150, []
    for values in autoregressive(np.random.default_rng(9), phi, 600, n):
        line = SlidingLine()
        for k, x in enumerate(values.tolist()):
            line.push(STEP * k, 0.3 * k + x)
        found.append(autocorrelation(line.fit()))
    assert max(found) < HIGHEST_PHI

    def less(cautious: float) -> float:
        root = brentq(lambda p: p + CAUTION * math.sqrt((1.0 - p * p) / n) - cautious, 0.0, HIGHEST_PHI)
        return float(root)

    assert np.mean([less(c) for c in found]) == pytest.approx(phi, abs=0.008)


def _run(values: list[tuple[int, float]]) -> None:
    detector = Detector(0.5)
    for k, x in values:
        detector.feed(STEP * k, x)
