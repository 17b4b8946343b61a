"""The connection to the database and its settings."""

import json
import sqlite3
import time
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from daq.record.errors import DatabaseUrlError

BUSY_MS = 10_000
"""How long to wait for another process's transaction; transactions here take milliseconds, so this is ample."""

_WRITES = "steadyhead_writes"
# Compact, and a value that JSON has no word for is an error, never `NaN` in a column.
_dumps = partial(json.dumps, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def sqlite_url(path: Path) -> str:
    """The database URL of an SQLite file."""
    return URL.create("sqlite", database=str(path.absolute())).render_as_string(hide_password=False)


def connect(url: str) -> Engine:
    """An engine for a URL, not opened yet. Foreign keys are enforced, a commit returns when it is on the disk.

    Raises:
        DatabaseUrlError: it is no URL of a database that can be used here.
    """
    try:
        engine = create_engine(make_url(url), json_serializer=_dumps, pool_size=1, max_overflow=1)
    except (ArgumentError, ModuleNotFoundError) as error:  # the message repeats no URL: it may hold a password
        raise DatabaseUrlError(
            "database URL: expected sqlite:///FILE, or another kind whose Python driver is installed; found one that "
            f"cannot be used ({error}); mend --database, or [record] database in stand.toml"
        ) from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_pragmas)
        own_transactions(engine)
    return engine


def for_writing(engine: Engine) -> Engine:
    """The same engine, whose transactions take the write lock at once: waiting for it in the middle could fail."""
    return engine.execution_options(**{_WRITES: True})


def own_transactions(engine: Engine) -> None:
    """Lets SQLAlchemy, not the SQLite driver, begin transactions; the driver begins none for tables and for reads."""
    event.listen(engine, "connect", _leave_transactions_to_us)
    event.listen(engine, "begin", _begin)


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _leave_transactions_to_us(connection: Any, _record: Any) -> None:
    connection.isolation_level = None


def _set_pragmas(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    for pragma in (f"busy_timeout={BUSY_MS}", "synchronous=FULL", "foreign_keys=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    _write_ahead(cursor)
    cursor.close()


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """Changing a new file's journal is the one thing for which SQLite ignores its busy time-out; so wait here."""
    give_up = time.monotonic() + BUSY_MS / 1000
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
        time.sleep(0.02)
