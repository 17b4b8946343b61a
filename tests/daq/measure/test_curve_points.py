"""Flow steps as linear equations: what a meter with a lag shows of a flow, whatever the steps' lengths."""

from dataclasses import replace

import numpy as np
import pytest

from daq.measure.convert import Floats
from daq.measure.curve_points import MOST, Pieces, Sweep, electric_means, flow_means, metered, rough_flow
from tests.daq.measure.travels import COMPLIANCE, HIGH, LAG, LOW, STEP, travel, unit_current, unit_flow

SPAN = HIGH - LOW


def pieces_of(sweep: Sweep) -> Pieces:
    return Pieces.of(sweep, SPAN)


def coarse(sweep: Sweep, every: int) -> Sweep:
    """The same travel with a meter that gives fewer edges: so many flow steps in one."""
    t = sweep.flow_t[::every]
    volume = np.concatenate(([0.0], np.cumsum(sweep.flow_steps[1:] * np.diff(sweep.flow_t))))[::every]
    return replace(sweep, flow_t=t, flow_steps=np.concatenate(([np.nan], np.diff(volume) / np.diff(t))))


def into_meter(pieces: Pieces) -> Floats:
    return np.asarray(unit_flow(pieces.pressure) - COMPLIANCE * pieces.rate(pieces.pressure))


@pytest.mark.parametrize("every", [1, 2, 5])
@pytest.mark.parametrize("closing", [True, False])
def test_the_rows_give_what_the_meter_shows_of_the_units_flow(closing: bool, every: int) -> None:
    """The travel on paper was made with steps of 1 ms; here are pieces of 50 ms or less, and flow steps up to 0.4 s."""
    sweep = coarse(travel(closing=closing), every)
    pieces = pieces_of(sweep)
    means = flow_means(sweep, pieces, LAG)
    assert means.y.size >= 8
    assert means.rows @ into_meter(pieces) == pytest.approx(means.y, rel=2e-3)
    assert means.rows.sum(axis=1) == pytest.approx(1.0, abs=1e-9)


def test_without_the_lag_they_would_err_by_several_per_cent() -> None:
    sweep = travel(closing=True)
    pieces = pieces_of(sweep)
    means = flow_means(sweep, pieces, 0.0)
    assert (means.y / (means.rows @ into_meter(pieces)) - 1.0).max() > 0.03


def test_a_step_of_flow_is_followed_as_a_first_order_lag_does() -> None:
    """1 − (τ/T)(1 − e^(−T/τ)) is the mean of 1 − e^(−t/τ) over T."""
    pieces = Pieces(np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.zeros(2), np.zeros(2))
    row = metered(pieces, np.array([1.0]), np.array([1.4]), 0.2)[0]
    follows = 1.0 - 0.5 * (1.0 - np.exp(-2.0))
    assert row.tolist() == pytest.approx([1.0 - follows, follows])


def test_pieces_keep_the_mean_of_each_step_and_are_short_where_pressure_moves() -> None:
    sweep = travel(closing=True, seconds=0.5)
    pieces = pieces_of(sweep)
    of = np.searchsorted(sweep.t, pieces.t)
    assert np.bincount(of, pieces.pressure) / np.bincount(of) == pytest.approx(sweep.pressure)
    assert np.bincount(of).max() > 3
    assert np.bincount(of).min() == 1
    assert pieces.right - pieces.left == pytest.approx(STEP / np.bincount(of)[of])
    assert pieces.blur.max() > 1e3 > pieces.blur.min()


def test_a_gap_in_the_steps_takes_away_what_the_meter_shows_of_it() -> None:
    whole = travel(closing=True)
    kept = (whole.t < 3.0) | (whole.t > 3.0 + 6 * STEP)
    holed = replace(whole, **{n: getattr(whole, n)[kept] for n in ("t", "pressure", "current", "voltage")})
    before, after = (flow_means(s, pieces_of(s), LAG) for s in (whole, holed))
    assert before.y.size - 9 <= after.y.size < before.y.size
    forgets = (after.begin < 3.05) | (after.begin > 3.0 + 6 * STEP + 3.5 * LAG)
    assert forgets.all()
    assert after.rows @ into_meter(pieces_of(holed)) == pytest.approx(after.y, rel=5e-3)


def test_a_flow_step_below_the_table_is_left_out_and_no_other() -> None:
    whole = travel(closing=True)
    flows = whole.flow_steps.copy()
    flows[40] = np.nan
    means = flow_means(replace(whole, flow_steps=flows), pieces_of(whole), LAG)
    inside = (means.begin < whole.flow_t[40] - 1e-9) & (means.end > whole.flow_t[39] + 1e-9)
    assert not inside.any()
    assert (means.end == whole.flow_t[39]).sum() == 1
    assert (means.begin == whole.flow_t[40]).sum() == 1


def test_a_flow_step_that_followed_upon_silence_says_nothing() -> None:
    whole = travel(closing=False)
    late = replace(whole, flow_t=np.concatenate(([whole.flow_t[0] - 3.0], whole.flow_t[1:])))
    assert flow_means(late, pieces_of(late), LAG).begin.min() >= whole.flow_t[1] - 1e-9


@pytest.mark.parametrize("seconds", [4.0, 60.0])
def test_there_are_never_many_means(seconds: float) -> None:
    sweep = travel(closing=True, seconds=seconds)
    means = flow_means(sweep, pieces_of(sweep), LAG)
    electric = electric_means(sweep, sweep.current, np.linspace(0.0, 1.0, sweep.t.size))
    assert 0.4 * MOST <= means.y.size <= MOST
    assert 0.4 * MOST <= electric.y.size <= MOST
    assert electric.rows @ unit_current(sweep.pressure) == pytest.approx(electric.y, rel=1e-3)


def test_the_rough_flow_is_late_by_nothing_and_unknown_where_no_step_tells_it() -> None:
    sweep = travel(closing=True, seconds=8.0, compliance=0.0)
    rough = rough_flow(sweep, LAG)
    known = np.isfinite(rough)
    assert rough[known] == pytest.approx(unit_flow(sweep.pressure[known]), rel=0.02)
    assert not known[-1]
    nothing = replace(sweep, flow_steps=np.full(sweep.flow_steps.shape, np.nan))
    assert np.isnan(rough_flow(nothing, LAG)).all()
