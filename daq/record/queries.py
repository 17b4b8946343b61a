"""Questions to the record. Each takes a session and gives plain values."""

from datetime import datetime

from sqlalchemy import ColumnElement, Update, func, select, update
from sqlalchemy.orm import Session

from daq.record.errors import UnknownRunError
from daq.record.models import Event, Json, Outbox, Run
from daq.record.rows import to_data
from daq.record.values import Alike, Filter, Message, RunLine, Stats, StoredEvent, StoredRun, stand_key

UNDER_WAY = "under way"
ACKNOWLEDGED = "acknowledged"
"""The kind of event that says that a verdict was read."""


def stored(run: Run) -> StoredRun:
    """A row with what hangs on it, as a plain value."""
    return StoredRun(run.run, run.part_digest, run.configuration, run.source, to_data(run))


def find_run(session: Session, prefix: str) -> Run:
    """The one run whose id begins with `prefix`.

    Raises:
        UnknownRunError: there is none, or more than one.
    """
    begins = Run.run.startswith(prefix.lower(), autoescape=True)
    found = session.scalars(select(Run).where(begins).order_by(Run.run).limit(2)).all()
    if not prefix or not found:
        raise UnknownRunError(f"run {prefix!r}: no run has an id that begins so; list the runs to see their ids")
    if len(found) > 1:
        raise UnknownRunError(
            f"run {prefix!r}: several runs begin so, such as {found[0].run} and {found[1].run}; give more"
        )
    return found[0]


def list_runs(session: Session, wanted: Filter) -> list[RunLine]:
    """The newest runs that pass the filter, newest first."""
    query = select(Run).where(*_conditions(wanted)).order_by(Run.started.desc(), Run.run.desc()).limit(wanted.limit)
    return [_line(run) for run in session.scalars(query)]


def _conditions(wanted: Filter) -> list[ColumnElement[bool]]:
    equal = {
        Run.site: wanted.site,
        Run.stand: wanted.stand,
        Run.part: wanted.part,
        Run.serial: wanted.serial,
        Run.work_order: wanted.order,
        Run.verdict: wanted.verdict,
    }
    found = [column == value for column, value in equal.items() if value is not None]
    if wanted.since is not None:
        found.append(Run.started >= wanted.since)
    if wanted.until is not None:
        found.append(Run.started < wanted.until)
    return found


def _line(run: Run) -> RunLine:
    same = (
        "run",
        "seq",
        "site",
        "stand",
        "part",
        "part_revision",
        "serial",
        "attempt",
        "started",
        "ended",
        "verdict",
        "why",
    )
    return RunLine(**{key: getattr(run, key) for key in same}, sim=bool(run.sim))


def earlier_runs(session: Session, part: str, serial: str, sim: int) -> list[str]:
    """The runs of a part and serial, oldest first; simulated runs and real ones don't count for each other."""
    same = (Run.part == part, Run.serial == serial, Run.sim == sim)
    return list(session.scalars(select(Run.run).where(*same).order_by(Run.started, Run.run)))


def scatters(session: Session, alike: Alike, limit: int) -> list[Json]:
    """How channels scattered in the newest finished runs that are `alike`, newest first. Void ones, and those of an
    older version, say nothing."""
    same = (
        Run.site == alike.site,
        Run.stand == alike.stand,
        Run.part == alike.part,
        Run.part_digest == alike.part_digest,
        Run.configuration == alike.config_digest,
        Run.sim == int(alike.sim),
        Run.seq.is_not(None),
        Run.verdict != "void",
    )
    query = select(Run.rest).where(*same).order_by(Run.seq.desc()).limit(limit)
    return [rest["scatter"] for rest in session.scalars(query) if rest.get("scatter")]


def next_seq(session: Session, site: str, stand: str) -> int:
    """One more than the newest finished run of a stand has; to be asked within the transaction that uses it."""
    newest = session.scalar(select(func.max(Run.seq)).where(Run.site == site, Run.stand == stand))
    return (newest or 0) + 1


def newest_finished(session: Session, site: str, stand: str) -> Run | None:
    """The finished run with the highest seq of a stand."""
    finished = (Run.site == site, Run.stand == stand, Run.seq.is_not(None))
    return session.scalars(select(Run).where(*finished).order_by(Run.seq.desc()).limit(1)).first()


def run_of(session: Session, site: str, stand: str, seq: int, *, or_later: bool = False) -> str:
    """The run of a stand with a seq, or the first one from there on.

    Raises:
        UnknownRunError: there is none.
    """
    fits = Run.seq >= seq if or_later else Run.seq == seq
    query = select(Run.run).where(Run.site == site, Run.stand == stand, fits).order_by(Run.seq).limit(1)
    if (found := session.scalar(query)) is not None:
        return found
    newest = next_seq(session, site, stand) - 1
    there = f"1 to {newest}" if newest else "none yet"
    raise UnknownRunError(f"stand {site}/{stand}: no verdict has seq {seq}; found {there}; take it from `verdict`")


def acknowledged(session: Session, run: str) -> bool:
    """Whether somebody said that the verdict on a run was read."""
    query = select(Event.id).where(Event.run == run, Event.kind == ACKNOWLEDGED).limit(1)
    return session.scalar(query) is not None


def unsend(site: str, stand: str, from_seq: int) -> Update:
    """Makes messages wait again; they keep their ids, so that they go out before whatever is younger."""
    runs = select(Run.run).where(Run.site == site, Run.stand == stand, Run.seq >= from_seq)
    ours = (Outbox.stand_key == stand_key(site, stand), Outbox.run.in_(runs))
    return update(Outbox).where(*ours).values(sent=None).execution_options(synchronize_session=False)


def unfinished(session: Session, site: str, stand: str) -> list[Run]:
    """The runs of a stand without an end, oldest first."""
    open_ = (Run.site == site, Run.stand == stand, Run.ended.is_(None))
    return list(session.scalars(select(Run).where(*open_).order_by(Run.started, Run.run)))


def events_of(session: Session, run: str) -> list[StoredEvent]:
    """What happened in a run, in order."""
    query = select(Event).where(Event.run == run).order_by(Event.id)
    return [StoredEvent(e.time, e.kind, e.body) for e in session.scalars(query)]


def unsent(session: Session, stand_key: str, limit: int) -> list[Message]:
    """The oldest messages of a stand that the broker has not acknowledged."""
    waiting = (Outbox.stand_key == stand_key, Outbox.sent.is_(None))
    query = select(Outbox).where(*waiting).order_by(Outbox.id).limit(limit)
    return [Message(m.id, m.topic, m.payload) for m in session.scalars(query)]


def backlog(session: Session, stand_key: str) -> tuple[int, datetime | None]:
    """How many messages of a stand wait, and since when the oldest does."""
    waiting = (Outbox.stand_key == stand_key, Outbox.sent.is_(None))
    number, oldest = session.execute(select(func.count(), func.min(Outbox.created)).where(*waiting)).one()
    return number, oldest


def stats(session: Session) -> Stats:
    """Counts over the whole database."""
    counts = session.execute(select(Run.verdict, func.count()).group_by(Run.verdict)).all()
    waiting = select(func.count(), func.min(Outbox.created)).where(Outbox.sent.is_(None))
    number, oldest = session.execute(waiting).one()
    return Stats({verdict or UNDER_WAY: count for verdict, count in counts}, number, oldest)
