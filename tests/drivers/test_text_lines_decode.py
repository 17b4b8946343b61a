"""Text lines become blocks; what is no scan is counted; nothing raises; any cutting gives the same."""

import math
from dataclasses import astuple
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.block import Block, DeviceReset, Event, Identity, LinkCounts, Role
from drivers.text_lines_decode import LONGEST, MOST_PIECES, Splitter, TextDecoder
from drivers.text_lines_header import read_header
from tests.drivers.printed import HEADER, PLAIN, blocks, comparable, decoded, lines, plain, text

WHOLE = text(HEADER, lines(200))


def test_what_a_board_is() -> None:
    decoder, events = decoded(WHOLE)
    identity = decoder.identity
    assert identity is not None
    assert events[0] == identity
    assert (identity.device_id, identity.tick_hz, identity.sample_hz, identity.boot) == ("board", 1_000_000, 100, 0)
    assert (identity.features, identity.inputs_fitted, identity.burst_max_hz) == (0, 0, 0)
    assert [(a.role, a.volts_per_count) for a in identity.analog] == [(1, 0.0), (2, 0.0), (3, 0.0), (4, 0.0)]
    assert [a.resolution for a in identity.analog] == pytest.approx([100.0, 0.01, 0.01, 0.1])
    assert identity.pulse == (1,)


def test_lines_become_blocks_of_50_ms_in_si() -> None:
    _, events = decoded(WHOLE)
    found = blocks(events)
    assert [b.n for b in found] == [5] * 40
    assert [b.index for b in found] == list(range(0, 200, 5))
    assert [b.tick for b in found] == [1_000_000 + 50_000 * k for k in range(40)]
    assert {b.missing for b in found} == {0}
    first = found[0]
    assert not first.in_counts
    assert first.values[2] == pytest.approx([400_200.0, 13.5, 5.2, 296.25])
    # Edge 145 of 140 a second comes at 1.035714 s, the newest at 1.04 s, where the block ends.
    assert (first.edges.tolist(), first.last_edge.tolist()) == ([145], [1_035_714])


def test_counts_say_what_came() -> None:
    decoder, _ = decoded(WHOLE)
    assert decoder.counts == LinkCounts(frames=200, scans=200)


@pytest.mark.parametrize("hz", [20.0, 40.0, 62.5, 100.4, 333.3, 1000.0])
def test_the_rate_is_found_out(hz: float) -> None:
    decoder, events = decoded(text(HEADER, lines(int(4 * hz), hz=hz)))
    assert decoder.identity is not None
    assert decoder.identity.sample_hz == round(hz)
    found = blocks(events)
    assert {b.missing for b in found} == {0}
    assert {b.n for b in found[:-1]} == {max(1, int(0.05 * round(hz)))}


@pytest.mark.parametrize(("hz", "expected"), [(300.0, 300), (128.0, 128), (450.0, 450)])
def test_whole_milliseconds_tell_the_rate_too(hz: float, expected: int) -> None:
    data = text("time [ms] pressure [kPa]\n", [f"{1000 + int(k * 1000 / hz)} 400.0\n" for k in range(2000)])
    decoder, _ = decoded(data)
    assert decoder.identity is not None
    assert decoder.identity.sample_hz == pytest.approx(expected, rel=0.005)
    assert decoder.counts.repeated == 0


def test_a_slow_board_is_known_soon_enough_to_be_refused() -> None:
    decoder, _ = decoded(text(PLAIN, plain([1.0, 2.0, 3.0])))
    assert decoder.identity is not None
    assert decoder.identity.sample_hz == 1


def test_times_that_hardly_rise_tell_no_rate() -> None:
    decoder, events = decoded(text(PLAIN, [f"{k // 10}.0, 400.0\n" for k in range(300)]))
    assert (decoder.identity, events) == (None, [])
    assert decoder.trouble.startswith("column time: expected it to rise from line to line, found it mostly still")


