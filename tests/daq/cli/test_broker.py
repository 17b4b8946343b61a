"""The demonstration's broker: both kinds do what the daemon asks of a broker, and go away."""

import asyncio
import os
import signal
import socket
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import psutil
import pytest

from daq.cli import broker as module
from daq.cli.broker import Broker, BrokerError, Kind, best_kind, demo_broker

KINDS: tuple[Kind, ...] = ("mosquitto", "embedded")
LONG = b"x" * 100_000  # more than any result


def connect(broker: Broker, will: aiomqtt.Will | None = None) -> aiomqtt.Client:
    protocol = aiomqtt.ProtocolVersion.V5 if broker.version == "5" else aiomqtt.ProtocolVersion.V311
    return aiomqtt.Client(broker.host, broker.port, protocol=protocol, timeout=5, will=will)


async def first(client: aiomqtt.Client) -> aiomqtt.Message:
    async with asyncio.timeout(60):
        return await anext(aiter(client.messages))


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as path:
        yield Path(path)


@pytest.mark.parametrize("kind", KINDS)
async def test_keeps_what_is_retained_whatever_its_length(kind: Kind) -> None:
    async with demo_broker(kind) as broker:
        async with connect(broker) as client:
            await client.publish("stand/verdict", LONG, qos=1, retain=True)
        async with connect(broker) as late:
            await late.subscribe("stand/#", qos=1)
            message = await first(late)
    assert (str(message.topic), message.payload, message.retain) == ("stand/verdict", LONG, True)


@pytest.mark.parametrize("kind", KINDS)
async def test_publishes_the_will_of_a_client_that_breaks_off(kind: Kind) -> None:
    async with demo_broker(kind) as broker, connect(broker) as watcher:
        await watcher.subscribe("stand/status", qos=1)
        async with connect(broker, aiomqtt.Will("stand/status", b"lost", qos=1)) as lost:
            line = lost._client.socket()
            assert line is not None
            line.shutdown(socket.SHUT_RDWR)
            message = await first(watcher)
            with pytest.raises(aiomqtt.MqttError):
                await anext(aiter(lost.messages))
    assert message.payload == b"lost"


@pytest.mark.parametrize("kind", KINDS)
async def test_listens_on_loopback_only_and_ends_with_the_block(kind: Kind) -> None:
    async with demo_broker(kind) as broker:
        process = psutil.Process(broker.pid)
        listening = {c.laddr for c in process.net_connections() if c.status == psutil.CONN_LISTEN}
        assert listening == {("127.0.0.1", broker.port)}
        assert os.getsid(broker.pid) != os.getsid(0), "a Ctrl-C in the terminal would reach it"
    assert not psutil.pid_exists(broker.pid)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection(broker.host, broker.port)


async def test_two_at_a_time_do_not_meet() -> None:
    async with demo_broker() as one, demo_broker() as two:
        assert one.url == f"mqtt://127.0.0.1:{one.port}" != two.url


@pytest.mark.parametrize("kind", KINDS)
def test_ends_when_what_started_it_is_killed(kind: Kind, folder: Path) -> None:
    program = f"""\
        import asyncio
        from daq.cli.broker import demo_broker
        async def main():
            async with demo_broker({kind!r}) as broker:
                print(broker.pid, flush=True)
                await asyncio.Event().wait()
        asyncio.run(main())
        """
    folder.chmod(0o711)  # a killed process leaves its files; here they go away with this folder
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"TMPDIR": str(folder)},
    ) as child:
        assert child.stdout is not None
        broker = psutil.Process(int(child.stdout.readline()))
        child.send_signal(signal.SIGKILL)
    psutil.wait_procs([broker], timeout=60)
    assert not broker.is_running() or broker.status() == psutil.STATUS_ZOMBIE  # a container may have nobody to reap it


def test_prefers_mosquitto_and_falls_back(monkeypatch: pytest.MonkeyPatch) -> None:
    assert best_kind() == "mosquitto"
    monkeypatch.setattr(module, "_mosquitto", lambda: None)
    assert best_kind() == "embedded"


async def test_says_what_to_install_where_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_mosquitto", lambda: None)
    monkeypatch.setattr(module, "find_spec", lambda _: None)
    for kind, expected in ((None, "deploy/demo"), ("mosquitto", "apt-get install"), ("embedded", "steadyhead\\[demo]")):
        with pytest.raises(BrokerError, match=expected):
            await demo_broker(kind).__aenter__()


async def test_takes_another_port_where_somebody_was_faster(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as faster:
        ports = iter([faster.getsockname()[1], module._free_port()])
        monkeypatch.setattr(module, "_free_port", lambda: next(ports))
        async with demo_broker("mosquitto") as broker, connect(broker):
            assert broker.port != faster.getsockname()[1]


async def test_reports_what_a_broker_said_that_would_not_start(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = [sys.executable, "-c", "raise SystemExit('no such option')"]
    monkeypatch.setattr(module, "_command", lambda *_: broken)
    with pytest.raises(BrokerError, match=r"ended with code 1 .*It said: no such option"):
        await demo_broker("mosquitto").__aenter__()
