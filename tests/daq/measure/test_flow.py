"""Flow from edges at exact ticks."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.channels import FlowInput
from daq.measure.flow import MIN_STEP_EDGES, MIN_STEP_S, UNKNOWN, Flow, FlowMeter, FlowStep, KTable
from drivers.block import Block
from tests.daq.measure.blocks import FLOW, identity

PLAIN = FlowInput(k_table=((1.0, 1e6), (1000.0, 1e6)), silence=1.0, stall_flow=0.0)
"""A million pulses per m³ at any frequency: 1 Hz is 1e-6 m³/s."""


def told(edges: list[float], end: float) -> Block:
    """What a counter says at `end` seconds that saw these edges (seconds)."""
    seen = [e for e in edges if e <= end]
    last = round(seen[-1] * 1e6) if seen else -1
    return Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([len(seen)]), np.array([last]))


def watched(edges: list[float], ends: list[float], meter: FlowInput = PLAIN) -> tuple[FlowMeter, list[FlowStep]]:
    """A meter that was told at each of `ends`, and the steps that it closed."""
    made = FlowMeter(meter, identity(), tick0=0)
    steps = [made.feed(told(edges, end), end) for end in ends]
    return made, [s for s in steps if s is not None]


def every(interval: float, until: float) -> list[float]:
    return [k * interval for k in range(1, round(until / interval) + 1)]


@pytest.mark.parametrize("block", [0.002, 0.01, 0.025, 0.05])
@pytest.mark.parametrize("hertz", [50.0, 125.0, 200.0])
def test_exact_edges_give_the_exact_flow_whatever_the_block_length(hertz: float, block: float) -> None:
    meter, steps = watched(every(1 / hertz, 3), every(block, 3))
    assert len(steps) >= 15
    assert [s.flow.value for s in steps] == pytest.approx([hertz * 1e-6] * len(steps), rel=1e-9)
    assert meter.mean(0.5, 2.5).value == pytest.approx(hertz * 1e-6, rel=1e-9)
    assert meter.now == steps[-1].flow


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.003, 0.05), min_size=20, max_size=60), st.floats(30.0, 300.0), st.integers(0, 10**6))
def test_the_mean_is_edges_over_the_time_between_edges(blocks: list[float], hertz: float, seed: int) -> None:
    """Whatever the edges and the blocks: counted from the newest edge at one end to the newest at the other."""
    ends = np.cumsum(blocks).tolist()
    gaps = np.random.default_rng(seed).uniform(0.7, 1.3, math.ceil(ends[-1] * hertz * 1.3)) / hertz
    edges = [round(e, 6) for e in np.cumsum(gaps).tolist()]
    meter, _ = watched(edges, ends)
    begin, end = ends[5], ends[-1]
    inside = [e for e in edges if e <= end]
    before = [e for e in edges if e <= begin]
    if before and len(inside) - len(before) >= MIN_STEP_EDGES:
        expected = (len(inside) - len(before)) / (inside[-1] - before[-1]) * 1e-6
        assert meter.mean(begin, end).value == pytest.approx(expected, rel=1e-6)


def test_the_mean_is_no_mean_of_steps() -> None:
    """Flow that doubles half way: steps are no equal times, so their mean differs."""
    edges = [*every(0.02, 1.0), *(1.0 + e for e in every(0.0073, 1.0))]
    meter, steps = watched(edges, every(0.01, 2.0))
    late = [e for e in edges if e <= 2.0]
    expected = (len(late) - 1) / (late[-1] - late[0]) * 1e-6
    assert meter.mean(0.02, 2.0).value == pytest.approx(expected, rel=1e-6)
    assert abs(np.mean([s.flow.value for s in steps]) - expected) > 1e-7


@pytest.mark.parametrize(("hertz", "block"), [(20.0, 0.01), (300.0, 0.004), (90.0, 0.05)])
def test_a_step_is_long_enough_and_holds_enough_edges(hertz: float, block: float) -> None:
    _, steps = watched(every(1 / hertz, 4), every(block, 4))
    lengths = np.diff([s.t for s in steps])
    assert (lengths * hertz > MIN_STEP_EDGES - 1e-3).all()
    assert (lengths > MIN_STEP_S - block - 1e-9).all()
    assert (lengths < max(MIN_STEP_S, MIN_STEP_EDGES / hertz) + 2 * block + 1 / hertz).all()


def test_step_times_are_those_of_their_last_edge() -> None:
    _, steps = watched(every(0.01, 2), [e + 0.003 for e in every(0.01, 2)])
    assert [s.t for s in steps] == pytest.approx([round(s.t, 2) for s in steps], abs=1e-9)


# Silence.


def test_after_silence_flow_is_an_interval_and_a_known_one() -> None:
    edges = every(0.01, 1.0)
    meter, _ = watched(edges, every(0.05, 1.95))
    assert not meter.now.silent
    meter, _ = watched(edges, every(0.05, 2.0))
    assert (meter.now.silent, meter.now.low, meter.now.high) == (True, 0.0, pytest.approx(1e-6))
    assert math.isnan(meter.now.value)


def test_what_cannot_turn_the_meter_may_still_flow() -> None:
    stalling = FlowInput(k_table=PLAIN.k_table, silence=1.0, stall_flow=5e-6)
    meter, _ = watched([], every(0.05, 3.0), stalling)
    assert math.isnan(meter.now.value)  # two of which would not be equal
    assert replace(meter.now, value=0.0) == Flow(0.0, 0.0, 5e-6, silent=True)
    assert meter.mean(1.0, 3.0).high == 5e-6


def test_no_new_edge_bounds_the_flow_from_above() -> None:
    edges = every(0.01, 1.0)
    meter, _ = watched(edges, every(0.05, 1.4))
    assert math.isnan(meter.now.value)
    assert (meter.now.low, meter.now.high, meter.now.silent) == (0.0, pytest.approx(1e-6 / 0.4), False)


def test_a_bound_is_never_looser_than_one_that_was_known() -> None:
    meter = FlowMeter(PLAIN, identity(), tick0=0)
    edges, highs = every(0.01, 1.0), []
    for end in every(0.05, 1.9):
        meter.feed(told(edges, end), end)
        highs.append(meter.now.high)
    assert highs[20:] == sorted(highs[20:], reverse=True)


def test_the_interval_that_ends_a_silence_is_dropped() -> None:
    """3 s without an edge, then 100 Hz: no step may mix the two."""
    edges = [*every(0.01, 1.0), *(4.0 + e for e in every(0.01, 1.0))]
    _, steps = watched(edges, every(0.05, 5.0))
    assert all(s.flow.value == pytest.approx(100e-6, rel=1e-6) for s in steps)
    assert min(s.t for s in steps if s.t > 1.5) > 4.05


def test_the_first_interval_after_boot_is_dropped() -> None:
    edges = [0.9 + e for e in every(0.01, 1.0)]
    meter, steps = watched(edges, every(0.05, 1.9))
    assert all(s.flow.value == pytest.approx(100e-6, rel=1e-6) for s in steps)
    assert meter.now.value == pytest.approx(100e-6, rel=1e-6)


def test_edges_from_before_the_first_block_are_not_counted() -> None:
    edges = [*every(0.001, 0.5), *(0.5 + e for e in every(0.01, 1.0))]
    meter, steps = watched(edges, [0.5 + e for e in every(0.05, 1.0)])
    assert all(s.flow.value == pytest.approx(100e-6, rel=1e-6) for s in steps)
    assert meter.mean(0.0, 2.0).value == pytest.approx(100e-6, rel=1e-6)


def test_vanes_that_are_not_alike_do_not_make_the_flow_unknown() -> None:
    """Intervals of 22 ± 5 ms: a vane that is late must not turn a value into an interval between two steps."""
    gaps = np.tile([0.022, 0.027, 0.022, 0.017], 40)
    edges = np.cumsum(gaps).tolist()
    meter = FlowMeter(PLAIN, identity(), tick0=0)
    unknown = 0
    for end in every(0.01, 3.0):
        meter.feed(told(edges, end), end)
        unknown += end > 0.3 and math.isnan(meter.now.value)
    assert unknown == 0


def test_no_mean_without_blocks() -> None:
    meter, _ = watched(every(0.01, 1.0), every(0.05, 1.0))
    for begin, end in ((5.0, 6.0), (0.51, 0.54), (0.9, 0.8)):
        flow = meter.mean(begin, end)
        assert (math.isnan(flow.value), flow.low, flow.high) == (True, 0.0, math.inf)


def test_too_few_edges_for_a_statement_bound_the_mean() -> None:
    meter, _ = watched([0.1, 0.6, 1.1, 1.6], every(0.05, 2.0))
    mean = meter.mean(0.5, 2.0)
    assert math.isnan(mean.value)
    assert (mean.low, mean.high) == (0.0, pytest.approx(4e-6 / 1.5))


def test_a_device_without_a_counter_knows_no_flow() -> None:
    meter = FlowMeter(PLAIN, identity(pulse=()), tick0=0)
    assert meter.feed(told([0.1], 0.2), 0.2) is None
    assert (meter.fitted, meter.now, meter.mean(0.0, 1.0)) == (False, UNKNOWN, UNKNOWN)


def test_the_newest_step_is_held() -> None:
    meter, steps = watched(every(0.01, 1.0), every(0.05, 3.0))
    held = meter.held(np.array([0.0, steps[0].t, steps[0].t + 0.01, 0.95, 2.5]))
    assert np.isnan(held[[0, 4]]).all()
    assert held[1:4] == pytest.approx([100e-6] * 3, rel=1e-6)
    assert np.isnan(FlowMeter(PLAIN, identity(), 0).held(np.array([1.0]))).all()


# The table of K factors.

TABLE = KTable.of(FLOW.k_table)


def test_below_its_table_a_flow_is_an_interval() -> None:
    flow = TABLE.flow(39.9)
    assert math.isnan(flow.value)
    assert (flow.low, flow.high) == (0.0, pytest.approx(40.0 / 4.55e6))
    assert TABLE.lowest_flow == flow.high


def test_above_its_table_a_flow_is_out_of_range() -> None:
    flow = TABLE.flow(240.1)
    assert (math.isnan(flow.value), flow.high, flow.out_of_range) == (True, math.inf, True)
    assert flow.low > 200 / 4.6e6


@given(st.floats(40.0, 240.0))
def test_inside_its_table_it_interpolates_between_neighbours(hertz: float) -> None:
    at = [h for h, _ in FLOW.k_table]
    expected = float(np.interp(hertz, at, [k for _, k in FLOW.k_table]))
    assert TABLE.factor(hertz) == pytest.approx(expected, rel=1e-12)
    assert TABLE.flow(hertz).value == pytest.approx(hertz / expected, rel=1e-12)


def test_one_point_is_a_table_of_one_frequency() -> None:
    point = KTable.of(((50.0, 1e6),))
    assert point.flow(50.0).value == pytest.approx(50e-6)
    assert math.isnan(point.flow(49.9).value)
    assert point.flow(50.1).out_of_range


def test_a_meter_at_the_end_of_its_table() -> None:
    for hertz, known in ((35.0, False), (50.0, True), (230.0, True), (260.0, False)):
        meter, _ = watched(every(1 / hertz, 3), every(0.01, 3), FLOW)
        assert math.isfinite(meter.mean(0.5, 2.5).value) is known
    assert meter.mean(0.5, 2.5).out_of_range


def lagging(flow: np.ndarray, seconds: float, lag: float) -> list[float]:
    """Edges of a first-order meter (a million pulses per m³) that follows `flow`, one value each `seconds`."""
    edges, phase, followed, fine = [], 0.0, float(flow[0]), 40
    for k, q in enumerate(flow):
        for j in range(fine):
            before, followed = followed, q + (followed - q) * math.exp(-seconds / fine / lag)
            turned = 0.5 * (before + followed) * 1e6 * seconds / fine
            phase += turned
            if phase >= 1.0:
                phase -= 1.0
                edges.append((k + (j + 1 - phase / turned) / fine) * seconds)
    return edges


def test_what_drove_a_lagging_meter_is_found_from_its_steps() -> None:
    """After a jump of the flow the meter needs several time constants, what drove it does not."""
    meter = FlowInput(k_table=((1.0, 1e6), (1000.0, 1e6)), lag=0.15)
    jump = np.where(np.arange(60) < 30, 2e-4, 1e-4)
    _, steps = watched(lagging(jump, 0.05, meter.lag), every(0.04, 3.0), meter)
    after = [s for s in steps if 1.6 < s.t < 1.9]
    assert min(s.flow.value for s in after) > 1.05e-4
    assert [s.driving for s in after[1:]] == pytest.approx([1e-4] * len(after[1:]), rel=0.03)


def test_steps_of_what_drove_it_resemble_each_other_less() -> None:
    meter = FlowInput(k_table=((1.0, 1e6), (1000.0, 1e6)), lag=0.15)
    noisy = 2e-4 * (1.0 + 0.01 * np.random.default_rng(5).standard_normal(1200))
    _, steps = watched(lagging(noisy, 0.05, meter.lag), every(0.05, 59.0), meter)

    def lag1(values: list[float]) -> float:
        x = np.array(values[20:]) - np.mean(values[20:])
        return float(x[1:] @ x[:-1] / (x @ x))

    assert lag1([s.flow.value for s in steps]) > 0.75
    assert lag1([s.driving for s in steps]) < 0.55  # its own means over steps that begin within those of the noise
    assert np.mean([s.driving for s in steps[20:]]) == pytest.approx(
        np.mean([s.flow.value for s in steps[20:]]), rel=1e-4
    )


def test_nothing_is_known_of_what_drove_the_first_step_after_silence() -> None:
    meter = FlowInput(k_table=((1.0, 1e6), (1000.0, 1e6)), silence=0.5, lag=0.15)
    edges = [*every(0.01, 1.0), *(3.0 + e for e in every(0.01, 1.0))]
    _, steps = watched(edges, every(0.05, 4.0), meter)
    unknown = [s.t for s in steps if math.isnan(s.driving)]
    assert len(unknown) == 2
    assert unknown[0] < 0.2
    assert 3.0 < unknown[1] < 3.2


@pytest.mark.parametrize("hertz", [14.0, 40.0, 300.0])
def test_a_window_has_as_many_rates_as_blocks_with_new_edges(hertz: float) -> None:
    """Also of a coarse meter, of which four edges are a third of a second."""
    meter, steps = watched(every(1 / hertz, 3), every(0.04, 3))
    rates = meter.rates(1.0, 2.0)
    assert rates.values.size >= 0.8 * min(hertz, 12.0)
    assert rates.values == pytest.approx(hertz * 1e-6, rel=1e-4)  # edges lie on ticks
    if hertz < 20.0:
        assert rates.values.size > 2 * len([s for s in steps if 1.0 < s.t <= 2.0])


def test_rates_add_up_to_the_mean() -> None:
    edges = np.cumsum(np.random.default_rng(3).uniform(0.02, 0.05, 100)).tolist()
    meter, _ = watched(edges, every(0.04, 3))
    rates = meter.rates(0.6, 2.6).values
    assert rates.std() > 0.05 * rates.mean()
    assert meter.mean(0.6, 2.6).value == pytest.approx(rates.mean(), rel=0.03)


def test_what_is_usual_of_a_meter_shrinks_with_its_edges() -> None:
    """An edge that is out of place is half of a coarse meter's stretch and little of a fine one's."""
    coarse, fine = (watched(every(1 / hertz, 3), every(0.04, 3))[0].rates(1.0, 2.0).usual[0] for hertz in (14.0, 300.0))
    assert coarse.dof == fine.dof == 2.0
    shares = [math.sqrt(u.differences.squares[0] / 4.0) / (h * 1e-6) for u, h in ((coarse, 14.0), (fine, 300.0))]
    assert shares[0] == pytest.approx(math.sqrt(2) * 0.02, rel=0.1)
    assert shares[1] == pytest.approx(math.hypot(0.002, math.sqrt(2) * 0.02 / 24), rel=0.1)


def test_a_lag_is_said_and_silence_has_no_rates() -> None:
    slow = FlowInput(k_table=PLAIN.k_table, silence=1.0, stall_flow=0.0, lag=0.2)
    meter, _ = watched(every(0.01, 3), every(0.04, 3), slow)
    assert meter.rates(1.0, 2.0).noise.least == pytest.approx(math.exp(-0.08 / 0.2), abs=0.03)
    assert meter.rates(1.0, 2.0).noise.edges is not None
    silent, _ = watched([0.1, 0.2], every(0.04, 3))
    assert silent.rates(1.0, 2.0).values.size == 0


@pytest.mark.parametrize(
    ("edges", "last", "contradicts"),
    [
        (60, 1.049, False),
        (60, 0.999, True),
        (60, -100.0, True),
        (60, 1.0, True),
        (49, 1.049, True),
        (0, -1.0, True),
        (50, 0.0, False),
    ],
)
def test_a_counter_that_cannot_follow_itself_gives_no_flow(edges: int, last: float, contradicts: bool) -> None:
    """50 edges by 1 s, the newest at 1 s: a later block with more must have a newer one, and none has fewer."""
    meter, _ = watched(every(0.02, 1.0), every(0.05, 1.0))
    known = meter.now
    block = Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([edges]), np.array([round(last * 1e6)]))
    step = meter.feed(block, 1.05)
    assert meter.contradicted is contradicts
    if contradicts:
        assert step is None
        assert meter.now == UNKNOWN
    else:
        assert known.value == pytest.approx(50e-6)


@given(st.lists(st.tuples(st.integers(0, 2**40), st.integers(-1, 2**50)), min_size=1, max_size=40))
def test_no_counter_makes_a_meter_raise(counts: list[tuple[int, int]]) -> None:
    meter = FlowMeter(FLOW, identity(), tick0=0)
    for k, (edges, last) in enumerate(counts):
        block = Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([edges]), np.array([last]))
        meter.feed(block, 0.05 * (k + 1))
        assert meter.now.low <= meter.now.high
    end = 0.05 * len(counts)
    assert meter.mean(0.0, end).low >= 0.0
    meter.rates(0.0, end)
    meter.between_edges(0.0, end)
    meter.held(np.array([0.0, end]))
