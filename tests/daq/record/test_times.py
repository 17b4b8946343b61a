"""Moments: aware and UTC inside, RFC 3339 outside."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from daq.record.times import parse_rfc3339, rfc3339, utc


def test_another_zone_becomes_utc_with_z() -> None:
    moment = datetime(2031, 5, 4, 9, 12, 9, 120_999, tzinfo=timezone(timedelta(hours=2)))
    assert rfc3339(moment) == "2031-05-04T07:12:09.120Z"
    assert rfc3339(moment, "seconds") == "2031-05-04T07:12:09Z"


def test_reading_back() -> None:
    assert parse_rfc3339("2031-05-04T07:12:09.120Z") == datetime(2031, 5, 4, 7, 12, 9, 120_000, tzinfo=UTC)


def test_a_moment_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        utc(datetime(2031, 5, 4))  # noqa: DTZ001
