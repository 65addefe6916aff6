"""Do units that replaced one fail more often than first units of the same age?"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import REPLACEMENT_UNIT
from pipeline.contract.vocabulary import DAYS_PER_YEAR
from pipeline.estimates.compared import compared, why_no_ratio
from pipeline.estimates.component_life import with_ages
from pipeline.estimates.table_shape import as_table, empty_table
from pipeline.statistics.grouping import Floats
from pipeline.statistics.intervals import rate_interval
from pipeline.statistics.stratified_ratio import stratified_ratio

NOTHING_COMPARED = "no failure at an age at which first units and replacements were both under observation"
NONE_FIRST = "no failure of a first unit at the same ages"
_GROUP = ["make", "model", "component"]


def replacement_units(stretches: pl.DataFrame, level: float) -> pl.DataFrame:
    """Compare failures of replacements with those of first units, year of age by year of age.

    Parameters
    ----------
    stretches : rows of `tally.unit_life_count`: make, model, component, born_on, start_on, end_on, is_failure,
        is_return, is_first_unit, n_units.
    level : level of the intervals, 0..1.

    Returns
    -------
    `mart.replacement_unit`: a row for each part of a model of which a replacement was under observation. Returns count
    on neither side.
    """
    lived = with_ages(stretches)
    groups = (
        lived.filter(~pl.col("is_first_unit"), pl.col("age") > pl.col("entry"))
        .select(_GROUP)
        .unique()
        .sort(_GROUP)
        .with_row_index("code")
    )
    if groups.is_empty():
        return empty_table(REPLACEMENT_UNIT)
    lived = lived.join(groups, on=_GROUP)
    first, later = (
        _by_age(lived.filter(pl.col("is_first_unit") == flag), lived, groups.height) for flag in (True, False)
    )
    n_rows, n_ages = first.failures.shape
    found = stratified_ratio(
        later.failures.ravel(),
        later.days.ravel(),
        first.failures.ravel(),
        first.days.ravel(),
        np.repeat(np.arange(n_rows), n_ages),
        n_rows,
        level,
    )
    frame = groups.with_columns(
        **first.columns("first", level),
        **later.columns("replacement", level),
        n_failures_compared=found.n_own,
        failures_expected=found.expected,
        **compared(found),
    )
    return as_table(frame.with_columns(reason=why_no_ratio(NOTHING_COMPARED, NONE_FIRST)), REPLACEMENT_UNIT)


class _Side:
    """Failures and days under observation of one side, by group and year of the unit's age."""

    def __init__(self, failures: Floats, days: Floats) -> None:
        self.failures, self.days = failures, days

    def columns(self, name: str, level: float) -> dict[str, Floats]:
        years = self.days.sum(axis=1) / DAYS_PER_YEAR
        n = self.failures.sum(axis=1)
        rate = rate_interval(n, years / 1000, level)
        return {
            f"n_failures_{name}": n,
            f"unit_years_{name}": years,
            f"rate_{name}": rate.value,
            f"rate_{name}_low": rate.low,
            f"rate_{name}_high": rate.high,
        }


def _by_age(side: pl.DataFrame, everyone: pl.DataFrame, n_groups: int) -> _Side:
    code, n = side["code"].to_numpy().astype(np.int64), side["n_units"].to_numpy()
    entry, age, event = (side[name].to_numpy() for name in ("entry", "age", "event"))
    n_ages = int(everyone["age"].to_numpy().max() // DAYS_PER_YEAR) + 1
    days = np.empty((n_groups, n_ages))
    for year in range(n_ages):
        bounds = year * DAYS_PER_YEAR, (year + 1) * DAYS_PER_YEAR
        days[:, year] = np.bincount(code, n * (np.clip(age, *bounds) - np.clip(entry, *bounds)), n_groups)
    cell = code * n_ages + (age // DAYS_PER_YEAR).astype(np.int64)
    failures = np.bincount(cell, n * event, n_groups * n_ages).astype(float).reshape(n_groups, n_ages)
    return _Side(failures, days)
