"""Are the tables those that this program knows? Answered without Alembic, which costs tens of megabytes to import."""

import subprocess
import sys

from sqlalchemy import Engine, inspect, text

from daq.record.engine import shown
from daq.record.errors import DatabaseMissingError, MigrationError, OldSchemaError, SchemaError

REVISIONS = ("0001", "0002", "0003")
"""All schema revisions in order, the newest last. A test holds them against the migrations themselves."""

HEAD = REVISIONS[-1]
_VERSION_TABLE = "alembic_version"
_TIMEOUT_S = 600.0


def revision(engine: Engine) -> str | None:
    """The schema revision of a database, None for an empty one.

    Raises:
        SchemaError: there are tables, but none that says a revision: somebody else's database.
    """
    tables = inspect(engine).get_table_names()
    if _VERSION_TABLE in tables:
        with engine.connect() as connection:
            found: str | None = connection.scalar(text(f"SELECT version_num FROM {_VERSION_TABLE}"))
            return found
    if tables:
        raise SchemaError(
            f"database {shown(engine)}: expected an empty database or one of this program, found the tables "
            f"{', '.join(sorted(tables)[:5])}; name another database in the configuration"
        )
    return None


def known(engine: Engine) -> str | None:
    """See `revision`.

    Raises:
        SchemaError: the revision is a newer version's, or the database somebody else's.
    """
    found = revision(engine)
    if found is not None and found not in REVISIONS:
        raise SchemaError(
            f"database {shown(engine)}: expected schema revision {HEAD} or older, found {found}: a newer version of "
            "the program has written it; install that version, or name another database"
        )
    return found


def ensure(engine: Engine) -> None:
    """Creates the tables, or brings those of an older version up to date, in a child process.

    Raises:
        SchemaError: the database was made by a newer version, or is somebody else's.
        MigrationError: the child did not succeed; the text carries what it said.
    """
    if known(engine) != HEAD:
        move(engine, HEAD)


def check(engine: Engine) -> None:
    """For whoever only reads: the tables are there, and of this version.

    Raises:
        DatabaseMissingError: there are none yet.
        OldSchemaError: they are of an older version.
        SchemaError: they are of a newer version, or somebody else's.
    """
    found = known(engine)
    if found is None:
        raise DatabaseMissingError(f"database {shown(engine)}: there are no records in it yet; run a test first")
    if found != HEAD:
        raise OldSchemaError(
            f"database {shown(engine)}: expected schema revision {HEAD}, found {found}, which an older version of the "
            "program has written; `steadyhead setup database` brings it up to date, and so does a daemon when it starts"
        )


def move(engine: Engine, to: str) -> None:
    """Brings the tables to a revision, upwards or downwards, in a child process and in one transaction.

    Raises:
        MigrationError: it did not succeed, and the tables are as they were; the text carries what the child said.
    """
    engine.dispose()  # no connection of ours may stand in the way of changing tables
    # The URL goes in on standard input: arguments of a process can be read by everybody, and it may hold a password.
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "daq.record.migrate", "-", to],
            input=engine.url.render_as_string(hide_password=False),
            capture_output=True,
            text=True,
            timeout=_TIMEOUT_S,
            check=False,
            start_new_session=True,  # a Ctrl-C in the terminal does not cut it off
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise MigrationError(f"{_failed(engine, to)}: {error}; see who keeps it locked, then try again") from error
    if done.returncode != 0:
        said = done.stderr.strip().splitlines()[-1:] or [f"it ended with exit code {done.returncode}"]
        raise MigrationError(f"{_failed(engine, to)}: {said[0]}")


def _failed(engine: Engine, to: str) -> str:
    return f"database {shown(engine)}: bringing the tables to revision {to} failed"
