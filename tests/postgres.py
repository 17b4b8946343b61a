"""A real PostgreSQL server for the tests: unprivileged, on loopback and a port of its own, in a folder of its own."""

import getpass
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.ports import free_port

USER, PASSWORD = "depot", "kept/secret@home"
_MISSING = "PostgreSQL is not installed; on Debian: apt-get install postgresql"


class Postgres:
    """One server, whose data are gone with `remove`. It asks everybody for a password."""

    def __init__(self) -> None:
        self._programs = _programs()
        # The server refuses to run as root; then it runs as the user that Debian's package made.
        self._user = "postgres" if os.geteuid() == 0 else getpass.getuser()
        self.folder = Path(tempfile.mkdtemp(prefix="steadyhead-postgres-"))
        self.host, self.port = "127.0.0.1", free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._numbers = count(1)
        self._make()

    def start(self) -> None:
        """Returns when it lets people in."""
        command = [self._programs / "postgres", "-D", self.folder / "data", "-p", str(self.port)]
        # No test cuts the power, so nothing has to reach the disk, and all of it is twice as quick.
        for setting in (f"listen_addresses={self.host}", f"unix_socket_directories={self.folder}", "fsync=off"):
            command += ["-c", setting]
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(command, stderr=log, cwd=self.folder, **self._as_user())
        give_up = time.monotonic() + 10
        while True:
            try:
                psycopg.connect(self.address("postgres")).close()
                return
            except psycopg.OperationalError:
                if time.monotonic() > give_up or self._process.poll() is not None:
                    pytest.fail(f"postgres did not start: {(self.folder / 'log').read_text()}")
            time.sleep(0.02)

    @property
    def running(self) -> bool:
        return self._process is not None

    def stop(self) -> None:
        """Ends it in order, and every connection to it."""
        self._end(signal.SIGINT)

    def crash(self) -> None:
        """Ends it without a word; it mends its files at its next start."""
        self._end(signal.SIGQUIT)

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.folder)

    def url(self, name: str, password: str = PASSWORD) -> str:
        """A database's URL as a stand's file has it, with the password in it."""
        return self.address(name, password).replace("postgresql:", "postgresql+psycopg:")

    def address(self, name: str, password: str = PASSWORD) -> str:
        """The same as libpq takes it."""
        secret = password.replace("/", "%2F").replace("@", "%40")
        return f"postgresql://{USER}:{secret}@{self.host}:{self.port}/{name}"

    def make(self, template: str = "template1") -> str:
        """A new database, as `template` is; gives its name."""
        name = f"bench{next(self._numbers)}"
        self.tell(f"CREATE DATABASE {name} TEMPLATE {template}")
        return name

    def drop(self, name: str) -> None:
        self.tell(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def tell(self, statement: str, name: str = "postgres") -> None:
        """Has it do something, as whoever may do all."""
        with psycopg.connect(self.address(name), autocommit=True) as connection:
            connection.execute(statement.encode())

    @contextmanager
    def away(self) -> Any:
        """The server is not there while this lasts."""
        self.stop()
        try:
            yield
        finally:
            self.start()

    def _make(self) -> None:
        secret = self.folder / "password"
        secret.write_text(PASSWORD)
        if os.geteuid() == 0:
            for path in (self.folder, secret):
                shutil.chown(path, self._user)
        command = [self._programs / "initdb", "-D", self.folder / "data", "-U", USER, "--auth=scram-sha-256"]
        command += [f"--pwfile={secret}", "--encoding=UTF8", "--locale=C", "--no-sync"]
        done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=self.folder, **self._as_user())
        if done.returncode:
            pytest.fail(f"initdb: {done.stderr}")

    def _as_user(self) -> dict[str, Any]:
        if os.geteuid() != 0:
            return {}
        return {"user": self._user, "group": pwd.getpwnam(self._user).pw_gid, "extra_groups": []}

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(timeout=10)
            self._process = None


def _programs() -> Path:
    """The folder of the newest installed server, which Debian keeps off the path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[4]))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    if on_path is None:
        pytest.fail(_MISSING)
    return Path(on_path).parent
