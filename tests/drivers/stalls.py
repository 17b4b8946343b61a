"""A host that stands still: an event loop in virtual time, and lines whose bytes wait meanwhile."""

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class _Jumping(selectors.DefaultSelector):
    """Does not wait: moves the loop's time on by what it was to wait for."""

    loop: "StallingLoop"

    def select(self, timeout: float | None = None) -> list[Any]:
        found = super().select(0)
        if not found:
            assert timeout is not None, "nothing is due any more, and the test still waits"
            self.loop.now += timeout
        return found


class StallingLoop(asyncio.SelectorEventLoop):
    """Virtual time. `stall` stops the whole host for so long: nothing runs, and then everything is due at once."""

    def __init__(self) -> None:
        selector = _Jumping()
        super().__init__(selector)
        selector.loop = self
        self.now = 0.0

    def time(self) -> float:
        return self.now

    def stall(self, seconds: float) -> None:
        self.now += seconds


def run(test: Callable[[StallingLoop], Coroutine[Any, Any, T]]) -> T:
    """Runs a test in virtual time."""
    loop = StallingLoop()
    try:
        return loop.run_until_complete(test(loop))
    finally:
        loop.close()


class Peer:
    """Who speaks at the other end, in a time of his own."""

    def sent_by(self, now: float) -> bytes:
        """What was sent since the last call, up to `now` s."""
        raise NotImplementedError

    def hear(self, data: bytes) -> None:
        """Bytes from the host."""


class WaitingLine:
    """A transport whose peer goes on while the host stands still: `peer` gives what it has sent by a time.

    With `fed_by_loop` bytes reach the reader only when the loop has looked at its sockets, as with TCP.
    """

    def __init__(self, loop: StallingLoop, peer: Peer, *, fed_by_loop: bool) -> None:
        self._loop, self._peer, self._fed = loop, peer, fed_by_loop
        self._there = b""
        self._tick: asyncio.TimerHandle | None = None
        self._news = asyncio.Event()
        self.closed = False
        self._arrive()

    def _arrive(self) -> None:
        """What the loop does when a socket can be read; the peer sends every 10 ms."""
        self._there += self._peer.sent_by(self._loop.now)
        if self._there:
            self._news.set()
        if not self.closed:
            self._tick = self._loop.call_later(0.01, self._arrive)

    async def read(self) -> bytes:
        while not self.closed:
            if not self._fed:
                self._there += self._peer.sent_by(self._loop.now)
            if self._there:
                data, self._there = self._there[:4096], self._there[4096:]
                return data
            self._news.clear()
            await self._news.wait()
        return b""

    async def write(self, data: bytes) -> None:
        self._peer.hear(data)

    async def close(self) -> None:
        self.closed = True
        self._news.set()
        if self._tick is not None:
            self._tick.cancel()
