"""The form in which broken rules are told: one line for each rule that each record broke."""

from __future__ import annotations

import polars as pl

#: one line for each rule broken by each record
PROBLEM_SCHEMA = {
    "file": pl.String,
    "row": pl.Int64,
    "kind": pl.String,
    "rule": pl.String,
    "column": pl.String,
    "value": pl.String,
    "reason": pl.String,
}


def no_problems() -> pl.DataFrame:
    return pl.DataFrame(schema=PROBLEM_SCHEMA)
