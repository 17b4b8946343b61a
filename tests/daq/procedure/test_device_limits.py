"""Limits for the device: volts that the measuring core turns back into what the stand and the part say."""

import math
import struct
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.measure.channels import Channels, PressureInput, PressureKind, TemperatureInput
from daq.measure.convert import Column, Converter, Zero, channel_maps
from daq.measure.errors import NotFittedError
from daq.procedure.device_limits import DeviceLimits, References, device_limits, longest_on, references
from daq.procedure.plan import Kind, Limits, Part, Stand
from daq.procedure.table import sequence, stage_of
from daq.procedure.watched import UnseenLimitError, strict
from drivers.block import AnalogInput, Block, Identity, Role
from drivers.device import LimitEntry
from drivers.link.codec import encode, limits_crc
from drivers.link.frames import Limits as Frame
from simulator.firmware.guard import Guard
from tests.daq.measure.blocks import CHANNELS, PRESSURE, ROLES, SHUNT, TEMPERATURE, identity
from tests.daq.procedure.bench import module, pump

LIMITS = Limits(pressure=900e3, current=18.0, temperature=318.15)
STAGES = sequence(Kind.PUMP, dry_check=True)
WITH_REFERENCES = (*ROLES, Role.EXCITATION, Role.AMBIENT_TEMPERATURE, Role.SHUNT_WIDE)
GAINS = PRESSURE.excitation_gain
WARM = replace(SHUNT, alpha=4e-3)
"""A shunt of copper: 0.4 % a kelvin."""


def fitted(raw: AnalogInput | None = None, roles: Sequence[int] = ROLES, **of: AnalogInput | int) -> Identity:
    """A device with these roles, each on the converter `raw` (12 bits at 5 V) unless `of` names another by role."""
    given_ = raw or AnalogInput(0, 12, 0, 5 / 4096)
    found = tuple(replace(of.get(Role(r).name.lower(), given_), role=int(r)) for r in roles)  # type: ignore[type-var]
    return replace(identity(roles), analog=found)


def made(
    channels: Channels = CHANNELS,
    device: Identity | None = None,
    found: References | None = None,
    part: Part | None = None,
    limits: Limits = LIMITS,
) -> DeviceLimits:
    stand = Stand("marrow-hill", "bench-2", channels, limits)
    return device_limits(part or pump(), stand, device or fitted(), STAGES, found)


def by_origin(limits: DeviceLimits, word: str) -> LimitEntry:
    (found,) = (e for e, o in zip(limits.entries, limits.origins, strict=True) if word in o)
    return found


def converted(channels: Channels, device: Identity, volts: dict[int, float], zero: Zero | None = None) -> np.ndarray:
    """What the measuring core makes of volts at the converter, by Column; channels that are not named stand at 2 V.

    Its counts are whole; so the volts are met by a converter whose steps are far below what is compared.
    """
    fine = replace(device, analog=tuple(replace(a, zero_count=0, volts_per_count=v(volts, k) / 10_000)
                                        for k, a in enumerate(device.analog)))  # fmt: skip
    converter = Converter(channels, fine)
    converter.zero = zero or Zero(taken=True)
    counts = np.full((4, len(device.analog)), 10_000, dtype=np.int16)
    return converter.convert(Block(1, 0, 0, counts, np.zeros(1, np.int64), np.zeros(1, np.int64))).values[0]


def v(volts: dict[int, float], k: int) -> float:
    return volts.get(k, 2.0)


def test_the_depot_in_numbers() -> None:
    """By hand: 900 kPa of 0.5 to 4.5 V over 1000 kPa are 4.1 V; its span ends at 0.06 and 0.94 of 5 V; 18 A through
    5 mΩ with gain 40 are 3.6 V; 13.5 V and 15 % through a fifth are 3.105 V; 45 °C are 0.95 V."""
    limits = made()
    assert limits.blank_ms == 300
    found = [(e.channel, e.above, e.below) for e in limits.entries]
    assert found == [
        (0, pytest.approx(4.1), -math.inf),
        (0, pytest.approx(4.7), pytest.approx(0.3)),
        (2, pytest.approx(3.6), -math.inf),
        (1, pytest.approx(3.105), -math.inf),
        (3, pytest.approx(0.95), -math.inf),
    ]
    assert len(limits.origins) == 5


