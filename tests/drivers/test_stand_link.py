"""The device on the stand link, in virtual time over a stand in memory."""

import asyncio
from dataclasses import replace

import pytest

from drivers.block import Block, Capture, DeviceReset, Event, Identity, Link, LinkChange
from drivers.device import (
    Address,
    DeviceSilentError,
    DriverError,
    LimitEntry,
    NotFittedError,
    PortError,
    ProtocolError,
)
from drivers.link import frames
from drivers.stand_link import StandLinkDevice
from tests.drivers.stand import Stand

ADDRESS = Address.parse("sim://marrow-hill/bench-1")


async def started(stand: Stand) -> StandLinkDevice:
    device = StandLinkDevice(stand, ADDRESS, stand.now, virtual=True)
    await device.start()
    return device


async def some(device: StandLinkDevice, number: int) -> list[Event]:
    """The next events; the generator is given back so that no task is left."""
    events = device.events()
    found = [await anext(events) for _ in range(number)]
    await events.aclose()  # type: ignore[attr-defined]
    return found


async def all_events(device: StandLinkDevice, blocks: int) -> list[Event]:
    """Events until so many blocks have come, or the device is gone."""
    found: list[Event] = []
    seen = 0
    async for event in device.events():
        found.append(event)
        seen += isinstance(event, Block)
        if seen == blocks:
            await device.close()
    return found


async def test_opening_tells_up_then_identity_then_blocks() -> None:
    stand = Stand()
    device = await started(stand)
    up, identity, block = await some(device, 3)
    assert isinstance(up, LinkChange)
    assert up.link is Link.UP
    assert identity == stand.identity == device.identity
    assert isinstance(block, Block)
    assert device.simulated
    assert stand.heard[:2] == [frames.Identify(), frames.Stream(True)]


async def test_a_device_that_boots_for_two_seconds_is_waited_for() -> None:
    stand = Stand()
    stand.deaf_until = 2.0
    device = await started(stand)
    assert device.identity == stand.identity
    assert stand.now() >= 2.0


async def test_a_device_that_says_nothing_is_told_with_what_to_look_at() -> None:
    stand = Stand()
    stand.deaf_until = 1e9
    with pytest.raises(DeviceSilentError, match=r"bench-1: no identity within 6 s .*baud rate"):
        await started(stand)


async def test_another_protocol_is_refused_with_both_versions() -> None:
    stand = Stand()
    stand.identity = replace(stand.identity, protocol=3)
    with pytest.raises(ProtocolError, match=r"speaks version 3 .* expected version 1"):
        await started(stand)


async def test_a_line_that_goes_away_while_opening_is_an_error() -> None:
    with pytest.raises(PortError, match="the line is gone"):
        await started(Stand(faults={1: "unplug"}))


async def test_unplugging_ends_the_events_with_down() -> None:
    device = await started(Stand(faults={30: "unplug"}))
    events = [event async for event in device.events()]
    assert isinstance(events[-1], LinkChange)
    assert events[-1].link is Link.DOWN
    with pytest.raises(PortError, match="gone"):
        await device.clear()
    await device.close()


async def test_lost_frames_spoil_the_next_block_only() -> None:
    device = await started(Stand(faults={10: "lose", 12: "flip", 14: "double"}))
    blocks = [e for e in await all_events(device, 20) if isinstance(e, Block)]
    assert [block.missing for block in blocks if block.missing] == [20, 20]
    counts = device.counts
    assert counts.bad >= 1
    assert counts.repeated >= 1
    assert counts.scans_missing == 40


async def test_a_reset_is_told_and_the_stream_comes_back() -> None:
    device = await started(Stand(faults={20: "reset"}))
    events = await all_events(device, 30)
    at = next(k for k, event in enumerate(events) if isinstance(event, DeviceReset))
    after = [event for event in events[at:] if isinstance(event, Block)]
    assert isinstance(events[at + 1], Identity)
    assert len(after) > 5
    assert {block.boot for block in after} == {8}
    assert after[0].missing == 0


async def test_silence_comes_and_goes() -> None:
    device = await started(Stand(faults=dict.fromkeys(range(20, 60), "silent")))
    links = [event.link for event in await all_events(device, 30) if isinstance(event, LinkChange)]
    assert links == [Link.UP, Link.SILENT, Link.UP]


async def test_the_tap_has_each_piece_just_before_its_events() -> None:
    device = await started(Stand())
    trail: list[object] = []
    device.tap = trail.append
    events = device.events()
    async for event in events:
        trail.append(event)
        if len(trail) > 40:
            break
    await events.aclose()  # type: ignore[attr-defined]
    for place, what in enumerate(trail):
        if isinstance(what, Block):
            before = trail[place - 1]
            assert isinstance(before, bytes)
            assert before[-1] == 0
            assert len(before) > 2 * what.values.size


