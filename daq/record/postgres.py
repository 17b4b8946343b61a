"""PostgreSQL as the record uses it: one database for all stands of a plant, written by one transaction at a time."""

from collections.abc import Callable
from functools import partial
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event

DRIVER = "postgresql+psycopg"

# Any number that is the same in every version: https://www.postgresql.org/docs/15/explicit-locking.html, advisory locks
# belong to the database they are taken in, so other databases of the server are not concerned.
_WRITE_LOCK = 7_839_341_502
LOCK = f"SELECT pg_advisory_xact_lock({_WRITE_LOCK})"
"""Waits for its turn, holds until the end of the transaction; as in an SQLite file one of them writes at a time."""

# Seconds (the last in ms) after which a server that fell silent counts as gone, for libpq:
# https://www.postgresql.org/docs/15/libpq-connect.html. Without them that may take hours. A URL may say otherwise.
_LINK = {
    "application_name": "steadyhead",
    "connect_timeout": 5,
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 10_000,
}

# https://www.postgresql.org/docs/15/runtime-config-client.html. A stand that lost power or its network in the middle of
# a transaction must not keep the others waiting, so the server ends it. Where commits don't wait for the disk, ours do;
# a server that has them wait for more (a copy on another machine) is left as it is.
_SESSION = """
SELECT set_config('lock_timeout', '{busy_ms}', false),
       set_config('idle_in_transaction_session_timeout', '{busy_ms}', false),
       CASE WHEN current_setting('synchronous_commit') IN ('off', 'local')
            THEN set_config('synchronous_commit', 'on', false) END
"""
_READS = ", set_config('default_transaction_read_only', 'on', false)"


def working(url: URL, dumps: Callable[[Any], str], busy_ms: int) -> Engine:
    """An engine for a daemon's work on a server's database."""
    return _engine(url, dumps, _SESSION.format(busy_ms=busy_ms))


def reading(url: URL, dumps: Callable[[Any], str], busy_ms: int) -> Engine:
    """An engine that changes nothing."""
    return _engine(url, dumps, _SESSION.format(busy_ms=busy_ms) + _READS)


def _engine(url: URL, dumps: Callable[[Any], str], session: str) -> Engine:
    made = create_engine(
        url.set(drivername=DRIVER),
        json_serializer=dumps,
        pool_size=2,  # one of them may hold a stand
        max_overflow=1,
        pool_pre_ping=True,  # after a restart of the server nothing is lost by asking a connection that died
        isolation_level="READ COMMITTED",  # what is read after the write lock is what the one before has left
        connect_args={key: value for key, value in _LINK.items() if key not in url.query},
    )
    event.listen(made, "connect", partial(_settle, session))
    return made


def _settle(session: str, connection: Any, _record: Any) -> None:
    connection.execute(session)
    connection.commit()