def test_a_loop_in_numbers() -> None:
    """By hand: of 4 to 20 mA for 0 to 1000 kPa, 900 kPa are 18.4 mA, which are 1.84 V over 100 Ω. A transmitter that
    reports a failure sends less than 3.6 mA or more than 21 mA (NAMUR NE 43, from memory): 0.36 V and 2.1 V."""
    loop = PressureInput(PressureKind.LOOP, 0.0, 1e6, 4e-3, 20e-3, 3.6e-3, 21e-3, burden=100.0)
    limits = made(replace(CHANNELS, pressure=loop))
    assert by_origin(limits, "limits.pressure").above == pytest.approx(1.84)
    span = by_origin(limits, "span")
    assert (span.below, span.above) == (pytest.approx(0.36), pytest.approx(2.1))


pressures = st.one_of(
    st.builds(
        replace,
        st.just(PRESSURE),
        excitation=st.floats(4.0, 12.0),
        gain=st.floats(0.2, 0.42),
        absolute_reference=st.booleans(),
        zero_limit=st.just(2e4),
    ),
    st.builds(
        PressureInput,
        kind=st.just(PressureKind.VOLTAGE),
        low=st.floats(-1e5, 0.0),
        high=st.floats(9.5e5, 2e6),
        out_low=st.floats(0.0, 1.0),
        out_high=st.floats(4.0, 10.0),
        valid_low=st.just(-0.1),
        valid_high=st.just(10.5),
        gain=st.floats(0.1, 0.45),
    ),
    st.builds(
        PressureInput,
        kind=st.just(PressureKind.LOOP),
        low=st.just(0.0),
        high=st.floats(9.5e5, 2e6),
        out_low=st.just(4e-3),
        out_high=st.just(20e-3),
        valid_low=st.just(3.6e-3),
        valid_high=st.just(21e-3),
        burden=st.floats(50.0, 200.0),
        gain=st.floats(0.5, 1.15),
    ),
)
shifts = st.builds(Zero, st.floats(-5e3, 5e3), st.floats(-0.1, 0.1), st.just(10.0), st.just(0.01), taken=st.just(True))


@given(pressures, shifts, st.floats(0.85, 1.15), st.floats(0.3, 0.45), st.floats(283.0, 333.0))
def test_back_through_the_measuring_core_they_are_the_limits(
    pressure: PressureInput, zero: Zero, share: float, gain: float, warm: float
) -> None:
    """Excitation, zero and shunt temperature as found; what is compared comes from the conversion itself."""
    channels = replace(CHANNELS, pressure=replace(pressure, excitation_gain=gain), shunt=WARM)
    device = fitted(AnalogInput(0, 15, 0, 6 / 32768), WITH_REFERENCES)
    ratio = pressure.kind is PressureKind.RATIOMETRIC
    excitation = share * pressure.excitation
    limits = made(channels, device, References(zero, excitation if ratio else None, warm))
    volts = {e.channel: e.above for e in limits.entries[::-1] if e.above < math.inf}
    volts |= {5: excitation * gain, 6: TEMPERATURE.volts_at_zero_celsius + 0.01 * (warm - 273.15)}
    back = converted(channels, device, volts, zero)
    assert back[Column.PRESSURE] == pytest.approx(900e3, abs=2.0)
    assert back[Column.CURRENT] == pytest.approx(18.0, abs=1e-4)
    assert back[Column.TEMPERATURE] == pytest.approx(318.15, abs=1e-4)
    assert back[Column.VOLTAGE] == pytest.approx(13.5 * 1.15, abs=1e-4)


@given(st.floats(0.85, 1.15))
def test_a_span_is_the_one_that_the_core_believes(share: float) -> None:
    """Its ends, turned into pressure by the core with the same excitation, are those that it calls faulty beyond; a
    shift of the zero has no part in that."""
    device = fitted(roles=WITH_REFERENCES, excitation=AnalogInput(0, 12, 0, 8 / 4096))
    channels = replace(CHANNELS, pressure=replace(PRESSURE, excitation_gain=1.0, gain=0.8))
    limits = made(channels, device, References(Zero(3e3, 0.0, taken=True), 5.0 * share))
    span = by_origin(limits, "span")
    line = channel_maps(channels)[Column.PRESSURE]
    low, high = (
        converted(channels, device, {0: at, 5: 5.0 * share})[Column.PRESSURE] for at in (span.below, span.above)
    )
    assert (low, high) == (pytest.approx(line.low, abs=1.0), pytest.approx(line.high, abs=1.0))


