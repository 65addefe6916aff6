"""`mart.readiness_after_clear` and `mart.monitor_after_clear` from counts."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.contract.tables import MONITOR_AFTER_CLEAR, READINESS_AFTER_CLEAR
from pipeline.estimates import after_clear
from pipeline.estimates.after_clear import TOO_FEW


def counts(n_per_model: dict[str, int], seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for model, n in n_per_model.items():
        for counter, median in (("distance_km", 190.0), ("warmups", 9.0)):
            reading = np.floor(rng.exponential(4 * median, n))
            ready = np.exp(np.log(median) + 0.8 * rng.standard_normal(n)) <= reading
            rows += [
                ("Arvo", model, "evap", counter, x, 1, int(y)) for x, y in zip(reading, ready, strict=True)
            ]
    names = ["make", "model", "monitor", "counter", "reading", "n", "n_ready"]
    frame = pl.DataFrame(rows, schema=names, orient="row")
    return frame.group_by(names[:5], maintain_order=True).agg(pl.col("n", "n_ready").sum())


def test_the_wide_table_says_what_the_long_one_says() -> None:
    """One row for a model; its 90 % distance is that of the monitor's row."""
    made = after_clear(counts({"Finch": 300, "Wren": 80}), 0.95)
    assert tuple(made.evap.columns) == READINESS_AFTER_CLEAR.column_names
    assert tuple(made.monitors.columns) == MONITOR_AFTER_CLEAR.column_names
    finch = made.evap.filter(pl.col("model") == "Finch").row(0, named=True)
    long = made.monitors.filter(
        (pl.col("model") == "Finch") & (pl.col("share_ready") == 0.9) & (pl.col("counter") == "distance_km")
    ).row(0, named=True)
    assert finch["km_90"] == long["reading"]
    assert finch["km_90_low"] == long["low"]
    assert finch["pooled_km_90"] == long["pooled"]
    assert finch["n_vehicles"] == 300
    assert finch["km_90_low"] < 530 < finch["km_90_high"]  # 190 exp(0.8 x 1.2816)


def test_a_small_model_has_no_distance_of_its_own_and_a_pooled_one() -> None:
    """Fewer than 20 vehicles: the reason says so, the others lend a curve."""
    made = after_clear(counts({"Finch": 300, "Wren": 200, "Robin": 12}), 0.95)
    robin = made.evap.filter(pl.col("model") == "Robin").row(0, named=True)
    assert robin["km_90"] is None
    assert robin["reason"] == TOO_FEW
    assert robin["pooled_km_90_low"] < 530 < robin["pooled_km_90_high"]


def test_a_reason_speaks_of_vehicles_and_readings_and_not_of_sizes() -> None:
    """Of 40 vehicles all were complete at 5 km and more: 90 % were complete before any was looked at."""
    looked = {"make": "Arvo", "model": "Finch", "monitor": "evap", "counter": "distance_km"}
    rows = [looked | {"reading": float(km), "n": 20, "n_ready": 20} for km in (5, 50)]
    made = after_clear(pl.DataFrame(rows), 0.95).monitors
    assert set(made["reason"]) == {
        "every vehicle had it complete: the reading lies below the smallest at which one was looked at"
    }


def test_bounds_of_the_90_percent_distance_hold_the_truth_in_93_of_100_programs() -> None:
    """Six models, 200 vehicles each, lognormal truth. 400 programs by hand: 96 % (own), 96 % (pooled) or more."""
    medians = np.array([120.0, 150.0, 190.0, 190.0, 240.0, 320.0])
    truth = medians * np.exp(0.8 * 1.2815515655)  # standard normal quantile of 0.9
    held = np.zeros(2)
    for seed in range(40):
        rng = np.random.default_rng(seed)
        reading = np.floor(rng.exponential(1200, (6, 200)))
        needs = medians[:, None] * np.exp(0.8 * rng.standard_normal((6, 200)))
        looks = pl.DataFrame(
            {
                "make": "Arvo",
                "model": np.repeat([f"M{m}" for m in range(6)], 200),
                "monitor": "evap",
                "counter": "distance_km",
                "reading": reading.ravel(),
                "n": 1,
                "n_ready": (needs <= reading + rng.random((6, 200))).ravel().astype(int),
            }
        )
        got = after_clear(looks, 0.95).evap.sort("model")
        for i, name in enumerate(("km_90", "pooled_km_90")):
            low = got[f"{name}_low"].fill_null(0.0).to_numpy()
            high = got[f"{name}_high"].fill_null(np.inf).to_numpy()
            held[i] += np.sum((low <= truth) & (truth <= high))
    assert (held / 240 >= 0.93).all()


def test_no_counts_give_empty_tables() -> None:
    """A lake without inspections."""
    made = after_clear(counts({}).head(0), 0.95)
    assert made.evap.is_empty()
    assert made.monitors.is_empty()
    assert made.curve is None


def test_the_90_percent_distance_of_each_model_covers_its_truth() -> None:
    """Nine models of 25 to 400 vehicles whose medians differ by 25 %, eight simulated programs.

    By hand over 120 programs: the isotonic bounds cover 1044 of 1078 truths, the pooled ones 1042 of 1080.
    """
    covered = {"km_90": [], "pooled_km_90": []}
    for seed in range(8):
        rng = np.random.default_rng(seed)
        medians = 190 * np.exp(0.25 * rng.standard_normal(9))
        sizes = (400, 300, 200, 150, 100, 80, 60, 40, 25)
        rows = []
        for m, (median, n) in enumerate(zip(medians, sizes, strict=True)):
            reading = np.floor(rng.exponential(4 * 190, n))
            ready = np.exp(np.log(median) + 0.8 * rng.standard_normal(n)) <= reading
            rows += [
                ("Arvo", f"M{m}", "evap", "distance_km", x, 1, int(y))
                for x, y in zip(reading, ready, strict=True)
            ]
        names = ["make", "model", "monitor", "counter", "reading", "n", "n_ready"]
        made = after_clear(pl.DataFrame(rows, schema=names, orient="row"), 0.95).evap
        for row in made.iter_rows(named=True):
            truth = medians[int(row["model"][1:])] * np.exp(0.8 * 1.2815515655)
            for name, found in covered.items():
                if row[name] is not None:
                    high = row[f"{name}_high"]
                    found.append(row[f"{name}_low"] - 1 <= truth <= (np.inf if high is None else high + 1))
    for found in covered.values():
        assert len(found) >= 70
        assert np.mean(found) >= 0.93