def test_comments_and_blank_lines_say_nothing() -> None:
    mixed = [f"{line}# {k} by the board\r\n\r\n" for k, line in enumerate(lines(200))]
    decoder, events = decoded(text("\n# hello\n", HEADER, mixed))
    assert list(comparable(events)) == list(comparable(decoded(WHOLE)[1]))
    assert decoder.counts.bad == decoder.counts.unknown == 0


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_line_ends(end: str) -> None:
    data = WHOLE.replace(b"\r\n", end.encode())
    assert list(comparable(decoded(data)[1])) == list(comparable(decoded(WHOLE)[1]))


def test_no_scan_before_a_header_came() -> None:
    decoder, events = decoded(text(lines(150), HEADER, lines(100, first=150)))
    assert decoder.counts.unknown == 150
    assert blocks(events)[0].tick == 2_500_000


# Headers.


def test_the_same_header_again_changes_nothing() -> None:
    data = text(HEADER, lines(103), HEADER.replace(", ", ","), lines(97, first=103))
    assert list(comparable(decoded(data)[1])) == list(comparable(decoded(WHOLE)[1]))


def test_another_header_is_a_reset() -> None:
    other = "time [s], voltage [mV]\n"
    decoder, events = decoded(text(PLAIN, plain(np.arange(103) / 100), other, plain(2 + np.arange(80) / 100, "13500")))
    (reset,) = [e for e in events if isinstance(e, DeviceReset)]
    assert reset.reason == "its header has changed"
    assert reset.identity is not None
    assert ([a.role for a in reset.identity.analog], reset.identity.boot) == ([Role.SUPPLY_VOLTAGE], 1)
    before, after = [b for b in blocks(events) if b.boot == 0], [b for b in blocks(events) if b.boot == 1]
    assert sum(b.n for b in before) == 103
    assert after[0].values[0, 0] == pytest.approx(13.5)
    assert (after[0].index, after[0].missing) == (0, 0)
    assert decoder.counts.resets == 1


def test_a_header_that_cannot_be_used_ends_the_scans() -> None:
    """Lines after it may be of another meaning."""
    decoder, events = decoded(text(PLAIN, plain(np.arange(103) / 100), "time [s], pressure [at]\n", plain([1.03] * 9)))
    assert sum(b.n for b in blocks(events)) == 103
    assert "column pressure [at]: expected a unit out of" in decoder.trouble
    assert (decoder.counts.bad, decoder.counts.unknown) == (1, 9)
    assert decoder.identity is not None  # what was known of the board before


def test_a_header_from_elsewhere_goes_before_those_on_the_line() -> None:
    layout = read_header("time[s],pressure[bar]")
    decoder, events = decoded(text(plain(np.arange(30) / 100), PLAIN, plain(0.3 + np.arange(70) / 100)), layout)
    assert blocks(events)[0].values[0, 0] == 400e5
    assert decoder.counts == LinkCounts(frames=100, scans=100)


# Time.


def test_a_time_that_goes_back_is_a_reset() -> None:
    decoder, events = decoded(text(HEADER, lines(103), HEADER, lines(100, begin=0.2)))
    kinds = [type(e) for e in events]
    assert (kinds.count(Identity), kinds.count(DeviceReset)) == (1, 1)
    reset = events[kinds.index(DeviceReset)]
    assert isinstance(reset, DeviceReset)
    assert reset.reason == "its time ran backwards, from 2.02 s to 0.2 s"
    after = [b for b in blocks(events) if b.boot == 1]
    assert (after[0].tick, after[0].index, after[0].edges.tolist()) == (200_000, 0, [int(0.24 * 140 + 1e-9)])
    assert sum(b.n for b in blocks(events)) == 203
    assert decoder.counts.resets == 1


def test_missing_lines_are_flagged() -> None:
    all_lines = lines(200)
    decoder, events = decoded(text(HEADER, all_lines[:102], all_lines[109:]))
    found = [b for b in blocks(events) if b.missing]
    assert [(b.missing, b.index, b.tick) for b in found] == [(7, 109, 2_090_000)]
    assert decoder.counts.scans_missing == 7
    assert [b.n for b in blocks(events) if 95 < b.index < 115] == [2, 1, 5]
    assert blocks(events)[-1].index == 195


