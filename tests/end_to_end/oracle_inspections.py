"""An independent computation of the inspection marts, written from the contract's definitions alone.

40 CFR 51.366(a)(2) items by test cycle, 40 CFR 85.2222 for visits without a recorded result, readiness by model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from tests.end_to_end.oracle import day, wilson
from tests.end_to_end.raw_lake import Records, decode_status

GAP_DAYS = 180


@dataclass
class Visit:
    """One inspection as the definitions need it."""

    on: pd.Timestamp
    lamp: bool | None
    has_codes: bool | None
    not_ready: list[str] | None
    supported: list[str] | None
    base: str | None
    recorded: str | None
    cap: str | None
    waived: bool
    record: dict[str, Any]
    result: str | None = None
    judged: str | None = None


def visit_of(record: dict[str, Any], model_year: float) -> Visit:
    """Read one record: bytes first, then the columns."""
    lamp, count, late, supported = (
        record["mil_on"],
        record["trouble_code_count"],
        record["monitors_not_ready"],
        None,
    )
    if record["monitor_status_hex"]:
        lamp, count, supported, late = decode_status(record["monitor_status_hex"])
    codes = record["trouble_codes"]
    n_codes = count if count is not None else (len(codes) if codes is not None else None)
    return Visit(
        day(record["inspected_at"]),
        lamp,
        None if n_codes is None else n_codes > 0,
        late,
        supported,
        judge(model_year, late, lamp, n_codes, record["bulb_check"], record["connector"]),
        record["test_result"],
        record["cap_test_result"],
        bool(record["waived"]),
        record,
    )


def judge(
    year: float, late: list[str] | None, lamp: bool | None, n_codes: float | None, bulb: Any, connector: Any
) -> str | None:
    """Apply 40 CFR 85.2207 and 85.2222(c), (d) to one visit; None where they do not decide."""
    if year < 1996:
        return None
    if connector in ("missing", "tampered", "inoperable") or bulb == "dark":
        return "fail"
    if lamp is None or (lamp and not n_codes):
        return None
    if lamp:
        return "fail"
    if late is None:
        return None
    return "pass" if len(late) <= (2 if year <= 2000 else 1) else "return"


def cycles_of(records: Records) -> list[tuple[dict[str, Any], list[Visit]]]:
    """Cut every vehicle's inspections into test cycles: (vehicle, visits in time order)."""
    cycles = []
    for vehicle in records.vehicles:
        mine = [i for i in records.inspections if i["vehicle_id"] == vehicle["vehicle_id"]]
        current: list[Visit] = []
        for record in sorted(mine, key=lambda i: i["inspected_at"]):
            visit = visit_of(record, vehicle["model_year"])
            if current and ((visit.on - current[-1].on).days >= GAP_DAYS or _is_over(current[-1])):
                current = []
            if not current:
                cycles.append((vehicle, current))
            was_return = bool(current) and (current[-1].recorded or current[-1].base) == "return"
            visit.judged = "fail" if visit.base == "return" and was_return else visit.base
            visit.result = visit.recorded or visit.judged
            current.append(visit)
    return cycles


def _is_over(visit: Visit) -> bool:
    return visit.waived or visit.result == "pass"


def counts_of(visits: list[Visit], last_day: pd.Timestamp) -> dict[str, bool | None]:
    """Say for each item whether the cycle counts: True, False, or None where it could not have counted."""
    verdicts = [v for v in visits if v.result in ("pass", "fail")]
    first, initial = visits[0], verdicts[0] if verdicts else None
    retest = verdicts[1].result if len(verdicts) > 1 else None
    failed = initial is not None and initial.result == "fail"
    is_waived = any(v.waived for v in visits)
    is_unknown = not is_waived and verdicts[-1:] != [] and verdicts[-1].result == "fail"
    is_unknown = is_unknown and (last_day - visits[-1].on).days >= GAP_DAYS
    items: dict[str, bool | None] = {
        "i": failed if initial else None,
        "ii": retest == "fail" if retest else None,
        "iii": retest == "pass" if retest else None,
        "iv": (len(verdicts) > 2 and verdicts[-1].result == "pass") if failed else None,
        "v": is_waived if failed else None,
        "vi": is_unknown if failed else None,
        "xi": initial.result == "pass" if initial else None,
        "xii": failed if initial else None,
    }
    for item, pair in {
        "xv": ("pass", "fail"), "xvi": ("fail", "pass"), "xvii": ("pass", "pass"), "xviii": ("fail", "fail"),
    }.items():  # fmt: skip
        items[item] = (initial.result, initial.cap) == pair if initial and initial.cap else None
    is_known = first.lamp is not None and first.has_codes is not None
    for item, state in {
        "xix": (True, False), "xx": (False, True), "xxi": (True, True), "xxii": (False, False),
    }.items():  # fmt: skip
        items[item] = (first.lamp, first.has_codes) == state if is_known else None
    items["xxiii"] = len(first.not_ready) > 0 if first.not_ready is not None else None
    return items


def inspection_report(records: Records) -> pd.DataFrame:
    """Compute mart.inspection_report: n and of by model year, vehicle type and item."""
    last_day = max(day(i["inspected_at"]) for i in records.inspections)
    rows = []
    for vehicle, visits in cycles_of(records):
        for item, counts in counts_of(visits, last_day).items():
            if counts is not None:
                rows.append((int(vehicle["model_year"]), vehicle["vehicle_type"], f"(a)(2)({item})", counts))
    told = pd.DataFrame(rows, columns=["model_year", "vehicle_type", "item", "counts"])
    table = told.groupby(["model_year", "vehicle_type", "item"], dropna=False)["counts"].agg(["sum", "size"])
    table = table.rename(columns={"sum": "n", "size": "of"}).astype(int).reset_index()
    table["percent"] = 100 * table["n"] / table["of"]
    bounds = [wilson(n, of) for n, of in zip(table["n"], table["of"], strict=True)]
    table["low_percent"], table["high_percent"] = [100 * b[0] for b in bounds], [100 * b[1] for b in bounds]
    return table


def readiness(records: Records) -> pd.DataFrame:
    """Compute mart.readiness: a monitor applies where bytes support it, or where its model ever shows it."""
    by_model: dict[tuple[str, str], list[Visit]] = {}
    register = {v["vehicle_id"]: v for v in records.vehicles}
    for record in records.inspections:
        vehicle = register[record["vehicle_id"]]
        visit = visit_of(record, vehicle["model_year"])
        if visit.not_ready is not None:
            by_model.setdefault((vehicle["make"], vehicle["model"]), []).append(visit)
    rows = []
    for (make, model), visits in by_model.items():
        for monitor in sorted({m for v in visits for m in [*(v.supported or []), *(v.not_ready or [])]}):
            those = [v for v in visits if v.supported is None or monitor in v.supported]
            k = sum(monitor in (v.not_ready or []) for v in those)
            rows.append((make, model, monitor, len(those), k, k / len(those), *wilson(k, len(those))))
    names = ["make", "model", "monitor", "n_inspections", "n_not_ready", "not_ready_rate", "low", "high"]
    return pd.DataFrame(rows, columns=names)
