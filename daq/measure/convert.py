"""From counts to quantities: one linear map a channel, and the test whether the channel can be believed."""

import math
from collections.abc import Collection
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import Channels, PressureInput, PressureKind
from daq.measure.errors import NotFittedError
from daq.measure.references import EXCITATION, SHUNT_TEMPERATURE, References, references_of
from daq.measure.still import Standstill
from drivers.block import Block, Identity, Role

Floats = NDArray[np.float64]


class Column(IntEnum):
    """The columns of everything converted: Pa, V, A, K, share of full."""

    PRESSURE = 0
    VOLTAGE = 1
    CURRENT = 2
    TEMPERATURE = 3
    LEVEL = 4


N_COLUMNS = len(Column)
BITS = tuple(1 << c for c in Column)

_ROLE = {
    Column.PRESSURE: Role.PRESSURE,
    Column.VOLTAGE: Role.SUPPLY_VOLTAGE,
    Column.CURRENT: Role.SHUNT,
    Column.TEMPERATURE: Role.FLUID_TEMPERATURE,
    Column.LEVEL: Role.LEVEL,
}
NEEDED = (Column.PRESSURE, Column.VOLTAGE, Column.CURRENT)
"""Without these no unit can be judged."""
NEVER_STILL = (0,) * N_COLUMNS
FLOW_STEP = N_COLUMNS
"""Behind the columns, the place in `Converter.lsb` of the resolution of a flow that the device states itself."""


@dataclass(frozen=True, slots=True)
class Zero:
    """Shift of the pressure (Pa) and current (A) zero against the calibrated one, and the standard uncertainty of each.

    `taken` is False where none was: then nothing is shifted and the largest shift allowed is the doubt.
    """

    pressure: float = 0.0
    current: float = 0.0
    pressure_doubt: float = 0.0
    current_doubt: float = 0.0
    taken: bool = False

    @classmethod
    def calibrated(cls, channels: Channels) -> "Zero":
        """The zero of the last calibration, rectangular within the limits of a shift."""
        root = 3**0.5
        return cls(0.0, 0.0, channels.pressure.zero_limit / root, channels.shunt.zero_limit / root)


@dataclass(frozen=True, slots=True)
class Map:
    """A channel's line from volts at the converter to SI (NaN: only a device that speaks SI has it), and the believable
    range in SI."""

    slope: float
    offset: float
    low: float
    high: float


def pressure_map(p: PressureInput) -> Map:
    """The line of a transducer with its nominal excitation (a loop: NAMUR NE 43 decides what is a signal)."""
    if p.kind is PressureKind.QUANTITY:
        return Map(math.nan, math.nan, p.valid_low, p.valid_high)
    per_output = {
        PressureKind.RATIOMETRIC: p.gain * p.excitation,
        PressureKind.VOLTAGE: p.gain,
        PressureKind.LOOP: p.gain * p.burden,
    }[p.kind]
    span = (p.high - p.low) / (p.out_high - p.out_low)
    return Map(
        slope=span / per_output,
        offset=p.at_no_output,
        low=p.low + (p.valid_low - p.out_low) * span,
        high=p.low + (p.valid_high - p.out_low) * span,
    )


