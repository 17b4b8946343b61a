"""Blocks from SCANS: what wraps on the line rises without bound here."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.block import AnalogInput, Block, Feature, Identity, Input
from drivers.link.blocks import WRAP, BlockMaker
from drivers.link.frames import Scans, ScansFlag

IDENTITY = Identity(
    protocol=1,
    features=Feature.SIMULATED,
    device_id="00" * 8,
    firmware="1.0.0",
    inputs_fitted=Input(0),
    reset_cause=1,
    boot=0x0305,
    tick_hz=1_000_000,
    sample_hz=500,
    burst_max_hz=0,
    burst_max_total=0,
    analog=(AnalogInput(1, 12, 0, 0.001), AnalogInput(3, 12, 0, 0.001)),
    pulse=(1,),
)
PERIOD = 2000


def scans(tick: int, index: int, edges: int, last_edge: int, *, n: int = 20, flags: int = 0) -> Scans:
    counts = np.arange(2 * n, dtype="<i2").tobytes()
    return Scans(5, tick % WRAP, index % WRAP, n, flags, 0, counts, (edges % WRAP,), (last_edge % WRAP,))


def made(maker: BlockMaker, *args: int, **more: int) -> Block:
    block = maker.make(scans(*args, **more))
    assert block is not None
    return block


@given(
    start=st.integers(0, WRAP - 1),
    index=st.integers(0, WRAP - 1),
    edges=st.integers(1, WRAP - 1),
    steps=st.lists(st.tuples(st.integers(0, 40_000), st.integers(0, 9), st.integers(0, 39_000)), max_size=30),
)
def test_ticks_indexes_and_edges_rise_over_wraps(
    start: int, index: int, edges: int, steps: list[tuple[int, int, int]]
) -> None:
    maker = BlockMaker(IDENTITY)
    first = made(maker, start, index, edges, start)
    tick, newest = start, start
    for lost, more, ago in steps:
        tick += (20 + lost) * PERIOD
        index += 20 + lost
        edges += more
        end = tick + 19 * PERIOD
        newest = end - ago if more else newest
        block = made(maker, tick, index, edges, newest)
        assert block.tick - first.tick == tick - start
        assert block.index == index
        assert int(block.edges[0]) == edges
        assert int(block.last_edge[0]) - first.tick == newest - start
        assert block.missing == lost


def test_values_are_counts_scan_by_scan() -> None:
    block = made(BlockMaker(IDENTITY), 0, 0, 0, 0, n=3)
    assert block.values.tolist() == [[0, 1], [2, 3], [4, 5]]
    assert (block.n, block.in_counts, block.boot) == (3, True, 0x0305)


def test_no_edge_is_minus_one_until_there_is_one() -> None:
    maker = BlockMaker(IDENTITY)
    assert made(maker, 0, 0, 0, 77).last_edge.tolist() == [-1]
    assert made(maker, 40_000, 20, 0, 99).last_edge.tolist() == [-1]
    assert made(maker, 80_000, 40, 2, 81_234).last_edge.tolist() == [81_234]


def test_an_edge_long_ago_keeps_its_tick_however_often_ticks_wrap() -> None:
    maker = BlockMaker(IDENTITY)
    made(maker, 0, 0, 1, 100)
    for k in range(1, 12):
        block = made(maker, k * (WRAP // 3), 20 * k, 1, 100)
    assert block.tick > 3 * WRAP
    assert block.last_edge.tolist() == [100]


def test_an_edge_from_before_the_wrap_lifts_the_beginning() -> None:
    block = made(BlockMaker(IDENTITY), 10, 400, 7, WRAP - 50)
    assert block.tick == WRAP + 10
    assert block.last_edge.tolist() == [WRAP - 50]


def test_first_block_misses_nothing_and_displaced_ones_are_told_apart() -> None:
    maker = BlockMaker(IDENTITY)
    assert made(maker, 0, 1000, 0, 0, flags=ScansFlag.MISSING_BEFORE).missing == 0
    flags = ScansFlag.MISSING_BEFORE | ScansFlag.DISPLACED_BY_CAPTURE
    block = made(maker, 100_000, 1050, 0, 0, flags=flags)
    assert (block.missing, block.displaced) == (30, 30)
    block = made(maker, 200_000, 1100, 0, 0, flags=ScansFlag.MISSING_BEFORE)
    assert (block.missing, block.displaced) == (30, 0)


def test_an_index_that_runs_backwards_gives_no_block() -> None:
    maker = BlockMaker(IDENTITY)
    made(maker, 0, 1000, 0, 0)
    assert maker.make(scans(40_000, 1019, 0, 0)) is None


def test_a_hole_is_marked_although_no_index_is_missing() -> None:
    maker = BlockMaker(IDENTITY)
    made(maker, 0, 0, 0, 0)
    maker.mark_hole()
    assert made(maker, 40_000, 20, 0, 0).missing == 1
    assert made(maker, 80_000, 40, 0, 0).missing == 0


def test_a_maker_goes_on_behind_a_block() -> None:
    maker = BlockMaker(IDENTITY)
    for k in range(5):
        block = made(maker, k * (WRAP // 3), 20 * k, k, k * (WRAP // 3) - 9)
    other = BlockMaker(IDENTITY, block)
    args = (5 * (WRAP // 3), 105, 5, 5 * (WRAP // 3) + 3)
    ours, theirs = made(maker, *args), made(other, *args)
    assert (ours.tick, ours.index, ours.missing) == (theirs.tick, theirs.index, theirs.missing) != (0, 0, 0)
    assert ours.last_edge.tolist() == theirs.last_edge.tolist()


@pytest.mark.parametrize(("raw", "expected"), [(5, WRAP + 5), (WRAP - 5, WRAP - 5), (WRAP // 2, WRAP + WRAP // 2)])
def test_status_ticks_lie_near_the_newest_block(raw: int, expected: int) -> None:
    maker = BlockMaker(IDENTITY)
    assert maker.status_tick(raw) == raw
    made(maker, WRAP - 1000, 0, 0, 0)
    made(maker, WRAP + 39_000, 20, 0, 0)
    assert maker.status_tick(raw) == expected


def test_scan_times_are_rounded_as_the_contract_says() -> None:
    maker = BlockMaker(replace(IDENTITY, tick_hz=1_000_000, sample_hz=600))
    assert [maker.ticks(k) for k in (0, 1, 2, 3)] == [0, 1667, 3333, 5000]
