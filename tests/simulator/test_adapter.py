"""Ways to a simulated device: in memory, over a real pseudo-terminal, over TCP on loopback."""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from drivers.block import Block
from drivers.device import Address, PortError
from drivers.stand_link import open_serial, open_tcp
from simulator.adapter import Line, MemoryTransport, Pacer, PtyLine, serve_pty, serve_tcp
from simulator.rig import Rig
from tests.simulator.common import depot

FAST = 40.0
"""Virtual seconds for one of the wall, so that tests with real ports stay short."""


def rig(faults: str = "") -> Rig:
    return Rig(depot(), "good-pump", 3, faults=faults)


# In memory


async def test_reading_moves_time_by_one_block() -> None:
    line = MemoryTransport(rig())
    assert line.now() == 0.0
    assert await line.read() != b""
    assert line.now() == pytest.approx(0.04)


async def test_bytes_that_come_one_by_one_take_no_time_of_their_own() -> None:
    line = MemoryTransport(rig("bytes"))
    first = [await line.read() for _ in range(20)]
    assert all(len(byte) == 1 for byte in first)
    assert line.now() == pytest.approx(0.04)


async def test_closed_or_unplugged_it_is_gone() -> None:
    closed, unplugged = MemoryTransport(rig()), MemoryTransport(rig("unplug:0.1"))
    await closed.close()
    assert await closed.read() == b""
    with pytest.raises(PortError, match="closed or unplugged"):
        await closed.write(b"x")
    while await unplugged.read():
        assert unplugged.now() < 1.0


async def test_a_line_that_stays_silent_is_gone_in_the_end() -> None:
    line = MemoryTransport(rig("loss:1"))
    assert await line.read() == b""
    assert line.now() > 60.0


async def test_paced_it_waits_for_the_wall(monkeypatch: pytest.MonkeyPatch) -> None:
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)

    monkeypatch.setattr(asyncio, "sleep", sleep)
    line = MemoryTransport(rig(), pace=2.0)
    for _ in range(10):
        await line.read()
    assert waits[0] == 0.0  # the first block sets the clock
    assert 0.015 < waits[1] <= 0.02


async def test_a_pace_of_nothing_makes_no_sense() -> None:
    with pytest.raises(ValueError, match="pace of 0"):
        Pacer(rig(), 0.0)


# Over a real pseudo-terminal


@asynccontextmanager
async def on_pty(known: Rig, pace: float = FAST) -> AsyncIterator[Line]:
    line, running = await serve_pty(known, pace)
    try:
        yield line
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await line.close()


async def blocks(address: str, count: int) -> list[Block]:
    opener = open_serial if address.startswith("serial") else open_tcp
    device = await opener(Address.parse(address))
    found: list[Block] = []
    async for event in device.events():
        if isinstance(event, Block):
            found.append(event)
        if len(found) == count:
            break
    await device.close()
    return found


async def test_a_host_opens_the_terminal_closes_it_and_comes_again() -> None:
    async with on_pty(rig()) as line:
        assert line.address.startswith("serial:///dev/pts/")
        first = await blocks(line.address, 20)
        again = await blocks(line.address, 20)
        assert sum(block.missing for block in first[1:]) == 0
        assert again[0].tick > first[-1].tick
        assert again[0].boot == first[0].boot  # the device ran on


async def test_a_full_line_drops_whole_frames() -> None:
    line = PtyLine(lambda data: None)
    frames = [bytes([1 + k % 250]) * 99 + b"\0" for k in range(400)]
    for frame in frames:
        line.send(frame)
    assert line.dropped > 0
    far = os.open(line.address.removeprefix("serial://"), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    came = b""
    for _ in range(100):
        try:
            came += os.read(far, 4096)
        except BlockingIOError:
            line.send(frames[0])
            if came.endswith(frames[0]):
                break
        await asyncio.sleep(0)
    os.close(far)
    await line.close()
    assert set(came.split(b"\0")) <= {frame[:-1] for frame in frames} | {b""}


async def test_unplugged_the_task_ends() -> None:
    line, running = await serve_pty(rig("unplug:0.5"), FAST)
    await running
    await line.close()


# Over TCP


async def test_a_host_over_tcp_and_a_second_one() -> None:
    line, running = await serve_tcp(rig(), FAST)
    try:
        assert line.address.startswith("tcp://127.0.0.1:")
        assert len(await blocks(line.address, 10)) == 10
        assert len(await blocks(line.address, 10)) == 10
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await line.close()
