"""Pairs of pressure and flow: what lag and hose do is undone, and what is not known is left out."""

from dataclasses import replace

import numpy as np
import pytest

from daq.measure.curve_points import joined, points_of
from tests.daq.measure.travels import COMPLIANCE, LAG, STEP, travel, unit_current, unit_flow


@pytest.mark.parametrize("closing", [True, False])
def test_lag_and_hose_are_undone(closing: bool) -> None:
    points = points_of(travel(closing=closing), LAG, COMPLIANCE)
    assert points.pressure.size > 60
    assert points.flow == pytest.approx(unit_flow(points.pressure), rel=2e-3)
    assert points.current == pytest.approx(unit_current(points.pressure), rel=2e-4)


def test_the_meter_alone_would_err_by_several_per_cent_and_the_hose_by_one() -> None:
    """Closing, the meter still shows what flowed before: too much. The hose takes up what then passes no meter."""
    points = points_of(travel(closing=True), 0.0, 0.0)
    off = points.flow / unit_flow(points.pressure) - 1.0
    assert off.max() > 0.03
    lagged = points_of(travel(closing=True), LAG, 0.0)
    assert (lagged.flow / unit_flow(lagged.pressure) - 1.0).min() < -0.01


def test_derivatives_are_those_of_the_flow() -> None:
    sweep = travel(closing=True)
    points = points_of(sweep, LAG, COMPLIANCE)
    longer, stiffer = points_of(sweep, 2 * LAG, COMPLIANCE), points_of(sweep, LAG, 2 * COMPLIANCE)
    assert longer.flow - points.flow == pytest.approx(LAG * points.per_lag, abs=1e-15)
    assert stiffer.flow - points.flow == pytest.approx(COMPLIANCE * points.per_compliance, abs=1e-15)


def test_a_gap_in_the_steps_takes_the_points_over_it_away() -> None:
    whole = travel(closing=True)
    kept = (whole.t < 3.0) | (whole.t > 3.0 + 6 * STEP)
    holed = replace(whole, **{n: getattr(whole, n)[kept] for n in ("t", "pressure", "current", "voltage")})
    before, after = points_of(whole, LAG, COMPLIANCE), points_of(holed, LAG, COMPLIANCE)
    assert 3 <= before.flow.size - after.flow.size <= 7
    assert after.flow == pytest.approx(unit_flow(after.pressure), rel=2e-3)


def test_a_flow_step_below_the_table_takes_its_neighbours_too() -> None:
    """Without it their flow at one end is not known."""
    whole = travel(closing=True)
    flows = whole.flow_steps.copy()
    flows[40] = np.nan
    assert (
        points_of(whole, LAG, COMPLIANCE).flow.size - points_of(replace(whole, flow_steps=flows), LAG, 0.0).flow.size
        == 3
    )


def test_a_step_after_silence_has_no_honest_beginning() -> None:
    whole = travel(closing=False)
    late = replace(
        whole,
        flow_t=whole.flow_t[[*range(30), *range(40, 70)]],
        flow_steps=whole.flow_steps[[*range(30), *range(40, 70)]],
    )
    times = points_of(late, LAG, COMPLIANCE)
    assert times.flow == pytest.approx(unit_flow(times.pressure), rel=2e-3)
    assert times.flow.size == 60 - 1 - 2 - 3  # the first; both ends; the long one with its neighbours


@pytest.mark.parametrize("steps", [0, 1, 3])
def test_too_little_gives_no_points(steps: int) -> None:
    whole = travel(closing=True)
    short = replace(whole, flow_t=whole.flow_t[:steps], flow_steps=whole.flow_steps[:steps])
    assert points_of(short, LAG, COMPLIANCE).pressure.size == 0
    assert joined([]).pressure.size == 0


def test_a_travel_of_one_step_gives_no_points() -> None:
    whole = travel(closing=True)
    short = replace(whole, **{n: getattr(whole, n)[:1] for n in ("t", "pressure", "current", "voltage")})
    assert points_of(short, LAG, COMPLIANCE).pressure.size == 0
