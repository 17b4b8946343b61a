"""The store: one database, asked and written from one thread, each call one short transaction."""

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy import delete, func, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from daq.access import opened_by
from daq.record import queries
from daq.record.engine import connect, for_reading, for_writing, shown
from daq.record.errors import (
    AlreadyFinishedError,
    DatabaseMissingError,
    DatabaseReplacedError,
    DatabaseUnreachableError,
    DatabaseUnwritableError,
    RecordError,
    UnknownRunError,
)
from daq.record.explain import explain
from daq.record.holding import Holding
from daq.record.models import Command, Configuration, Event, Outbox, PartRevision, Run
from daq.record.rows import fill, to_data
from daq.record.schema import check, ensure, known, move
from daq.record.values import (
    Alike,
    Attempt,
    Claim,
    Filter,
    Finished,
    Json,
    Message,
    RunLine,
    StartedRun,
    Stats,
    StoredEvent,
    StoredRun,
    stand_key,
)

ANSWERS_KEPT = timedelta(days=7)
"""How long an answer is kept for repeats. A repeat comes within seconds; a PLC's counter may come round in weeks."""


class Store:
    """All that is kept of runs. Every method may raise a RecordError; what it was writing then is not there at all."""

    def __init__(self, url: str, *, reads: bool = False) -> None:
        """With `reads` nothing is changed, neither tables nor a file; so it needs no right to write."""
        self._reads = reads
        self._engine = connect(url, reads=reads)
        self._reading, self._writing = for_reading(self._engine), for_writing(self._engine)
        self.where = shown(self._engine)
        self._holding: Holding | None = None
        self._file: Path | None = None
        self._is: tuple[int, int] | None = None

    def open(self) -> None:
        """Makes sure that the tables are there and known; makes them and the file, or brings them up to date, unless
        this store only reads.

        Raises:
            DatabaseMissingError: there is nothing, and none should be made.
            DatabaseUnreachableError, DatabaseRefusesError: a server does not answer, or does not let us in.
            SchemaError: the tables are a newer version's, or somebody else's; or an older one's, and we only read.
            MigrationError: tables could not be made.
        """
        if self._engine.dialect.name == "sqlite":
            self._prepare_file()
        with self._explained():
            (check if self._reads else ensure)(self._engine)
        if self._engine.dialect.name == "sqlite" and not self._reads:
            self._file = Path(self._engine.url.database or "")
            self._is = _place(self._file)

    def move(self, to: str) -> str | None:
        """Brings the tables to a revision of `schema.REVISIONS`, upwards or downwards; gives the one before.

        Raises:
            SchemaError: the tables are a newer version's, or somebody else's.
            MigrationError: they could not be brought there, and are as they were.
        """
        if self._engine.dialect.name == "sqlite":
            self._prepare_file()
        with self._explained():
            before = known(self._engine)
            if before != to:
                move(self._engine, to)
        return before

    def hold(self, stand: str) -> None:
        """Takes a stand (its key) until `close`, and lets go of one taken before, so that no other machine works it
        with this database. Where that is a file nothing is done: it has no other machine.

        Raises:
            StandTakenError: another one does.
        """
        if self._holding is not None:
            self._holding.let_go()
        if self._engine.dialect.name == "postgresql":
            self._holding = Holding(self._engine, stand, self.where)
            with self._explained():
                self._holding.take()

    def close(self) -> None:
        if self._holding is not None:
            self._holding.let_go()
        self._engine.dispose()

    def start_run(self, started: StartedRun) -> Attempt:
        """Writes the row of a run that begins, with the part and configuration in force.

        Raises:
            StandTakenError: another machine has taken the stand, while the server was away.
        """
        if self._holding is not None:
            with self._explained():
                self._holding.renew()
        try:
            return self._start(started)
        except DatabaseUnreachableError:  # a connection that breaks in the commit leaves open whether it was done
            return self._start(started)

    def _start(self, started: StartedRun) -> Attempt:
        with self._write() as session:
            if (there := session.get(Run, started.run)) is not None:
                return Attempt(there.attempt, tuple(there.earlier_runs))
            self._keep_what_was_in_force(session, started)
            earlier = queries.earlier_runs(session, started.part, started.serial, int(started.sim))
            session.add(_started_row(started, earlier))
        return Attempt(len(earlier) + 1, tuple(earlier))

    def event(self, stand: str, run: str | None, time: datetime, kind: str, body: Json) -> None:
        """Notes what happened on a stand (its key), in a run or outside of one."""
        with self._write() as session:
            session.add(Event(stand_key=stand, run=run, time=time, kind=kind, body=body))

    def finish_run(self, run: str, make: Callable[[int], Finished]) -> Finished:
        """Ends a run, in one transaction: takes the stand's next seq, has `make(seq)` say the result, writes it, its
        readings and findings, and the messages that must arrive. An exception of `make` leaves the run under way. A run
        that ended with this very result is left as it is: the commit had been done although its answer was lost.

        Raises:
            UnknownRunError: there is no such run.
            AlreadyFinishedError: it has another verdict or result already.
        """
        with self._write() as session:
            row = session.get(Run, run)
            if row is None:
                raise UnknownRunError(f"run {run}: it was never started in database {self.where}")
            return _finish(session, row, make)

    def close_unfinished(self, site: str, stand: str, make: Callable[[StoredRun, int], Finished]) -> list[Finished]:
        """Ends what a killed daemon left under way, oldest first, by way of `finish_run`; `make` words the result."""
        left = self.unfinished(site, stand)
        return [self.finish_run(run.run, lambda seq, run=run: make(run, seq)) for run in left]  # type: ignore[misc]

    def unfinished(self, site: str, stand: str) -> list[StoredRun]:
        """The stand's runs that are under way, or were when their daemon was killed, oldest first."""
        with self._read() as session:
            return [queries.stored(run) for run in queries.unfinished(session, site, stand)]

    def run(self, prefix: str) -> StoredRun:
        """The run whose id begins with `prefix`.

        Raises:
            UnknownRunError: none does, or several.
        """
        with self._read() as session:
            return queries.stored(queries.find_run(session, prefix))

    def scatters(self, alike: Alike, limit: int) -> list[Json]:
        """How channels scattered in the newest finished runs that are `alike`, newest first."""
        with self._read() as session:
            return queries.scatters(session, alike, limit)

    def newest(self, site: str, stand: str) -> StoredRun | None:
        """The stand's newest finished run, whose verdict is the one to show after a restart."""
        with self._read() as session:
            found = queries.newest_finished(session, site, stand)
            return None if found is None else queries.stored(found)

    def runs(self, wanted: Filter) -> list[RunLine]:
        with self._read() as session:
            return queries.list_runs(session, wanted)

    def events(self, run: str) -> list[StoredEvent]:
        """What happened in a run, in order."""
        with self._read() as session:
            return queries.events_of(session, run)

    def unsent(self, stand: str, limit: int) -> list[Message]:
        """The oldest messages of a stand (its key) that wait for the broker, in order."""
        with self._read() as session:
            return queries.unsent(session, stand, limit)

    def mark_sent(self, message: int, time: datetime) -> None:
        """The broker has acknowledged a message."""
        with self._write() as session:
            session.get_one(Outbox, message).sent = time

    def outbox_length(self, stand: str) -> int:
        """How many messages of a stand wait."""
        waiting = select(func.count()).where(Outbox.stand_key == stand, Outbox.sent.is_(None))
        with self._read() as session:
            return session.scalar(waiting) or 0

    def backlog(self, stand: str) -> tuple[int, datetime | None]:
        """How many messages of a stand wait, and since when the oldest does."""
        with self._read() as session:
            return queries.backlog(session, stand)

    def acknowledge(self, site: str, stand: str, seq: int, time: datetime) -> str:
        """Notes once that a verdict was read by whoever waits for it; gives its run.

        Raises:
            UnknownRunError: the stand has no run with this seq.
        """
        with self._write() as session:
            run = queries.run_of(session, site, stand, seq)
            if not queries.acknowledged(session, run):
                key, body = stand_key(site, stand), {"seq": seq}
                session.add(Event(stand_key=key, run=run, time=time, kind=queries.ACKNOWLEDGED, body=body))
            return run

    def unacknowledged(self, site: str, stand: str) -> int | None:
        """The seq of a stand's newest verdict, if nobody has acknowledged it."""
        with self._read() as session:
            newest = queries.newest_finished(session, site, stand)
            return None if newest is None or queries.acknowledged(session, newest.run) else newest.seq

    def send_again(self, site: str, stand: str, from_seq: int) -> None:
        """Lets the messages of the runs from a seq on wait once more, as they were and in their order.

        Raises:
            UnknownRunError: the stand has no run with this seq or a later one.
        """
        with self._write() as session:
            queries.run_of(session, site, stand, from_seq, or_later=True)
            session.execute(queries.unsend(site, stand, from_seq))

    def claim(self, stand: str, request_id: str, name: str, digest: str, time: datetime) -> Claim:
        """Takes up a request once: new for the first who asks, afterwards the stored answer, restarts included."""
        with self._write() as session:
            session.execute(delete(Command).where(Command.created < time - ANSWERS_KEPT))
            known = _claimed(session, stand, request_id, digest)
            if known.new:
                session.add(Command(stand_key=stand, request_id=request_id, name=name, created=time, digest=digest))
            return known

    def answer(self, stand: str, request_id: str, digest: str) -> Claim:
        """What `claim` would say, without taking the request up."""
        with self._read() as session:
            return _claimed(session, stand, request_id, digest)

    def remember(self, stand: str, request_id: str, reply: Json) -> None:
        """Stores the answer to a claimed request."""
        with self._write() as session:
            session.get_one(Command, (stand, request_id)).reply = reply

    def stats(self) -> Stats:
        with self._read() as session:
            return queries.stats(session)

    def _look_for_file(self) -> None:
        """An open file can be deleted or replaced, and goes on taking what nobody will ever read.

        Raises:
            DatabaseReplacedError: that has happened.
        """
        if self._file is None or (found := _place(self._file)) == self._is:
            return
        now = "no file" if found is None else "another file"
        raise DatabaseReplacedError(
            f"database {self._file}: expected the file that was opened at the start, found {now} under its name: it "
            "was moved, deleted or replaced while in use; move the original back and all goes on, or start the daemon "
            "again to work with what is there now: what waits to be stored is then kept in its recording only"
        )

    def _prepare_file(self) -> None:
        file = Path(self._engine.url.database or "")
        if self._reads:
            self._refuse_closed(file)
            if file.is_file():
                return
            raise DatabaseMissingError(
                f"database {file}: there is no such file; run a test first, or name another file"
            )
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise DatabaseUnwritableError(f"database {file}: its folder cannot be made: {error}") from error

    @staticmethod
    def _refuse_closed(file: Path) -> None:
        try:
            if not file.exists() or os.access(file, os.R_OK):
                return
        except PermissionError:  # its folder is closed
            pass
        raise DatabaseUnwritableError(
            f"database {file}: expected a file that you may read, found permission denied; {opened_by(file)}"
        )

    @staticmethod
    def _keep_what_was_in_force(session: Session, started: StartedRun) -> None:
        part = (started.part, started.part_revision, started.part_digest)
        if session.get(PartRevision, part) is None:
            of = dict(zip(("part", "revision", "digest"), part, strict=True))
            session.add(PartRevision(**of, body=started.part_body, first_used=started.started))
        if session.get(Configuration, started.config_digest) is None:
            session.add(Configuration(digest=started.config_digest, body=started.config, first_used=started.started))
        session.flush()

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            raise explain(self.where, error) from error

    @contextmanager
    def _write(self) -> Iterator[Session]:
        self._look_for_file()
        with self._explained(), Session(self._writing) as session, session.begin():
            yield session

    @contextmanager
    def _read(self) -> Iterator[Session]:
        with self._explained(), Session(self._reading) as session:
            yield session


