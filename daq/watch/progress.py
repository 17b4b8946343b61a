"""Whether the daemon moves on: the device's data, the event loop and the database's thread, each by what it did."""

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass

from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.stand.daemon import Daemon
from drivers.block import Link
from drivers.reconnect import Reconnecting

DEVICE_S = 30.0
"""A device that is up sends blocks many times a second, and one that is not is looked for every 10 s at least."""
STORE_S = 60.0
"""Longer than what the database may hold up one request, and several that wait in line."""


STRIDE_S = 5.0
"""Between two looks, which are a second apart, so much counts at most: a host that stood still has seen nobody move."""


class _Seen:
    """Time as it passes from look to look, seconds, without what the host stood still for."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock, self._before, self._time = clock, clock(), 0.0

    def __call__(self) -> float:
        """The time at a look."""
        now = self._clock()
        self._time += min(now - self._before, STRIDE_S)
        self._before = now
        return self._time


@dataclass(slots=True)
class _Mark:
    """What something had done when it was seen to move last."""

    done: object
    at: float


class Progress:
    """Looks at one stand's daemon. `clock` gives seconds.

    A device that is unplugged or silent is no hang: its line is down, and what must go on then is the looking for it.
    """

    def __init__(self, daemon: Daemon, clock: Callable[[], float] = time.monotonic) -> None:
        self.daemon, self._time = daemon, _Seen(clock)
        self._device = _Mark(None, 0.0)
        self._store = _Answers(daemon.store)

    def stuck(self) -> list[str]:
        """What stands still, in words for people; to be asked about once a second."""
        now, found = self._time(), []
        done = self._done()
        if done is None or done != self._device.done:
            self._device = _Mark(done, now)
        elif now - self._device.at > DEVICE_S:
            found.append(f"device: nothing moved for {now - self._device.at:.0f} s")
        if (waiting := self._store.waiting(now)) > STORE_S:
            found.append(f"store: no answer for {waiting:.0f} s")
        return found

    def _done(self) -> object:
        """What has to change as long as all is well; None where nothing has to, as with a device whose time is virtual:
        it stands still between runs."""
        stand, device = self.daemon.stand, self.daemon.device
        if device is None or device.virtual:
            return None
        if stand.link.link is Link.UP:
            return "blocks", stand.taken
        return ("attempts", device.attempts) if isinstance(device, Reconnecting) and not device.connected else None

    def end(self) -> None:
        """Asks no more."""
        self._store.end()


class _Answers:
    """Asks the database's thread for nothing, again and again, and sees how long it takes to answer."""

    def __init__(self, store: AsyncStore) -> None:
        self._store = store
        self._asked: asyncio.Task[None] | None = None
        self._since = 0.0

    def waiting(self, now: float) -> float:
        """Seconds since what was asked and is not answered yet."""
        if self._asked is None or self._asked.done():
            self._since = now
            self._asked = asyncio.create_task(self._ask(), name="asking the store")
        return now - self._since

    async def _ask(self) -> None:
        await self._store.ask(_nothing)

    def end(self) -> None:
        if self._asked is not None:
            self._asked.cancel()


def _nothing(store: Store) -> None:
    """What the thread does to show that it comes to anything."""


class LoopLag:
    """By how much the event loop is late: what waits for a moment, measured while it waits.

    `lag` is the newest, `worst` the longest since `begin_window`; seconds.
    """

    EVERY_S = 0.1

    def __init__(self) -> None:
        self.lag = self.worst = 0.0

    def begin_window(self) -> float:
        """The worst of the window that ends now."""
        worst, self.worst = self.worst, 0.0
        return worst

    async def run(self) -> None:
        """Measures until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            due = loop.time() + self.EVERY_S
            await asyncio.sleep(self.EVERY_S)
            self.lag = max(0.0, loop.time() - due)
            self.worst = max(self.worst, self.lag)
