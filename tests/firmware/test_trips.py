"""Trips (sections 4 and 5): every cause that can be provoked, blanking and the longest time, and how a trip ends."""

from dataclasses import replace
from math import inf

import pytest

from drivers.block import Input, Role, Trip
from drivers.device import LimitEntry
from drivers.link.frames import Clear, Limits, Stream
from tests.firmware.host import NO_LIMITS, OFF, ON, Host

LOW, HIGH, LIMIT = 1.0, 3.0, 2.0
"""Volts on either side of a limit, far from it for any converter."""
IN_TIME = 10_000
"""µs: a limit trips "within 10 ms of the third" scan; the page gives no time for an input, and none may be slower."""
BY_ROLE = {
    Role.PRESSURE: Trip.OVER_PRESSURE,
    Role.SECOND_PRESSURE: Trip.OVER_PRESSURE,
    Role.SHUNT: Trip.OVER_CURRENT,
    Role.SHUNT_WIDE: Trip.OVER_CURRENT,
}
"""The rest is 9, another limit."""
INPUTS = [
    (Input.STOP_CIRCUIT, Trip.STOP_CIRCUIT),
    (Input.SPLASH_GUARD, Trip.SPLASH_GUARD),
    (Input.FLUID_LEVEL, Trip.FLUID_LOW),
]


def above(host: Host, role: int, blank_ms: int = 0, max_on_s: int = 0) -> Limits:
    return Limits(blank_ms, max_on_s, (LimitEntry(host.channel(role), LIMIT, -inf),))


# "with trip 2 for a pressure, 3 for a shunt, 9 for any other channel"
def test_each_channel_trips_with_its_cause(host: Host) -> None:
    for k, a in enumerate(host.identity.analog):
        assert host.answer(Limits(0, 0, (LimitEntry(k, LIMIT, -inf),))) == 0
        assert host.answer(ON) == 0
        host.run(0.02)
        assert host.power
        host.volts[k] = HIGH
        began = host.us
        assert host.until_off(0.1) <= began + 3 * host.span_us + IN_TIME
        assert host.trip() == BY_ROLE.get(Role(a.role), Trip.OTHER_LIMIT)
        host.volts[k] = LOW
        host.run(0.01)
        assert host.answer(Clear()) == 0


# "limits on a shunt (roles 3 and 9) are not watched for so long after power-on, because of the inrush"
@pytest.mark.parametrize("role", [Role.SHUNT, Role.SHUNT_WIDE])
def test_a_shunt_is_not_watched_during_the_inrush(host: Host, role: int) -> None:
    assert host.answer(above(host, role, blank_ms=80)) == 0
    host.set(role, HIGH)
    assert host.answer(ON) == 0
    # the earliest is the end of the 80 ms; three scans behind it may be needed, and 10 ms from there
    earliest, latest = host.asked + 80_000, host.answered + 80_000 + 3 * host.span_us + IN_TIME
    assert earliest <= host.until_off(0.3) <= latest
    assert host.trip() == Trip.OVER_CURRENT


# … an inrush that is over by then trips nothing,
def test_an_inrush_within_the_blank_time_trips_nothing(host: Host) -> None:
    assert host.answer(above(host, Role.SHUNT, blank_ms=80)) == 0
    host.set(Role.SHUNT, HIGH)
    assert host.answer(ON) == 0
    host.run(0.06)
    host.set(Role.SHUNT, LOW)
    host.run(0.1)
    assert host.power


# … and every other channel is watched from the start.
@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.FLUID_TEMPERATURE, Role.LEVEL])
def test_only_shunts_are_blanked(host: Host, role: int) -> None:
    assert host.answer(above(host, role, blank_ms=1000)) == 0
    host.set(role, HIGH)
    assert host.answer(ON) == 0
    assert host.until_off(0.1) <= host.answered + 3 * host.span_us + IN_TIME
    assert host.trip() == BY_ROLE.get(role, Trip.OTHER_LIMIT)


