"""`mart.component_life` from stretches of life: truth by simulation, degenerate input, how failures are counted."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contract.tables import COMPONENT_LIFE, COMPONENT_LIFE_CURVE
from pipeline.estimates import component_lives
from pipeline.statistics.life import weibull_life

START, END = date(2022, 1, 1), date(2024, 12, 31)
GROUP = {"make": "Arvo", "model": "Finch", "component": "purge_valve"}


def stretch(born: date, start: date, end: date, failed: bool = False, n: int = 1, **more: object) -> dict:
    dates = {"born_on": born, "start_on": start, "end_on": end}
    return GROUP | dates | {"is_failure": failed, "is_return": False, "n_units": n, "unseen_days": 0} | more


def counted(n_failures: int, n_replaced: int = 0, **more: object) -> dict:
    return GROUP | {"n_failures": n_failures, "n_replaced": n_replaced, "n_vehicles": 9} | more


def lives(stretches: list[dict], counts: list[dict], units: list[dict] | None = None):
    empty = stretch(START, START, END)
    of_units = pl.DataFrame(units or [GROUP | {"age_days": 900, "n_units": 0}])
    frame = pl.DataFrame(stretches or [empty]).head(len(stretches))
    return component_lives(frame, of_units, pl.DataFrame(counts), 0.95, 0.95)


def own_row(result) -> dict[str, object]:
    return result.lives.row(by_predicate=pl.col("make") == "Arvo", named=True)


@pytest.mark.parametrize(
    ("stretches", "n_failures", "reason"),
    [
        ([], 0, "fewer than two failures"),
        ([stretch(START, START, END, n=50)], 0, "fewer than two failures"),
        ([stretch(START, START, START + timedelta(9), True)], 1, "fewer than two failures"),
        (
            [stretch(START, START, END, True, n=4)],
            4,
            "all failures lie at the greatest age: no shape fits best",
        ),
        ([], 3, "fewer than two failures"),
        # half days of the failed units are all there is: the others, unharmed, had no day to show it
        (
            [stretch(START - timedelta(900 * i), START, START, True) for i in range(1, 5)],
            4,
            "no unit was under observation for a whole day",
        ),
    ],
)
def test_too_little_to_tell_gives_nulls_and_a_reason(stretches, n_failures, reason) -> None:
    row = own_row(lives(stretches, [counted(n_failures)]))
    assert row["reason"] == reason
    for name in ("weibull_shape", "b10_years", "pattern", "failures_next_90_days", "parts_for_90_days"):
        assert row[name] is None


def test_no_component_ever_failed() -> None:
    result = component_lives(pl.DataFrame(), pl.DataFrame(), pl.DataFrame(), 0.95, 0.95)
    assert result.lives.columns == list(COMPONENT_LIFE.column_names)
    assert result.curves.columns == list(COMPONENT_LIFE_CURVE.column_names)


def fleet(rng: np.random.Generator, n: int, shape: float, scale_days: float) -> list[dict]:
    born = [START - timedelta(int(d)) for d in rng.integers(0, 4000, n)]
    entry = np.array([(START - b).days for b in born], float)
    life = scale_days * ((entry / scale_days) ** shape + rng.exponential(size=n)) ** (1 / shape)
    end = [min(END, b + timedelta(int(np.ceil(a)))) for b, a in zip(born, life, strict=True)]
    failed = [e < END for e in end]
    return [stretch(b, START, e, f) for b, e, f in zip(born, end, failed, strict=True)]


def test_the_truth_lies_within_the_bounds_and_the_pooled_row_is_the_only_model() -> None:
    rows = fleet(np.random.default_rng(5), 2000, 2.2, 5000.0)
    n = sum(r["is_failure"] for r in rows)
    result = lives(rows, [counted(n, n)], [GROUP | {"age_days": 1500, "n_units": 100}])
    row = own_row(result)
    assert row["weibull_shape_low"] < 2.2 < row["weibull_shape_high"]
    assert row["weibull_scale_low_years"] < 5000 / 365.25 < row["weibull_scale_high_years"]
    assert row["pattern"] == "wear_out"
    expected = 100 * ((1590 / 5000) ** 2.2 - (1500 / 5000) ** 2.2)
    assert row["failures_next_90_days"] == pytest.approx(expected, rel=0.2)
    assert row["failures_next_90_days_low"] <= expected <= row["failures_next_90_days_high"]
    pooled = result.lives.row(by_predicate=pl.col("make") == "*", named=True)
    same = [c for c in row if c not in ("make", "model")]
    assert [pooled[c] for c in same] == [row[c] for c in same]
    curve = result.curves.filter(make="Arvo")
    assert curve.height == 40
    assert curve["n_failures"][-1] == n
    inside = curve.filter(pl.col("weibull_failures_per_unit").is_between("low", "high"))
    assert inside.height / curve.height > 0.8


def test_a_failure_on_the_first_day_counts_half_a_day() -> None:
    rows = [stretch(START, START, START, True), stretch(START, START, START + timedelta(30), True)]
    row = own_row(lives([*rows, stretch(START, START, END, n=5)], [counted(2)]))
    days = (END - START).days
    fit = weibull_life(np.array([0.5, 30.0] + [days] * 5) / 365.25, [1, 1, 0, 0, 0, 0, 0])
    assert row["weibull_shape"] == pytest.approx(fit.shape.value[0])


def test_returns_are_failures_of_the_repair_and_count_in_the_forecast_only() -> None:
    rows = fleet(np.random.default_rng(6), 800, 1.5, 6000.0)
    n = sum(r["is_failure"] for r in rows)
    units = [GROUP | {"age_days": 2000, "n_units": 500}]
    plain = own_row(lives(rows, [counted(n, n)], units))
    back = stretch(START, START, START + timedelta(20), True, is_return=True)
    with_returns = own_row(lives([*rows, *[back] * 30], [counted(n + 30, n + 30)], units))
    assert (with_returns["n_failures"], with_returns["n_returns"]) == (n + 30, 30)
    assert with_returns["weibull_shape"] == pytest.approx(plain["weibull_shape"], rel=0.02)
    assert with_returns["failures_next_365_days"] == pytest.approx(
        plain["failures_next_365_days"] * (n + 30) / n, rel=0.02
    )


def test_parts_are_those_for_failures_that_took_one() -> None:
    rows = fleet(np.random.default_rng(7), 2000, 1.5, 5000.0)
    n = sum(r["is_failure"] for r in rows)
    units = [GROUP | {"age_days": 2000, "n_units": 1500}]
    every = own_row(lives(rows, [counted(n, n)], units))
    half = own_row(lives(rows, [counted(n, n // 2)], units))
    assert every["failures_next_365_days"] < every["parts_for_365_days"]
    assert half["parts_for_365_days"] < 0.65 * every["parts_for_365_days"]


def test_failures_without_an_age_are_counted() -> None:
    row = own_row(lives([stretch(START, START, END, True), stretch(START, START, END)], [counted(3)]))
    assert (row["n_failures"], row["n_left_out"]) == (1, 2)
