"""The publisher against a real broker: states, will, records in order over every outage, refusals, requests."""

import asyncio
import json
import os
import signal
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.publish.contract import Command, Link, Reply, ReplyState
from daq.publish.mqtt import connect
from daq.publish.notices import Code
from daq.publish.publisher import Timing
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.record.values import Finished, Message
from tests.conftest import MakeBroker, Mosquitto
from tests.daq.publish.conftest import EACH_DATABASE, QUICK, TOPICS, OpenBench, until
from tests.daq.publish.listener import listening, read, says
from tests.daq.publish.samples import NOW, RUN, STATUS
from tests.daq.record.bench import BENCH, result, started

ROOT = Path(__file__).parents[3]
CONFIRM: dict[str, Any] = {"valid_ms": 60_000, "run": RUN, "what": "in_fluid"}
START: dict[str, Any] = {"request_id": "plc4-1", "valid_ms": 5000, "part": "MH-2140"}


async def finish(database: AsyncStore, *numbers: int, filler: str = "") -> None:
    """Tests units with these numbers; each result says its own, and the filler."""
    for number in numbers:
        run = started(number)
        await database.ask(Store.start_run, run)
        message = ("result", json.dumps({"id": run.run, "number": number, "filler": filler}))
        await database.finish_run(run.run, lambda seq, m=message, r=run: Finished(result(r, seq), [m]))  # type: ignore[misc]


async def waiting(database: AsyncStore) -> int:
    return await database.ask(Store.outbox_length, BENCH)


async def all_sent(database: AsyncStore) -> None:
    async def sent() -> bool:
        return await waiting(database) == 0

    await until(sent)


