"""A lease is renewed by its own clock, and only while the procedure lives."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from types import SimpleNamespace
from typing import cast

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

    async def drive(self, *, power: bool, valve: int, supply_mv: int | None, lease_ms: int) -> Reply:
        (self.on if power else self.off).append(asyncio.get_running_loop().time())
        return Reply(0, "done")


@asynccontextmanager
async def leased() -> AsyncIterator[tuple[Lease, Told]]:
    told = Told()
    device = cast(Device, SimpleNamespace(virtual=False, drive=told.drive))
    clock = asyncio.get_running_loop().time
    lease = Lease(device, DRIVE, supply_mv=None, clock=clock, failed=lambda why: None)
    lease.want(Outputs(power=True, valve=1.0))
    try:
        yield lease, told
    finally:
        lease.end()
        await lease.ended()


async def handled_every(lease: Lease, seconds: float, times: int) -> float:
    for _ in range(times):
        lease.handled()
        await asyncio.sleep(seconds)
    return asyncio.get_running_loop().time() - seconds


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
        lease.handled()
        await asyncio.sleep(2 * RENEWED_S)
        assert len(told.on) == count
