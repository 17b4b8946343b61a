"""What a killed daemon had measured stands in the void result that the next one makes of its recording."""

import json
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from daq.catalogue.stand_file import StandConfig
from daq.publish import contract as c
from daq.record.async_store import AsyncStore
from daq.record.engine import sqlite_url
from daq.record.store import Store
from daq.stand.hold import held
from daq.stand.result import verdict_of
from drivers.recording import MAGIC
from tests.daq.stand.conftest import OpenBench

Spoil = Callable[[bytes], bytes]


def flipped(content: bytes) -> bytes:
    """A bit of a late entry is another one."""
    at = len(content) * 9 // 10
    return content[:at] + bytes((content[at] ^ 1,)) + content[at + 1 :]


async def test_a_run_that_was_cut_off_keeps_what_was_measured(
    open_bench: OpenBench, config: StandConfig, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The record as it is while the run is under way, beside as much of its recording as got to the disk."""
    async with open_bench("sim://depot/good-pump") as bench:
        run = await bench.begin(serial="K00317")
        bench.at(2.0, lambda: copied(tmp_path / "records.db", tmp_path / "under-way.db"))
        whole = c.plain((await bench.ended(run)).data)
    recording = (config.data / whole["recording"]["file"]).read_bytes()

    async def closed(name: str, spoil: Spoil | None) -> dict[str, Any]:
        there = tmp_path / name
        (there / "recordings").mkdir(parents=True)
        shutil.copy(tmp_path / "under-way.db", there / "records.db")
        (there / "traces").mkdir()
        (there / "traces" / f"{run}.parquet.tmp").write_bytes(b"what a killed writer left")
        if spoil is not None:
            (there / "recordings" / f"{run}.rec").write_bytes(spoil(recording))
        return await reopened(replace(config, data=there, database=sqlite_url(there / "records.db")), run)

    data = await closed("uncut", lambda content: content)  # killed after the run's end, before its commit
    without_budget = [{k: v for k, v in reading.items() if k != "budget"} for reading in data["readings"]]
    assert (without_budget, data["findings"]) == (whole["readings"], whole["findings"])
    assert data["why"] == "daemon was killed"
    assert all(reading["budget"] for reading in data["readings"])
    trace = pq.read_table(tmp_path / "uncut" / data["trace"]["file"])
    assert trace.num_rows == whole["quality"]["scans_received"]

    data = await closed("late", lambda content: content[: len(content) * 9 // 10])  # in the middle of an entry
    assert data["why"] == "daemon was killed"
    assert [r["name"] for r in data["readings"]] == [r["name"] for r in whole["readings"][: len(data["readings"])]]
    assert data["readings"]
    assert 0 < data["quality"]["scans_received"] < whole["quality"]["scans_received"]
    assert data["recording"]["bytes"] == len(recording) * 9 // 10

    data = await closed("damaged", flipped)
    assert data["why"] == "killed; record damaged"
    assert data["readings"]
    assert data["trace"]

    for name, spoil in {
        "version": lambda content: content.replace(MAGIC, MAGIC[:-1] + b"\x02", 1),
        "header": lambda content: content[: len(MAGIC) + 20],
        "empty": lambda _: b"",
    }.items():
        data = await closed(name, spoil)
        assert data["why"] == "killed; record unusable"
        assert (data["readings"], data["findings"]) == ([], [])
    assert "this is no recording, or of another version" in caplog.text

    data = await closed("missing", None)
    assert (data["why"], data["readings"]) == ("daemon was killed", [])
    assert "has no recording at" in caplog.text


def copied(database: Path, to: Path) -> None:
    with sqlite3.connect(database) as old, sqlite3.connect(to) as new:
        old.backup(new)
    old.close()
    new.close()


async def reopened(config: StandConfig, run: str) -> dict[str, Any]:
    store = AsyncStore(config.database)
    async with held(config, store):
        data = (await store.ask(Store.run, run)).data
        [message] = await store.outbox(f"{config.stand.site}/{config.stand.name}").unsent(10)
    assert (data["verdict"], data["serial"], message.topic) == ("void", "K00317", "result")
    assert "budget" not in message.payload
    assert verdict_of(c.ResultData.model_validate(json.loads(message.payload)["data"])).why == data["why"]
    assert not list((config.data / "traces").glob("*.tmp"))
    return data