def test_a_board_that_is_late_now_and_then_has_lost_nothing() -> None:
    rng = np.random.default_rng(2)
    times = 1 + np.arange(600) / 100 + rng.uniform(0, 0.004, 600)
    decoder, events = decoded(text(PLAIN, plain(times.tolist())))
    assert decoder.counts.scans_missing == 0
    assert blocks(events)[-1].index == 595


def test_the_same_line_twice_counts_once() -> None:
    all_lines = lines(200)
    decoder, events = decoded(text(HEADER, all_lines[:120], all_lines[119], all_lines[120:]))
    assert list(comparable(events)) == list(comparable(decoded(WHOLE)[1]))
    assert decoder.counts.repeated == 1


@pytest.mark.parametrize(
    ("unit", "ticks", "wrap"), [("us", 1, 1 << 32), ("ms", 1000, 1 << 32), ("s", 1_000_000, (1 << 32) / 1e6)]
)
def test_a_clock_of_32_bits_wraps_without_a_reset(unit: str, ticks: int, wrap: float) -> None:
    """After 71.6 minutes of microseconds, 49.7 days of milliseconds (2³² of them)."""
    step = 10_000 / ticks
    times = [(wrap - 60 * step + k * step) % wrap for k in range(200)]
    decoder, events = decoded(text(f"time [{unit}], current [A]\n", [f"{t:.6f}, 5.0\n" for t in times]))
    found = blocks(events)
    assert decoder.counts.resets == 0
    assert {b.missing for b in found} == {0}
    assert found[-1].tick - found[0].tick == pytest.approx(195 * 10_000, abs=2)


def test_edges_and_their_clock_wrap_too() -> None:
    """Edges of a 16-bit counter, and a microsecond clock that wraps, beside a time that does not."""
    begin = (1 << 32) / 1e6 - 0.7
    decoder, events = decoded(text(HEADER, lines(200, begin=begin, pulses=200.0, wraps=1 << 16)))
    found = blocks(events)
    assert decoder.counts == LinkCounts(frames=200, scans=200)
    for before, after in pairwise(found):
        assert after.edges[0] - before.edges[0] == 10
        assert after.last_edge[0] - before.last_edge[0] == pytest.approx(50_000, abs=2)
        assert 0 <= after.tick + 40_000 - after.last_edge[0] < 5_000


def test_a_16_bit_count_wraps() -> None:
    wide, narrow = (decoded(text(HEADER, lines(200, begin=468.0, wraps=wraps)))[1] for wraps in (1 << 32, 1 << 16))
    assert [b.edges[0] for b in blocks(narrow)] == [b.edges[0] for b in blocks(wide)]
    assert blocks(wide)[0].edges[0] < 1 << 16 < blocks(wide)[-1].edges[0]


def test_a_count_that_goes_back_is_a_reset() -> None:
    cleared = [line.replace(f", {int((2.2 + k / 100) * 140 + 1e-9)}, ", f", {k}, ") for k, line in
               enumerate(lines(80, first=120))]  # fmt: skip
    _, events = decoded(text(HEADER, lines(120), cleared))
    (reset,) = [e for e in events if isinstance(e, DeviceReset)]
    assert reset.reason == "its edge count ran backwards, from 306 to 0"


def test_edges_by_another_clock_make_no_flow() -> None:
    """The time of the newest edge counts from another moment than the time column: no flow can be told from it."""
    other = [line.rsplit(", ", 1)[0] + f", {k * 9000}\r\n" for k, line in enumerate(lines(300))]
    decoder, events = decoded(text(HEADER, other))
    assert "column last_edge: expected a new time for new edges" in decoder.trouble
    assert decoder.counts.bad > 150
    assert all(b.last_edge[0] <= b.tick + 10_000 * b.n for b in blocks(events))


