"""The shipped scenario is the stand that the shipped configuration describes."""

from pathlib import Path

import pytest

from daq.catalogue.load import load_stand
from daq.measure.channels import Channels
from drivers.block import Role
from simulator.plant.sensors import Sensor
from tests.simulator.common import depot

CONFIG = Path(__file__).resolve().parents[2] / "config"


@pytest.fixture(scope="module")
def channels() -> Channels:
    return load_stand(CONFIG).stand.channels


def sensor(role: Role) -> Sensor:
    return next(s for s in depot().sensors if s.role == role)


def test_pressure(channels: Channels) -> None:
    known, made = channels.pressure, sensor(Role.PRESSURE)
    assert made.volts_at_zero == pytest.approx(known.out_low * known.excitation * known.gain, rel=1e-9)
    slope = (known.out_high - known.out_low) * known.excitation * known.gain / (known.high - known.low)
    assert made.volts_per_unit == pytest.approx(slope, rel=1e-9)
    assert 3 * made.zero_doubt < known.zero_limit


def test_current_and_voltage(channels: Channels) -> None:
    shunt = channels.shunt
    assert sensor(Role.SHUNT).volts_per_unit == pytest.approx(shunt.r20 * shunt.gain)
    assert sensor(Role.SUPPLY_VOLTAGE).volts_per_unit == pytest.approx(channels.voltage.divider)
    assert channels.voltage.lead_resistance == 0.0  # sensed at the terminals, as the plant gives it
    assert 3 * sensor(Role.SHUNT).zero_doubt < shunt.zero_limit


def test_temperature_and_level(channels: Channels) -> None:
    assert channels.temperature is not None
    assert channels.level is not None
    made, level = sensor(Role.FLUID_TEMPERATURE), sensor(Role.LEVEL)
    assert made.volts_at_zero == channels.temperature.volts_at_zero_celsius
    assert made.volts_per_unit == channels.temperature.volts_per_kelvin
    assert level.volts_at_zero == channels.level.volts_empty
    assert level.volts_at_zero + level.volts_per_unit == channels.level.volts_full


def test_flow(channels: Channels) -> None:
    for (f, k), (f_known, k_known) in zip(depot().meter.k_table, channels.flow.k_table, strict=True):
        assert (f, k) == pytest.approx((f_known, k_known))
    assert depot().meter.lag == channels.flow.lag
    assert depot().meter.stall_flow <= channels.flow.stall_flow


def test_the_open_line(channels: Channels) -> None:
    assert depot().line.resistance == pytest.approx(channels.pressure.k_line, rel=1e-6)
