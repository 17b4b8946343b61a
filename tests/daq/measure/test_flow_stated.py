"""Flow that a device states itself."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.channels import FlowInput
from daq.measure.errors import NotFittedError
from daq.measure.flow import UNKNOWN, Flow, FlowMeter, FlowStep
from daq.measure.flow_stated import StatedFlow, flow_of
from drivers.block import Block, Identity, Role
from tests.daq.measure.blocks import FLOW, LITRES_PER_HOUR, identity

LOW, HIGH, STALL = 30 * LITRES_PER_HOUR, 190 * LITRES_PER_HOUR, 2 * LITRES_PER_HOUR
METER = FlowInput(k_table=((LOW, 1.0), (HIGH, 1.0)), silence=1.0, stall_flow=STALL, quantity=True)


def rests(flow: Flow) -> bool:
    """Silent, with the bounds of a meter at rest and a value that is no number; two of those would not be equal."""
    return math.isnan(flow.value) and replace(flow, value=0.0) == Flow(0.0, 0.0, STALL, silent=True)


def device(pulse: tuple[int, ...] = ()) -> Identity:
    return identity((Role.PRESSURE, Role.FLOW), sample_hz=100, pulse=pulse)


def blocks(flows: list[float], size: int = 5) -> list[tuple[Block, float]]:
    """Blocks of these flows (m³/s) at 100 scans a second, and the time of each one's last scan."""
    made = []
    for first in range(0, len(flows), size):
        part = np.array(flows[first : first + size])
        values = np.stack((np.zeros_like(part), part), axis=1)
        none = np.array([], dtype=np.int64)
        made.append((Block(0, first * 10_000, first, values, none, none), (first + len(part) - 1) / 100))
    return made


def watched(
    flows: list[float], size: int = 5, meter: FlowInput = METER
) -> tuple[StatedFlow | FlowMeter, list[FlowStep]]:
    made = flow_of(meter, device(), 0)
    steps = [made.feed(block, end) for block, end in blocks(flows, size)]
    return made, [s for s in steps if s is not None]


@pytest.mark.parametrize("size", [1, 2, 5, 10])
def test_steps_are_means_over_50_ms_at_least(size: int) -> None:
    flows = (100 * LITRES_PER_HOUR * (1 + 0.01 * np.sin(np.arange(200)))).tolist()
    meter, steps = watched(flows, size)
    assert all(b.t - a.t >= 0.05 - 1e-9 for a, b in pairwise(steps))
    assert len(steps) >= 19
    per_step = math.ceil(5 / size) * size
    first = size  # the very first block only begins the first step
    assert steps[0].flow.value == pytest.approx(np.mean(flows[first : first + per_step]), rel=1e-12)
    assert meter.now == steps[-1].flow
    assert meter.held(np.array([0.0, steps[3].t, 9.0])).tolist() == pytest.approx(
        [math.nan, steps[3].flow.value, steps[-1].flow.value], nan_ok=True
    )


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(40.0, 180.0), min_size=60, max_size=120), st.sampled_from([1, 3, 5]))
def test_the_mean_is_that_of_the_samples_between_two_block_ends(litres: list[float], size: int) -> None:
    flows = [x * LITRES_PER_HOUR for x in litres]
    meter, _ = watched(flows, size)
    ends = [end for _, end in blocks(flows, size)]
    i, j = 2, len(ends) - 1
    inside = flows[round(ends[i] * 100) + 1 : round(ends[j] * 100) + 1]
    assert meter.mean(ends[i], ends[j]).value == pytest.approx(np.mean(inside), rel=1e-9)


def test_what_lies_outside_the_range_is_an_interval() -> None:
    small, large = watched([20 * LITRES_PER_HOUR] * 40)[0], watched([200 * LITRES_PER_HOUR] * 40)[0]
    for told in (small.now, small.mean(0.04, 0.39)):
        assert (math.isnan(told.value), told.low, told.high, told.silent) == (True, 0.0, pytest.approx(LOW), False)
    assert large.now.out_of_range
    assert large.mean(0.04, 0.39).low == pytest.approx(200 * LITRES_PER_HOUR)


def test_nothing_for_long_enough_is_silence() -> None:
    rng = np.random.default_rng(5)
    meter, _ = watched((0.3 * LITRES_PER_HOUR * rng.standard_normal(99)).tolist())
    assert not meter.now.silent  # not a second yet since the first block
    meter, steps = watched((0.3 * LITRES_PER_HOUR * rng.standard_normal(130)).tolist())
    assert rests(meter.now)
    assert rests(meter.mean(0.2, 1.29))
    assert not meter.mean(0.2, 0.9).silent
    assert steps[-1].t < 1.1
    assert np.isnan(meter.held(np.array([1.25]))).all()


