"""Read dates and times: ISO 8601 or a declared format, stored in UTC; a time that cannot be placed is not guessed."""

from __future__ import annotations

import polars as pl

from pipeline.lake.converted import Converted, as_text, converted, missing, refused, sentences

_UTC = pl.Datetime("us", "UTC")
_MIDNIGHT = r"^(\d{4}-\d{2}-\d{2})(?:[T ]00:00(?::00(?:\.0+)?)?(?:Z|[+\-]\d{2}:?\d{2})?)?$"
_ISO = (
    r"^(?<year>\d{4})-?(?<month>\d{2})-?(?<day>\d{2})"
    r"(?:[T ](?<hour>\d{2}):?(?<minute>\d{2})(?::?(?<second>\d{2})(?:[.,](?<fraction>\d{1,9}))?)?"
    r" ?(?<zone>Z|z|UTC|[+\-](?:0\d|1[0-4])(?::?[0-5]\d)?)?)?$"
)
_CLOCK = (
    r"^(?:\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[T ])?(?<hour>[01]?\d|2[0-3]):(?<minute>[0-5]\d):(?<second>[0-5]\d)"
    r"(?:[.,](?<fraction>\d{1,9}))? ?(?:Z|z|UTC|[+\-]\d{2}:?\d{2})?$"
)
_UNREADABLE = "This is not a time in ISO 8601{}."
_NO_ZONE = "A time without a zone cannot be placed: the source declares no time_zone."
_NO_DAY_ZONE = "A day alone cannot be placed in time: the source declares no time_zone."
_TWICE_OR_NEVER = "The clocks of {} were changed then: this local time came twice or never."


def to_date(raw: pl.Series, date_format: str | None = None) -> Converted:
    """Read days: ISO 8601 (2024-03-31 or 20240331), the declared format, or a time at midnight.

    Parameters
    ----------
    raw : text without blanks around it, or dates or times as they are stored
    date_format : as `strftime` takes it; tried first

    Returns
    -------
    Date.
    """
    if raw.dtype == pl.Date:
        return Converted(raw)
    if isinstance(raw.dtype, pl.Datetime):
        wall = raw.dt.replace_time_zone(None)
        days = wall.dt.date()
        midnight = (wall == days.cast(wall.dtype)).fill_null(False)
        return converted(raw, days.set(~midnight, None), "A day is due here, and this is a time of day.")
    if raw.dtype != pl.String:
        return refused(raw, pl.Date(), "This is not a day.")
    iso = raw.str.extract(_MIDNIGHT).str.to_date("%Y-%m-%d", strict=False)
    short = raw.str.extract(r"^(\d{8})$").str.to_date("%Y%m%d", strict=False)
    days = iso.zip_with(iso.is_not_null(), short)
    if date_format:
        declared = raw.str.to_datetime(date_format, strict=False, time_unit="us").dt.date()
        days = declared.zip_with(declared.is_not_null(), days)
    return converted(raw, days, f"This is not a day in ISO 8601{_or(date_format)}.")


def _or(declared: str | None) -> str:
    return f" or in the declared form {declared}" if declared else ""


def to_time(raw: pl.Series, datetime_format: str | None = None, time_zone: str | None = None) -> Converted:
    """Read moments and turn them into UTC.

    Parameters
    ----------
    raw : text without blanks around it, or dates or times as they are stored
    datetime_format : as `strftime` takes it; tried first, ISO 8601 after it
    time_zone : zone of the times that bear none; without it they cannot be placed. A day alone is its midnight there.

    Returns
    -------
    Datetime in UTC. A local time that the clocks showed twice or never cannot be read.
    """
    if raw.dtype == pl.Date:
        return _placed(raw, raw.cast(pl.Datetime("us")), time_zone, is_day=True)
    if isinstance(raw.dtype, pl.Datetime):
        if raw.dtype.time_zone is not None:
            return Converted(raw.dt.convert_time_zone("UTC").cast(_UTC))
        return _placed(raw, raw.cast(pl.Datetime("us")), time_zone)
    if raw.dtype != pl.String:
        return refused(raw, _UTC, _UNREADABLE.format(_or(datetime_format)))
    if datetime_format is None:
        return _iso_times(raw, time_zone)
    declared = _declared_times(raw, datetime_format, time_zone)
    return _either(declared, raw, datetime_format, time_zone)


def _declared_times(raw: pl.Series, form: str, time_zone: str | None) -> Converted:
    moments = raw.str.to_datetime(form, strict=False, time_unit="us")
    if moments.dtype == _UTC:
        return Converted(moments)
    zone = "UTC" if "%s" in form else time_zone
    return _placed(
        moments, moments, zone, is_day=not any(d in form for d in ("%H", "%I", "%T", "%R", "%s", "%c"))
    )


