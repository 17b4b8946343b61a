"""Bodies of frames to bytes and back, one pair of functions per type, and the frame around them.

What the peer sent never raises anything but the two errors that the deframer turns into events; what we hand in to be
encoded raises FrameError when it does not fit.
"""

import struct
from collections.abc import Callable
from math import isfinite, isinf, isnan

from drivers.block import AnalogInput, Feature, Identity, Input, Status, Trip
from drivers.device import LimitEntry
from drivers.link import cobs
from drivers.link.cobs import crc16
from drivers.link.frames import (
    LONGEST_CONTENT,
    MOST_ANALOG,
    MOST_PULSE,
    PROTOCOL,
    Burst,
    CaptureRequest,
    Clear,
    Drive,
    Frame,
    Identify,
    Layout,
    Limits,
    OtherProtocol,
    Reply,
    Scans,
    Stream,
    Type,
)

_IDENTITY = struct.Struct("<BB8s3BBBHIHIHBB")
_ANALOG = struct.Struct("<BBhf")
_SCANS = struct.Struct("<BIIBBB")
_COUNTER = struct.Struct("<II")
_STATUS = struct.Struct("<BIBHHBBHHH")
_BURST = struct.Struct("<BBIIHHBB")
_REPLY = struct.Struct("<BB")
_STREAM = struct.Struct("<B")
_DRIVE = struct.Struct("<BHHH")
_LIMITS = struct.Struct("<HHB")
_LIMIT = struct.Struct("<Bff")
_CAPTURE = struct.Struct("<BBIH")


class FrameError(ValueError):
    """A frame that cannot be written: a value out of its range, or too long."""


class BodyError(Exception):
    """A sound frame whose body has not the length, or not the counts, that its type asks for."""


class LayoutUnknownError(Exception):
    """SCANS before any IDENTITY: nobody can say how it is laid out."""


def encode(seq: int, frame: Frame) -> bytes:
    """The frame on the line, with its closing zero.

    Raises:
        FrameError: a field is out of its range, or the frame is longer than the link allows.
    """
    kind, pack = _PACK[type(frame)]
    try:
        content = bytes((kind, seq)) + pack(frame)
    except (struct.error, OverflowError, ValueError) as error:
        raise FrameError(f"cannot write {frame!r} with seq {seq}: {error}") from error
    if len(content) + 2 > LONGEST_CONTENT:
        raise FrameError(f"{kind.name} of {len(content) + 2} bytes: the link carries at most {LONGEST_CONTENT}")
    return cobs.encode(content + crc16(content).to_bytes(2, "little")) + b"\0"


def limits_crc(limits: Limits) -> int:
    """What STATUS.limits_crc must show while these limits are in force."""
    return crc16(_pack_limits(limits))


def decode_body(kind: int, body: bytes, layout: Layout | None) -> Frame | None:
    """The frame with this type and body; None for a type that the link does not know.

    Raises:
        BodyError: length or counts are wrong.
        LayoutUnknownError: SCANS, and `layout` is None.
    """
    if kind == Type.SCANS:
        return _scans(body, layout)
    read = _READ.get(kind)
    if read is None:
        return None
    try:
        return read(body)
    except (struct.error, ValueError) as error:
        raise BodyError(str(error)) from error


def _expect(found: int, expected: int) -> None:
    if found != expected:
        raise BodyError(f"body of {found} bytes, expected {expected}")


def _scans(body: bytes, layout: Layout | None) -> Scans:
    if layout is None:
        raise LayoutUnknownError
    if len(body) < _SCANS.size:
        raise BodyError(f"body of {len(body)} bytes, expected at least {_SCANS.size}")
    boot, tick, index, n, flags, overrange = _SCANS.unpack_from(body)
    end = _SCANS.size + 2 * n * layout.n_analog
    _expect(len(body), end + layout.n_pulse * _COUNTER.size)
    if n == 0:
        raise BodyError("no scans in it, expected at least one")
    counters = struct.unpack_from(f"<{2 * layout.n_pulse}I", body, end)
    return Scans(boot, tick, index, n, flags, overrange, body[_SCANS.size : end], counters[0::2], counters[1::2])


