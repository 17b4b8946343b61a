"""LIMITS (section 5): the median of three, above and below, infinity, several entries, and which are in force."""

import struct
from math import inf, nan

import pytest

from drivers.block import Role, Trip
from drivers.device import LimitEntry
from drivers.link.codec import limits_crc
from drivers.link.frames import Limits, Scans, Stream
from tests.firmware.host import NO_LIMITS, OFF, ON, Host, wire

LOW, HIGH, LIMIT = 1.0, 3.0, 2.0
"""Volts on either side of a limit, far from it for any converter."""
IN_TIME = 10_000
"""µs: "within 10 ms of the third of them"."""


def limit(host: Host, role: int, above: float = inf, below: float = -inf) -> None:
    """Puts one limit in force."""
    assert host.answer(Limits(0, 0, (LimitEntry(host.channel(role), above, below),))) == 0


def power(host: Host) -> None:
    """Power is on, and three scans have been taken since."""
    assert host.answer(ON) == 0
    host.run(0.012)
    assert host.power


def feed(host: Host, role: int, levels: str) -> int | None:
    """One level a scan, `-` low and `^` high, then low ones; the number of the scan (0 the first) whose span was the
    last to be seen before power went off, None if it is on still 20 ms later."""
    began = host.us
    for level in levels:
        host.set(role, HIGH if level == "^" else LOW)
        host.scan()
    host.set(role, LOW)
    host.run(0.02)
    if host.power:
        return None
    assert host.fell >= began
    return int((host.fell - began - 1) // host.span_us)


# "The device takes the median of each three scans; if that is above `above` …, the limit is passed."
# The median of three is high where two of them are; a single one never is, however often it comes back.
@pytest.mark.parametrize(
    "levels",
    [
        "^",  # one spike
        "--^--^--^--^--",  # never two in any three
        "^--^--^--^",
    ],
)
def test_one_scan_out_of_three_passes_no_limit(host: Host, levels: str) -> None:
    limit(host, Role.PRESSURE, above=LIMIT)
    power(host)
    assert feed(host, Role.PRESSURE, levels) is None
    assert host.trip() == Trip.NONE


# Two of three do, at the scan that makes it two: "within 10 ms of the third of them". By hand: in `-^^` scans 0 to 2
# have the median ^ at scan 2; in `-^-^` it is scans 1 to 3; in `^--^-^` scans 3 to 5.
@pytest.mark.parametrize(
    ("levels", "third"),
    [("-^^^^^^^^", 2), ("-^-^----", 3), ("--^-^---", 4), ("^--^-^--", 5), ("--^--^^-", 6)],
)
def test_two_scans_out_of_three_pass_it_at_the_third(host: Host, levels: str, third: int) -> None:
    limit(host, Role.PRESSURE, above=LIMIT)
    power(host)
    scan = feed(host, Role.PRESSURE, levels)
    assert scan is not None
    assert third <= scan <= third + IN_TIME // host.span_us
    assert host.trip() == Trip.OVER_PRESSURE


# "… or below `below`"
@pytest.mark.parametrize(("levels", "trips"), [("^^^^--^^", True), ("^^^^-^^-^^-", False), ("^^^^-^-^^", True)])
def test_a_limit_below_is_watched_by_the_same_median(host: Host, levels: str, *, trips: bool) -> None:
    host.set(Role.LEVEL, HIGH)
    limit(host, Role.LEVEL, below=LIMIT)
    power(host)
    for level in levels:
        host.set(Role.LEVEL, HIGH if level == "^" else LOW)
        host.scan()
    host.set(Role.LEVEL, HIGH)
    host.run(0.02)
    assert host.power is not trips
    assert host.trip() == (Trip.OTHER_LIMIT if trips else Trip.NONE)


def exact_volts(host: Host, role: int) -> tuple[float, float]:
    """The volts of a level as the device counts it, and those of a count: read back from its scans."""
    assert host.answer(Stream(True)) == 0
    host.run(0.1)
    assert host.answer(Stream(False)) == 0
    k, n = host.channel(role), len(host.identity.analog)
    counts = struct.unpack(f"<{host.of(Scans)[-1].n * n}h", host.of(Scans)[-1].counts)[k::n]
    assert len(set(counts)) == 1
    a = host.identity.analog[k]
    return (counts[0] - a.zero_count) * a.volts_per_count, a.volts_per_count


# "above `above`", "below `below`": the limit itself is neither. Volts are (count − zero_count) × volts_per_count, so a
# channel with a zero of its own is watched by its volts, not by its counts.
@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT])
def test_a_level_at_its_limit_passes_nothing_and_one_count_beyond_does(host: Host, role: int) -> None:
    host.set(role, 2.345)
    volts, count = exact_volts(host, role)
    k = host.channel(role)
    assert host.answer(Limits(0, 0, (LimitEntry(k, volts, volts),))) == 0
    power(host)
    host.run(0.05)
    assert host.power
    trip = Trip.OVER_PRESSURE if role == Role.PRESSURE else Trip.OVER_CURRENT
    for above, below in ((volts - count, -inf), (inf, volts + count)):
        assert host.answer(NO_LIMITS) == 0
        power(host)
        assert host.answer(Limits(0, 0, (LimitEntry(k, above, below),))) == 0
        host.run(0.02)
        assert not host.power
        assert host.trip() == trip
        host.write(wire(bytes((0x46, host.seq))))
        assert host.reply_to(host.seq) == 3  # the level stands there still
        host.seq += 1
        assert host.answer(NO_LIMITS) == 0
        host.write(wire(bytes((0x46, host.seq))))
        assert host.reply_to(host.seq) == 0  # with the limit gone, so is the cause
        host.seq += 1


