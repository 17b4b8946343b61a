"""Moments: aware and in UTC inside, RFC 3339 with `Z` outside."""

from datetime import UTC, datetime

from sqlalchemy import DateTime, Dialect
from sqlalchemy.types import TypeDecorator


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC on every database; SQLite keeps no zone, so it is put back on reading.

    Raises:
        ValueError: a moment without a zone was given.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else utc(value)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def utc(moment: datetime) -> datetime:
    """The same moment in UTC.

    Raises:
        ValueError: it has no zone, so nobody knows which moment it is.
    """
    if moment.tzinfo is None:
        raise ValueError(f"moment {moment.isoformat()} has no time zone; expected an aware datetime, such as in UTC")
    return moment.astimezone(UTC)


def rfc3339(moment: datetime, timespec: str = "milliseconds") -> str:
    """RFC 3339 in UTC with `Z`; finer digits are cut off, so that a time is never in the future."""
    return utc(moment).replace(tzinfo=None).isoformat(timespec=timespec) + "Z"


def parse_rfc3339(text: str) -> datetime:
    """The moment that `rfc3339` wrote."""
    return utc(datetime.fromisoformat(text))