def channel_maps(channels: Channels) -> dict[Column, Map]:
    """The line of every channel that the configuration has."""
    shunt, volts, warm, level = channels.shunt, channels.voltage, channels.temperature, channels.level
    r_shunt = shunt.r20 * (1 + shunt.alpha * (shunt.assumed_temperature - 293.15))
    maps = {
        Column.PRESSURE: pressure_map(channels.pressure),
        Column.VOLTAGE: Map(1 / volts.divider, 0.0, -1.0, volts.full_scale),
        Column.CURRENT: Map(1 / (shunt.gain * r_shunt), 0.0, -0.1 * shunt.full_scale, shunt.full_scale),
    }
    if warm is not None:
        maps[Column.TEMPERATURE] = Map(
            1 / warm.volts_per_kelvin, 273.15 - warm.volts_at_zero_celsius / warm.volts_per_kelvin, warm.low, warm.high
        )
    if level is not None:
        span = level.volts_full - level.volts_empty
        maps[Column.LEVEL] = Map(1 / span, -level.volts_empty / span, -0.1, 1.1)
    return maps


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A block in SI: `values` is float64 `[n, 5]` by `Column`, NaN where not fitted.

    Bit c of `faulty` says that column c cannot be believed in this block, by itself or because a reference that it
    rests on disagrees; bit c of `above` that it met its upper end.
    `still` is by Column the number of scans up to the block's end in which the raw counts of one that is `NEEDED` did
    not change at all, or what a device that speaks SI said of it; where such a device does not say how fine that is,
    it tells nothing and is 0.
    """

    values: Floats
    faulty: int
    above: int
    still: tuple[int, ...] = NEVER_STILL


class Converter:
    """Turns blocks of one device into SI by one stand's channels.

    Raises:
        NotFittedError: a channel that is `needed` is not there, or the configuration does not say how its volts are
            turned into a quantity.
    """

    def __init__(self, channels: Channels, identity: Identity, needed: Collection[Column] = NEEDED) -> None:
        maps = channel_maps(channels)
        self._source: list[int] = []
        self._target: list[int] = []
        self.lsb = np.full(N_COLUMNS + 1, np.nan)
        slope, offset, low, high = [], [], [], []
        for column, line in maps.items():
            k = identity.analog_index(_ROLE[column])
            if k is None:
                if column in needed:
                    raise NotFittedError(
                        f"device {identity.device_id}: no channel for {column.name.lower()}: expected role "
                        f"{_ROLE[column].value}, found roles {[int(a.role) for a in identity.analog]}; connect the "
                        "sensor or correct the table in the firmware"
                    )
                continue
            raw = identity.analog[k]
            if raw.volts_per_count and math.isnan(line.slope):
                raise _no_line(identity, column)
            self._source.append(k)
            self._target.append(column)
            slope.append(line.slope * raw.volts_per_count)
            offset.append(line.offset - line.slope * raw.volts_per_count * raw.zero_count)
            low.append(line.low)
            high.append(line.high)
            self.lsb[column] = abs(line.slope * raw.volts_per_count) if raw.volts_per_count else raw.resolution
        self._slope, self._offset = np.array(slope), np.array(offset)
        stated = identity.analog_index(Role.FLOW)
        self.lsb[FLOW_STEP] = 0.0 if stated is None else identity.analog[stated].resolution
        self._low, self._high = np.array(low), np.array(high)
        # A reference at its end spoils what is worked out with it.
        leaning = ((Role.EXCITATION, Column.PRESSURE), (Role.AMBIENT_TEMPERATURE, Column.CURRENT))
        references = [(k, c) for role, c in leaning if (k := identity.analog_index(role)) is not None]
        read = zip(self._source, self._target, strict=True)
        self._overrange = [(1 << k, 1 << c) for k, c in (*read, *references)]
        self._left_outside = np.zeros((2, len(self._source)), dtype=np.int64)
        self._in_order = self._source == list(range(len(self._source)))
        self._lead = channels.voltage.lead_resistance
        fitted = {column: place for place, column in enumerate(self._target)}
        watched: dict[int, int] = {c: fitted[c] for c in NEEDED if c in fitted}
        self._standstill = Standstill(watched, N_COLUMNS)
        self._has_digits = all(self.lsb[c] > 0.0 for c in watched)
        self._excitation = _Excitation.of(channels.pressure, fitted.get(Column.PRESSURE))
        self._shunt = _WarmShunt.of(channels, fitted.get(Column.CURRENT))
        self.references = References(references_of(channels, identity), identity.sample_hz)
        self.zero = Zero.calibrated(channels)

    def resolution(self) -> dict[str, float]:
        """One step of the converter in SI by channel name, of the channels that are there."""
        return {c.name.lower(): float(self.lsb[c]) for c in Column if np.isfinite(self.lsb[c])}

    def convert(self, block: Block) -> Samples:
        """Counts `[n, n_analog]` to SI `[n, 5]`."""
        n = block.n
        width = len(self._source)
        raw = block.values[:, :width] if self._in_order else block.values[:, self._source]
        si = raw * self._slope + self._offset if block.in_counts else raw.astype(np.float64)
        leaning = self.references.feed(block) if block.in_counts else ()
        self._by_measured_references(si)
        still = self._standstill.feed(raw) if block.in_counts or self._has_digits else NEVER_STILL
        faulty, above = self._unbelievable(si, block.overrange)
        faulty |= sum({BITS[Column[name.upper()]] for name in leaning})
        values = si
        if width != N_COLUMNS:
            values = np.full((n, N_COLUMNS), np.nan)
            values[:, self._target] = si
        values[:, Column.PRESSURE] -= self.zero.pressure
        values[:, Column.CURRENT] -= self.zero.current
        if self._lead:
            values[:, Column.VOLTAGE] -= self._lead * values[:, Column.CURRENT]
        return Samples(values, faulty, above, still)

    def _by_measured_references(self, si: Floats) -> None:
        excitation, kelvin = self.references.level(EXCITATION), self.references.level(SHUNT_TEMPERATURE)
        if self._excitation is not None and excitation is not None:
            self._excitation.correct(si, excitation)
        if self._shunt is not None and kelvin is not None:
            self._shunt.correct(si, kelvin)

    def _unbelievable(self, si: Floats, overrange: int) -> tuple[int, int]:
        """Two samples outside make a channel faulty: a spike on a single one is noise, a broken wire stays.

        The last sample of the block before counts too, or blocks of one sample would hide everything. A single one that
        is no number, as only devices that speak SI can send, is the device's own word that the sensor gives nothing.
        """
        faulty = above = 0
        if overrange:
            for raw_bit, bit in self._overrange:
                faulty |= bit if overrange & raw_bit else 0
        # NaN lies on neither side: hence the two negations.
        inside = not (si.max(axis=0) > self._high).any() and bool((si.min(axis=0) >= self._low).all())
        if not inside or faulty or self._left_outside.any():
            high, low = si > self._high, ~(si >= self._low)
            many_high, many_low = (np.stack((high.sum(axis=0), low.sum(axis=0))) + self._left_outside) >= 2
            self._left_outside = np.stack((high[-1], low[-1])).astype(np.int64)
            nothing = np.asarray(np.isnan(si).any(axis=0))
            for k, column in enumerate(self._target):
                if many_high[k] or many_low[k] or nothing[k]:
                    faulty |= 1 << column
                met_an_end = faulty & 1 << column and not (many_low[k] or nothing[k])
                if many_high[k] or (met_an_end and si[:, k].mean() > 0.5 * (self._low[k] + self._high[k])):
                    above |= 1 << column
        return faulty, above


def _no_line(identity: Identity, column: Column) -> NotFittedError:
    return NotFittedError(
        f"device {identity.device_id}: channel {column.name.lower()}: expected a quantity, as stand.toml has it, found "
        f"counts; add to [channel.{column.name.lower()}] how volts become a quantity"
    )


@dataclass(frozen=True, slots=True)
class _Excitation:
    """A measured excitation: the transducer's output is a share of what it really is, not of the nominal one.

    It is taken as a mean over half a second: a single scan would add the noise and the step of its own converter.
    """

    place: int
    nominal: float
    offset: float

    @classmethod
    def of(cls, p: PressureInput, place: int | None) -> "_Excitation | None":
        """None where no pressure is read; `place` is the pressure's among the channels read."""
        return None if place is None else cls(place, p.excitation, p.at_no_output)

    def correct(self, si: Floats, volts: float) -> None:
        share = self.nominal / max(volts, 0.1 * self.nominal)
        si[:, self.place] = (si[:, self.place] - self.offset) * share + self.offset


@dataclass(frozen=True, slots=True)
class _WarmShunt:
    """A shunt whose temperature is measured: R(T) in place of R at the assumed temperature."""

    place: int
    alpha: float
    assumed: float

    @classmethod
    def of(cls, channels: Channels, place: int | None) -> "_WarmShunt | None":
        """None where no current is read; `place` is the current's among the channels read."""
        shunt = channels.shunt
        return None if place is None else cls(place, shunt.alpha, shunt.assumed_temperature)

    def correct(self, si: Floats, kelvin: float) -> None:
        assumed, real = (1 + self.alpha * (t - 293.15) for t in (self.assumed, kelvin))
        si[:, self.place] *= assumed / real
