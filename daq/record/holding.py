"""A stand taken by one session of a server's database, where a lock in a file would not reach the other machine.

An advisory lock of the session (https://www.postgresql.org/docs/15/explicit-locking.html): it is gone with the session,
however that ends, and belongs to the database it is taken in.
"""

import hashlib
import time

from sqlalchemy import Connection, Engine, text

from daq.record.errors import StandTakenError

WAIT_S = 15.0
"""Longer than it takes the server to notice that the machine of the one before is gone."""
_AGAIN_S = 0.2

# https://www.postgresql.org/docs/15/runtime-config-connection.html: the server's own look at a session whose machine
# fell silent, for which it would otherwise keep the lock for hours. A socket of the same machine needs none.
_ASK_AFTER_US = """
SELECT set_config('tcp_keepalives_idle', '5', false), set_config('tcp_keepalives_interval', '2', false),
       set_config('tcp_keepalives_count', '3', false), set_config('tcp_user_timeout', '10000', false)
"""
_WHO = """
SELECT coalesce(host(client_addr), 'this server''s own machine') FROM pg_locks JOIN pg_stat_activity USING (pid)
WHERE locktype = 'advisory' AND granted AND classid = :high AND objid = :low AND database = (
    SELECT oid FROM pg_database WHERE datname = current_database())
"""


class Holding:
    """A stand (its key) held from `take` to `let_go`; for one thread."""

    def __init__(self, engine: Engine, stand: str, where: str) -> None:
        self._engine, self._stand, self._where = engine, stand, where
        digest = int.from_bytes(hashlib.sha256(stand.encode()).digest()[:8], "big")
        self._high, self._low = digest >> 32, digest & 0xFFFF_FFFF
        self._session: Connection | None = None

    def take(self, wait: float = WAIT_S) -> None:
        """Waits that long at most for a session before, whose daemon may just have been killed.

        Raises:
            StandTakenError: another one has it.
            SQLAlchemyError: the server is away.
        """
        session = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        try:
            session.execute(text(_ASK_AFTER_US))
            give_up = time.monotonic() + wait
            while not self._taken(session):
                if time.monotonic() >= give_up:
                    raise StandTakenError(self._other(session))
                time.sleep(_AGAIN_S)
        except BaseException:
            session.close()
            raise
        self._session = session

    def renew(self) -> None:
        """Takes it anew where the session was lost with the server or the network; as `take`, without waiting."""
        if self._session is not None and not self._session.closed and _answers(self._session):
            return
        self.let_go()
        self.take(wait=0.0)

    def let_go(self) -> None:
        """Ends the session, and with it the lock."""
        session, self._session = self._session, None
        if session is not None:
            session.invalidate()  # not back to the pool, where it would go on holding
            session.close()

    def _taken(self, session: Connection) -> bool:
        # Two numbers of 32 bits, as pg_locks shows a lock on one of 64.
        number = self._high << 32 | self._low
        signed = number - (1 << 64) if number >> 63 else number
        return bool(session.scalar(text("SELECT pg_try_advisory_lock(:number)"), {"number": signed}))

    def _other(self, session: Connection) -> str:
        who = session.scalar(text(_WHO), {"high": self._high, "low": self._low}) or "somebody"
        return (
            f"stand {self._stand}: expected nobody else at work on it, found a daemon at {who} with its records in "
            f"{self._where}; stop that one, or give this stand another name"
        )


def _answers(session: Connection) -> bool:
    try:
        return bool(session.scalar(text("SELECT 1")) == 1)
    except Exception:  # noqa: BLE001 - however it ended, it is taken anew
        return False
