"""The pressure–flow curve: on paper, where the truth is known exactly, and against the simulated unit at rest."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.curve import At, Curve, End, curve_of
from daq.measure.curve_points import Sweep
from daq.measure.errors import CurveError
from daq.measure.uncertainty import combine
from tests.daq.measure.travels import COMPLIANCE, HIGH, LAG, LOW, travel, unit_current, unit_flow
from tests.studies.curve import Case, errors

PLACE = 300e3


def drawn(*sweeps: Sweep, lag: float = LAG, compliance: float = COMPLIANCE, ends: tuple[End, ...] = ()) -> Curve:
    return curve_of(sweeps, lag=lag, lag_doubt=0.3, compliance=compliance, compliance_doubt=0.3, ends=ends)


@pytest.fixture(scope="module")
def both() -> tuple[Sweep, Sweep]:
    return travel(closing=True, noise=0.002, seed=3), travel(closing=False, noise=0.002, seed=4)


def standard(at: At | None, source: str) -> float:
    assert at is not None
    return sum(c.standard for c in at.components if c.source == source)


def test_it_gives_back_the_curve_that_was_there() -> None:
    curve = drawn(travel(closing=True), travel(closing=False))
    for pressure in np.linspace(30e3, 480e3, 10).tolist():
        flow, current = curve.flow_at(pressure), curve.current_at(pressure)
        assert flow is not None
        assert current is not None
        assert flow.value == pytest.approx(float(unit_flow(pressure)), rel=1e-3)
        assert current.value == pytest.approx(float(unit_current(pressure)), rel=1e-3)
        back = curve.pressure_at(flow.value)
        assert back is not None
        assert back.value == pytest.approx(pressure, abs=2e3)
        at_flow = curve.current_at_flow(flow.value)
        assert at_flow is not None
        assert at_flow.value == pytest.approx(current.value, rel=2e-3)


def test_slopes_are_those_of_the_unit() -> None:
    curve = drawn(travel(closing=True), travel(closing=False))
    flow, pressure = curve.flow_at(PLACE), curve.pressure_at(float(unit_flow(PLACE)))
    per_pascal = -22e-12 - 3e-9 / math.sqrt(PLACE)
    assert flow is not None
    assert pressure is not None
    assert flow.slope == pytest.approx(per_pascal, rel=0.05)
    assert pressure.slope == pytest.approx(1.0 / per_pascal, rel=0.05)


@settings(max_examples=25, deadline=None)
@given(st.floats(30e3, 480e3), st.floats(30e3, 480e3))
def test_more_pressure_never_means_more_flow(both: tuple[Sweep, Sweep], one: float, other: float) -> None:
    """Each direction's curve falls; so does what lies between, but for the change of weights, which is in U."""
    curve = drawn(both[0])
    low, high = curve.flow_at(min(one, other)), curve.flow_at(max(one, other))
    assert low is not None
    assert high is not None
    assert high.value <= low.value + 1e-15


def test_nothing_is_told_outside_of_what_was_swept(both: tuple[Sweep, Sweep]) -> None:
    curve = drawn(*both)
    for pressure in (0.9 * LOW, 1.02 * HIGH):
        assert curve.flow_at(pressure) is None
        assert curve.current_at(pressure) is None
    assert curve.pressure_at(float(unit_flow(0.5 * LOW))) is None
    assert curve.pressure_at(float(unit_flow(1.1 * HIGH))) is None


def test_a_wrong_lag_drops_out_between_both_directions(both: tuple[Sweep, Sweep]) -> None:
    """It shows as hysteresis, whose doubt then holds the little that is left."""
    right, wrong = drawn(*both).flow_at(PLACE), drawn(*both, lag=1.3 * LAG).flow_at(PLACE)
    assert right is not None
    assert wrong is not None
    assert abs(wrong.hysteresis) > 0.02 * right.value > abs(right.hysteresis)
    assert wrong.value == pytest.approx(right.value, rel=2e-3)
    assert wrong.standard > right.standard
    assert abs(wrong.value - float(unit_flow(PLACE))) < combine(wrong.components).U