# "after power-on": a renewed lease is no power-on, and neither are new limits.
def test_neither_a_renewal_nor_new_limits_blank_anew(host: Host) -> None:
    limits = above(host, Role.SHUNT, blank_ms=100)
    assert host.answer(limits) == 0
    assert host.answer(ON) == 0
    host.run(0.12)
    assert host.answer(ON) == 0
    assert host.answer(replace(limits, max_on_s=9)) == 0
    host.set(Role.SHUNT, HIGH)
    began = host.us
    assert host.until_off(0.1) <= began + 3 * host.span_us + IN_TIME
    assert host.trip() == Trip.OVER_CURRENT


# … but each new one blanks.
def test_every_power_on_blanks_anew(host: Host) -> None:
    assert host.answer(above(host, Role.SHUNT, blank_ms=60)) == 0
    for _ in range(2):
        assert host.answer(ON) == 0
        host.run(0.1)
        assert host.answer(OFF) == 0
        host.run(0.02)
        host.set(Role.SHUNT, HIGH)
        assert host.answer(ON) == 0
        host.run(0.04)
        assert host.power
        host.set(Role.SHUNT, LOW)
        host.run(0.05)
        assert host.power
        assert host.answer(OFF) == 0


# "power is cut, with trip 7, after so many seconds" — however often the lease is renewed.
def test_power_is_cut_after_the_longest_time(host: Host) -> None:
    assert host.answer(Limits(0, 1, ())) == 0
    assert host.answer(ON) == 0
    earliest, latest = host.asked + 1_000_000, host.answered + 1_000_000 + host.span_us
    host.keep_on(1.2)
    assert not host.power
    assert earliest <= host.fell <= latest
    assert host.trip() == Trip.POWER_TOO_LONG
    assert host.answer(Clear()) == 0  # power is off, so it is on for too long no more


# … each time that it is on counts by itself, and "0 never" cuts.
def test_the_longest_time_begins_with_every_power_on(host: Host) -> None:
    assert host.answer(Limits(0, 1, ())) == 0
    for _ in range(2):
        host.keep_on(0.6)
        assert host.power
        assert host.answer(OFF) == 0
    assert host.answer(NO_LIMITS) == 0
    host.keep_on(1.2)
    assert host.power


# Opening an input that is fitted trips with its cause (4 to 6). "Clears a trip whose cause is gone; answered 3 while it
# is not. Power stays off until the next DRIVE."
@pytest.mark.parametrize(("which", "trip"), INPUTS)
def test_an_input_that_opens_trips(host: Host, which: Input, trip: Trip) -> None:
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    host.run(0.02)
    host.open(which)
    began = host.us
    assert host.until_off(0.1) <= began + host.span_us + IN_TIME
    assert host.trip() == trip
    assert host.answer(Clear()) == 3
    assert host.answer(ON) == 3
    host.shut(which)
    host.run(0.01)
    assert host.answer(ON) == 3  # the cause is gone, the trip is not
    assert host.answer(Clear()) == 0
    host.run(0.05)
    assert not host.power
    assert host.trip() == Trip.NONE
    assert host.answer(ON) == 0
    assert host.power


# The same for a limit: as long as the level is beyond it, the cause is there.
@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT, Role.LEVEL])
def test_a_limit_is_cleared_only_when_the_level_is_back(host: Host, role: int) -> None:
    assert host.answer(above(host, role)) == 0
    assert host.answer(ON) == 0
    host.set(role, HIGH)
    host.until_off(0.1)
    assert host.answer(Clear()) == 3
    assert host.answer(OFF) == 0
    assert host.answer(Clear()) == 3
    host.set(role, LOW)
    host.run(0.02)
    assert host.answer(Clear()) == 0
    assert not host.power
    assert host.answer(ON) == 0
    assert host.power


