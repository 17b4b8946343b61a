"""Hostile bytes through the deframer: nothing raises, everything is told, and the next zero ends it."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.link import cobs, frames
from drivers.link.codec import encode
from drivers.link.deframer import LONGEST_WIRE, UNCOUNTED, Deframer, Piece, Trouble
from drivers.link.frames import Layout
from tests.drivers.link import golden

LAYOUT = Layout(golden.ANALOG, golden.PULSE)
CLEAN = [encode(k % 256, frames.Reply(k % 256, 0)) for k in range(300)]


def deframer(*, opened: bool = False) -> Deframer:
    return Deframer(LAYOUT, opened=opened)


def key(piece: Piece) -> tuple[object, ...]:
    return (piece.wire, piece.frame, piece.trouble, piece.seq, piece.lost, piece.type)


streams = st.lists(
    st.one_of(
        st.sampled_from([row.wire for row in golden.ALL]),
        st.binary(max_size=40),
        st.integers(0, 300).map(bytes),
        st.binary(min_size=240, max_size=600).map(lambda raw: raw.replace(b"\0", b"\1")),
    ),
    max_size=12,
).map(b"".join)


@given(streams, st.lists(st.integers(0, 4000), max_size=12), st.booleans())
def test_any_split_gives_the_same_pieces(stream: bytes, cuts: list[int], opened: bool) -> None:
    whole, parted = deframer(opened=opened), deframer(opened=opened)
    edges = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    parts = [piece for a, b in pairwise(edges) for piece in parted.feed(stream[a:b])]
    assert joined(parts) == joined(whole.feed(stream))


def joined(pieces: list[Piece]) -> list[tuple[object, ...]]:
    """What pieces are; zeros in a row are one, however often they were cut."""
    found: list[tuple[object, ...]] = []
    for piece in pieces:
        if piece.trouble is Trouble.EMPTY and found and found[-1][1] is Trouble.EMPTY:
            found[-1] = (bytes(found[-1][0]) + piece.wire, Trouble.EMPTY)  # type: ignore[arg-type]
        else:
            found.append((piece.wire, piece.trouble) if piece.trouble is Trouble.EMPTY else key(piece))
    return found


@pytest.mark.parametrize("before", [b"", golden.STATUS.wire, b"\x01\x02"])
def test_zeros_in_a_row_are_one_piece(before: bytes) -> None:
    """They cost a piece a read, and not one a byte."""
    found = deframer(opened=False)
    first = found.feed(before)
    pieces = found.feed(bytes(1_000_000))
    assert len(first) + len(pieces) <= 2
    assert b"".join(piece.wire for piece in (*first, *pieces)) == before + bytes(1_000_000)
    assert found.feed(golden.STATUS.wire)[-1].trouble in (None, Trouble.REPEAT)


@given(streams)
def test_pieces_together_are_the_stream(stream: bytes) -> None:
    pieces = deframer().feed(stream)
    joined = b"".join(piece.wire for piece in pieces)
    assert stream.startswith(joined)
    assert len(stream) - len(joined) < LONGEST_WIRE


@given(st.binary(max_size=1000))
def test_garbage_is_left_behind_by_the_next_zero(garbage: bytes) -> None:
    pieces = deframer().feed(garbage + b"\0" + golden.STATUS.wire)
    assert pieces[-1].wire == golden.STATUS.wire
    assert pieces[-1].frame is not None


@given(st.sampled_from(golden.ALL), st.data())
def test_a_flipped_bit_is_never_read_as_a_frame(row: golden.Golden, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(row.wire) - 2))
    bit = data.draw(st.integers(0, 7))
    damaged = bytearray(row.wire)
    damaged[place] ^= 1 << bit
    assert all(piece.frame is None for piece in deframer().feed(bytes(damaged)))


def stuffed(*content: int, crc: int = 0) -> bytes:
    raw = bytes(content)
    return cobs.encode(raw + (cobs.crc16(raw) ^ crc).to_bytes(2, "little")) + b"\0"


@pytest.mark.parametrize(
    ("wire", "troubles"),
    [
        (b"\0", [Trouble.EMPTY]),
        (b"\x09\x01\0", [Trouble.BAD_COBS]),
        (stuffed(0x05, 0, 1, 0, crc=1), [Trouble.BAD_CRC]),
        (stuffed(), [Trouble.BAD_CRC]),
        (stuffed(0x05, 0, 1), [Trouble.WRONG_BODY]),
        (stuffed(0x41, 0, 1), [Trouble.WRONG_BODY]),
        (stuffed(0x02, 0, 1), [Trouble.WRONG_BODY]),
        (stuffed(0x02, 0, *[0] * 20), [Trouble.WRONG_BODY]),  # no scans in it
        (stuffed(0x77, 0), [Trouble.UNKNOWN_TYPE]),
        (b"\x01" * 251 + b"\0", [Trouble.BAD_CRC]),
        (b"\x01" * 252 + b"\0", [Trouble.OVERLONG, Trouble.TAIL]),
        (b"\x01" * 600 + b"\0", [Trouble.OVERLONG, Trouble.TAIL, Trouble.TAIL]),
    ],
)
def test_what_is_wrong_is_named(wire: bytes, troubles: list[Trouble]) -> None:
    assert [piece.trouble for piece in deframer().feed(wire)] == troubles


def test_scans_before_an_identity_are_early_and_readable_after_it() -> None:
    fresh = Deframer(opened=False)
    assert fresh.feed(golden.SCANS.wire)[0].trouble is Trouble.EARLY
    later = fresh.feed(golden.IDENTITY.wire + encode(1, fresh_scans()))
    assert [piece.trouble for piece in later] == [None, None]


def fresh_scans() -> frames.Scans:
    return frames.Scans(5, 0, 0, 1, 0, 0, b"1234", (0,), (0,))


@pytest.mark.parametrize("rest", [b"\x07\x31\0", b"\x01" * 700 + b"\0", stuffed(5, 5, 5, 5, crc=9)])
def test_the_rest_of_a_frame_after_opening_is_no_error(rest: bytes) -> None:
    pieces = deframer(opened=True).feed(rest + golden.STATUS.wire)
    assert {piece.trouble for piece in pieces[:-1]} <= UNCOUNTED
    assert pieces[-1].frame is not None


def test_a_whole_first_frame_after_opening_is_taken() -> None:
    assert deframer(opened=True).feed(golden.STATUS.wire)[0].frame is not None


def test_seq_starts_anywhere_wraps_and_tells_what_is_lost() -> None:
    line = deframer()
    assert all(piece.lost == 0 for piece in line.feed(b"".join(CLEAN[200:])))
    (piece,) = line.feed(CLEAN[47])  # after 43 (299 modulo 256)
    assert piece.lost == 3


def test_lost_frames_are_told_by_a_frame_that_cannot_be_read_too() -> None:
    line = deframer()
    line.feed(CLEAN[0])
    (piece,) = line.feed(stuffed(0x77, 5))
    assert (piece.trouble, piece.lost) == (Trouble.UNKNOWN_TYPE, 4)


def test_a_repeat_is_dropped_and_costs_no_seq() -> None:
    line = deframer()
    pieces = line.feed(CLEAN[0] + CLEAN[0] + CLEAN[1])
    assert [piece.trouble for piece in pieces] == [None, Trouble.REPEAT, None]
    assert [piece.lost for piece in pieces] == [0, 0, 0]


def test_identify_is_never_a_repeat_and_restarts_the_count() -> None:
    line = deframer()
    line.feed(encode(9, frames.Clear()))
    pieces = line.feed(golden.IDENTIFY.wire * 2)
    assert [(piece.trouble, piece.lost) for piece in pieces] == [(None, 0), (None, 0)]
