"""Components, their combination, and the interval of the convolved distribution."""

import math

import numpy as np
import pytest
from scipy import stats

from daq.measure.channels import Distribution, Doubt, Per
from daq.measure.distributions import student_quantile
from daq.measure.uncertainty import Component, Shape, combine, evaluate, look_widening, resolution
from tests.cost import cost


def normal(u: float, dof: float = math.inf) -> Component:
    return Component("n", Shape.NORMAL, u, dof)


def interval(*components: Component) -> float:
    return combine(components).U


def rectangular(u: float) -> Component:
    return Component("r", Shape.RECTANGULAR, u)


def student(u: float, dof: float, widen: float = 1.0) -> Component:
    return Component("t", Shape.STUDENT, u, dof, widen)


@pytest.mark.parametrize("dof", [1, 1.5, 2, 3.3, 10, 60, 1e6, 1e14, 1e20, math.inf])
def test_a_lone_student_component_has_the_t_interval(dof: float) -> None:
    assert interval(student(2.0, dof)) == pytest.approx(2.0 * student_quantile(0.975, dof), rel=1e-4)


def test_a_lone_normal_or_rectangle_has_its_own_interval() -> None:
    assert interval(normal(3.0)) == pytest.approx(3.0 * 1.959964, rel=1e-5)
    assert interval(rectangular(3.0)) == pytest.approx(0.95 * 3.0 * math.sqrt(3.0), rel=1e-9)


MIXTURES = [
    [student(1, 3), rectangular(2), normal(0.5)],
    [student(1, 2), student(1, 2)],
    [student(1, 2), student(0.3, 5), rectangular(0.7)],
    [rectangular(1), rectangular(0.01)],
    [rectangular(1), normal(0.003)],
    [student(1e-3, 2), rectangular(2)],
    [student(0.01, 1), normal(1)],
    [student(0.1, 1), rectangular(1), rectangular(1)],
    [student(1, 20, widen=1.3), rectangular(0.5)],
]


@pytest.mark.parametrize("components", MIXTURES)
def test_mixtures_agree_with_random_draws(components: list[Component]) -> None:
    rng = np.random.default_rng(101)
    n = 400_000
    total = np.zeros(n)
    for c in components:
        if c.shape is Shape.NORMAL:
            total += c.scale * rng.standard_normal(n)
        elif c.shape is Shape.RECTANGULAR:
            total += c.scale * math.sqrt(3.0) * rng.uniform(-1.0, 1.0, n)
        else:
            total += c.scale * rng.standard_t(c.dof, n)
    combined = combine(components)
    half = combined.U
    assert half == pytest.approx(np.quantile(np.abs(total), 0.95), rel=0.01)
    for share in (-1.5, -0.5, 0.3, 0.9):
        d = share * half
        assert combined.p_below(d) == pytest.approx(np.mean(total < d), abs=0.004)


def test_one_dominating_component_decides() -> None:
    assert interval(student(1, 1), normal(1e-4)) == pytest.approx(student_quantile(0.975, 1), rel=1e-4)
    assert interval(rectangular(1), normal(1e-6), student(1e-6, 2)) == pytest.approx(0.95 * math.sqrt(3), rel=1e-4)


def test_a_unit_of_any_size_gives_the_same_factor() -> None:
    factors = {round(combine([student(s, 4), rectangular(s)]).k, 9) for s in (1e-12, 1.0, 1e9)}
    assert len(factors) == 1


def test_no_uncertainty_at_all() -> None:
    for components in ([], [normal(0.0), rectangular(0.0)]):
        combined = combine(components)
        assert (combined.u, combined.U, combined.dof) == (0.0, 0.0, math.inf)
        assert [combined.p_below(d) for d in (-1e-9, 0.0, 1e-9)] == [0.0, 0.5, 1.0]


def test_zero_components_change_nothing() -> None:
    assert interval(normal(1), rectangular(0), student(0, 2)) == interval(normal(1))


def test_probabilities_rise_from_zero_to_one_and_meet_the_interval() -> None:
    combined = combine([student(1, 3), rectangular(1)])
    ladder = [combined.p_below(d) for d in np.linspace(-100, 100, 401)]
    assert ladder == sorted(ladder)
    assert (ladder[0], ladder[-1]) == (pytest.approx(0, abs=1e-3), pytest.approx(1, abs=1e-3))
    assert combined.p_below(-combined.U) == pytest.approx(0.025, abs=1e-5)
    assert combined.p_below(combined.U) == pytest.approx(0.975, abs=1e-5)
    assert combined.p_below(0) == pytest.approx(0.5, abs=1e-5)


def test_far_tails_of_a_normal_keep_their_size() -> None:
    combined = combine([normal(1)])
    for z in (-3.0, -5.0, -7.0):
        assert combined.p_below(z) == pytest.approx(stats.norm.cdf(z), rel=1e-3)


def test_widening_changes_the_interval_but_not_the_standard_uncertainty() -> None:
    plain, wide = combine([student(1, 10), normal(1)]), combine([student(1, 10, widen=1.4), normal(1)])
    assert (wide.u, wide.dof) == (plain.u, plain.dof)
    assert wide.U > 1.1 * plain.U


