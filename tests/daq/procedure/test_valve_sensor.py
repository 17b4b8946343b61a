"""The valve's position in a STATUS."""

import math

import pytest

from daq.procedure.table import Valve
from daq.procedure.valve_sensor import ValveSensor, position_of
from drivers.block import UNKNOWN_VALVE, Feature, Input, Status, Trip
from tests.daq.measure.blocks import identity
from tests.daq.procedure.test_line_zero import SENSING

PLACES = [
    (0, Valve.SHUT),
    (100, Valve.SHUT),
    (101, Valve.BETWEEN),
    (8_999, Valve.BETWEEN),
    (9_000, Valve.OPEN),
    (10_000, Valve.OPEN),
    (UNKNOWN_VALVE, None),
]


def status(valve: int) -> Status:
    return Status(1, 0, False, False, True, True, False, valve, 0, Input(0), Trip.NONE, 0, 0, 0)


@pytest.mark.parametrize(("valve", "place"), PLACES)
def test_a_position_is_open_shut_or_between(valve: int, place: Valve | None) -> None:
    assert position_of(status(valve)) is place
    sensor = ValveSensor(SENSING)
    assert sensor.position is None
    sensor.take(status(valve))
    assert sensor.position is place


def test_a_position_that_is_only_commanded_is_not_sensed() -> None:
    assert Feature.VALVE_SENSOR not in identity().features
    sensor = ValveSensor(identity())
    sensor.take(status(10_000))
    sensor.feed(1.0)
    assert (sensor.position, sensor.unopen_at, sensor.unshut_at) == (None, 0.0, -math.inf)


def test_it_holds_until_another_status_says_otherwise() -> None:
    sensor = ValveSensor(SENSING)
    for t, valve in ((1.0, 10_000), (2.0, 5_000), (3.0, 0)):
        sensor.take(status(valve))
        sensor.feed(t)
        sensor.feed(t + 0.5)
    assert (sensor.position, sensor.unopen_at, sensor.unshut_at) == (Valve.SHUT, 3.5, 2.5)
