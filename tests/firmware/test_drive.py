"""DRIVE (section 5): what is refused, in which order, and that switching off never is."""

from dataclasses import replace

import pytest

from drivers.block import Feature, Input
from drivers.link.frames import Clear, Drive, ReplyCode
from tests.firmware.host import NO_LIMITS, OFF, ON, Host, wire

UNFITTED = replace(ON, supply_mv=13_500)
"""Asks for what these devices have not: a supply that can be set."""
NONSENSE = {
    "a valve beyond its end": replace(ON, valve=10_001),
    "a valve one short of leaving it": replace(ON, valve=65_534),
    "a lease above 2 000 ms": replace(ON, lease_ms=2_001),
    "the longest lease that fits the field": replace(ON, lease_ms=65_535),
}


def ready(host: Host) -> Host:
    """The host, once its device has limits."""
    assert host.answer(NO_LIMITS) == ReplyCode.DONE
    return host


def tripped(host: Host) -> Host:
    """The host, once its device has limits and a trip, whose cause is gone."""
    assert ready(host).answer(replace(ON, lease_ms=20)) == ReplyCode.DONE
    host.until_off(0.1)
    return host


# "Reasons to refuse are looked for in this order: 2, 4, 3, 6, 7." Whatever holds besides, the first is named.
@pytest.mark.parametrize("bad", list(NONSENSE.values()), ids=list(NONSENSE))
def test_2_comes_before_all_others(host: Host, bad: Drive) -> None:
    bad_and_unfitted = replace(bad, supply_mv=13_500)
    assert host.answer(bad) == 2  # and 6
    assert host.answer(bad_and_unfitted) == 2  # and 4
    host.open(Input.STOP_CIRCUIT)
    host.run(0.01)
    assert host.answer(bad) == 2  # and 7
    host.shut(Input.STOP_CIRCUIT)
    tripped(host)
    assert host.answer(bad) == 2  # and 3
    assert host.answer(Clear()) == 0
    assert host.answer(bad) == 2
    assert not host.power


def test_4_comes_before_3_6_and_7(host: Host) -> None:
    assert host.identity.features & Feature.POWER_SWITCH
    assert not host.identity.features & Feature.SETTABLE_SUPPLY
    assert host.answer(UNFITTED) == 4  # and 6
    ready(host)
    host.open(Input.SPLASH_GUARD)
    host.run(0.01)
    assert host.answer(UNFITTED) == 4  # and 7
    host.shut(Input.SPLASH_GUARD)
    tripped(host)
    assert host.answer(UNFITTED) == 4  # and 3


def test_3_comes_before_7(host: Host) -> None:
    tripped(host)
    assert host.answer(ON) == 3
    host.open(Input.FLUID_LEVEL)
    host.run(0.01)
    assert host.answer(ON) == 3  # and 7
    assert not host.power


def test_6_comes_before_7(host: Host) -> None:
    assert host.answer(ON) == 6
    host.open(Input.STOP_CIRCUIT)
    host.run(0.01)
    assert host.answer(ON) == 6  # and 7
    assert ready(host).answer(ON) == 7
    assert not host.power


# "Power is refused with 7 while a fitted input is open whose opening would trip (4 to 6)."
@pytest.mark.parametrize("which", [Input.STOP_CIRCUIT, Input.SPLASH_GUARD, Input.FLUID_LEVEL])
def test_each_open_input_refuses_power(host: Host, which: Input) -> None:
    ready(host).open(which)
    host.run(0.01)
    assert host.answer(ON) == 7
    assert not host.power
    host.shut(which)
    host.run(0.01)
    assert host.answer(ON) == 0
    assert host.power


# The ends of the ranges are in them: "0 shut to 10 000 open", "at most 2 000".
def test_the_ends_of_the_ranges_are_good(host: Host) -> None:
    ready(host)
    for drive in (replace(ON, valve=0), replace(ON, valve=10_000), replace(ON, lease_ms=2_000), ON):
        assert host.answer(drive) == 0
        assert host.power


# "A DRIVE that is refused changes nothing and renews no lease."
@pytest.mark.parametrize(
    ("refused", "code"),
    [
        (Drive(True, 0, 10_001, 2000), 2),
        (Drive(True, 0, 2_500, 2001), 2),
        (Drive(True, 13_500, 2_500, 2000), 4),
    ],
)
def test_a_refused_drive_changes_nothing_and_renews_nothing(host: Host, refused: Drive, code: int) -> None:
    assert ready(host).answer(Drive(True, 0, 7_500, 100)) == 0
    earliest, latest = host.asked + 100_000, host.answered + 100_000 + host.span_us
    host.run(0.04)
    assert host.answer(refused) == code
    assert host.power
    assert earliest <= host.until_off(0.2) <= latest
    status = host.status()
    assert (status.trip, status.valve) == (1, 7_500)
    assert host.valve == pytest.approx(7_500, abs=15)


# … nor does one that is refused while power is off.
def test_a_refused_drive_leaves_the_valve_and_the_power_alone(host: Host) -> None:
    assert host.answer(replace(OFF, valve=7_500)) == 0
    assert host.answer(replace(ON, valve=1_000)) == 6
    host.open(Input.STOP_CIRCUIT)
    assert ready(host).answer(replace(ON, valve=1_000)) == 7
    assert host.status().valve == 7_500
    assert not host.power


