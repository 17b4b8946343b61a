"""`steadyhead serve`: what it refuses at once, and that it starts and stops in order."""

import asyncio
import errno
import io
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

from daq.cli import serve
from daq.cli.exits import Exit
from tests.daq.cli.conftest import Command

GOOD = "sim://depot/good-pump"
NOBODY = "mqtt://127.0.0.1:9"
"""Port 9, discard (RFC 863), where no broker listens."""


def changed(config: Path, before: str, after: str) -> None:
    stand = config / "stand.toml"
    text = stand.read_text(encoding="utf-8")
    assert text.count(before) == 1
    stand.write_text(text.replace(before, after), encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--broker", "http://127.0.0.1"), "expected mqtt://HOST:PORT"),
        (("--broker", "127.0.0.1:1883"), "expected mqtt://HOST:PORT"),
        (("--mqtt", "4"), "expected 5 or 3.1.1"),
        (("--device", "nowhere"), "expected SCHEME://PLACE"),
        (("--device", "sim://depot/nothing"), "unit 'nothing'"),
        (("--device", "smoke://signals"), "no driver for scheme 'smoke'"),
    ],
)
def test_wrong_usage(steadyhead: Command, words: tuple[str, ...], said: str) -> None:
    ended = steadyhead("serve", "--json", *words)
    assert ended.exit_code == Exit.USAGE
    assert said in ended.stderr


def test_a_password_that_is_not_there(steadyhead: Command, config: Path) -> None:
    changed(config, '# username = "bench-1"\n# password_file = "/etc/steadyhead/mqtt-password"',
            f'username = "bench-1"\npassword_file = "{config}/none"')  # fmt: skip
    ended = steadyhead("serve", "--device", GOOD, "--broker", NOBODY)
    assert ended.exit_code == Exit.INTERNAL
    for word in ("stand.toml", "broker.password_file", str(config / "none"), "expected a file whose first line"):
        assert word in ended.stderr


@pytest.fixture
def stopped_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a signal would do, once the daemon has begun."""

    def soon(stop: asyncio.Event) -> None:
        asyncio.get_running_loop().call_later(0.2, stop.set)

    monkeypatch.setattr(serve, "_stop_at_signals", soon)


def log_of(ended: Any) -> list[dict[str, Any]]:
    return [json.loads(line) for line in ended.stdout.splitlines()]


@pytest.mark.usefixtures("stopped_soon")
def test_it_starts_and_stops_with_a_log_of_json(steadyhead: Command) -> None:
    ended = steadyhead("serve", "--device", GOOD, "--broker", NOBODY, "--mqtt", "3.1.1")
    assert (ended.exit_code, ended.stderr) == (Exit.PASS, "")
    first, *between, last = log_of(ended)
    assert (first["event"], first["stand"], first["device"]) == ("starting", "marrow-hill/bench-1", GOOD)
    assert first["broker"] == NOBODY
    assert last["event"] == "stopped"
    links = [entry["link"] for entry in between if entry["event"] == "link"]
    assert links == ["up", "down"]
    [notice] = [entry for entry in between if entry["event"] == "notice"]
    assert (notice["code"], notice["active"]) == ("broker", True)
    assert "127.0.0.1:9" in notice["text"]


@pytest.mark.usefixtures("stopped_soon")
def test_a_port_that_is_missing_is_waited_for(steadyhead: Command) -> None:
    ended = steadyhead("serve", "--device", "serial:///dev/no-such-port", "--broker", NOBODY)
    assert ended.exit_code == Exit.PASS
    [link] = [entry for entry in log_of(ended) if entry["event"] == "link"]
    assert link["link"] == "down"
    for word in ("/dev/no-such-port", "there is no such device", "check the cable"):
        assert word in link["reason"]


class Paper(io.StringIO):
    """A standard output that cannot be written."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self._number = number

    def write(self, _: str) -> int:
        raise OSError(self._number, os.strerror(self._number))  # Python makes the kind that belongs to the number


@pytest.mark.parametrize(("number", "stops"), [(errno.ENOSPC, False), (errno.EPIPE, True)])
def test_a_log_that_cannot_be_written_keeps_the_daemon_from_nothing(
    monkeypatch: pytest.MonkeyPatch, number: int, stops: bool
) -> None:
    """A full disk takes no log; where whoever read it is gone, the daemon ends in order."""
    unread: list[bool] = []
    monkeypatch.setattr(sys, "stdout", Paper(number))
    monkeypatch.setattr(serve, "silence", lambda: None)
    write = serve._log(True, lambda: unread.append(True))
    write({"event": "starting"})
    assert bool(unread) is stops
