"""What a killed daemon had measured stands in the void result that the next one makes of its recording."""

import json
import random
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
from daq.stand import recover
from daq.stand.hold import held
from daq.stand.recover import ASIDE, KILLED, UNUSABLE, Recovered, recovered
from daq.stand.result import verdict_of
from drivers.recording import MAGIC, Header, Note, RecordingWriter, read_recording
from tests.daq.stand.bench import STREAMING
from tests.daq.stand.conftest import OpenBench

Spoil = Callable[[bytes], bytes]


def flipped(content: bytes) -> bytes:
    """A bit of a late entry is another one."""
    at = len(content) * 9 // 10
    return content[:at] + bytes((content[at] ^ 1,)) + content[at + 1 :]


DEEP = json.loads("[" * 200 + "]" * 200)
HOSTILE: tuple[Any, ...] = (
    None, True, 0, -1, 2**70, 1e308, "", "x", "1e999", "9999-12-31T23:59:59+00:00", "0001-01-01", [], {}, [[]], DEEP,
    {"pressure": "nan"}, {"pressure": -1e9}, {"pressure": None}, "[stand]\n", "\x00",
)  # fmt: skip
"""What may stand where something else should."""


def paths(body: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where something stands in a JSON object, its leaves and its branches."""
    inside: list[tuple[Any, ...]] = []
    if isinstance(body, dict):
        inside = [path for key, value in body.items() for path in paths(value, (*here, key))]
    elif isinstance(body, list):
        inside = [path for k, value in enumerate(body[:3]) for path in paths(value, (*here, k))]
    return [here, *inside] if here else inside


def changed(body: dict[str, Any], path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    """The object with another value there; `...` takes it away."""
    copy = json.loads(json.dumps(body))
    *way, last = path
    there = copy
    for step in way:
        there = there[step]
    if value is ...:
        del there[last]
    else:
        there[last] = value
    return dict(copy)


def written(path: Path, entries: list[Any]) -> None:
    """A recording whose entries are sound, whatever they hold."""
    writer = RecordingWriter(path, entries[0].body)
    for entry in entries[1:]:
        if isinstance(entry, bytes):
            writer.wire(entry)
        elif isinstance(entry, Note):
            writer.note(entry.kind, entry.body)
    writer.close({})


async def test_no_recording_raises(open_bench: OpenBench, config: StandConfig, tmp_path: Path) -> None:
    """Every field of the header, and of a note, replaced by what it cannot be; wire bytes lost, doubled and spoilt."""
    async with open_bench(STREAMING) as bench:
        run = await bench.begin()
        bench.at(1.0, lambda: bench.stand.abort(run))
        whole = c.plain((await bench.ended(run)).data)
    entries = list(read_recording(config.data / whole["recording"]["file"]))
    there = replace(config, data=tmp_path / "there")
    path = there.data / "recordings" / f"{run}.rec"
    path.parent.mkdir(parents=True)
    draw = random.Random(7)
    header = entries[0]
    assert isinstance(header, Header)
    cases = [
        [Header(changed(header.body, where, value)), *entries[1:]]
        for where in paths(header.body)
        for value in (draw.choice(HOSTILE), ...)
    ]
    wires = [k for k, entry in enumerate(entries) if isinstance(entry, bytes)]
    cases += [[header, *(entries[k] for k in sorted(draw.sample(wires, len(wires) // 2)))] for _ in range(3)]
    cases += [[header, *draw.sample(entries[1:-1], len(entries) - 2)] for _ in range(3)]
    cases += [[header, *(bytes(draw.randbytes(200)) for _ in range(20)), *entries[1:]], [header, b"\0" * 1_000_000]]
    cases += [[header, Note(kind, {"what": value, "why": value}), *entries[1:]] for kind in ("confirm", "abort", "link")
              for value in HOSTILE]  # fmt: skip
    seen = set()
    for case in cases:
        path.unlink(missing_ok=True)
        written(path, case)
        seen.add((await recovered(there, run)).why)
        assert not path.with_suffix(ASIDE).exists()  # a mistake of ours
    assert seen == {KILLED, UNUSABLE}


async def test_a_recording_that_meets_a_mistake_of_ours_is_kept_aside(
    open_bench: OpenBench, config: StandConfig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with open_bench(STREAMING) as bench:
        run = await bench.begin()
        bench.at(1.0, lambda: bench.stand.abort(run))
        await bench.ended(run)

    def wrong(*_: object) -> None:
        raise ArithmeticError("a mistake")

    monkeypatch.setattr(recover, "in_force", wrong)
    path = config.data / "recordings" / f"{run}.rec"
    content = path.read_bytes()
    assert await recovered(config, run) == Recovered(UNUSABLE)
    assert path.with_suffix(ASIDE).read_bytes() == content
    assert f"{run}{ASIDE}" in caplog.text
    assert (await recovered(config, run)).why == KILLED  # no recording any more, and no mistake


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