def test_a_flow_ends_silence_and_moves_the_count_that_shows_rest() -> None:
    meter, _ = watched([0.0] * 200)
    assert (meter.now.silent, meter.edges) == (True, 0)
    meter, steps = watched([0.0] * 200 + [100 * LITRES_PER_HOUR] * 20, meter=replace(METER, lag=0.15))
    assert not meter.now.silent
    assert meter.edges == 4
    assert math.isnan(steps[-4].driving)  # nobody knows what the meter showed before


@pytest.mark.parametrize("odd", [math.nan, -50 * LITRES_PER_HOUR])
def test_what_is_no_number_or_runs_backwards_says_nothing(odd: float) -> None:
    meter, _ = watched([100 * LITRES_PER_HOUR] * 50 + [odd] * 150)
    assert meter.now == UNKNOWN  # neither a value nor silence
    assert meter.mean(0.6, 1.9) == UNKNOWN
    assert meter.mean(0.04, 0.44).value == pytest.approx(100 * LITRES_PER_HOUR)


def test_one_value_that_is_none_spoils_its_window_alone() -> None:
    flows = [100 * LITRES_PER_HOUR] * 200
    flows[57] = math.nan
    meter, steps = watched(flows)
    assert [s.flow == UNKNOWN for s in steps].count(True) == 1
    assert meter.mean(0.04, 1.99) == UNKNOWN
    assert meter.mean(0.64, 1.99).value == pytest.approx(100 * LITRES_PER_HOUR)


def test_lost_scans_begin_a_step_anew_and_end_silence() -> None:
    made = flow_of(METER, device(), 0)
    for block, end in blocks([0.0] * 150):
        made.feed(block, end)
    assert made.now.silent
    (block, end), *more = blocks([100 * LITRES_PER_HOUR] * 10)
    assert made.feed(replace(block, missing=20), end + 1.7) is None
    step = made.feed(more[0][0], more[0][1] + 1.7)
    assert step is not None
    assert step.flow.value == pytest.approx(100 * LITRES_PER_HOUR)


def test_the_lag_is_taken_out() -> None:
    """A first-order meter after a jump, worked out in closed form: what drove it is the new flow from the start."""
    lag, before, after = 0.15, 60 * LITRES_PER_HOUR, 120 * LITRES_PER_HOUR
    shown = after + (before - after) * np.exp(-np.arange(3000) / 1000 / lag)
    made = StatedFlow(replace(METER, lag=lag), 0)
    none = np.array([], dtype=np.int64)
    steps = []
    for first in range(0, 3000, 50):
        part = shown[first : first + 50][:, np.newaxis]
        step = made.feed(Block(0, first * 1000, first, part, none, none), (first + 49) / 1000)
        steps += [step] if step is not None else []
    assert [s.driving for s in steps[1:]] == pytest.approx([after] * (len(steps) - 1), rel=1e-9)


def test_pulses_go_before_a_stated_flow() -> None:
    assert isinstance(flow_of(FLOW, device(pulse=(1,)), 0), FlowMeter)
    assert isinstance(flow_of(FLOW, device(), 0), StatedFlow)  # a pulse table bounds a stated flow too
    assert not flow_of(FLOW, identity(pulse=()), 0).fitted


def test_a_pulse_counter_needs_a_table() -> None:
    with pytest.raises(NotFittedError, match=r"expected a quantity, as .*, found a pulse counter; give"):
        flow_of(METER, device(pulse=(1,)), 0)


def test_the_newest_closed_steps_flow_is_held_from_the_first_on() -> None:
    made, steps = watched([100 * LITRES_PER_HOUR] * 10 + [120 * LITRES_PER_HOUR] * 10)
    assert isinstance(made, StatedFlow)
    ends = np.array([s.t for s in steps])
    assert made.held(ends) == pytest.approx([s.flow.value for s in steps])
    assert made.held(ends + 1e-6) == pytest.approx([s.flow.value for s in steps])
    assert np.isnan(made.held(ends[:1] - 1e-6)).all()
    untouched = flow_of(METER, device(), 0)
    assert isinstance(untouched, StatedFlow)
    assert np.isnan(untouched.held(np.array([0.0, 1.0]))).tolist() == [True, True]
