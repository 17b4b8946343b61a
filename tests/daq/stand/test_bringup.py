"""What a device shows, window by window: counts, volts and quantities against figures worked out by hand."""

import asyncio
import math
from collections.abc import AsyncIterator
from contextlib import aclosing
from dataclasses import replace

import numpy as np
import pytest

from daq.measure.channels import Channels, PressureKind
from daq.stand.bringup import Watch, watch_device
from daq.stand.seen import ChannelSeen, Seen, Span
from drivers.block import (
    AnalogInput,
    Block,
    DeviceReset,
    Event,
    Identity,
    Input,
    Link,
    LinkChange,
    LinkCounts,
    Role,
    Status,
    Trip,
)
from drivers.device import open_device
from tests.daq.measure.blocks import CHANNELS, PRESSURE, RESTING, ROLES, identity, steady_blocks

NONE = LinkCounts()
STATUS = Status(1, 0, False, False, True, False, False, 0xFFFF, 0, Input(0), Trip.NONE, 0, 0, 0)
ABOUT = [
    # role, zero count, volts per count
    (Role.PRESSURE, 0, 1e-3),
    (Role.SHUNT, 50, 1e-3),
    (Role.EXCITATION, 0, 2e-3),
    (Role.AMBIENT_TEMPERATURE, 0, 1e-3),
    (Role.SHUNT_WIDE, 50, -1e-3),
    (Role.SECOND_PRESSURE, 0, 1e-3),
    (10, 0, 1e-3),
]


def device(*analog: tuple[int, int, float]) -> Identity:
    return replace(identity(), analog=tuple(AnalogInput(role, 12, zero, per) for role, zero, per in analog))


def block(
    counts: list[list[int]], *, overrange: int = 0, index: int = 0, missing: int = 0, displaced: int = 0
) -> Block:
    values = np.array(counts, dtype=np.int16)
    return Block(1, index * 2000, index, values, np.array([0]), np.array([-1]), missing, displaced, overrange)


def one(
    counts: list[list[int]], *, overrange: int = 0, channels: Channels | None = CHANNELS
) -> tuple[ChannelSeen, ...]:
    watch = Watch(device(*ABOUT), channels)
    watch.feed(block(counts, overrange=overrange))
    return watch.seen(NONE).channels


def test_counts_volts_and_quantities_of_every_role() -> None:
    """By hand, from counts of 1000 and 1200, so 1100 on average.

    Pressure: 1.1 V of an excitation of 2 × 1.1 = 2.2 V is half of it; 0.1 to 0.9 are 0 to 1000 kPa, so 500 kPa. Shunt:
    1.05 V over 40 × 5 mΩ are 5.25 A, and as much the other way round behind the inverting amplifier. 1.1 V of 10 mV/K
    from 0.5 V at 0 °C are 60 °C. Nobody says what the others are.
    """
    pressure, current, excitation, warm, wide, second, strange = one([[1000] * 7, [1200] * 7])
    assert (pressure.newest, pressure.low, pressure.high) == (1200.0, 1000.0, 1200.0)
    assert [c.volts for c in (pressure, current, excitation)] == pytest.approx([1.1, 1.05, 2.2])
    assert wide.volts == pytest.approx(-1.05)
    assert pressure.value == pytest.approx(500e3)
    assert current.value == pytest.approx(5.25)
    assert excitation.value == pytest.approx(2.2)
    assert warm.value == pytest.approx(273.15 + 60.0)
    assert wide.value == pytest.approx(-5.25)
    assert (second.value, strange.value, strange.role) == (None, None, 10)


def test_without_a_stand_there_are_counts_and_volts() -> None:
    seen = one([[1000] * 7], channels=None)
    assert [c.value for c in seen] == [None] * 7
    assert seen[0].volts == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("counts", "span"),
    [
        ([2000, 2000], Span.INSIDE),
        ([100, 100], Span.BELOW),  # 0.1 V of 5 V is 0.02, valid from 0.06
        ([4800, 4800], Span.ABOVE),  # 0.96, valid to 0.94
        ([2000, 4800], Span.INSIDE),  # a single sample is a spike
    ],
)
def test_a_channel_outside_of_its_span(counts: list[int], span: Span) -> None:
    watch = Watch(device((Role.PRESSURE, 0, 1e-3)), CHANNELS)
    watch.feed(block([[count] for count in counts]))
    assert watch.seen(NONE).channels[0].span is span


def test_a_channel_at_an_end_of_its_converter() -> None:
    spans = [channel.span for channel in one([[1000] * 7], overrange=0b100001)]
    assert spans == [Span.CONVERTER_END, *[Span.INSIDE] * 4, Span.CONVERTER_END, Span.INSIDE]


