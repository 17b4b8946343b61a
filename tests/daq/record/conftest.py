"""A fresh store on every kind of database."""

import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daq.record.engine import sqlite_url
from daq.record.store import Store

KINDS = ("sqlite", "postgresql")


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    """Which database; a module whose tests are about one of them says so by a fixture of this name."""
    found: str = request.param
    return found


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made by the migrations once; most tests start from a copy, for a migration takes most of a second."""
    file = tmp_path_factory.mktemp("empty") / "bench.db"
    with closing(Store(sqlite_url(file))) as store:
        store.open()
    return file


@pytest.fixture
def url(kind: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Where a database may be made; where the test has a store, it is there already, with tables and no rows."""
    filled = "store" in request.fixturenames
    if kind == "sqlite":
        file = tmp_path / "records" / "bench.db"
        if filled:
            file.parent.mkdir()
            shutil.copy(request.getfixturevalue("empty_database"), file)
        yield sqlite_url(file)
        return
    server = request.getfixturevalue("postgres")
    name = server.make("migrated" if filled else "template1")
    yield server.url(name)
    server.drop(name)


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with closing(Store(url)) as store:
        store.open()
        yield store
