"""`mart.station_look`: the odd station is found, and nothing innocent is accused."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.contract.tables import STATION_LOOK
from pipeline.estimates import inspection_station, station_look

YEARS = (2004, 2009, 2014)
NO_IDS = pl.lit(None, dtype=pl.List(pl.String)).alias("inspection_ids")
NO_REPEATS = pl.DataFrame(
    schema={
        "station_id": pl.String,
        "measure": pl.String,
        "n": pl.Int64,
        "of": pl.Int64,
        "expected": pl.Float64,
        "inspection_ids": pl.List(pl.String),
    }
)


def simulated(seed: int, odd_factor: float, n_stations: int = 20, spread: float = 0.15) -> pl.DataFrame:
    """Initial tests of ordinary stations whose true rates differ a little, and of S00, which is odd."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(n_stations):
        factor = np.exp(rng.normal(0, spread)) * (odd_factor if number == 0 else 1)
        for year, rate in zip(YEARS, (0.2, 0.12, 0.06), strict=True):
            of = int(rng.integers(60, 400))
            n = int(rng.binomial(of, min(0.95, rate * factor)))
            rows.append((f"S{number:02}", "initial_failure", year, n, of))
    return pl.DataFrame(
        rows, schema=["station_id", "measure", "stratum", "n", "of"], orient="row"
    ).with_columns(NO_IDS)


def standing_out(frame: pl.DataFrame) -> list[str]:
    return frame.filter(pl.col("stands_out"))["station_id"].to_list()


@pytest.mark.parametrize("odd_factor", [0.15, 3.0])
def test_the_odd_station_stands_out_and_no_other_in_any_of_30_programs(odd_factor: float) -> None:
    found = [standing_out(station_look(simulated(seed, odd_factor), NO_REPEATS, 0.95)) for seed in range(30)]
    assert sum(stations == ["S00"] for stations in found) >= 29
    assert sum(len(set(stations) - {"S00"}) for stations in found) == 0


def test_ordinary_stations_are_left_alone() -> None:
    found = [
        standing_out(station_look(simulated(seed, 1.0, spread=0.25), NO_REPEATS, 0.95)) for seed in range(60)
    ]
    assert sum(map(bool, found)) <= 1  # 60 programs at a false-discovery rate of 0.01


def test_expected_follows_the_stations_own_model_years() -> None:
    rows = [
        ("old", "not_ready", 2000, 30, 100),
        ("new", "not_ready", 2000, 3, 10),
        ("new", "not_ready", 2015, 5, 100),
    ]
    frame = pl.DataFrame(
        rows, schema=["station_id", "measure", "stratum", "n", "of"], orient="row"
    ).with_columns(NO_IDS)
    got = station_look(frame, NO_REPEATS, 0.95)
    assert got["station_id"].to_list() == ["new", "old"]
    assert got["expected"].to_list() == [pytest.approx(0.3 * 10 + 5), pytest.approx(30)]
    assert got["ratio"].to_list() == [pytest.approx(1), pytest.approx(1)]


def test_two_stations_or_a_few_inspections_are_shown_and_not_tested() -> None:
    few = simulated(1, 1.0, n_stations=4)
    assert station_look(few, NO_REPEATS, 0.95)["p_value"].null_count() == 4
    tiny = pl.DataFrame(
        [("tiny", "initial_failure", 2004, 20, 20)],
        schema=["station_id", "measure", "stratum", "n", "of"],
        orient="row",
    ).with_columns(NO_IDS)
    got = station_look(pl.concat([simulated(1, 1.0), tiny], how="vertical_relaxed"), NO_REPEATS, 0.95)
    shown = got.row(by_predicate=pl.col("station_id") == "tiny", named=True)
    assert (shown["n"], shown["p_value"], shown["stands_out"]) == (20, None, False)


def test_repeated_records_stand_out_upward_only() -> None:
    rng = np.random.default_rng(5)
    expected = rng.uniform(2, 12, 20)
    n = rng.poisson(expected)
    n[7], n[8], expected[7], expected[8] = 60, 0, 0.0, 30.0
    repeats = pl.DataFrame(
        {
            "station_id": [f"S{i:02}" for i in range(20)],
            "measure": ["repeated_record"] * 20,
            "n": n,
            "of": [900] * 20,
            "expected": expected,
            "inspection_ids": [[f"I{i}"] for i in range(20)],
        }
    )
    got = station_look(simulated(1, 1.0).clear(), repeats, 0.95)
    assert standing_out(got) == ["S07"]
    assert got.filter("stands_out")["inspection_ids"].to_list() == [["I7"]]
    assert got.filter(~pl.col("stands_out"))["inspection_ids"].null_count() == 19
    assert got.row(by_predicate=pl.col("station_id") == "S08", named=True)["p_value"] == 1.0


def test_without_inspections_there_are_no_rows() -> None:
    got = station_look(simulated(1, 1.0).clear(), NO_REPEATS, 0.95)
    assert got.height == 0
    assert tuple(got.columns) == STATION_LOOK.column_names


@pytest.mark.parametrize("measure", ["close_tests", "quick_retest", "soon_after_clear"])
def test_a_rare_habit_is_found_where_it_is_common_and_chance_is_left_alone(measure: str) -> None:
    """One station in 20 does it in 8 % of its tests, the others in 0.2 %; in 40 programs no other is named."""
    others = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        of = rng.integers(100, 500, 20)
        n = rng.binomial(of, np.where(np.arange(20) == 3, 0.08 if seed % 2 else 0.002, 0.002))
        rows = [(f"S{i:02}", measure, 0, int(a), int(b)) for i, (a, b) in enumerate(zip(n, of, strict=True))]
        frame = pl.DataFrame(rows, schema=["station_id", "measure", "stratum", "n", "of"], orient="row")
        named = standing_out(station_look(frame.with_columns(NO_IDS), NO_REPEATS, 0.95))
        if seed % 2:
            assert "S03" in named or n[3] < 8
            others += len(set(named) - {"S03"})
        else:
            others += len(named)
    assert others <= 1


def test_volume_and_failure_rate_by_station_and_model_year() -> None:
    """40 CFR 51.366(a)(3), (a)(4): counts as they are, the year's own rate beside them, the reasons of the station."""
    by_year = simulated(1, 1.0).rename({"stratum": "model_year"})
    look = station_look(simulated(1, 1.0), NO_REPEATS, 0.95).with_columns(
        stands_out=pl.col("station_id") == "S04"
    )
    got = inspection_station(by_year, look, 0.95)
    assert got["n_initial"].sum() == by_year["of"].sum()
    assert got["n_initial_fail"].sum() == by_year["n"].sum()
    assert ((got["low_percent"] <= got["initial_failure_percent"]) & (got["high_percent"] <= 100)).all()
    of_2004 = by_year.filter(pl.col("model_year") == 2004)
    year = got.filter(pl.col("model_year") == 2004)["year_percent"].unique().to_list()
    assert year == [pytest.approx(100 * of_2004["n"].sum() / of_2004["of"].sum())]
    reasons = dict(got.select("station_id", "reasons_to_look").unique("station_id").rows())
    assert reasons["S04"] == ["initial_failure"]
    assert reasons["S05"] == []
