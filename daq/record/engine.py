"""The connection to the database, chosen by its URL: an SQLite file, or a PostgreSQL server that stands share."""

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, event, make_url
from sqlalchemy.exc import ArgumentError

from daq.record import postgres, sqlite
from daq.record.errors import DatabaseUrlError

BUSY_MS = 10_000
"""How long to wait for another process's transaction; transactions here take milliseconds, so this is ample."""

_MIGRATING_MS = 60_000
_WRITES = "steadyhead_writes"
# What a transaction begins with, by whether it writes.
_OPENING = {
    "sqlite": {False: "BEGIN", True: "BEGIN IMMEDIATE"},
    "postgresql": {False: "", True: postgres.LOCK},
}

_Make = Callable[[URL, Callable[[object], str], int], Engine]
# Compact, and a value that JSON has no word for is an error, never `NaN` in a column.
_dumps = partial(json.dumps, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def sqlite_url(path: Path) -> str:
    """The database URL of an SQLite file."""
    return URL.create("sqlite", database=str(path.absolute())).render_as_string(hide_password=False)


def file_of(url: str) -> Path | None:
    """The file of an SQLite database; None where it is on a server, or the URL is none."""
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        return None
    return Path(parsed.database) if parsed.get_backend_name() == "sqlite" and parsed.database else None


def connect(url: str, *, reads: bool = False) -> Engine:
    """An engine for a URL, not opened yet. Foreign keys are enforced, a commit returns when it is on the disk. One that
    only `reads` changes nothing, and needs no right to.

    Raises:
        DatabaseUrlError: it is no URL of a database that can be used here.
    """
    how = (sqlite.reading, postgres.reading) if reads else (sqlite.working, postgres.working)
    return _prepared(url, *how, busy_ms=BUSY_MS)


def connect_to_migrate(url: str) -> Engine:
    """The same for changing tables, which on SQLite means to rebuild them: with foreign keys enforced that would delete
    the rows that point to them."""
    return _prepared(url, sqlite.rebuilding, postgres.working, busy_ms=_MIGRATING_MS)


def _prepared(url: str, on_sqlite: _Make, on_postgresql: _Make, *, busy_ms: int) -> Engine:
    try:
        parsed = make_url(url)
        kind = parsed.get_backend_name()
        if kind not in _OPENING:
            raise DatabaseUrlError(_wrong_url(f"one of {kind}"))
        made = (on_sqlite if kind == "sqlite" else on_postgresql)(parsed, _dumps, busy_ms)
    except (
        ArgumentError,
        ModuleNotFoundError,
        ValueError,
    ) as error:  # the message repeats no URL: it may hold a password
        raise DatabaseUrlError(_wrong_url(f"one that cannot be used ({error})")) from error
    event.listen(made, "begin", _begin)
    return made


def _begin(connection: Connection) -> None:
    """One transaction writes at a time. So no number is given twice, nobody waits for a second lock while holding a
    first one, and who has to wait does so here."""
    writes = bool(connection.get_execution_options().get(_WRITES))
    if opening := _OPENING[connection.dialect.name][writes]:
        connection.exec_driver_sql(opening)


def for_writing(engine: Engine) -> Engine:
    """The same engine, whose transactions take the one write lock at once: waiting for it in the middle could fail."""
    return engine.execution_options(**{_WRITES: True})


def for_reading(engine: Engine) -> Engine:
    """The same engine, whose transactions see one state of the database, whoever writes meanwhile."""
    if engine.dialect.name == "sqlite":
        return engine  # a transaction is like that by itself
    return engine.execution_options(isolation_level="REPEATABLE READ")


def shown(engine: Engine) -> str:
    """The database's name for messages: a file's path, else the URL without its password and without its options."""
    url = engine.url
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url._replace(password=None, query=type(url.query)()).render_as_string()


def _wrong_url(found: str) -> str:
    return (
        "database URL: expected sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME, the latter with the package "
        f"psycopg installed (pip install 'steadyhead[postgresql]'); found {found}; mend --database, or [record] "
        "database in stand.toml"
    )
