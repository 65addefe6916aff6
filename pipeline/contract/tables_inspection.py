"""What comes out: the tables of inspections, readiness and stations."""

from __future__ import annotations

from pipeline.contract.table_form import Column, Table, count, flag, number, text

INSPECTION_REPORT = Table(
    "mart",
    "inspection_report",
    ("model_year", "vehicle_type", "item"),
    "one item of 40 CFR 51.366(a)(2) for one model year and vehicle type",
    (
        Column("model_year", "INTEGER", "model year"),
        text("vehicle_type", "vehicle type, as registered"),
        text("item", "the rule's own number, for example (a)(2)(xi)"),
        text("meaning", "what the item counts"),
        count("n", "test cycles counted"),
        count("of", "test cycles the item could have counted"),
        text("of_what", "what `of` counts"),
        number("percent", "100 n / of", "%"),
        number("low_percent", "its Wilson lower bound", "%"),
        number("high_percent", "its Wilson upper bound", "%"),
    ),
)

CYCLE_OUTCOME = Table(
    "mart",
    "cycle_outcome",
    ("model_year", "vehicle_type"),
    "one model year and vehicle type: how the test cycles that failed initially ended, each counted once",
    (
        Column("model_year", "INTEGER", "model year"),
        text("vehicle_type", "vehicle type, as registered"),
        count("n_initial_fail", "test cycles that failed initially, (a)(2)(i): the sum of the next five"),
        count("n_passed_first_retest", "passed the first retest, (a)(2)(iii)"),
        count("n_passed_later_retest", "passed the second or a later retest, (a)(2)(iv)"),
        count("n_waived", "received a waiver and never passed, (a)(2)(v) less n_passed_and_waived"),
        count(
            "n_unknown",
            "no known final outcome, (a)(2)(vi): the last verdict is a fail, and `cycle_gap_days` have passed since the"
            " last visit",
        ),
        count("n_open", "still open: the same, and fewer days have passed; in no item of the rule"),
        count(
            "n_passed_and_waived", "of those that passed: marked waived at the same visit, in (a)(2)(v) too"
        ),
    ),
)

VEHICLES_TESTED = Table(
    "mart",
    "vehicles_tested",
    ("model_year", "vehicle_type"),
    "one model year and vehicle type: vehicles tested, 40 CFR 51.366(a)(1)",
    (
        Column("model_year", "INTEGER", "model year"),
        text("vehicle_type", "vehicle type, as registered"),
        count("n_vehicles", "vehicles tested, each once: at least one visit with a verdict"),
        count("n_vehicles_seen", "vehicles with any visit"),
        count("n_initial", "their initial tests, one for each test cycle with a verdict"),
    ),
)

READINESS = Table(
    "mart",
    "readiness",
    ("make", "model", "monitor"),
    "one monitor of one model",
    (
        text("make", "make"),
        text("model", "model"),
        text("monitor", "monitor (SAE J1979 service 01 PID 01)"),
        count("n_inspections", "inspections in which the monitor applies and its state is known"),
        count("n_not_ready", "of these, not complete"),
        number("not_ready_rate", "share not complete"),
        number("low", "its Wilson lower bound"),
        number("high", "its Wilson upper bound"),
    ),
)

STATION_LOOK = Table(
    "mart",
    "station_look",
    ("station_id", "measure"),
    "one measure of one inspection station: a reason to look, never an accusation",
    (
        text("station_id", "inspection station"),
        text(
            "measure",
            "initial_failure, not_ready, soon_after_clear, close_tests, quick_retest, repeated_record or"
            " repeated_distance",
        ),
        count("n", "inspections counted"),
        count("of", "inspections that could have been counted"),
        number("share", "n / of"),
        number("low", "its Wilson lower bound"),
        number("high", "its Wilson upper bound"),
        number("expected", "count expected for the station's mix of model years, days or by chance"),
        number("ratio", "n / expected"),
        number("p_value", "how often an ordinary station would be so far off, over-dispersion allowed for"),
        number("q_value", "Benjamini-Hochberg over all stations and measures"),
        flag("stands_out", "q_value < 0.01"),
        Column(
            "inspection_ids",
            "VARCHAR[]",
            "the first records behind a station that stands out, at most 20; of repetitions the first record of each:"
            " the others have the same readings at that station in core.inspections",
        ),
    ),
)


def _bounded(name: str, meaning: str, unit: str = "") -> tuple[Column, Column, Column]:
    """A number with its bounds: name, name_low, name_high."""
    return (
        number(name, meaning, unit),
        number(f"{name}_low", "its lower bound", unit),
        number(f"{name}_high", "its upper bound", unit),
    )


_HALF, _FOUR_FIFTHS, _NINE_TENTHS = (
    f"at which {share} of vehicles have the EVAP monitor complete (nonparametric)"
    for share in ("half", "80 %", "90 %")
)

