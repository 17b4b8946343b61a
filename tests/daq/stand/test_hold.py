"""One process at a time works a stand, and closes what a killed one left."""

import asyncio
import os
import sys
from asyncio.subprocess import PIPE
from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.stand_file import StandConfig
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.stand.errors import HeldError
from daq.stand.hold import held
from tests.daq.record.bench import BENCH, started

LOCKS = "import fcntl, sys; f = open(sys.argv[1], 'w'); fcntl.flock(f, fcntl.LOCK_EX); print(4711, file=f, flush=True)"


async def test_a_second_one_is_told_which_process_has_the_stand(config: StandConfig) -> None:
    async with held(config, AsyncStore(config.database)):
        with pytest.raises(HeldError) as told:
            await enter(config)
    text = str(told.value)
    assert f"process {os.getpid()}" in text
    for part in ("marrow-hill/bench-1", str(config.data), "stop that one", "records of its own"):
        assert part in text
    await enter(config)  # free again


async def test_another_process_counts_too_and_its_death_frees_the_stand(config: StandConfig) -> None:
    config.data.mkdir()
    lock = config.data / "marrow-hill-bench-1.lock"
    program = f"{LOCKS}; print(flush=True); sys.stdin.read()"
    command = (sys.executable, "-c", program, lock)
    other = await asyncio.create_subprocess_exec(*command, stdin=PIPE, stdout=PIPE)
    assert other.stdout is not None
    await other.stdout.readline()
    with pytest.raises(HeldError, match="process 4711"):
        await enter(config)
    other.kill()
    await other.wait()
    await enter(config)


async def test_a_full_disk_does_not_keep_a_stand_from_being_held(
    config: StandConfig, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "ftruncate", full)
    async with held(config, AsyncStore(config.database)):
        with pytest.raises(HeldError, match="another process with its records in"):
            await enter(config)


async def test_another_stand_beside_it_is_free(config: StandConfig) -> None:
    other = replace(config, stand=replace(config.stand, name="bench-2"))
    async with held(config, AsyncStore(config.database)):
        await enter(other)


async def test_records_that_cannot_be_written(config: StandConfig, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(HeldError, match=r"file/x/marrow-hill-bench-1\.lock cannot be written .*; mend its permissions"):
        await enter(replace(config, data=tmp_path / "file" / "x"))


async def test_what_a_killed_process_left_under_way_is_void(config: StandConfig) -> None:
    store = AsyncStore(config.database)
    await store.open()
    await store.ask(Store.start_run, started())
    await store.close()
    store = AsyncStore(config.database)
    async with held(config, store):
        data = (await store.ask(Store.run, started().run)).data
        [message] = await store.outbox(BENCH).unsent(10)
    assert (data["verdict"], data["why"], data["seq"]) == ("void", "daemon was killed", 1)
    assert message.topic == "result"


async def test_a_run_under_way_is_not_closed_by_whoever_is_turned_away(config: StandConfig) -> None:
    store = AsyncStore(config.database)
    async with held(config, store):
        await store.ask(Store.start_run, started())
        with pytest.raises(HeldError):
            await enter(config)
        assert (await store.ask(Store.run, started().run)).data["verdict"] is None


async def enter(config: StandConfig) -> None:
    async with held(config, AsyncStore(config.database)):
        pass
