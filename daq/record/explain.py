"""What a database said, turned into what a person can do about it."""

from sqlalchemy.exc import SQLAlchemyError

from daq.record.errors import (
    DatabaseBusyError,
    DatabaseDamagedError,
    DatabaseRefusesError,
    DatabaseUnreachableError,
    DatabaseUnwritableError,
    DiskFullError,
    RecordError,
    SchemaError,
)

_Row = tuple[str, type[RecordError], str]

# By the names of SQLite's result codes: https://www.sqlite.org/rescode.html
_SQLITE: tuple[_Row, ...] = (
    ("SQLITE_BUSY", DatabaseBusyError, "another process keeps it locked; end that process, then try again"),
    ("SQLITE_LOCKED", DatabaseBusyError, "another connection keeps it locked; try again"),
    ("SQLITE_FULL", DiskFullError, "the disk is full; make room on it, then try again"),
    ("SQLITE_IOERR", DiskFullError, "reading or writing failed; check that the disk has room and is sound"),
    ("SQLITE_CORRUPT", DatabaseDamagedError, "the file is damaged; move it away and restore the newest backup"),
    ("SQLITE_NOTADB", DatabaseDamagedError, "the file is no SQLite database; move it away or name another file"),
    ("SQLITE_READONLY", DatabaseUnwritableError, "it may not be written; check its owner and the folder's permissions"),
    (
        "SQLITE_CANTOPEN",
        DatabaseUnwritableError,
        "it cannot be opened; check that the folder exists and its permissions",
    ),
    ("SQLITE_PERM", DatabaseUnwritableError, "it may not be opened; check its owner and permissions"),
)

_LOST = "the connection to the server broke; it is made anew once the server answers"

# By SQLSTATE, a class of two characters or a whole code: https://www.postgresql.org/docs/15/errcodes-appendix.html
_POSTGRESQL: tuple[_Row, ...] = (
    (
        "55P03",
        DatabaseBusyError,
        "another process keeps it locked; find it in pg_stat_activity and end it, then try again",
    ),
    ("40", DatabaseBusyError, "another transaction came in between; try again"),
    ("53100", DiskFullError, "the server's disk is full; make room on it, then try again"),
    ("53300", DatabaseUnreachableError, "the server has no connection left; end some, or raise its max_connections"),
    ("53", DatabaseBusyError, "the server has too little memory or other means; look at its log"),
    ("58", DiskFullError, "the server could not read or write; check that its disk has room and is sound"),
    ("XX", DatabaseDamagedError, "its data are damaged; see the server's log and restore the newest backup"),
    ("25006", DatabaseUnwritableError, "it is read-only, as a standby server is; name the server that is written"),
    ("42501", DatabaseUnwritableError, "this user may not do that there; grant it the right, or make it the owner"),
    ("42P01", SchemaError, "a table is missing that was there before; restart, and see who changes this database"),
    ("42703", SchemaError, "a column is missing that was there before; restart, and see who changes this database"),
    ("25P03", DatabaseUnreachableError, _LOST),
    ("57", DatabaseUnreachableError, _LOST),
    ("08", DatabaseUnreachableError, _LOST),
    ("28", DatabaseRefusesError, "it lets this user not in; check user and password"),
    ("3D000", DatabaseRefusesError, "there is no such database on the server; make it: createdb -O USER NAME"),
)

# A connection that is not made gives no code, so what it says must do, as far as it says it in English.
_NO_PASSWORD = (
    "it lets this user not in; check the user in the URL, and its password in the file that `passfile` in the URL, "
    "or PGPASSFILE, names (a line HOST:PORT:NAME:USER:PASSWORD, readable by its owner only)"
)
_CONNECTING: tuple[_Row, ...] = (
    ("password", DatabaseRefusesError, _NO_PASSWORD),
    (
        "no pg_hba.conf entry",
        DatabaseRefusesError,
        "it lets this machine or user not in; add a line to its pg_hba.conf",
    ),
    ("permission denied", DatabaseRefusesError, "this user may not connect to it; grant it the right"),
    ('role "', DatabaseRefusesError, "the server knows no such user; make it: createuser -P USER"),
    ('database "', DatabaseRefusesError, "there is no such database on the server; make it: createdb -O USER NAME"),
    ("SSL", DatabaseRefusesError, "no secured connection came about; check sslmode and sslrootcert in the URL"),
    ("too many", DatabaseUnreachableError, "it has no connection left; end some, or raise its max_connections"),
)
_SILENT = "no answer from it; check that the server runs, and its host and port"


def explain(where: str, error: SQLAlchemyError) -> RecordError:
    """Turns a database error into one that says what to do; `where` names the database without its password."""
    origin = getattr(error, "orig", None) or error
    said = " ".join(str(origin).split())
    kind, advice = _cause(error, origin, said)
    return kind(f"database {where}: {advice} (the database said: {said})" if advice else f"database {where}: {said}")


def _cause(error: SQLAlchemyError, origin: object, said: str) -> tuple[type[RecordError], str]:
    name, state = getattr(origin, "sqlite_errorname", None), getattr(origin, "sqlstate", None)
    for code, table in ((name, _SQLITE), (state, _POSTGRESQL)):
        for prefix, kind, advice in table:
            if code is not None and code.startswith(prefix):
                return kind, advice
    if state is not None or name is not None or type(origin).__name__ != "OperationalError":
        return RecordError, ""
    if getattr(error, "connection_invalidated", False):
        return DatabaseUnreachableError, _LOST
    return next(
        ((kind, advice) for part, kind, advice in _CONNECTING if part in said), (DatabaseUnreachableError, _SILENT)
    )