def _started_row(started: StartedRun, earlier: list[str]) -> Run:
    same = ("run", "site", "stand", "mode", "source", "part", "part_revision", "part_digest", "kind", "serial")
    return Run(
        **{key: getattr(started, key) for key in same},
        **{key: getattr(started, key) for key in ("serial_given", "operator", "started", "versions")},
        sim=int(started.sim),
        work_order=started.order,
        configuration=started.config_digest,
        attempt=len(earlier) + 1,
        earlier_runs=earlier,
        rest={},
    )


def _finish(session: Session, run: Run, make: Callable[[int], Finished]) -> Finished:
    if run.ended is not None:
        return _same(run, make)
    seq = queries.next_seq(session, run.site, run.stand)
    finished = make(seq)
    _check_numbers(run.run, finished.data)
    fill(run, seq, finished.data)
    session.flush()
    for topic, payload in finished.messages:
        key = stand_key(run.site, run.stand)
        session.add(Outbox(stand_key=key, run=run.run, topic=topic, payload=payload, created=run.ended))
        session.flush()  # one by one, so that ids rise in the given order
    return finished


def _same(run: Run, make: Callable[[int], Finished]) -> Finished:
    again = None if run.seq is None else make(run.seq)
    if again is None or again.data != to_data(run):
        raise AlreadyFinishedError(f"run {run.run}: it ended with verdict {run.verdict}; a verdict is never changed")
    return again


def _check_numbers(run: str, data: Json) -> None:
    """SQLite would keep a NaN as null without a word."""
    try:
        json.dumps(data, allow_nan=False)
    except ValueError as error:
        raise RecordError(f"run {run}: the result holds a number that is none (NaN or infinite): {error}") from error


def _claimed(session: Session, stand: str, request_id: str, digest: str) -> Claim:
    known = session.get(Command, (stand, request_id))
    if known is None:
        return Claim(new=True)
    return Claim(new=False, reply=known.reply, same=known.digest in (None, digest))


def _place(file: Path) -> tuple[int, int] | None:
    """Device and inode of a file; None where there is none."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
