"""A result is the same in the record and on the wire."""

import json

from daq.publish.contract import Result, ResultData, abandoned, plain, text
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.record.values import Finished, StoredRun
from tests.daq.publish.conftest import EACH_DATABASE
from tests.daq.publish.samples import NOW, data
from tests.daq.record.bench import BENCH, started

pytestmark = EACH_DATABASE


def finished(seq: int) -> Finished:
    result = data(seq=seq, started=started().started, attempt=1)
    return Finished(plain(result), [("result", text(Result.of(result)))])


async def test_what_is_sent_is_what_is_kept(database: AsyncStore) -> None:
    run = started(part="MH-2140", order="WO 7")
    await database.ask(Store.start_run, run)
    await database.finish_run(run.run, finished)
    [message] = await database.outbox(BENCH).unsent(10)
    kept = (await database.ask(Store.run, run.run)).data
    assert json.loads(message.payload)["data"] == kept
    assert ResultData.model_validate(kept).seq == 1


async def test_a_run_left_by_a_kill_is_said_to_be_void(database: AsyncStore) -> None:
    def void(stored: StoredRun, seq: int) -> Finished:
        result = abandoned(stored.data, seq=seq, ended=NOW, why="daemon was killed")
        return Finished(plain(result), [("result", text(Result.of(result)))])

    await database.ask(Store.start_run, started())
    await database.close_unfinished("marrow-hill", "bench-1", void)
    [message] = await database.outbox(BENCH).unsent(10)
    said = json.loads(message.payload)["data"]
    assert (said["run"], said["verdict"], said["why"]) == (started().run, "void", "daemon was killed")
    assert said["versions"]["software"] == "0.1.0"
