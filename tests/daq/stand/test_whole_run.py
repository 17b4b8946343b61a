"""A whole run in virtual time: what is stored, what lies beside it, and what is said meanwhile."""

import hashlib
import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from daq.catalogue.load import Catalogue
from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import Alarm, Noted, Taken
from daq.publish import contract as c
from daq.stand.budget import as_sent
from daq.stand.rejudge import in_force, rejudge
from daq.stand.report import record
from daq.stand.said import Begun, Finished, Live, Said, Stage
from drivers.block import Identity, LinkChange
from drivers.device import Address
from drivers.replay import open_replay
from tests.daq.stand.bench import Bench
from tests.daq.stand.conftest import OpenBench
from tests.daq.stand.evidence import replayed, scans

UNITS = {"module": "MH-3310", "weak-pump": "MH-2101"}


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


async def test_a_good_pump_from_start_to_record(open_bench: OpenBench, config: StandConfig) -> None:
    async with open_bench("sim://depot/good-pump") as bench:
        data = (await bench.test(serial="V4-00317", order="WO 7", operator="night shift")).data
        assert (data.verdict, data.why, data.sim, data.seq) == ("pass", "", 1, 1)
        assert (data.order, data.operator, data.attempt) == ("WO 7", "night shift", 1)
        assert {f.finding for f in data.findings} == {"met"}
        await check_files(data, config)
        await check_stored(bench, data)
        check_order(bench.said)
        check_records(bench.said)


async def check_files(data: c.ResultData, config: StandConfig) -> None:
    for file in (data.recording, data.trace):
        assert file is not None
        path = config.data / file.file
        assert (sha256(path), path.stat().st_size) == (file.sha256, file.bytes)
    assert data.recording is not None
    assert data.trace is not None
    assert data.quality.scans_expected == data.quality.scans_received
    assert data.quality.scans_displaced == 100  # by a capture of 0.2 s
    assert scans(await replayed(config.data / data.recording.file)) == data.quality.scans_received
    trace = pq.read_table(config.data / data.trace.file)
    assert trace.num_rows == data.quality.scans_received
    assert {"t", "pressure", "voltage", "current", "temperature", "flow"} <= set(trace.column_names)


async def check_stored(bench: Bench, data: c.ResultData) -> None:
    stored = (await bench.stored(data.run)).data
    assert as_sent(stored) == data
    assert all(item["budget"] for item in stored["readings"] if item["value"] is not None)
    [message] = await bench.store.outbox(bench.stand.key).unsent(10)
    sent = json.loads(message.payload)
    assert (message.topic, sent["id"], sent["data"]) == ("result", data.run, c.plain(data))
    notes = await bench.events(data.run, "note")
    assert [n["what"].removeprefix("stage ") for n in notes if n["what"].startswith("stage connect")]
    assert {"zero", "power on", "power off", "confirmed"} <= {n["what"] for n in notes}


def check_order(said: list[Said]) -> None:
    """The run begins, goes through its stages, ends; every reading is taken in a stage that was said before."""
    kinds = [type(s) for s in said if isinstance(s, Begun | Finished)]
    assert kinds == [Begun, Finished]
    seen: list[str] = []
    for s in said:
        if isinstance(s, Stage) and s.now is not None and s.now.stage not in seen:
            seen.append(s.now.stage)
        if isinstance(s, Taken):  # a capture that holds no stage up may come in the next one
            assert s.reading.stage in (seen[-2:] if s.reading.quantity == "speed" else seen[-1:])
    stages = list(dict.fromkeys(s.now.stage for s in said if isinstance(s, Stage) and s.now is not None))
    begun = next(s for s in said if isinstance(s, Begun))
    assert stages == list(begun.stages)[: len(stages)]
    numbers = [s.step.number for s in said if isinstance(s, Live) and s.about is not None]
    assert numbers == sorted(set(numbers))


def check_records(said: list[Said]) -> None:
    """Every kind of thing said is a record fit for JSON, but for what only a display wants."""
    events = {type(s): json.loads(json.dumps(record(s), allow_nan=False)) for s in said}
    assert {kind: made and made["event"] for kind, made in events.items()} == {
        Begun: "run_begun",
        Stage: "stage",
        Taken: "reading",
        Noted: "note",
        Live: None,
        Finished: "run_finished",
        LinkChange: "link",
        Identity: "device",
    }
    [taken] = [record(s) for s in said if isinstance(s, Taken) and s.reading.quantity == "peak_pressure"]
    assert taken is not None
    assert (taken["unit"], taken["reference"]) == ("kPa", "gauge")
    assert [f["requirement"] for f in taken["findings"]] == ["shutoff pressure"]


def test_an_alarm_is_a_record_too() -> None:
    alarm = record(Alarm("fluid_hot", "stop", "stage shutoff: fluid too warm", "switch off"))
    assert alarm == {
        "event": "alarm",
        "code": "fluid_hot",
        "severity": "stop",
        "text": "stage shutoff: fluid too warm",
        "do": "switch off",
    }


@pytest.mark.parametrize(("unit", "verdict"), [("weak-pump", "fail"), ("module", "pass")])
async def test_other_units(open_bench: OpenBench, unit: str, verdict: str) -> None:
    """A weak pump fails by a finding that says so; a module goes through its own stages."""
    async with open_bench(f"sim://depot/{unit}") as bench:
        data = (await bench.test(UNITS[unit])).data
        assert data.verdict == verdict
        missed = [f.requirement for f in data.findings if f.finding == "not_met"]
        assert (data.why in missed) if missed else data.why == ""
        assert bool(missed) == (verdict == "fail")


async def test_the_same_wire_bytes_give_the_same_numbers(open_bench: OpenBench, config: StandConfig) -> None:
    """A recording is judged as its run was, with the texts that it carries; and by other limits where asked."""
    async with open_bench() as bench:
        run = await bench.begin()
        data = (await bench.ended(run)).data
    path = config.data / "recordings" / f"{run}.rec"
    device = await open_replay(Address(f"replay://{path}", "replay", str(path)))
    again = await rejudge(device, in_force(device))
    for name in ("readings", "findings", "verdict", "why", "conditions", "pump_on_s", "quality", "part_revision"):
        before, now = getattr(data, name), getattr(again, name)
        assert now == before, name
    assert (again.run, again.serial, again.sim, again.seq) == (run, data.serial, 1, 0)
    assert (again.trace, again.recording) == (None, None)


async def test_one_after_another_on_a_stand_that_goes_on(open_bench: OpenBench, catalogue: Catalogue) -> None:
    """Numbers rise by one, and nothing of a run stays for the next: both have all their readings."""
    async with open_bench("sim://depot/good-pump") as bench:
        first = (await bench.test(serial="V4-00317")).data
        bench.device.bench.mount("weak-pump")
        second = (await bench.test(serial="V4-00288")).data
        assert (first.seq, second.seq) == (1, 2)
        assert (first.verdict, second.verdict) == ("pass", "fail")
        asked = {r.name for r in catalogue.part("MH-2101").requirements}
        for data in (first, second):
            assert {f.requirement for f in data.findings} == asked
