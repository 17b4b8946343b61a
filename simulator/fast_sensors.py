"""Sensors and meter of a lean bench, a block at a time; what they do stands in `simulator.plant`."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import NDArray

from simulator.plant.meter import MeterDesign
from simulator.plant.sensors import Sensor

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Misreading:
    """How one sensor errs: `gain` as a share; `offset` (SI) wherever it measures something, which no zero takes away;
    `zero` (SI) always. Between rest and `knee` (SI) the offset grows in proportion, so that it does not jump."""

    gain: float = 0.0
    offset: float = 0.0
    zero: float = 0.0
    knee: float = 1.0


TRUE = Misreading()


class Sensors:
    """All analog channels of a device in the scenario's order. `errors` by the sensor's name; who is not in it is
    true."""

    def __init__(self, sensors: Sequence[Sensor], errors: Mapping[str, Misreading]) -> None:
        wrong = [errors.get(s.name, TRUE) for s in sensors]
        converters = [s.converter for s in sensors]
        self._reference = np.array([s.quantity_zero for s in sensors])
        self._noise = np.array([s.noise for s in sensors])
        self._floor = np.array([s.noise_floor for s in sensors])
        self._gain = np.array([1.0 + w.gain for w in wrong])
        self._offset = np.array([w.offset for w in wrong])
        self._zero = np.array([w.zero for w in wrong])
        self._per_knee = np.array([1.0 / w.knee for w in wrong])
        per_volt = np.array([1.0 / c.volts_per_count for c in converters])
        self._slope = per_volt * np.array([s.volts_per_unit for s in sensors])
        half_up = np.array([c.zero_count + 0.5 for c in converters])
        self._rest = per_volt * np.array([s.volts_at_zero for s in sensors]) + half_up
        self._least = np.maximum(
            per_volt * np.array([s.out_low for s in sensors]) + half_up, [c.lowest for c in converters]
        )
        self._most = np.minimum(
            per_volt * np.array([s.out_high for s in sensors]) + half_up, [c.highest for c in converters]
        )
        self._highest = np.array([c.highest for c in converters])
        self._lowest = np.array(
            [c.lowest if c.lowest != c.zero_count else np.iinfo(np.int16).min - 1 for c in converters]
        )

    def counts(self, values: Floats, white: Floats, share: Floats) -> tuple[NDArray[np.int16], int]:
        """Counts `[n, channels]` of quantities (SI), and a bit for each channel that met an end of its converter.

        `white` is standard normal noise `[n, channels]`, `share` `[n]` the relative deviation of the first channel.
        """
        x = values - self._reference
        relative = self._noise * white
        relative[:, 0] += share
        x += x * relative + self._floor * white
        x = self._gain * x + self._offset * np.minimum(np.abs(x) * self._per_knee, 1.0) + self._zero
        raw = np.floor(np.minimum(np.maximum(self._rest + self._slope * x, self._least), self._most))
        over = ((raw.max(axis=0) >= self._highest) | (raw.min(axis=0) <= self._lowest)).tolist()
        return raw.astype(np.int16), sum(1 << k for k, hit in enumerate(over) if hit)


class FastMeter:
    """A pulse flowmeter that follows a block of flows: `edges` rising edges so far, `last_tick` the newest one's tick,
    −1 before any. `gain` is its true K over that of its table."""

    def __init__(self, design: MeterDesign, gain: float, scans: int, seconds: float) -> None:
        keep = exp(-seconds / design.lag)
        age = np.subtract.outer(np.arange(scans), np.arange(scans))
        self._weights = np.where(age >= 0, (1.0 - keep) * keep ** np.maximum(age, 0), 0.0)
        self._fade = keep ** np.arange(1, scans + 1)
        self._design, self._gain, self._seconds = design, gain, seconds
        self._hertz = np.array([f for f, _ in design.k_table])
        self._pulses = np.array([k for _, k in design.k_table])
        self._flow = self._last_hertz = self._phase = 0.0
        self.edges, self.last_tick = 0, -1

    def advance(self, flow: Floats, tick: int, ticks: int) -> None:
        """Follows the mean flows (m³/s) of so many scans, each `ticks` long, the first one from `tick` on."""
        after = self._weights @ flow + self._fade * self._flow
        before = np.concatenate(([self._flow], after[:-1]))
        self._flow = float(after[-1])
        if self._flow < self._design.stall_flow and before.max() < self._design.stall_flow:
            self._last_hertz = 0.0
            return
        mean = flow + (before - after) * (self._design.lag / self._seconds)
        mean = np.where(mean < self._design.stall_flow, 0.0, mean) * self._gain
        hertz = mean * np.interp(self._last_hertz, self._hertz, self._pulses)
        hertz = mean * np.interp(hertz, self._hertz, self._pulses)
        self._last_hertz = float(hertz[-1])
        self._count(self._phase + np.cumsum(hertz * self._seconds), tick, ticks)

    def _count(self, turned: Floats, tick: int, ticks: int) -> None:
        """Edges stand where the revolutions pass a whole number."""
        new = int(turned[-1])
        if new:
            k = int(np.searchsorted(turned, new))
            begin = self._phase if k == 0 else float(turned[k - 1])
            self.last_tick = tick + int((k + (new - begin) / (float(turned[k]) - begin)) * ticks)
            self.edges += new
        self._phase = float(turned[-1]) - new