async def test_states_are_retained_and_a_clean_stop_says_offline(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with listening(mosquitto.port) as listener:
        async with open_bench(mosquitto.port) as bench:
            bench.publisher.set_state("stage", '{"stage":"idle"}')
            online = await listener.next("status")
            assert (read(online)["state"], online.retain, online.qos) == ("online", True, 1)
            assert (await listener.next("stage")).retain
            bench.publisher.set_status(STATUS.model_copy(update={"link": Link.SILENT}))
            await listener.next("status", says(state="online", link="silent"))
        gone = await listener.next("status", says(state="offline"))
        assert gone.retain
        async with listening(mosquitto.port) as later:
            assert read(await later.next("status"))["state"] == "offline"
            assert read(await later.next("stage")) == {"stage": "idle"}


async def test_what_changed_last_is_told_before_the_goodbye(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with listening(mosquitto.port) as listener:
        async with open_bench(mosquitto.port) as bench:
            bench.publisher.set_state("stage", '{"stage":"throttle"}')
            await listener.next("stage")
            bench.publisher.set_state("stage", '{"stage":"idle"}')
        await listener.next("stage", says(stage="idle"))
        await listener.next("status", says(state="offline"))


async def test_states_that_change_together_go_out_status_first_and_what_is_cleared_last(
    mosquitto: Mosquitto, open_bench: OpenBench
) -> None:
    """Status first, so that a reader of another state knows that the daemon is there; then what holds; then the end of
    what did, so that at no moment a stand seems to be without trouble between two troubles."""
    async with open_bench(mosquitto.port) as bench, listening(mosquitto.port) as listener:
        for name in ("a", "z"):
            bench.publisher.set_state(f"alarm/{name}", "{}")
            await listener.next(f"alarm/{name}")
        await listener.next("status", says(state="online"))
        came = len(listener.kept)
        for name, payload in {"alarm/a": "", "stage": "{}", "alarm/z": "", "last": "{}", "alarm/b": "{}"}.items():
            bench.publisher.set_state(name, payload)
        bench.publisher.set_status(STATUS.model_copy(update={"link": Link.SILENT}))
        await listener.next("alarm/z", lambda m: m.payload == b"")
        told = [str(m.topic) for m in listener.kept[came:] if str(m.topic) != TOPICS.of("heartbeat")]
    assert told == [TOPICS.of(name) for name in ("status", "alarm/b", "last", "stage", "alarm/a")]


async def test_a_daemon_that_ends_by_an_error_does_not_stay_online(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    """Disconnecting in order makes the broker drop the will, so nobody else would say it."""
    async with listening(mosquitto.port) as listener:
        with suppress(asyncio.CancelledError):
            async with open_bench(mosquitto.port):
                await listener.next("status", says(state="online"))
                [running] = [task for task in asyncio.all_tasks() if task.get_name() == "publisher"]
                running.cancel()
        await listener.next("status", says(state="offline"))


async def test_an_empty_state_clears_what_is_retained(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    # A retained message with an empty payload removes the stored one: OASIS MQTT Version 5.0 (2019), [MQTT-3.3.1-6].
    async with open_bench(mosquitto.port) as bench, listening(mosquitto.port) as listener:
        bench.publisher.set_state("alarm/test", "{}")
        await listener.next("alarm/test")
        bench.publisher.set_state("alarm/test", "")
        assert (await listener.next("alarm/test")).payload == b""
        bench.publisher.set_state("last", "{}")
        await listener.next("last")
        async with listening(mosquitto.port) as later:
            await later.next("last")
            assert all("alarm" not in str(m.topic) for m in later._came)


async def test_a_killed_daemon_is_reported_lost_by_the_broker(mosquitto: Mosquitto) -> None:
    code = (
        "import asyncio\n"
        "from daq.publish.mqtt import Broker, Will, connect\n"
        "from daq.publish.contract import Presence, text\n"
        "from tests.daq.publish.conftest import TOPICS\n"
        "from tests.daq.publish.samples import STATUS\n"
        "async def main():\n"
        "    will = Will(TOPICS.of('status'), text(STATUS.model_copy(update={'state': Presence.LOST})))\n"
        f"    async with connect(Broker('127.0.0.1', {mosquitto.port}), TOPICS.client_id, will) as c:\n"
        "        await c.send(TOPICS.of('status'), text(STATUS), retain=True)\n"
        "        await asyncio.Event().wait()\n"
        "asyncio.run(main())\n"
    )
    async with listening(mosquitto.port) as listener:
        daemon = await asyncio.create_subprocess_exec(sys.executable, "-c", code, cwd=ROOT)
        await listener.next("status", says(state="online"))
        os.kill(daemon.pid, signal.SIGKILL)
        # [MQTT-3.1.2-8]: the will is published when the connection ends without DISCONNECT; [MQTT-3.1.2-15] retained.
        lost = await listener.next("status", says(state="lost"))
        assert lost.retain
        assert getattr(lost.properties, "ContentType", None) == "application/json"
        await daemon.wait()


async def test_the_will_is_lost_with_link_down(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with listening(mosquitto.port) as listener, open_bench(mosquitto.port):
        await listener.next("status", says(state="online"))
        async with listening(mosquitto.port, TOPICS.client_id):  # takes over, which breaks the publisher's connection
            lost = read(await listener.next("status", says(state="lost")))
            assert (lost["link"], lost["boot"]) == ("down", STATUS.boot)


async def test_somebody_with_our_name_is_told_apart_from_an_outage(open_bench: OpenBench) -> None:
    # Packets by hand from OASIS MQTT Version 5.0 (2019), 3.2 and 3.14; 0x8E is Session taken over (from memory).
    connack, disconnect = bytes.fromhex("20 03 00 00 00"), bytes.fromhex("e0 01 8e")

    async def take_over(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(connack)
        await reader.read(1000)
        writer.write(disconnect)
        while await reader.read(1000):
            pass
        writer.close()

    server = await asyncio.start_server(take_over, "127.0.0.1", 0)
    async with server, open_bench(server.sockets[0].getsockname()[1]) as bench:
        await until(lambda: any("only one daemon runs" in text for text in bench.active()))


async def test_two_daemons_of_one_name_say_that_the_session_was_taken_over(
    mosquitto: Mosquitto, open_bench: OpenBench
) -> None:
    """This broker closes the connection of the one before without a word."""
    async with open_bench(mosquitto.port) as one, open_bench(mosquitto.port) as other:
        await until(lambda: any("taken over" in text for text in [*one.active(), *other.active()]))
        told = next(text for text in [*one.active(), *other.active()] if "taken over" in text)
    assert TOPICS.client_id in told
    assert "only one daemon runs" in told


async def test_an_alarm_that_never_was_is_cleared_once_and_one_that_was_at_each_connect(
    mosquitto: Mosquitto, open_bench: OpenBench
) -> None:
    async with listening(mosquitto.port) as listener, open_bench(mosquitto.port) as bench:
        for payload in ("{}", ""):
            bench.publisher.set_state("alarm/was", payload)
            await listener.next("alarm/was", lambda m, payload=payload: m.payload == payload.encode())
        bench.publisher.set_state("alarm/never", "")
        assert (await listener.next("alarm/never")).payload == b""
        came = len(listener.kept)
        async with listening(mosquitto.port, TOPICS.client_id):  # breaks the publisher's connection
            await listener.next("status", says(state="lost"))
        await listener.next("status", says(state="online"))
        await listener.next("alarm/was")
        bench.publisher.set_state("alarm/z", "{}")  # comes after whatever is to be cleared
        bench.publisher.set_state("alarm/z", "")
        await listener.next("alarm/z")
        told = [str(m.topic) for m in listener.kept[came:]]
    assert TOPICS.of("alarm/never") not in told


@EACH_DATABASE
async def test_records_go_out_in_order_over_a_kill_of_the_broker(
    mosquitto: Mosquitto, open_bench: OpenBench, database: AsyncStore
) -> None:
    async with listening(mosquitto.port, "plant"):
        pass  # the broker now keeps what comes for it
    await finish(database, 1, 2)
    async with open_bench(mosquitto.port) as bench:
        await all_sent(database)
        # The broker's own promise begins when it has written its file; that it does once a second.
        saved = mosquitto.folder / "mosquitto.db"
        await until(lambda: saved.exists() and b'"number": 2' in saved.read_bytes())
        mosquitto.kill()
        await until(lambda: not bench.publisher.connected)
        await finish(database, 3, 4)
        assert await waiting(database) == 2
        mosquitto.start()
        await all_sent(database)
        async with listening(mosquitto.port, "plant") as listener:
            came = [read(await listener.next("result"))["number"] for _ in range(4)]
    assert came == [1, 2, 3, 4]
    # That it broke, and that nobody answers, are two texts; the second is told where an attempt came before the broker.
    *troubles, over = [n.active for n in bench.told if n.code is Code.BROKER]
    assert troubles in ([True], [True, True])
    assert not over


@EACH_DATABASE
async def test_a_record_is_sent_again_when_its_acknowledgement_was_not_noted(
    mosquitto: Mosquitto, open_bench: OpenBench, database: AsyncStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with listening(mosquitto.port) as listener:
        noted = asyncio.Event()

        async def dies(*_: object) -> None:
            noted.set()
            await asyncio.Event().wait()

        await finish(database, 1)
        with monkeypatch.context() as patch:
            patch.setattr(database.outbox(BENCH), "mark_sent", dies)
            async with open_bench(mosquitto.port):
                await noted.wait()
        first = await listener.next("result")
        async with open_bench(mosquitto.port):
            again = await listener.next("result")
            await all_sent(database)
    assert read(first)["id"] == read(again)["id"] == started(1).run


@EACH_DATABASE
async def test_a_broker_that_comes_late_gets_everything_in_order(
    make_broker: MakeBroker, open_bench: OpenBench, database: AsyncStore
) -> None:
    broker = make_broker()
    async with open_bench(broker.port) as bench:
        await finish(database, 1, 2, 3)
        await until(lambda: bool(bench.told))
        assert f"127.0.0.1:{broker.port}" in bench.told[0].text
        assert "check that it runs" in bench.told[0].text
        broker.start()
        await all_sent(database)
    assert [n.active for n in bench.told] == [True, False]


ACL = (
    "allow_anonymous true\nacl_file {file}",
    "topic readwrite steadyhead/v1/marrow-hill/bench-1/status\n"
    "topic readwrite steadyhead/v1/marrow-hill/bench-1/heartbeat\n",
)


def ruled(make_broker: MakeBroker, tmp_path: Path, more: str = "") -> tuple[Mosquitto, Path]:
    """A broker at work whose access list grants no results unless `more` does, and that list."""
    rules = tmp_path / "rules"
    rules.write_text(ACL[1] + more)
    rules.chmod(0o600)
    broker = make_broker(settings=ACL[0].format(file=rules))
    broker.start()
    return broker, rules


async def test_a_refused_record_is_not_taken_for_sent(
    make_broker: MakeBroker, open_bench: OpenBench, database: AsyncStore, tmp_path: Path
) -> None:
    broker, rules = ruled(make_broker, tmp_path)
    async with open_bench(broker.port) as bench:
        await finish(database, 1, 2)
        await until(lambda: bool(bench.told))
        assert bench.told[0].code is Code.PUBLISH_REFUSED
        # 0x87 is Not authorized: OASIS MQTT Version 5.0 (2019), table of PUBACK reason codes (from memory).
        for part in (TOPICS.of("result"), "0x87", "access list", "It is tried again"):
            assert part in bench.told[0].text
        assert await waiting(database) == 2
        # Refusals are no outage: the connection stayed.
        assert all(n.code is not Code.BROKER for n in bench.told)
        rules.write_text(ACL[1] + "topic readwrite steadyhead/v1/marrow-hill/bench-1/result\n")
        broker.reload()
        await all_sent(database)
    assert not bench.told[-1].active


async def test_a_password_that_is_wrong_is_told_as_such(make_broker: MakeBroker, open_bench: OpenBench) -> None:
    broker = make_broker(settings="allow_anonymous false")
    broker.start()
    async with open_bench(broker.port, username="bench", password="wrong") as bench:
        await until(lambda: bool(bench.told))
        assert "does not let us in" in bench.told[0].text
        assert "wrong" not in repr(bench.told)


async def test_a_broker_that_says_nothing_is_given_up_and_let_go(open_bench: OpenBench) -> None:
    let_go = asyncio.Event()

    async def say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(1000):
            pass
        let_go.set()
        writer.close()

    server = await asyncio.start_server(say_nothing, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server, open_bench(port, timeout_s=0.1) as bench:
        await until(lambda: bool(bench.told))
        async with asyncio.timeout(60):
            await let_go.wait()


async def test_live_values_are_the_newest_only(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with listening(mosquitto.port) as listener, open_bench(mosquitto.port, timing=Timing(live=0.3)) as bench:
        bench.publisher.live('{"k":-1}')  # dropped: nobody is connected yet
        await listener.next("status")
        for k in range(50):
            bench.publisher.live(json.dumps({"k": k}))
        first = await listener.next("live")
        for k in range(50, 100):
            bench.publisher.live(json.dumps({"k": k}))
        second = await listener.next("live")
    assert (first.qos, first.retain) == (0, False)
    assert (read(first), read(second)) == ({"k": 49}, {"k": 99})


async def test_the_heart_beats_and_counts_on_over_an_outage(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with open_bench(mosquitto.port) as bench:
        async with listening(mosquitto.port) as listener:
            beats = [read(await listener.next("heartbeat"))["n"] for _ in range(3)]
        assert beats == list(range(beats[0], beats[0] + 3))
        bench.publisher._beat = 65535
        mosquitto.kill()
        mosquitto.start()
        async with listening(mosquitto.port) as listener:
            await listener.next("heartbeat", says(n=0))


async def test_all_states_are_said_again_to_a_broker_that_forgot(
    make_broker: MakeBroker, open_bench: OpenBench
) -> None:
    broker = make_broker(settings="allow_anonymous true\npersistence false")
    broker.start()
    async with open_bench(broker.port) as bench:
        bench.publisher.set_state("verdict", '{"seq":1}')
        await until(lambda: bench.publisher.connected)
        broker.kill()
        bench.publisher.set_state("verdict", '{"seq":2}')
        bench.publisher.set_state("verdict", '{"seq":3}')
        broker.start()
        async with listening(broker.port) as listener:
            assert read(await listener.next("verdict")) == {"seq": 3}
            assert read(await listener.next("status"))["state"] == "online"


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_request_is_answered(mosquitto: Mosquitto, open_bench: OpenBench, version: str) -> None:
    async with open_bench(mosquitto.port, version=version) as bench, listening(mosquitto.port) as listener:
        await until(lambda: bench.publisher.connected)
        await listener.next("heartbeat")
        for _ in range(2):
            await listener.send("cmd/start", START)
            reply = await listener.next("cmd/start/reply")
            assert read(reply)["state"] == "accepted"
            assert (read(reply)["run"], reply.qos, reply.retain) == (RUN, 1, False)
        assert len(bench.handled) == 1


async def test_an_answer_also_goes_where_the_request_asked(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with open_bench(mosquitto.port) as bench, listening(mosquitto.port) as listener:
        await until(lambda: bench.publisher.connected)
        await listener.next("heartbeat")
        await listener.send("cmd/start", START, response="plc/4", correlation=b"\x01\x02")
        for where in ("plc/4", "cmd/start/reply"):
            answer = await listener.next(where)
            assert read(answer)["request_id"] == "plc4-1"
            assert getattr(answer.properties, "CorrelationData", None) == b"\x01\x02"


async def test_no_answer_is_written_over_a_verdict(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with open_bench(mosquitto.port) as bench, listening(mosquitto.port) as listener:
        await until(lambda: bench.publisher.connected)
        await listener.next("heartbeat")
        await listener.send("cmd/start", START, response=TOPICS.of("verdict"))
        await listener.next("cmd/start/reply")
        await listener.next("heartbeat")
        assert all(str(m.topic) != TOPICS.of("verdict") for m in listener._came)
    assert "no answer is sent to response topic" in bench.told[-1].text


async def test_a_retained_request_is_refused_live_and_at_connect(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with listening(mosquitto.port) as listener:
        await listener.send("cmd/start", START, retain=True)
        async with open_bench(mosquitto.port) as bench:
            assert read(await listener.next("cmd/start/reply"))["state"] == "refused"
            await listener.send("cmd/start", START | {"request_id": "plc4-2"}, retain=True)
            second = read(await listener.next("cmd/start/reply"))
            assert (second["request_id"], second["state"]) == ("plc4-2", "refused")
    assert bench.handled == []


async def test_an_outage_cuts_no_command_off(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    begun, may_end = asyncio.Event(), asyncio.Event()

    async def slow(name: str, command: Command) -> Reply:
        begun.set()
        await may_end.wait()
        return Reply(request_id=command.request_id, state=ReplyState.DONE, time=NOW)

    async with open_bench(mosquitto.port, handler=slow) as bench:
        async with listening(mosquitto.port) as listener:
            await listener.next("heartbeat")
            await listener.send("cmd/start", START)
            await begun.wait()
        mosquitto.kill()
        await until(lambda: not bench.publisher.connected)
        mosquitto.start()
        async with listening(mosquitto.port) as listener:
            may_end.set()
            assert read(await listener.next("cmd/start/reply"))["state"] == "done"


async def test_an_abort_waits_behind_no_other_request(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    """Start and confirmation hang, as behind a locked database, and floods stand behind them."""
    may_end = asyncio.Event()

    async def handle(name: str, command: Command) -> Reply:
        if name != "abort":
            await may_end.wait()
        return Reply(request_id=command.request_id, state=ReplyState.DONE, time=NOW)

    async with open_bench(mosquitto.port, handler=handle) as bench, listening(mosquitto.port) as listener:
        await until(lambda: bench.publisher.connected)
        await listener.next("heartbeat")
        for k in range(500):
            await listener.send("cmd/zero", {"request_id": f"flood-{k}", "valid_ms": 60_000})
            await listener.send("cmd/confirm", CONFIRM | {"request_id": f"confirm-{k}"})
        await listener.send("cmd/abort", {"request_id": "stop", "valid_ms": 1, "run": RUN})
        assert read(await listener.next("cmd/abort/reply"))["state"] == "done"
        assert listener.passed_over("cmd/zero/reply") == []
        may_end.set()


async def test_a_malformed_request_changes_nothing(mosquitto: Mosquitto, open_bench: OpenBench) -> None:
    async with open_bench(mosquitto.port) as bench, listening(mosquitto.port) as listener:
        await until(lambda: bench.publisher.connected)
        await listener.next("heartbeat")
        await listener.send("cmd/start", b"\xff{")
        await until(lambda: bool(bench.told))
        await listener.send("cmd/start", START)
        assert read(await listener.next("cmd/start/reply"))["state"] == "accepted"
    assert "cmd/start refused" in bench.told[0].text


async def test_stop_does_not_wait_for_a_broker_that_is_not_there(
    make_broker: MakeBroker, open_bench: OpenBench
) -> None:
    slow = Timing(first_wait=60.0)
    async with open_bench(make_broker().port, timing=slow) as bench:
        await until(lambda: bool(bench.told))
    assert not bench.publisher.connected


async def test_a_day_without_a_broker_is_one_line_in_the_log(
    make_broker: MakeBroker, open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    attempts = 0

    def counted(*args: Any) -> Any:
        nonlocal attempts
        attempts += 1
        return connect(*args)

    monkeypatch.setattr("daq.publish.publisher.connect", counted)
    quick = Timing(first_wait=0.001, longest_wait=0.001)
    async with open_bench(make_broker().port, timing=quick) as bench:
        await until(lambda: attempts > 20)
    assert len(bench.told) == 1


def test_a_heartbeat_a_second_and_ten_live_values_at_most() -> None:
    assert (Timing().heartbeat, Timing().live) == (1.0, 0.1)


async def test_the_status_tells_what_waits_and_since_when(
    mosquitto: Mosquitto, open_bench: OpenBench, database: AsyncStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with listening(mosquitto.port) as listener:
        await finish(database, 1, 2)
        held = asyncio.Event()
        outbox = database.outbox(BENCH)
        unsent = outbox.unsent

        async def late(limit: int) -> list[Message]:
            await held.wait()
            return await unsent(limit)

        monkeypatch.setattr(outbox, "unsent", late)
        async with open_bench(mosquitto.port, timing=replace(QUICK, backlog=0.05)) as bench:
            behind = read(await listener.next("status", says(waiting=2)))
            assert behind["waiting_since"].endswith("Z")
            bench.publisher.set_status(STATUS.model_copy(update={"link": Link.DOWN}))
            assert read(await listener.next("status", says(link="down")))["waiting"] == 2
            held.set()
            await listener.next("status", says(waiting=0, waiting_since=None))
        gone = read(await listener.next("status", says(state="offline")))
        assert (gone["waiting"], gone["waiting_since"]) == (None, None)