def _pack_scans(frame: Scans) -> bytes:
    if frame.n < 1 or len(frame.counts) % (2 * frame.n) or len(frame.edges) != len(frame.last_edge):
        raise ValueError("counts do not make whole scans, or counters differ in number")
    head = _SCANS.pack(frame.boot, frame.tick, frame.index, frame.n, frame.flags, frame.overrange)
    counters = b"".join(map(_COUNTER.pack, frame.edges, frame.last_edge))
    return head + frame.counts + counters


def _identity(body: bytes) -> Identity | OtherProtocol:
    if body[:1] and body[0] != PROTOCOL:
        return OtherProtocol(body[0])
    fixed = _IDENTITY.unpack_from(body)
    protocol, flags, device_id, major, minor, patch, inputs, cause = fixed[:8]
    boot, tick_hz, sample_hz, burst_hz, burst_total, n_analog, n_pulse = fixed[8:]
    pulses = _IDENTITY.size + n_analog * _ANALOG.size
    _expect(len(body), pulses + n_pulse)
    analog = tuple(AnalogInput(*values) for values in _ANALOG.iter_unpack(body[_IDENTITY.size : pulses]))
    if n_analog > MOST_ANALOG or n_pulse > MOST_PULSE or not tick_hz or not sample_hz:
        raise BodyError("too many channels, or a rate of zero")
    if not all(isfinite(channel.volts_per_count) for channel in analog):
        raise BodyError("volts per count is no number")
    return Identity(
        protocol=protocol,
        features=Feature(flags),
        device_id=device_id.hex(),
        firmware=f"{major}.{minor}.{patch}",
        inputs_fitted=Input(inputs),
        reset_cause=cause,
        boot=boot,
        tick_hz=tick_hz,
        sample_hz=sample_hz,
        burst_max_hz=burst_hz,
        burst_max_total=burst_total,
        analog=analog,
        pulse=tuple(body[pulses:]),
    )


def _pack_identity(frame: Identity) -> bytes:
    device_id = bytes.fromhex(frame.device_id)
    if len(device_id) != 8 or len(frame.analog) > MOST_ANALOG or len(frame.pulse) > MOST_PULSE:
        raise ValueError("device_id is 8 bytes in hex; at most 8 analog channels and 2 counters")
    major, minor, patch = map(int, frame.firmware.split("."))
    head = _IDENTITY.pack(
        frame.protocol, frame.features, device_id, major, minor, patch, frame.inputs_fitted, frame.reset_cause,
        frame.boot, frame.tick_hz, frame.sample_hz, frame.burst_max_hz, frame.burst_max_total,
        len(frame.analog), len(frame.pulse),
    )  # fmt: skip
    analog = (_ANALOG.pack(a.role, a.bits, a.zero_count, a.volts_per_count) for a in frame.analog)
    return head + b"".join(analog) + bytes(frame.pulse)


def _status(body: bytes) -> Status:
    boot, tick, outputs, valve, supply, inputs, trip, limits, bad, gap = _STATUS.unpack(body)
    power, moving, stream, is_set, capture = (bool(outputs >> bit & 1) for bit in range(5))
    # A cause that this version has no name for is still a trip, and must not be lost.
    cause = Trip(trip) if trip <= Trip.OTHER_LIMIT else Trip.OTHER_LIMIT
    return Status(
        boot, tick, power, moving, stream, is_set, capture, valve, supply, Input(inputs), cause, limits, bad, gap
    )


