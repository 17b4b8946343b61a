"""What may happen to a sensor of the stand: broken wires, stuck and drifting outputs, pulses lost or too many."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drivers.block import Role
from simulator.plant.sensors import Sensor

Spoil = Callable[[Sensor, float, float, float], float]
"""From a sensor, the volts that it would give, those that it gave when it failed, and the seconds since: volts."""


def floating_high(sensor: Sensor, volts: float, first: float, seconds: float) -> float:
    """A broken wire; the input is pulled up to the converter's reference."""
    del volts, first, seconds
    converter = sensor.converter
    return (converter.highest + 1 - converter.zero_count) * converter.volts_per_count


def shorted(sensor: Sensor, volts: float, first: float, seconds: float) -> float:
    """A wire on ground."""
    del sensor, volts, first, seconds
    return 0.0


def stuck(sensor: Sensor, volts: float, first: float, seconds: float) -> float:
    """The value of the moment, again and again, without even noise."""
    del sensor, volts, seconds
    return first


def drifting(sensor: Sensor, volts: float, first: float, seconds: float) -> float:
    """The output runs away, 10 mV a second."""
    del sensor, first
    return volts + 0.010 * seconds


def saturated(sensor: Sensor, volts: float, first: float, seconds: float) -> float:
    """An amplifier at the upper end of what it can put out."""
    del volts, first, seconds
    return sensor.out_high


def off_by(share: float) -> Spoil:
    """The output is off by a share of itself."""

    def spoil(sensor: Sensor, volts: float, first: float, seconds: float) -> float:
        del sensor, first, seconds
        return volts * (1.0 + share)

    return spoil


ANALOG: dict[str, tuple[Role, Spoil]] = {
    "pressure_open": (Role.PRESSURE, floating_high),
    "pressure_shorted": (Role.PRESSURE, shorted),
    "pressure_stuck": (Role.PRESSURE, stuck),
    "pressure_drifting": (Role.PRESSURE, drifting),
    "voltage_open": (Role.SUPPLY_VOLTAGE, shorted),
    "voltage_stuck": (Role.SUPPLY_VOLTAGE, stuck),
    "current_saturated": (Role.SHUNT, saturated),
    "current_open": (Role.SHUNT, shorted),
    "current_stuck": (Role.SHUNT, stuck),
    "temperature_open": (Role.FLUID_TEMPERATURE, floating_high),
    "temperature_stuck": (Role.FLUID_TEMPERATURE, stuck),
    "level_stuck": (Role.LEVEL, stuck),
    "excitation_low": (Role.EXCITATION, off_by(-0.16)),
    "excitation_high": (Role.EXCITATION, off_by(0.02)),
    "excitation_drifting": (Role.EXCITATION, drifting),
    "excitation_stuck": (Role.EXCITATION, stuck),
    "reference_high": (Role.REFERENCE_VOLTAGE, off_by(0.02)),
    "shunt_temperature_high": (Role.AMBIENT_TEMPERATURE, off_by(0.25)),
    "converter_supply_low": (Role.CONVERTER_SUPPLY, off_by(-0.08)),
}
"""Faults of analog channels by name: the channel, and what becomes of its volts. A voltage tap and a shunt amplifier
that lost their wire are pulled down, so that open reads as nothing there."""


@dataclass(frozen=True, slots=True)
class Pulses:
    """What becomes of a meter's pulses: each is lost with the probability `lost`, and `extra` (1/s) come of
    themselves, at any time."""

    lost: float = 0.0
    extra: float = 0.0


METER = {"flow_dead": Pulses(lost=1.0), "flow_missing": Pulses(lost=0.15), "flow_noisy": Pulses(extra=12.0)}
"""Faults of the flowmeter by name: no pulses; a worn pick-up that misses some, irregularly; edges that are none."""

ALL_CHANNELS = {"converter_reference_low": 1.02}
"""Faults of what all channels are converted by, and the factor by which every one of them reads too much: the
converter's own reference is 2 % too low."""

SENSOR_FAULTS = (*ANALOG, *METER, *ALL_CHANNELS)
"""The names of all of them."""


class AnalogFault:
    """A fault of one channel from the moment when it is made."""

    def __init__(self, name: str, sensor: Sensor, time: float) -> None:
        self._spoil = ANALOG[name][1]
        self._sensor, self._time = sensor, time
        self._first: float | None = None

    def __call__(self, volts: float, time: float) -> float:
        """The volts instead of these."""
        if self._first is None:
            self._first = volts
        return self._spoil(self._sensor, volts, self._first, time - self._time)


class PulseFault:
    """A fault of the meter's pulses: `count` gives the edges that are counted instead of so many new ones."""

    def __init__(self, pulses: Pulses, generator: np.random.Generator) -> None:
        self._pulses, self._draw = pulses, generator

    def count(self, new: int, seconds: float) -> tuple[int, int]:
        """Of `new` edges in `seconds`, how many are counted, and how many come besides."""
        kept = int(self._draw.binomial(new, 1.0 - self._pulses.lost)) if new else 0
        return kept, int(self._draw.poisson(self._pulses.extra * seconds)) if self._pulses.extra else 0
