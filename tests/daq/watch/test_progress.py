"""What counts as a hang, and what does not."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from daq.record.async_store import AsyncStore
from daq.record.engine import sqlite_url
from daq.stand.daemon import Daemon
from daq.watch.progress import DEVICE_S, STORE_S, LoopLag, Progress
from drivers.block import Link, LinkChange
from drivers.device import Address, Device, PortError
from drivers.reconnect import Reconnecting


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[AsyncStore]:
    made = AsyncStore(sqlite_url(tmp_path / "records.db"))
    yield made
    await made.close()


def daemon(store: AsyncStore, link: Link, device: Any) -> Daemon:
    stand = SimpleNamespace(link=LinkChange(link, ""), taken=0)
    return cast(Daemon, SimpleNamespace(store=store, stand=stand, device=device))


async def watched(made: Daemon, clock: Clock, seconds: float, step: Any = None) -> list[str]:
    """What stands still after so many looks, one a second, each with time for the store's thread to answer."""
    progress = Progress(made, clock)
    found: list[str] = []
    for _ in range(round(seconds)):
        if step is not None:
            await step()
        found = progress.stuck()
        await asyncio.sleep(0.002)
        clock.now += 1.0
    progress.end()
    return found


REAL = SimpleNamespace(virtual=False)


@pytest.mark.parametrize("seconds", [3.0, 45.0, 3600.0])
async def test_a_host_that_stood_still_has_seen_nobody_stand_still(store: AsyncStore, seconds: float) -> None:
    """Blocks and answers wait for their turn; what stands still after that is found as ever."""
    made, clock = daemon(store, Link.UP, REAL), Clock()
    progress = Progress(made, clock)
    for _ in range(10):
        made.stand.taken += 1
        assert progress.stuck() == []
        clock.now += 1.0
    progress.stuck()
    clock.now += seconds
    assert progress.stuck() == []
    for _ in range(round(DEVICE_S)):
        await asyncio.sleep(0.002)
        clock.now += 1.0
        found = progress.stuck()
    progress.end()
    assert len(found) == 1


async def test_a_device_that_is_up_and_sends_nothing_stands_still(store: AsyncStore) -> None:
    made = daemon(store, Link.UP, REAL)
    assert await watched(made, Clock(), DEVICE_S) == []
    [found] = await watched(made, Clock(), DEVICE_S + 3)
    assert found.startswith("device: nothing moved for 3")


async def test_one_that_sends_does_not(store: AsyncStore) -> None:
    made = daemon(store, Link.UP, REAL)

    async def block() -> None:
        made.stand.taken += 1

    assert await watched(made, Clock(), 3 * DEVICE_S, block) == []


@pytest.mark.parametrize("link", [Link.DOWN, Link.SILENT])
async def test_a_device_that_says_nothing_on_an_open_line_is_no_hang(store: AsyncStore, link: Link) -> None:
    assert await watched(daemon(store, link, REAL), Clock(), 3 * DEVICE_S) == []


async def test_a_device_that_is_unplugged_is_none_as_long_as_it_is_looked_for(store: AsyncStore) -> None:
    async def unplugged() -> Device:
        raise PortError("no such port")

    async def wait(_: float) -> None:
        await asyncio.sleep(0.001)

    device = Reconnecting(unplugged, Address.parse("serial:///dev/none"), wait)

    async def look_for_it() -> None:
        async for _ in device.events():
            pass

    looking = asyncio.create_task(look_for_it())
    made = daemon(store, Link.DOWN, device)
    assert await watched(made, Clock(), 2 * DEVICE_S) == []
    looking.cancel()
    await asyncio.gather(looking, return_exceptions=True)
    assert len(await watched(made, Clock(), DEVICE_S + 3)) == 1, "nobody looks for it any more"


async def test_a_thread_that_does_not_answer_stands_still(store: AsyncStore) -> None:
    go_on = threading.Event()
    held = asyncio.create_task(store.ask(lambda _: go_on.wait() and None))
    made = daemon(store, Link.DOWN, REAL)
    try:
        assert await watched(made, Clock(), STORE_S) == []
        [found] = await watched(made, Clock(), STORE_S + 3)
        assert found.startswith("store: no answer for 6")
    finally:
        go_on.set()
        await held


async def test_a_loop_that_is_held_up_is_late_by_so_much() -> None:
    lag = LoopLag()
    measuring = asyncio.create_task(lag.run())
    await asyncio.sleep(0.05)
    time.sleep(0.4)  # noqa: ASYNC251, what is held up is the point
    await asyncio.sleep(0.15)
    measuring.cancel()
    await asyncio.gather(measuring, return_exceptions=True)
    assert lag.begin_window() >= 0.3
    assert lag.begin_window() == 0.0
