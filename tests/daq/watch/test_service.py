"""The service around a daemon: its deadline, a port that is taken, and configurations that it does not take."""

import asyncio
import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.stand.errors import StandError
from daq.watch import keeper
from daq.watch.keeper import Loaded, OverdueError
from daq.watch.log import Record
from daq.watch.manager import Manager
from daq.watch.service import Service

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture
def loaded(tmp_path: Path) -> Loaded:
    stand = load_stand(CONFIG)
    made = replace(
        stand, data=tmp_path, database=f"sqlite:///{tmp_path / 'records.db'}", device="sim://depot/good-pump"
    )
    return made, load_catalogue(CONFIG, stand.stand)


class Deaf(keeper.Daemon):
    """A daemon that does not end, whatever it is told."""

    async def run(self, stop: asyncio.Event, device: Any = None) -> None:
        await asyncio.sleep(60)


def made(loaded: Loaded, log: Callable[[Record], None], read: Any = None, **more: Any) -> Service:
    return Service([(loaded, read or (lambda: loaded))], log, manager=Manager({}), **more)


async def test_a_daemon_that_does_not_end_in_time(loaded: Loaded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper, "Daemon", Deaf)
    monkeypatch.setattr(keeper, "STOP_WITHIN_S", 0.1)
    stop = asyncio.Event()
    said: list[Record] = []
    working = made(loaded, said.append)
    asyncio.get_running_loop().call_later(0.05, stop.set)
    with pytest.raises(OverdueError, match="has not; it is ended as it is"):
        await asyncio.wait_for(working.run(stop, asyncio.Event()), 5)
    assert [record["event"] for record in said] == ["starting"]


async def test_a_port_that_is_taken(loaded: Loaded) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(StandError, match=f"port {port} of 127.0.0.1, for probes: expected a free one, found"):
            await made(loaded, lambda _: None, probe=port).run(asyncio.Event(), asyncio.Event())


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ({"device": "nowhere"}, "expected SCHEME://PLACE"),
        ({"stand": SimpleNamespace(site="marrow-hill", name="bench-9")}, "found marrow-hill/bench-9; start another"),
        ({"broker": SimpleNamespace(password_file=Path("/nowhere"))}, "broker.password_file /nowhere"),
    ],
)
async def test_what_a_reload_does_not_take(loaded: Loaded, other: dict[str, Any], told: str) -> None:
    """The daemon from before goes on, and takes a stop."""
    said: list[Record] = []
    stop, reload = asyncio.Event(), asyncio.Event()

    def log(record: Record) -> None:
        said.append(record)
        if record["event"] == "reload_refused":
            asyncio.get_running_loop().call_later(0.2, stop.set)

    working = made(loaded, log, lambda: (replace(loaded[0], **other), loaded[1]))
    asyncio.get_running_loop().call_later(0.2, reload.set)
    async with asyncio.timeout(60):
        await working.run(stop, reload)
    [refused] = [record for record in said if record["event"] == "reload_refused"]
    assert told in refused["text"]
    events = [record["event"] for record in said]
    assert events.count("starting") == 1
    assert events[-1] == "stopped"
