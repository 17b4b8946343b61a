"""From the bytes on a serial line to a subscriber that is not ours: the daemon as it is installed, and its death."""

import asyncio
import hashlib
import json
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from daq.publish import contract as c
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.conftest import Mosquitto
from tests.system.bench import Child, Json, Simulated, Subscriber, says, simulated, steadyhead, subscribed
from tests.system.records import Records, ready

PACE = 12.0


@asynccontextmanager
async def bench(unit: str, broker: Mosquitto) -> AsyncIterator[tuple[Simulated, Subscriber]]:
    rig = Rig(load_scenario("depot"), unit)
    async with simulated(rig, PACE) as stand, subscribed(broker.port) as heard:
        yield stand, heard


@asynccontextmanager
async def operated(stand: Simulated, heard: Subscriber, run: str) -> AsyncIterator[None]:
    """The person at the bench hears each stage as the broker tells it, and confirms by requests."""
    words: asyncio.Queue[str] = asyncio.Queue()
    stand.confirmed = words.put_nowait

    async def listen() -> None:
        while True:
            stand.rig.bench.operator.hear((await heard.next("stage", says(run=run)))["do"])

    async def relay() -> None:
        while True:
            reply = await heard.ask("confirm", run=run, what=await words.get())
            assert reply["state"] == "done", reply

    async with asyncio.TaskGroup() as tasks:
        jobs = [tasks.create_task(listen()), tasks.create_task(relay())]
        yield
        for job in jobs:
            job.cancel()


async def test_from_the_line_to_a_subscriber(mosquitto: Mosquitto, records: Records) -> None:
    async with (
        bench("good-pump", mosquitto) as (stand, heard),
        steadyhead(*records.serve_words(stand.address, mosquitto)) as child,
    ):
        await ready(heard)
        reply = await heard.ask("start", part="MH-2101", serial="V4-00317", order="WO 7")
        assert reply["state"] == "accepted"
        run = reply["run"]
        async with operated(stand, heard, run):
            verdict = await heard.next("verdict")
            result = await heard.next("result")
        check_verdict(verdict, run)
        check_result(result, verdict)
        assert records.result(run) == result["data"]
        check_files(records.data, result["data"])
        finished = await child.heard.next("run_finished")
        assert finished["verdict"] == verdict["word"]
        await heard.next("live", says(run=run))
        await heard.next("heartbeat")
        assert (await child.end()) == (0, "")
        await heard.next("status", says(state="offline", link="down"))


def check_verdict(verdict: Json, run: str) -> None:
    made = c.Verdict.model_validate_json(json.dumps(verdict))
    assert (made.run, made.word, made.code, made.sim, made.seq) == (run, "pass", 1, 1, 1)


def check_result(result: Json, verdict: Json) -> None:
    made = c.Result.model_validate_json(json.dumps(result))
    data = made.data
    assert (result["id"], result["source"], result["subject"]) == (verdict["run"], "/marrow-hill/bench-1", "V4-00317")
    assert (data.verdict, data.seq, data.sim, data.order) == ("pass", 1, 1, "WO 7")
    assert {f.finding for f in data.findings} == {"met"}
    assert data.quality.frames_bad == 0


def check_files(folder: Path, data: dict[str, Any]) -> None:
    for name in ("recording", "trace"):
        content = (folder / data[name]["file"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == data[name]["sha256"]
        assert len(content) == data[name]["bytes"]


async def test_a_killed_daemon_is_said_to_be_lost_and_its_run_is_closed(mosquitto: Mosquitto, records: Records) -> None:
    async with bench("good-pump", mosquitto) as (stand, heard):
        async with steadyhead(*records.serve_words(stand.address, mosquitto)) as child:
            await ready(heard)
            run = (await heard.ask("start", part="MH-2101"))["run"]
            async with operated(stand, heard, run):
                await child.heard.next("reading")  # the dry check: something was measured and kept
            code, _ = await child.end(signal.SIGKILL)
            assert code == -signal.SIGKILL
        await heard.next("status", says(state="lost", link="down"))
        assert records.result(run)["verdict"] is None
        recording = records.data / "recordings" / f"{run}.rec"
        assert recording.stat().st_size > 10_000
        stand.rig.bench.switch(False)
        async with steadyhead(*records.serve_words(stand.address, mosquitto)) as child:
            await check_closed(heard, records, run)
            await check_stop_in_mid_run(heard, child, records)
        assert recording.stat().st_size > 10_000


async def check_closed(heard: Subscriber, records: Records, run: str) -> None:
    """The next start closes the run and tells everybody, subscribers that were there before included."""
    result = await heard.next("result")
    assert (result["id"], result["data"]["verdict"], result["data"]["why"]) == (run, "void", "daemon was killed")
    verdict = await heard.next("verdict", says(run=run))
    assert (verdict["code"], verdict["why"], verdict["seq"]) == (0, "daemon was killed", 1)
    assert records.result(run)["verdict"] == "void"


async def check_stop_in_mid_run(heard: Subscriber, child: Child, records: Records) -> None:
    """SIGTERM during a run: void, stored, exit code 0, and `offline` is the last that is heard."""
    await ready(heard)
    reply = await heard.ask("start", part="MH-2101")
    assert reply["state"] == "accepted", reply
    await heard.next("live", says(run=reply["run"]))
    assert (await child.end())[0] == 0
    await heard.next("status", says(state="offline"))
    [sent] = [body["data"] for topic, body in heard.came if topic == "result"]  # before the goodbye
    assert (sent["run"], sent["why"], sent["seq"]) == (reply["run"], "daemon stopped", 2)
    assert records.result(reply["run"]) == sent