def single(volts: float) -> float:
    return float(struct.unpack("<f", struct.pack("<f", volts))[0])


@given(st.floats(1e-3, 5.0))
def test_single_precision_is_never_laxer(volts: float) -> None:
    above, below = strict(volts, -math.inf), strict(volts, math.inf)
    assert above <= volts <= below
    assert (single(above), single(below)) == (above, below)
    assert below - above <= 2e-7 * volts


def test_what_travels_is_what_was_meant() -> None:
    limits = made()
    frame = Frame(limits.blank_ms, limits.max_on_s, limits.entries)
    assert limits_crc(frame) != 0
    assert len(encode(0, frame)) <= 252
    for entry in limits.entries:
        for volts in (entry.above, entry.below):
            assert math.isinf(volts) or single(volts) == volts


# What a device does with them: the virtual one's guard, fed with counts.


def trips(limits: DeviceLimits, device: Identity, counts: Sequence[int]) -> bool:
    guard = Guard(device.analog, device.tick_hz, device.inputs_fitted)
    guard.set_limits(Frame(0, 0, limits.entries))
    guard.power_on(0, 2000, was_on=False)
    return any(guard.watch(tick, counts, device.inputs_fitted, powered=True) for tick in (2000, 4000, 6000))


RESTING = [410, 2212, 0, 573, 410]
"""0 kPa, 13.5 V, 0 A, 20 °C, an empty reservoir."""


@pytest.mark.parametrize(
    ("channel", "sound", "passed"),
    [
        (0, 3358, 3359),  # 4.1 V are 3358.7 counts
        (0, 246, 245),  # 0.3 V are 245.8
        (1, 2543, 2544),  # 3.105 V are 2543.6
        (2, 2949, 2950),  # 3.6 V are 2949.1
        (3, 778, 779),  # 0.95 V are 778.2
    ],
)
def test_the_first_count_beyond_trips(channel: int, sound: int, passed: int) -> None:
    device, limits = fitted(), made()
    assert not trips(limits, device, RESTING)
    for count, expected in ((sound, False), (passed, True)):
        counts = [*RESTING]
        counts[channel] = count
        assert trips(limits, device, counts) is expected


@pytest.mark.parametrize("inverting", [False, True])
@pytest.mark.parametrize("zero_count", [0, 41])
def test_a_converter_at_its_end_trips(zero_count: int, *, inverting: bool) -> None:
    """A broken wire is pulled to the end of the converter; whichever it is, that lies beyond a limit."""
    slope = 5.2 / 4096
    raw = AnalogInput(0, 12, 4095 - zero_count, -slope) if inverting else AnalogInput(0, 12, zero_count, slope)
    device = fitted(raw)
    limits = made(device=device)
    rest = [round(volts / raw.volts_per_count) + raw.zero_count for volts in (0.5, 2.7, 0.0, 0.7, 0.5)]
    assert not trips(limits, device, rest)
    for channel in (0, 1, 2, 3):
        counts = [*rest]
        counts[channel] = 0 if inverting else 4095
        assert trips(limits, device, counts)
    assert trips(limits, device, [4095 if inverting else 0, *rest[1:]])


# What a converter can show.


def test_a_span_beyond_the_converter_is_cut_to_it() -> None:
    """It ends at 4.5 V, so the span's upper end of 4.7 V does too, and a converter that stands there has passed it."""
    raw = AnalogInput(0, 12, 0, 4.5 / 4096)
    span = by_origin(made(device=fitted(raw, pressure=raw)), "span")
    assert 4094 * raw.volts_per_count < span.above < 4095 * raw.volts_per_count
    assert span.below == pytest.approx(0.3)


def test_at_the_converters_own_zero_nothing_can_be_told() -> None:
    """A voltage transducer from 0 V: a wire on ground looks like no pressure, in the span and at rest."""
    zero_based = replace(PRESSURE, kind=PressureKind.VOLTAGE, out_low=0.0, out_high=4.5, valid_low=-0.2, valid_high=4.7)
    channels = replace(CHANNELS, pressure=zero_based)
    assert by_origin(made(channels), "span").below == -math.inf
    lifted = by_origin(made(channels, fitted(pressure=AnalogInput(0, 12, 41, 5 / 4096))), "span")
    assert lifted.below == pytest.approx(-40.5 * 5 / 4096)
    assert lifted.below > -41 * 5 / 4096
    raised = by_origin(made(channels, fitted(pressure=AnalogInput(0, 12, -41, 5 / 4096))), "span")
    assert raised.below == pytest.approx(41.5 * 5 / 4096)


