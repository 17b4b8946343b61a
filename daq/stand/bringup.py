"""What a connected device shows, window by window, for whoever brings a stand up. Nothing is asked of the device."""

import asyncio
import math
from collections import deque
from collections.abc import AsyncGenerator, Callable
from contextlib import aclosing
from time import monotonic

import numpy as np

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column, Converter, Floats, channel_maps
from daq.measure.errors import MeasureError
from daq.stand.pace import Pace, pace_of
from daq.stand.pulse_watch import PulseWatch
from daq.stand.seen import ChannelSeen, Seen, Span
from drivers.block import Block, DeviceReset, Event, Identity, LinkChange, LinkCounts, Role, Status
from drivers.device import Device

PACE_S = 30.0
"""The pace is told from so many newest seconds: long enough for two clocks to be compared within 0.01 %."""
BACKLOG_S = 0.25
"""What comes in the first moments may have waited for its reader, and says nothing of a pace."""
LATE_S = 0.25
"""A window that ends so late has not seen all that came in it."""
BREATH = 16
"""Blocks after which a simulation or replay lets other tasks run."""

COLUMNS = {
    Role.PRESSURE: Column.PRESSURE,
    Role.SUPPLY_VOLTAGE: Column.VOLTAGE,
    Role.SHUNT: Column.CURRENT,
    Role.FLUID_TEMPERATURE: Column.TEMPERATURE,
    Role.LEVEL: Column.LEVEL,
}


class Watch:
    """Gathers what a device sends. `channels` are the stand's, None where nobody knows them."""

    def __init__(self, identity: Identity, channels: Channels | None) -> None:
        self._channels = channels
        self._status: Status | None = None
        self._link: LinkChange | None = None
        self._identify(identity)

    @property
    def seconds(self) -> float:
        """Seconds of samples in the window under way."""
        return sum(block.n for block in self._blocks) / self.identity.sample_hz

    def feed(self, event: Event, host: float = math.nan) -> None:
        """Takes an event that came at `host` seconds of the computer's clock, NaN where that tells nothing."""
        if isinstance(event, Block):
            self._take(event, host)
        elif isinstance(event, Status):
            self._status = event
        elif isinstance(event, LinkChange):
            self._link = event
        elif isinstance(event, DeviceReset):
            self._identify(event.identity or self.identity)
        elif isinstance(event, Identity) and event != self.identity:
            self._identify(event)

    def seen(self, counts: LinkCounts) -> Seen:
        """The window that ends now; the next one begins. `counts` are the device's."""
        blocks = self._blocks
        meter = None if self._channels is None or self._channels.flow.quantity else self._channels.flow
        seen = Seen(
            identity=self.identity,
            status=self._status,
            channels=self._channels_seen(),
            pulses=tuple(pulse.seen(meter) for pulse in self._pulses),
            seconds=self.seconds,
            scans=sum(block.n for block in blocks),
            missing=sum(block.missing - block.displaced for block in blocks),
            displaced=sum(block.displaced for block in blocks),
            per_block=max((block.n for block in blocks), default=0),
            counts=counts.copy(),
            pace=self._pace(),
            link=self._link,
        )
        self._begin()
        return seen

    def _identify(self, identity: Identity) -> None:
        """A device that is new or has restarted: nothing from before counts."""
        self.identity = identity
        self._status = None
        self._converter = self._converter_of(identity)
        self._pulses = [PulseWatch(k, role, identity) for k, role in enumerate(identity.pulse)]
        self._arrivals: deque[tuple[float, float]] = deque()
        self._first_host = math.nan
        self._begin()

    def _converter_of(self, identity: Identity) -> Converter | None:
        """None where the stand does not say, or says wrongly, what this device's channels are."""
        if self._channels is None:
            return None
        try:
            return Converter(self._channels, identity, needed=())
        except MeasureError:
            return None

    def _begin(self) -> None:
        self._blocks: list[Block] = []
        self._values: list[Floats] = []
        self._faulty = self._above = 0
        for pulse in self._pulses:
            pulse.begin()

    def _take(self, block: Block, host: float) -> None:
        self._blocks.append(block)
        if self._converter is not None:
            samples = self._converter.convert(block)
            self._values.append(samples.values)
            self._faulty |= samples.faulty
            self._above |= samples.above
        end = block.tick / self.identity.tick_hz + (block.n - 1) / self.identity.sample_hz
        for pulse in self._pulses:
            pulse.feed(block, end)
        self._arrive(end, host)

    def _arrive(self, end: float, host: float) -> None:
        if math.isnan(self._first_host):
            self._first_host = host
        if host < self._first_host + BACKLOG_S or math.isnan(host):
            return
        self._arrivals.append((end, host))
        while self._arrivals[0][0] < end - PACE_S:
            self._arrivals.popleft()

    def _pace(self) -> Pace | None:
        ends, came = zip(*self._arrivals, strict=True) if self._arrivals else ((), ())
        return pace_of(ends, came)

    def _channels_seen(self) -> tuple[ChannelSeen, ...]:
        if not self._blocks:
            return ()
        raw = np.concatenate([block.values for block in self._blocks]).astype(np.float64)
        si = np.concatenate(self._values).mean(axis=0) if self._values else None
        return tuple(self._channel(k, raw[:, k], si) for k in range(len(self.identity.analog)))

    def _channel(self, k: int, raw: Floats, si: Floats | None) -> ChannelSeen:
        analog, in_counts = self.identity.analog[k], self._blocks[0].in_counts
        known = raw[np.isfinite(raw)]
        mean, low, high = (float(f(known)) if known.size else math.nan for f in (np.mean, np.min, np.max))
        volts = (mean - analog.zero_count) * analog.volts_per_count if in_counts else None
        column = self._column(k)
        value = mean if volts is None else _reference(analog.role, volts, self._channels)
        if si is not None and column is not None and math.isfinite(si[column]):
            value = float(si[column])
        span = self._span(k, column) if known.size == raw.size else Span.NO_VALUE
        if analog.role == Role.FLOW and span is Span.INSIDE and mean > self._most_flow():
            span = Span.ABOVE
        return ChannelSeen(k, analog.role, in_counts, float(raw[-1]), low, high, volts, value, span)

    def _most_flow(self) -> float:
        """The end of a stated flow's range, m³/s."""
        if self._channels is None:
            return math.inf
        hertz, pulses = self._channels.flow.k_table[-1]
        return hertz / pulses

    def _column(self, k: int) -> Column | None:
        """What a run reads this channel as: of two with one role it takes the first."""
        roles = [analog.role for analog in self.identity.analog]
        column = next((c for role, c in COLUMNS.items() if role == roles[k]), None)
        return column if roles.index(roles[k]) == k else None

    def _span(self, k: int, column: Column | None) -> Span:
        if any(block.overrange >> k & 1 for block in self._blocks):
            return Span.CONVERTER_END
        if column is None or not self._faulty & BITS[column]:
            return Span.INSIDE
        return Span.ABOVE if self._above & BITS[column] else Span.BELOW


