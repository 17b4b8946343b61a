"""The golden frames, which stood on paper before there was an encoder, go both ways through every firmware."""

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from drivers.block import Identity
from drivers.link.frames import Reply, ReplyCode
from tests.drivers.link import golden
from tests.firmware.host import Host

ANSWERS = {
    "STREAM": ReplyCode.DONE,
    "DRIVE": ReplyCode.NOT_FITTED,  # it sets the supply, which none of these devices can
    "LIMITS": ReplyCode.DONE,
    "CAPTURE": ReplyCode.DONE,
    "CLEAR": ReplyCode.DONE,
}
REQUESTS = [row for row in golden.ALL if not row.from_device]
TELLINGS = [row for row in golden.ALL if row.from_device]


def expected(row: golden.Golden, identity: Identity) -> int:
    """CAPTURE asks for 20 000 samples a second, which not every device reaches."""
    if row.name == "CAPTURE" and (identity.burst_max_hz < 20_000 or identity.burst_max_total < 256):
        return ReplyCode.BAD_VALUE
    return ANSWERS[row.name]


@pytest.mark.parametrize("row", REQUESTS, ids=lambda row: row.name)
@pytest.mark.parametrize("way", ["whole", "byte by byte", "with bytes behind"])
def test_every_golden_request_is_answered_once(host: Host, row: golden.Golden, way: str) -> None:
    if way == "byte by byte":
        for byte in row.wire:
            host.write(bytes([byte]))
            host.scan()
    else:
        host.write(row.wire + (b"\x05\x01\x02" if way == "with bytes behind" else b""))
    host.run(0.05)
    if row.name == "IDENTIFY":
        assert len(host.of(Identity)) == 2  # the first came at boot
        assert not host.of(Reply)
    else:
        assert host.of(Reply) == [Reply(row.seq, expected(row, host.identity))]


# Frames of the other direction are types that a device does not know.
@pytest.mark.parametrize("row", TELLINGS, ids=lambda row: row.name)
def test_golden_frames_of_a_device_are_unknown_to_a_device(host: Host, row: golden.Golden) -> None:
    host.write(row.wire)
    host.run(0.05)
    assert host.of(Reply) == [Reply(row.seq, ReplyCode.UNKNOWN_TYPE)]


# What the device says, two libraries that are not ours can read, byte by byte as the page lays it out.
def test_what_a_device_sends_is_laid_out_as_the_page_says(host: Host) -> None:
    host.write(golden.IDENTIFY.wire + golden.STREAM.wire + golden.LIMITS.wire)
    host.run(1.2)
    analog, pulse = len(host.identity.analog), len(host.identity.pulse)
    seen = set()
    for piece in host.pieces:
        content = cobs.decode(piece.wire[:-1])
        assert piece.wire[-1] == 0
        assert Crc16Ibm3740.calc(content[:-2]) == int.from_bytes(content[-2:], "little")
        body = content[2:-2]
        seen.add(content[0])
        if content[0] == 0x01:
            assert len(body) == 31 + 8 * analog + pulse
        elif content[0] == 0x02:
            assert len(body) == 12 + 2 * body[9] * analog + 8 * pulse
        elif content[0] == 0x03:
            assert len(body) == 18
        else:
            assert (content[0], len(body)) == (0x05, 2)
    assert seen == {1, 2, 3, 5}


# STATUS, field by field by hand: golden LIMITS is in force, nothing else has happened.
def test_a_status_byte_by_byte(host: Host) -> None:
    host.write(golden.LIMITS.wire)
    host.status()
    last = next(piece for piece in reversed(host.pieces) if piece.type == 0x03)
    content = cobs.decode(last.wire[:-1])
    body = content[2:-2]
    assert body[0] == host.identity.boot & 0xFF
    assert body[5] == 0b01000  # limits set; no power, valve at rest, no stream, no capture
    assert body[6:8] == b"\xff\xff"  # no sensor and no command: nobody knows where the valve is
    assert body[8:10] == b"\0\0"  # the supply cannot be set
    assert body[10] == 0b111  # all three inputs closed
    assert body[11] == 0  # no trip
    limits = golden.LIMITS.content[2:]
    assert body[12:14] == Crc16Ibm3740.calc(limits).to_bytes(2, "little")
    assert body[14:] == b"\0\0\0\0"  # no bad frames, none missing
