"""`sim://`: the same interface as hardware, in this process."""

from dataclasses import replace
from itertools import pairwise
from math import inf

import pytest

from drivers.block import Block, DeviceReset, Event, Feature, Link, LinkChange, Replayed, Role
from drivers.device import Address, AddressError, LimitEntry, open_device
from simulator.driver import SimulatedDevice
from simulator.rig import Rig
from tests.simulator.common import driven


async def opened(text: str) -> SimulatedDevice:
    device = await open_device(text)
    assert isinstance(device, SimulatedDevice)
    return device


async def take(device: SimulatedDevice, seconds: float) -> list[Event]:
    """The events of so many virtual seconds."""
    until = device.rig.time + seconds
    found = []
    async for event in device.events():
        found.append(event)
        if device.rig.time >= until:
            break
    await device.close()
    return found


async def test_it_is_simulated_even_if_its_device_denies_it() -> None:
    device = await opened("sim://depot/good-pump?seed=7")
    device._line.session.identity = replace(device.identity, features=Feature(0))
    assert not device.identity.simulated
    assert device.simulated
    await device.close()


async def test_it_is_a_simulated_device_on_virtual_time() -> None:
    device = await opened("sim://depot/good-pump?seed=7")
    assert device.simulated
    assert device.virtual
    assert device.address.text == "sim://depot/good-pump?seed=7"
    await device.close()


async def test_scans_come_without_a_gap_however_long() -> None:
    device = await opened("sim://depot/good-pump?seed=7")
    found = [e for e in await take(device, 20.0) if isinstance(e, Block)]
    assert sum(block.n for block in found) == pytest.approx(10_000, abs=40)
    assert all(block.missing == 0 for block in found)
    assert device.counts.bad == device.counts.lost == 0


async def test_a_confirmation_comes_right_behind_its_block() -> None:
    device = await opened("sim://depot/good-pump?seed=7")
    device.operator.hear("connect")
    heard = device.bench.time
    found = await take(device, 4.0)
    (place,) = [k for k, event in enumerate(found) if isinstance(event, Replayed)]
    assert found[place] == Replayed("confirm", {"what": "connected"})
    block = next(e for e in reversed(found[:place]) if isinstance(e, Block))
    start = block.tick - 2000  # the block's first scan ends the time that it stands for
    assert start / 1e6 <= heard + 2.2 <= (start + 2000 * block.n) / 1e6


async def test_the_same_address_gives_the_same_wire_bytes() -> None:
    wires = []
    for seed in (7, 7, 8):
        device = await opened(f"sim://scripted?script=1&seed={seed}")
        wire: list[bytes] = []
        device.tap = wire.append
        await take(device, 10.0)
        wires.append(b"".join(wire))
    assert wires[0] == wires[1] != wires[2]


async def test_a_script_runs_by_itself() -> None:
    device = await opened("sim://scripted?script=1")
    said = [e.body["what"] for e in await take(device, 70.0) if isinstance(e, Replayed)]
    assert said == ["connected", "in_fluid", "valve_open", "removed"]


@pytest.mark.parametrize(
    "faults",
    [
        "perfect",
        "bytes",
        "loss:0.05",
        "flips:0.0005",
        "duplicates:0.1",
        "delay:0.1",
        "garbage:2:400",
        "loss:0.02,flips:0.0002,duplicates:0.05,delay:0.05",
    ],
)
async def test_hostile_lines_are_survived_and_every_scan_is_accounted_for(faults: str) -> None:
    device = await opened(f"sim://depot/good-pump?seed=7&faults={faults}")
    found = [e for e in await take(device, 12.0) if isinstance(e, Block)]
    for before, block in pairwise(found):
        assert block.index == before.index + before.n + block.missing
        assert block.tick == before.tick + 2000 * (before.n + block.missing)
    assert found[-1].index > 5000


async def test_a_reset_in_mid_run_is_told_and_streaming_goes_on() -> None:
    found = await take(await opened("sim://depot/good-pump?faults=reset:3"), 8.0)
    assert len([e for e in found if isinstance(e, DeviceReset)]) == 1
    blocks = [e for e in found if isinstance(e, Block)]
    assert {block.boot for block in blocks} == {41, 42}
    assert len([block for block in blocks if block.boot == 42]) > 100


async def test_a_stall_loses_nothing() -> None:
    found = [
        e for e in await take(await opened("sim://depot/good-pump?faults=stall:3:3"), 10.0) if isinstance(e, Block)
    ]
    assert all(block.missing == 0 for block in found)
    assert found[-1].tick > 8_000_000


async def test_unplugged_the_stream_ends_with_down() -> None:
    found = await take(await opened("sim://depot/good-pump?faults=unplug:2"), 10.0)
    assert isinstance(found[-1], LinkChange)
    assert found[-1].link is Link.DOWN


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("sim://dept/good-pump", "scenario 'dept'"),
        ("sim://depot/god-pump", "unit 'god-pump'"),
        ("sim://depot", "expected sim://depot/UNIT"),
        ("sim://depot/good-pump?sed=1", "unknown option 'sed'"),
        ("sim://depot/good-pump?seed=x", "invalid literal"),
        ("sim://depot/good-pump?pace=-1", "pace of -1"),
        ("sim://depot/good-pump?faults=los", "line fault 'los'"),
    ],
)
async def test_addresses_that_make_no_sense(text: str, named: str) -> None:
    with pytest.raises(AddressError, match=named):
        await open_device(text)


async def test_a_driven_stand_obeys_the_driver() -> None:
    rig = Rig(driven(), "good-pump")
    rig.bench.connect()
    rig.bench.immerse()
    device = SimulatedDevice(rig, Address.parse("sim://test"), None)
    await device.start()
    assert (await device.limits(300, 60, [LimitEntry(0, 4.3, -inf)])).done
    for _ in range(10):
        assert (await device.drive(power=True, valve=0, supply_mv=13_500, lease_ms=1000)).done
        await take_some(device, 0.5)
    assert rig.bench.truth().pressure > 550e3
    captured = await device.capture(Role.SHUNT, 20_000, 1000)
    assert len(captured.counts) == 1000
    await take_some(device, 2.0)
    assert not rig.bench.powered  # nobody renewed the lease
    assert not (await device.drive(power=True, valve=None, supply_mv=None, lease_ms=500)).done
    assert (await device.clear()).done
    await device.close()


async def take_some(device: SimulatedDevice, seconds: float) -> None:
    until = device.rig.time + seconds
    async for _ in device.events():
        if device.rig.time >= until:
            return
