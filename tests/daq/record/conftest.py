"""A fresh store on a disk."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.record.engine import sqlite_url
from daq.record.store import Store


@pytest.fixture
def url(tmp_path: Path) -> str:
    return sqlite_url(tmp_path / "records" / "bench.db")


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made by the migrations once; most tests start from a copy, for a migration takes most of a second."""
    file = tmp_path_factory.mktemp("empty") / "bench.db"
    store = Store(sqlite_url(file))
    store.open()
    store.close()
    return file


@pytest.fixture
def store(url: str, empty_database: Path, tmp_path: Path) -> Iterator[Store]:
    (tmp_path / "records").mkdir()
    shutil.copy(empty_database, tmp_path / "records" / "bench.db")
    store = Store(url)
    store.open()
    yield store
    store.close()
