"""SQLite as the record uses it: a write-ahead log, each commit on the disk, transactions that lock when they begin."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event

from daq.record.errors import DatabaseUnwritableError

# By SQLite's result codes, https://www.sqlite.org/rescode.html: what a log that cannot be made beside the file gives.
_NO_ROOM_FOR_A_LOG = ("SQLITE_CANTOPEN", "SQLITE_READONLY")


def working(url: URL, dumps: Callable[[Any], str], busy_ms: int) -> Engine:
    """An engine for a daemon's work; foreign keys are enforced."""
    pragmas = (f"busy_timeout={busy_ms}", "synchronous=FULL", "foreign_keys=ON")
    made = _engine(url, dumps, pragmas)
    event.listen(made, "connect", lambda connection, _record: _write_ahead(connection, busy_ms))
    return made


def rebuilding(url: URL, dumps: Callable[[Any], str], busy_ms: int) -> Engine:
    """An engine for changing tables."""
    return _engine(url, dumps, (f"busy_timeout={busy_ms}", "synchronous=FULL", "foreign_keys=OFF"))


def reading(url: URL, dumps: Callable[[Any], str], busy_ms: int) -> Engine:
    """An engine that changes nothing, not even a file that lies there without right to write."""
    return _engine(url, dumps, (f"busy_timeout={busy_ms}",), creator=partial(_open_to_read, Path(url.database or "")))


def _engine(url: URL, dumps: Callable[[Any], str], pragmas: tuple[str, ...], **source: Any) -> Engine:
    made = create_engine(url, json_serializer=dumps, pool_size=1, max_overflow=1, **source)
    event.listen(made, "connect", _leave_transactions_to_us)
    event.listen(made, "connect", lambda connection, _record: _set(connection, pragmas))
    return made


def _leave_transactions_to_us(connection: Any, _record: Any) -> None:
    """The driver itself begins none for tables and for reads."""
    connection.isolation_level = None


def _set(connection: Any, pragmas: tuple[str, ...]) -> None:
    with closing(connection.cursor()) as cursor:
        for pragma in pragmas:
            cursor.execute(f"PRAGMA {pragma}")


def _write_ahead(connection: Any, busy_ms: int) -> None:
    """Changing a new file's journal is the one thing for which SQLite ignores its busy time-out; so wait here."""
    give_up = time.monotonic() + busy_ms / 1000
    while True:
        try:
            _set(connection, ("journal_mode=WAL",))
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
        time.sleep(0.02)


def _open_to_read(file: Path) -> sqlite3.Connection:
    """A connection that changes nothing. Even a reader keeps a log beside the file; where it may not, as on a medium
    that is read-only, nobody else can be writing either, and the file is read as it lies there.

    Raises:
        DatabaseUnwritableError: so it cannot be read, since a log with changes lies beside it.
    """
    try:
        return _connected(file, "mode=ro")
    except sqlite3.OperationalError as error:
        if not str(error.sqlite_errorname).startswith(_NO_ROOM_FOR_A_LOG) or not file.is_file():
            raise
    log = file.with_name(f"{file.name}-wal")
    if log.exists() and log.stat().st_size:
        raise DatabaseUnwritableError(
            f"database {file}: its newest runs still stand beside it in {log.name}, and its folder may not be written; "
            "copy both files into a folder that may, and read them there"
        )
    return _connected(file, "immutable=1")


def _connected(file: Path, how: str) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{file.absolute().as_uri()}?{how}", uri=True, check_same_thread=False)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()  # only now the files are opened
    except sqlite3.Error:
        connection.close()
        raise
    return connection
