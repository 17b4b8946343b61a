"""Sections 1 and 2 of the link's page: what a device does with what comes from the line, good or bad.

Beside each case stands the sentence from which its answer was worked out by hand.
"""

import random

import pytest

from drivers.block import Identity
from drivers.link.frames import Clear, FromDevice, Identify, Reply, Stream
from tests.firmware.host import OFF, Host, wire

STREAM_OFF = Stream(False)


def replies(host: Host, *contents: bytes) -> list[tuple[int, int]]:
    """(seq, code) of every REPLY to frames given as type, seq and body."""
    for content in contents:
        host.write(wire(content))
    return told(host)


def told(host: Host) -> list[tuple[int, int]]:
    return [(frame.seq, frame.code) for frame in host.run(0.1) if isinstance(frame, Reply)]


def counted(host: Host) -> tuple[int, int]:
    """(rx_bad, rx_gap) of STATUS."""
    status = host.status()
    return status.rx_bad, status.rx_gap


# "nothing between two zeros: nothing, and no error; a sender may begin with a zero"
def test_empty_frames_are_nothing(host: Host) -> None:
    host.write(b"\0\0\0" + wire(b"\x42\x00\x00") + b"\0\0")
    assert told(host) == [(0, 0)]
    assert counted(host) == (0, 0)


# "bytes before the first zero after opening, if they are no good frame: the rest of a frame, and no error"
def test_the_rest_of_a_frame_at_the_beginning_is_no_error(host: Host) -> None:
    host.write(b"\x33\x44\x55\0" + wire(b"\x42\x00\x00"))
    assert told(host) == [(0, 0)]
    assert counted(host) == (0, 0)


# … "if they are no good frame": a good one is acted upon.
def test_a_good_frame_may_be_the_very_first(host: Host) -> None:
    assert replies(host, b"\x46\x09") == [(9, 0)]


BAD = {
    # the code 9 asks for eight bytes more, and one comes
    "stuffing that cannot be": b"\x09\x42\0",
    "a code that points behind the end": b"\x03\x42\x05\x01\0",
    # golden STREAM has check sum 0x9C41
    "a wrong check sum": wire(b"\x42\x01\x01", crc=0x9C40),
    "a check sum with its bytes exchanged": wire(b"\x42\x01\x01", crc=0x419C),
    # the longest content is 250 bytes with its check sum, of which 248 are type, seq and body
    "251 bytes": wire(b"\x42\x01" + b"\x01" * 247),
    "400 bytes without a zero": b"\x55" * 400 + b"\0",
    "too short for type, seq and check sum": b"\x03\x42\x9c\0",
}


# "stuffing that cannot be, a wrong check sum, more than 250 bytes: counted as bad, dropped; reading goes on behind the
# next zero". None of these is answered, each is one bad frame, and the good one behind it is answered.
@pytest.mark.parametrize("bad", list(BAD.values()), ids=list(BAD))
def test_a_bad_frame_is_counted_once_and_dropped(host: Host, bad: bytes) -> None:
    assert replies(host, b"\x42\x00\x00") == [(0, 0)]
    host.write(bad + wire(b"\x42\x01\x00"))
    assert told(host) == [(1, 0)]
    assert counted(host) == (1, 0)


# "The content, at most 250 bytes with its check sum … 252 bytes is the longest that a frame can be on the line."
# 250 bytes are no error of their own: an unknown type is REPLY 1, a body too long for its type REPLY 2.
@pytest.mark.parametrize(("kind", "code"), [(0x77, 1), (0x42, 2)])
def test_the_longest_frame_is_read(host: Host, kind: int, code: int) -> None:
    for seq in (0, 1):
        content = bytes((kind, seq)) + b"\x01" * 246
        assert len(wire(content)) == 252
        assert replies(host, content) == [(seq, code)]


WRONG_LENGTHS = {
    "STREAM without its byte": b"\x42\x01",
    "STREAM with two": b"\x42\x01\x00\x00",
    "DRIVE short of one": b"\x43\x01\x01\x00\x00\xff\xff\xf4",
    "DRIVE with one more": b"\x43\x01\x01\x00\x00\xff\xff\xf4\x01\x00",
    "LIMITS without n": b"\x44\x01\x00\x00\x00\x00",
    "LIMITS with two entries announced and one there": b"\x44\x01\x00\x00\x00\x00\x02" + b"\x00" * 9,
    "LIMITS with one entry announced and two there": b"\x44\x01\x00\x00\x00\x00\x01" + b"\x00" * 18,
    "CAPTURE short of one": b"\x45\x01\x01\x03\x88\x13\x00\x00\x64",
    "CLEAR with a byte": b"\x46\x01\x00",
    "IDENTIFY with a byte": b"\x41\x01\x00",
}


# "right check sum, body of another length than its type and its own counts give: counted as bad; REPLY 2". Its number
# is to be believed: 0, 1, 2 leave no gap.
@pytest.mark.parametrize("content", list(WRONG_LENGTHS.values()), ids=list(WRONG_LENGTHS))
def test_a_sound_frame_of_a_wrong_length(host: Host, content: bytes) -> None:
    assert replies(host, b"\x42\x00\x00", content, b"\x42\x02\x00") == [(0, 0), (1, 2), (2, 0)]
    assert counted(host) == (1, 0)
    assert not host.power


