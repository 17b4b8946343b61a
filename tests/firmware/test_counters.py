"""The pulse counter in SCANS, and what wraps (sections 3 and 4)."""

from bisect import bisect_right
from itertools import pairwise

import pytest

from drivers.link.frames import Scans, Stream
from tests.firmware.host import Host

WRAP = 1 << 32


def rising(host: Host, first_us: float, gaps_us: list[float]) -> list[int]:
    """Edges from `first_us` after now, with gaps between them; their times in ns."""
    at, times = host.us * 1000 + round(1000 * first_us), []
    for gap in [*gaps_us, 0.0]:
        times.append(at)
        at += round(1000 * gap)
    host.edges = list(times)
    return times


def ticks_since(tick: int, since: int) -> int:
    return (tick - since) % WRAP


# "rising edges since boot": none yet.
def test_no_edges_after_boot(host: Host) -> None:
    host.edges = [host.us * 1000 + 1_000_000]
    host.run(0.05)
    host.reset()
    assert host.answer(Stream(True)) == 0
    host.run(0.1)
    assert host.of(Scans)
    assert {block.edges for block in host.of(Scans)} == {(0,)}


# "Both numbers of a counter are as they stood at the tick of the last scan in the frame."
@pytest.mark.parametrize("gap_us", [3_711.3, 1_913.7, 21_003.1])
def test_edges_stand_as_at_the_last_scan(host: Host, gap_us: float) -> None:
    tick_hz = host.identity.tick_hz
    assert host.answer(Stream(True)) == 0
    times = rising(host, 10_000, [gap_us] * round(280_000 / gap_us))
    host.run(0.35)
    blocks = [block for block in host.of(Scans) if block.edges[0]]
    scan = tick_hz / host.identity.sample_hz
    # The first frame with an edge in it ties the device's ticks to our time.
    zero = blocks[0].last_edge[0] - times[blocks[0].edges[0] - 1] * tick_hz * 1e-9
    ticks = [ns * tick_hz * 1e-9 + zero for ns in times]
    for block in blocks:
        (edges,), (last_edge,) = block.edges, block.last_edge
        assert last_edge == pytest.approx(ticks[edges - 1], abs=2)
        last_scan = block.tick + round((block.n - 1) * scan)
        assert last_edge <= last_scan
        # an edge within some ticks of the scan may fall on either side
        assert bisect_right(ticks, last_scan - 4) <= edges <= bisect_right(ticks, last_scan + 4)
    assert blocks[-1].edges == (len(times),)


# "rising edges since boot" go on while nothing is streamed.
def test_edges_count_while_the_stream_is_off(host: Host) -> None:
    rising(host, 1_000, [2_500.0] * 39)
    host.run(0.12)
    assert host.answer(Stream(True)) == 0
    host.run(0.1)
    assert {block.edges for block in host.of(Scans)} == {(40,)}


def test_edges_begin_anew_with_a_boot(host: Host) -> None:
    rising(host, 1_000, [2_500.0] * 19)
    host.run(0.1)
    host.reset()
    assert host.answer(Stream(True)) == 0
    rising(host, 1_000, [2_500.0] * 9)
    host.run(0.1)
    assert host.of(Scans)[-1].edges == (10,)


# "Ticks, scan indexes and edge counts are u32 and wrap." The device's counters stand shortly before their end at boot:
# 0.4 s of ticks and 12 edges.
def test_ticks_and_edges_wrap(wrapping: Host) -> None:
    host = wrapping
    assert host.answer(Stream(True)) == 0
    rising(host, 150_000, [10_007.0] * 39)
    host.run(0.75)
    blocks = host.of(Scans)
    scan = host.identity.tick_hz / host.identity.sample_hz
    assert blocks[0].tick > WRAP / 2 > blocks[-1].tick
    for before, block in pairwise(blocks):
        assert block.index == before.index + before.n
        assert ticks_since(block.tick, before.tick) == pytest.approx(before.n * scan, abs=1)
    assert blocks[0].edges == (WRAP - 12,)
    assert blocks[-1].edges == (40 - 12,)
    counted = [block.edges[0] for block in blocks]
    assert all(0 <= ticks_since(b, a) <= 6 for a, b in pairwise(counted))
    # the newest edge lies before the last scan and in the time since the frame before, whatever has wrapped
    moved = [(block.last_edge[0], block.tick + round((block.n - 1) * scan))
             for before, block in pairwise(blocks) if block.edges != before.edges]  # fmt: skip
    assert len(moved) > 5
    assert all(ticks_since(end, edge) <= 0.052 * host.identity.tick_hz for edge, end in moved)
    edge_ticks = [edge for edge, _ in moved]
    gap = 0.010007 * host.identity.tick_hz
    for a, b in pairwise(edge_ticks):
        assert ticks_since(b, a) / gap == pytest.approx(round(ticks_since(b, a) / gap), abs=0.001)
