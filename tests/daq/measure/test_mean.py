"""The mean of a window and its standard uncertainty."""

import math

import numpy as np
import pytest

from daq.measure.distributions import student_quantile
from daq.measure.scatter import scatter_of
from daq.measure.uncertainty import Shape, look_widening, mean_of
from tests.studies.common import autoregressive
from tests.studies.looks import NOISES, Noise, tally
from tests.studies.mean import coverage


@pytest.mark.parametrize(("phi", "length"), [(0.0, 40), (0.4, 40), (0.6, 40), (0.6, 20), (0.0, 200), (0.6, 120)])
def test_the_interval_covers_the_true_mean(phi: float, length: int) -> None:
    held, _ = coverage(phi, length, 1_000)
    assert 0.925 <= held <= 0.993  # 95 % and a little caution, with the study's own scatter


def test_independent_values_have_nearly_the_textbook_standard_error() -> None:
    values = 7.0 + autoregressive(np.random.default_rng(3), 0.0, 1, 2000)[0]
    mean = mean_of(values)
    assert mean.value == pytest.approx(np.mean(values))
    assert mean.standard == pytest.approx(1 / math.sqrt(2000), rel=0.1)
    assert mean.phi < 0.1


def test_neighbours_that_resemble_each_other_count_for_less() -> None:
    mean = mean_of(autoregressive(np.random.default_rng(4), 0.5, 1, 4000)[0])
    assert mean.phi == pytest.approx(0.5, abs=0.05)
    assert mean.n_effective == pytest.approx(4000 / 3, rel=0.2)
    deviation_of_mean = math.sqrt(3 / 4000)  # (1 + φ)/(1 − φ) = 3, values of unit variance
    assert mean.standard == pytest.approx(deviation_of_mean, rel=0.1)


def test_a_sensor_that_repeats_its_values_is_no_better_for_it() -> None:
    values = autoregressive(np.random.default_rng(5), 0.2, 1, 50)[0]
    once, thrice = mean_of(values), mean_of(np.repeat(values, 3))
    assert (thrice.n, thrice.standard, thrice.dof) == (50, once.standard, once.dof)
    assert thrice.value == pytest.approx(once.value)


def test_a_constant_window_is_as_good_as_its_resolution() -> None:
    mean = mean_of(np.full(30, 5.0), lsb=0.12)
    assert (mean.value, mean.n, mean.dof) == (5.0, 1, math.inf)
    assert mean.standard == pytest.approx(0.12 / math.sqrt(12))


@pytest.mark.parametrize("size", [1e-7, 1e-150, 1e-200])
def test_scatter_of_rounding_alone_is_none(size: float) -> None:
    """What a fit leaves of equal counts."""
    mean = mean_of(size * np.array([1.0, -1.0, 2.0, -2.0, 1.5]), looks=5, lsb=48.0)
    assert mean.component().scale == pytest.approx(48.0 / math.sqrt(12 * 5))
    assert mean_of(np.array([1e-200, 2e-200, 4e-200])).standard == 0.0


def test_resolution_adds_to_the_scatter_but_not_to_its_doubt() -> None:
    values = autoregressive(np.random.default_rng(6), 0.0, 1, 60)[0]
    coarse, fine = mean_of(values, lsb=4.0), mean_of(values)
    hidden = 16 / 12 / 60 * scatter_of(values).longer
    assert coarse.standard**2 - fine.standard**2 == pytest.approx(hidden)
    assert coarse.dof >= fine.dof


def test_a_trend_is_never_taken_for_independent_values() -> None:
    mean = mean_of(np.arange(60.0))
    assert mean.phi > 0.9
    assert mean.n_effective < 3
    assert mean.standard * student_quantile(0.975, mean.dof) > 1.2 * np.arange(60.0).std()


def test_a_meter_with_a_lag_still_gives_an_honest_and_useful_interval() -> None:
    """Second-order scatter: a wander seen through a lag, each step much like the one before."""
    rng = np.random.default_rng(21)
    held, halves = 0, []
    for wander in autoregressive(rng, 0.8, 300, 190):
        lagged = np.zeros(190)
        for i in range(1, 190):
            lagged[i] = 0.85 * lagged[i - 1] + 0.15 * wander[i]
        steps = lagged[90:].reshape(25, 4).mean(axis=1)
        mean = mean_of(steps)
        half = mean.standard * student_quantile(0.975, mean.dof)
        held += abs(mean.value) <= half
        halves.append(half / lagged.std())
    assert held / 300 >= 0.95
    assert np.median(halves) < 5.0


@pytest.mark.parametrize("values", [[3.0], [3.0, 5.0], [3.0, 5.0, 4.0]])
def test_very_short_windows_still_give_a_mean(values: list[float]) -> None:
    mean = mean_of(np.array(values), lsb=0.1)
    assert mean.value == np.mean(values)
    assert mean.standard > 0
    assert mean.dof >= 1


def test_its_component_carries_the_widening_for_repeated_looks() -> None:
    mean = mean_of(autoregressive(np.random.default_rng(8), 0.3, 1, 40)[0], looks=5)
    component = mean.component()
    assert (component.shape, component.standard, component.dof) == (Shape.STUDENT, mean.standard, mean.dof)
    assert component.widen == look_widening(mean.dof, 5) > 1.2


@pytest.mark.parametrize("values", [[], [1.0, math.nan, 2.0], [math.inf]])
def test_a_window_without_sound_values_is_refused(values: list[float]) -> None:
    with pytest.raises(ValueError, match="finite values"):
        mean_of(np.array(values))


@pytest.mark.parametrize(("noise", "systematic"), [(NOISES[0], 0.3), (NOISES[1], 1.0), (NOISES[3], 0.3)])
def test_looking_repeatedly_is_paid_for(noise: Noise, systematic: float) -> None:
    """Short runs of the study: the interval that a decision ends with holds the truth often enough, few decisions are
    wrong, and a report is neither too sure of itself nor too little."""
    decided, reported = (tally(noise, systematic, mode, 400) for mode in ("1", "report"))
    assert decided.held / decided.runs >= 0.95
    assert decided.wrong / decided.runs <= 0.025
    assert decided.clear / decided.runs > 0.3  # truths lie within twice the doubt of the limit
    assert 0.92 <= reported.held / reported.runs <= 0.98


def test_a_report_that_ends_at_its_target_is_paid_for() -> None:
    """It ends at lucky scatter; the study has the other noises, and that paying nothing leaves too little."""
    noise = Noise("slow wander", 20, 0.6)
    reached = tally(noise, 0.1, "target", 400)
    assert 0.93 <= reached.held / reached.runs <= 0.99
    assert 1.5 < reached.looks / reached.runs < 4.5


def test_a_component_says_of_how_many_values_the_mean_is_and_what_they_are_worth() -> None:
    mean = mean_of(autoregressive(np.random.default_rng(4), 0.5, 1, 400)[0])
    found = mean.component("of my own")
    assert (found.source, found.shape, found.values, found.worth) == (
        *("of my own", Shape.STUDENT, 400),
        mean.n_effective,
    )
    assert (found.standard, found.dof, found.widen) == (mean.standard, mean.dof, mean.widen)
