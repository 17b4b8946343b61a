"""From counts to quantities, and the test whether a channel can be believed."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.measure.channels import Channels, LevelInput, PressureKind, TemperatureInput, VoltageInput
from daq.measure.convert import BITS, FLOW_STEP, Column, Converter, Floats, Zero
from daq.measure.errors import NotFittedError
from drivers.block import AnalogInput, Block, Identity, Role
from tests.daq.measure.blocks import (
    CHANNELS,
    FLOW,
    PRESSURE,
    RESTING,
    ROLES,
    SHUNT,
    TEMPERATURE,
    VOLTAGE,
    VOLTS_PER_COUNT,
    Line,
    clipped,
    counts_of,
    identity,
    steady_blocks,
)

RUNNING = RESTING | {
    Role.PRESSURE: 400e3,
    Role.SUPPLY_VOLTAGE: 13.5,
    Role.SHUNT: 5.0,
    Role.FLUID_TEMPERATURE: 300.0,
    Role.LEVEL: 0.5,
}
LSB = {Column.PRESSURE: 48.0, Column.VOLTAGE: 8e-4, Column.CURRENT: 8e-4, Column.TEMPERATURE: 0.016, Column.LEVEL: 4e-5}
"""A little more than one count of each channel, SI."""


def converter(channels: Channels = CHANNELS, device: Identity | None = None) -> Converter:
    """One whose zero is taken and exact."""
    made = Converter(channels, device or identity())
    made.zero = Zero(taken=True)
    return made


def block_of(values: Floats, roles: tuple[Role, ...] = ROLES, overrange: int = 0) -> Block:
    """A block of these values in SI (`[n, roles]`)."""
    counts = counts_of({r: values[:, k] for k, r in enumerate(roles)}, roles)
    return Line().block(clipped(counts), overrange=overrange)


def running(n: int = 25) -> Floats:
    return np.tile([RUNNING[r] for r in ROLES], (n, 1))


def test_counts_become_what_they_were_made_from() -> None:
    (block,) = steady_blocks(RUNNING, 25)
    samples = converter().convert(block)
    assert (samples.faulty, samples.above) == (0, 0)
    for role, column in zip(ROLES, Column, strict=True):
        assert samples.values[:, column] == pytest.approx(RUNNING[role], abs=LSB[column])


@pytest.mark.parametrize("order", [(4, 3, 2, 1, 0), (2, 0, 1, 4, 3), (1, 2, 0, 3, 4)])
def test_channels_come_in_any_order(order: tuple[int, ...]) -> None:
    roles = tuple(ROLES[k] for k in order)
    shuffled = converter(device=identity(roles)).convert(block_of(running()[:, list(order)], roles))
    assert np.array_equal(shuffled.values, converter().convert(block_of(running())).values)


def test_channels_that_nobody_asked_for_change_nothing() -> None:
    device = identity((255, *ROLES, Role.SECOND_PRESSURE))
    plain = block_of(running())
    wide = np.column_stack([np.full(25, 999), plain.values, np.full(25, -999)]).astype(np.int16)
    samples = converter(device=device).convert(Line().block(wide))
    assert np.array_equal(samples.values, converter().convert(plain).values)


def test_a_sensor_that_is_not_there_is_not_zero() -> None:
    device = identity(ROLES[:3])
    values = converter(device=device).convert(Line().block(block_of(running()).values[:, :3].astype(np.int16))).values
    assert np.isnan(values[:, Column.TEMPERATURE]).all()
    assert np.isnan(values[:, Column.LEVEL]).all()


@pytest.mark.parametrize("lost", [Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT])
def test_a_missing_channel_is_named(lost: Role) -> None:
    roles = [r for r in ROLES if r is not lost]
    with pytest.raises(NotFittedError) as caught:
        Converter(CHANNELS, identity(roles))
    name = {Role.PRESSURE: "pressure", Role.SUPPLY_VOLTAGE: "voltage", Role.SHUNT: "current"}[lost]
    for part in ("paper", name, f"expected role {lost.value}", f"found roles {[r.value for r in roles]}", "connect"):
        assert part in str(caught.value)


def test_inverting_amplifier_and_displaced_zero() -> None:
    """volts = (count − zero_count) × volts_per_count, also where both are negative and the difference is no int16."""
    analog = list(identity().analog)
    analog[2] = replace(analog[2], zero_count=-20_000, volts_per_count=-VOLTS_PER_COUNT / 4)
    counts = clipped(counts_of({r: np.full(25, RUNNING[r]) for r in ROLES}))
    counts[:, 2] = round(-1.0 / (VOLTS_PER_COUNT / 4)) - 20_000 + 32_768  # −5 A: 1 V below zero
    samples = converter(device=replace(identity(), analog=tuple(analog))).convert(Line().block(counts))
    expected = -(counts[0, 2].astype(int) + 20_000) * VOLTS_PER_COUNT / 4 / 0.2
    assert samples.values[:, Column.CURRENT] == pytest.approx(expected)


# What is measured beside.


def test_measured_excitation_takes_the_place_of_the_nominal_one() -> None:
    device = identity((*ROLES, Role.EXCITATION))
    for excitation in (4.5, 4.9, 4.999):
        counts = np.column_stack([block_of(running()).values, np.full(25, excitation / VOLTS_PER_COUNT)])
        counts[:, 0] *= excitation / 5.0  # the transducer follows its supply
        samples = converter(device=device).convert(Line().block(clipped(counts)))
        assert samples.values[:, Column.PRESSURE] == pytest.approx(400e3, abs=100)


def test_an_excitation_beyond_its_converter_spoils_the_pressure() -> None:
    device = identity((*ROLES, Role.EXCITATION))
    counts = np.column_stack([block_of(running()).values, np.full(25, 32_767)]).astype(np.int16)
    samples = converter(device=device).convert(Line().block(counts, overrange=1 << 5))
    assert samples.faulty == BITS[Column.PRESSURE]


def test_excitation_is_nothing_to_a_transducer_with_a_voltage_output() -> None:
    volts = replace(
        PRESSURE, kind=PressureKind.VOLTAGE, out_low=0.5, out_high=4.5, valid_low=0.3, valid_high=4.7, excitation=1.0
    )
    counts = np.column_stack([block_of(running()).values, np.full(25, 4.0 / VOLTS_PER_COUNT)])
    samples = converter(replace(CHANNELS, pressure=volts), identity((*ROLES, Role.EXCITATION))).convert(
        Line().block(clipped(counts))
    )
    assert samples.values[:, Column.PRESSURE] == pytest.approx(400e3, abs=50)


def test_measured_shunt_temperature() -> None:
    """A copper shunt, 0.393 %/K, 20 K warmer than assumed: what looks like 5 A is less."""
    copper = replace(SHUNT, alpha=3.93e-3, assumed_temperature=293.15)
    channels = replace(CHANNELS, shunt=copper)
    plain = counts_of({r: np.full(25, RUNNING[r]) for r in ROLES}, channels=channels)
    warm = np.full(25, (TEMPERATURE.volts_at_zero_celsius + 40 * TEMPERATURE.volts_per_kelvin) / VOLTS_PER_COUNT)
    device = identity((*ROLES, Role.AMBIENT_TEMPERATURE))
    samples = converter(channels, device).convert(Line().block(clipped(np.column_stack([plain, warm]))))
    assert samples.values[:, Column.CURRENT] == pytest.approx(5.0 / (1 + 3.93e-3 * 20), rel=3e-4)
    assert samples.values[:, Column.PRESSURE] == pytest.approx(400e3, abs=50)  # no other channel has a shunt
    assert samples.values[:, Column.VOLTAGE] == pytest.approx(13.5, abs=1e-3)


def test_voltage_at_the_terminals() -> None:
    channels = replace(CHANNELS, voltage=replace(VOLTAGE, lead_resistance=0.04))
    samples = converter(channels).convert(block_of(running()))
    assert samples.values[:, Column.VOLTAGE] == pytest.approx(13.5 - 0.04 * 5.0, abs=1e-3)


def test_zero_is_taken_off() -> None:
    made = converter()
    made.zero = Zero(pressure=1_500.0, current=0.02, taken=True)
    values = made.convert(block_of(running())).values
    assert values[:, Column.PRESSURE] == pytest.approx(400e3 - 1_500, abs=48)
    assert values[:, Column.CURRENT] == pytest.approx(4.98, abs=1e-3)


def test_quantities_go_through_as_they_are() -> None:
    values = running()
    block = replace(steady_blocks(RUNNING, 25)[0], values=values)
    assert converter().convert(block).values == pytest.approx(values)


def test_a_quantity_that_is_no_number_is_faulty() -> None:
    values = running()
    values[3:5, 3] = np.nan
    block = replace(steady_blocks(RUNNING, 25)[0], values=values)
    assert converter().convert(block).faulty == BITS[Column.TEMPERATURE]


@pytest.mark.parametrize("size", [1, 25])
@pytest.mark.parametrize("column", Column)
def test_a_single_one_is_a_fault_already(column: Column, size: int) -> None:
    """Unlike a spike: it is the device's own word that its sensor gives nothing, and a mean with it is none either."""
    values = running()
    values[7, column] = np.nan  # `ROLES` is in the order of the columns
    made, found = converter(), []
    for first in range(0, 25, size):
        block = replace(steady_blocks(RUNNING, 25)[0], values=values[first : first + size])
        samples = made.convert(block)
        found.append((samples.faulty, samples.above))
    spoilt = [k for k, each in enumerate(found) if each == (BITS[column], 0)]
    assert spoilt == [7 // size]
    assert [each for each in found if each != (0, 0)] == [(BITS[column], 0)]


def test_the_resolution_of_quantities_is_what_the_device_says() -> None:
    stated = replace(identity((*ROLES, Role.FLOW)), analog=tuple(
        AnalogInput(role, 0, 0, 0.0, resolution=0.5) for role in (*ROLES, Role.FLOW)
    ))  # fmt: skip
    assert converter(device=stated).lsb.tolist() == [0.5] * 6
    assert converter(device=identity()).lsb[FLOW_STEP] == 0.0


def test_counts_need_a_way_to_a_quantity() -> None:
    """A stand that is set up for a device that speaks SI, and another one comes."""
    stated = replace(CHANNELS, shunt=replace(SHUNT, r20=np.nan, gain=np.nan))
    with pytest.raises(NotFittedError, match=r"channel current: expected a quantity, as .*, found counts"):
        converter(stated)
    pressure = replace(PRESSURE, kind=PressureKind.QUANTITY, valid_low=-5e4, valid_high=1.05e6)
    with pytest.raises(NotFittedError, match="channel pressure: expected a quantity"):
        converter(replace(CHANNELS, pressure=pressure))


def test_quantities_are_believed_within_what_the_configuration_says() -> None:
    pressure = replace(PRESSURE, kind=PressureKind.QUANTITY, valid_low=-5e4, valid_high=1.05e6)
    level, warm = LevelInput(np.nan, np.nan), TemperatureInput(np.nan, np.nan)
    channels = Channels(pressure, replace(SHUNT, r20=np.nan, gain=np.nan), VoltageInput(np.nan), FLOW, warm, level)
    device = replace(identity(), analog=tuple(AnalogInput(role, 0, 0, 0.0) for role in ROLES))
    block = replace(steady_blocks(RUNNING, 25)[0], values=running())
    samples = converter(channels, device).convert(block)
    assert samples.values == pytest.approx(running())
    assert samples.faulty == 0
    block.values[:, 0] = 1.06e6
    samples = converter(channels, device).convert(block)
    assert (samples.faulty, samples.above) == (BITS[Column.PRESSURE],) * 2


# What cannot be believed.

OUTSIDE = [
    (Role.PRESSURE, -60e3, False),
    (Role.PRESSURE, 1_060e3, True),
    (Role.SHUNT, -3.0, False),
    (Role.SHUNT, 21.0, True),
    (Role.SUPPLY_VOLTAGE, 21.0, True),
    (Role.FLUID_TEMPERATURE, 250.0, False),
    (Role.LEVEL, 1.12, True),
]


@pytest.mark.parametrize(("role", "value", "above"), OUTSIDE)
def test_a_spike_on_one_sample_is_no_fault_but_two_are(role: Role, value: float, above: bool) -> None:
    column = ROLES.index(role)
    one, two = running(), running()
    one[7, column] = two[7, column] = two[8, column] = value
    assert converter().convert(block_of(one)).faulty == 0
    samples = converter().convert(block_of(two))
    assert (samples.faulty, samples.above) == (BITS[column], BITS[column] if above else 0)


def test_nothing_is_clipped() -> None:
    values = running()
    values[:, 0] = 1_060e3
    samples = converter().convert(block_of(values))
    assert samples.values[:, Column.PRESSURE] == pytest.approx(1_060e3, abs=48)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_a_broken_wire_shows_in_the_shortest_blocks(size: int) -> None:
    made, values = converter(), running(6)
    values[:, 0] = -100e3
    found = [made.convert(block_of(values[k : k + size])).faulty for k in range(0, 6, size)]
    assert found[1:] == [BITS[Column.PRESSURE]] * (6 // size - 1)


@given(st.lists(st.booleans(), min_size=2, max_size=30), st.integers(1, 9))
def test_two_neighbours_outside_are_found_in_any_blocks(outside: list[bool], size: int) -> None:
    values = running(len(outside))
    values[np.array(outside), 0] = 1_060e3
    made = converter()
    found = any(made.convert(block_of(values[k : k + size])).faulty for k in range(0, len(outside), size))
    if any(a and b for a, b in pairwise(outside)):
        assert found
    if sum(outside) < 2:
        assert not found


def test_a_channel_recovers() -> None:
    made, values = converter(), running()
    values[:, 0] = -100e3
    assert made.convert(block_of(values)).faulty
    made.convert(block_of(running()))
    assert made.convert(block_of(running())).faulty == 0


@pytest.mark.parametrize(("role", "bit"), [(Role.PRESSURE, 0), (Role.SHUNT, 2), (Role.LEVEL, 4)])
def test_overrange_is_believed_at_once(role: Role, bit: int) -> None:
    samples = converter().convert(block_of(running(), overrange=1 << bit))
    assert samples.faulty == BITS[ROLES.index(role)]


def test_overrange_of_a_channel_that_nobody_reads_is_nothing() -> None:
    device = identity((*ROLES, 255))
    counts = np.column_stack([block_of(running()).values, np.full(25, 32_767)]).astype(np.int16)
    assert converter(device=device).convert(Line().block(counts, overrange=1 << 5)).faulty == 0


def test_current_at_the_converters_end_is_above() -> None:
    values = running()
    values[:, 2] = 19.0
    samples = converter().convert(block_of(values, overrange=1 << 2))
    assert (samples.faulty, samples.above) == (BITS[Column.CURRENT], BITS[Column.CURRENT])


def test_resolution_is_one_count() -> None:
    steps = converter().resolution()
    assert steps["pressure"] == pytest.approx(1e6 / 4.0 * VOLTS_PER_COUNT)
    assert steps["current"] == pytest.approx(VOLTS_PER_COUNT / 0.2)
    assert set(converter(device=identity(ROLES[:3])).resolution()) == {"pressure", "voltage", "current"}