# "plus infinity for none", "minus infinity for none": nothing is beyond them, at either end of the converter.
def test_infinity_is_no_limit(host: Host) -> None:
    entries = tuple(LimitEntry(k, inf, -inf) for k in range(len(host.volts)))
    assert host.answer(Limits(0, 0, entries)) == 0
    power(host)
    for level in (6.0, -6.0):
        host.volts = [level] * len(host.volts)
        host.run(0.03)
        assert host.power
    host.volts = [LOW] * len(host.volts)


# … the other infinities are limits like any other, which every level passes: above −∞, below +∞.
@pytest.mark.parametrize(("above", "below"), [(-inf, -inf), (inf, inf)])
def test_the_other_infinity_is_passed_by_every_level(host: Host, above: float, below: float) -> None:
    limit(host, Role.LEVEL, above, below)
    assert host.answer(ON) == 0
    host.run(0.02)
    assert not host.power
    assert host.trip() == Trip.OTHER_LIMIT


# A limit that is no number is none that anybody could watch: "a value out of its range".
@pytest.mark.parametrize(("above", "below"), [(nan, -inf), (inf, nan)])
def test_a_limit_that_is_no_number_is_refused(host: Host, above: float, below: float) -> None:
    host.write(wire(bytes((0x44, 0)) + struct.pack("<HHBBff", 0, 0, 1, 0, above, below)))
    host.seq = 1
    assert host.reply_to(0) == 2
    assert host.answer(ON) == 6
    assert host.status().rx_bad == 0  # its length is what its own count gives


# "If several entries name a channel, all hold", in whatever order.
@pytest.mark.parametrize("first", [True, False])
def test_all_entries_of_a_channel_hold(host: Host, *, first: bool) -> None:
    k = host.channel(Role.PRESSURE)
    strict, wide = LimitEntry(k, LIMIT, -inf), LimitEntry(k, 4.5, 0.1)
    assert host.answer(Limits(0, 0, (strict, wide) if first else (wide, strict))) == 0
    power(host)
    assert feed(host, Role.PRESSURE, "^^^") is not None
    assert host.trip() == Trip.OVER_PRESSURE