def test_of_two_channels_with_one_role_the_first_is_read() -> None:
    watch = Watch(device((Role.PRESSURE, 0, 1e-3), (Role.PRESSURE, 0, 1e-3)), CHANNELS)
    watch.feed(block([[2500, 100], [2500, 100]]))
    first, second = watch.seen(NONE).channels
    assert (first.value, first.span) == (pytest.approx(500e3), Span.INSIDE)
    assert (second.value, second.span) == (None, Span.INSIDE)


def test_a_device_that_speaks_quantities() -> None:
    watch = Watch(device((Role.PRESSURE, 0, 0.0), (Role.SECOND_PRESSURE, 0, 0.0)), CHANNELS)
    values = np.array([[400e3, 1.0], [410e3, 2.0]])
    watch.feed(Block(1, 0, 0, values, np.array([0]), np.array([-1])))
    pressure, second = watch.seen(NONE).channels
    assert pressure == ChannelSeen(0, Role.PRESSURE, False, 410e3, 400e3, 410e3, None, 405e3, Span.INSIDE)
    assert (second.value, second.in_counts) == (1.5, False)


@pytest.mark.parametrize(
    ("flows", "value", "span"),
    [
        ([3e-5, 4e-5], 3.5e-5, Span.INSIDE),
        ([6e-5, 6e-5], 6e-5, Span.ABOVE),  # the table ends at 240 Hz and 4.6e6 pulses a m³, so at 5.2e-5 m³/s
        ([3e-5, math.nan], 3e-5, Span.NO_VALUE),
        ([math.nan, math.nan], math.nan, Span.NO_VALUE),
    ],
)
def test_a_flow_that_the_device_states(flows: list[float], value: float, span: Span) -> None:
    watch = Watch(device((Role.FLOW, 0, 0.0)), CHANNELS)
    watch.feed(Block(1, 0, 0, np.array([[flow] for flow in flows]), np.array([0]), np.array([-1])))
    [seen] = watch.seen(NONE).channels
    assert seen.value == pytest.approx(value, nan_ok=True)
    assert (seen.span, seen.volts) == (span, None)


def test_a_sensor_that_gives_no_value_is_told() -> None:
    watch = Watch(device((Role.PRESSURE, 0, 0.0)), CHANNELS)
    watch.feed(Block(1, 0, 0, np.array([[400e3], [math.nan]]), np.array([0]), np.array([-1])))
    [seen] = watch.seen(NONE).channels
    assert (seen.low, seen.high, seen.span) == (400e3, 400e3, Span.NO_VALUE)
    assert math.isnan(seen.newest)


def test_a_stand_that_describes_another_kind_of_channel_is_no_obstacle() -> None:
    """A transducer that is said to come as a quantity, and comes as counts: a run would refuse it, but counts and volts
    can be looked at."""
    stated = replace(CHANNELS, pressure=replace(PRESSURE, kind=PressureKind.QUANTITY))
    watch = Watch(device((Role.PRESSURE, 0, 1e-3)), stated)
    watch.feed(block([[2500]]))
    [seen] = watch.seen(NONE).channels
    assert (seen.volts, seen.value) == (pytest.approx(2.5), None)


def test_windows_count_what_came_in_them_alone() -> None:
    watch = Watch(device((Role.PRESSURE, 0, 1e-3)), CHANNELS)
    watch.feed(block([[1000]] * 25))
    watch.feed(block([[1000]] * 10, index=45, missing=20, displaced=15))
    first = watch.seen(LinkCounts(frames=2))
    assert (first.scans, first.seconds, first.per_block) == (35, pytest.approx(0.07), 25)
    assert (first.missing, first.displaced, first.counts.frames) == (5, 15, 2)
    second = watch.seen(NONE)
    assert (second.scans, second.missing, second.channels, second.pace) == (0, 0, (), None)


def test_the_newest_status_and_change_of_the_line_are_kept_from_window_to_window() -> None:
    watch = Watch(identity(), CHANNELS)
    silent = LinkChange(Link.SILENT, "no sound frame for 1.0 s")
    watch.feed(STATUS)
    watch.feed(silent)
    for seen in (watch.seen(NONE), watch.seen(NONE)):
        assert (seen.status, seen.link) == (STATUS, silent)