def test_no_edge_yet() -> None:
    _, events = decoded(text(HEADER, lines(100, pulses=0.5, begin=0.5)))
    assert (blocks(events)[0].edges.tolist(), blocks(events)[0].last_edge.tolist()) == ([0], [-1])


# Lines that are no scans.

GARBAGE = [
    "1.2, 3, 4",
    "2.031000, 400.0, 13.5, 5.0, 23.1, 280, 2000000, 7",
    "2.031000, 400.0, 13.5, 5.0, 23.1, 280",
    "2.03.1, 400.0, 13.5, 5.0, 23.1, 280, 2000000",
    "nan, 400.0, 13.5, 5.0, 23.1, 280, 2000000",
    ", 400.0, 13.5, 5.0, 23.1, 280, 2000000",
    "-2.03, 400.0, 13.5, 5.0, 23.1, 280, 2000000",
    "1e30, 400.0, 13.5, 5.0, 23.1, 280, 2000000",
    "2.031000, 4OO.0, 13.5, 5.0, 23.1, 280, 2000000",
    "2.031000, 400.0, 13.5, 5.0, 23.1, 280.5, 2000000",
    "2.031000, 400.0, 13.5, 5.0, 23.1, nan, 2000000",
    "2.031000, 400.0, 13.5, 5.0, 23.1, 280, nan",
    "2.031000, 400.0, 13.5, 5.0, 23.1, 280,",
    "2.031000, 400_0, 13.5, 5.0, 23.1, 280, 2000000",
    "2.031000, \u0664\u0660\u0660, 13.5, 5.0, 23.1, 280, 2000000",
    "\ufffd\ufffd",
    "x" * (LONGEST + 300),
    "x" * (3 * LONGEST + 7),
]


@pytest.mark.parametrize("line", GARBAGE)
def test_garbage_is_counted_and_left_behind(line: str) -> None:
    all_lines = lines(200)
    decoder, events = decoded(text(HEADER, all_lines[:103], f"{line}\r\n", all_lines[103:]))
    assert decoder.counts == LinkCounts(frames=200, scans=200, bad=1)
    assert list(comparable(events)) == list(comparable(decoded(WHOLE)[1]))


def test_bytes_that_are_no_text() -> None:
    decoder, _ = decoded(text(HEADER, lines(103)) + bytes(range(128, 256)) + b"\n" + text(lines(97, first=103)))
    assert (decoder.counts.bad, decoder.counts.scans) == (1, 200)


def test_a_line_that_came_broken_is_a_scan_that_is_missing() -> None:
    all_lines = lines(200)
    all_lines[77] = all_lines[77].replace("13.50", "13x50")
    decoder, events = decoded(text(HEADER, all_lines))
    assert [(b.index, b.missing) for b in blocks(events) if b.missing] == [(78, 1)]
    assert (decoder.counts.bad, decoder.counts.scans, decoder.counts.scans_missing) == (1, 199, 1)


@pytest.mark.parametrize("nothing", ["nan", "NaN", "", "-nan", "inf", "ovf", "--", "1e13"])
def test_a_sensor_that_gives_nothing(nothing: str) -> None:
    all_lines = lines(200)
    all_lines[72] = all_lines[72].replace("13.50", nothing)
    decoder, events = decoded(text(HEADER, all_lines))
    (block,) = [b for b in blocks(events) if b.index == 70]
    assert np.isnan(block.values).tolist() == [[k == 2 and c == 1 for c in range(4)] for k in range(5)]
    assert decoder.counts == LinkCounts(frames=200, scans=200)


@pytest.mark.parametrize(
    ("field", "expected"),
    [("400", 1e3), ("400.", 1e3), ("400.5", 100.0), ("400.50", 10.0), ("4.005e2", 100.0), (".5", 100.0), ("4e2", 1e5)],
)
def test_the_last_digit_is_the_resolution(field: str, expected: float) -> None:
    decoder, _ = decoded(text(PLAIN, plain(np.arange(100) / 100, field)))
    assert decoder.identity is not None
    assert decoder.identity.analog[0].resolution == pytest.approx(expected)


