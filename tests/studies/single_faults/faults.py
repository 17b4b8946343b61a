"""Faults of a stand's channels as pure changes of the Blocks that its device sends.

They know counts, edges and ticks and nothing of plant, sensors or core, so that the same fault befalls any stand. All
chance comes from a generator that is given.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from drivers.block import Block, Identity, Role

Floats = NDArray[np.float64]

DROPS_S = 0.02, 0.2
"""A drop-out lasts between so many seconds."""
OFFSET_HZ = 150.0
"""Extra pulses of an `offset` of 1."""


class Kind(StrEnum):
    """The kinds of fault. `stuck_noise` repeats a count with one count of a converter's noise."""

    STUCK = "stuck"
    STUCK_NOISE = "stuck_noise"
    OFFSET = "offset"
    GAIN = "gain"
    NOISE = "noise"
    DROP_OUT = "drop_out"
    DRIFT = "drift"
    SWAPPED = "swapped"
    REVERSED = "reversed"


ROLES = {
    "pressure": Role.PRESSURE,
    "voltage": Role.SUPPLY_VOLTAGE,
    "current": Role.SHUNT,
    "temperature": Role.FLUID_TEMPERATURE,
    "level": Role.LEVEL,
    "excitation": Role.EXCITATION,
    "ambient": Role.AMBIENT_TEMPERATURE,
}
FLOW, CLOCK = "flow", "clock"


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a channel has its zero, and how far above that it usually stands, both in counts."""

    rest: float
    typical: float


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one channel from `at` seconds of the run on.

    `size` is a share of what the channel usually shows (`offset`, `noise`), of its sensitivity (`gain`: −0.2 leaves 0.8
    of it), of what it usually shows a second (`drift`), or of the time (`drop_out`); 0 where the kind has none.
    `partner` is the channel that it is swapped with.
    """

    channel: str
    kind: Kind
    size: float = 0.0
    partner: str = ""


class Spoiler:
    """Spoils the blocks of one run. `scales` is by channel name; `at` in seconds from the first scan.

    Blocks come in order, all of them.
    """

    def __init__(
        self, fault: Fault, at: float, identity: Identity, scales: Mapping[str, Scale], generator: np.random.Generator
    ) -> None:
        self._fault, self._at, self._draw = fault, at, generator
        self._hz, self._tick_hz = identity.sample_hz, identity.tick_hz
        self._scales = scales
        self._first_tick: int | None = None
        self._held: float | None = None
        self._dropped = Drops(fault.size, identity.sample_hz, generator)
        self._pulses = Pulses(fault, identity, generator)
        index = {n: identity.analog_index(r) for n, r in ROLES.items()}
        self._column, self._partner = index.get(fault.channel), index.get(fault.partner)
        bits = {n: identity.analog[k].bits for n, k in index.items() if k is not None}
        top = 2 ** bits.get(fault.channel, 15)
        self._ends = (0, top - 1) if top < 2**16 else (-(2**15), 2**15 - 1)

    def __call__(self, block: Block) -> Block:
        """The block as the device sends it with the fault."""
        if self._first_tick is None:
            self._first_tick = block.tick
        begin = (block.tick - self._first_tick) / self._tick_hz
        seconds = begin + np.arange(block.n) / self._hz - self._at
        if self._fault.channel == FLOW:
            return self._pulses.spoilt(block, self._at + self._first_tick / self._tick_hz)
        if not (seconds >= 0.0).any():
            return block
        if self._fault.channel == CLOCK:
            return self._other_clock(block)
        assert self._column is not None, f"{self._fault.channel}: the device has no such channel"
        values = block.values.copy()
        spoilt = self._counts(values[:, self._column].astype(np.float64), seconds, values)
        late = seconds >= 0.0
        limited = np.clip(np.floor(spoilt + 0.5), *self._ends)
        met = bool(((limited <= self._ends[0]) | (limited >= self._ends[1]))[late].any())
        if self._partner is not None:
            values[late, self._partner] = values[late, self._column]
        values[late, self._column] = limited[late].astype(values.dtype)
        return replace(block, values=values, overrange=block.overrange | (met << self._column))

    def _counts(self, counts: Floats, seconds: Floats, values: NDArray[np.int16] | Floats) -> Floats:
        """The counts `[n]` with the fault, as if it were there all the time."""
        fault, scale = self._fault, self._scales[self._fault.channel]
        if self._held is None:
            self._held = float(counts[int(np.argmax(seconds >= 0.0))])
        held = self._held
        rows: Mapping[Kind, Callable[[], Floats]] = {
            Kind.STUCK: lambda: np.full(len(counts), held),
            Kind.STUCK_NOISE: lambda: held + self._draw.integers(0, 2, len(counts)),
            Kind.OFFSET: lambda: counts + fault.size * scale.typical,
            Kind.GAIN: lambda: scale.rest + (1.0 + fault.size) * (counts - scale.rest),
            Kind.NOISE: lambda: counts + fault.size * scale.typical * self._draw.standard_normal(len(counts)),
            Kind.DROP_OUT: lambda: np.where(self._dropped.mask(len(counts)), self._ends[0], counts),
            Kind.DRIFT: lambda: counts + fault.size * scale.typical * np.maximum(seconds, 0.0),
            Kind.SWAPPED: lambda: values[:, self._partner].astype(np.float64),
            Kind.REVERSED: lambda: 2.0 * scale.rest - counts,
        }
        return rows[fault.kind]()

    def _other_clock(self, block: Block) -> Block:
        """Ticks that run faster or slower than the scans that they date, from the fault's moment on."""
        assert self._first_tick is not None
        begin = self._first_tick + round(self._at * self._tick_hz)

        def told(tick: int) -> int:
            late = tick - begin
            if late <= 0:
                return tick
            if self._fault.kind is Kind.OFFSET:
                return tick + round(self._fault.size * self._tick_hz)
            if self._fault.kind is Kind.DRIFT:
                return tick + round(0.5 * self._fault.size * late * late / self._tick_hz)
            return tick + round(self._fault.size * late)

        edges = np.array([told(int(t)) for t in block.last_edge])
        return replace(block, tick=told(block.tick), last_edge=edges)


