"""Days and moments: ISO 8601, declared formats, local time; what cannot be placed is not guessed."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.lake.times import to_date, to_time


def moment(
    text: str | None, form: str | None = None, zone: str | None = None
) -> tuple[datetime | None, str | None]:
    read = to_time(pl.Series([text], dtype=pl.String), form, zone)
    assert read.values.dtype == pl.Datetime("us", "UTC")
    return read.values[0], None if read.reasons is None else read.reasons[0]


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # RFC 3339, section 5.8, "Examples" (values from memory)
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        # the same section's leap second; a clock without leap seconds shows the next minute
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        # ISO 8601 basic form, short offsets, comma as the mark (common practice)
        ("20240229T061500Z", datetime(2024, 2, 29, 6, 15, tzinfo=UTC)),
        ("2024-02-29 06:15+0530", datetime(2024, 2, 29, 0, 45, tzinfo=UTC)),
        ("2024-02-29T06:15:00,25-07", datetime(2024, 2, 29, 13, 15, 0, 250_000, UTC)),
        ("2024-02-29T06:15:00.123456789z", datetime(2024, 2, 29, 6, 15, 0, 123_456, UTC)),
    ],
)
def test_times_that_say_where_they_are(text: str, utc: datetime):
    assert moment(text) == (utc, None)


@pytest.mark.parametrize(
    "text",
    ["2023-02-29T00:00:00Z", "2024-13-01T00:00:00Z", "2024-01-01T24:30:00Z", "2024-01-01T00:00:00+15:00",
     "2024-01-01T00:00:00+05:75", "1/2/2024 03:04", "last Tuesday", "1709187300", "2024-01-01T00:00:00 PST"],
)  # fmt: skip
def test_what_is_no_time_is_misread(text: str):
    value, reason = moment(text, zone="UTC")
    assert value is None
    assert reason == "This is not a time in ISO 8601."


def test_a_time_or_day_without_a_zone_is_not_guessed():
    assert moment("2024-05-17T09:40:00") == (
        None,
        "A time without a zone cannot be placed: the source declares no time_zone.",
    )
    assert "A day alone cannot be placed" in str(moment("2024-05-17")[1])
    assert moment("2024-05-17", zone="America/Phoenix") == (datetime(2024, 5, 17, 7, tzinfo=UTC), None)
    assert moment(None, zone="America/Phoenix") == (None, None)


@pytest.mark.parametrize("text", ["2024-03-10T02:30:00", "2024-11-03T01:30:00"])
def test_a_local_time_that_came_twice_or_never_is_misread(text: str):
    value, reason = moment(text, zone="America/New_York")
    assert value is None
    assert "twice or never" in str(reason)


zones = st.sampled_from(
    ["America/New_York", "America/Phoenix", "Europe/Berlin", "Australia/Lord_Howe", "UTC"]
)


@given(st.datetimes(datetime(1990, 1, 1), datetime(2037, 1, 1)), zones)
@settings(max_examples=60)
@example(datetime(2024, 3, 10, 2, 30), "America/New_York")
@example(datetime(2024, 10, 27, 2, 0), "Europe/Berlin")
@example(datetime(2024, 4, 7, 1, 45), "Australia/Lord_Howe")
def test_local_times_agree_with_the_standard_library(wall: datetime, zone: str):
    """Reference: zoneinfo of Python's standard library, both folds."""
    first, second = (wall.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1))
    value, reason = moment(wall.isoformat(), zone=zone)
    if first == second:
        assert (value, reason) == (first, None)
    else:
        assert value is None
        assert reason is not None


def test_a_declared_format_comes_first_and_iso_after_it():
    form = "%d/%m/%Y %H:%M"
    assert moment("05/03/2024 10:15", form, "America/Phoenix")[0] == datetime(2024, 3, 5, 17, 15, tzinfo=UTC)
    assert moment("2024-03-05T10:15:00Z", form)[0] == datetime(2024, 3, 5, 10, 15, tzinfo=UTC)
    assert "or in the declared form %d/%m/%Y %H:%M" in str(moment("03-05-2024", form, "UTC")[1])
    assert "without a zone" in str(moment("05/03/2024 10:15", form)[1])
    assert moment("05.03.24 11:15 PM +0100", "%d.%m.%y %I:%M %p %z")[0] == datetime(
        2024, 3, 5, 22, 15, tzinfo=UTC
    )
    assert moment("05/03/2024", "%d/%m/%Y", "America/Phoenix")[0] == datetime(2024, 3, 5, 7, tzinfo=UTC)
    assert "A day alone" in str(moment("05/03/2024", "%d/%m/%Y")[1])
    assert moment("1709187300", "%s")[0] == datetime.fromtimestamp(1709187300, UTC)


def test_stored_times_pass_by_their_type():
    wall = datetime(2024, 3, 5, 10, 15)
    phoenix = pl.Series([wall], dtype=pl.Datetime("ms")).dt.replace_time_zone("America/Phoenix")
    assert to_time(phoenix).values.to_list() == [wall.replace(tzinfo=UTC) + timedelta(hours=7)]
    naive = pl.Series([wall], dtype=pl.Datetime("ns"))
    assert to_time(naive).values.to_list() == [None]
    assert to_time(naive, time_zone="America/Phoenix").values[0] == datetime(2024, 3, 5, 17, 15, tzinfo=UTC)
    assert to_time(pl.Series([date(2024, 3, 5)]), time_zone="UTC").values[0] == datetime(
        2024, 3, 5, tzinfo=UTC
    )
    refused = to_time(pl.Series([1709187300]))
    assert refused.values.to_list() == [None]
    assert refused.reasons is not None


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-02-29", date(2024, 2, 29)),
        ("20240229", date(2024, 2, 29)),
        ("2024-02-29T00:00:00", date(2024, 2, 29)),
        ("2024-02-29 00:00:00.000", date(2024, 2, 29)),
        ("29.02.2024", date(2024, 2, 29)),
        ("2024-02-29T00:01:00", None),
        ("2023-02-29", None),
        ("2024-02-29T00:00:00Z", date(2024, 2, 29)),
        ("2024-02-29T01:00:00Z", None),
        ("29/02/2024", None),
    ],
)
def test_days(text: str, day: date | None):
    read = to_date(pl.Series([text]), "%d.%m.%Y")
    assert read.values.to_list() == [day]
    assert (read.reasons is None) == (day is not None)


def test_stored_days():
    midnight = pl.Series([datetime(2024, 2, 29), datetime(2024, 2, 29, 1), None])
    read = to_date(midnight)
    assert read.values.to_list() == [date(2024, 2, 29), None, None]
    assert read.reasons is not None
    assert read.reasons.is_not_null().to_list() == [False, True, False]
    assert to_date(pl.Series([45_000])).values.to_list() == [None]
