"""`mart.inspection_report` and `mart.readiness` from counts, against statsmodels."""

from __future__ import annotations

import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.contract.tables import INSPECTION_REPORT, READINESS
from pipeline.estimates import inspection_report, readiness
from pipeline.estimates.inspection_items import ITEMS

NAMES = sorted({name for item in ITEMS for name in (item.n, item.of)})


def cells(**counts: int) -> pl.DataFrame:
    values = dict.fromkeys(NAMES, 0) | counts
    return pl.DataFrame(
        {"model_year": [2010], "vehicle_type": ["car"], **{k: [v] for k, v in values.items()}}
    )


def test_every_item_that_records_can_answer_is_there_in_the_order_of_the_rule() -> None:
    got = inspection_report(cells(), 0.95)
    assert tuple(got.columns) == INSPECTION_REPORT.column_names
    roman = ["i", "ii", "iii", "iv", "v", "vi", "xi", "xii", "xv", "xvi", "xvii", "xviii", "xix", "xx", "xxi"]
    roman += ["xxii", "xxiii"]
    assert got["item"].to_list() == [f"(a)(2)({r})" for r in roman]


def test_percentages_have_wilson_bounds() -> None:
    got = inspection_report(cells(n_initial=250, n_initial_fail=31, n_initial_pass=219), 0.95)
    failing = got.row(by_predicate=pl.col("item") == "(a)(2)(xii)", named=True)
    low, high = proportion_confint(31, 250, method="wilson")
    assert (failing["n"], failing["of"]) == (31, 250)
    assert failing["percent"] == pytest.approx(12.4)
    assert (failing["low_percent"], failing["high_percent"]) == (
        pytest.approx(100 * low),
        pytest.approx(100 * high),
    )


def test_an_item_that_nothing_could_count_has_no_percentage() -> None:
    got = inspection_report(cells(), 0.95)
    assert got["percent"].null_count() == got["high_percent"].null_count() == got.height


def test_one_unset_monitor_counts_in_xxiii_and_in_xi() -> None:
    # 40 CFR 51.366(a)(2)(xxiii) is an overlay: a vehicle that passes with one monitor unset is in both.
    got = inspection_report(cells(n_initial=1, n_initial_pass=1, n_with_readiness=1, n_not_ready=1), 0.95)
    both = got.filter(pl.col("item").is_in(["(a)(2)(xi)", "(a)(2)(xxiii)"]))
    assert both["n"].to_list() == [1, 1]


def test_cells_without_a_type_stand_last() -> None:
    frame = pl.concat([cells().with_columns(vehicle_type=pl.lit(None, pl.String)), cells()])
    assert inspection_report(frame, 0.95)["vehicle_type"].unique(maintain_order=True).to_list() == [
        "car",
        None,
    ]


def test_not_ready_share_has_wilson_bounds() -> None:
    counts = pl.DataFrame(
        {
            "make": ["Arvo"],
            "model": ["Finch"],
            "monitor": ["evap"],
            "n_inspections": [300],
            "n_not_ready": [17],
        }
    )
    got = readiness(counts, 0.9).row(0, named=True)
    low, high = proportion_confint(17, 300, alpha=0.1, method="wilson")
    assert got["not_ready_rate"] == pytest.approx(17 / 300)
    assert (got["low"], got["high"]) == (pytest.approx(low), pytest.approx(high))
    assert tuple(readiness(counts.clear(), 0.9).columns) == READINESS.column_names