# … and its own cause, not the first that could be named: here the level tripped, and the pressure came later.
@pytest.mark.parametrize("pressure_first", [True, False])
def test_another_limit_that_is_passed_too_clears_nothing(host: Host, *, pressure_first: bool) -> None:
    entries = [LimitEntry(host.channel(role), LIMIT, -inf) for role in (Role.PRESSURE, Role.LEVEL)]
    assert host.answer(Limits(0, 0, tuple(entries if pressure_first else reversed(entries)))) == 0
    assert host.answer(ON) == 0
    host.set(Role.LEVEL, HIGH)
    host.until_off(0.1)
    host.set(Role.PRESSURE, HIGH)
    host.run(0.02)
    assert host.trip() == Trip.OTHER_LIMIT
    assert host.answer(Clear()) == 3
    host.set(Role.LEVEL, LOW)
    host.run(0.02)
    assert host.answer(Clear()) == 0
    host.set(Role.PRESSURE, LOW)


# A blank time is one "after power-on": with power off it excuses nothing.
def test_a_shunt_that_shows_current_without_power_cannot_be_cleared(host: Host) -> None:
    assert host.answer(above(host, Role.SHUNT, blank_ms=40)) == 0
    host.set(Role.SHUNT, HIGH)
    assert host.answer(ON) == 0
    host.until_off(0.2)
    assert host.answer(Clear()) == 3
    host.set(Role.SHUNT, LOW)
    host.run(0.02)
    assert host.answer(Clear()) == 0


# "why the device switched the pump off": the first cause stands, whatever comes later with power off.
def test_the_first_cause_stands(host: Host) -> None:
    assert host.answer(above(host, Role.PRESSURE)) == 0
    assert host.answer(ON) == 0
    host.set(Role.PRESSURE, HIGH)
    host.until_off(0.1)
    host.open(Input.STOP_CIRCUIT)
    host.run(0.05)
    assert host.trip() == Trip.OVER_PRESSURE
    host.set(Role.PRESSURE, LOW)
    host.run(0.02)
    assert host.answer(Clear()) == 0  # its own cause is gone
    assert host.trip() == Trip.NONE
    assert host.answer(ON) == 7


# "Trips happen only while power is on."
def test_nothing_trips_without_power(host: Host) -> None:
    entries = tuple(LimitEntry(k, LIMIT, -inf) for k in range(len(host.volts)))
    assert host.answer(Limits(0, 1, entries)) == 0
    host.volts = [HIGH] * len(host.volts)
    host.inputs = Input(0)
    host.run(0.1)
    assert host.trip() == Trip.NONE
    host.volts = [LOW] * len(host.volts)


# A stream takes the line, not the watch.
def test_a_stream_does_not_keep_a_trip_from_coming(host: Host) -> None:
    assert host.answer(Stream(True)) == 0
    assert host.answer(above(host, Role.PRESSURE)) == 0
    assert host.answer(ON) == 0
    host.run(0.1)
    host.set(Role.PRESSURE, HIGH)
    began = host.us
    assert host.until_off(0.1) <= began + 3 * host.span_us + IN_TIME


# Ticks wrap 0.4 s after boot: neither the blank time nor the longest time minds.
def test_blank_and_longest_time_over_the_wrap_of_the_ticks(wrapping: Host) -> None:
    host = wrapping
    host.run(0.25)
    assert host.answer(above(host, Role.SHUNT, blank_ms=250, max_on_s=1)) == 0
    assert host.answer(ON) == 0
    asked, answered = host.asked, host.answered
    host.set(Role.SHUNT, HIGH)
    host.run(0.2)
    assert host.power
    host.set(Role.SHUNT, LOW)
    host.keep_on(1.0)
    assert not host.power
    assert asked + 1_000_000 <= host.fell <= answered + 1_000_000 + host.span_us
    assert host.trip() == Trip.POWER_TOO_LONG