# … those below too, in whichever entry they stand.
@pytest.mark.parametrize("first", [True, False])
def test_a_limit_below_holds_in_any_entry(host: Host, *, first: bool) -> None:
    level = LimitEntry(host.channel(Role.LEVEL), inf, LOW - 0.5)
    pressure = LimitEntry(host.channel(Role.PRESSURE), 4.5, 0.1)
    assert host.answer(Limits(0, 0, (level, pressure) if first else (pressure, level))) == 0
    power(host)
    host.set(Role.LEVEL, LOW - 0.7)
    host.run(0.02)
    assert not host.power
    assert host.trip() == Trip.OTHER_LIMIT
    host.set(Role.LEVEL, LOW)


# … and the longest frame carries 26 of them: 5 bytes and 26 × 9 are 239, one more would be above 246.
def test_the_last_of_as_many_entries_as_a_frame_holds(host: Host) -> None:
    level, pressure = host.channel(Role.LEVEL), host.channel(Role.PRESSURE)
    entries = (*[LimitEntry(level, 4.9, 0.01)] * 25, LimitEntry(pressure, LIMIT, -inf))
    assert host.answer(Limits(0, 0, entries)) == 0
    power(host)
    assert feed(host, Role.PRESSURE, "^^^") is not None
    assert host.trip() == Trip.OVER_PRESSURE


# "a new LIMITS replaces all of the old ones", at once.
def test_new_limits_replace_all_of_the_old(host: Host) -> None:
    limit(host, Role.PRESSURE, above=LIMIT)
    limit(host, Role.LEVEL, above=LIMIT)
    power(host)
    assert feed(host, Role.PRESSURE, "^^^^") is None
    assert host.answer(NO_LIMITS) == 0
    assert feed(host, Role.LEVEL, "^^^^") is None
    status = host.status()
    assert status.limits_set  # "0 if there are none": LIMITS without an entry are limits
    assert status.limits_crc == limits_crc(NO_LIMITS)
    limit(host, Role.LEVEL, above=LIMIT)
    assert feed(host, Role.LEVEL, "^^^^") is not None


# A LIMITS that is refused replaces nothing: channel 8 cannot be there ("analog channels, 0 to 8").
@pytest.mark.parametrize("content", [struct.pack("<HHBBff", 0, 0, 1, 8, 1.0, 0.0), b"\x00\x00\x00\x00\x01"])
def test_refused_limits_leave_the_old_in_force(host: Host, content: bytes) -> None:
    limit(host, Role.PRESSURE, above=LIMIT)
    crc = host.status().limits_crc
    host.write(wire(bytes((0x44, host.seq)) + content))
    assert host.reply_to(host.seq) == 2
    host.seq += 1
    assert host.status().limits_crc == crc
    power(host)
    assert feed(host, Role.PRESSURE, "^^^") is not None


# … not even the entries before the bad one.
def test_limits_are_taken_whole_or_not_at_all(host: Host) -> None:
    entries = struct.pack("<BffBff", host.channel(Role.PRESSURE), 0.5, -inf, 200, 1.0, 0.0)
    assert host.answer(NO_LIMITS) == 0
    host.write(wire(bytes((0x44, host.seq, 0, 0, 0, 0, 2)) + entries))
    assert host.reply_to(host.seq) == 2
    host.seq += 1
    power(host)
    host.run(0.03)
    assert host.power


# "Trips happen only while power is on": a level beyond its limit refuses no power, and switches off right after it.
def test_a_limit_passed_beforehand_trips_once_power_is_on(host: Host) -> None:
    limit(host, Role.PRESSURE, above=LIMIT)
    host.set(Role.PRESSURE, HIGH)
    host.run(0.1)
    assert host.trip() == Trip.NONE
    assert host.answer(ON) == 0
    latest = host.answered + 3 * host.span_us + IN_TIME
    assert host.until_off(0.1) <= latest
    assert host.trip() == Trip.OVER_PRESSURE
    assert host.answer(OFF) == 0
