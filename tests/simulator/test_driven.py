"""The scenario of a stand that drives itself: its device obeys, its person keeps hands off."""

from math import inf

import pytest

from drivers.block import Feature, Input, Role, Trip
from drivers.device import Address, LimitEntry
from drivers.link.codec import limits_crc
from drivers.link.frames import LEAVE_VALVE, Drive, FromHost, Limits, Reply, ReplyCode
from simulator.driver import open_sim
from simulator.faults import FaultError
from simulator.firmware import Firmware
from simulator.operator import TABLE
from simulator.rig import Rig, split_faults
from simulator.scenario import load_scenario
from tests.simulator.common import Host, depot

DRIVEN = load_scenario("driven")
ALL = Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL
LIMITS = Limits(300, 60, (LimitEntry(0, 4.3, -inf), LimitEntry(0, 4.7, 0.3), LimitEntry(2, 3.6, -inf)))
"""950 kPa, the transducer's span and 18 A, in volts of the depot's converters."""
ON, OFF = Drive(True, 0, LEAVE_VALVE, 500), Drive(False, 0, LEAVE_VALVE, 0)


def ready(unit: str = "good-pump", faults: str = "") -> Host:
    """A host at the stand, with its limits sent and a unit in the fluid."""
    host = Host(Rig(DRIVEN, unit, 3, faults=faults))
    host.rig.bench.connect()
    host.rig.bench.immerse()
    assert code(host, LIMITS) == ReplyCode.DONE
    return host


def code(host: Host, frame: FromHost) -> int:
    (reply,) = (found for found in host.send(frame) if isinstance(found, Reply))
    return reply.code


def powered(host: Host, seconds: float, request: Drive = ON) -> Trip:
    """Renews the lease for so long, without a look at the answers; the trip that stands then."""
    for _ in range(round(seconds / 0.2)):
        code(host, request)
        host.run(0.2)
    return trip(host)


def trip(host: Host) -> Trip:
    firmware = host.rig.firmware
    assert isinstance(firmware, Firmware)
    return firmware.trip


def test_what_is_fitted() -> None:
    device = DRIVEN.device
    assert device.features == Feature.SIMULATED | Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR
    assert device.inputs_fitted == ALL
    assert device.burst_max_total >= 4000


def test_all_that_is_not_the_device_is_the_depots() -> None:
    known = depot()
    for part in ("units", "sensors", "line", "bath", "meter", "habits"):
        assert getattr(DRIVEN, part) == getattr(known, part)
    assert DRIVEN.device.device_id != known.device.device_id


def test_power_valve_and_limits_obey() -> None:
    host = ready()
    guard = host.rig.firmware._guard  # type: ignore[union-attr]
    assert guard.limits_crc == limits_crc(LIMITS)
    assert powered(host, 2.0) is Trip.NONE
    free = host.rig.bench.truth()
    assert powered(host, 3.0, Drive(True, 0, 0, 500)) is Trip.NONE
    shut = host.rig.bench.truth()
    assert (shut.travel, shut.flow) == (0.0, 0.0)
    assert shut.pressure > 500e3 > free.pressure
    assert code(host, OFF) == ReplyCode.DONE
    host.run(0.5)
    assert host.rig.bench.truth().current == 0.0
    assert host.rig.bench.travel == 0.0


def test_the_actuator_takes_two_seconds() -> None:
    host = ready()
    code(host, Drive(False, 0, 0, 0))
    host.run(1.0)
    assert host.rig.bench.travel == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("stop_open", Trip.STOP_CIRCUIT),
        ("guard_open", Trip.SPLASH_GUARD),
        ("fluid_low", Trip.FLUID_LOW),
        ("pressure_open", Trip.OVER_PRESSURE),
        ("pressure_shorted", Trip.OVER_PRESSURE),
        ("current_saturated", Trip.OVER_CURRENT),
        ("supply_off", Trip.NONE),
        ("valve_stuck", Trip.NONE),
        ("switch_stuck", Trip.NONE),
    ],
)
def test_what_a_fault_makes_the_device_do(fault: str, expected: Trip) -> None:
    host = ready(faults=f"{fault}:1")
    assert powered(host, 2.0) is expected
    truth = host.rig.bench.truth()
    assert (truth.current > 1.0) is (fault in ("valve_stuck", "switch_stuck"))
    assert host.rig.bench.powered is (expected is Trip.NONE)


def test_with_an_input_open_there_is_no_power_and_a_person_may_close_it() -> None:
    host = ready()
    host.rig.bench.open_input(Input.SPLASH_GUARD)
    host.run(0.1)
    assert code(host, ON) == ReplyCode.INPUT_OPEN
    host.rig.bench.close_input(Input.SPLASH_GUARD)
    host.run(0.1)
    assert code(host, ON) == ReplyCode.DONE


# The person.


def test_every_word_leaves_switch_and_valve_alone() -> None:
    rig = Rig(DRIVEN, "good-pump")
    bench = rig.bench
    for word in TABLE:
        bench.operator.hear(word)
        for _ in range(200):
            rig.run()
        assert (bench.powered, bench.plant.powered, bench.travel, bench.moving) == (False, False, 1.0, False)
    said = bench.operator.take_confirmations()
    assert said == ["connected", "in_fluid", "return_held", "removed"]


def test_hands_take_as_long_as_on_a_followed_stand() -> None:
    """A removal: 0.7 s until the hand is there, 1.5 s of work."""
    rig = Rig(DRIVEN, "good-pump")
    rig.bench.connect()
    rig.bench.operator.hear("remove")
    while rig.bench.plant.connected:
        rig.run()
    assert rig.time == pytest.approx(2.2, abs=0.05)


def test_taking_a_unit_off_leaves_the_devices_switch_as_it_is() -> None:
    host = ready()
    powered(host, 0.4)
    host.rig.bench.remove()
    host.run(0.1)
    assert host.rig.bench.powered
    assert host.rig.bench.truth().voltage == 0.0


# Faults in an address.


def test_faults_are_told_apart() -> None:
    assert split_faults("loss:0.01, stop_open:20,stall:5:2,seized") == (
        "loss:0.01,stall:5:2",
        [("stop_open", 20.0), ("seized", 0.0)],
    )
    assert split_faults("") == ("", [])


@pytest.mark.parametrize("text", ["stop_open:soon", "stop_open:-1", "stop_open:1:2", "stop_open:inf", "stop_open:nan"])
def test_a_time_that_is_none(text: str) -> None:
    with pytest.raises(FaultError, match=f"fault '{text}': expected seconds"):
        split_faults(text)


async def test_an_address_holds_them_all() -> None:
    device = await open_sim(Address.parse("sim://driven/good-pump?faults=guard_open:2,stall:30:1"))
    assert device.identity.inputs_fitted == ALL
    assert device.identity.analog_index(Role.SHUNT) == 2
    bench = device.bench  # type: ignore[union-attr]
    while bench.time < 1.9:
        device.rig.run()  # type: ignore[union-attr]
    assert bench.inputs == ALL
    for _ in range(5):
        device.rig.run()  # type: ignore[union-attr]
    assert bench.inputs == ALL & ~Input.SPLASH_GUARD
    await device.close()
