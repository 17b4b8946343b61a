"""One thread for the database, and the outbox that wakes its sender."""

import asyncio
import threading
from collections.abc import AsyncIterator

import pytest

from daq.record.async_store import AsyncStore
from daq.record.errors import UnknownRunError
from daq.record.store import Store
from daq.record.values import Finished, StoredRun
from tests.daq.record.bench import BENCH, START, finish, started


@pytest.fixture
async def database(url: str, store: Store) -> AsyncIterator[AsyncStore]:
    database = AsyncStore(url)
    await database.open()
    yield database
    await database.close()


async def test_all_is_asked_in_one_thread_that_is_not_the_loops(database: AsyncStore) -> None:
    def thread(store: Store) -> int:
        return threading.get_ident()

    threads = set(await asyncio.gather(*(database.ask(thread) for _ in range(20))))
    assert len(threads) == 1
    assert threading.get_ident() not in threads


async def test_a_finished_run_wakes_the_sender(database: AsyncStore) -> None:
    outbox = database.outbox(BENCH)
    run = started()
    await database.ask(Store.start_run, run)
    sender = asyncio.ensure_future(outbox.changed())
    assert await outbox.unsent(10) == []
    await database.finish_run(run.run, finish(run))
    await asyncio.wait_for(sender, 1)
    [message] = await outbox.unsent(10)
    assert (message.topic, message.payload) == ("result", '{"seq":1}')
    await outbox.mark_sent(message.id, START)
    assert await outbox.unsent(10) == []


async def test_a_change_between_asking_and_waiting_is_not_missed(database: AsyncStore) -> None:
    outbox = database.outbox(BENCH)
    run = started()
    await database.ask(Store.start_run, run)

    def void(left: StoredRun, seq: int) -> Finished:
        return finish(run)(seq)

    assert len(await database.close_unfinished("marrow-hill", "bench-1", void)) == 1
    await asyncio.wait_for(outbox.changed(), 1)
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(outbox.changed(), 0)


async def test_there_is_one_outbox_a_stand(database: AsyncStore) -> None:
    assert database.outbox(BENCH) is database.outbox(BENCH)
    assert database.outbox(BENCH) is not database.outbox("marrow-hill/bench-2")


async def test_errors_come_back_to_who_asked(database: AsyncStore) -> None:
    with pytest.raises(UnknownRunError):
        await database.ask(Store.run, "0197")
