"""`mart.alarms`: months, expectations, what is paid for, and a rate that doubles."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contract.tables import ALARMS
from pipeline.estimates import alarms, component_lives, with_model_years

START, END = date(2021, 1, 1), date(2024, 12, 31)
MODELS = tuple(f"M{n:02d}" for n in range(12))


def made(rng: np.random.Generator, yearly: float, rises: str = "", rises_on: date = END) -> list[dict]:
    """Vehicles that fail at a constant rate and go on; the rate of one model doubles from a day on."""
    rows = []
    for model in MODELS:
        for _ in range(60):
            start = START
            while start < END:
                rate = yearly * (2 if model == rises and start >= rises_on else 1)
                wait = int(rng.exponential(365.25 / rate))
                crosses = model == rises and start < rises_on <= start + timedelta(wait)
                end = min(END, rises_on if crosses else start + timedelta(wait))
                rows.append(
                    {
                        "make": "Arvo",
                        "model": model,
                        "component": "purge_valve",
                        "born_on": date(2015, 1, 1),
                        "start_on": start,
                        "end_on": end,
                        "is_failure": not crosses and end < END,
                        "is_return": False,
                        "unseen_days": 0,
                        "n_units": 1,
                    }
                )
                start = end if end > start else end + timedelta(1)
    return rows


def charted(rows: list[dict], chance: float = 0.05) -> pl.DataFrame:
    stretches = pl.DataFrame(rows)
    keys = ["make", "model", "component"]
    counts = stretches.group_by(keys).agg(
        n_failures=pl.col("is_failure").sum().cast(pl.Int64),
        n_replaced=pl.lit(0, pl.Int64),
        n_vehicles=pl.lit(60, pl.Int64),
    )
    units = stretches.select(*keys, age_days=pl.lit(100, pl.Int64), n_units=pl.lit(1, pl.Int64)).head(1)
    lives = component_lives(stretches, units, counts, 0.95, 0.95).lives
    return alarms(stretches, lives, START, END, chance, 2.0)


def test_every_chart_has_every_month_and_all_failures() -> None:
    rows = made(np.random.default_rng(1), 0.4)
    table = charted(rows)
    assert table.columns == list(ALARMS.column_names)
    assert table.height == 12 * 48
    assert table["month"].min() == date(2021, 1, 1)
    assert table["month"].max() == date(2024, 12, 1)
    assert table["observed"].sum() == sum(r["is_failure"] for r in rows)
    assert table["expected"].sum() == pytest.approx(table["observed"].sum(), rel=0.05)
    assert table["n_charts"].unique().to_list() == [12]


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_component_whose_only_failure_was_never_under_observation_shows_nothing() -> None:
    """It failed on the day its watch began and is not watched since; the other never failed: no signal."""
    still = {"make": "Arvo", "component": "purge_valve", "born_on": date(2015, 1, 1), "start_on": START}
    still |= {"is_return": False, "unseen_days": 0, "n_units": 1}
    table = charted(
        [
            still | {"model": "M00", "end_on": START, "is_failure": True},
            still | {"model": "M01", "end_on": END, "is_failure": False},
        ]
    )
    assert table["model"].unique().to_list() == ["M01"]
    assert table["observed"].sum() == 0
    assert table["expected"].max() == pytest.approx(0.0, abs=1e-12)
    assert table["evidence"].is_finite().all()
    assert not table["is_signal"].any()


def test_a_fleet_where_nothing_is_special_raises_flags_no_more_often_than_paid_for() -> None:
    """12 fleets of 12 charts at 20 %: 2.4 false flags or fewer are expected; above 6 has a chance below 1 %."""
    rng = np.random.default_rng(2)
    false = sum(charted(made(rng, 0.25), 0.2)["is_signal"].any() for _ in range(12))
    assert false <= 6


def test_a_rate_that_doubles_is_flagged_and_nothing_else() -> None:
    table = charted(made(np.random.default_rng(3), 0.8, "M04", date(2023, 1, 1)))
    signals = table.filter("is_signal")
    assert signals["model"].unique().to_list() == ["M04"]
    assert date(2023, 1, 1) < signals["month"].min() < date(2024, 1, 1)


def test_returns_are_not_counted() -> None:
    rows = made(np.random.default_rng(4), 0.4)
    extra = rows[0] | {"is_failure": True, "is_return": True, "end_on": date(2022, 5, 5), "n_units": 50}
    assert charted([*rows, extra])["observed"].sum() == sum(r["is_failure"] for r in rows)


def test_nothing_to_follow_gives_no_rows() -> None:
    quiet = [r | {"is_failure": False} for r in made(np.random.default_rng(5), 0.4)[:40]]
    assert charted(quiet).is_empty()


def test_one_failure_of_one_model_is_charted_against_a_constant_rate() -> None:
    rows = [r | {"is_failure": False} for r in made(np.random.default_rng(6), 0.01)[:50]]
    rows[0] |= {"is_failure": True, "end_on": date(2022, 3, 1)}
    table = charted(rows)
    assert table["observed"].sum() == 1
    assert table["expected"].is_finite().all()
    assert not table["is_signal"].any()


def test_since_when_a_chart_rises_what_was_seen_and_expected_since() -> None:
    """A rate doubles in the fourth year: failures since are those of the months, expected ones at the level before."""
    rows = made(np.random.default_rng(2), 0.5, "M03", date(2024, 1, 1))
    chart = charted(rows).filter(model="M03").sort("month")
    for r in chart.iter_rows(named=True):
        if r["evidence"] == 0:
            assert (r["rising_since"], r["observed_since"], r["expected_since"]) == (None, None, None)
            continue
        rise = chart.filter(pl.col("month").is_between(r["rising_since"], r["month"]))
        assert r["observed_since"] == rise["observed"].sum()
        assert (rise["evidence"] > 0).all()
        assert not rise["is_signal"][:-1].any()
        earlier = chart.filter(pl.col("month") < r["rising_since"])
        assert earlier.is_empty() or earlier["evidence"][-1] == 0 or earlier["is_signal"][-1]
    risen = chart.filter(pl.col("observed_since") > 20).row(-1, named=True)
    assert 1.5 < risen["observed_since"] / risen["expected_since"] < 2.7


def test_the_model_year_that_has_most_of_a_rise_is_told_at_its_end_and_at_signals() -> None:
    keys = {"make": "Arvo", "model": "A", "component": "purge_valve"}
    months = [date(2024, n, 1) for n in range(1, 6)]
    charts = pl.DataFrame(
        [
            keys
            | {"month": m, "rising_since": months[1] if m > months[0] else None, "is_signal": m == months[2]}
            | {
                "observed_since": {2: 2, 3: 5, 4: 6, 5: 8}.get(m.month),
                "model_year": None,
                "n_on_model_year": None,
            }
            for m in months
        ]
    )
    days = [
        ("2024-01-09", 2019, 4),
        ("2024-02-29", 2019, 2),
        ("2024-03-31", 2021, 3),
        ("2024-05-31", 2019, 3),
    ]
    failed = pl.DataFrame(
        [keys | {"failed_on": date.fromisoformat(d), "model_year": y, "n_failures": n} for d, y, n in days]
    )
    found = with_model_years(charts, failed)
    assert found.select("model_year", "n_on_model_year").rows() == [
        (None, None),
        (None, None),
        (2021, 3),
        (None, None),
        (2019, 5),
    ]
    even = charts.with_columns(observed_since=10)
    assert with_model_years(even, failed)["model_year"].is_null().all()
