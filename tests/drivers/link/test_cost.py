"""What bytes from outside cost: none much more than an ordinary one, and a row of them not more the longer it is."""

import time
from collections.abc import Callable

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Burst, Reply
from drivers.link.session import Session
from drivers.text_lines_decode import Splitter, TextDecoder
from tests.drivers.link import golden
from tests.drivers.link.test_session import STATUS, scans

SIZE, READ = 20_000, 4096
MOST = 40
"""A byte may cost so many times an ordinary one. Zeros once cost 200 times as much."""
COLUMNS = b"time_us,pressure_kPa,current_A,voltage_V\n"


def link(data: bytes) -> object:
    found, session = Deframer(opened=False), Session(0.0)
    session.identify(0.0)
    kept = 0
    for wire in (golden.IDENTITY.wire, *(data[k : k + READ] for k in range(0, len(data), READ))):
        for piece in found.feed(wire):
            session.handle(piece, 0.0)
        kept = max(kept, len(session.take_output()))
    assert kept < 2 * READ, "more is answered than was asked"
    return session


def text(data: bytes) -> object:
    splitter, decoder = Splitter(), TextDecoder("board")
    for wire in (COLUMNS, *(data[k : k + READ] for k in range(0, len(data), READ))):
        for piece in splitter.feed(wire):
            decoder.take(piece)
    return decoder


ORDINARY = {
    link: b"".join(encode(k & 0xFF, scans(k)) for k in range(SIZE // 100)),
    text: b"".join(b"%d,300.1,5.2,13.5\n" % (10_000 * k) for k in range(SIZE // 20)),
}


def seconds_a_byte(reader: Callable[[bytes], object], data: bytes) -> float:
    least = float("inf")
    for _ in range(2):
        begun = time.process_time()
        reader(data)
        least = min(least, time.process_time() - begun)
    return least / len(data)


@pytest.mark.parametrize("reader", [link, text])
@settings(max_examples=25, deadline=None)
@given(st.binary(min_size=1, max_size=8))
@example(b"\0")
@example(b"A\0")
@example(b"\x01\x01\x01\x01\0")
@example(b"\xff")
@example(b"\n")
@example(b"\r\n")
@example(b"9\n")
@example(b"nan,inf,1e999,\n")
def test_no_bytes_cost_much_more_than_ordinary_ones(reader: Callable[[bytes], object], repeated: bytes) -> None:
    ordinary = seconds_a_byte(reader, ORDINARY[reader])
    assert seconds_a_byte(reader, repeated * (SIZE // len(repeated))) <= MOST * ordinary


@pytest.mark.parametrize(
    "frame",
    [STATUS, Reply(1, 0), Burst(5, 1, 1000, 0, 60_000, 0, False, (1,)), scans(0)],
    ids=["status", "reply", "burst", "scans"],
)  # fmt: skip
def test_no_flood_of_sound_frames_costs_much_more_than_ordinary_ones(frame: object) -> None:
    flood = b"".join(encode(k & 0xFF, frame) for k in range(SIZE // 40))  # type: ignore[arg-type]
    assert seconds_a_byte(link, flood) <= MOST * seconds_a_byte(link, ORDINARY[link])


@pytest.mark.parametrize(("reader", "repeated"), [(link, b"\0"), (link, b"A\0"), (link, b"\x01"), (text, b"9")])
def test_a_row_four_times_as_long_costs_no_more_a_byte(reader: Callable[[bytes], object], repeated: bytes) -> None:
    row = repeated * (SIZE // len(repeated))
    assert seconds_a_byte(reader, 4 * row) <= 3 * seconds_a_byte(reader, row)
