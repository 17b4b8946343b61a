"""Two machines with one stand in one database: the second is refused; a killed one's session does not last."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing

import pytest

from daq.record.errors import DatabaseUnreachableError, StandTakenError
from daq.record.store import Store
from tests.daq.record.bench import BENCH, started
from tests.postgres import Postgres

OTHER = """
import sys, time
from daq.record.store import Store
store = Store(sys.argv[1])
store.hold(sys.argv[2])
print("held", flush=True)
time.sleep(60)
"""


@pytest.fixture
def url(postgres: Postgres) -> Iterator[str]:
    if not postgres.running:
        postgres.start()
    name = postgres.make("migrated")
    yield postgres.url(name)
    if not postgres.running:
        postgres.start()
    postgres.drop(name)


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.record.holding.Holding.take.__defaults__", (0.3,))


@pytest.mark.usefixtures("soon")
def test_a_stand_is_taken_once_and_free_again_afterwards(url: str) -> None:
    with closing(Store(url)) as second:
        with closing(Store(url)) as first:
            first.hold(BENCH)
            with pytest.raises(StandTakenError) as refused:
                second.hold(BENCH)
            for part in (f"stand {BENCH}", "found a daemon at 127.0.0.1", "stop that one"):
                assert part in str(refused.value)
            second.hold("marrow-hill/bench-2")
            first.start_run(started())
        second.hold(BENCH)


def test_a_killed_daemon_keeps_nobody_waiting(url: str) -> None:
    """Its machine closes the connection for it; one that lost its power is noticed by the server within 11 s."""
    other = subprocess.Popen([sys.executable, "-c", OTHER, url, BENCH], stdout=subprocess.PIPE, text=True)
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    os.kill(other.pid, signal.SIGKILL)
    began = time.monotonic()
    with closing(Store(url)) as store:
        store.hold(BENCH)
    assert time.monotonic() - began < 5
    other.communicate()


@pytest.mark.usefixtures("soon")
def test_whoever_lost_it_with_the_server_begins_no_run_where_another_has_it(url: str, postgres: Postgres) -> None:
    with closing(Store(url)) as first, closing(Store(url)) as second:
        first.hold(BENCH)
        postgres.crash()
        with pytest.raises(DatabaseUnreachableError):
            first.start_run(started(1))
        postgres.start()
        first.start_run(started(2))  # it took the stand anew
        with pytest.raises(StandTakenError):
            second.hold(BENCH)
        postgres.crash()
        postgres.start()
        second.hold(BENCH)
        with pytest.raises(StandTakenError):
            first.start_run(started(3))


def test_a_file_needs_no_session(tmp_path: object) -> None:
    with (
        closing(Store(f"sqlite:///{tmp_path}/records.db")) as one,
        closing(Store(f"sqlite:///{tmp_path}/records.db")) as two,
    ):
        one.open()
        one.hold(BENCH)
        two.hold(BENCH)
