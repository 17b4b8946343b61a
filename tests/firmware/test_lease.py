"""The lease (DRIVE, section 5): power goes off on time, not before, and not later than a scan."""

from dataclasses import replace

import pytest

from drivers.block import Input
from drivers.link.frames import Clear, Drive, Stream
from tests.firmware.host import NO_LIMITS, OFF, ON, Host


def lease(host: Host, ms: int) -> tuple[float, float]:
    """Switches on, or renews, for so long; the times (µs) between which power has to go off.

    The device took the frame between the time at which it was sent and that of the answer, and it looks at every scan.
    """
    assert host.answer(replace(ON, lease_ms=ms)) == 0
    assert host.power
    return host.asked + 1000 * ms, host.answered + 1000 * ms + host.span_us


# "While power is on, the device switches it off by itself, with trip 1, once the lease is over and no DRIVE has come."
@pytest.mark.parametrize("ms", [25, 37, 100, 250])
def test_power_goes_off_when_the_lease_is_over(host: Host, ms: int) -> None:
    host.answer(NO_LIMITS)
    earliest, latest = lease(host, ms)
    assert earliest <= host.until_off(0.5) <= latest
    assert host.trip() == 1


# The same while scans are streamed, which take the line.
def test_a_stream_delays_nothing(host: Host) -> None:
    host.answer(NO_LIMITS)
    host.answer(Stream(True))
    host.run(0.1)
    earliest, latest = lease(host, 100)
    assert earliest <= host.until_off(0.5) <= latest


# "how long power may stay on without another DRIVE": each one begins it anew …
def test_every_drive_renews_it(host: Host) -> None:
    host.answer(NO_LIMITS)
    for _ in range(8):
        earliest, latest = lease(host, 100)
        host.run(0.06)
        assert host.power
    assert earliest <= host.until_off(0.2) <= latest


# … with its own length, be it shorter …
def test_a_shorter_lease_takes_the_place_of_a_longer_one(host: Host) -> None:
    host.answer(NO_LIMITS)
    lease(host, 2000)
    host.run(0.02)
    earliest, latest = lease(host, 50)
    assert earliest <= host.until_off(0.2) <= latest


# … and nothing but a DRIVE.
def test_no_other_frame_renews_it(host: Host) -> None:
    host.answer(NO_LIMITS)
    earliest, latest = lease(host, 100)
    host.run(0.05)
    for frame in (NO_LIMITS, Stream(True), Clear()):
        assert host.answer(frame) == 0
    assert earliest <= host.until_off(0.2) <= latest
    assert host.trip() == 1


# "So a host that hangs cannot leave a pump running." A trip stands until CLEAR; "Power stays off until the next DRIVE".
def test_only_clear_and_then_a_drive_bring_power_back(host: Host) -> None:
    host.answer(NO_LIMITS)
    lease(host, 30)
    host.until_off(0.1)
    assert host.answer(ON) == 3
    assert host.answer(OFF) == 0
    assert host.answer(ON) == 3
    assert not host.power
    assert host.trip() == 1
    assert host.answer(Clear()) == 0
    assert host.trip() == 0
    host.run(0.1)
    assert not host.power
    assert host.answer(ON) == 0
    assert host.power


# Switching off ends the lease with it: no trip comes later.
def test_a_lease_ends_with_the_power(host: Host) -> None:
    host.answer(NO_LIMITS)
    lease(host, 50)
    assert host.answer(OFF) == 0
    host.run(0.1)
    assert host.trip() == 0


# An input that opens switches off at once; the lease that ends later changes nothing about the cause.
def test_the_first_cause_stands(host: Host) -> None:
    host.answer(NO_LIMITS)
    lease(host, 100)
    host.open(Input.STOP_CIRCUIT)
    host.run(0.2)
    assert host.trip() == 4


# "Ticks … wrap": a lease that begins before and ends behind the wrap (0.4 s after boot) is as long as any other.
def test_a_lease_over_the_wrap_of_the_ticks(wrapping: Host) -> None:
    host = wrapping
    host.answer(NO_LIMITS)
    earliest, latest = lease(host, 500)
    assert earliest <= host.until_off(1.0) <= latest
    assert host.trip() == 1
    assert host.answer(Clear()) == 0
    earliest, latest = lease(host, 50)
    assert earliest <= host.until_off(0.2) <= latest


# … and so is one that was renewed behind it.
def test_a_lease_renewed_over_the_wrap(wrapping: Host) -> None:
    host = wrapping
    host.answer(NO_LIMITS)
    for _ in range(10):
        earliest, latest = lease(host, 100)
        host.run(0.06)
        assert host.power
    assert earliest <= host.until_off(0.2) <= latest


# A DRIVE with a valve and a lease: moving the valve is a DRIVE like any other, and renews.
def test_moving_the_valve_renews_it(host: Host) -> None:
    host.answer(NO_LIMITS)
    lease(host, 100)
    host.run(0.07)
    assert host.answer(Drive(True, 0, 4_000, 100)) == 0
    earliest = host.asked + 100_000
    assert host.until_off(0.3) >= earliest
