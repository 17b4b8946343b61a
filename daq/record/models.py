"""The tables, as an auditor would query them. Values stand in the results contract's units (kPa, L/h, A, V, Cel, s).

Only types that SQLite and PostgreSQL share: ids are text, moments are UTC, whatever has no column of its own is JSON.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, ForeignKey, Index, Integer, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from daq.record.times import UtcDateTime

Json = dict[str, Any]
RUN_ID = String(36)
NAME = String(80)
COUNTED = BigInteger().with_variant(Integer, "sqlite")  # only an INTEGER, which has 64 bits there, counts by itself

# Named by rule, so that a later migration can find what it changes.
_NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Root of the tables: what a Python type is in a column."""

    metadata = MetaData(naming_convention=_NAMING)
    type_annotation_map = {  # noqa: RUF012 (the name and form are the library's)
        Json: JSON(none_as_null=True),
        list[Any]: JSON(none_as_null=True),
        datetime: UtcDateTime(),
        str: Text(),
    }


class Configuration(Base):
    """A stand configuration that was in force, by the digest of its text."""

    __tablename__ = "configuration"

    digest: Mapped[str] = mapped_column(NAME, primary_key=True)
    body: Mapped[Json]
    first_used: Mapped[datetime]


class PartRevision(Base):
    """A part as it was in force; a text that changed under the same revision number has another digest."""

    __tablename__ = "part_revision"

    part: Mapped[str] = mapped_column(NAME, primary_key=True)
    revision: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(NAME, primary_key=True)
    body: Mapped[Json]
    first_used: Mapped[datetime]


class Run(Base):
    """One unit tested once. The row exists from the start; while `ended` is null the run is under way."""

    __tablename__ = "run"
    __table_args__ = (
        UniqueConstraint("site", "stand", "seq"),
        Index(None, "part", "serial"),
        Index(None, "started"),
    )

    run: Mapped[str] = mapped_column(RUN_ID, primary_key=True)
    site: Mapped[str] = mapped_column(NAME)
    stand: Mapped[str] = mapped_column(NAME)
    seq: Mapped[int | None]
    mode: Mapped[str] = mapped_column(NAME)
    sim: Mapped[int]
    source: Mapped[str]
    part: Mapped[str] = mapped_column(NAME)
    part_revision: Mapped[int]
    part_digest: Mapped[str] = mapped_column(NAME)
    kind: Mapped[str] = mapped_column(NAME)
    serial: Mapped[str] = mapped_column(NAME)
    serial_given: Mapped[bool]
    work_order: Mapped[str | None]
    operator: Mapped[str | None]
    attempt: Mapped[int]
    earlier_runs: Mapped[list[Any]]
    configuration: Mapped[str] = mapped_column(NAME, ForeignKey("configuration.digest"))
    started: Mapped[datetime]
    ended: Mapped[datetime | None]
    pump_on_s: Mapped[float | None]
    verdict: Mapped[str | None] = mapped_column(NAME)
    why: Mapped[str | None]
    trace_file: Mapped[str | None]
    trace_sha256: Mapped[str | None] = mapped_column(String(64))
    trace_bytes: Mapped[int | None] = mapped_column(BigInteger)
    recording_file: Mapped[str | None]
    recording_sha256: Mapped[str | None] = mapped_column(String(64))
    recording_bytes: Mapped[int | None] = mapped_column(BigInteger)
    conditions: Mapped[Json | None]
    hints: Mapped[list[Any] | None]
    quality: Mapped[Json | None]
    versions: Mapped[Json]
    rest: Mapped[Json]

    readings: Mapped[list["Reading"]] = relationship(order_by="Reading.position")
    findings: Mapped[list["Finding"]] = relationship(order_by="Finding.position")


class Reading(Base):
    """A quantity's value in a steady stage: `standard_u` is u, `expanded_u` is U; an interval where it has no value."""

    __tablename__ = "reading"

    run: Mapped[str] = mapped_column(RUN_ID, ForeignKey("run.run"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    quantity: Mapped[str] = mapped_column(NAME)
    stage: Mapped[str] = mapped_column(NAME)
    value: Mapped[float | None]
    unit: Mapped[str] = mapped_column(NAME)
    reference: Mapped[str | None] = mapped_column(NAME)
    standard_u: Mapped[float | None]
    expanded_u: Mapped[float | None]
    k: Mapped[float | None]
    dof: Mapped[float | None]
    n_effective: Mapped[float | None]
    window_from_s: Mapped[float | None]
    window_to_s: Mapped[float | None]
    interval_low: Mapped[float | None]
    interval_high: Mapped[float | None]
    corrections: Mapped[Json | None]
    flags: Mapped[list[Any] | None]
    rest: Mapped[Json]


class Finding(Base):
    """The judgement on one requirement. `at_least` and `at_most` stand in `unit`, `at_value` in `at_unit`."""

    __tablename__ = "finding"

    run: Mapped[str] = mapped_column(RUN_ID, ForeignKey("run.run"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    requirement: Mapped[str]
    quantity: Mapped[str] = mapped_column(NAME)
    stage: Mapped[str] = mapped_column(NAME)
    at_value: Mapped[float | None]
    at_unit: Mapped[str | None] = mapped_column(NAME)
    at_reference: Mapped[str | None] = mapped_column(NAME)
    after_s: Mapped[float | None]
    at_least: Mapped[float | None]
    at_most: Mapped[float | None]
    unit: Mapped[str | None] = mapped_column(NAME)
    reference: Mapped[str | None] = mapped_column(NAME)
    mode: Mapped[str] = mapped_column(NAME)
    guard: Mapped[float]
    reading: Mapped[str | None]
    finding: Mapped[str] = mapped_column(NAME)
    p_conform: Mapped[float | None]
    rest: Mapped[Json]


class Event(Base):
    """Something that happened on a stand (`stand_key` is site/stand), within a run or outside of one."""

    __tablename__ = "event"
    __table_args__ = (Index(None, "run"), Index(None, "stand_key", "time"))

    id: Mapped[int] = mapped_column(COUNTED, primary_key=True, autoincrement=True)
    stand_key: Mapped[str] = mapped_column(NAME)
    run: Mapped[str | None] = mapped_column(RUN_ID, ForeignKey("run.run"))
    time: Mapped[datetime]
    kind: Mapped[str] = mapped_column(NAME)
    body: Mapped[Json]


class Outbox(Base):
    """Messages that must arrive, in the order of their ids; `sent` is when the broker acknowledged."""

    __tablename__ = "outbox"
    __table_args__ = (Index(None, "stand_key", "sent", "id"),)

    id: Mapped[int] = mapped_column(COUNTED, primary_key=True, autoincrement=True)
    stand_key: Mapped[str] = mapped_column(NAME)
    run: Mapped[str] = mapped_column(RUN_ID, ForeignKey("run.run"))
    topic: Mapped[str]
    payload: Mapped[str]
    created: Mapped[datetime]
    sent: Mapped[datetime | None]


class Command(Base):
    """A request that was taken up, and the answer to it; `reply` is null until it is known, `digest` (of its name and
    content) in a row from before there were digests."""

    __tablename__ = "command"
    __table_args__ = (Index(None, "created"),)

    stand_key: Mapped[str] = mapped_column(NAME, primary_key=True)
    request_id: Mapped[str] = mapped_column(NAME, primary_key=True)
    name: Mapped[str] = mapped_column(NAME)
    created: Mapped[datetime]
    reply: Mapped[Json | None]
    digest: Mapped[str | None] = mapped_column(NAME)