def _reference(role: int, volts: float, channels: Channels | None) -> float | None:
    """What a channel shows that a run only takes into account: excitation, reference voltage and converter supply (V),
    shunt's temperature (K), the current in a wide band (A)."""
    if channels is None:
        return None
    maps = channel_maps(channels)
    if role == Role.EXCITATION:
        return volts / channels.pressure.excitation_gain
    rails = {Role.REFERENCE_VOLTAGE: channels.reference, Role.CONVERTER_SUPPLY: channels.supply}
    rail = next((rail for known, rail in rails.items() if known == role), None)
    if rail is not None:
        return volts / rail.gain
    lines = ((Role.AMBIENT_TEMPERATURE, Column.TEMPERATURE), (Role.SHUNT_WIDE, Column.CURRENT))
    line = next((maps.get(column) for known, column in lines if known == role), None)
    return None if line is None else line.slope * volts + line.offset


async def watch_device(
    device: Device, channels: Channels | None, window_s: float, clock: Callable[[], float] = monotonic
) -> AsyncGenerator[Seen, None]:
    """A window of an open device after the other, until it is gone for good; the last one may be shorter.

    By the computer's clock, so that a device that says nothing gives windows too; by that of the samples where the
    device's time is virtual.

    Raises:
        DriverError: as the device's events say.
    """
    watch = Watch(device.identity, channels)
    windows = _virtual(device, watch, window_s) if device.virtual else _real(device, watch, window_s, clock)
    async with aclosing(windows):
        async for seen in windows:
            yield seen


async def _real(
    device: Device, watch: Watch, window_s: float, clock: Callable[[], float]
) -> AsyncGenerator[Seen, None]:
    async def read() -> None:
        async for event in device.events():
            watch.feed(event, clock())

    reading = asyncio.create_task(read(), name="reading the device")
    try:
        while not reading.done():
            began = clock()
            await asyncio.wait({reading}, timeout=window_s)
            if clock() - began > window_s + LATE_S:  # the host stood still, and what came meanwhile is to be read yet
                await asyncio.wait({reading}, timeout=LATE_S)
            yield watch.seen(device.counts)
        reading.result()
    finally:
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)


async def _virtual(device: Device, watch: Watch, window_s: float) -> AsyncGenerator[Seen, None]:
    number, told = 0, False
    async for event in device.events():
        watch.feed(event)
        number += 1
        if number % BREATH == 0:
            await asyncio.sleep(0)
        if watch.seconds >= window_s:
            yield watch.seen(device.counts)
            told = True
    if watch.seconds or not told:
        yield watch.seen(device.counts)
