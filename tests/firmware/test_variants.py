"""Devices that are built otherwise (sections 4 and 5): what is not fitted, inverting amplifiers, other channels."""

from collections.abc import Callable
from dataclasses import replace
from math import inf

import pytest

from drivers.block import Feature, Input, Role, Trip
from drivers.device import LimitEntry
from drivers.link.frames import Clear, Drive, Limits, Scans, Stream
from tests.firmware.host import NO_LIMITS, OFF, ON, Host
from tests.firmware.variant import LINES, Line, Variant

Build = Callable[[Variant], Host]
SWITCH, VALVE = Feature.POWER_SWITCH, Feature.VALVE_ACTUATOR


# "Where no power switch is fitted, LIMITS is answered 4"; a DRIVE that asks for power asks for what is not there. But
# switching off "is never refused: it is answered 0".
def test_without_a_power_switch(build: Build) -> None:
    host = build(Variant(features=VALVE))
    assert host.identity.features & SWITCH == 0
    assert host.answer(NO_LIMITS) == 4
    assert host.answer(ON) == 4
    assert host.answer(replace(ON, valve=20_000)) == 2
    assert host.answer(OFF) == 0
    assert host.answer(replace(ON, lease_ms=0, valve=5_000)) == 0
    status = host.status()
    assert (status.limits_set, status.limits_crc, status.power_on, status.valve) == (False, 0, False, 5_000)
    assert not host.power


# Without an actuator a valve cannot be moved: 4 with power, left out where power goes off.
def test_without_a_valve_actuator(build: Build) -> None:
    host = build(Variant(features=SWITCH))
    assert host.answer(replace(ON, valve=5_000)) == 4  # and 6
    assert host.answer(replace(ON, valve=10_001)) == 2
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    assert host.power
    assert host.answer(replace(OFF, valve=5_000)) == 0
    assert not host.power
    assert host.valve is None
    assert host.status().valve == 65_535  # neither sensed nor commanded


# "what is not fitted reads 0"; power is refused, and trips come, by "a fitted input" only.
def test_an_input_that_is_not_fitted(build: Build) -> None:
    host = build(Variant(inputs=Input.STOP_CIRCUIT))
    assert host.identity.inputs_fitted == Input.STOP_CIRCUIT
    assert host.status().inputs == Input.STOP_CIRCUIT  # though the pins of the others say closed
    host.open(Input.SPLASH_GUARD | Input.FLUID_LEVEL)
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    host.run(0.1)
    assert host.power
    assert host.trip() == Trip.NONE
    host.open(Input.STOP_CIRCUIT)
    host.until_off(0.05)
    assert host.trip() == Trip.STOP_CIRCUIT


def test_no_input_at_all(build: Build) -> None:
    host = build(Variant(inputs=Input(0)))
    host.inputs = Input(0)
    assert host.answer(NO_LIMITS) == 0
    assert host.answer(ON) == 0
    host.run(0.1)
    assert host.power
    assert host.status().inputs == 0


INVERTING = (Line(Role.SHUNT, 3000, -5 / 4096), Line(Role.PRESSURE))
"""An inverting amplifier with its zero at 3000: +2 V are 3000 − 1638 counts, −1 V are 3000 + 819."""


# "Volts at the converter are (count − zero_count) × volts_per_count"; "negative behind an inverting amplifier": a limit
# above is passed by falling counts.
@pytest.mark.parametrize(
    ("volts", "entry", "trip"),
    [
        (1.0, LimitEntry(0, 1.5, -0.5), Trip.NONE),
        (2.0, LimitEntry(0, 1.5, -0.5), Trip.OVER_CURRENT),
        (-0.9, LimitEntry(0, 1.5, -0.5), Trip.OVER_CURRENT),
        (2.0, LimitEntry(0, inf, -0.5), Trip.NONE),
        (-0.9, LimitEntry(0, 1.5, -inf), Trip.NONE),
        (2.0, LimitEntry(1, 1.5, -0.5), Trip.NONE),  # the other channel stands at 1 V
    ],
)
def test_an_inverting_amplifier(build: Build, volts: float, entry: LimitEntry, trip: Trip) -> None:
    host = build(Variant(lines=INVERTING))
    host.volts[0] = volts
    assert host.answer(Limits(0, 0, (entry,))) == 0
    assert host.answer(ON) == 0
    host.run(0.03)
    assert host.trip() == trip
    assert host.power == (trip == Trip.NONE)


