"""A daemon under a service manager: what the manager hears, a new configuration between runs, and what probes see.

The test is the manager: it listens where NOTIFY_SOCKET says, as sd_notify(3) has it.
"""

import asyncio
import http.client
import json
import shutil
import signal
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.conftest import Mosquitto
from tests.system.bench import Child, says, simulated, steadyhead, subscribed
from tests.system.records import CONFIG, Records, ready

WATCHDOG_S = 0.6


class Listening:
    """Where a manager listens."""

    def __init__(self, socket: socket.socket) -> None:
        self._socket = socket
        self.heard: list[str] = []

    async def until(self, word: str) -> list[str]:
        """Lines heard up to one that begins with `word`."""
        async with asyncio.timeout(60):
            while not any(line.startswith(word) for line in self.heard):
                data = await asyncio.get_running_loop().sock_recv(self._socket, 4096)
                self.heard += data.decode().split("\n")
        heard, self.heard = self.heard, []
        return heard

    async def nothing_for(self, seconds: float) -> bool:
        try:
            async with asyncio.timeout(seconds):
                await asyncio.get_running_loop().sock_recv(self._socket, 4096)
        except TimeoutError:
            return True
        return False


@pytest.fixture
async def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mosquitto: Mosquitto) -> AsyncIterator[Listening]:
    assert mosquitto.port, "the broker is up already: it would speak to a manager too"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as talk:
        talk.bind(str(tmp_path / "notify"))
        talk.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", str(round(WATCHDOG_S * 1e6)))
        yield Listening(talk)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(CONFIG, tmp_path / "config"))
    change(folder / "stand.toml", "example = true\n", "")
    return folder


def change(file: Path, before: str, after: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert before in text
    file.write_text(text.replace(before, after, 1), encoding="utf-8")


async def page(child: Child, path: str) -> tuple[int, str]:
    """What a probe is told, on the port that the log names."""
    if not hasattr(child, "probe"):
        child.probe = (await child.heard.next("probe"))["url"].rpartition(":")[2]  # type: ignore[attr-defined]

    def ask() -> tuple[int, str]:
        client = http.client.HTTPConnection("127.0.0.1", int(child.probe), timeout=5)  # type: ignore[attr-defined]
        client.request("GET", path)
        answer = client.getresponse()
        body = answer.read().decode()
        client.close()
        return answer.status, body

    return await asyncio.to_thread(ask)


async def test_from_start_to_stop(records: Records, manager: Listening, config: Path, mosquitto: Mosquitto) -> None:
    words = records.serve_words("sim://depot/good-pump", mosquitto, config)
    async with steadyhead(*words, "--probe", "0") as child:
        assert "READY=1" in await manager.until("READY=1")
        fed = await manager.until("WATCHDOG=1")
        assert any(line == "STATUS=marrow-hill/bench-1 up" for line in fed)
        assert await page(child, "/live") == (200, "live\n")
        assert await page(child, "/ready") == (200, "ready\n")
        status, metrics = await page(child, "/metrics")
        assert status == 200
        assert 'steadyhead_link_up{stand="marrow-hill/bench-1"} 1.0' in metrics
        assert await child.heard.next("device", says(level="info", stand="marrow-hill/bench-1", run=None))
        child.process.send_signal(signal.SIGTERM)
        await manager.until("STOPPING=1")
        code, errors = await child.ended()
        assert (code, errors) == (0, "")
        assert json.loads(child.output[-1])["event"] == "stopped"


async def test_a_process_that_stands_still_feeds_no_watchdog(
    records: Records, manager: Listening, mosquitto: Mosquitto
) -> None:
    async with steadyhead(*records.serve_words("sim://depot/good-pump", mosquitto)) as child:
        await manager.until("WATCHDOG=1")
        child.process.send_signal(signal.SIGSTOP)
        while not await manager.nothing_for(WATCHDOG_S):  # what was sent before
            pass
        assert await manager.nothing_for(2 * WATCHDOG_S)
        child.process.send_signal(signal.SIGCONT)
        assert "WATCHDOG=1" in await manager.until("WATCHDOG=1")


async def test_a_new_configuration(records: Records, manager: Listening, config: Path, mosquitto: Mosquitto) -> None:
    """A broken one is refused and the old one stays, another catalogue counts at once, and another stand after the run
    that is under way."""
    rig = Rig(load_scenario("depot"), "good-pump")
    async with (
        simulated(rig, 4.0) as stand,
        steadyhead(*records.serve_words(stand.address, mosquitto, config)) as child,
        subscribed(mosquitto.port) as heard,
    ):
        await ready(heard)
        await manager.until("READY=1")

        change(config / "stand.toml", "revision = 1", "revision = one")
        child.process.send_signal(signal.SIGHUP)
        refused = await child.heard.next("reload_refused", says(level="error"))
        assert "stand.toml" in refused["text"]
        assert refused["text"].endswith("all stays as it was")
        told = await manager.until("READY=1")
        assert "RELOADING=1" in told
        change(config / "stand.toml", "revision = one", "revision = 1")

        change(config / "parts" / "mh-2101.toml", "revision = 1", "revision = 2")
        child.process.send_signal(signal.SIGHUP)
        await child.heard.next("reloaded", says(what="catalogue"))
        run = (await heard.ask("start", part="MH-2101"))["run"]
        begun = await child.heard.next("run_begun", says(run=run))
        assert begun["run"] == run

        change(config / "stand.toml", "revision = 1", "revision = 2")
        child.process.send_signal(signal.SIGHUP)
        await child.heard.next("reload_waits", says(run=run))
        await heard.ask("abort", run=run)
        ended = await child.heard.next("run_finished", says(run=run))
        assert (ended["verdict"], ended["part_revision"]) == ("void", 2)
        await child.heard.next("reloaded", says(what="stand and catalogue"))
        await child.heard.next("starting")  # that of the beginning
        await child.heard.next("starting")
        await heard.next("status", says(state="offline"))
        await ready(heard)
        assert (await child.end())[0] == 0
