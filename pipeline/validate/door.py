"""The door: a frame goes in; what broke which rule comes out.

Nothing is dropped here. `at_the_door` returns one line for each rule that each record broke; the caller
keeps the records that broke none and writes the rest, with the lines, to the quarantine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.contract.fields import Kind
from pipeline.errors import OurFault
from pipeline.validate.facts import READER_RULES, record_facts
from pipeline.validate.problems import PROBLEM_SCHEMA, no_problems
from pipeline.validate.reasons import with_reasons

if TYPE_CHECKING:
    import great_expectations as gx


def record_problems(kind: Kind, records: pl.DataFrame, misread: pl.DataFrame) -> pl.DataFrame:
    """Judge records by themselves: shape, type, range, vocabulary, form, time order, what is required.

    Parameters
    ----------
    records : one row a record, with `file`, `row` and every field of the kind.
    misread : what the reader could not read (`file`, `row`, `rule`, `column`, `value`, `reason`).

    Returns
    -------
    One row for each rule that each record broke, columns of `PROBLEM_SCHEMA`.
    """
    if records.height == 0:
        return no_problems()
    from pipeline.validate.suites import record_suite

    frame = record_facts(kind, records, misread)
    broken = _judge(frame, record_suite(kind))
    # A value that was there but could not be read is not "missing" as well, and the reader's own
    # line says more than the yes-or-no fact does. What left its fields empty is told once.
    by_suite = broken.filter(~pl.col("rule").is_in(READER_RULES))
    told = misread.select("file", "row", "column")
    shapeless = misread.filter(_leaves_fields_untold(kind)).select("file", "row")
    found = (
        with_reasons(kind, records, by_suite)
        .join(told, on=["file", "row", "column"], how="anti")
        .join(shapeless, on=["file", "row"], how="anti")
    )
    reported = misread.with_columns(kind=pl.lit(kind.name)).select(list(PROBLEM_SCHEMA))
    _same_records(broken, records, misread)
    return pl.concat([reported, found.select(list(PROBLEM_SCHEMA))]).sort("file", "row", "rule", "column")


def _leaves_fields_untold(kind: Kind) -> pl.Expr:
    """Say of a reader's complaint whether it is why other fields of the record are empty.

    A record out of shape tells no field; neither does a sample whose raw response cannot be decoded.
    """
    raw = (pl.col("rule") == "obd_bytes") & (kind.name == "samples")
    return (pl.col("rule") == "shape") | raw


def lake_problems(kind: Kind, frame: pl.DataFrame) -> pl.DataFrame:
    """Judge how records fit together: uniqueness, references, agreement, order in a recording.

    `frame` carries the facts as columns (see `pipeline.validate.across`). Returns as `record_problems`.
    """
    if frame.height == 0:
        return no_problems()
    from pipeline.validate.suites import lake_suite

    broken = _judge(frame, lake_suite(kind))
    return (
        with_reasons(kind, frame, broken).select(list(PROBLEM_SCHEMA)).sort("file", "row", "rule", "column")
    )


def _judge(frame: pl.DataFrame, suite: gx.ExpectationSuite) -> pl.DataFrame:
    """Return (index, rule, column) for each row that broke each expectation of the suite."""
    from pipeline.validate.engine import validate

    asked = {
        column
        for expectation in suite.expectations
        for column in (
            getattr(expectation, "column", None),
            getattr(expectation, "column_A", None),
            getattr(expectation, "column_B", None),
        )
        if column
    }
    return validate(frame.select(sorted(asked)), suite)


def _same_records(broken: pl.DataFrame, records: pl.DataFrame, misread: pl.DataFrame) -> None:
    """Stop when a reader's complaint names a record that is not in the frame."""
    seen = broken.filter(pl.col("rule").is_in(READER_RULES)).select("index").n_unique()
    complained = misread.select("file", "row").unique().height
    if seen != complained:
        raise OurFault(
            f"the reader complained of {complained} records, but {seen} were found at the door",
            ", ".join(records["file"].unique().to_list()[:3]),
            "report this: a reader's row numbers do not match its records",
        )