# "right check sum, unknown type: counted; the device answers REPLY 1" — counted, but not as bad.
@pytest.mark.parametrize("kind", [0x00, 0x01, 0x05, 0x40, 0x47, 0xFF])
def test_an_unknown_type(host: Host, kind: int) -> None:
    assert replies(host, bytes((kind, 0)), bytes((kind, 1, 1, 2, 3))) == [(0, 1), (1, 1)]
    assert counted(host) == (0, 0)


# "the same content as in the sound frame before, seq included: a repeat: counted apart and dropped, and no step in the
# numbers"
def test_a_repeat_is_dropped(host: Host) -> None:
    assert replies(host, b"\x42\x00\x00", b"\x42\x00\x00", b"\x42\x00\x00", b"\x42\x01\x00") == [(0, 0), (1, 0)]
    assert counted(host) == (0, 0)


# … "as in the sound frame before": what came between and was no sound frame changes nothing.
def test_a_repeat_behind_a_bad_frame_is_one_still(host: Host) -> None:
    host.write(wire(b"\x42\x00\x00") + wire(b"\x42\x01\x00", crc=1) + b"\0" + wire(b"\x42\x00\x00"))
    assert told(host) == [(0, 0)]
    assert counted(host) == (1, 0)


# … "the same content …, seq included": with a number of its own the same request is a new one.
def test_the_same_request_under_a_new_number_is_no_repeat(host: Host) -> None:
    assert replies(host, b"\x46\x00", b"\x46\x01", b"\x46\x00") == [(0, 0), (1, 0), (0, 0)]
    # from 1 to 0: the next would have been 2, so 254 are missing
    assert counted(host) == (0, 254)


# "IDENTIFY is answered all the same"
def test_a_repeated_identify_is_answered_each_time(host: Host) -> None:
    host.write(wire(b"\x41\x00") * 3)
    assert len([frame for frame in host.run(0.1) if isinstance(frame, Identity)]) == 3
    assert counted(host) == (0, 0)


# "A jump in the numbers is that many frames lost." After 0 comes 4: 1, 2 and 3 are missing.
def test_missing_numbers_are_counted(host: Host) -> None:
    assert replies(host, b"\x42\x00\x00", b"\x42\x04\x00", b"\x42\x06\x00") == [(0, 0), (4, 0), (6, 0)]
    assert counted(host) == (0, 3 + 1)


# A frame with a wrong check sum is bad, and its number, which nobody can believe, is missing.
def test_a_bad_frame_leaves_a_gap_in_the_numbers(host: Host) -> None:
    host.write(wire(b"\x42\x00\x00") + wire(b"\x42\x01\x00", crc=0) + wire(b"\x42\x02\x00"))
    assert told(host) == [(0, 0), (2, 0)]
    assert counted(host) == (1, 1)


# "running number …, modulo 256"; "a receiver takes the number of its first good frame as the beginning"
def test_numbers_begin_anywhere_and_wrap(host: Host) -> None:
    contents = [bytes((0x46, seq)) for seq in (254, 255, 0, 1)]
    assert replies(host, *contents) == [(254, 0), (255, 0), (0, 0), (1, 0)]
    assert counted(host) == (0, 0)


# "IDENTIFY sets the device's expectation for the host's numbers anew"
def test_identify_restarts_the_count(host: Host) -> None:
    assert replies(host, b"\x42\x05\x00", b"\x41\x64", b"\x42\x65\x00", b"\x41\x00", b"\x42\x03\x00") == [
        (5, 0),
        (0x65, 0),
        (3, 0),
    ]
    assert counted(host) == (0, 2)  # none at 5 → 100 and 101 → 0; 1 and 2 before 3


# "Everything travels in frames": where they are cut is nobody's business.
def test_a_frame_may_come_byte_by_byte(host: Host) -> None:
    came: list[FromDevice] = []
    for byte in wire(b"\x42\x00\x00") + wire(b"\x46\x01"):
        host.write(bytes([byte]))
        came += host.scan()  # type: ignore[arg-type]
    came += host.run(0.02)  # type: ignore[arg-type]
    assert [frame for frame in came if isinstance(frame, Reply)] == [Reply(0, 0), Reply(1, 0)]
    assert counted(host) == (0, 0)


# "Nothing that comes from the line may bring a receiver down, or keep it from the next good frame."
@pytest.mark.parametrize("seed", range(3))
def test_garbage_keeps_nobody_from_the_next_good_frame(host: Host, seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(4):
        # mostly short stretches, some with no zero for longer than any frame
        host.write(chance.randbytes(200) + bytes(chance.choices(range(1, 256), k=300)))
        host.run(0.02)
    host.write(b"\0")
    host.run(0.02)
    host.send(Identify())
    assert any(isinstance(frame, Identity) for frame in host.run(0.05))
    assert host.answer(Clear()) == 0
    assert host.answer(OFF) == 0
    assert not host.power


# "Each side numbers its frames from 0: the device since it booted." Every frame of every test is looked at for that by
# the host; here the numbers pass 255.
def test_the_device_s_own_numbers_rise_and_wrap(host: Host) -> None:
    for _ in range(26):
        for _ in range(10):
            host.send(STREAM_OFF)
        host.run(0.02)
    host.run(0.05)
    assert len(host.of(Reply)) == 260
    assert len(host.pieces) > 256
