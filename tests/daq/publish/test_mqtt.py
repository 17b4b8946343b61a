"""The connection's own repairs of the library, apart from a broker."""

import asyncio
import gc
import socket
from pathlib import Path
from typing import Any

import aiomqtt
import psutil
import pytest

from daq.publish.errors import BrokerError, BrokerRefusesError
from daq.publish.mqtt import Broker, Will, _Client, connect
from tests.drivers.stalls import StallingLoop, run


async def test_a_cancellation_that_meets_an_answer_is_not_lost() -> None:
    answer: asyncio.Future[int] = asyncio.get_running_loop().create_future()
    waiting = asyncio.create_task(_Client("127.0.0.1")._wait_for(answer, None))
    await asyncio.sleep(0)
    answer.set_result(1)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting


@pytest.mark.parametrize("kind", ["future", "event"])
def test_an_answer_that_came_while_the_host_stood_still_counts(kind: str) -> None:
    async def test(loop: StallingLoop) -> None:
        for seconds in (4.0, 6.0, 60.0):
            client, event, answer = _Client("127.0.0.1"), asyncio.Event(), loop.create_future()
            loop.call_later(1.0, loop.stall, seconds)
            loop.call_later(1.001, event.set)
            loop.call_later(1.001, answer.set_result, True)
            assert await client._wait_for(event.wait() if kind == "event" else answer, None)
        with pytest.raises(aiomqtt.MqttError, match="no answer within"):
            await _Client("127.0.0.1")._wait_for(asyncio.Event().wait(), None)

    run(test)


async def test_a_socket_that_is_closed_before_it_can_be_written_is_let_be() -> None:
    complaints: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: complaints.append(context))
    client = _Client("127.0.0.1")
    with socket.socket() as line:
        client._on_socket_register_write(client._client, None, line)
    await asyncio.sleep(0)
    assert complaints == []


def test_a_password_is_not_shown() -> None:
    assert "secret" not in repr(Broker("broker", username="bench", password="secret"))


async def test_a_certificate_that_is_not_there_is_named() -> None:
    with pytest.raises(BrokerRefusesError, match=r"there is no file /nowhere/ca\.pem"):
        async with connect(Broker("127.0.0.1", ca_file="/nowhere/ca.pem"), "bench", Will("status", "{}")):
            pass


async def test_a_name_that_nobody_has_is_named() -> None:
    with pytest.raises(BrokerError, match=r"broker nowhere\.invalid:1883: no connection .* check"):
        async with connect(Broker("nowhere.invalid"), "bench", Will("status", "{}")):
            pass


async def test_a_certificate_that_is_none_is_named(tmp_path: Path) -> None:
    file = tmp_path / "ca.pem"
    file.write_text("junk")
    with pytest.raises(BrokerError, match=r"no TLS connection .* ca_file"):
        async with connect(Broker("127.0.0.1", ca_file=str(file)), "bench"):
            pass


async def test_a_name_that_no_host_can_have_is_trouble_like_any_other() -> None:
    with pytest.raises(BrokerError, match=r"broker a\.\.b:1883: no connection .* check"):
        async with connect(Broker("a..b"), "bench"):
            pass


async def test_a_broker_that_says_nothing_leaves_nothing_behind(caplog: pytest.LogCaptureFixture) -> None:
    """Days of attempts: no socket, no task, and no complaint of the loop about what nobody asked for."""
    process = psutil.Process()
    with socket.create_server(("127.0.0.1", 0), backlog=100) as silent:
        broker = Broker("127.0.0.1", silent.getsockname()[1], timeout_s=0.01)
        for k in range(20):
            if k == 10:
                before = process.num_fds(), len(asyncio.all_tasks())
            with pytest.raises(BrokerError, match="no answer within"):
                async with connect(broker, "bench"):
                    pass
        await asyncio.sleep(0.05)
        gc.collect()
        assert (process.num_fds(), len(asyncio.all_tasks())) <= before
    assert "never retrieved" not in caplog.text
