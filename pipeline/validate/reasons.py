"""The sentence beside each quarantined record: what is wrong with it, with the value and the limits."""

from __future__ import annotations

import polars as pl

from pipeline.contract.fields import Kind
from pipeline.contract.rules import IN_ORDER, REFERENCES
from pipeline.validate.problems import no_problems


def with_reasons(kind: Kind, records: pl.DataFrame, broken: pl.DataFrame) -> pl.DataFrame:
    """Turn (index, rule, column) into problem lines with file, row, value and reason."""
    parts = [
        _lines(kind, records, rule, column, part["index"])
        for (rule, column), part in sorted(broken.group_by("rule", "column"), key=lambda item: item[0])
    ]
    return pl.concat([no_problems(), *parts])


def _lines(kind: Kind, records: pl.DataFrame, rule: str, column: str, index: pl.Series) -> pl.DataFrame:
    rows = records[index.cast(pl.UInt32)]
    value = _value(rows, kind, column)
    return rows.select("file", "row").with_columns(
        kind=pl.lit(kind.name),
        rule=pl.lit(rule),
        column=pl.lit(column),
        value=value,
        reason=_reason(kind, rows.with_columns(value__=value), rule, column),
    )


def _value(rows: pl.DataFrame, kind: Kind, column: str) -> pl.Series:
    name = column if column in rows.columns else kind.key[-1]
    values = rows[name]
    if values.dtype == pl.List(pl.String):
        return values.list.join(" ")
    if isinstance(values.dtype, pl.Datetime):
        return values.dt.to_string("%Y-%m-%dT%H:%M:%SZ")
    return values.cast(pl.String)


def _reason(kind: Kind, rows: pl.DataFrame, rule: str, column: str) -> pl.Series:
    said = pl.col("value__").fill_null("nothing")
    return rows.with_columns(reason__=_sentence(kind, rows, rule, column, said))["reason__"]


def _sentence(kind: Kind, rows: pl.DataFrame, rule: str, column: str, said: pl.Expr) -> pl.Expr:
    if rule == "required":
        return pl.lit(f"{column} is required and is missing")
    if rule == "range":
        field = kind.field(column)
        unit = f" {field.unit}" if field.unit else ""
        return pl.format(f"{column} is {{}}{unit}; possible is {field.low:g} to {field.high:g}{unit}", said)
    if rule == "vocabulary":
        return _vocabulary_sentence(kind, column, said)
    if rule == "vin_check_digit":
        return pl.format("vin {} does not carry its right check digit (49 CFR 565.15)", said)
    if rule == "trouble_code_form":
        return pl.format("{} holds what is not a trouble code: P, C, B or U, then four digits", said)
    if rule == "time_order":
        return _order_sentence(kind, rows, column, said)
    if rule == "reference":
        ref = next(r for r in REFERENCES if r.kind == kind.name and r.column == column)
        if "why__" in rows.columns:
            return pl.format(
                f"{column} {{}} names no accepted record of {ref.target}{{}}", said, pl.col("why__")
            )
        return pl.format(f"{column} {{}} names no accepted record of {ref.target}", said)
    if rule == "unique" and kind.name == "samples":
        told = "the recording holds a sample at t_s {} s already, with other content (first in {})"
        return pl.format(told, said, pl.col("first_file__"))
    if rule == "unique":
        first = pl.format("{} record {}", pl.col("first_file__"), pl.col("first_row__"))
        key = " and ".join(kind.key)
        return pl.format(f"{key} {{}} stands already in {{}}, with other content", said, first)
    if rule == "vehicle_agrees":
        return pl.format("the trace names vehicle {}, its job names {}", said, pl.col("job_vehicle__"))
    return pl.lit(f"breaks the rule {rule}")


def _vocabulary_sentence(kind: Kind, column: str, said: pl.Expr) -> pl.Expr:
    field = kind.field(column)
    choices = ", ".join(field.values) if field.values else "name=pass or name=fail with the contract's names"
    return pl.format(f"{column} says {{}}; the contract knows: {choices}", said)


def _order_sentence(kind: Kind, rows: pl.DataFrame, column: str, said: pl.Expr) -> pl.Expr:
    if kind.name == "samples":
        return pl.format("t_s {} s does not come after the sample before it; time must increase", said)
    order = next(o for o in IN_ORDER if o.kind == kind.name and o.later == column)
    return pl.format(
        f"{order.later} {{}} comes before {order.earlier} {{}}", said, _value(rows, kind, order.earlier)
    )
