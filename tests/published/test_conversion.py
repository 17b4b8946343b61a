"""Sensors, converters and flowmeters against published figures and rules.

NE 43: NAMUR NE 43 (2003), limits as in public summaries. JCGM 100:2008 is the GUM. Arithmetic from custom of the trade
is marked so.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.catalogue import units
from daq.catalogue.units import read
from daq.measure.channels import Channels, FlowInput, PressureInput, PressureKind, ShuntInput
from daq.measure.convert import BITS, Column, Converter, Samples, channel_maps, pressure_map
from daq.measure.flow import FlowMeter, KTable
from daq.measure.uncertainty import resolution
from drivers.block import AnalogInput, Block, Role
from tests.daq.measure.blocks import CHANNELS, PRESSURE, identity
from tests.published.rows import rows

BAR = 1e5
LOOP = PressureInput(
    kind=PressureKind.LOOP,
    low=0.0,
    high=10 * BAR,
    out_low=4e-3,
    out_high=20e-3,
    valid_low=3.6e-3,
    valid_high=21e-3,
    burden=100.0,
)
MICROVOLTS = 1e-5
"""Volts per count of a converter fine enough that no expected figure is lost in it."""


def converted(channels: Channels, volts: dict[Role, float]) -> Samples:
    """Two scans with these volts at the converter of a device with these channels; the three needed ones are added."""
    volts = {Role.PRESSURE: 1.0, Role.SUPPLY_VOLTAGE: 0.0, Role.SHUNT: 0.0} | volts
    inputs = tuple(AnalogInput(role, 16, -32768, 2 * MICROVOLTS * 5) for role in volts)
    counts = [round(v / (2 * MICROVOLTS * 5)) - 32768 for v in volts.values()]
    device = replace(identity(), analog=inputs)
    block = Block(1, 0, 0, np.array([counts, counts], dtype=np.int16), np.zeros(1, int), np.array([-1]))
    return Converter(replace(channels, temperature=None, level=None), device).convert(block)


@rows("V3.1")
@pytest.mark.parametrize(("volts", "share"), [(0.5, 0.0), (1.5, 0.25), (2.5, 0.5), (4.5, 1.0)])
def test_ratiometric_transducer(volts: float, share: float) -> None:
    """Common practice, no source: 0.5 to 4.5 V at 5 V, p/FS = (V/Vs − 0.1)/0.8."""
    line = pressure_map(PRESSURE)
    assert (line.offset + line.slope * volts) / PRESSURE.high == pytest.approx(share, abs=1e-12)


@rows("V3.2")
def test_ratiometric_transducer_under_a_low_excitation() -> None:
    """Common practice, no source: 2.450 V at 4.900 V is 50 % of full scale, 48.75 % if 5 V is taken for granted."""
    measured = converted(CHANNELS, {Role.PRESSURE: 2.45, Role.EXCITATION: 4.9}).values[0, Column.PRESSURE]
    assumed = converted(CHANNELS, {Role.PRESSURE: 2.45}).values[0, Column.PRESSURE]
    assert measured / PRESSURE.high == pytest.approx(0.5, abs=1e-9)
    assert assumed / PRESSURE.high == pytest.approx(0.4875, abs=1e-9)


@rows("V3.3")
@pytest.mark.parametrize(("milliamperes", "bar"), [(4, 0.0), (8, 2.5), (12, 5.0), (20, 10.0)])
def test_current_loop(milliamperes: float, bar: float) -> None:
    """IEC 60381-1: 4 to 20 mA d.c. signal, here for 0 to 10 bar into 100 Ω."""
    line = pressure_map(LOOP)
    assert (line.offset + line.slope * milliamperes * 1e-3 * LOOP.burden) / BAR == pytest.approx(bar, abs=1e-12)


@rows("V3.4")
@pytest.mark.parametrize(
    ("milliamperes", "broken"),
    [(3.5, True), (3.59, True), (3.7, False), (3.8, False), (12, False), (20.5, False), (20.9, False), (21.01, True)],
)
def test_current_loop_failure_signals(milliamperes: float, broken: bool) -> None:
    """NE 43: failure at 3.6 mA and below and at 21 mA and above; 3.8 to 20.5 mA is signal, in between saturation."""
    channels = replace(CHANNELS, pressure=LOOP)
    samples = converted(channels, {Role.PRESSURE: milliamperes * 1e-3 * LOOP.burden})
    assert bool(samples.faulty & BITS[Column.PRESSURE]) is broken


@rows("V3.5", "V3.6")
@pytest.mark.parametrize(
    ("rated_amperes", "rated_volts", "volts", "amperes"), [(50, 50e-3, 12.5e-3, 12.5), (30, 75e-3, 20e-3, 8.0)]
)
def test_shunt_current(rated_amperes: float, rated_volts: float, volts: float, amperes: float) -> None:
    """Ohm's law with the rating styles of shunts, 50 A/50 mV (1 mΩ) and 30 A/75 mV (ratings from memory)."""
    line = channel_maps(replace(CHANNELS, shunt=ShuntInput(rated_volts / rated_amperes, gain=1.0)))[Column.CURRENT]
    assert line.offset + line.slope * volts == pytest.approx(amperes, rel=1e-9)