READINESS_AFTER_CLEAR = Table(
    "mart",
    "readiness_after_clear",
    ("make", "model"),
    "one model: how far after a clear until the EVAP monitor is complete",
    (
        text("make", "make"),
        text("model", "model"),
        count("n_vehicles", "vehicles looked at once, with their distance since a clear known"),
        count("n_not_ready", "of these, EVAP monitor not complete"),
        *_bounded("km_50", f"distance since a clear {_HALF}", "km"),
        *_bounded("km_80", f"distance since a clear {_FOUR_FIFTHS}", "km"),
        *_bounded("km_90", f"distance since a clear {_NINE_TENTHS}", "km"),
        *_bounded("warmups_50", f"warm-ups since a clear {_HALF}"),
        *_bounded("warmups_80", f"warm-ups since a clear {_FOUR_FIFTHS}"),
        *_bounded("warmups_90", f"warm-ups since a clear {_NINE_TENTHS}"),
        *_bounded("pooled_km_90", "km_90 by the lognormal curve, pooled toward the other models", "km"),
        text("reason", "why km_90 is missing"),
    ),
)

MONITOR_AFTER_CLEAR = Table(
    "mart",
    "monitor_after_clear",
    ("make", "model", "monitor", "counter", "share_ready"),
    "one share of one model's vehicles that has one monitor complete, by one counter",
    (
        text("make", "make"),
        text("model", "model"),
        text("monitor", "monitor (SAE J1979 service 01 PID 01)"),
        text("counter", "distance_km (PID 31) or warmups (PID 30), since the codes were cleared"),
        number("share_ready", "share of vehicles: 0.5, 0.8 or 0.9"),
        count("n_vehicles", "vehicles looked at once, with the monitor and the counter known"),
        count("n_not_ready", "of these, monitor not complete"),
        count("n_saturated", "of these, counter at its end: more than it can count"),
        number("reading", "counter reading at which the share is reached (isotonic regression)", "km or 1"),
        number("low", "its lower bound (likelihood ratio); 0: no bound", "km or 1"),
        number("high", "its upper bound (likelihood ratio); null: no bound", "km or 1"),
        number("pooled", "the same by a lognormal curve, pooled toward the other models", "km or 1"),
        number("pooled_low", "its lower bound", "km or 1"),
        number("pooled_high", "its upper bound", "km or 1"),
        text("reason", "why reading is missing"),
        text("pooled_reason", "why pooled is missing"),
    ),
)

VEHICLE_DUE = Table(
    "mart",
    "vehicle_due",
    ("vehicle_id",),
    "one vehicle in service: its next inspection, riskiest first",
    (
        count(
            "rank", "place in the order of risk, from 1: faults and lamps, overdue, then the smaller chance"
        ),
        text("vehicle_id", "vehicle"),
        text("make", "make"),
        text("model", "model"),
        text("fleet_id", "fleet"),
        Column("due_on", "DATE", "next inspection, as registered"),
        count("days_to_due", "days from the last day that the records know; negative: overdue"),
        Column("last_inspected_on", "DATE", "last inspection"),
        text("last_verdict", "its result: pass, fail or return"),
        text("evap_state", "EVAP monitor then: complete or not_complete"),
        Column("cleared_on", "DATE", "a repair closed since, with which the codes are taken to be cleared"),
        number("km_per_day", "usual distance per day", "km"),
        flag("is_own_distance", "from the vehicle's own odometer; else the median of its model"),
        number("km_at_due", "distance since the last known clear expected at the inspection", "km"),
        number("chance_ready", "chance that the EVAP monitor is complete at the inspection"),
        number("chance_low", "its lower bound"),
        number("chance_high", "its upper bound"),
        text("basis", "what the chance rests on: driven_on, cleared or arrivals"),
        count("n_behind", "vehicles or inspections of the model behind the chance"),
        flag("is_lamp_on", "lamp commanded on at the last inspection, and no job closed since"),
        Column("open_faults", "VARCHAR[]", "open EVAP faults"),
        text("advice", "what helps most, in one line"),
        text("reason", "why the chance is missing"),
    ),
)

INSPECTION_STATION = Table(
    "mart",
    "inspection_station",
    ("model_year", "station_id"),
    "one station's initial tests of one model year: 40 CFR 51.366(a)(3) and (a)(4)",
    (
        Column("model_year", "INTEGER", "model year"),
        text("station_id", "inspection station"),
        count("n_initial", "initial tests: (a)(3)"),
        count("n_initial_fail", "of these, failed"),
        number("initial_failure_percent", "initial test failure rate: (a)(4)", "%"),
        number("low_percent", "its Wilson lower bound", "%"),
        number("high_percent", "its Wilson upper bound", "%"),
        number("year_percent", "initial test failure rate of the model year at all stations", "%"),
        number("station_q_value", "smallest q_value of the station over all measures in station_look"),
        Column("reasons_to_look", "VARCHAR[]", "measures in which the station stands out, all model years"),
    ),
)

INSPECTION_DISAGREEMENT = Table(
    "mart",
    "inspection_disagreement",
    ("inspection_id",),
    "one inspection whose recorded result is not the one that the rule gives",
    (
        text("inspection_id", "inspection"),
        text("station_id", "inspection station"),
        text("vehicle_id", "vehicle"),
        Column("inspected_at", "TIMESTAMP WITH TIME ZONE", "when"),
        text("recorded", "result as the station recorded it"),
        text("judged", "result by the rule, on the same record and the visits before it"),
        text("clause", "the rule's clause that gives it"),
    ),
)