@pytest.mark.parametrize("told", [True, False])
def test_nothing_from_before_a_restart_counts(told: bool) -> None:
    """Whether the reset brings the new identity, or that comes by itself."""
    watch = Watch(device((Role.PRESSURE, 0, 1e-3)), CHANNELS)
    watch.feed(STATUS)
    watch.feed(block([[1000]] * 25))
    after = replace(device((Role.SHUNT, 0, 1e-3)), boot=2)
    watch.feed(DeviceReset(after if told else None, "the device has restarted"))
    watch.feed(after)
    watch.feed(block([[200]]))
    seen = watch.seen(NONE)
    assert (seen.identity.boot, seen.status, seen.scans) == (2, None, 1)
    assert seen.channels[0].value == pytest.approx(1.0)


def test_the_pace_is_that_of_the_newest_half_minute() -> None:
    """For 60 s a device is 10 % fast, then exact: 40 s later nothing of that is left."""
    watch = Watch(device((Role.PRESSURE, 0, 1e-3)), CHANNELS)
    host = 0.0
    for k in range(2000):
        host += 0.05 / 1.1 if k < 1200 else 0.05
        watch.feed(block([[1000]] * 25, index=25 * k), host)
    pace = watch.seen(NONE).pace
    assert pace is not None
    assert pace.ratio == pytest.approx(1.0, abs=1e-9)


def test_what_waited_for_its_reader_says_nothing_of_the_pace() -> None:
    """4 s of samples come at once, then they come as they are taken."""
    watch = Watch(device((Role.PRESSURE, 0, 1e-3)), CHANNELS)
    for k in range(200):
        watch.feed(block([[1000]] * 25, index=25 * k), max(10.0, 6.0 + 0.05 * k))
    pace = watch.seen(NONE).pace
    assert pace is not None
    assert pace.ratio == pytest.approx(1.0)


class Told:
    """A device that says what it is given; `quiet` keeps it open afterwards, as one that has fallen silent."""

    address = "paper://bench"
    simulated = True

    def __init__(self, events: list[Event], *, virtual: bool, quiet: bool = False) -> None:
        self.identity = identity()
        self.counts = LinkCounts()
        self.virtual, self.quiet, self._events = virtual, quiet, events
        self.left = False

    async def events(self) -> AsyncIterator[Event]:
        try:
            for event in self._events:
                yield event
            if self.quiet:
                await asyncio.Event().wait()
        finally:
            self.left = True


async def windows(told: Told, window_s: float, most: int = 10) -> list[Seen]:
    found: list[Seen] = []
    async with aclosing(watch_device(told, CHANNELS, window_s)) as seen:  # type: ignore[arg-type]
        async for window in seen:
            found.append(window)
            if len(found) == most:
                break
    return found


async def test_windows_of_a_recording_go_by_its_samples() -> None:
    """5 s of samples in windows of 2 s; nothing is said of a pace."""
    told = Told(list[Event](steady_blocks(RESTING, 2500)), virtual=True)
    found = await windows(told, 2.0)
    assert [seen.scans for seen in found] == [1000, 1000, 500]
    assert {seen.pace for seen in found} == {None}
    assert told.left


async def test_a_recording_without_a_scan_gives_one_empty_window() -> None:
    found = await windows(Told([STATUS], virtual=True), 2.0)
    assert [(seen.scans, seen.status) for seen in found] == [(0, STATUS)]


async def test_a_device_that_falls_silent_gives_windows_all_the_same() -> None:
    told = Told(list[Event](steady_blocks(RESTING, 100)), virtual=False, quiet=True)
    found = await windows(told, 0.05, most=3)
    assert [seen.scans for seen in found] == [100, 0, 0]
    assert told.left


async def test_a_device_that_is_gone_gives_its_last_window_at_once() -> None:
    gone = LinkChange(Link.DOWN, "the line is gone")
    async with asyncio.timeout(30):
        found = await windows(Told([*steady_blocks(RESTING, 100), gone], virtual=False), 60.0)
    assert [(seen.scans, seen.link) for seen in found] == [(100, gone)]


async def test_a_simulated_stand_that_pumps() -> None:
    """The scripted person has switched on at 9.7 s; later free flow is some 120 L/h through an open valve."""
    opened = await open_device("sim://scripted?script=1")
    assert len(ROLES) == len(opened.identity.analog)
    async with aclosing(watch_device(opened, CHANNELS, 14.0)) as seen:
        await anext(seen)
        window = await anext(seen)
    await opened.close()
    [pulse] = window.pulses
    assert pulse.hertz is not None
    assert pulse.flow is not None
    assert pulse.edges > 100
    assert (window.scans, window.missing, window.seconds) == (7000, 0, pytest.approx(14.0, abs=0.05))
