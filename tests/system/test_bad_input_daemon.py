"""What the daemon must survive: a broker that is not there, another daemon on its stand or its port."""

import asyncio
import sqlite3
from contextlib import closing
from pathlib import Path

from daq.cli.exits import Exit
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.conftest import MakeBroker, Mosquitto
from tests.system.bench import Child, says, simulated, steadyhead, subscribed
from tests.system.records import Records, ready

PACE = 16.0
SLOW = 4.0
"""Where a run has to wait for two more programs to start: it would end after 160 s in which nobody does anything."""


async def test_a_broker_that_goes_in_mid_run(records: Records, make_broker: MakeBroker) -> None:
    """It is not there at first, and goes again in mid-run; the run goes on, and its result arrives later."""
    broker = make_broker()
    rig = Rig(load_scenario("depot"), "good-pump")
    words: asyncio.Queue[str] = asyncio.Queue()
    async with simulated(rig, PACE) as stand, steadyhead(*records.serve_words(stand.address, broker)) as child:
        stand.confirmed = words.put_nowait
        missing = await child.heard.next("notice", says(code="broker", active=True))
        for word in (f"127.0.0.1:{broker.port}", "Results wait in the database"):
            assert word in missing["text"]
        broker.start()
        await child.heard.next("notice", says(code="broker", active=False))
        async with subscribed(broker.port) as heard:
            await ready(heard)
            run = (await heard.ask("start", part="MH-2101"))["run"]
            listening = asyncio.create_task(follow_log(child, rig), name="person at the bench")
            for what in ("connected", "in_fluid"):  # all that a pump's run must be told
                assert await words.get() == what
                assert (await heard.ask("confirm", run=run, what=what))["state"] == "done"
        broker.kill()
        await child.heard.next("run_finished", says(run=run, verdict="pass"))
        listening.cancel()
        assert records.runs()[0]["verdict"] == "pass"
        broker.start()
        async with subscribed(broker.port) as heard:
            result = await heard.next("result")
            assert (result["id"], result["data"]["verdict"]) == (run, "pass")
            assert (await heard.next("verdict", says(run=run)))["word"] == "pass"
        assert (await child.end())[0] == 0


async def follow_log(child: Child, rig: Rig) -> None:
    """Whoever moves the stand reads the daemon's own log, broker or not."""
    while True:
        rig.bench.operator.hear((await child.heard.next("stage"))["do"])


async def test_a_result_from_the_foreground_is_sent_by_the_daemon(records: Records, mosquitto: Mosquitto) -> None:
    async with steadyhead(*records.run_words("sim://scripted?script=1")) as child:
        assert (await child.ended())[0] == Exit.PASS
    [run] = records.runs()
    words = records.serve_words("sim://scripted?script=1", mosquitto)
    async with subscribed(mosquitto.port) as heard, steadyhead(*words):
        result = await heard.next("result")
    assert result["data"] == records.result(run["run"])


async def test_two_daemons_on_one_stand(records: Records, mosquitto: Mosquitto) -> None:
    """The second one ends at once; the first and its run are not touched."""
    rig = Rig(load_scenario("depot"), "good-pump")
    async with simulated(rig, SLOW) as stand, subscribed(mosquitto.port) as heard:
        words = records.serve_words(stand.address, mosquitto)
        async with steadyhead(*words) as first:
            await ready(heard)
            run = (await heard.ask("start", part="MH-2101"))["run"]
            for command in (words, records.run_words(stand.address)):
                async with steadyhead(*command) as second:
                    code, errors = await second.ended()
                assert code == Exit.INTERNAL
                for word in ("marrow-hill/bench-1", f"process {first.process.pid}", str(records.data), "stop that one"):
                    assert word in errors
            assert records.runs()[0]["verdict"] is None
            await heard.next("live", says(run=run))
            assert (await heard.ask("abort", run=run))["state"] == "done"
            await heard.next("verdict", says(run=run, why="aborted"))


async def test_confirm_and_abort_while_the_database_is_locked(records: Records, mosquitto: Mosquitto) -> None:
    """They act at once, and the record has them when it can be written again; a start has to wait for it."""
    rig = Rig(load_scenario("depot"), "good-pump")
    async with (
        simulated(rig, PACE) as stand,
        subscribed(mosquitto.port) as heard,
        steadyhead(*records.serve_words(stand.address, mosquitto)) as child,
    ):
        await ready(heard)
        run = (await heard.ask("start", part="MH-2101"))["run"]
        await heard.next("stage", says(run=run, do="connect"))
        with closing(sqlite3.connect(records.data / "records.db", isolation_level=None)) as somebody:
            somebody.execute("BEGIN IMMEDIATE")
            assert (await heard.ask("confirm", run=run, what="connected"))["state"] == "done"
            assert (await heard.ask("confirm", run=run, what="filled"))["reasons"] == ["not_asked"]
            assert (await heard.ask("abort", run=run))["state"] == "done"
            await heard.next("stage", says(run=None))
            somebody.execute("ROLLBACK")
        await heard.next("verdict", says(run=run, why="aborted"))
        assert (await child.end())[0] == 0


async def test_a_database_that_is_moved_away_in_mid_run(records: Records, mosquitto: Mosquitto) -> None:
    """The verdict waits, with an alarm, and nothing is published; once the file is back it is stored and sent."""
    rig = Rig(load_scenario("depot"), "good-pump")
    file, away = records.data / "records.db", records.data / "away.db"
    async with (
        simulated(rig, PACE) as stand,
        subscribed(mosquitto.port) as heard,
        steadyhead(*records.serve_words(stand.address, mosquitto)) as child,
    ):
        await ready(heard)
        run = (await heard.ask("start", part="MH-2101"))["run"]
        await heard.next("stage", says(run=run, do="connect"))
        file.rename(away)
        assert (await heard.ask("abort", run=run))["state"] == "done"
        alarm = await heard.next("alarm/store_failed", wait=30.0)
        assert "expected the file that was opened at the start, found no file" in alarm["text"]
        refused = await heard.ask("start", part="MH-2101")
        assert refused["state"] in {"refused", "failed"}
        assert not [body for topic, body in heard.came if topic == "result"]
        away.rename(file)
        await heard.next("verdict", says(run=run, why="aborted"))
        assert (await child.end())[0] == 0


async def test_two_daemons_on_one_port(records: Records, tmp_path: Path, make_broker: MakeBroker) -> None:
    """With records of its own a second one may run, but gets no port; once the first is gone it takes over."""
    brokers = [make_broker(), make_broker()]
    for broker in brokers:
        broker.start()
    other = Records(tmp_path / "other")
    rig = Rig(load_scenario("depot"), "good-pump")
    async with (
        simulated(rig, PACE) as stand,
        subscribed(brokers[1].port) as heard,
        steadyhead(*records.serve_words(stand.address, brokers[0])) as first,
    ):
        await first.heard.next("link", says(link="up"))
        async with steadyhead(*other.serve_words(stand.address, brokers[1])) as second:
            told = await second.heard.next("link", says(link="down"))
            place = stand.address.removeprefix("serial://")
            for word in (place, "another program has it open", f"fuser {place}"):
                assert word in told["reason"]
            assert (await heard.next("stage", says(ready=False)))["blocked_by"] == ["link_down"]
            refused = await heard.ask("start", part="MH-2101")
            assert (refused["state"], "link_down" in refused["why"]) == ("refused", True)
            assert (await first.end())[0] == 0
            await second.heard.next("link", says(link="up"))
            assert (await second.end())[0] == 0