SWITCHING_OFF = {
    "power 0": OFF,
    "lease 0": replace(ON, lease_ms=0),
    "power 0, a lease that is too long": replace(OFF, lease_ms=9_999),
    "power 0, a valve beyond its end": replace(OFF, valve=30_000),
    "lease 0, a supply that is not there": replace(UNFITTED, lease_ms=0),
    "nonsense in every other field": Drive(False, 60_000, 12_345, 65_535),
    "lease 0 and nonsense": Drive(True, 60_000, 12_345, 0),
}


# "Where power or lease_ms is 0, the device first of all switches power off, whatever else the frame holds. That is
# never refused: it is answered 0". It is no trip.
@pytest.mark.parametrize("off", list(SWITCHING_OFF.values()), ids=list(SWITCHING_OFF))
def test_switching_off_is_never_refused(host: Host, off: Drive) -> None:
    assert ready(host).answer(ON) == 0
    assert host.power
    assert host.answer(off) == 0
    assert not host.power
    assert host.asked <= host.fell <= host.answered
    assert host.trip() == 0


# "Never": not without limits, not with a trip, not with an input open.
def test_switching_off_is_never_refused_in_any_state(host: Host) -> None:
    assert host.answer(OFF) == 0
    host.open(Input.STOP_CIRCUIT)
    assert host.answer(OFF) == 0
    host.shut(Input.STOP_CIRCUIT)
    assert tripped(host).answer(OFF) == 0
    assert host.trip() == 1  # and it clears nothing
    assert host.answer(ON) == 3


# "power: 1 on, 0 off": anything else is "a value out of its range", which switches nothing on and renews nothing.
@pytest.mark.parametrize("power", [2, 255])
def test_a_power_that_is_neither_on_nor_off(host: Host, power: int) -> None:
    def ask(lease_ms: int) -> int:
        host.write(wire(bytes((0x43, host.seq, power, 0, 0, 0xFF, 0xFF)) + lease_ms.to_bytes(2, "little")))
        host.seq += 1
        return host.reply_to(host.seq - 1)

    assert ready(host).answer(replace(ON, lease_ms=80)) == 0
    latest = host.answered + 80_000 + host.span_us
    assert ask(2000) == 2
    assert host.until_off(0.2) <= latest
    assert host.answer(Clear()) == 0
    assert ask(2000) == 2
    assert not host.power
    assert host.answer(ON) == 0
    assert ask(0) == 0  # "Where power or lease_ms is 0": off, whatever else it holds
    assert not host.power
    assert host.status().rx_bad == 0


# … by a frame of another seq with the very same body too: the second one is no repeat.
def test_off_and_on_and_off(host: Host) -> None:
    ready(host)
    for _ in range(3):
        assert host.answer(ON) == 0
        assert host.power
        assert host.answer(OFF) == 0
        assert not host.power


# "… and what else the frame asks for is done where it can be": the valve can be moved, the supply cannot be set, and
# 9 999 ms are no lease that anybody would keep.
@pytest.mark.parametrize(
    "off",
    [
        Drive(False, 0, 2_500, 0),
        Drive(True, 0, 2_500, 0),
        Drive(False, 13_500, 2_500, 0),
        Drive(False, 60_000, 2_500, 9_999),
    ],
)
def test_switching_off_moves_the_valve_where_it_can(host: Host, off: Drive) -> None:
    assert ready(host).answer(Drive(True, 0, 7_500, 2000)) == 0
    assert host.answer(off) == 0
    assert not host.power
    assert host.status().valve == 2_500
    assert host.valve == pytest.approx(2_500, abs=15)


# "The valve may be moved with power off": before any limits, and while a trip stands.
def test_the_valve_moves_without_power(host: Host) -> None:
    assert host.answer(replace(OFF, valve=0)) == 0
    assert host.status().valve == 0
    assert tripped(host).answer(replace(OFF, valve=10_000)) == 0
    assert host.status().valve == 10_000
    assert host.valve == pytest.approx(10_000, abs=15)
    assert not host.power


# "When power goes off, for whatever reason, the valve stays where it is": by command, by lease, by trip.
@pytest.mark.parametrize("why", ["command", "lease", "trip"])
def test_the_valve_stays_where_power_left_it(host: Host, why: str) -> None:
    assert ready(host).answer(Drive(True, 0, 6_000, 60 if why == "lease" else 2000)) == 0
    if why == "trip":
        host.open(Input.STOP_CIRCUIT)
    if why == "command":
        assert host.answer(OFF) == 0
    host.until_off(0.1)
    assert host.status().valve == 6_000
    assert host.valve == pytest.approx(6_000, abs=15)


# "65 535 leaves it"
def test_the_valve_is_left_where_it_is(host: Host) -> None:
    assert ready(host).answer(Drive(True, 0, 6_000, 2000)) == 0
    assert host.answer(ON) == 0
    assert host.answer(OFF) == 0
    assert host.status().valve == 6_000


# Section 2: a repeat is dropped, so it does not renew a lease either.
def test_a_repeated_drive_renews_nothing(host: Host) -> None:
    ready(host)
    seq, began = host.seq, host.us
    drive = wire(bytes((0x43, seq)) + b"\x01\x00\x00\xff\xff\x64\x00")  # on, as it is, as it is, 100 ms
    host.write(drive)
    assert host.reply_to(seq) == 0
    latest = host.answered + 100_000 + host.span_us
    host.run(0.05)
    host.write(drive)
    assert began + 100_000 <= host.until_off(0.2) <= latest
    host.seq += 1
    assert host.trip() == 1
