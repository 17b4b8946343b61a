"""What goes wrong with the record, in words for whoever has to mend it."""

from sqlalchemy.exc import SQLAlchemyError


class RecordError(Exception):
    """Root of what this package raises. The text says what, where, expected, found and what to do."""


class DatabaseUrlError(RecordError):
    """A database URL that means nothing here; trying again does not help."""


class DatabaseMissingError(RecordError):
    """There is no database where one should be read."""


class DatabaseBusyError(RecordError):
    """Somebody else kept the database locked for longer than the busy time-out; trying again may help."""


class DiskFullError(RecordError):
    """Nothing more can be written until room is made; nothing of the transaction was kept."""


class DatabaseDamagedError(RecordError):
    """The file is no database or not whole; trying again does not help."""


class DatabaseUnwritableError(RecordError):
    """The file or its folder may not be opened or written."""


class SchemaError(RecordError):
    """The tables are not those that this version of the program knows."""


class MigrationError(RecordError):
    """The tables could not be brought up to date."""


class UnknownRunError(RecordError):
    """No run has this id, or a prefix fits several."""


class AlreadyFinishedError(RecordError):
    """The run has its verdict; a verdict is never written twice."""


class TraceError(RecordError):
    """A trace file could not be written or read. The run's row does not depend on it."""


# By the names of SQLite's result codes, longest prefix last to win: https://www.sqlite.org/rescode.html
_SQLITE: tuple[tuple[str, type[RecordError], str], ...] = (
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


def explain(where: str, error: SQLAlchemyError) -> RecordError:
    """Turns a database error into one that says what to do; `where` names the database without its password."""
    origin = getattr(error, "orig", None) or error
    code = str(getattr(origin, "sqlite_errorname", ""))
    for prefix, kind, advice in _SQLITE:
        if code.startswith(prefix):
            return kind(f"database {where}: {advice} (the database said: {origin})")
    return RecordError(f"database {where}: {origin}")
