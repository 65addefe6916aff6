"""Made-up marts with every column of the contract: realistic, empty, and hostile.

Makes, models, shops and people are invented. Intervals come from SciPy so that they are the right size; the
tests compare pages with these tables and never with a formula.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from scipy import stats

from pipeline.contract.tables import AUDIT_FILES, AUDIT_RUNS, MARTS, QUARANTINE_RECORDS, Table

HOSTILE = "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">"

TYPES: dict[str, Any] = {
    "VARCHAR": pl.String,
    "BIGINT": pl.Int64,
    "INTEGER": pl.Int32,
    "DOUBLE": pl.Float64,
    "BOOLEAN": pl.Boolean,
    "DATE": pl.Date,
    "VARCHAR[]": pl.List(pl.String),
    "TIMESTAMP WITH TIME ZONE": pl.Datetime("us", "UTC"),
}
TABLES = {t.full_name: t for t in (*MARTS, AUDIT_FILES, AUDIT_RUNS, QUARANTINE_RECORDS)}
MODELS = (
    ("Halden", "Orrin"), ("Halden", "Brisk 4"), ("Vantry", "Mole"), ("Vantry", "Tarn"), ("Kestrin", "Dray"),
    ("Kestrin", "Luma Wagon"), ("Ostra", "Pike"), ("Ostra", "Pike Long"),
)
PARTS = ("purge_valve", "vent_valve", "fuel_cap", "canister", "vapor_line", "filler_neck", "tank_pressure_sensor", "wiring")
SHOPS = tuple(f"shop-{n:02d}" for n in range(1, 15))


def framed(table: Table, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Put rows into a frame with the table's columns, order and types."""
    schema = {c.name: TYPES[c.type] for c in table.columns}
    unknown = {k for row in rows for k in row} - set(schema)
    assert not unknown, f"{table.full_name} has no {unknown}"
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def empty_tables() -> dict[str, pl.DataFrame]:
    """Every table with its columns and no row."""
    return {name: framed(table, []) for name, table in TABLES.items()}


def blank_tables() -> dict[str, pl.DataFrame]:
    """Every mart with rows that have their key and nothing else."""
    keys = {"make": "Halden", "model": "Orrin", "component": "purge_valve", "by": "shop", "group": "shop-01",
            "monitor": "evap", "item": "(a)(2)(i)", "measure": "not_ready", "station_id": "S1", "verdict": "not_judged",
            "stage": "routine", "trace_id": "t1", "job_id": "j1", "shop_id": "shop-01", "vehicle_id": "v1"}
    tables = empty_tables()
    for table in MARTS:
        tables[table.full_name] = framed(table, [{c: keys[c] for c in table.column_names if c in keys}])
    return tables


def full_tables(hostile: bool = False) -> dict[str, pl.DataFrame]:
    """Every table as a middling fleet would fill it; with `hostile`, free text holds markup."""
    rng = np.random.default_rng(5)
    tables = {
        "mart.failure_rate": failure_rate(rng),
        "mart.first_time_fix": first_time_fix(rng),
        "mart.repair_check": repair_check(rng),
        "mart.leak_size": leak_size(rng),
        "mart.leak_size_curve": leak_size_curve(),
        "mart.trace_result": trace_result(rng, hostile),
        "mart.inspection_report": inspection_report(rng),
        "mart.readiness": readiness(rng),
        "mart.station_look": station_look(rng),
        "quarantine.records": quarantine(hostile),
        "audit.files": audit_files(),
        "audit.runs": audit_runs(),
    }
    if hostile:
        renamed = pl.when(pl.col("model") == "Orrin").then(pl.lit(HOSTILE)).otherwise(pl.col("model")).alias("model")
        for name in ("mart.failure_rate", "mart.readiness"):
            tables[name] = tables[name].with_columns(renamed)
        shop = pl.when(pl.col("group") == "shop-03").then(pl.lit(HOSTILE)).otherwise(pl.col("group")).alias("group")
        tables["mart.first_time_fix"] = tables["mart.first_time_fix"].with_columns(shop)
    return tables


def reader(tables: dict[str, pl.DataFrame]) -> Callable[[str], pl.DataFrame]:
    return tables.__getitem__


def garwood(n: int, exposure: float) -> tuple[float, float]:
    low = stats.chi2.ppf(0.025, 2 * n) / 2 if n else 0.0
    return 1000 * low / exposure, 1000 * stats.chi2.ppf(0.975, 2 * n + 2) / 2 / exposure


def wilson(k: int, n: int) -> tuple[float, float]:
    bounds = stats.binomtest(k, n).proportion_ci(method="wilson")
    return float(bounds.low), float(bounds.high)