def _pack_status(frame: Status) -> bytes:
    flags = (frame.power_on, frame.valve_moving, frame.streaming, frame.limits_set, frame.capturing)
    outputs = sum(on << bit for bit, on in enumerate(flags))
    return _STATUS.pack(
        frame.boot, frame.tick, outputs, frame.valve, frame.supply_mv, frame.inputs, frame.trip,
        frame.limits_crc, frame.rx_bad, frame.rx_gap,
    )  # fmt: skip


def _burst(body: bytes) -> Burst:
    capture, role, rate, tick, total, first, flags, n = _BURST.unpack_from(body)
    _expect(len(body), _BURST.size + 2 * n)
    counts = struct.unpack_from(f"<{n}h", body, _BURST.size)
    return Burst(capture, role, rate, tick, total, first, bool(flags & 1), counts)


def _pack_burst(frame: Burst) -> bytes:
    n = len(frame.counts)
    head = (frame.capture, frame.role, frame.rate_hz, frame.tick, frame.total, frame.first, frame.overrange, n)
    return _BURST.pack(*head) + struct.pack(f"<{n}h", *frame.counts)


def _limits(body: bytes) -> Limits:
    blank, longest, n = _LIMITS.unpack_from(body)
    _expect(len(body), _LIMITS.size + n * _LIMIT.size)
    entries = tuple(LimitEntry(*values) for values in _LIMIT.iter_unpack(body[_LIMITS.size :]))
    if any(isnan(entry.above) or isnan(entry.below) for entry in entries):
        raise BodyError("a limit that is no number")
    return Limits(blank, longest, entries)


def _pack_limits(frame: Limits) -> bytes:
    entries = b"".join(_LIMIT.pack(e.channel, _limit(e.above), _limit(e.below)) for e in frame.entries)
    return _LIMITS.pack(frame.blank_ms, frame.max_on_s, len(frame.entries)) + entries


def _limit(volts: float) -> float:
    if not (isfinite(volts) or isinf(volts)):
        raise ValueError(f"a limit of {volts} V; infinity means none")
    return volts


def _drive(body: bytes) -> Drive:
    power, supply, valve, lease = _DRIVE.unpack(body)
    return Drive(bool(power), supply, valve, lease)


def _stream(body: bytes) -> Stream:
    return Stream(bool(_STREAM.unpack(body)[0]))


def _identify(body: bytes) -> Identify:
    _expect(len(body), 0)
    return Identify()


def _clear(body: bytes) -> Clear:
    _expect(len(body), 0)
    return Clear()


_READ: dict[int, Callable[[bytes], Frame]] = {
    Type.IDENTITY: _identity,
    Type.STATUS: _status,
    Type.BURST: _burst,
    Type.REPLY: lambda body: Reply(*_REPLY.unpack(body)),
    Type.IDENTIFY: _identify,
    Type.STREAM: _stream,
    Type.DRIVE: _drive,
    Type.LIMITS: _limits,
    Type.CAPTURE: lambda body: CaptureRequest(*_CAPTURE.unpack(body)),
    Type.CLEAR: _clear,
}

_PACK: dict[type, tuple[Type, Callable[..., bytes]]] = {
    Identity: (Type.IDENTITY, _pack_identity),
    Scans: (Type.SCANS, _pack_scans),
    Status: (Type.STATUS, _pack_status),
    Burst: (Type.BURST, _pack_burst),
    Reply: (Type.REPLY, lambda f: _REPLY.pack(f.seq, f.code)),
    Identify: (Type.IDENTIFY, lambda _: b""),
    Stream: (Type.STREAM, lambda f: _STREAM.pack(f.on)),
    Drive: (Type.DRIVE, lambda f: _DRIVE.pack(f.power, f.supply_mv, f.valve, f.lease_ms)),
    Limits: (Type.LIMITS, _pack_limits),
    CaptureRequest: (Type.CAPTURE, lambda f: _CAPTURE.pack(f.capture, f.role, f.rate_hz, f.total)),
    Clear: (Type.CLEAR, lambda _: b""),
}
