"""The stands of a population: test stands that differ as real ones do, each configured as it really is.

A core that was tried on one stand is tuned to it without anybody noticing. So a study draws the stand as well as the
unit: meter, scan rate, converter, leads, and the hands that turn the valve. The ranges are common practice for benches
that test in-tank pumps; they have no source.

A drawn stand errs only by what its configuration states. Its stated values (table of the meter, converter step,
resistance of the leads) are the true ones; systematic errors are drawn apart, by `daq.study.blind_errors`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from daq.measure.channels import FlowInput
from daq.procedure.plan import Stand
from drivers.block import Identity
from simulator.design import DeviceDesign, Habits, Scenario, UnitDesign
from simulator.fast import FastBench, identity_of
from simulator.fast_sensors import Misreading
from simulator.plant.sensors import COUNTS, Converter

PULSES_PER_LITRE = (500.0, 10_000.0)
COARSE = 1_500.0
"""Meters with fewer pulses per litre than this count as coarse."""
RATES = (50, 100, 125, 200, 250, 500, 1000)
"""Scans per second. Each period is a whole number of the plant's milliseconds."""
SLOW = 125
"""Devices that scan no more often than this count as slow."""
BLOCK_S = 0.04
"""Time that a device gathers in one frame, in seconds."""
BITS = (10, 16)
LEADS_OHM = (0.0, 0.1)
METER_LAG_S = (0.05, 0.3)
VALVE_S = (1.0, 20.0)
"""Time that a hand takes to close or to open the valve, in seconds."""
QUICK_VALVE_S = (0.5, 2.0)
REACTION_S = (0.3, 2.0)
TRAITS = {
    "meter": ("500 to 1 500 pulses/L", "1 500 to 10 000 pulses/L"),
    "scans": ("50 to 125 scans/s", "200 to 1 000 scans/s"),
    "converter": ("10 and 11 bits", "12 to 16 bits"),
    "leads": ("leads below 50 mΩ", "leads of 50 to 100 mΩ"),
    "hand": ("valve within 3 s", "valve in 3 to 20 s"),
}
"""The kinds of stand that tables show, two by each property."""


@dataclass(frozen=True, slots=True)
class DrawnStand:
    """A stand of the population: `stand` is its configuration, `scenario` what it really is.

    `leads` (Ω) lie between the point where the supply voltage is sensed and the unit's terminals. `traits` names the
    kinds that the stand belongs to, one of each pair in TRAITS.
    """

    stand: Stand
    scenario: Scenario
    habits: Habits
    leads: float
    traits: tuple[str, ...]

    @property
    def identity(self) -> Identity:
        """The IDENTITY of the stand's device."""
        return identity_of(self.scenario)

    def supplied(self, design: UnitDesign, terminals: float, current: float) -> UnitDesign:
        """The unit with a supply that gives `terminals` (V) at its terminals at `current` (A), leads included.

        A fault of the unit's own supply stays.
        """
        supply = design.supply
        loop = supply.resistance + self.leads
        lead_resistance = supply.lead_resistance + self.leads
        return replace(
            design, supply=replace(supply, volts=terminals + current * loop, lead_resistance=lead_resistance)
        )

    def mount(
        self,
        design: UnitDesign,
        generator: np.random.Generator,
        *,
        misread: Mapping[str, Misreading] | None = None,
        meter_gain: float = 1.0,
        scenario: Scenario | None = None,
    ) -> FastBench:
        """A lean bench with the unit on it. `scenario` replaces the drawn one where a study varies it further."""
        return FastBench(
            scenario or self.scenario,
            design,
            generator,
            misread=misread or {},
            meter_gain=meter_gain,
            habits=self.habits,
            leads=self.leads,
        )


def as_configured(stand: Stand, scenario: Scenario, habits: Habits | None = None) -> DrawnStand:
    """The stand of the configuration itself, as the only member of a population."""
    return DrawnStand(stand, scenario, habits or scenario.habits, stand.channels.voltage.lead_resistance, ())


def draw_stand(generator: np.random.Generator, stand: Stand, scenario: Scenario) -> DrawnStand:
    """A random stand of the population that follows hands; `stand` and `scenario` give everything that is not drawn."""
    pulses = _log_uniform(generator, PULSES_PER_LITRE)
    sample_hz = int(generator.choice(RATES))
    bits = int(generator.integers(BITS[0], BITS[1] + 1))
    leads = float(generator.uniform(*LEADS_OHM))
    lag = _log_uniform(generator, METER_LAG_S)
    valve = _log_uniform(generator, VALVE_S)
    habits = replace(
        scenario.habits,
        reaction=float(generator.uniform(*REACTION_S)),
        slow_travel=valve,
        quick_travel=float(generator.uniform(*QUICK_VALVE_S)),
    )
    channels = stand.channels
    meter = _meter(channels.flow, pulses * 1e3, lag)
    true_lag = lag * (1.0 + meter.lag_doubt * float(generator.uniform(-1.0, 1.0)))
    drawn = replace(
        stand, channels=replace(channels, flow=meter, voltage=replace(channels.voltage, lead_resistance=leads))
    )
    really = replace(
        scenario,
        device=_device(scenario.device, sample_hz),
        sensors=tuple(replace(s, converter=_converter(s.converter, bits)) for s in scenario.sensors),
        meter=replace(scenario.meter, k_table=meter.k_table, lag=true_lag),
        habits=habits,
    )
    return DrawnStand(drawn, really, habits, leads, _traits(pulses, sample_hz, bits, leads, valve))


def _meter(meter: FlowInput, per_cubic_metre: float, lag: float) -> FlowInput:
    """A meter of the same shape and range of flow, with so many pulses to the volume."""
    factor = per_cubic_metre / meter.k_table[-1][1]
    return replace(meter, k_table=tuple((hertz * factor, k * factor) for hertz, k in meter.k_table), lag=lag)


def _device(device: DeviceDesign, sample_hz: int) -> DeviceDesign:
    return replace(device, sample_hz=sample_hz, block_scans=max(1, round(BLOCK_S * sample_hz)))


def _converter(converter: Converter, bits: int) -> Converter:
    """A converter of the same span with another number of bits; one whose counts would not fit 16 signed bits is
    shifted by half its span, as the link wants it."""
    top, scale = 2**bits, 2.0 ** (bits - converter.bits)
    shift = 0 if top - 1 <= COUNTS[1] else -(top // 2)
    zero = round((converter.zero_count - converter.lowest) * scale)
    return Converter(bits, converter.volts_per_count / scale, zero + shift, shift, top - 1 + shift)


def _traits(pulses: float, sample_hz: int, bits: int, leads: float, valve: float) -> tuple[str, ...]:
    seconds = {
        "meter": pulses >= COARSE,
        "scans": sample_hz > SLOW,
        "converter": bits >= 12,
        "leads": leads >= 0.05,
        "hand": valve >= 3.0,
    }
    return tuple(TRAITS[name][int(second)] for name, second in seconds.items())


def _log_uniform(generator: np.random.Generator, ends: tuple[float, float]) -> float:
    low, high = ends
    return math.exp(float(generator.uniform(math.log(low), math.log(high))))