def failure_rate(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i, (make, model) in enumerate(MODELS):
        years = 60.0 + 95 * i
        for j, part in enumerate(PARTS):
            base = 0.012 + 0.006 * j
            recurring = (model, part) == ("Orrin", "purge_valve") or (model, part) == ("Mole", "canister")
            n = int(rng.poisson(years * base * (9 if recurring else 1)))
            low, high = garwood(n, years)
            rate = 1000 * n / years
            shrunk = 1000 * (n + 3) / (years + 3 / base)
            p = 1e-9 * (1 + j) if recurring else float(rng.uniform(0.03, 1))
            rows.append(dict(
                make=make, model=model, component=part, n_failures=n, n_comebacks=n // 7, n_vehicles=30 + 40 * i,
                vehicle_years=years, vehicle_km=years * 17_000.0, n_vehicles_km=20 + 35 * i,
                rate_per_1000_vehicle_years=rate, low=low, high=high, shrunk_rate=shrunk,
                shrunk_low=shrunk * 0.7, shrunk_high=shrunk * 1.35, rate_ratio=rate / (1000 * base), p_value=p,
                q_value=min(1.0, 20 * p), is_recurring=recurring, n_failures_km=n,
                rate_per_million_km=rate / 17, low_per_million_km=low / 17, high_per_million_km=high / 17,
            ))
    return framed(TABLES["mart.failure_rate"], rows)


def fix_row(by: str, group: str, n: int, back: int, funnel: str | None = None) -> dict[str, Any]:
    low, high = wilson(n - back, n)
    spread = 0.32 / np.sqrt(n)
    limits = (
        dict(expected=0.93, n_comebacks_expected=0.07 * n, funnel=funnel, funnel_low=max(0, 0.93 - 2 * spread),
             funnel_high=min(1, 0.93 + 2 * spread), funnel_beyond_low=max(0, 0.93 - 3.1 * spread),
             funnel_beyond_high=min(1, 0.93 + 3.1 * spread))
        if funnel
        else {}
    )
    return dict(by=by, group=group, n_repairs=n, n_comebacks=back, n_followed=int(n * 0.9), first_time_fix=1 - back / n,
                low=low, high=high, first_time_fix_naive=1 - back / int(n * 0.9)) | limits


def first_time_fix(rng: np.random.Generator) -> pl.DataFrame:
    rows = [fix_row("all", "all", 2431, 187)]
    for i, shop in enumerate(SHOPS):
        n = 20 + 27 * i
        place = {"shop-06": "beyond_below", "shop-11": "above", "shop-09": "below"}.get(shop, "inside")
        share = {"beyond_below": 0.24, "below": 0.115, "above": 0.03}.get(place, 0.07)
        rows.append(fix_row("shop", shop, n, int(round(n * share)), place))
    for by, groups in (
        ("component", PARTS), ("model", tuple(f"{m} {n}" for m, n in MODELS)),
        ("verified", ("proved", "not_proved", "disproved", "no_trace")), ("evidence", ("yes", "no", "cannot_say")),
        ("technician", tuple(f"T{n}" for n in range(101, 119))),
    ):
        for group in groups:
            n = int(rng.integers(12, 400))
            rows.append(fix_row(by, group, n, int(rng.binomial(n, 0.08)), "inside"))
    return framed(TABLES["mart.first_time_fix"], rows)


def repair_check(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i in range(900):
        verified = ("proved", "not_proved", "disproved", "no_trace")[int(rng.choice(4, p=[0.45, 0.2, 0.07, 0.28]))]
        rows.append(dict(job_id=f"J{i:05d}", shop_id=SHOPS[i % len(SHOPS)], vehicle_id=f"V{i % 300}",
                         component=PARTS[i % 8], action="replaced", verified=verified,
                         evidence_agrees=("yes", "no", "cannot_say")[i % 3]))
    return framed(TABLES["mart.repair_check"], rows)


def leak_size(rng: np.random.Generator) -> pl.DataFrame:
    groups = [("all", "all"), *(("model", f"{m} {n}") for m, n in MODELS), *(("component", p) for p in PARTS),
              *(("trouble_code", c) for c in ("P0442", "P0455", "P0456")), *(("stage", s) for s in ("before_repair", "after_repair", "routine"))]
    rows = []
    for by, group in groups:
        median = float(rng.uniform(0.4, 1.4))
        missing = group == "after_repair"
        rows.append(dict(
            by=by, group=group, n_traces=int(rng.integers(15, 900)), n_below_detection=12, n_too_large=7,
            median_mm=None if missing else median, median_low_mm=None if missing else 0.8 * median,
            median_high_mm=None if missing else 1.3 * median,
            share_over_0_5_mm=0.61, share_over_0_5_low=0.55, share_over_0_5_high=0.67, share_over_1_0_mm=0.22,
            share_over_1_0_low=0.17, share_over_1_0_high=0.28, lognormal_median_mm=median * 1.02, lognormal_sigma=0.6,
            reason="more than half are too tight to tell" if missing else None,
        ))
    return framed(TABLES["mart.leak_size"], rows)


def leak_size_curve() -> pl.DataFrame:
    rows = []
    for by, group, shift in (("all", "all", 1.0), ("model", "Halden Orrin", 1.4), ("trouble_code", "P0456", 0.6), ("stage", "routine", 0.8)):
        for d in np.geomspace(0.2, 4, 26):
            p = float(stats.lognorm.cdf(d, 0.6, scale=0.65 * shift))
            rows.append(dict(by=by, group=group, diameter_mm=float(d), interval_low_mm=float(d) * 0.96, share_at_most=round(p, 3),
                             low=max(0, p - 0.06), high=min(1, p + 0.06), lognormal_share=p))
        rows.append(dict(by=by, group=group, diameter_mm=float("inf"), interval_low_mm=4.0, share_at_most=1.0))
    return framed(TABLES["mart.leak_size_curve"], rows)


def trace_result(rng: np.random.Generator, hostile: bool) -> pl.DataFrame:
    verdicts = ("holds", "leak", "gross_leak", "no_vacuum", "purge_passes_closed", "vent_restricted", "sensor_flat",
                "sensor_offset", "sensor_disagrees", "not_judged")
    rows = []
    for i in range(600):
        verdict = verdicts[int(rng.choice(10, p=[0.42, 0.26, 0.08, 0.06, 0.04, 0.04, 0.02, 0.02, 0.02, 0.04]))]
        rows.append(dict(
            trace_id=f"R{i:04d}", job_id=f"J{i // 2:05d}", vehicle_id=f"V{i % 300}", stage=("before_repair", "after_repair", "routine")[i % 3],
            verdict=verdict, quality=float(rng.uniform(0.3, 1)), discharge_coefficient=0.61, n_samples=900,
            evidence=HOSTILE if hostile else "Vacuum reached 2.6 kPa and lost 310 Pa in 40 s of hold: a leak of 0.62 mm (0.55 to 0.71 mm).",
            suspects=["fuel_cap", "vapor_line"] if verdict == "leak" else [],
        ))
    return framed(TABLES["mart.trace_result"], rows)


ITEMS = (
    ("(i)", "failing initially"), ("(ii)", "failing the first retest"), ("(iii)", "passing the first retest"),
    ("(iv)", "initially failed, passing the second or a later retest"), ("(v)", "initially failed, receiving a waiver"),
    ("(vi)", "no known final outcome"), ("(xi)", "passing the OBD check"), ("(xii)", "failing the OBD check"),
    ("(xv)", "passing the OBD check, failing the gas cap test"), ("(xvi)", "failing the OBD check, passing the gas cap test"),
    ("(xvii)", "passing both"), ("(xviii)", "failing both"), ("(xix)", "MIL commanded on, no codes stored"),
    ("(xx)", "MIL not commanded on, codes stored"), ("(xxi)", "MIL commanded on, codes stored"),
    ("(xxii)", "MIL not commanded on, no codes stored"), ("(xxiii)", "readiness not complete for any supported module"),
)


def inspection_report(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for year in range(2004, 2024):
        for kind, size in (("passenger car", 180), ("light truck", 60)):
            for k, (item, meaning) in enumerate(ITEMS):
                of = 0 if item == "(v)" and year > 2020 else int(size * (1 + 0.03 * (year - 2004)))
                n = int(rng.binomial(of, 0.02 + 0.01 * (k % 5) + 0.004 * (2024 - year)))
                low, high = wilson(n, of) if of else (None, None)
                rows.append(dict(model_year=year, vehicle_type=kind, item=f"(a)(2){item}", meaning=meaning, n=n, of=of, of_what="test cycles with a verdict",
                                 percent=100 * n / of if of else None, low_percent=100 * low if of else None, high_percent=100 * high if of else None))
    return framed(TABLES["mart.inspection_report"], rows)


def readiness(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i, (make, model) in enumerate(MODELS):
        for monitor, p in (("evap", 0.11), ("catalyst", 0.05), ("o2_sensor", 0.02), ("egr_vvt", 0.03)):
            n = 60 + 45 * i
            k = int(rng.binomial(n, p * (2.5 if model == "Tarn" else 1)))
            low, high = wilson(k, n)
            rows.append(dict(make=make, model=model, monitor=monitor, n_inspections=n, n_not_ready=k, not_ready_rate=k / n, low=low, high=high))
    return framed(TABLES["mart.readiness"], rows)


def station_look(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i in range(22):
        for measure, p in (("initial_failure", 0.12), ("not_ready", 0.09), ("repeated_record", 0.01)):
            of = 90 + 40 * i
            odd = (i, measure) == (13, "repeated_record")
            n = int(rng.binomial(of, p * (12 if odd else 1)))
            low, high = wilson(n, of)
            q = 1e-7 if odd else float(rng.uniform(0.2, 1))
            rows.append(dict(station_id=f"ST-{i + 1:03d}", measure=measure, n=n, of=of, share=n / of, low=low, high=high, expected=p * of,
                             ratio=n / (p * of), p_value=q / 5, q_value=q, stands_out=odd))
    return framed(TABLES["mart.station_look"], rows)


def quarantine(hostile: bool) -> pl.DataFrame:
    broken = (
        ("northbay", "jobs", "vocabulary", "component", "PRG VALVE 2", "component 'PRG VALVE 2' is not a word of the contract.", 31),
        ("northbay", "jobs", "time_order", "closed_at", "2023-02-01T10:00:00Z", "closed_at lies before opened_at.", 4),
        ("inspectnet", "inspections", "obd_bytes", "monitor_status_hex", "82 07 65", "monitor_status_hex has 3 bytes where 4 belong.", 12),
        ("inspectnet", "vehicles", "vin_check_digit", "vin", "1ZZAB12C3DE000001", "the check digit should be 7.", 5),
        ("workshop", "samples", "range", "tank_pressure_pa", "98211.0", "tank_pressure_pa lies outside -50000 to 50000 Pa.", 18),
        ("workshop", "jobs", "reference", "vehicle_id", "V99999", "no accepted vehicle has vehicle_id V99999.", 2),
    )
    rows = [
        dict(file=f"{source}/{kind}.csv", row=i * 3 + 1, kind=kind, rule=rule, column=column, reason=reason, source_id=source,
             value=HOSTILE if hostile else value, raw=json.dumps({column: HOSTILE if hostile else value}))
        for source, kind, rule, column, value, reason, n in broken
        for i in range(n)
    ]
    return framed(TABLES["quarantine.records"], rows)


def audit_files() -> pl.DataFrame:
    at = datetime(2026, 2, 3, 4, 5, tzinfo=UTC)
    rows = []
    for source, kinds in (("northbay", ("vehicles", "jobs", "traces", "samples")), ("workshop", ("jobs", "samples")), ("inspectnet", ("vehicles", "inspections"))):
        for kind in kinds:
            bad, again, good = len(kind) * 3, len(source), 1200 * len(kind)
            rows.append(dict(file=f"{source}/{kind}.csv", source_id=source, kind=kind, sha256="ab" * 32, n_read=bad + again + good,
                             n_accepted=good, n_quarantined=bad, n_duplicate=again, ingested_at=at, status="read", form_sha256="cd" * 32))
    rows.append(dict(file="workshop/samples_cut.parquet", source_id="workshop", kind="samples", n_read=0, n_accepted=0, n_quarantined=0,
                     n_duplicate=0, ingested_at=at, status="unreadable", problem="The file ends before its footer."))
    return framed(TABLES["audit.files"], rows)


def audit_runs() -> pl.DataFrame:
    start = datetime(2026, 2, 3, 4, 5, tzinfo=UTC)
    row = dict(
        run_id="r1", started_at=start, finished_at=start + timedelta(seconds=41), lake="sample_lake",
        settings=json.dumps({"level": 0.95, "follow_up_days": 90, "cycle_gap_days": 180, "discharge_coefficient": 0.61}),
        versions=json.dumps({"evapfleet": "0.1.0", "python": "3.11.9", "duckdb": "2.0.1"}),
        row_counts=json.dumps({"core.jobs": 4800, "mart.failure_rate": 64}),
        durations_s=json.dumps({"read": 12.4, "measure": 6.1, "model": 3.2}),
        skipped=json.dumps(["workshop/samples_cut.parquet: The file ends before its footer."]),
        window_from_on=date(2023, 1, 2), window_to_on=date(2025, 12, 30), inspection_window_to_on=date(2025, 12, 29),
    )
    return framed(TABLES["audit.runs"], [row])
