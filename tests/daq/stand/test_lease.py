"""A lease is renewed by its own clock, and only while the procedure lives."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from types import SimpleNamespace
from typing import cast

import pytest

from daq.procedure.effects import Outputs
from daq.procedure.plan import Drive
from daq.stand.lease import FRESH_S, Lease
from drivers.block import Input
from drivers.device import Device, Reply

DRIVE = Drive(requires=Input.STOP_CIRCUIT)
RENEWED_S = DRIVE.lease / 5


class Told:
    """A device that writes down when it was told what."""

    def __init__(self) -> None:
        self.on: list[float] = []
        self.off: list[float] = []
        self.supply: list[int | None] = []

    async def drive(self, *, power: bool, valve: int, supply_mv: int | None, lease_ms: int) -> Reply:
        (self.on if power else self.off).append(asyncio.get_running_loop().time())
        self.supply.append(supply_mv)
        return Reply(0, "done")


@asynccontextmanager
async def leased() -> AsyncIterator[tuple[Lease, Told]]:
    told = Told()
    device = cast(Device, SimpleNamespace(virtual=False, drive=told.drive))
    clock = asyncio.get_running_loop().time
    lease = Lease(device, DRIVE, clock=clock, failed=lambda why: None)
    lease.want(Outputs(power=True, valve=1.0))
    try:
        yield lease, told
    finally:
        lease.end()
        await lease.ended()


async def handled_every(lease: Lease, seconds: float, times: int) -> float:
    for _ in range(times):
        lease.handled(asyncio.get_running_loop().time())
        await asyncio.sleep(seconds)
    return asyncio.get_running_loop().time() - seconds


async def test_a_supply_is_told_its_setpoint_in_millivolts_and_a_fixed_one_nothing() -> None:
    async with leased() as (lease, told):
        await handled_every(lease, 0.01, 3)
        lease.want(Outputs(power=True, valve=1.0, supply=13.8244))
        await handled_every(lease, 0.01, 3)
        lease.want(Outputs(power=True, valve=1.0, supply=13.5))
        await handled_every(lease, 0.01, 3)
    assert list(dict.fromkeys(told.supply)) == [None, 13_824, 13_500]


async def test_a_procedure_that_handles_nothing_any_more_lets_power_go() -> None:
    async with leased() as (lease, told):
        last = await handled_every(lease, 0.02, 20)
        await asyncio.sleep(3 * FRESH_S)
        assert len(told.on) >= 3
        # The loop lives all the time; what is missing are blocks. What was renewed last runs out a lease later.
        assert told.on[-1] - last <= FRESH_S + 0.02
        assert told.off == []


async def test_one_that_is_slow_keeps_it() -> None:
    async with leased() as (lease, told):
        await handled_every(lease, 0.2, 8)
        gaps = [b - a for a, b in zip(told.on, told.on[1:], strict=False)]
        assert len(gaps) > 8
        assert max(gaps) < DRIVE.lease / 2


async def test_its_end_is_power_off_at_once() -> None:
    async with leased() as (lease, told):
        await handled_every(lease, 0.02, 10)
        before = asyncio.get_running_loop().time()
        lease.end()
        await lease.ended()
        assert len(told.off) == 1
        assert told.off[0] - before < RENEWED_S
        count = len(told.on)
        lease.handled(asyncio.get_running_loop().time())
        await asyncio.sleep(2 * RENEWED_S)
        assert len(told.on) == count


async def test_blocks_that_piled_up_renew_nothing() -> None:
    """The procedure works on, but on what was measured seconds ago: the device's own limit is all that is left."""
    async with leased() as (lease, told):
        clock = asyncio.get_running_loop().time
        await handled_every(lease, 0.02, 10)
        fresh = clock()
        for _ in range(25):
            lease.handled(clock() - 2.0)
            await asyncio.sleep(0.02)
        assert told.on[-1] - fresh <= FRESH_S + 0.02
        lease.handled(clock())
        await asyncio.sleep(0.02)
        assert clock() - told.on[-1] < 0.04  # caught up


@pytest.mark.parametrize("rate", [0.995, 1.005])
def test_a_clock_that_is_off_as_a_resonator_may_be_is_no_backlog(rate: float) -> None:
    """Ten minutes, in the lease's own time."""
    now = [0.0]
    device = cast(Device, SimpleNamespace(virtual=True))
    lease = Lease(device, DRIVE, clock=lambda: now[0], failed=lambda why: None)
    for k in range(15_000):
        now[0] = 0.04 * k
        lease.handled(rate * now[0])
        assert lease.fresh, f"after {now[0]:.0f} s"
    now[0] += 0.5
    lease.handled(rate * (now[0] - 0.5))
    assert not lease.fresh