@pytest.mark.parametrize("looks", [2, 3, 4, 5])
def test_looks_at_growing_windows_miss_together_as_often_as_one_may(looks: int) -> None:
    """Independent values, their scatter known: the means of growing windows correlate by the root of their lengths."""
    lengths = np.arange(1.0, looks + 1.0)
    correlation = np.sqrt(np.minimum.outer(lengths, lengths) / np.maximum.outer(lengths, lengths))
    draws = np.random.default_rng(5).multivariate_normal(np.zeros(looks), correlation, size=400_000)
    wide = 1.959964 * look_widening(math.inf, looks)
    assert np.mean((np.abs(draws) > wide).any(axis=1)) == pytest.approx(0.05, abs=0.0015)


def test_a_single_look_pays_nothing_and_few_values_pay_most() -> None:
    assert look_widening(10, 1) == 1.0
    factor = look_widening(10, 5)
    assert factor == pytest.approx(stats.t.ppf(1 - 0.0158 / 2, 10) / stats.t.ppf(0.975, 10), rel=1e-6)
    assert look_widening(3, 5) > factor > look_widening(math.inf, 5) > 1.2
    assert interval(student(1, 10, widen=factor)) == pytest.approx(stats.t.ppf(1 - 0.0158 / 2, 10), rel=1e-4)


def test_doubts_become_components() -> None:
    doubts = (
        Doubt("calibration", absolute=2.0, relative=0.01, distribution=Distribution.NORMAL, k=2.0),
        Doubt("drift", relative=0.002, per=Per.YEAR),
        Doubt("temperature", absolute=0.5, per=Per.KELVIN),
    )
    calibration, drift, temperature = evaluate(doubts, reading=-100.0, years=1.5, kelvins=-4.0)
    assert calibration == Component("calibration", Shape.NORMAL, 1.5, divisor=2.0, common=True)
    assert (drift.source, drift.shape, temperature.source) == ("drift", Shape.RECTANGULAR, "temperature")
    assert (drift.standard, temperature.standard) == pytest.approx((0.3 / math.sqrt(3), 2.0 / math.sqrt(3)))


def test_a_component_tells_how_it_came_about() -> None:
    """Stated ÷ divisor × sensitivity, also where it was passed on."""
    off = Component.rectangular("supply voltage off", 0.2, sensitivity=-8.0)
    assert off.standard == pytest.approx(0.2 / math.sqrt(3) * 8.0)
    assert off.stated == pytest.approx(0.2)
    further = Component.normal("calibration", 0.5, k=2.0).scaled(13.5, "current")
    assert (further.source, further.sensitivity) == ("current: calibration", 13.5)
    assert (further.stated, further.standard) == pytest.approx((0.5, 0.25 * 13.5))


def test_scatter_and_the_rest_apart() -> None:
    """What no longer window takes away, and what a longer one would."""
    scatter = Component("scatter", Shape.STUDENT, 3.0, dof=10.0, widen=1.4)
    together = combine([scatter, Component.normal("calibration", 4.0)])
    assert together.floor == pytest.approx(1.96 * 4.0, rel=1e-3)
    assert together.scattering == pytest.approx(stats.t.ppf(0.975, 10) * 3.0, rel=1e-3)


def test_a_calibration_in_the_future_has_not_drifted_yet() -> None:
    (drift,) = evaluate((Doubt("drift", absolute=1.0, per=Per.YEAR),), reading=1.0, years=-0.2, kelvins=0.0)
    assert drift.standard == 0.0


def test_resolution_is_a_rectangle_one_step_wide() -> None:
    assert interval(resolution(2.0)) == pytest.approx(0.95, rel=1e-9)


@pytest.mark.parametrize(("standard", "dof", "widen"), [(-1, 5, 1), (math.nan, 5, 1), (1, 0.5, 1), (1, 5, 0.9)])
def test_a_component_that_makes_no_sense_is_refused(standard: float, dof: float, widen: float) -> None:
    with pytest.raises(ValueError, match="component 'scatter': expected a finite standard"):
        Component("scatter", Shape.STUDENT, standard, dof, widen)


def test_combining_costs_no_more_than_thirty_thousand_additions() -> None:
    components = [student(1, 3.3), rectangular(2), normal(0.5), rectangular(1), rectangular(0.1)]
    assert cost(lambda: combine(components)) < 30.0


def test_what_is_combined_tells_its_degrees_of_freedom() -> None:
    """JCGM 100:2008, G.4.1: of a normal part of 3 and a mean's 4 with 60 degrees, 5⁴/(4⁴/60) = 146.5."""
    found = combine([normal(3.0), student(4.0, 60)])
    assert (found.u, found.dof) == (pytest.approx(5.0), pytest.approx(625 * 60 / 256))
    assert found.k == pytest.approx(found.U / 5.0)
    assert found.components == (normal(3.0), student(4.0, 60))
