"""What a service manager hears. The variables and lines are those of sd_notify(3) and sd_watchdog_enabled(3)."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.watch.manager import Manager


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(2)
        yield manager


def test_each_message_is_one_datagram_of_lines(heard: socket.socket) -> None:
    manager = Manager({"NOTIFY_SOCKET": heard.getsockname()})
    manager.ready("bench-1 up")
    assert heard.recv(4096) == b"READY=1\nSTATUS=bench-1 up"
    manager.well("two\nlines")
    assert heard.recv(4096) == b"WATCHDOG=1\nSTATUS=two lines"
    manager.unwell("the store stands still")
    assert heard.recv(4096) == b"STATUS=the store stands still"
    manager.reloading()
    reloading, at = heard.recv(4096).decode().split("\n")
    assert reloading == "RELOADING=1"
    assert int(at.removeprefix("MONOTONIC_USEC=")) > 0
    manager.stopping()
    assert heard.recv(4096) == b"STOPPING=1"


def test_a_socket_without_a_file() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0steadyhead-test-{os.getpid()}")
        manager.settimeout(2)
        Manager({"NOTIFY_SOCKET": f"@steadyhead-test-{os.getpid()}"}).stopping()
        assert manager.recv(4096) == b"STOPPING=1"


@pytest.mark.parametrize("place", ["", "/nowhere/notify"])
def test_where_nobody_listens_nothing_fails(place: str) -> None:
    Manager({"NOTIFY_SOCKET": place} if place else {}).ready("up")


@pytest.mark.parametrize(
    ("environ", "seconds"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_how_often_it_wants_to_hear(environ: dict[str, str], seconds: float | None) -> None:
    assert Manager({"NOTIFY_SOCKET": "/run/notify", **environ}).watchdog_s == seconds
    assert Manager(environ).watchdog_s is None
