"""A run that stops says in which column most records were refused."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.errors import DataStopsRun
from pipeline.steps.refusals import Tally


def test_the_column_of_the_commonest_reason_is_named() -> None:
    """A decimal mark that does not fit one column says nothing of which column it is."""
    rows = pl.DataFrame({"file": ["north/orders.csv"] * 3, "row": [1, 2, 3]})
    problems = rows.with_columns(
        rule=pl.lit("type"), column=pl.lit("odometer_km"), reason=pl.lit("This is not a number.")
    )
    tally = Tally()
    tally.count(rows, problems)
    with pytest.raises(DataStopsRun, match="most often: odometer_km: This is not a number"):
        tally.stop_if_too_many(0.5)


def test_a_whole_record_that_is_refused_names_no_column() -> None:
    rows = pl.DataFrame({"file": ["north/orders.csv"], "row": [1]})
    problems = rows.with_columns(
        rule=pl.lit("shape"), column=pl.lit(None, pl.String), reason=pl.lit("The record has 1 field.")
    )
    tally = Tally()
    tally.count(rows, problems)
    with pytest.raises(DataStopsRun, match="most often: The record has 1 field"):
        tally.stop_if_too_many(0.5)