@pytest.mark.parametrize("reader", [True, False])
async def test_requests_are_answered_whether_or_not_somebody_reads(reader: bool) -> None:
    stand = Stand()
    device = await started(stand)
    task = asyncio.create_task(all_events(device, 200)) if reader else None
    reply = await device.drive(power=True, valve=5000, supply_mv=None, lease_ms=500)
    assert reply.done
    stand.answers.append(7)
    refused = await device.drive(power=True, valve=None, supply_mv=13_500, lease_ms=500)
    assert (refused.done, refused.code) == (False, 7)
    assert "stop circuit" in refused.text
    if task is not None:
        await task
    assert stand.heard[2:4] == [frames.Drive(True, 0, 5000, 500), frames.Drive(True, 13_500, 0xFFFF, 500)]


async def test_events_that_come_while_a_request_waits_are_not_lost() -> None:
    device = await started(Stand())
    for _ in range(5):
        await device.clear()
    blocks = [event for event in await some(device, 8) if isinstance(event, Block)]
    assert [block.index for block in blocks] == [20 * k for k in range(len(blocks))]


async def test_renewing_a_lease_is_not_repeated_but_switching_is() -> None:
    stand = Stand()
    device = await started(stand)
    await device.drive(power=True, valve=None, supply_mv=None, lease_ms=500)
    stand.deaf_until = 1e9
    begin = stand.now()
    with pytest.raises(DeviceSilentError, match="DRIVE in 1 attempts"):
        await device.drive(power=True, valve=None, supply_mv=None, lease_ms=500)
    assert stand.now() - begin == pytest.approx(0.25, abs=0.08)
    with pytest.raises(DeviceSilentError, match="DRIVE in 4 attempts"):
        await device.drive(power=False, valve=None, supply_mv=None, lease_ms=0)


async def test_limits_are_seen_in_status() -> None:
    stand = Stand()
    device = await started(stand)
    entries = [LimitEntry(0, 4.5, float("-inf"))]
    assert (await device.limits(200, 30, entries)).done
    assert stand.heard[-1] == frames.Limits(200, 30, tuple(entries))


async def test_limits_that_the_device_does_not_keep_are_an_error() -> None:
    stand = Stand()
    stand.status = lambda: replace(Stand.status(stand), limits_crc=0xBEEF)  # type: ignore[method-assign]
    device = await started(stand)
    with pytest.raises(ProtocolError, match="limits not in force: STATUS shows CRC 48879"):
        await device.limits(200, 30, [])


async def test_a_capture_is_put_together() -> None:
    device = await started(Stand())
    capture = await device.capture(9, 20_000, 250)
    assert capture.counts == list(range(250))
    assert (capture.role, capture.rate_hz, capture.tick, capture.overrange) == (9, 20_000, 5, False)


async def test_a_capture_stands_among_the_events_once() -> None:
    device = await started(Stand())
    asked = await device.capture(9, 20_000, 250)
    events = await some(device, 12)
    (told,) = [event for event in events if isinstance(event, Capture)]
    assert (told.counts, told.role, told.rate_hz) == (asked.counts, asked.role, asked.rate_hz)
    assert 0 < events.index(told) < len(events) - 1


async def test_each_capture_gives_its_own_samples() -> None:
    device = await started(Stand())
    lengths = [len((await device.capture(9, 20_000, total)).counts) for total in (250, 40, 400)]
    assert lengths == [250, 40, 400]


async def test_a_capture_with_a_lost_piece_is_an_error() -> None:
    stand = Stand()
    device = await started(stand)
    await some(device, 4)
    stand.faults = {stand.reads + 1: "flip"}  # hits the first piece, behind the reply
    with pytest.raises(DeviceSilentError, match="capture: 100 of 250 samples did not come"):
        await device.capture(9, 20_000, 250)


async def test_a_device_without_capture_says_so() -> None:
    stand = Stand()
    stand.identity = replace(stand.identity, burst_max_hz=0)
    device = await started(stand)
    with pytest.raises(NotFittedError, match="capture"):
        await device.capture(9, 20_000, 250)


async def test_closing_switches_the_stream_off_and_requests_are_refused_then() -> None:
    stand = Stand()
    device = await started(stand)
    await device.close()
    await device.close()
    assert stand.heard[-1] == frames.Stream(False)
    assert stand.closed
    with pytest.raises(DriverError, match=r"Clear after close\(\)"):
        await device.clear()


async def test_our_mistakes_raise() -> None:
    device = StandLinkDevice(Stand(), ADDRESS, lambda: 0.0, virtual=True)
    with pytest.raises(DriverError, match="before start"):
        _ = device.identity
    with pytest.raises(ValueError, match="lease of 2001 ms, expected 0 to 2000"):
        await device.drive(power=True, valve=None, supply_mv=None, lease_ms=2001)
