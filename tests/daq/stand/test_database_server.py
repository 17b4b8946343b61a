"""A stand whose records lie on a database server: the server goes, and nothing of a run does."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import Alarm
from daq.record.store import Store
from daq.stand import finish
from daq.stand.errors import RefusedError
from tests.daq.stand.bench import SCRIPTED, STREAMING
from tests.daq.stand.conftest import OpenBench
from tests.postgres import PASSWORD, Postgres


@pytest.fixture
def on_server(config: StandConfig, postgres: Postgres) -> Iterator[StandConfig]:
    name = postgres.make("migrated")
    yield replace(config, database=postgres.url(name))
    if not postgres.running:
        postgres.start()
    postgres.drop(name)


async def test_a_whole_run(open_bench: OpenBench, on_server: StandConfig) -> None:
    async with open_bench(SCRIPTED, at=on_server) as bench:
        told = (await bench.test()).data
        stored = (await bench.stored(told.run)).data
        assert (told.verdict, stored["verdict"], stored["seq"]) == ("pass", "pass", 1)
        assert len(stored["readings"]) == len(told.readings) > 3
        assert len(await bench.store.outbox(bench.stand.key).unsent(10)) == 1


async def test_a_server_that_goes_in_mid_run_gets_the_verdict_when_it_is_back(
    open_bench: OpenBench, on_server: StandConfig, postgres: Postgres, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(finish, "AGAIN_S", 0.05)
    async with open_bench(STREAMING, at=on_server) as bench:
        run = await bench.begin()
        bench.at(1.0, postgres.crash)
        bench.at(2.0, lambda: bench.stand.abort(run))
        failed = await bench.next(Alarm, lambda alarm: "the verdict is not stored yet" in alarm.text)
        assert "no answer from it; check that the server runs" in failed.text
        assert PASSWORD not in failed.text
        assert "storing" in bench.stand.blocked_by
        postgres.start()
        told = (await bench.ended(run)).data
        assert told.verdict == (await bench.stored(run)).data["verdict"] == "void"
        assert len(await bench.store.outbox(bench.stand.key).unsent(10)) == 1


async def test_without_the_server_no_run_begins(
    open_bench: OpenBench, on_server: StandConfig, postgres: Postgres
) -> None:
    async with open_bench(STREAMING, at=on_server) as bench:
        with postgres.away(), pytest.raises(RefusedError, match=r"cannot be recorded: .*no answer from it"):
            await bench.begin()
        run = await bench.begin()
        bench.at(1.0, lambda: bench.stand.abort(run))
        assert (await bench.ended(run)).data.attempt == 1
        assert len(await bench.store.ask(Store.events, run)) > 0
