"""The golden frames hold together by themselves: two libraries that are not ours agree with the bytes put down."""

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from tests.drivers.link import golden


@pytest.mark.parametrize("row", golden.ALL, ids=lambda row: row.name)
def test_check_sum_and_stuffing_are_what_other_libraries_say(row: golden.Golden) -> None:
    assert Crc16Ibm3740.calc(row.content) == row.crc
    assert cobs.decode(row.wire[:-1]) == row.content + row.crc.to_bytes(2, "little")
    assert row.wire[-1] == 0
    assert row.content[1] == row.seq
