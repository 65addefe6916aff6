"""Made-up inspection statistics."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import polars as pl

from tests.unit.reports.frame_of_table import MODELS, TABLES, framed, wilson

ITEMS = (
    ("(i)", "failing initially"),
    ("(ii)", "failing the first retest"),
    ("(iii)", "passing the first retest"),
    ("(iv)", "initially failed, passing the second or a later retest"),
    ("(v)", "initially failed, receiving a waiver"),
    ("(vi)", "no known final outcome"),
    ("(xi)", "passing the OBD check"),
    ("(xii)", "failing the OBD check"),
    ("(xv)", "passing the OBD check, failing the gas cap test"),
    ("(xvi)", "failing the OBD check, passing the gas cap test"),
    ("(xvii)", "passing both"),
    ("(xviii)", "failing both"),
    ("(xix)", "MIL commanded on, no codes stored"),
    ("(xx)", "MIL not commanded on, codes stored"),
    ("(xxi)", "MIL commanded on, codes stored"),
    ("(xxii)", "MIL not commanded on, no codes stored"),
    ("(xxiii)", "readiness not complete for any supported module"),
)


def inspection_report(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for year in range(2004, 2024):
        for kind, size in (("passenger car", 180), ("light truck", 60)):
            for k, (item, meaning) in enumerate(ITEMS):
                of = 0 if item == "(v)" and year > 2020 else int(size * (1 + 0.03 * (year - 2004)))
                n = int(rng.binomial(of, 0.02 + 0.01 * (k % 5) + 0.004 * (2024 - year)))
                low, high = wilson(n, of) if of else (None, None)
                rows.append(
                    {
                        "model_year": year,
                        "vehicle_type": kind,
                        "item": f"(a)(2){item}",
                        "meaning": meaning,
                        "n": n,
                        "of": of,
                        "of_what": "test cycles with a verdict",
                        "percent": 100 * n / of if of else None,
                        "low_percent": 100 * low if of else None,
                        "high_percent": 100 * high if of else None,
                    }
                )
    return framed(TABLES["mart.inspection_report"], rows)


def readiness(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for i, (make, model) in enumerate(MODELS):
        for monitor, p in (("evap", 0.11), ("catalyst", 0.05), ("o2_sensor", 0.02), ("egr_vvt", 0.03)):
            n = 60 + 45 * i
            k = int(rng.binomial(n, p * (2.5 if model == "Tarn" else 1)))
            low, high = wilson(k, n)
            rows.append(
                {
                    "make": make,
                    "model": model,
                    "monitor": monitor,
                    "n_inspections": n,
                    "n_not_ready": k,
                    "not_ready_rate": k / n,
                    "low": low,
                    "high": high,
                }
            )
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
            rows.append(
                {
                    "station_id": f"ST-{i + 1:03d}",
                    "measure": measure,
                    "n": n,
                    "of": of,
                    "share": n / of,
                    "low": low,
                    "high": high,
                    "expected": p * of,
                    "ratio": n / (p * of),
                    "p_value": q / 5,
                    "q_value": q,
                    "stands_out": odd,
                    "inspection_ids": ["I0013", "I0451"] if odd else None,
                }
            )
    return framed(TABLES["mart.station_look"], rows)


def monitor_after_clear() -> pl.DataFrame:
    rows = []
    for i, (make, model) in enumerate(MODELS):
        for monitor, factor in (("evap", 1.0), ("catalyst", 0.5)):
            for counter, scale in (("distance_km", 100.0), ("warmups", 4.0)):
                for share, z in ((0.5, 1.0), (0.8, 2.0), (0.9, 2.8)):
                    value = scale * factor * z * (1 + 0.1 * i)
                    few = (model, monitor) == ("Tarn", "catalyst")
                    rows.append(
                        {
                            "make": make,
                            "model": model,
                            "monitor": monitor,
                            "counter": counter,
                            "share_ready": share,
                            "n_vehicles": 12 if few else 300 + i,
                            "n_not_ready": 20 - i,
                            "n_saturated": 1,
                            "reading": None if few else value,
                            "low": None if few else 0.6 * value,
                            "high": None if few or i == 2 else 1.9 * value,
                            "pooled": 1.1 * value,
                            "pooled_low": 0.8 * value,
                            "pooled_high": 1.6 * value,
                            "reason": "fewer than 20 vehicles" if few else None,
                        }
                    )
    return framed(TABLES["mart.monitor_after_clear"], rows)


def readiness_after_clear() -> pl.DataFrame:
    rows = [
        {"make": make, "model": model, "n_vehicles": 300, "n_not_ready": 20, "km_90": 280.0}
        for make, model in MODELS
    ]
    return framed(TABLES["mart.readiness_after_clear"], rows)


def vehicle_due() -> pl.DataFrame:
    rows = []
    # lamp and fault, overdue, then by the chance, unknown chance, no date
    by_risk = [2, 3, 0, 1, 5, 6, *range(8, 30), 7, 4]
    for i in range(30):
        make, model = MODELS[i % len(MODELS)]
        basis = ("arrivals", "cleared", "driven_on")[i % 3]
        known = i != 7
        rows.append(
            {
                "rank": by_risk.index(i) + 1,
                "vehicle_id": f"V{i:03d}",
                "make": make,
                "model": model,
                "fleet_id": "yard",
                "due_on": None if i == 4 else date(2024, 1 + i % 12, 3),
                "days_to_due": None if i == 4 else 30 * i - 40,
                "last_inspected_on": date(2023, 1 + i % 12, 9),
                "last_verdict": "pass",
                "evap_state": "not_complete" if basis == "driven_on" else "complete",
                "km_per_day": 40.0 + i,
                "is_own_distance": i % 2 == 0,
                "km_at_due": 100.0 * i,
                "chance_ready": 0.5 + 0.015 * i if known else None,
                "chance_low": 0.4 + 0.015 * i if known else None,
                "chance_high": 0.55 + 0.015 * i if known else None,
                "basis": basis,
                "n_behind": 200 + i,
                "is_lamp_on": i == 2,
                "open_faults": ["P0442 with the lamp on at the last inspection"] if i == 3 else [],
                "advice": f"advice {i}",
                "reason": None if known else "the usual distance per day is not known",
            }
        )
    return framed(TABLES["mart.vehicle_due"], rows)


def cycle_outcome() -> pl.DataFrame:
    rows = [
        {
            "model_year": year,
            "vehicle_type": kind,
            "n_initial_fail": 18,
            "n_passed_first_retest": 9,
            "n_passed_later_retest": 4,
            "n_waived": 2,
            "n_unknown": 2,
            "n_open": 1,
            "n_passed_and_waived": 1,
        }
        for year in (2004, 2012, 2020)
        for kind in ("passenger car", "light truck")
    ]
    return framed(TABLES["mart.cycle_outcome"], rows)


def vehicles_tested() -> pl.DataFrame:
    rows = [
        {
            "model_year": year,
            "vehicle_type": kind,
            "n_vehicles": n,
            "n_vehicles_seen": n + 3,
            "n_initial": 2 * n,
        }
        for year in (2004, 2012, 2020)
        for kind, n in (("passenger car", 150), ("light truck", 40))
    ]
    return framed(TABLES["mart.vehicles_tested"], rows)


def inspection_station() -> pl.DataFrame:
    rows = []
    for i in range(22):
        for year in (2004, 2012, 2020):
            n, of = (i + year) % 7, 20 + i
            low, high = wilson(n, of)
            rows.append(
                {
                    "model_year": year,
                    "station_id": f"ST-{i + 1:03d}",
                    "n_initial": of,
                    "n_initial_fail": n,
                    "initial_failure_percent": 100 * n / of,
                    "low_percent": 100 * low,
                    "high_percent": 100 * high,
                    "year_percent": 11.5,
                    "station_q_value": 1e-7 if i == 13 else 0.4,
                    "reasons_to_look": ["repeated_record"] if i == 13 else [],
                }
            )
    return framed(TABLES["mart.inspection_station"], rows)


def inspection_disagreement() -> pl.DataFrame:
    rows = [
        {
            "inspection_id": f"I{i:03d}",
            "station_id": f"ST-{1 + i % 3:03d}",
            "vehicle_id": f"V{i:03d}",
            "inspected_at": datetime(2023, 5, 1 + i, 9, 30, tzinfo=UTC),
            "recorded": "pass",
            "judged": "fail" if i % 2 else "return",
            "clause": "40 CFR 85.2222(d)(4): the lamp does not light at key-on, engine off",
        }
        for i in range(9)
    ]
    return framed(TABLES["mart.inspection_disagreement"], rows)
