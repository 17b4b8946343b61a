"""What tests share: a real MQTT broker and a real database server, both unprivileged, on loopback and gone afterwards;
and how examples are drawn."""

import getpass
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import settings

from daq.record.store import Store
from tests.ports import free_port
from tests.postgres import Postgres

# On a machine that decides whether something lands, the same examples every time; elsewhere new ones, to find more.
settings.register_profile("same", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same")

STARTS_S = 60.0
MakeBroker = Callable[..., "Mosquitto"]
_PLACES = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))


class Mosquitto:
    """One broker process on a port of its own, with what it retains and queues kept in `folder` over restarts."""

    def __init__(self, folder: Path, settings: str = "allow_anonymous true") -> None:
        program = shutil.which("mosquitto", path=_PLACES)
        if program is None:
            pytest.fail("mosquitto is not installed; on Debian: apt-get install mosquitto")
        self._program = program
        self.folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self.host = "127.0.0.1"
        self.port = free_port()
        lines = (
            f"listener {self.port} {self.host}",
            f"user {getpass.getuser()}",
            "set_tcp_nodelay true",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_interval 1",
            "log_dest stderr",
            "log_type error",
            "log_type notice",
            "log_type information",
            "connection_messages false",
            settings,
        )
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def start(self) -> None:
        """Returns when it listens."""
        command = [self._program, "-c", str(self.folder / "mosquitto.conf")]
        # Into a file: a pipe that nobody reads is full after some minutes, and the broker then stands still.
        log = self.folder / "mosquitto.log"
        before = log.stat().st_size if log.exists() else 0
        with log.open("ab") as file:
            self._process = subprocess.Popen(command, stderr=file)
        give_up = time.monotonic() + STARTS_S
        while "running\n" not in (said := log.read_bytes()[before:].decode()):
            if self._process.poll() is not None or time.monotonic() > give_up:
                pytest.fail(f"mosquitto did not start: {said}")
            time.sleep(0.005)

    def kill(self) -> None:
        """Ends it without warning."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """Ends it in order, if it runs."""
        self._end(signal.SIGTERM)

    def reload(self) -> None:
        """Has it read its access list again."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.communicate(timeout=5)
            self._process = None


@pytest.fixture
def make_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakeBroker]:
    """Makes brokers with settings of their own, not started yet."""
    made: list[Mosquitto] = []

    def make(**settings: str) -> Mosquitto:
        made.append(Mosquitto(tmp_path_factory.mktemp("broker"), **settings))
        return made[-1]

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def mosquitto(make_broker: MakeBroker) -> Mosquitto:
    """A running broker that lets everybody in."""
    broker = make_broker()
    broker.start()
    return broker


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A running server with a database `migrated` that has our tables and no rows. Databases are each test's own."""
    server = Postgres()
    try:
        server.start()
        server.tell("CREATE DATABASE migrated")
        with closing(Store(server.url("migrated"))) as store:
            store.open()
        yield server
    finally:
        server.remove()