@pytest.mark.parametrize(
    ("role", "volts", "text"),
    [
        ("pressure", 4.0, r"channel 0 \(pressure\): expected a limit of at most 874\.\d+ kPa.*found 900 kPa; lower"),
        ("shunt", 3.5, r"channel 2 \(current\): expected a limit of at most 17\.4\d+ A.*found 18 A; lower"),
        ("supply_voltage", 2.75, r"channel 1 \(supply\): expected a limit of at most 13\.7\d+ V.*found 13\.8 V; lower"),
        ("fluid_temperature", 0.9, r"channel 3 \(temperature\): .* at most 313\.\d+ K.*found 318\.15 K; lower"),
    ],
)
def test_a_limit_that_cannot_be_seen_is_refused(role: str, volts: float, text: str) -> None:
    with pytest.raises(UnseenLimitError, match=text):
        made(device=fitted(**{role: AnalogInput(0, 12, 0, volts / 4096)}))


def test_the_margin_of_the_supply_may_end_where_the_converter_does() -> None:
    raw = AnalogInput(0, 12, 0, 3.0 / 4096)
    entry = by_origin(made(device=fitted(supply_voltage=raw)), "supply")
    assert 13.8 * 0.2 < entry.above < 4095 * raw.volts_per_count


def test_a_wide_tolerance_of_the_supply_does_not_trip() -> None:
    entry = by_origin(made(part=pump(test_voltage=6.0, voltage_tolerance=1.0)), "supply")
    assert entry.above == pytest.approx(8.0 * 0.2)


def test_sixteen_bits_have_a_sign() -> None:
    """i16 cannot hold them otherwise: 5 V in 32768 counts end at 5 V."""
    assert by_origin(made(device=identity()), "limits.pressure").above == pytest.approx(4.1)
    with pytest.raises(UnseenLimitError, match="pressure"):
        made(device=fitted(AnalogInput(0, 16, 0, 4 / 32768)))


def test_a_sensor_that_falls_with_heat_trips_downwards() -> None:
    """2 V at 0 °C and 20 mV less a kelvin: 45 °C are 1.1 V."""
    falling = replace(CHANNELS, temperature=TemperatureInput(2.0, -0.02))
    entry = by_origin(made(falling), "temperature")
    assert (entry.above, entry.below) == (math.inf, pytest.approx(1.1))


# What is fitted.


def test_a_stand_without_a_fluid_sensor_has_none_to_watch() -> None:
    limits = made(replace(CHANNELS, temperature=None), fitted(roles=ROLES[:3]))
    assert {e.channel for e in limits.entries} == {0, 1, 2}


@pytest.mark.parametrize("missing", [Role.PRESSURE, Role.SHUNT, Role.SUPPLY_VOLTAGE, Role.FLUID_TEMPERATURE])
def test_a_channel_that_the_stand_has_and_the_device_lacks(missing: Role) -> None:
    roles = [role for role in ROLES if role is not missing]
    with pytest.raises(NotFittedError, match=f"no channel for {missing.name.lower().replace('_', ' ')}: expected role"):
        made(device=fitted(roles=roles))


def test_a_device_that_sends_quantities_has_no_converter_to_watch() -> None:
    with pytest.raises(UnseenLimitError, match="pressure: expected volts at a converter"):
        made(device=fitted(AnalogInput(0, 16, 0, 0.0)))


def test_channels_go_by_their_index() -> None:
    limits = made(device=fitted(roles=ROLES[::-1]))
    assert [e.channel for e in limits.entries] == [4, 4, 2, 3, 1]


def test_a_wide_band_shunt_is_not_watched() -> None:
    limits = made(
        replace(CHANNELS, shunt=WARM), fitted(roles=WITH_REFERENCES, excitation=AnalogInput(0, 12, 0, 8 / 4096))
    )
    assert WITH_REFERENCES.index(Role.SHUNT_WIDE) not in {e.channel for e in limits.entries}


# References.


def test_an_excitation_that_falls_would_take_the_limit_along() -> None:
    device = fitted(roles=WITH_REFERENCES, excitation=AnalogInput(0, 12, 0, 8 / 4096))
    limits = made(device=device, found=References(excitation=4.9))
    entry = by_origin(limits, "excitation")
    assert (entry.channel, entry.above, entry.below) == (5, math.inf, pytest.approx(0.95 * 4.9))
    assert by_origin(limits, "limits.pressure").above == pytest.approx(0.82 * 4.9)


