"""Staying connected: the table, the waits, and what is told."""

import itertools
from collections.abc import Callable

import pytest

from drivers.block import Block, Capture, DeviceReset, Event, Identity, Link, LinkChange
from drivers.device import Address, AddressError, Device, PortError, ProtocolError
from drivers.reconnect import NEXT, BackOff, Happening, Reconnecting, State
from drivers.stand_link import StandLinkDevice
from tests.drivers.stand import Stand

ADDRESS = Address.parse("sim://marrow-hill/bench-1")


class World:
    """Opens what the test lays out: a stand, or an error. Notes the waits."""

    def __init__(self, *plan: Stand | Exception) -> None:
        self.plan = list(plan)
        self.waits: list[float] = []
        self.device = Reconnecting(self.open, ADDRESS, self.sleep)

    async def open(self) -> Device:
        what = self.plan.pop(0)
        if isinstance(what, Exception):
            raise what
        device = StandLinkDevice(what, ADDRESS, what.now, virtual=True)
        await device.start()
        return device

    async def sleep(self, seconds: float) -> None:
        self.waits.append(seconds)

    async def until(self, enough: Callable[[list[Event]], bool]) -> list[Event]:
        found: list[Event] = []
        async for event in self.device.events():
            found.append(event)
            if enough(found):
                await self.device.close()
        return found


def blocks(events: list[Event]) -> int:
    return sum(isinstance(event, Block) for event in events)


def kinds(events: list[Event]) -> list[str]:
    names = [e.link.name if isinstance(e, LinkChange) else type(e).__name__ for e in events]
    return [name for name, _ in itertools.groupby(names) if name != "Status"]


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("happening", Happening)
def test_every_state_meets_every_happening(state: State, happening: Happening) -> None:
    """Whatever the table leaves out raises; closing is possible anywhere, and final."""
    after = NEXT.get((state, happening))
    device = World().device
    device.state = state
    if after is None:
        with pytest.raises(RuntimeError, match=f"{happening.value}.*{state.value}"):
            device._happens(happening)
        return
    device._happens(happening)
    assert device.state is after
    if happening is Happening.CLOSE or state is State.CLOSED:
        assert after is State.CLOSED


async def test_a_lost_device_is_opened_again() -> None:
    world = World(Stand(faults={20: "unplug"}), Stand(boot=8))
    events = await world.until(lambda found: blocks(found) == 30)
    assert kinds(events) == ["UP", "Identity", "Block", "DOWN", "UP", "DeviceReset", "Identity", "Block"]
    assert world.waits == [0.5]
    assert world.device.counts.scans == 20 * 30
    assert world.device.counts.resets == 1


async def test_a_device_that_did_not_restart_is_no_reset() -> None:
    world = World(Stand(faults={20: "unplug"}), Stand())
    events = await world.until(lambda found: blocks(found) == 30)
    assert not any(isinstance(event, DeviceReset) for event in events)


async def test_a_reset_while_connected_is_told_once() -> None:
    world = World(Stand(faults={20: "reset"}))
    events = await world.until(lambda found: blocks(found) == 30)
    assert sum(isinstance(event, DeviceReset) for event in events) == 1


async def test_failures_wait_longer_and_longer_and_each_reason_is_told_once() -> None:
    gone, busy = PortError("no such device"), PortError("another program has it")
    world = World(*[gone] * 7, busy, busy, Stand())
    events = await world.until(lambda found: blocks(found) == 1)
    assert world.waits == [0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0, 10.0, 10.0]
    assert [e.reason for e in events if isinstance(e, LinkChange)][:2] == [str(gone), str(busy)]
    assert kinds(events) == ["DOWN", "UP", "Identity", "Block"]


async def test_waits_begin_anew_after_a_success() -> None:
    world = World(PortError("x"), PortError("x"), Stand(faults={9: "unplug"}), PortError("x"), Stand())
    await world.until(lambda found: blocks(found) == 10)
    assert world.waits == [0.5, 1.0, 0.5, 1.0]


def test_a_port_missing_for_weeks_does_not_overflow_the_wait() -> None:
    assert BackOff().wait(1_000_000) == 10.0


@pytest.mark.parametrize("error", [AddressError("no driver"), ProtocolError("version 3")])
async def test_what_retrying_cannot_cure_is_raised(error: Exception) -> None:
    world = World(error)
    events = world.device.events()
    change = await anext(events)
    assert isinstance(change, LinkChange)
    assert (change.link, change.reason) == (Link.DOWN, str(error))
    with pytest.raises(type(error), match=str(error)):
        await anext(events)
    assert world.device.state is State.FAILED
    assert world.waits == []


async def test_requests_need_a_connection() -> None:
    world = World(PortError("no such device"), Stand())
    with pytest.raises(PortError, match=r"not connected \(opening\)"):
        await world.device.clear()
    with pytest.raises(PortError, match="not connected yet"):
        _ = world.device.identity
    events = world.device.events()
    await anext(events)
    with pytest.raises(PortError, match=r"not connected \(no such device\)"):
        await world.device.drive(power=False, valve=None, supply_mv=None, lease_ms=0)
    async for event in events:
        if isinstance(event, Identity):
            assert (await world.device.clear()).done
            assert world.device.connected
            assert world.device.identity == event
            await world.device.close()


async def test_the_tap_goes_over_to_the_next_connection() -> None:
    world = World(Stand(faults={20: "unplug"}), Stand(boot=8))
    wires: list[bytes] = []
    world.device.tap = wires.append
    events = await world.until(lambda found: blocks(found) == 30)
    identities = sum(isinstance(event, Identity) for event in events)
    assert identities == 2
    assert len(wires) >= 30 + identities


async def test_a_capture_is_passed_on() -> None:
    world = World(Stand())
    found: list[Event] = []
    async for event in world.device.events():
        found.append(event)
        if isinstance(event, Identity):
            await world.device.capture(9, 20_000, 250)
        if isinstance(event, Capture):
            await world.device.close()
    assert kinds(found).count("Capture") == 1
