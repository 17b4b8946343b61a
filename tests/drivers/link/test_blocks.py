"""Blocks from SCANS: what wraps on the line rises without bound here."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drivers.block import AnalogInput, Block, Feature, Identity, Input
from drivers.link.blocks import WRAP, BlockMaker, Refused
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
THIRD = WRAP // 3


def scans(tick: int, index: int, edges: int, last_edge: int, *, n: int = 20, flags: int = 0) -> Scans:
    counts = np.arange(2 * n, dtype="<i2").tobytes()
    return Scans(5, tick % WRAP, index % WRAP, n, flags, 0, counts, (edges % WRAP,), (last_edge % WRAP,))


def made(maker: BlockMaker, *args: int, **more: int) -> Block:
    block = maker.make(scans(*args, **more))
    assert isinstance(block, Block)
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
        block = made(maker, k * THIRD, k * THIRD // PERIOD, 1, 100)
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


def stream(n: int, *, begin: int = 0, pulses: int = 3) -> list[Scans]:
    """Frames of 20 scans, each with its newest edge 5 ms before its end."""
    ends = [begin + (20 * k + 19) * PERIOD for k in range(n)]
    return [scans(begin + 20 * k * PERIOD, 20 * k, pulses * (k + 1), ends[k] - 5_000) for k in range(n)]


def fed(maker: BlockMaker, frames: list[Scans]) -> list[Block | Refused]:
    return [maker.make(frame) for frame in frames]


def test_an_index_that_runs_backwards_gives_no_block() -> None:
    maker = BlockMaker(IDENTITY)
    made(maker, 0, 1000, 0, 0)
    assert maker.make(scans(40_000, 1019, 0, 0)) is Refused.FRAME


DAMAGE = {
    "tick": st.integers(0, WRAP - 1).map(lambda x: {"tick": x}),
    "index": st.integers(0, WRAP - 1).map(lambda x: {"index": x}),
    "edges": st.integers(0, WRAP - 1).map(lambda x: {"edges": (x,)}),
    "last_edge": st.integers(0, WRAP - 1).map(lambda x: {"last_edge": (x,)}),
}


@example(damage={"index": 32}, at=1, begin=0)
@given(
    damage=st.one_of(*DAMAGE.values()),
    at=st.integers(1, 7),
    begin=st.sampled_from([0, WRAP - 150_000, WRAP // 2 - 1, 12_345]),
)
def test_one_damaged_counter_costs_its_frame_or_shows_as_broken_counts(
    damage: dict[str, object], at: int, begin: int
) -> None:
    """A false value that could be true is found by the frames after it, which cannot follow it."""
    frames = stream(10, begin=begin)
    spoilt = [replace(f, **damage) if k == at else f for k, f in enumerate(frames)]  # type: ignore[arg-type]
    results = fed(BlockMaker(IDENTITY), spoilt)
    blocks = [b for b in results if isinstance(b, Block)]
    assert len(blocks) >= 9 or Refused.COUNTS in results
    for before, after in pairwise(blocks):
        span = after.tick + 19 * PERIOD - before.tick - 19 * PERIOD
        assert after.index == before.index + 20 + after.missing
        # No upper bound: a damaged index within the tolerance looks, from the frames behind it, like a pause.
        assert span >= 0.75 * (20 + after.missing) * PERIOD - 4 * PERIOD
        new = int(after.edges[0] - before.edges[0])
        assert 0 <= new <= span
        assert not new or before.last_edge[0] < after.last_edge[0] <= after.tick + 19 * PERIOD
    if Refused.COUNTS not in results:
        assert (blocks[-1].index, blocks[-1].edges.tolist()) == (180, [30])


def test_sound_frames_all_give_blocks() -> None:
    assert all(isinstance(b, Block) for b in fed(BlockMaker(IDENTITY), stream(50, begin=WRAP - 1_000_000)))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"last_edge": (0,)}, "a hundred seconds back"),
        ({"edges": (10**6,)}, "more edges than ticks"),
        ({"edges": (1,)}, "fewer edges than before"),
        ({"index": 10**9}, "scans without time"),
        ({"index": 0}, "the first scan again"),
        ({"tick": 100_000_000 - 500_000}, "half a second back"),
        ({"tick": 100_000_000 + 9_000_000}, "nine seconds without scans"),
    ],
)
def test_what_contradicts_itself_is_refused(change: dict[str, object], why: str) -> None:
    maker = BlockMaker(IDENTITY)
    frames = stream(6, begin=100_000_000)
    assert all(isinstance(b, Block) for b in fed(maker, frames[:5])), why
    assert maker.make(replace(frames[5], **change)) is Refused.FRAME  # type: ignore[arg-type]
    assert isinstance(maker.make(frames[5]), Block)


@pytest.mark.parametrize("place", [0, 1, 20, 39])
@pytest.mark.parametrize(
    ("count", "kept"), [(4095, True), (-2048, True), (4096, False), (-2049, False), (32767, False)]
)
def test_a_count_that_no_converter_gives_is_refused(place: int, count: int, kept: bool) -> None:
    """The converters have 12 bits. One such frame is damaged; two in a row are how the device counts."""
    frames = stream(6)
    counts = np.zeros(40, "<i2")
    counts[place] = count
    spoilt = replace(frames[3], counts=counts.tobytes())
    maker = BlockMaker(IDENTITY)
    results = fed(maker, [*frames[:3], spoilt, *frames[4:]])
    assert [isinstance(result, Block) for result in results] == [True] * 3 + [kept, True, True]
    assert kept or (isinstance(results[4], Block) and results[4].missing == 20)
    again = fed(BlockMaker(IDENTITY), [replace(frame, counts=counts.tobytes()) for frame in frames])
    assert all(isinstance(result, Block) for result in again[1:])


@pytest.mark.parametrize("change", [{"index": 40}, {"edges": 0}, {"tick": 0}])
def test_counts_that_begin_anew_are_broken_once_two_frames_say_so(change: dict[str, int]) -> None:
    maker = BlockMaker(IDENTITY)
    frames = stream(20, begin=50_000_000)
    fed(maker, frames[:10])
    off = {"index": -160, "edges": -30, "tick": -10_000_000}
    moved = [
        replace(
            f,
            index=f.index + off["index"] * ("index" in change),
            tick=f.tick + off["tick"] * ("tick" in change),
            edges=(f.edges[0] + off["edges"] * ("edges" in change),),
            last_edge=(f.last_edge[0] + off["tick"] * ("tick" in change),),
        )
        for f in frames[10:12]
    ]
    assert fed(maker, moved) == [Refused.FRAME, Refused.COUNTS]


def test_a_stream_that_was_off_for_a_while_goes_on() -> None:
    maker = BlockMaker(IDENTITY)
    frames = stream(4, begin=1_000_000)
    fed(maker, frames[:2])
    late = [replace(f, tick=f.tick + 30_000_000, last_edge=(f.last_edge[0] + 30_000_000,)) for f in frames[2:]]
    first, second = fed(maker, late)
    assert first is Refused.FRAME
    assert isinstance(second, Block)
    assert (second.index, second.missing) == (60, 20)
    assert second.tick == 1_000_000 + 60 * PERIOD + 30_000_000


def test_a_hole_is_marked_although_no_index_is_missing() -> None:
    maker = BlockMaker(IDENTITY)
    made(maker, 0, 0, 0, 0)
    maker.mark_hole()
    assert made(maker, 40_000, 20, 0, 0).missing == 1
    assert made(maker, 80_000, 40, 0, 0).missing == 0


def test_a_maker_goes_on_behind_a_block() -> None:
    maker = BlockMaker(IDENTITY)
    for k in range(5):
        block = made(maker, k * THIRD, k * THIRD // PERIOD, k, k * THIRD - 9)
    other = BlockMaker(IDENTITY, block)
    args = (5 * THIRD, 5 * THIRD // PERIOD + 5, 5, 5 * THIRD + 3)
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
