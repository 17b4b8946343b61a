"""The store's one thread, for a daemon whose loop must not wait for a disk."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from typing import Concatenate, ParamSpec, TypeVar

from daq.record.store import Store
from daq.record.values import Finished, Message, StoredRun

P = ParamSpec("P")
R = TypeVar("R")


class AsyncStore:
    """`await store.ask(Store.start_run, started)`: any method of the store, run in its thread, in the order asked.

    An ask that is cancelled while it runs is carried out all the same; only its answer is lost.
    """

    def __init__(self, url: str) -> None:
        self._store = Store(url)
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._outboxes: dict[str, StandOutbox] = {}

    @property
    def where(self) -> str:
        """The database's name for messages."""
        return self._store.where

    async def open(self) -> None:
        """See `Store.open`."""
        await self.ask(Store.open)

    async def ask(self, method: Callable[Concatenate[Store, P], R], *args: P.args, **kwargs: P.kwargs) -> R:
        """Runs a method of the store in its thread and gives its answer."""
        return await asyncio.get_running_loop().run_in_executor(
            self._thread, lambda: method(self._store, *args, **kwargs)
        )

    async def finish_run(self, run: str, make: Callable[[int], Finished]) -> Finished:
        """See `Store.finish_run`; `make` is called in the store's thread. Wakes whoever sends."""
        finished = await self.ask(Store.finish_run, run, make)
        self._wake()
        return finished

    async def close_unfinished(
        self, site: str, stand: str, make: Callable[[StoredRun, int], Finished]
    ) -> list[Finished]:
        """See `Store.close_unfinished`. Wakes whoever sends."""
        finished = await self.ask(Store.close_unfinished, site, stand, make)
        self._wake()
        return finished

    def outbox(self, stand: str) -> "StandOutbox":
        """The messages of one stand (its key); always the same object for the same stand."""
        return self._outboxes.setdefault(stand, StandOutbox(self, stand))

    async def close(self) -> None:
        """Waits for what was asked, then closes the database."""
        await self.ask(Store.close)
        self._thread.shutdown()

    def _wake(self) -> None:
        for outbox in self._outboxes.values():
            outbox.wake()


class StandOutbox:
    """One stand's messages, for the one task that sends them."""

    def __init__(self, store: AsyncStore, stand: str) -> None:
        self._store = store
        self._stand = stand
        self._changed = asyncio.Event()
        self._rewinds = self._fetched_after = 0

    async def unsent(self, limit: int) -> list[Message]:
        """The oldest that wait, in order."""
        self._fetched_after = self._rewinds
        return await self._store.ask(Store.unsent, self._stand, limit)

    async def mark_sent(self, message: int, time: datetime) -> None:
        """The broker has acknowledged a message; one fetched before a `send_again` is sent once more in turn."""
        if self._fetched_after == self._rewinds:
            await self._store.ask(Store.mark_sent, message, time)

    async def send_again(self, site: str, stand: str, from_seq: int) -> None:
        """See `Store.send_again`. Wakes whoever sends."""
        self._rewinds += 1
        await self._store.ask(Store.send_again, site, stand, from_seq)
        self.wake()

    async def backlog(self) -> tuple[int, datetime | None]:
        """How many messages wait, and since when the oldest does."""
        return await self._store.ask(Store.backlog, self._stand)

    async def changed(self) -> None:
        """Returns when something was added since the last return; at once if that was before the call."""
        await self._changed.wait()
        self._changed.clear()

    def wake(self) -> None:
        self._changed.set()