@rows("V3.7")
def test_shunt_temperature() -> None:
    """Manganin, 15 ppm/K (handbook value, from memory): 30 K change the resistance by 0.045 %."""
    cold = ShuntInput(r20=1e-3, gain=1.0, alpha=15e-6, assumed_temperature=293.15)
    lines = [
        channel_maps(replace(CHANNELS, shunt=shunt))[Column.CURRENT]
        for shunt in (cold, replace(cold, assumed_temperature=323.15))
    ]
    assert lines[0].slope / lines[1].slope - 1 == pytest.approx(0.00045, rel=1e-9)


@rows("V3.20", "V3.21")
@pytest.mark.parametrize(("bits", "volts", "microvolts"), [(12, 5.0, 352.3866), (16, 5.0, 22.0242), (12, 3.3, 232.575)])
def test_quantisation(bits: int, volts: float, microvolts: float) -> None:
    """JCGM 100:2008, F.2.2.1: u = LSB/√12."""
    assert resolution(volts / 2**bits).standard * 1e6 == pytest.approx(microvolts, rel=1e-5)


@rows("V3.22")
def test_quantisation_of_a_pressure() -> None:
    """Derived from JCGM 100:2008, F.2.2.1: 12 bit, 5 V, 0.5 to 4.5 V for 10 bar: LSB 3.051758 mbar, u 0.880967 mbar."""
    device = replace(identity(), analog=tuple(replace(a, volts_per_count=5 / 4096) for a in identity().analog))
    lsb = Converter(CHANNELS, device).lsb[Column.PRESSURE]
    assert lsb / 100 == pytest.approx(3.051758, rel=1e-6)
    assert resolution(float(lsb)).standard / 100 == pytest.approx(0.880967, rel=1e-6)


# Frequency and flow.
HERTZ = 200 / 3
TABLE = KTable.of(tuple((h, k * 1e3) for h, k in ((50.0, 1985.0), (100.0, 2000.0), (200.0, 2006.0), (400.0, 2004.0))))
"""Invented for the test, pulses per litre at hertz."""


def edge_ticks(hertz: float, seconds: float) -> list[int]:
    return [round(k * 1e6 / hertz) for k in range(1, math.floor(seconds * hertz) + 1)]


def counted(hertz: float, seconds: float, block_s: float = 0.01) -> FlowMeter:
    """A meter that saw edges at `hertz` on a clock of 1 MHz, told of them every `block_s`."""
    meter = FlowMeter(FlowInput(k_table=((1.0, 1.0), (1e5, 1.0))), identity(), tick0=0)
    ticks = edge_ticks(hertz, seconds)
    for k in range(1, round(seconds / block_s) + 1):
        end = k * block_s
        seen = [t for t in ticks if t <= end * 1e6 + 0.5]
        last = seen[-1] if seen else -1
        meter.feed(Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([len(seen)]), np.array([last])), end)
    return meter