class Drops:
    """When a contact that comes and goes is open: for `share` of the time."""

    def __init__(self, share: float, hertz: float, generator: np.random.Generator) -> None:
        self._share, self._hz, self._draw = share, hertz, generator
        self._open, self._left = False, 0

    def mask(self, n: int) -> NDArray[np.bool_]:
        """Whether it is open at each of the next `n` samples."""
        out = np.zeros(n, dtype=bool)
        for k in range(n):
            if self._left == 0:
                self._open = not self._open
                length = float(self._draw.uniform(*DROPS_S))
                share = length if self._open else length * (1.0 - self._share) / max(self._share, 1e-9)
                self._left = max(1, round(share * self._hz))
            out[k] = self._open
            self._left -= 1
        return out


class Pulses:
    """What becomes of a meter's pulses. Between two blocks they are taken as evenly spaced."""

    def __init__(self, fault: Fault, identity: Identity, generator: np.random.Generator) -> None:
        self._fault, self._tick_hz, self._draw = fault, identity.tick_hz, generator
        self._per_scan = identity.tick_hz // identity.sample_hz
        self._drops = Drops(fault.size, 100.0, generator)
        self._edges = self._last = -1
        self._told = 0
        self._told_last = -1
        self._phase = 0.0
        self._before = np.empty(0)
        self._period: float | None = None

    def spoilt(self, block: Block, at: float) -> Block:
        """The block with the pulses that are counted, the fault being there from `at` (s of the device) on."""
        if self._edges < 0:
            self._edges, self._last = int(block.edges[0]), int(block.last_edge[0])
            self._told, self._told_last = self._edges, self._last
            return block
        first = float(block.tick - self._per_scan)
        end = first + block.n * self._per_scan
        new, last = int(block.edges[0]) - self._edges, int(block.last_edge[0])
        since = self._last if self._last >= 0 else block.tick
        ticks = since + (last - since) * np.arange(1, new + 1) / max(new, 1)
        self._edges, self._last = int(block.edges[0]), last
        begin = at * self._tick_hz
        whole = [t for t in ticks if t < begin]
        late = self._counted(np.array([t for t in ticks if t >= begin]), begin, first, end)
        counted = [*whole, *late]
        if counted:
            self._told += len(counted)
            self._told_last = max(self._told_last, int(counted[-1]))
        return replace(block, edges=np.array([self._told]), last_edge=np.array([self._told_last]))

    def _counted(self, ticks: Floats, begin: float, first: float, end: float) -> list[float]:
        """The ticks of the pulses that are counted instead of those at `ticks`."""
        fault, seconds = self._fault, (ticks - begin) / self._tick_hz
        if len(ticks) > 1 and self._period is None:
            self._period = float(ticks[-1] - ticks[0]) / (len(ticks) - 1)
        if fault.kind in (Kind.STUCK, Kind.STUCK_NOISE):
            return self._repeated(begin, end)
        if fault.kind is Kind.GAIN:
            return self._scaled(ticks, np.full(len(ticks), 1.0 + fault.size))
        if fault.kind is Kind.DRIFT:
            return self._scaled(ticks, np.maximum(1.0 + fault.size * seconds, 0.0))
        if fault.kind is Kind.DROP_OUT:
            return ticks[~self._drops.mask(len(ticks))].tolist() if len(ticks) else []
        rate = abs(fault.size) * OFFSET_HZ
        if fault.kind is Kind.OFFSET and fault.size < 0.0:
            self._phase += rate * (end - first) / self._tick_hz
            lost = min(int(self._phase), len(ticks))
            self._phase -= int(self._phase)
            return ticks[lost:].tolist()
        extra = self._evenly(rate, first, end) if fault.kind is Kind.OFFSET else self._at_random(rate, first, end)
        return sorted([*ticks.tolist(), *(t for t in extra if t >= begin)])

    def _repeated(self, begin: float, end: float) -> list[float]:
        """The period of the fault's moment again and again; none where nothing flowed."""
        if self._period is None:
            return []
        jitter = 0.002 if self._fault.kind is Kind.STUCK_NOISE else 0.0
        out = []
        at = max(float(self._told_last), begin)
        while (at := at + self._period * (1.0 + jitter * float(self._draw.standard_normal()))) <= end:
            out.append(at)
        return out

    def _scaled(self, ticks: Floats, gains: Floats) -> list[float]:
        out = []
        before = self._before if len(self._before) else ticks[:1]
        for t, gain in zip(ticks, gains, strict=True):
            phase = self._phase + gain
            out += [t - (t - before[-1]) * (phase - k) / gain for k in range(1, int(phase) + 1)]
            self._phase, before = phase - int(phase), np.array([t])
        self._before = before
        return out

    def _evenly(self, rate: float, first: float, end: float) -> list[float]:
        span = rate * (end - first) / self._tick_hz
        phase, self._phase = self._phase, self._phase + span
        found = [first + (k - phase) / span * (end - first) for k in range(1, int(self._phase) + 1)]
        self._phase -= int(self._phase)
        return found

    def _at_random(self, rate: float, first: float, end: float) -> list[float]:
        n = int(self._draw.poisson(rate * (end - first) / self._tick_hz))
        return sorted(self._draw.uniform(first, end, n).tolist())
