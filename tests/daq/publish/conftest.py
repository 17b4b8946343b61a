"""A store, and a publisher of one stand with whatever is needed around it."""

import asyncio
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from daq.publish.contract import Command, Reply, ReplyState
from daq.publish.desk import Desk, Handle
from daq.publish.mqtt import Broker
from daq.publish.notices import Notice
from daq.publish.publisher import Publisher, Timing
from daq.publish.topics import Topics
from daq.record.async_store import AsyncStore
from daq.record.engine import sqlite_url
from daq.record.store import Store
from tests.daq.publish.samples import NOW, RUN, STATUS
from tests.daq.record.bench import BENCH

TOPICS = Topics("steadyhead", "marrow-hill", "bench-1")
EACH_DATABASE = pytest.mark.parametrize("database_url", ["sqlite", "postgresql"], indirect=True)
QUICK = Timing(
    heartbeat=0.05, live=0.02, first_wait=0.05, longest_wait=0.1, refused=0.05, longest_refused=0.1, again=0.05
)


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("empty") / "bench.db"
    store = Store(sqlite_url(file))
    store.open()
    store.close()
    return file


@pytest.fixture
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A database with tables and no rows: an SQLite file, but where the test is marked with `EACH_DATABASE`."""
    if getattr(request, "param", "sqlite") == "sqlite":
        shutil.copy(request.getfixturevalue("empty_database"), tmp_path / "bench.db")
        yield sqlite_url(tmp_path / "bench.db")
        return
    server = request.getfixturevalue("postgres")
    name = server.make("migrated")
    yield server.url(name)
    server.drop(name)


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[AsyncStore]:
    database = AsyncStore(database_url)
    await database.open()
    yield database
    await database.close()


@dataclass
class Bench:
    """What a stand's owner has in hand: the publisher, what it told, and which commands arrived."""

    publisher: Publisher
    database: AsyncStore
    told: list[Notice] = field(default_factory=list)
    handled: list[tuple[str, Command]] = field(default_factory=list)

    def active(self) -> list[str]:
        return [n.text for n in self.told if n.active]


OpenBench = Callable[..., Any]


@pytest.fixture
def open_bench(database: AsyncStore) -> OpenBench:
    """Runs a publisher while the block lasts, then stops it in order."""

    @asynccontextmanager
    async def open_it(
        port: int, *, timing: Timing = QUICK, handler: Handle | None = None, **broker: Any
    ) -> AsyncIterator[Bench]:
        told: list[Notice] = []
        handled: list[tuple[str, Command]] = []

        async def handle(name: str, command: Command) -> Reply:
            handled.append((name, command))
            return Reply(request_id=command.request_id, state=ReplyState.ACCEPTED, run=RUN, time=NOW)

        desk = Desk(database, BENCH, handler or handle, now=lambda: NOW)
        publisher = Publisher(
            Broker("127.0.0.1", port, **broker),
            TOPICS,
            STATUS,
            outbox=database.outbox(BENCH),
            desk=desk,
            notify=told.append,
            timing=timing,
            now=lambda: NOW,
        )
        running = asyncio.create_task(publisher.run(), name="publisher")
        try:
            yield Bench(publisher, database, told, handled)
        finally:
            publisher.stop()
            async with asyncio.timeout(60):
                await running

    return open_it


async def until(condition: Callable[[], bool | Awaitable[bool]], seconds: float = 60.0) -> None:
    """Returns when the condition holds; another process decides when, so it is looked at every few milliseconds."""
    async with asyncio.timeout(seconds):
        while not (held if isinstance(held := condition(), bool) else await held):  # noqa: ASYNC110
            await asyncio.sleep(0.005)