def _either(declared: Converted, raw: pl.Series, form: str, time_zone: str | None) -> Converted:
    """Read as ISO 8601 what the declared format does not fit."""
    is_declared = declared.values.is_not_null()
    if declared.reasons is not None:
        is_declared = is_declared | declared.reasons.is_not_null()
    if (is_declared | raw.is_null()).all():
        return declared
    iso = _iso_times(raw.set(is_declared, None), time_zone, _or(form))
    values = declared.values.zip_with(is_declared, iso.values)
    nothing = missing(len(raw), pl.String())
    first = nothing if declared.reasons is None else declared.reasons
    second = nothing if iso.reasons is None else iso.reasons
    return Converted(values, first.zip_with(is_declared, second))


def _iso_times(raw: pl.Series, time_zone: str | None, or_declared: str = "") -> Converted:
    part = raw.str.extract_groups(_ISO).struct.unnest()
    is_day = part["hour"].is_null() & part["year"].is_not_null()
    wall = part.select(
        pl.concat_str(
            "year", pl.lit("-"), "month", pl.lit("-"), "day", pl.lit("T"), pl.col("hour").fill_null("00"),
            pl.lit(":"), pl.col("minute").fill_null("00"), pl.lit(":"), pl.col("second").fill_null("00"),
            pl.lit("."), pl.col("fraction").fill_null("0"),
        ).str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", strict=False, time_unit="us")
    ).to_series()  # fmt: skip
    has_zone = part["zone"].is_not_null()
    values = (wall - _offset(part["zone"])).dt.replace_time_zone("UTC")
    reasons = sentences(wall.is_null() & raw.is_not_null(), _UNREADABLE.format(or_declared))
    if not (has_zone | wall.is_null()).all():
        local = _placed(wall, wall.set(has_zone, None), time_zone)
        values = values.zip_with(has_zone, local.values)
        if local.reasons is not None:
            naive = local.reasons if time_zone else _naive_reasons(is_day)
            reasons = reasons.zip_with(reasons.is_not_null(), naive.set(has_zone | wall.is_null(), None))
    else:
        values = values.set(~has_zone, None)
    return Converted(values, reasons if reasons.is_not_null().any() else None)


def _naive_reasons(is_day: pl.Series) -> pl.Series:
    return pl.select(pl.when(is_day).then(pl.lit(_NO_DAY_ZONE)).otherwise(pl.lit(_NO_ZONE))).to_series()


def _offset(zone: pl.Series) -> pl.Series:
    """Turn +02:00, +0200, +02 or Z into a duration; null (no zone) counts as none."""
    digits = zone.str.replace_all(r"[^0-9]", "").str.pad_end(4, "0")
    digits = digits.set(zone.is_null() | zone.str.contains("(?i)z|UTC"), "0000")
    minutes = digits.str.slice(0, 2).cast(pl.Int64) * 60 + digits.str.slice(2, 2).cast(pl.Int64)
    sign = zone.str.starts_with("-").fill_null(False).cast(pl.Int64) * -2 + 1
    return (minutes * sign * 60_000_000).cast(pl.Duration("us"))


def _placed(raw: pl.Series, wall: pl.Series, time_zone: str | None, is_day: bool = False) -> Converted:
    """Put local times into UTC; `raw` says where there is a value."""
    if time_zone is None:
        return refused(raw, _UTC, _NO_DAY_ZONE if is_day else _NO_ZONE)
    placed = wall.dt.replace_time_zone(time_zone, ambiguous="null", non_existent="null").dt.convert_time_zone(
        "UTC"
    )
    present = wall.set(raw.is_null(), None)
    return converted(present, placed, _TWICE_OR_NEVER.format(time_zone))


def seconds_of_day(raw: pl.Series) -> Converted:
    """Read times of day, alone or after a date, as seconds since midnight: 08:15:30.25 is 29730.25.

    What a recording goes on with after midnight lies before its beginning, and is refused like any clock set back.
    """
    part = as_text(raw).str.extract_groups(_CLOCK).struct.unnest()
    hour, minute, second = (part[name].cast(pl.Float64) for name in ("hour", "minute", "second"))
    values = hour * 3600 + minute * 60 + second + ("0." + part["fraction"].fill_null("0")).cast(pl.Float64)
    return converted(raw, values, "This is not a time of day: hh:mm:ss, alone or after a date.")