@rows("V3.23", "V3.25")
def test_reciprocal_counting_beats_a_gate() -> None:
    """Textbook: at 66.667 Hz a gate of 0.5 s holds 33 or 34 pulses, a step of 2 Hz or 3 % of reading; the time between
    edges on a clock of 1 MHz resolves 2 ppm of it (one tick in 0.5 s), 0.000133334 Hz."""
    gates = {math.floor(HERTZ * (b + 0.5)) - math.floor(HERTZ * b) for b in np.linspace(0.0, 1.0, 50)}
    assert gates == {33, 34}
    meter = counted(HERTZ, 2.0)
    for begin in np.arange(0.1, 1.4, 0.07):
        assert meter.mean(begin, begin + 0.5).value == pytest.approx(HERTZ, abs=2 * 0.000133334)


@rows("V3.24")
def test_gated_count_would_carry_a_triangular_error() -> None:
    """JCGM 100:2008, 4.3.9: a gate without synchronisation errs within ± 1 count, triangular, u = 1/√6 = 0.408248
    counts; flow steps of 60 ms scatter by less than a thousandth of that."""
    meter, steps = FlowMeter(FlowInput(k_table=((1.0, 1.0), (1e5, 1.0))), identity(), tick0=0), []
    ticks = edge_ticks(HERTZ, 3.0)
    for k in range(1, 301):
        seen = [t for t in ticks if t <= k * 10_000]
        last = seen[-1] if seen else -1
        step = meter.feed(Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([len(seen)]), np.array([last])), k * 0.01)
        steps += [step.flow.value] if step else []
    assert len(steps) > 40
    assert np.std(steps) * 0.06 < 0.408248 / 1000


@rows("V4.1")
def test_k_factor() -> None:
    """ISA-RP31.1 (1977), from memory: f = K·Q; 2000 pulses/L at 2 L/min are 66.666667 Hz."""
    table = KTable.of(((10.0, 2000e3), (1000.0, 2000e3)))
    assert table.flow(66.666667).value * 60e3 == pytest.approx(2.0, rel=1e-8)
    assert table.flow(200 / 3).value * table.factor(200 / 3) == pytest.approx(66.666667, rel=1e-8)


@rows("V4.2")
def test_k_factor_per_gallon() -> None:
    """By definition (231 in³ to the US gallon, NIST SP 811): 13 500 pulses/gal are 3566.322707 pulses/L. As a stand's
    file may state them, and as its flow then follows from 100 pulses a second: 100/13 500 gal/s."""
    per_m3 = read("13500 /US_gallon", units.PULSES)
    assert per_m3 / 1e3 == pytest.approx(3566.322707, rel=1e-9)
    table = KTable.of(((10.0, per_m3), (1e3, per_m3)))
    assert table.factor(100.0) / 1e3 == pytest.approx(3566.322707, rel=1e-9)
    assert table.flow(100.0).value == pytest.approx(read("1 US_gallon/s", units.FLOW) / 135.0, rel=1e-9)


@rows("V4.3")
def test_k_factor_at_low_frequency() -> None:
    """By definition: 450 pulses/L at 120 L/h are 15.000 Hz; here from edges to flow."""
    meter = FlowMeter(FlowInput(k_table=((1.0, 450e3), (100.0, 450e3))), identity(), tick0=0)
    for k in range(1, 16):
        meter.feed(Block(1, 0, 0, np.zeros((1, 1), np.int16), np.array([k]), np.array([round(k * 1e6 / 15)])), k / 15)
    assert meter.mean(0.0, 1.1).value * 3.6e6 == pytest.approx(120.0, rel=2e-6)


@rows("V4.4")
def test_k_interpolation() -> None:
    """Linear interpolation: at 75 Hz K = 1992.5 pulses/L and Q = 2.258469 L/min."""
    assert TABLE.factor(75.0) == pytest.approx(1992.5e3, rel=1e-12)
    assert TABLE.flow(75.0).value * 60e3 == pytest.approx(2.258469, rel=1e-6)


@rows("V4.5")
def test_k_table_ends() -> None:
    """Same table: 1.511335 L/min at 50 Hz, 11.976048 L/min at 400 Hz; beyond them it says nothing."""
    assert TABLE.flow(50.0).value * 60e3 == pytest.approx(1.511335, rel=1e-6)
    assert TABLE.flow(400.0).value * 60e3 == pytest.approx(11.976048, rel=1e-6)
    assert math.isnan(TABLE.flow(49.999).value)
    assert math.isnan(TABLE.flow(400.001).value)
