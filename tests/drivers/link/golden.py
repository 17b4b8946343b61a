"""Golden frames: one of every type, in both directions, written out by hand from `drivers/link/CONTRACT.md`.

They were put down before there was an encoder and owe it nothing. Each row gives the frame field by field as it stands
before stuffing (`content`: type, seq, body), the check sum over that, and the bytes on the line. `content` plus the
check sum, low byte first, stuffed and ended by a zero, is `wire`; a test makes sure of it with two libraries that are
not ours. `fields` says what a reader must get out of it, in plain values.

The stuffing by hand: in front of each stretch without a zero goes its length plus one, and the zeros are left out.
REPLY as an example: content 05 0a 2c 07, check sum 0xCC28, so 05 0a 2c 07 28 cc has no zero in it: 07 goes in front,
00 behind.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Golden:
    """A frame as fields, as content before stuffing, and as bytes on the line."""

    name: str
    from_device: bool
    seq: int
    content: bytes
    crc: int
    wire: bytes
    fields: dict[str, object] = field(default_factory=dict)


def _hex(*parts: str) -> bytes:
    return bytes.fromhex(" ".join(parts))


ANALOG, PULSE = 2, 1
"""Channels of the device that IDENTITY below describes; SCANS is laid out for it."""

IDENTITY = Golden(
    "IDENTITY",
    from_device=True,
    seq=0,
    content=_hex(
        "01 00",  # type, seq
        "01",  # protocol 1
        "01",  # flags: simulated
        "11 22 33 44 55 66 77 88",  # device id
        "01 02 03",  # firmware 1.2.3
        "07",  # all three inputs fitted
        "01",  # reset cause: power-on
        "05 01",  # boot 261
        "40 42 0f 00",  # 1 000 000 ticks a second
        "f4 01",  # 500 scans a second
        "20 4e 00 00",  # captures up to 20 000 a second
        "00 04",  # of up to 1 024 samples
        "02 01",  # two analog channels, one counter
        "01 0c 00 00 00 00 a0 3a",  # pressure, 12 bits, zero at 0, +5/4096 V a count
        "03 0c f8 ff 00 00 a0 ba",  # shunt, 12 bits, zero at -8, -5/4096 V a count
        "01",  # flow
    ),
    crc=0x0F7F,
    wire=_hex(
        "02 01 15 01 01 11 22 33 44 55 66 77 88 01 02 03 07 01 05 01 40 42 0f 05 f4 01 20 4e 01 01 06 04 02 01 01 0c",
        "01 01 01 07 a0 3a 03 0c f8 ff 01 06 a0 ba 01 7f 0f 00",
    ),
    fields={
        "protocol": 1,
        "features": 1,
        "device_id": "1122334455667788",
        "firmware": "1.2.3",
        "inputs_fitted": 7,
        "reset_cause": 1,
        "boot": 261,
        "tick_hz": 1_000_000,
        "sample_hz": 500,
        "burst_max_hz": 20_000,
        "burst_max_total": 1024,
        "pulse": (1,),
    },
)

SCANS = Golden(
    "SCANS",
    from_device=True,
    seq=7,
    content=_hex(
        "02 07",
        "05",  # boot, low byte
        "ff ff ff ff",  # tick: one before the wrap
        "00 01 00 00",  # index 256
        "02",  # two scans
        "01",  # flags: scans are missing before this
        "02",  # channel 1 over its range
        "00 02 ff ff",  # scan 0: 512, -1
        "80 02 00 80",  # scan 1: 640, -32 768
        "0a 00 00 00",  # ten edges
        "f0 ff ff ff",  # the newest at tick 4 294 967 280
    ),
    crc=0x1FA1,
    wire=_hex(
        "08 02 07 05 ff ff ff ff 02 01 01 04 02 01 02 06 02 ff ff 80 02 03 80 0a 01 01 07 f0 ff ff ff a1 1f 00",
    ),
    fields={
        "boot": 5,
        "tick": 0xFFFF_FFFF,
        "index": 256,
        "n": 2,
        "flags": 1,
        "overrange": 2,
        "counts": _hex("00 02 ff ff 80 02 00 80"),
        "edges": (10,),
        "last_edge": (0xFFFF_FFF0,),
    },
)

STATUS = Golden(
    "STATUS",
    from_device=True,
    seq=8,
    content=_hex(
        "03 08",
        "05",  # boot, low byte
        "00 00 01 00",  # tick 65 536
        "0d",  # power on, stream on, limits set
        "10 27",  # valve fully open
        "bc 34",  # supply 13 500 mV
        "05",  # stop circuit closed, splash guard open, level sufficient
        "02",  # over-pressure
        "34 12",  # CRC of the limits
        "01 00",  # one bad frame
        "ff ff",  # 65 535 missing
    ),
    crc=0x8514,
    wire=_hex("04 03 08 05 01 02 01 0b 0d 10 27 bc 34 05 02 34 12 01 05 ff ff 14 85 00"),
    fields={
        "boot": 5,
        "tick": 65_536,
        "power_on": True,
        "valve_moving": False,
        "streaming": True,
        "limits_set": True,
        "capturing": False,
        "valve": 10_000,
        "supply_mv": 13_500,
        "inputs": 5,
        "trip": 2,
        "limits_crc": 0x1234,
        "rx_bad": 1,
        "rx_gap": 65_535,
    },
)

BURST = Golden(
    "BURST",
    from_device=True,
    seq=9,
    content=_hex(
        "04 09",
        "03",  # capture 3
        "09",  # wide-band shunt
        "20 4e 00 00",  # 20 000 a second
        "40 e2 01 00",  # sample 0 at tick 123 456
        "00 01",  # 256 samples in all
        "0a 00",  # this piece begins with number 10
        "01",  # overrange
        "03",  # three samples
        "00 00 01 00 ff ff",  # 0, 1, -1
    ),
    crc=0x604F,
    wire=_hex("07 04 09 03 09 20 4e 01 04 40 e2 01 01 03 01 0a 03 01 03 01 02 01 05 ff ff 4f 60 00"),
    fields={
        "capture": 3,
        "role": 9,
        "rate_hz": 20_000,
        "tick": 123_456,
        "total": 256,
        "first": 10,
        "overrange": True,
        "counts": (0, 1, -1),
    },
)

REPLY = Golden(
    "REPLY",
    from_device=True,
    seq=10,
    content=_hex("05 0a", "2c", "07"),  # to request 44: an input is open
    crc=0xCC28,
    wire=_hex("07 05 0a 2c 07 28 cc 00"),
    fields={"seq": 44, "code": 7},
)

IDENTIFY = Golden(
    "IDENTIFY",
    from_device=False,
    seq=0,
    content=_hex("41 00"),
    crc=0x23F2,
    wire=_hex("02 41 03 f2 23 00"),
)

STREAM = Golden(
    "STREAM",
    from_device=False,
    seq=1,
    content=_hex("42 01", "01"),
    crc=0x9C41,
    wire=_hex("06 42 01 01 41 9c 00"),
    fields={"on": True},
)

DRIVE = Golden(
    "DRIVE",
    from_device=False,
    seq=2,
    content=_hex("43 02", "01", "bc 34", "ff ff", "f4 01"),  # power on, 13 500 mV, valve as it is, 500 ms
    crc=0x636B,
    wire=_hex("0c 43 02 01 bc 34 ff ff f4 01 6b 63 00"),
    fields={"power": True, "supply_mv": 13_500, "valve": 65_535, "lease_ms": 500},
)

LIMITS = Golden(
    "LIMITS",
    from_device=False,
    seq=3,
    content=_hex(
        "44 03",
        "c8 00",  # shunt not watched for 200 ms
        "1e 00",  # power on for 30 s at most
        "02",  # two entries
        "00 00 00 90 40 00 00 80 ff",  # channel 0: above 4.5 V, below minus infinity
        "02 00 00 80 7f 00 00 80 be",  # channel 2: above infinity, below -0.25 V
    ),
    crc=0x2FB9,
    wire=_hex("04 44 03 c8 02 1e 02 02 01 01 03 90 40 01 04 80 ff 02 01 03 80 7f 01 05 80 be b9 2f 00"),
    fields={"blank_ms": 200, "max_on_s": 30},
)

LIMIT_ENTRIES = ((0, 4.5, float("-inf")), (2, float("inf"), -0.25))
"""What LIMITS holds, as (channel, above, below)."""

CAPTURE = Golden(
    "CAPTURE",
    from_device=False,
    seq=4,
    content=_hex("45 04", "03", "09", "20 4e 00 00", "00 01"),  # number 3, wide-band shunt, 20 000 a second, 256
    crc=0xD5EC,
    wire=_hex("07 45 04 03 09 20 4e 01 01 04 01 ec d5 00"),
    fields={"capture": 3, "role": 9, "rate_hz": 20_000, "total": 256},
)

CLEAR = Golden(
    "CLEAR",
    from_device=False,
    seq=5,
    content=_hex("46 05"),
    crc=0xEAC0,
    wire=_hex("05 46 05 c0 ea 00"),
)

ALL = (IDENTITY, SCANS, STATUS, BURST, REPLY, IDENTIFY, STREAM, DRIVE, LIMITS, CAPTURE, CLEAR)