# "the difference needs more than 16 bits": zero at −30 000 and a count of 4095 differ by 34 095, which as an i16 would
# be negative. With 100 µV a count that is 3.41 V.
def test_a_difference_of_more_than_16_bits(build: Build) -> None:
    host = build(Variant(lines=(Line(Role.PRESSURE, -30_000, 1e-4),)))
    host.volts[0] = 3.4
    assert host.answer(Limits(0, 0, (LimitEntry(0, 3.405, 3.3),))) == 0
    assert host.answer(ON) == 0
    host.run(0.03)
    assert host.power
    assert host.answer(Limits(0, 0, (LimitEntry(0, 3.395, -inf),))) == 0
    host.run(0.03)
    assert not host.power
    assert host.trip() == Trip.OVER_PRESSURE


# "an end of its converter other than its zero": behind an inverting amplifier zero may be the upper end.
def test_overrange_behind_an_inverting_amplifier(build: Build) -> None:
    host = build(Variant(lines=(Line(Role.SHUNT, 4095, -5 / 4096), Line(Role.PRESSURE))))
    host.volts = [0.0, 1.0]
    assert host.answer(Stream(True)) == 0
    host.run(0.1)
    assert host.of(Scans)[-1].overrange == 0
    host.volts[0] = 5.5
    host.run(0.1)
    assert host.of(Scans)[-1].overrange == 1


# "trip 2 for a pressure, 3 for a shunt, 9 for any other channel": of every role that there is.
@pytest.mark.parametrize(
    ("role", "trip"),
    [(1, 2), (2, 9), (3, 3), (4, 9), (5, 9), (6, 2), (7, 9), (8, 9), (9, 3), (255, 9)],
)
def test_every_role_has_its_trip(build: Build, role: int, trip: int) -> None:
    host = build(Variant(lines=(Line(Role.LEVEL), Line(role))))
    assert host.answer(Limits(0, 0, (LimitEntry(1, 2.0, -inf),))) == 0
    assert host.answer(ON) == 0
    host.volts[1] = 3.0
    host.run(0.02)
    assert not host.power
    assert host.trip() == trip
    host.volts[1] = 1.0
    host.run(0.02)
    assert host.answer(Clear()) == 0


# "Roles come in any order", eight channels at most; a LIMITS names them by their index.
def test_channels_in_any_order(build: Build) -> None:
    host = build(Variant(lines=(*reversed(LINES), Line(Role.SECOND_PRESSURE), Line(Role.EXCITATION))))
    assert [a.role for a in host.identity.analog] == [9, 5, 4, 3, 2, 1, 6, 7]
    assert host.answer(Limits(0, 0, (LimitEntry(5, 2.0, -inf),))) == 0
    assert host.answer(ON) == 0
    host.volts = [4.0, 4.0, 4.0, 4.0, 4.0, 1.0, 4.0, 4.0]
    host.run(0.05)
    assert host.power
    host.volts[5] = 3.0
    host.run(0.02)
    assert host.trip() == Trip.OVER_PRESSURE


# "… boot: number of this boot, one above the last", in 16 bits.
def test_the_boot_number_wraps(build: Build) -> None:
    host = build(Variant(boot=65_534))
    assert host.identity.boot == 65_535
    host.reset()
    assert host.identity.boot == 0
    assert host.status().boot == 0


# A device without a switch has no lease either: moving the valve is all that a DRIVE does.
def test_the_valve_without_a_power_switch(build: Build) -> None:
    host = build(Variant(features=VALVE))
    assert host.answer(Drive(False, 0, 2_500, 500)) == 0
    assert host.status().valve == 2_500
    host.run(0.6)
    assert host.trip() == Trip.NONE
