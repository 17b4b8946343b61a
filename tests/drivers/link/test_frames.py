"""Golden frames through the codec, and the codec against itself."""

from dataclasses import replace

import numpy as np
import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from drivers.block import AnalogInput, Feature, Identity, Input, Status, Trip
from drivers.device import LimitEntry
from drivers.link import cobs, frames
from drivers.link.codec import FrameError, encode, limits_crc
from drivers.link.deframer import Deframer, Piece, Trouble
from drivers.link.frames import Layout
from tests.drivers.link import golden

LAYOUT = Layout(golden.ANALOG, golden.PULSE)


def read(data: bytes, layout: Layout | None = LAYOUT) -> list[Piece]:
    return Deframer(layout, opened=False).feed(data)


def bytewise(data: bytes) -> list[Piece]:
    deframer = Deframer(LAYOUT, opened=False)
    return [piece for k in range(len(data)) for piece in deframer.feed(data[k : k + 1])]


def with_bytes_behind(data: bytes) -> list[Piece]:
    return read(data + b"\x05\x01")


@pytest.mark.parametrize("row", golden.ALL, ids=lambda row: row.name)
@pytest.mark.parametrize("way", [read, bytewise, with_bytes_behind])
def test_golden_frame_is_read_and_written_again(row: golden.Golden, way: object) -> None:
    (piece,) = way(row.wire)  # type: ignore[operator]
    assert piece.trouble is None
    assert (piece.wire, piece.seq, piece.lost) == (row.wire, row.seq, 0)
    assert {name: getattr(piece.frame, name) for name in row.fields} == row.fields
    assert encode(row.seq, piece.frame) == row.wire


def test_golden_channels_and_limits() -> None:
    identity = read(golden.IDENTITY.wire)[0].frame
    assert isinstance(identity, Identity)
    assert identity.analog == (AnalogInput(1, 12, 0, 5 / 4096), AnalogInput(3, 12, -8, -5 / 4096))
    limits = read(golden.LIMITS.wire)[0].frame
    assert isinstance(limits, frames.Limits)
    assert tuple((e.channel, e.above, e.below) for e in limits.entries) == golden.LIMIT_ENTRIES


u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
i16 = st.integers(-(2**15), 2**15 - 1)
f32 = st.floats(width=32, allow_nan=False)
analog = st.builds(AnalogInput, u8, u8, i16, st.floats(width=32, allow_nan=False, allow_infinity=False))
identities = st.builds(
    Identity,
    protocol=st.just(1),
    features=u8.map(Feature),
    device_id=st.binary(min_size=8, max_size=8).map(bytes.hex),
    firmware=st.tuples(u8, u8, u8).map(lambda v: f"{v[0]}.{v[1]}.{v[2]}"),
    inputs_fitted=u8.map(Input),
    reset_cause=u8,
    boot=u16,
    tick_hz=st.integers(1, 2**32 - 1),
    sample_hz=st.integers(1, 2**16 - 1),
    burst_max_hz=u32,
    burst_max_total=u16,
    analog=st.lists(analog, max_size=8).map(tuple),
    pulse=st.lists(u8, max_size=2).map(tuple),
)
counters = st.tuples(u32)
scans = st.integers(1, 50).flatmap(
    lambda n: st.builds(
        frames.Scans, u8, u32, u32, st.just(n), u8, u8, st.binary(min_size=4 * n, max_size=4 * n), counters, counters
    )
)
flag = st.booleans()
statuses = st.builds(
    Status, u8, u32, flag, flag, flag, flag, flag, u16, u16, u8.map(Input), st.sampled_from(Trip), u16, u16, u16
)
bursts = st.builds(frames.Burst, u8, u8, u32, u32, u16, u16, flag, st.lists(i16, max_size=100).map(tuple))
limits = st.builds(frames.Limits, u16, u16, st.lists(st.builds(LimitEntry, u8, f32, f32), max_size=25).map(tuple))
any_frame = st.one_of(
    identities,
    scans,
    statuses,
    bursts,
    limits,
    st.builds(frames.Reply, u8, u8),
    st.just(frames.Identify()),
    st.builds(frames.Stream, flag),
    st.builds(frames.Drive, flag, u16, u16, u16),
    st.builds(frames.CaptureRequest, u8, u8, u32, u16),
    st.just(frames.Clear()),
)


@given(u8, any_frame)
def test_what_is_written_is_read(seq: int, frame: frames.Frame) -> None:
    (piece,) = read(encode(seq, frame))
    assert piece.frame == frame
    assert piece.seq == seq


def stuffed(content: bytes) -> bytes:
    return cobs.encode(content + cobs.crc16(content).to_bytes(2, "little")) + b"\0"


@pytest.mark.parametrize("row", golden.ALL, ids=lambda row: row.name)
def test_a_body_of_another_length_is_refused(row: golden.Golden) -> None:
    for wrong in (row.content + b"\x01", row.content[:-1] if len(row.content) > 2 else row.content + b"\0\0"):
        assert read(stuffed(wrong))[0].trouble is Trouble.WRONG_BODY


def test_identity_of_another_protocol_says_which() -> None:
    content = bytes((0x01, 0, 2, 99))
    assert read(stuffed(content))[0].frame == frames.OtherProtocol(2)


def test_a_trip_without_a_name_is_still_a_trip() -> None:
    content = bytearray(golden.STATUS.content)
    content[2 + 11] = 200
    frame = read(stuffed(bytes(content)))[0].frame
    assert isinstance(frame, Status)
    assert frame.trip is Trip.OTHER_LIMIT


@pytest.mark.parametrize(
    "frame",
    [
        frames.Drive(True, 70_000, 0, 500),
        frames.Reply(256, 0),
        frames.Limits(0, 0, (LimitEntry(0, float("nan"), 0.0),)),
        frames.Limits(0, 0, tuple(LimitEntry(k, 1.0, 0.0) for k in range(28))),
        frames.Scans(0, 0, 0, 3, 0, 0, b"12345678", (), ()),
        frames.Burst(0, 1, 1, 0, 1, 0, False, (40_000,)),
    ],
)
def test_what_does_not_fit_is_refused_when_written(frame: frames.Frame) -> None:
    with pytest.raises(FrameError):
        encode(0, frame)


def test_limits_crc_is_that_of_the_body() -> None:
    frame = read(golden.LIMITS.wire)[0].frame
    assert isinstance(frame, frames.Limits)
    assert limits_crc(frame) == Crc16Ibm3740.calc(golden.LIMITS.content[2:])
    assert limits_crc(replace(frame, blank_ms=201)) != limits_crc(frame)


def test_counts_are_what_numpy_reads() -> None:
    frame = read(golden.SCANS.wire)[0].frame
    assert isinstance(frame, frames.Scans)
    assert np.frombuffer(frame.counts, "<i2").reshape(2, 2).tolist() == [[512, -1], [640, -32768]]
