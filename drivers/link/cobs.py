"""Consistent Overhead Byte Stuffing and the check sum of a frame.

Stuffing: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999. Check sum:
CRC-16/IBM-3740 (polynomial 0x1021, initial value 0xFFFF, not reflected, no final XOR).
"""

from binascii import crc_hqx

LONGEST_RUN = 254
"""Bytes in a stretch that code 0xFF introduces, after which no zero is implied."""


class CobsError(ValueError):
    """Bytes that no encoder can have written."""


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 of `data`."""
    return crc_hqx(data, 0xFFFF)


def encode(data: bytes) -> bytes:
    """Stuffs any bytes into bytes without a zero; the closing zero of a frame is not added."""
    out = bytearray()
    *inner, last = data.split(b"\0")
    for run in inner:
        out += _stuff(run, closed=True)
    return bytes(out + _stuff(last, closed=len(last) == 0 or len(last) % LONGEST_RUN != 0))


def _stuff(run: bytes, *, closed: bool) -> bytes:
    """One stretch without zeros. `closed`: it ends with a code for less than 254 bytes, even if none are left."""
    out = bytearray()
    while len(run) >= LONGEST_RUN:
        out += b"\xff" + run[:LONGEST_RUN]
        run = run[LONGEST_RUN:]
    if closed:
        out.append(len(run) + 1)
        out += run
    return bytes(out)


def decode(data: bytes) -> bytes:
    """The bytes that were stuffed into `data` (without its closing zero).

    Raises:
        CobsError: `data` is empty, holds a zero, or ends inside a stretch.
    """
    if not data or 0 in data:
        raise CobsError("a stuffed frame is neither empty nor holds a zero")
    out = bytearray(data)
    end = len(out)
    # Every code byte becomes the zero that it stands for, except the first, and those behind a full stretch.
    spare = [0]
    at = 0
    while at < end:
        code = out[at]
        out[at] = 0
        at += code
        if code == LONGEST_RUN + 1:
            spare.append(at)
    if at != end:
        raise CobsError(f"the last stretch ends {at - end} bytes behind the frame's end")
    for place in reversed(spare):
        del out[place : place + 1]
    return bytes(out)
