"""A broker that says no: told once, tried again ever more rarely, and at once when somebody has mended it."""

import asyncio
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.publish.errors import RefusedError
from daq.publish.mqtt import Connection, connect
from daq.publish.notices import Code, Notice
from daq.record.async_store import AsyncStore
from tests.conftest import MakeBroker, Mosquitto
from tests.daq.publish.conftest import QUICK, TOPICS, OpenBench, until
from tests.daq.publish.listener import listening, read, says
from tests.daq.publish.test_publisher import ACL, all_sent, finish, ruled, waiting
from tests.system.bench import program

PATIENT = replace(QUICK, refused=0.2, longest_refused=30.0)
"""Attempts at 0, 0.2, 0.6, 1.4, 3.0 s …"""
WATCHED_S = 1.2


@pytest.fixture
def attempts(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """When connections were tried."""
    times: list[float] = []

    def counted(*args: Any) -> Any:
        times.append(asyncio.get_running_loop().time())
        return connect(*args)

    monkeypatch.setattr("daq.publish.publisher.connect", counted)
    return times


@pytest.fixture
def locked(make_broker: MakeBroker, tmp_path: Path) -> Mosquitto:
    """A broker that wants another password than ours."""
    file = tmp_path / "passwords"
    set_password(file, "theirs")
    broker = make_broker(settings=f"allow_anonymous false\npassword_file {file}")
    broker.start()
    return broker


def password_file(broker: Mosquitto) -> Path:
    return Path((broker.folder / "mosquitto.conf").read_text().split("password_file ")[1].split()[0])


def set_password(file: Path, word: str) -> None:
    file.touch()
    subprocess.run([program("mosquitto_passwd"), "-b", file, "bench-1", word], check=True)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_whom_the_broker_does_not_let_in_tries_ever_more_rarely(
    locked: Mosquitto, open_bench: OpenBench, database: AsyncStore, attempts: list[float], version: str
) -> None:
    account = {"username": "bench-1", "password": "ours", "version": version}
    async with open_bench(locked.port, timing=PATIENT, **account) as bench:
        await finish(database, 1)
        await asyncio.sleep(WATCHED_S)
        assert len(attempts) == 3
        [notice] = bench.told
        assert (notice.code, notice.active) == (Code.BROKER, True)
        for part in ("does not let us in", "check user name, password", "Results wait in the database"):
            assert part in notice.text
        assert "ours" not in notice.text
        set_password(password_file(locked), "ours")
        locked.reload()
        bench.publisher.hurry()
        await all_sent(database)
        assert len(attempts) == 4
    assert [notice.code for notice in bench.told] == [Code.BROKER, Code.BROKER]


async def test_a_refused_record_is_tried_ever_more_rarely(
    make_broker: MakeBroker, open_bench: OpenBench, database: AsyncStore, tmp_path: Path, attempts: list[float]
) -> None:
    broker, rules = ruled(make_broker, tmp_path)
    tried = 0
    async with open_bench(broker.port, timing=PATIENT) as bench:
        send = bench.publisher._send_waiting

        async def counted(connection: Any) -> bool:
            nonlocal tried
            tried += 1
            return await send(connection)

        bench.publisher._send_waiting = counted
        await finish(database, 1, 2)
        await until(lambda: bool(bench.told))
        tried = 0
        await asyncio.sleep(WATCHED_S)
        assert tried == 2
        rules.write_text(ACL[1] + "topic readwrite steadyhead/v1/marrow-hill/bench-1/result\n")
        broker.reload()
        bench.publisher.hurry()
        await all_sent(database)
    assert len(attempts) == 1  # a refusal is no outage
    assert [notice.code for notice in bench.told] == [Code.PUBLISH_REFUSED, Code.PUBLISH_REFUSED]


async def test_a_record_that_is_larger_than_the_broker_takes(
    make_broker: MakeBroker, open_bench: OpenBench, database: AsyncStore, attempts: list[float]
) -> None:
    """It says so when it lets us in (OASIS MQTT Version 5.0, 3.2.2.3.6), and would throw out whoever sends it."""
    broker = make_broker(settings="allow_anonymous true\nmax_packet_size 400")
    broker.start()
    async with listening(broker.port) as listener, open_bench(broker.port) as bench:
        await finish(database, 1)
        assert read(await listener.next("result"))["number"] == 1
        await finish(database, 2, filler="x" * 400)
        await finish(database, 3)
        await until(lambda: bool(bench.told))
        [notice] = bench.told
        assert notice.code is Code.PUBLISH_REFUSED
        assert "takes packets of at most 400 bytes" in notice.text
        assert "max_packet_size" in notice.text
        assert await waiting(database) == 2
        assert len(attempts) == 1
        await listener.next("heartbeat")
        file = broker.folder / "mosquitto.conf"
        broker.stop()
        file.write_text(file.read_text().replace("max_packet_size 400", "max_packet_size 4000"))
    broker.start()
    async with listening(broker.port) as listener, open_bench(broker.port):
        assert [read(await listener.next("result"))["number"] for _ in range(2)] == [2, 3]


async def test_state_and_live_values_pass_a_backlog_that_drains(
    mosquitto: Mosquitto, open_bench: OpenBench, database: AsyncStore
) -> None:
    """Records, states and live values take turns: a state waits for the record that is on its way, and no other."""
    await finish(database, *range(120))
    async with listening(mosquitto.port) as listener, open_bench(mosquitto.port) as bench:
        assert read(await listener.next("result"))["number"] == 0
        for k in range(5):
            bench.publisher.set_state("stage", f'{{"stage":"idle","k":{k}}}')
            bench.publisher.live(f'{{"k":{k}}}')
            await listener.next("stage", says(k=k))
            await listener.next("live", says(k=k))
            passed = [read(message)["number"] for message in listener.passed_over("result")]
            assert len(passed) < 20
        assert await waiting(database) > 10
        await all_sent(database)


async def test_what_is_mended_between_a_refusal_and_the_wait_is_not_missed(
    locked: Mosquitto, open_bench: OpenBench, attempts: list[float]
) -> None:
    account = {"username": "bench-1", "password": "ours"}
    async with open_bench(locked.port, timing=replace(PATIENT, refused=30.0), **account) as bench:
        tell = bench.publisher._notices._notify

        def mend(notice: Notice) -> None:
            tell(notice)
            if notice.active:
                set_password(password_file(locked), "ours")
                locked.reload()
                bench.publisher.hurry()

        bench.publisher._notices._notify = mend
        await until(lambda: bench.publisher.connected)
    assert len(attempts) == 2


async def test_a_refused_state_is_an_alarm_until_it_is_taken_whatever_else_is(
    make_broker: MakeBroker, open_bench: OpenBench, database: AsyncStore, tmp_path: Path
) -> None:
    result = "topic readwrite steadyhead/v1/marrow-hill/bench-1/result\n"
    broker, rules = ruled(make_broker, tmp_path, result)
    async with open_bench(broker.port, timing=PATIENT) as bench:
        bench.publisher.set_state("stage", '{"stage":"idle"}')
        await until(lambda: bool(bench.told))
        await finish(database, 1)
        await all_sent(database)
        await asyncio.sleep(0.1)
        [notice] = bench.told
        assert (notice.code, notice.active) == (Code.PUBLISH_REFUSED, True)
        assert TOPICS.of("stage") in notice.text
        rules.write_text(ACL[1] + result + "topic readwrite steadyhead/v1/marrow-hill/bench-1/stage\n")
        broker.reload()
        bench.publisher.hurry()
        await until(lambda: not bench.told[-1].active)
    assert [notice.active for notice in bench.told] == [True, False]


async def test_a_refused_subscription_is_asked_for_again(
    mosquitto: Mosquitto, open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """mosquitto grants all and filters, so the refusal is played here."""
    asked = 0
    real = Connection.subscribe

    async def subscribe(self: Connection, topic: str) -> None:
        nonlocal asked
        asked += 1
        if asked < 3:
            raise RefusedError(f"refused a subscription to {topic}")
        await real(self, topic)

    monkeypatch.setattr(Connection, "subscribe", subscribe)
    async with listening(mosquitto.port) as listener, open_bench(mosquitto.port, timing=PATIENT) as bench:
        await listener.next("status", says(state="online"))  # states do not wait for requests to come in
        await until(lambda: not bench.told[-1].active if bench.told else False)
        await listener.send("cmd/start", {"request_id": "plc4-1", "valid_ms": 5000, "part": "MH-2140"})
        await listener.next("cmd/start/reply")
        assert [notice.code for notice in bench.told] == [Code.SUBSCRIBE_REFUSED, Code.SUBSCRIBE_REFUSED]
    assert asked == 3
