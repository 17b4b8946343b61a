"""Analog sensors: from a quantity in SI to counts of a converter, with errors and noise."""

from dataclasses import dataclass
from math import floor

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
COUNTS = (-32768, 32767)


@dataclass(frozen=True, slots=True)
class Converter:
    """volts = (count − zero_count) × volts_per_count; counts lie in [`lowest`, `highest`]."""

    bits: int
    volts_per_count: float
    zero_count: int
    lowest: int
    highest: int

    def at_pin(self, volts: float) -> float:
        """Volts at the converter's pin, where its lowest count stands at none; an amplifier's lift is in them."""
        step = self.volts_per_count
        return (self.zero_count - self.lowest) * abs(step) + (volts if step > 0.0 else -volts)


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor with a linear output: volts at the converter = `volts_at_zero` + `volts_per_unit` × quantity.

    `quantity_zero` (SI) is subtracted first (a temperature is stated against 0 °C). The output stays within
    [`out_low`, `out_high`] volts. `noise` is a share of the reading and `noise_floor` (SI) adds to it, both as
    standard deviations of one sample. `zero_doubt` (SI) and `gain_doubt` (a share) are the standard uncertainties
    from which an individual sensor's systematic errors are drawn. One that is read more slowly than it is logged gives
    each value `repeat_scans` times. `ripple` is the share of a current's ripple that gets through to its scans.
    `constant` (SI) is what a reference really is, which no unit changes.
    """

    name: str
    role: int
    converter: Converter
    volts_at_zero: float
    volts_per_unit: float
    quantity_zero: float = 0.0
    out_low: float = 0.0
    out_high: float = 5.0
    noise: float = 0.0
    noise_floor: float = 0.0
    zero_doubt: float = 0.0
    gain_doubt: float = 0.0
    repeat_scans: int = 1
    ripple: float = 0.0
    constant: float = 0.0


@dataclass(frozen=True, slots=True)
class Flaw:
    """Systematic errors of one sensor: `zero` in SI, `gain` as a share."""

    zero: float
    gain: float


class Channel:
    """One sensor on one converter input."""

    def __init__(self, sensor: Sensor, flaw: Flaw) -> None:
        converter = sensor.converter
        self.sensor = sensor
        self.flaw = flaw
        self._offset = flaw.zero * sensor.volts_per_unit + sensor.volts_at_zero
        self._slope = (1.0 + flaw.gain) * sensor.volts_per_unit
        self._per_volt = 1.0 / converter.volts_per_count
        self._round = converter.zero_count + 0.5
        self._noise, self._floor, self._reference = sensor.noise, sensor.noise_floor, sensor.quantity_zero
        self._low, self._high = sensor.out_low, sensor.out_high
        self._held = 0.0
        self._left, self._repeats = 0, sensor.repeat_scans - 1
        self._lowest, self._highest = converter.lowest, converter.highest
        self._end = converter.lowest if converter.lowest != converter.zero_count else None

    def volts(self, quantity: float, share: float, normal: float) -> float:
        """Volts that a quantity (SI) gives, counted from where the converter has its zero.

        `share` is a relative deviation of the reading, `normal` a standard normal number for the white noise.
        """
        if self._left > 0:
            self._left -= 1
            return self._held
        x = quantity - self._reference
        x += x * (share + self._noise * normal) + self._floor * normal
        volts = self._offset + self._slope * x
        if volts > self._high:
            volts = self._high
        elif volts < self._low:
            volts = self._low
        if self._repeats:
            self._held, self._left = volts, self._repeats
        return volts

    def all_volts(self, readings: Floats) -> Floats:
        """Volts of readings (SI, over `quantity_zero`) without noise."""
        return np.minimum(np.maximum(self._offset + self._slope * readings, self._low), self._high)

    def digits(self, volts: float) -> tuple[int, bool]:
        """Counts for volts, and whether the converter met an end other than its zero."""
        count = floor(volts * self._per_volt + self._round)
        if self._lowest < count < self._highest:
            return count, False
        if count >= self._highest:
            return self._highest, True
        return self._lowest, self._end is not None

    def count(self, quantity: float, share: float, normal: float) -> tuple[int, bool]:
        """As `volts`, and what the converter makes of them."""
        return self.digits(self.volts(quantity, share, normal))

    def convert(self, reading: float) -> tuple[int, bool]:
        """Counts for a reading (SI, over `quantity_zero`) without noise."""
        return self.digits(min(self._high, max(self._low, self._offset + self._slope * reading)))


def draw_flaw(sensor: Sensor, generator: np.random.Generator) -> Flaw:
    """Systematic errors of one sensor, drawn from its standard uncertainties."""
    zero, gain = generator.standard_normal(2)
    return Flaw(sensor.zero_doubt * float(zero), sensor.gain_doubt * float(gain))