def test_a_board_that_prints_garbage_for_ever_fills_no_memory() -> None:
    decoder, events = decoded(text(HEADER, lines(103), "x\n" * (MOST_PIECES + 50), lines(20, first=103)))
    assert len(decoder.mark[1]) < 50
    assert sum(b.n for b in blocks(events)) == 120  # and the three that were waiting were told
    decoder, _ = decoded(text(HEADER, lines(9), "x\n" * (MOST_PIECES + 50)))
    assert len(decoder.mark[1]) == 0


# Any bytes, any cuts.

SCRAPS = st.sampled_from(
    [
        *(b"\r", b"\n", b"\r\n", b"#", b",", b"; ", b"\t", b"nan", b"-", b"1e99", b"\xff\xfe", b"\x00", b"x" * 1500),
        *(HEADER.encode(), PLAIN.encode(), b"time [s], pressure [furlong]\n", b"time [s], flow [L/h], level\n"),
        *(text(lines(7)), text(lines(70, begin=3)), text(lines(70, hz=500)), text(plain(np.arange(60) / 90))),
        *(b"0, 1\n", b"999999999999, 1\n", b"4294.9, 1, 2, 3, 4, 65535, 4294967295\n", b"0.1, 1, 2, 3, 4, 1, 0\n"),
    ]
)
STREAMS = st.lists(SCRAPS | st.binary(max_size=60), max_size=30).map(b"".join)
FLIPS = st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(0, 255)), max_size=40)
CUTS = st.lists(st.integers(1, 400), min_size=1, max_size=30)


def flipped(flips: list[tuple[int, int]]) -> bytes:
    data = bytearray(WHOLE)
    for place, byte in flips:
        data[place] = byte
    return bytes(data)


def cut(data: bytes, sizes: list[int]) -> tuple[LinkCounts, list[Event], list[bytes]]:
    splitter, decoder, events, pieces = Splitter(), TextDecoder("board"), list[Event](), list[bytes]()
    at = k = 0
    while at < len(data):
        for piece in splitter.feed(data[at : at + sizes[k % len(sizes)]]):
            pieces.append(piece)
            events += decoder.take(piece)
        at, k = at + sizes[k % len(sizes)], k + 1
    return decoder.counts, events, pieces


@settings(max_examples=150, deadline=None)
@given(STREAMS | FLIPS.map(flipped), CUTS)
@example(WHOLE, [1])
def test_nothing_raises_and_any_cutting_gives_the_same(data: bytes, sizes: list[int]) -> None:
    counts, events, pieces = cut(data, sizes)
    whole, at_once, _ = cut(data, [max(len(data), 1)])
    assert counts == whole
    assert list(comparable(events)) == list(comparable(at_once))
    assert data.startswith(b"".join(pieces))
    assert len(data) - sum(map(len, pieces)) < LONGEST
    check_sense(events, counts)


def check_sense(events: list[Event], counts: LinkCounts) -> None:
    """What everything above relies on, whatever came."""
    known: Identity | None = None
    last: Block | None = None
    for event in events:
        if isinstance(event, Identity | DeviceReset):
            known, last = (event if isinstance(event, Identity) else event.identity), None
            continue
        assert isinstance(event, Block)
        assert known is not None
        assert event.boot == known.boot
        assert event.values.shape == (event.n, len(known.analog))
        assert not np.isinf(event.values).any()
        assert event.n >= 1
        if last is not None:
            assert event.index == last.index + last.n + event.missing
            assert event.tick > last.tick
            rose = event.edges - last.edges
            assert (rose >= 0).all()
            assert ((event.last_edge > last.last_edge) == (rose > 0)).all()
        last = event
    assert counts.scans >= sum(e.n for e in events if isinstance(e, Block))
    assert min(astuple(counts)) >= 0
    assert not math.isnan(counts.scans)