def test_an_excitation_that_was_not_measured_is_the_nominal_one() -> None:
    device = fitted(roles=WITH_REFERENCES)
    assert by_origin(made(device=device), "excitation").below == pytest.approx(4.75)


@pytest.mark.parametrize("volts", [0.0, 3.9, 6.1, math.nan])
def test_a_transducer_without_its_supply_gets_no_power(volts: float) -> None:
    device = fitted(roles=WITH_REFERENCES)
    with pytest.raises(UnseenLimitError, match=r"excitation: expected 5 V within 20%, found .*; mend its supply"):
        made(device=device, found=References(excitation=volts))


def test_a_zero_shifts_what_is_watched_but_not_the_span() -> None:
    shifted = made(found=References(Zero(2.5e3, 0.05, taken=True)))
    assert by_origin(shifted, "limits.pressure").above == pytest.approx(4.1 + 0.01)
    assert by_origin(shifted, "limits.current").above == pytest.approx(3.6 + 0.01)
    assert by_origin(shifted, "span") == by_origin(made(), "span")


def test_references_are_read_from_a_block_at_rest() -> None:
    """By hand: 2048 counts of 2.5 mV through a gain of 1 are 5.12 V; 0.8 V at 10 mV a kelvin over 0.5 V are 30 °C."""
    device = fitted(AnalogInput(0, 12, 0, 1e-3), WITH_REFERENCES, excitation=AnalogInput(0, 12, 0, 2.5e-3))
    counts = np.tile(np.array([500, 0, 0, 700, 500, 2048, 800, 0], dtype=np.int16), (5, 1))
    counts[0, 5], counts[1, 5] = 2044, 2052
    block = Block(1, 0, 0, counts, np.zeros(1, np.int64), np.zeros(1, np.int64))
    zero = Zero(1.0, taken=True)
    found = references(CHANNELS, device, block, zero)
    assert found == References(zero, pytest.approx(5.12), pytest.approx(303.15))
    assert references(CHANNELS, identity(), block, zero) == References(zero)


def test_a_block_of_quantities_has_no_references() -> None:
    values = np.zeros((5, len(WITH_REFERENCES)))
    block = Block(1, 0, 0, values, np.zeros(1, np.int64), np.zeros(1, np.int64))
    assert references(CHANNELS, fitted(roles=WITH_REFERENCES), block, Zero()) == References()


# How long power may be on.


def test_the_longest_run_that_keeps_its_limits_is_not_cut() -> None:
    """free_flow, throttle, shutoff, reopen and free_flow.2, each of 60 s and an answer of 120 s."""
    assert longest_on(pump(), LIMITS, STAGES) == 5 * (60 + 120)


def test_a_module_may_fill_before() -> None:
    """Two shutoffs, reopen, free_flow and throttle, and the part's 10 s to fill; else the stand's 60 s."""
    stages = sequence(Kind.MODULE, dry_check=False)
    assert longest_on(module(), LIMITS, stages) == 5 * (60 + 120) + 10
    assert longest_on(module(fill_limit_s=None), LIMITS, stages) == 5 * (60 + 120) + 60


def test_an_end_is_always_set_and_fits_the_frame() -> None:
    assert longest_on(pump(), replace(LIMITS, stage_s=0.2, ask_s=0.1), STAGES) == 2
    assert longest_on(pump(), replace(LIMITS, stage_s=1e5), STAGES) == 0xFFFF
    assert longest_on(pump(), LIMITS, ("connect", "immerse")) == 1
    assert all(stage_of(s).power is not True for s in ("connect", "immerse", "residual", "finish"))


@pytest.mark.parametrize("volts", [2.0, -0.5, 0.0])
def test_volts_that_single_precision_holds_are_sent_as_they_are(volts: float) -> None:
    assert strict(volts, -math.inf) == volts == strict(volts, math.inf)


@pytest.mark.parametrize("volts", [0.1, 4.1, 3.105, -0.1])
def test_other_volts_are_rounded_to_the_strict_side_by_one_step_at_most(volts: float) -> None:
    step = float(np.spacing(np.float32(abs(volts))))
    assert volts - step < strict(volts, -math.inf) <= volts <= strict(volts, math.inf) < volts + step
