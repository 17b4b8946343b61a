"""Are the tables those that this program knows? Answered without Alembic, which costs tens of megabytes to import."""

import subprocess
import sys

from sqlalchemy import Engine, inspect, text

from daq.record.errors import MigrationError, SchemaError

REVISIONS = ("0001",)
"""All schema revisions in order, the newest last. A test holds them against the migrations themselves."""

HEAD = REVISIONS[-1]
_VERSION_TABLE = "alembic_version"
_TIMEOUT_S = 120.0


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


def ensure(engine: Engine) -> None:
    """Creates the tables, or brings those of an older version up to date, in a child process.

    Raises:
        SchemaError: the database was made by a newer version, or is somebody else's.
        MigrationError: the child did not succeed; the text carries what it said.
    """
    found = revision(engine)
    if found == HEAD:
        return
    if found is not None and found not in REVISIONS:
        raise SchemaError(
            f"database {shown(engine)}: expected schema revision {HEAD} or older, found {found}: a newer version of "
            "the program has written it; install that version, or name another database"
        )
    engine.dispose()  # no connection of ours may stand in the way of changing tables
    _migrate(engine)


def shown(engine: Engine) -> str:
    """The database's name for messages: a file's path, else the URL without its password."""
    url = engine.url
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.render_as_string(hide_password=True)


def _migrate(engine: Engine) -> None:
    # The URL goes in on standard input: arguments of a process can be read by everybody, and it may hold a password.
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "daq.record.migrate", "-"],
            input=engine.url.render_as_string(hide_password=False),
            capture_output=True,
            text=True,
            timeout=_TIMEOUT_S,
            check=False,
            start_new_session=True,  # a Ctrl-C in the terminal does not cut it off
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise MigrationError(
            f"database {shown(engine)}: bringing the tables up to revision {HEAD} failed: {error}; see who keeps it "
            "locked, then try again"
        ) from error
    if done.returncode != 0:
        said = done.stderr.strip().splitlines()[-1:] or [f"it ended with exit code {done.returncode}"]
        raise MigrationError(f"database {shown(engine)}: bringing the tables up to revision {HEAD} failed: {said[0]}")
