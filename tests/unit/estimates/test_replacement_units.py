"""`mart.replacement_unit`: units that replaced one against first units of the same age."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contract.tables import REPLACEMENT_UNIT
from pipeline.contract.vocabulary import DAYS_PER_YEAR
from pipeline.estimates import replacement_units

START, END = date(2020, 1, 1), date(2025, 12, 31)
PARTS = ("purge_valve", "vent_valve", "wiring")


def followed(
    rng: np.random.Generator, laws: dict[str, tuple[float, float, float]], n: int = 250
) -> pl.DataFrame:
    """Vehicles of the window's first day whose failed parts are replaced at once.

    laws : by component, Weibull shape and scale [years] of first units, and scale of the units that replaced them.
    """
    rows = []
    for component, (shape, first, later) in laws.items():
        for _ in range(n):
            born, is_first = START, True
            while born < END:
                days = int(DAYS_PER_YEAR * (first if is_first else later) * rng.weibull(shape)) + 1
                end = min(END, born + timedelta(days))
                failed = end < END
                dates = {"born_on": born, "start_on": born, "end_on": end}
                facts = {"is_failure": failed, "is_return": False, "is_first_unit": is_first}
                group = {"make": "Arvo", "model": "Finch", "component": component}
                rows.append(group | dates | facts | {"n_units": 1, "unseen_days": 0})
                born, is_first = (end if failed else END), False
    return pl.DataFrame(rows)


def test_a_bad_spare_part_is_named_with_its_ratio_and_wear_is_not_mistaken_for_one() -> None:
    """Of the wiring replacements are young and wear has not come yet: per year they fail less, age for age alike."""
    laws = {"purge_valve": (1.0, 12.0, 3.0), "vent_valve": (1.0, 10.0, 10.0), "wiring": (3.0, 6.0, 6.0)}
    found = replacement_units(followed(np.random.default_rng(4), laws), 0.95)
    assert tuple(found.columns) == REPLACEMENT_UNIT.column_names
    assert found.filter("stands_out")["component"].to_list() == ["purge_valve"]
    bad, _, wear = found.sort("component").iter_rows(named=True)
    assert bad["rate_ratio_low"] <= 4 <= bad["rate_ratio_high"]
    assert bad["n_failures_compared"] / bad["failures_expected"] == pytest.approx(bad["rate_ratio"])
    assert wear["rate_replacement_high"] < wear["rate_first_low"]
    assert wear["rate_ratio_low"] <= 1 <= wear["rate_ratio_high"]


def test_all_failures_and_all_time_are_on_one_side_or_the_other() -> None:
    stretches = followed(np.random.default_rng(5), dict.fromkeys(PARTS, (1.0, 5.0, 5.0)))
    found = replacement_units(stretches, 0.95)
    assert (found["n_failures_first"] + found["n_failures_replacement"]).sum() == stretches[
        "is_failure"
    ].sum()
    days = (stretches["end_on"] - stretches["start_on"]).dt.total_days().sum()
    years = (found["unit_years_first"] + found["unit_years_replacement"]).sum()
    assert years * DAYS_PER_YEAR == pytest.approx(days)


def test_returns_count_on_neither_side_and_nothing_replaced_has_no_row() -> None:
    stretches = followed(np.random.default_rng(6), {"purge_valve": (1.0, 5.0, 5.0)})
    returns = stretches.with_columns(is_return=pl.col("is_failure") & ~pl.col("is_first_unit"))
    found = replacement_units(returns, 0.95).row(0, named=True)
    assert found["n_failures_replacement"] == 0
    assert found["rate_ratio"] == 0
    assert replacement_units(stretches.filter("is_first_unit"), 0.95).is_empty()


def test_what_cannot_be_compared_says_why() -> None:
    """First units are all new, the replacement is four years old: no age in common."""
    stretches = followed(np.random.default_rng(7), {"purge_valve": (1.0, 5.0, 5.0)}).head(1)
    old = stretches.with_columns(
        is_first_unit=pl.lit(False),
        is_failure=pl.lit(True),
        born_on=date(2010, 1, 1),
        end_on=date(2020, 9, 1),
    )
    found = replacement_units(pl.concat([stretches, old], how="vertical_relaxed"), 0.95)
    assert found["reason"].to_list() == [
        "rate_ratio: no failure at an age at which first units and replacements were both under observation"
    ]
    assert found["stands_out"].to_list() == [False]


def test_parts_as_good_as_the_first_are_hardly_ever_accused() -> None:
    accused = 0
    for seed in range(60):
        laws = {"purge_valve": (1.0, 6.0, 6.0), "vent_valve": (0.7, 8.0, 8.0), "wiring": (2.0, 6.0, 6.0)}
        stretches = followed(np.random.default_rng(seed), laws, 80)
        accused += bool(replacement_units(stretches, 0.95)["stands_out"].any())
    assert accused <= 5
