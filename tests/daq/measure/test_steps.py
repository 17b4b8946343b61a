"""Blocks to steps: any cutting gives the same, and what was lost is seen."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.convert import BITS, Column, Zero
from daq.measure.errors import TooSlowError
from daq.measure.steps import Measuring, Step, Trace
from drivers.block import Block, Role
from tests.daq.measure.blocks import CHANNELS, RESTING, Line, clipped, counts_of, identity, steady_blocks

RUNNING = RESTING | {Role.PRESSURE: 300e3, Role.SUPPLY_VOLTAGE: 13.5, Role.SHUNT: 4.0}


def measured(blocks: list[Block], hz: int = 500) -> tuple[Measuring, list[Step]]:
    made = Measuring(CHANNELS, identity(sample_hz=hz))
    made.converter.zero = Zero(taken=True)
    return made, [step for block in blocks for step in made.feed(block)]


def told(step: Step) -> tuple[float, ...]:
    """Everything in a step that may not depend on how the stream was cut."""
    return (step.number, step.t, step.pressure, step.voltage, step.current, step.temperature, step.level, step.top)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 25), min_size=1, max_size=6))
def test_any_cutting_gives_the_same_steps(sizes: list[int]) -> None:
    whole = steady_blocks(RUNNING, 500, hertz=120.0, noise=20.0)
    cut = steady_blocks(RUNNING, 500, sizes=sizes, hertz=120.0, noise=20.0)
    (first, steps), (other, others) = measured(whole), measured(cut)
    assert [told(s) for s in others] == [told(s) for s in steps]
    assert len(steps) == 20
    assert np.array_equal(first.trace.values(), other.trace.values())
    assert first.trace.times() == pytest.approx(other.trace.times(), abs=1e-12)


def test_a_step_is_the_mean_of_its_samples() -> None:
    made, steps = measured(steady_blocks(RUNNING, 250, noise=50.0))
    for step in steps:
        piece = made.trace.between(made.first_of[step.number], made.first_of[step.number] + 25)
        assert step.pressure == pytest.approx(piece[:, Column.PRESSURE].mean(), rel=1e-12)
        assert step.top == piece[:, Column.PRESSURE].max()
        assert step.current == pytest.approx(piece[:, Column.CURRENT].mean(), rel=1e-12)
    assert [s.t for s in steps] == pytest.approx([0.05 * k for k in range(1, 11)])


@pytest.mark.parametrize(("hz", "per_step"), [(100, 5), (500, 25), (1000, 50), (40, 2)])
def test_steps_last_50_ms_where_the_device_is_fast_enough(hz: int, per_step: int) -> None:
    line = Line(sample_hz=hz)
    counts = clipped(counts_of({r: np.full(per_step, v) for r, v in RUNNING.items()}))
    made, steps = measured([line.block(counts) for _ in range(4)], hz)
    assert made.per_step == per_step
    assert [s.t for s in steps] == pytest.approx([k * per_step / hz for k in range(1, 5)])


def test_a_device_too_slow_for_such_steps_is_refused() -> None:
    with pytest.raises(TooSlowError, match=r"10 scans a second; expected at least 40"):
        measured([], 10)


def lossy(sizes: list[int], lost: set[int]) -> list[Block]:
    """Blocks of a ramp in pressure (1 kPa a scan), some of which never arrive."""
    line, blocks = Line(), []
    for k, n in enumerate(sizes):
        ramp = {r: np.full(n, v) for r, v in RUNNING.items()} | {Role.PRESSURE: 1e3 * (line.scans + np.arange(n))}
        block = line.block(clipped(counts_of(ramp)))
        if k in lost:
            line.lose(block)
        else:
            blocks.append(block)
    return blocks


def test_ticks_are_right_where_scans_are_uneven() -> None:
    """A board that prints 100.5 lines a second, give or take 2 ms each, but calls itself one of 100."""
    rng, n = np.random.default_rng(4), 3000
    ticks = np.sort(np.rint(np.arange(n) * 1e6 / 100.5 + rng.uniform(-2e3, 2e3, n))).astype(int)
    ticks -= ticks[0]
    counts = clipped(counts_of({r: np.full(5, v) for r, v in RUNNING.items()}))
    line = Line(sample_hz=100)
    made, steps = measured([replace(line.block(counts), tick=int(ticks[k])) for k in range(0, n, 5)], 100)
    times = made.trace.times()
    assert np.abs(times - ticks / 1e6).max() < 0.012  # a scan, and the unevenness; it would be 0.15 s
    assert all(b.t > a.t for a, b in pairwise(steps))
    assert not any(s.lost for s in steps)
    assert steps[-1].t == pytest.approx(ticks[-1] / 1e6, abs=0.02)


def test_lost_scans_begin_a_step_anew_and_are_flagged() -> None:
    made, steps = measured(lossy([10] * 20, {6, 7}))
    assert made.scans_missing == 20
    assert [s.lost for s in steps] == [False, False, True, False, False, False]
    assert [s.t for s in steps] == pytest.approx([0.05, 0.10, 0.25, 0.30, 0.35, 0.40])
    # Scans 60 to 79 are lost and steps begin at multiples of 25, so the first one after them at scan 100.
    # No step mixes samples from both sides: means of a ramp tell where each of them came from.
    for step in steps:
        middle = 500 * step.t - 13
        assert step.pressure == pytest.approx(1e3 * middle, abs=50)


def test_every_loss_is_counted_and_every_sample_kept() -> None:
    made, _ = measured(lossy([25] * 12, {2, 5, 6}))
    assert made.scans_missing == 75
    assert made.trace.filled == 9 * 25
    t, pressure = made.trace.times(), made.trace.values()[:, Column.PRESSURE]
    assert pressure == pytest.approx(1e3 * 500 * t, abs=50)


def test_a_trace_without_loss_has_even_times() -> None:
    made, _ = measured(steady_blocks(RUNNING, 9_000))
    assert made.trace.times() == pytest.approx(np.arange(9_000) / 500, abs=1e-9)
    assert made.trace.filled == 9_000  # more than it had room for at first


def test_an_empty_trace() -> None:
    trace = Trace(500)
    assert trace.times().shape == (0,)
    assert trace.values().shape == (0, 5)


def test_runs_over_the_same_scans_share_their_steps() -> None:
    """Whichever scan a run begins with."""
    blocks = steady_blocks(RUNNING, 500, sizes=[7], noise=50.0)
    early, late = measured(blocks)[1], measured(blocks[9:])[1]
    assert [s.pressure for s in late] == [s.pressure for s in early[3:]]
    assert late[0].t == pytest.approx(early[3].t - 63 / 500)


def test_missing_scans_before_the_first_block_are_no_loss() -> None:
    blocks = steady_blocks(RUNNING, 100)
    made, steps = measured([replace(blocks[0], missing=7), *blocks[1:]])
    assert (made.scans_missing, [s.lost for s in steps]) == (0, [False] * 4)


def test_time_counts_from_the_first_scan_of_the_run() -> None:
    blocks = [replace(b, tick=b.tick + 10**9, index=b.index + 10**6) for b in steady_blocks(RUNNING, 100)]
    assert measured(blocks)[1][0].t == pytest.approx(0.05)


def test_a_fault_stays_with_the_step_that_it_touched() -> None:
    line, blocks = Line(), []
    for k in range(10):
        values = {r: np.full(10, v) for r, v in RUNNING.items()}
        if k == 4:  # scans 40 to 49, in the second step
            values[Role.PRESSURE] = np.full(10, 1_060e3)
        blocks.append(line.block(clipped(counts_of(values))))
    _, steps = measured(blocks)
    assert [s.faulty for s in steps] == [0, BITS[Column.PRESSURE], 0, 0]
    assert [s.above for s in steps] == [0, BITS[Column.PRESSURE], 0, 0]


def test_a_flow_step_comes_once() -> None:
    """Also where a driver's blocks are longer than a step."""
    _, steps = measured(steady_blocks(RUNNING, 2_000, sizes=[100], hertz=100.0))
    times = [s.flow_step.t for s in steps if s.flow_step is not None]
    assert len(times) == len(set(times)) == 18
    assert all(s.flow_step.flow.value == pytest.approx(100 / 4.5982e6, rel=1e-3) for s in steps if s.flow_step)


def test_a_step_knows_the_meters_count() -> None:
    _, steps = measured(steady_blocks(RUNNING, 500, hertz=100.0))
    assert steps[-1].edges == pytest.approx(100, abs=1)