def test_one_direction_alone_carries_the_doubts_of_lag_and_hose(both: tuple[Sweep, Sweep]) -> None:
    closing, together = drawn(both[0]).flow_at(PLACE), drawn(*both).flow_at(PLACE)
    assert closing is not None
    assert math.isnan(closing.hysteresis)
    longer = drawn(both[0], lag=1.3 * LAG).flow_at(PLACE)
    assert longer is not None
    assert standard(closing, "meter lag") == pytest.approx(abs(longer.value - closing.value) / math.sqrt(3), rel=0.15)
    assert standard(closing, "hose take-up") > 10 * standard(together, "hose take-up")
    assert standard(closing, "direction") > 0.0
    assert drawn(both[0]).current_at(PLACE) is None
    assert drawn(both[0]).voltage_at_flow(float(unit_flow(PLACE))) is None


def test_a_difference_that_no_lag_explains_counts_by_half(both: tuple[Sweep, Sweep]) -> None:
    """Here the unit gave 5 % less as the valve opened: more than lag and hose can do without doubts of their own."""
    weaker = replace(both[1], flow_steps=0.95 * both[1].flow_steps)
    curve = curve_of([both[0], weaker], lag=LAG, lag_doubt=0.0, compliance=COMPLIANCE)
    at = curve.flow_at(PLACE)
    assert at is not None
    assert at.hysteresis == pytest.approx(0.05 * float(unit_flow(PLACE)), rel=0.3)
    assert 0.45 * at.hysteresis < combine(at.components).U


def test_known_ends_reach_further(both: tuple[Sweep, Sweep]) -> None:
    ends = (End(LOW, float(unit_flow(LOW))), End(560e3, 1e-6, 500.0, 0.5e-6))
    curve = drawn(*both, ends=ends)
    near, far = curve.flow_at(520e3), curve.flow_at(559.9e3)
    assert near is not None
    assert far is not None
    assert 1e-6 < near.value < float(unit_flow(HIGH))
    assert far.value == pytest.approx(1e-6, abs=0.5e-6)
    assert far.standard >= 0.45e-6
    assert curve.flow_at(561e3) is None


def test_repeated_travels_count_together(both: tuple[Sweep, Sweep]) -> None:
    again = [travel(closing=way, noise=0.002, seed=7 + way) for way in (True, False)]
    once, twice = drawn(*both).flow_at(PLACE), drawn(*both, *again).flow_at(PLACE)
    assert once is not None
    assert twice is not None
    assert twice.n > once.n
    assert twice.value == pytest.approx(float(unit_flow(PLACE)), rel=3e-3)


@pytest.mark.parametrize("sweeps", [0, 1])
def test_too_few_points_are_no_curve(sweeps: int) -> None:
    whole = travel(closing=True)
    short = replace(whole, flow_t=whole.flow_t[:5], flow_steps=whole.flow_steps[:5])
    with pytest.raises(CurveError, match=r"at least 4 flow steps .* found \d .*; move the valve more slowly"):
        drawn(*[short] * sweeps)


def test_scatter_is_told_as_large_as_it_is() -> None:
    """White noise of 0.5 % on each flow step: the values of many travels scatter no more than they say."""
    told = [
        drawn(travel(closing=True, noise=0.005, seed=k), travel(closing=False, noise=0.005, seed=100 + k)).flow_at(
            PLACE
        )
        for k in range(24)
    ]
    values = np.array([at.value for at in told if at])
    stated = np.median([standard(at, "scatter") for at in told])
    assert 0.5 < values.std() / stated < 1.3
    held = [abs(at.value - float(unit_flow(PLACE))) <= combine(at.components).U for at in told if at]
    assert np.mean(held) >= 0.9


@pytest.mark.parametrize(
    "case",
    [
        Case(),
        Case(opens=3.0),
        Case(8.0, 8.0),
        Case(lag=1.3, compliance=0.75),
        Case(1.0, 1.0),
        Case(unit="displacement"),
    ],
    ids=["5 s", "5 s and 3 s", "8 s", "wrong lag and hose", "1 s", "displacement pump"],
)
def test_against_the_simulated_unit_at_rest(case: Case) -> None:
    """8 runs each; the whole table is `python -m tests.studies.curve`. Witness: the plant's own steady state."""
    told = [e for e in errors(case, 400e3, 8) if e is not None]
    assert len(told) >= 7
    off, doubt = np.array(told).T
    assert np.mean(np.abs(off) <= doubt) >= 0.85
    assert abs(off.mean()) < 0.6 * np.median(doubt)
    assert np.median(doubt) < (0.015 if min(case.shuts, case.opens) > 2.0 else 0.25)
