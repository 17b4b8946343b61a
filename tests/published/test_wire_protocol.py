"""Check sum and stuffing of the stand link against published values."""

from math import ceil
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs as other_cobs
from crccheck.crc import Crc16Arc, Crc16Ibm3740, Crc16Kermit, Crc16Modbus, Crc16Xmodem, Crc32, Crc32c
from hypothesis import given
from hypothesis import strategies as st

from drivers.link import cobs
from drivers.link.cobs import CobsError, crc16
from drivers.recording import RecordingWriter
from tests.published.rows import rows

UP_TO_FE = bytes(range(1, 255))
UP_TO_FF = bytes(range(1, 256))


@rows("V2.1")
def test_crc_check_value() -> None:
    """Catalogue of parametrised CRC algorithms (G. Cook), entry CRC-16/IBM-3740: check = 0x29B1."""
    assert crc16(b"123456789") == 0x29B1


@rows("V2.8")
@pytest.mark.parametrize(("data", "expected"), [(b"", 0xFFFF), (b"\0", 0xE1F0), (b"A", 0xB915)])
def test_crc_of_short_inputs(data: bytes, expected: int) -> None:
    """Computed from the catalogue's parameters of CRC-16/IBM-3740 with crccheck, which implements the catalogue."""
    assert crc16(data) == expected


@rows("V2.13")
@given(st.binary(max_size=300))
def test_crc_leaves_the_catalogue_residue(data: bytes) -> None:
    """Catalogue, field residue = 0x0000: message and its CRC, high byte first, together give zero."""
    assert crc16(data + crc16(data).to_bytes(2, "big")) == 0
    assert crc16(data) == Crc16Ibm3740.calc(data)


NINE = b"123456789"
OTHER_CHECKS = [
    pytest.param(Crc16Xmodem, NINE, 0x31C3, id="V2.2"),
    pytest.param(Crc16Modbus, NINE, 0x4B37, id="V2.3"),
    pytest.param(Crc16Kermit, NINE, 0x2189, id="V2.4"),
    pytest.param(Crc32c, NINE, 0xE3069283, id="V2.6"),
    pytest.param(Crc16Arc, NINE, 0xBB3D, id="V2.7"),
    # MODBUS over Serial Line V1.02 (2006), 6.2.2 (clause from memory): on the wire C5 CD and 76 87, low byte first.
    pytest.param(Crc16Modbus, bytes.fromhex("01 03 00 00 00 0a"), 0xCDC5, id="V2.10"),
    pytest.param(Crc16Modbus, bytes.fromhex("11 03 00 6b 00 03"), 0x8776, id="V2.11"),
    # RFC 3720 (2004), Appendix B.4, which prints the bytes in the other order (from memory).
    pytest.param(Crc32c, bytes(32), 0x8A9136AA, id="V2.12, 00"),
    pytest.param(Crc32c, b"\xff" * 32, 0x62A8AB43, id="V2.12, ff"),
]


@pytest.mark.parametrize(("kind", "data", "expected"), OTHER_CHECKS)
def test_other_check_sums_by_the_witness(kind: Any, data: bytes, expected: int) -> None:
    """Witness check of crccheck against the same catalogue: this project has none of these sums on the line. A MODBUS
    frame with its sum behind it, low byte first, leaves nothing (field residue)."""
    assert kind.calc(data) == expected
    if kind is Crc16Modbus:
        assert kind.calc(data + expected.to_bytes(2, "little")) == 0


@rows("V2.1", "V2.5", "V2.9")
def test_check_sums_of_a_recording(tmp_path: Path) -> None:
    """CRC-32/ISO-HDLC (catalogue; 0x414FA339 for the sentence is widely published) over kind and payload of an entry,
    CRC-16/IBM-3740 over length and kind; by the witness, on bytes as they lie on the disk."""
    fox = b"The quick brown fox jumps over the lazy dog"
    assert (Crc32.calc(NINE), Crc32.calc(fox)) == (0xCBF43926, 0x414FA339)
    writer = RecordingWriter(tmp_path / "run.rec", {})
    before = writer.size
    writer.wire(fox)
    entry = (tmp_path / "run.rec").read_bytes()[before:]
    writer.close({})
    head, kind, sums = entry[:5], entry[4:5], (entry[5:7], entry[-4:])
    assert entry[7:-4] == fox
    assert [int.from_bytes(s, "little") for s in sums] == [Crc16Ibm3740.calc(head), Crc32.calc(kind + fox)]


