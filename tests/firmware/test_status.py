"""STATUS (section 4): when it comes, and what it says."""

from itertools import pairwise

import pytest
from crccheck.crc import Crc16Ibm3740

from drivers.block import Feature, Input, Status
from drivers.link.frames import Clear, Drive, Limits, Stream
from tests.drivers.link import golden
from tests.firmware.host import NO_LIMITS, OFF, ON, Host, wire

TOO_SOON = 48_000
"""µs: two STATUS frames are 50 ms apart; a busy line may bring the later one sooner by some 2 ms."""


def times(host: Host, since: int = 0) -> list[int]:
    return [heard.us for heard in host.heard if isinstance(heard.frame, Status) and heard.us > since]


# "On every change …, and once a second anyway."
def test_it_comes_once_a_second_where_nothing_changes(host: Host) -> None:
    host.run(0.2)
    host.run(3.2)
    gaps = [b - a for a, b in pairwise(times(host, host.us - 3_200_000))]
    assert len(gaps) >= 2
    assert gaps == pytest.approx([1_000_000] * len(gaps), abs=5_000)


# "at most 20 times a second": with a change every 20 ms it comes 20 times, and the last change is not forgotten.
def test_it_comes_20_times_a_second_where_all_changes(host: Host) -> None:
    host.run(0.2)
    began = host.us
    for blank in range(51):
        host.send(Limits(blank, 0, ()))
        host.run(0.02)
    gaps = [b - a for a, b in pairwise(times(host, began))]
    assert min(gaps) >= TOO_SOON
    assert 17 <= len(gaps) + 1 <= 22
    # blank_ms 50, max_on_s 0, no entries
    assert host.status().limits_crc == Crc16Ibm3740.calc(bytes([50, 0, 0, 0, 0]))


# "On every change" — each of these is told within the 50 ms that the rate allows.
@pytest.mark.parametrize(
    ("request_", "shows"),
    [
        (Stream(True), lambda status: status.streaming),
        (NO_LIMITS, lambda status: status.limits_set),
        (Drive(False, 0, 7_500, 0), lambda status: status.valve == 7_500),
    ],
    ids=["stream", "limits", "valve"],
)
def test_a_change_is_told_soon(host: Host, request_: Stream | Limits | Drive, shows) -> None:  # type: ignore[no-untyped-def]
    assert not shows(host.status())
    assert host.answer(request_) == 0
    host.run(0.055)
    assert shows(host.of(Status)[-1])


# "bit 0 stop circuit closed, bit 1 splash guard closed, bit 2 fluid level sufficient"
@pytest.mark.parametrize("which", [Input.STOP_CIRCUIT, Input.SPLASH_GUARD, Input.FLUID_LEVEL])
def test_inputs_are_told_with_power_off_and_trip_nothing(host: Host, which: Input) -> None:
    assert host.identity.inputs_fitted & which
    host.open(which)
    status = host.status()
    assert status.inputs == host.identity.inputs_fitted & ~which
    assert status.trip == 0  # "Trips happen only while power is on."
    host.shut(which)
    assert host.status().inputs == host.identity.inputs_fitted


# "bit 0 the pump has power …; bit 2 stream on; bit 3 limits set"
def test_outputs_are_told(host: Host) -> None:
    host.answer(NO_LIMITS)
    host.answer(Stream(True))
    host.answer(ON)
    status = host.status()
    assert (status.power_on, status.streaming, status.limits_set, status.capturing) == (True, True, True, False)
    host.answer(OFF)
    host.answer(Stream(False))
    status = host.status()
    assert (status.power_on, status.streaming, status.limits_set) == (False, False, True)


# "check sum (section 2) of the body of the LIMITS in force, 0 if there are none"
def test_the_check_sum_of_the_limits_in_force(host: Host) -> None:
    assert host.status().limits_crc == 0
    host.write(wire(b"\x44\x00\x00\x00\x00\x00\x00"))
    # five zero bytes: CRC-16/IBM-3740 by another library
    assert host.status().limits_crc == Crc16Ibm3740.calc(bytes(5)) == 0x110C
    host.write(golden.LIMITS.wire)
    assert host.status().limits_crc == Crc16Ibm3740.calc(golden.LIMITS.content[2:])
    # "a new LIMITS" that is refused is not in force: channel 200 is not there
    host.write(wire(b"\x44\x04\x00\x00\x00\x00\x01\xc8" + bytes(8)))
    assert host.status().limits_crc == Crc16Ibm3740.calc(golden.LIMITS.content[2:])


# "supply set to so many millivolts; 0 for a supply that cannot be set"
def test_a_supply_that_cannot_be_set_shows_0(host: Host) -> None:
    assert Feature.SETTABLE_SUPPLY not in host.identity.features
    assert host.answer(Drive(False, 13_500, 65_535, 0)) == 0
    assert host.status().supply_mv == 0


# "tick: when": two of them are as far apart as the time between them.
def test_its_tick_is_the_device_s(host: Host) -> None:
    host.run(2.3)
    a, b = host.of(Status)[-2:]
    seen = times(host)
    assert (b.tick - a.tick) / host.identity.tick_hz == pytest.approx((seen[-1] - seen[-2]) * 1e-6, abs=0.005)


# CLEAR without a trip has nothing to wait for.
def test_clear_without_a_trip_is_done(host: Host) -> None:
    assert host.answer(Clear()) == 0
    assert host.trip() == 0