COBS_1999 = [
    pytest.param(b"", "01", id="V2.15"),
    pytest.param(b"\x00", "01 01", id="V2.16"),
    pytest.param(bytes.fromhex("11 22 00 33"), "03 11 22 02 33", id="V2.17"),
    pytest.param(bytes.fromhex("11 22 33 44"), "05 11 22 33 44", id="V2.18"),
    pytest.param(bytes.fromhex("11 00 00 00"), "02 11 01 01 01", id="V2.19"),
    pytest.param(UP_TO_FE, "ff" + UP_TO_FE.hex(), id="V2.20"),
    pytest.param(UP_TO_FF, "ff" + UP_TO_FE.hex() + "02 ff", id="V2.21"),
    # The paper's worked example; the figure is from memory, the bytes were computed with an independent library.
    pytest.param(
        bytes.fromhex("45 00 00 2c 4c 79 00 00 40 06 4f 37"), "02 45 01 04 2c 4c 79 01 05 40 06 4f 37", id="V2.22"
    ),
    pytest.param(bytes.fromhex("00 11 00"), "01 02 11 01", id="V2.23"),
    pytest.param(b"\0" + UP_TO_FE, "01 ff" + UP_TO_FE.hex(), id="V2.24"),
]
"""S. Cheshire, M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Trans. Networking 7(2), 159-172 (1999): what the
paper's rules give, without the closing zero; recomputed with the library `cobs`."""


@pytest.mark.parametrize(("data", "stuffed"), COBS_1999)
def test_cobs_of_the_paper(data: bytes, stuffed: str) -> None:
    assert cobs.encode(data) == bytes.fromhex(stuffed)
    assert cobs.decode(bytes.fromhex(stuffed)) == data


@rows("V2.14")
def test_cobs_code_bytes() -> None:
    """Cheshire and Baker (1999), code table: n stands for n - 1 bytes and a zero, 0xFF for 254 bytes and no zero."""
    for n in range(1, 255):
        run = b"\x55" * (n - 1)
        assert cobs.decode(bytes([n]) + run + b"\x02\xaa") == run + b"\0\xaa"
    assert cobs.decode(b"\xff" + b"\x55" * 254 + b"\x02\xaa") == b"\x55" * 254 + b"\xaa"


@rows("V2.20")
def test_cobs_full_stretch_may_be_closed_by_one() -> None:
    """Cheshire and Baker (1999): behind 254 bytes a decoder must accept a closing 01 too."""
    assert cobs.decode(b"\xff" + UP_TO_FE + b"\x01") == UP_TO_FE


@rows("V2.25")
@pytest.mark.parametrize("damaged", ["05 11 22", "00", "03 11 00", ""])
def test_cobs_refuses_what_nobody_can_have_written(damaged: str) -> None:
    """Cheshire and Baker (1999): a stretch longer than the frame, a zero within it; the library `cobs` refuses both."""
    with pytest.raises(CobsError):
        cobs.decode(bytes.fromhex(damaged))


stretchy = st.lists(
    st.one_of(st.binary(max_size=20), st.integers(250, 258).map(lambda n: b"\x07" * n), st.just(b"\0\0")), max_size=6
).map(b"".join)


@rows("V2.26")
@given(stretchy)
def test_cobs_overhead_and_round_trip(data: bytes) -> None:
    """Cheshire and Baker (1999): at least 1 and at most ceil(n/254) bytes more (n >= 1), and never a zero."""
    stuffed = cobs.encode(data)
    assert 0 not in stuffed
    assert 1 <= len(stuffed) - len(data) <= max(ceil(len(data) / 254), 1)
    assert cobs.decode(stuffed) == data
    assert stuffed == other_cobs.encode(data)


@given(st.binary(max_size=600))
def test_cobs_agrees_with_another_library_on_any_bytes(data: bytes) -> None:
    try:
        theirs = other_cobs.decode(data) if data else None
    except other_cobs.DecodeError:
        theirs = None
    if theirs is None:
        with pytest.raises(CobsError):
            cobs.decode(data)
    else:
        assert cobs.decode(data) == theirs


def test_identify_as_the_first_frame_on_the_line() -> None:
    """`drivers/link/CONTRACT.md`, the frame to check against."""
    assert crc16(b"\x41\x00") == 0x23F2
    assert cobs.encode(bytes.fromhex("41 00 f2 23")) + b"\0" == bytes.fromhex("02 41 03 f2 23 00")
