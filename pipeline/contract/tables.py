"""What comes out: the marts, column by column, with type, unit and meaning.

DuckDB column comments, axis titles, the reference page and the check that a run kept its promises all
derive from this one dictionary. Types are DuckDB's.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    name: str
    type: str
    meaning: str
    unit: str = ""


@dataclass(frozen=True)
class Table:
    """One output table: `schema.name`, its key, and what one row is (its grain)."""

    schema: str
    name: str
    key: tuple[str, ...]
    grain: str
    columns: tuple[Column, ...]

    @property
    def full_name(self) -> str:
        return f"{self.schema}.{self.name}"

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)


def _text(name: str, meaning: str) -> Column:
    return Column(name, "VARCHAR", meaning)


def _count(name: str, meaning: str) -> Column:
    return Column(name, "BIGINT", meaning)


def _number(name: str, meaning: str, unit: str = "") -> Column:
    return Column(name, "DOUBLE", meaning, unit)


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "BOOLEAN", meaning)


TRACE_RESULT = Table(
    "mart",
    "trace_result",
    ("trace_id",),
    "one accepted trace, judged",
    (
        _text("trace_id", "recording"),
        _text("job_id", "job it was recorded in"),
        _text("vehicle_id", "vehicle"),
        _text("stage", "before_repair, after_repair or routine"),
        _text("verdict", "what the recording proves"),
        _number("leak_diameter_mm", "effective diameter of the sharp-edged orifice with the same flow", "mm"),
        _number("leak_diameter_low_mm", "lower bound of the diameter", "mm"),
        _number("leak_diameter_high_mm", "upper bound of the diameter", "mm"),
        _text(
            "leak_censoring", "none; left: smaller than the upper bound; right: larger than the lower bound"
        ),
        _number("vapor_volume_l", "vapor space the pressure was held in", "l"),
        _number("vapor_rise_pa_s", "pressure rise with vent and purge shut, before any draw", "Pa/s"),
        _number("rest_pressure_pa", "median pressure with the vent open", "Pa"),
        _number("rest_sensor_v", "median sensor output with the vent open", "V"),
        _number("peak_vacuum_pa", "deepest vacuum, as a positive number", "Pa"),
        _number("draw_rate_pa_s", "rate at which vacuum built at the start of the draw", "Pa/s"),
        _number("hold_s", "length of the longest hold", "s"),
        _number("quality", "how much of what a judgement needs the recording holds, 0 to 1"),
        _text("evidence", "what a technician would say, with the numbers"),
        Column("suspects", "VARCHAR[]", "components to look at, likeliest first"),
        _number("discharge_coefficient", "discharge coefficient that the diameter rests on"),
        _count("n_samples", "accepted samples"),
    ),
)

REPAIR_CHECK = Table(
    "mart",
    "repair_check",
    ("job_id",),
    "one repair",
    (
        _text("job_id", "repair"),
        _text("shop_id", "shop"),
        _text("vehicle_id", "vehicle"),
        _text("component", "component repaired"),
        _text("action", "what was done"),
        _text("before_trace_id", "last judged trace before the repair"),
        _text("after_trace_id", "last judged trace after the repair"),
        _text("before_verdict", "verdict before"),
        _text("after_verdict", "verdict after"),
        _number("before_diameter_mm", "diameter before", "mm"),
        _number("before_diameter_low_mm", "its lower bound", "mm"),
        _number("before_diameter_high_mm", "its upper bound", "mm"),
        _number("after_diameter_mm", "diameter after", "mm"),
        _number("after_diameter_low_mm", "its lower bound", "mm"),
        _number("after_diameter_high_mm", "its upper bound", "mm"),
        _text("verified", "proved, not_proved, disproved or no_trace"),
        _text("evidence_agrees", "does the before-trace support the component: yes, no or cannot_say"),
    ),
)

FAILURE_RATE = Table(
    "mart",
    "failure_rate",
    ("make", "model", "component"),
    "one component of one model",
    (
        _text("make", "make"),
        _text("model", "model"),
        _text("component", "component"),
        _count("n_failures", "repairs opened inside the window"),
        _count("n_comebacks", "those of them that are a comeback on the same component"),
        _count("n_vehicles", "vehicles of the model in the register"),
        _number("vehicle_years", "exposure inside the window", "vehicle-years"),
        _number(
            "vehicle_km", "distance between the first and the last odometer reading inside the window", "km"
        ),
        _count("n_vehicles_km", "vehicles whose distance is known"),
        _number("rate_per_1000_vehicle_years", "failures per 1000 vehicle-years"),
        _number("low", "exact Poisson (Garwood) lower bound of the rate"),
        _number("high", "exact Poisson (Garwood) upper bound of the rate"),
        _number("shrunk_rate", "gamma-Poisson empirical-Bayes rate per 1000 vehicle-years"),
        _number("shrunk_low", "its lower bound"),
        _number("shrunk_high", "its upper bound"),
        _number("rate_ratio", "rate against the rest of the fleet, same component"),
        _number("p_value", "exact conditional binomial test of that ratio, two-sided"),
        _number("q_value", "Benjamini-Hochberg over every model and component tested"),
        _flag("is_recurring", "q_value < 0.05 and rate_ratio > 1"),
        _count("n_failures_km", "failures of those vehicles between their two readings"),
        _number("rate_per_million_km", "failures per million km, over vehicles whose distance is known"),
        _number("low_per_million_km", "its exact lower bound"),
        _number("high_per_million_km", "its exact upper bound"),
    ),
)

COMPONENT_LIFE = Table(
    "mart",
    "component_life",
    ("make", "model", "component"),
    "the life of one component of one model, or of all models together (make and model *)",
    (
        _text("make", "make; * for all makes"),
        _text("model", "model; * for all models"),
        _text("component", "component"),
        _count("n_vehicles", "vehicles of the model in the register"),
        _count("n_failures", "failures inside the window with a known age"),
        _count(
            "n_returns",
            "of these, within the follow-up window of a repair of the same component: they count against that"
            " repair, so in the forecast and not in the life",
        ),
        _count("n_left_out", "failures before the vehicle went into service or after it left"),
        _count("n_replaced", "failures inside the window after which the component was replaced"),
        _number("unit_years", "age lived under observation inside the window", "years"),
        _number("weibull_shape", "Weibull shape: below 1 early failures, 1 chance, above 1 wear"),
        _number("weibull_shape_low", "its lower bound"),
        _number("weibull_shape_high", "its upper bound"),
        _number("weibull_scale_years", "Weibull scale: age by which 63 % have failed", "years"),
        _number("weibull_scale_low_years", "its lower bound", "years"),
        _number("weibull_scale_high_years", "its upper bound", "years"),
        _number("b10_years", "age by which a tenth have failed", "years"),
        _number("b10_low_years", "its lower bound", "years"),
        _number("b10_high_years", "its upper bound", "years"),
        _number("p_constant", "likelihood-ratio test of shape = 1, two-sided"),
        _text("pattern", "early, random, wear_out or unclear"),
        _count("n_in_service", "units in service at the window's end"),
        _number("failures_next_90_days", "failures expected of them in the 90 days after the window"),
        _count("failures_next_90_days_low", "lower prediction bound of their number"),
        _count("failures_next_90_days_high", "upper prediction bound of their number"),
        _number("failures_next_365_days", "failures expected of them in the 365 days after the window"),
        _count("failures_next_365_days_low", "lower prediction bound of their number"),
        _count("failures_next_365_days_high", "upper prediction bound of their number"),
        _count("parts_for_90_days", "parts that last 90 days with the chosen chance"),
        _count("parts_for_365_days", "parts that last 365 days with the chosen chance"),
        _number("service_level", "that chance"),
        _text("reason", "why a number is missing"),
    ),
)

COMPONENT_LIFE_CURVE = Table(
    "mart",
    "component_life_curve",
    ("make", "model", "component", "age_years"),
    "one age at failure on one component's life",
    (
        _text("make", "make; * for all makes"),
        _text("model", "model; * for all models"),
        _text("component", "component"),
        _number("age_years", "age of the unit", "years"),
        _count("n_at_risk", "units under observation at that age"),
        _count("n_failures", "failures up to that age, returns left out"),
        _number("since_years", "age at which the first unit came under observation", "years"),
        _number("failures_per_unit", "failures per unit from there to that age (Nelson-Aalen)"),
        _number("low", "its lower bound"),
        _number("high", "its upper bound"),
        _number("weibull_failures_per_unit", "the same by the Weibull fit"),
    ),
)

RECURRENCE = Table(
    "mart",
    "recurrence",
    ("make", "model", "component", "age_days"),
    "one age of the vehicle on one component's recurrence",
    (
        _text("make", "make; * for all makes"),
        _text("model", "model; * for all models"),
        _text("component", "component"),
        _count("age_days", "age of the vehicle at a failure"),
        _count("n_at_risk", "vehicles under observation at that age"),
        _count("n_failures", "failures up to that age"),
        _number("failures_per_vehicle", "mean cumulative number of failures per vehicle up to that age"),
        _number("low", "its lower bound (robust variance)"),
        _number("high", "its upper bound (robust variance)"),
    ),
)

ALARMS = Table(
    "mart",
    "alarms",
    ("make", "model", "component", "month"),
    "one month of one chart",
    (
        _text("make", "make"),
        _text("model", "model"),
        _text("component", "component"),
        Column("month", "DATE", "first day of the month"),
        _count("observed", "failures opened in the month that are no return"),
        _number("expected", "failures expected from exposure, age and the model's own earlier months"),
        _number("evidence", "CUSUM of the log-likelihood ratio of a raised level", "nats"),
        _number("evidence_limit", "the chart signals where the evidence reaches this", "nats"),
        _flag("is_signal", "the chart signals in this month"),
        _number(
            "false_alarm_chance", "chance paid for: of any false signal in all charts and months together"
        ),
        _count("n_charts", "charts that share it"),
        _number(
            "run_length_months", "months that one chart at least runs without a change, on average", "months"
        ),
    ),
)

FIRST_TIME_FIX = Table(
    "mart",
    "first_time_fix",
    ("by", "group"),
    "one group of repairs",
    (
        _text("by", "all, shop, technician, model, component, verified or evidence"),
        _text("group", "the group"),
        _count("n_repairs", "repairs closed inside the window"),
        _count("n_comebacks", "repairs that came back within the follow-up window"),
        _count("n_followed", "repairs seen for the whole follow-up window"),
        _number("first_time_fix", "Kaplan-Meier share without a comeback at the end of the follow-up window"),
        _number("low", "its lower bound (Greenwood, log-log)"),
        _number("high", "its upper bound (Greenwood, log-log)"),
        _number("first_time_fix_naive", "share without a comeback among the followed only"),
        _number("expected", "first-time fix of the same mix of models and components"),
        _number("n_comebacks_expected", "comebacks expected of that mix over the same follow-up"),
        _text("funnel", "where the group lies against its funnel limits"),
        _number("funnel_low", "lower 95 % funnel limit of first-time fix"),
        _number("funnel_high", "upper 95 % funnel limit of first-time fix"),
        _number("funnel_beyond_low", "lower 99.8 % funnel limit"),
        _number("funnel_beyond_high", "upper 99.8 % funnel limit"),
    ),
)

PROOF_WORTH = Table(
    "mart",
    "proof_worth",
    ("comparison",),
    "one comparison of repairs with and without proof: an association, no cause",
    (
        _text("comparison", "proved_or_not, proved_or_no_recording or with_or_against_evidence"),
        _count("n_repairs_with", "repairs on the first side (proved, or with the evidence)"),
        _count("n_comebacks_with", "of these, came back within the follow-up window"),
        _number("first_time_fix_with", "Kaplan-Meier share of these without a comeback"),
        _number("first_time_fix_with_low", "its lower bound (Greenwood, log-log)"),
        _number("first_time_fix_with_high", "its upper bound (Greenwood, log-log)"),
        _count("n_repairs_without", "repairs on the second side"),
        _count("n_comebacks_without", "of these, came back within the follow-up window"),
        _number("first_time_fix_without", "Kaplan-Meier share of these without a comeback"),
        _number("first_time_fix_without_low", "its lower bound (Greenwood, log-log)"),
        _number("first_time_fix_without_high", "its upper bound (Greenwood, log-log)"),
        _number(
            "hazard_ratio", "comebacks on the first side against the second, same shop, component, model"
        ),
        _number("hazard_ratio_low", "its lower bound"),
        _number("hazard_ratio_high", "its upper bound"),
        _number("p_value", "Wald test of a ratio of 1, two-sided"),
        _count("n_used", "repairs that the ratio rests on"),
        _count("n_comebacks_used", "comebacks that the ratio rests on"),
        _number(
            "comebacks_avoided",
            "comebacks of the second side that would not have been at the first side's hazard",
        ),
        _number("comebacks_avoided_low", "its lower bound"),
        _number("comebacks_avoided_high", "its upper bound"),
        _count("n_labor_known", "comebacks whose labor is known"),
        _number("labor_h_per_comeback", "their mean labor", "h"),
        _number("hours_avoided", "labor of the comebacks avoided", "h"),
        _number("hours_avoided_low", "its lower bound", "h"),
        _number("hours_avoided_high", "its upper bound", "h"),
        _count("n_cost_known", "comebacks whose parts cost is known in the commonest currency"),
        _text("currency", "that currency"),
        _number("parts_cost_per_comeback", "their mean parts cost, in that currency"),
        _number("parts_cost_avoided", "parts cost of the comebacks avoided, in that currency"),
        _number("parts_cost_avoided_low", "its lower bound"),
        _number("parts_cost_avoided_high", "its upper bound"),
        _text("reason", "why a number is missing"),
    ),
)

PROOF_CURVE = Table(
    "mart",
    "proof_curve",
    ("comparison", "side", "day"),
    "one day on one side of a comparison",
    (
        _text("comparison", "as in proof_worth"),
        _text("side", "with or without"),
        _count("day", "days since the repair was closed"),
        _count("n_at_risk", "repairs still followed and without a comeback on that day"),
        _number("share_without_comeback", "Kaplan-Meier share without a comeback up to that day"),
        _number("low", "its lower bound (Greenwood, log-log)"),
        _number("high", "its upper bound (Greenwood, log-log)"),
    ),
)

LEAK_SIZE = Table(
    "mart",
    "leak_size",
    ("by", "group"),
    "one group of traces that judge a leak",
    (
        _text("by", "all, model, component, trouble_code or stage"),
        _text("group", "the group"),
        _count("n_traces", "traces that hold, leak or leak grossly, with a diameter or a bound"),
        _count("n_below_detection", "of these, too tight to tell (left-censored)"),
        _count("n_too_large", "of these, too large to tell (right-censored)"),
        _number("median_mm", "median effective diameter (nonparametric)", "mm"),
        _number("median_low_mm", "its lower bound", "mm"),
        _number("median_high_mm", "its upper bound", "mm"),
        _number("share_over_0_5_mm", "share larger than 0.5 mm"),
        _number("share_over_0_5_low", "its lower bound"),
        _number("share_over_0_5_high", "its upper bound"),
        _number("share_over_1_0_mm", "share larger than 1.0 mm"),
        _number("share_over_1_0_low", "its lower bound"),
        _number("share_over_1_0_high", "its upper bound"),
        _number("lognormal_median_mm", "median of the censored lognormal fit", "mm"),
        _number("lognormal_sigma", "standard deviation of ln(diameter) of that fit"),
        _text("reason", "why a number is missing"),
    ),
)

LEAK_SIZE_CURVE = Table(
    "mart",
    "leak_size_curve",
    ("by", "group", "diameter_mm"),
    "one step of one group's distribution",
    (
        _text("by", "as in leak_size"),
        _text("group", "as in leak_size"),
        _number("diameter_mm", "upper end of the innermost interval that carries mass", "mm"),
        _number("interval_low_mm", "its lower end", "mm"),
        _number("share_at_most", "share of leaks at most so large (nonparametric)"),
        _number("low", "pointwise lower bound"),
        _number("high", "pointwise upper bound"),
        _number("lognormal_share", "the same share by the censored lognormal fit"),
    ),
)

INSPECTION_REPORT = Table(
    "mart",
    "inspection_report",
    ("model_year", "vehicle_type", "item"),
    "one item of 40 CFR 51.366(a)(2) for one model year and vehicle type",
    (
        Column("model_year", "INTEGER", "model year"),
        _text("vehicle_type", "vehicle type, as registered"),
        _text("item", "the rule's own number, for example (a)(2)(xi)"),
        _text("meaning", "what the item counts"),
        _count("n", "test cycles counted"),
        _count("of", "test cycles the item could have counted"),
        _text("of_what", "what `of` counts"),
        _number("percent", "100 n / of", "%"),
        _number("low_percent", "its Wilson lower bound", "%"),
        _number("high_percent", "its Wilson upper bound", "%"),
    ),
)

READINESS = Table(
    "mart",
    "readiness",
    ("make", "model", "monitor"),
    "one monitor of one model",
    (
        _text("make", "make"),
        _text("model", "model"),
        _text("monitor", "monitor (SAE J1979 service 01 PID 01)"),
        _count("n_inspections", "inspections in which the monitor applies and its state is known"),
        _count("n_not_ready", "of these, not complete"),
        _number("not_ready_rate", "share not complete"),
        _number("low", "its Wilson lower bound"),
        _number("high", "its Wilson upper bound"),
    ),
)

STATION_LOOK = Table(
    "mart",
    "station_look",
    ("station_id", "measure"),
    "one measure of one inspection station: a reason to look, never an accusation",
    (
        _text("station_id", "inspection station"),
        _text(
            "measure",
            "initial_failure, not_ready, soon_after_clear, close_tests, quick_retest, repeated_record or"
            " repeated_distance",
        ),
        _count("n", "inspections counted"),
        _count("of", "inspections that could have been counted"),
        _number("share", "n / of"),
        _number("low", "its Wilson lower bound"),
        _number("high", "its Wilson upper bound"),
        _number("expected", "count expected for the station's mix of model years, days or by chance"),
        _number("ratio", "n / expected"),
        _number("p_value", "how often an ordinary station would be so far off, over-dispersion allowed for"),
        _number("q_value", "Benjamini-Hochberg over all stations and measures"),
        _flag("stands_out", "q_value < 0.01"),
        Column("inspection_ids", "VARCHAR[]", "the records behind a station that stands out, at most 20"),
    ),
)


def _bounded(name: str, meaning: str, unit: str = "") -> tuple[Column, Column, Column]:
    """A number with its bounds: name, name_low, name_high."""
    return (
        _number(name, meaning, unit),
        _number(f"{name}_low", "its lower bound", unit),
        _number(f"{name}_high", "its upper bound", unit),
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
        _text("make", "make"),
        _text("model", "model"),
        _count("n_vehicles", "vehicles looked at once, with their distance since a clear known"),
        _count("n_not_ready", "of these, EVAP monitor not complete"),
        *_bounded("km_50", f"distance since a clear {_HALF}", "km"),
        *_bounded("km_80", f"distance since a clear {_FOUR_FIFTHS}", "km"),
        *_bounded("km_90", f"distance since a clear {_NINE_TENTHS}", "km"),
        *_bounded("warmups_50", f"warm-ups since a clear {_HALF}"),
        *_bounded("warmups_80", f"warm-ups since a clear {_FOUR_FIFTHS}"),
        *_bounded("warmups_90", f"warm-ups since a clear {_NINE_TENTHS}"),
        *_bounded("pooled_km_90", "km_90 by the lognormal curve, pooled toward the other models", "km"),
        _text("reason", "why km_90 is missing"),
    ),
)

MONITOR_AFTER_CLEAR = Table(
    "mart",
    "monitor_after_clear",
    ("make", "model", "monitor", "counter", "share_ready"),
    "one share of one model's vehicles that has one monitor complete, by one counter",
    (
        _text("make", "make"),
        _text("model", "model"),
        _text("monitor", "monitor (SAE J1979 service 01 PID 01)"),
        _text("counter", "distance_km (PID 31) or warmups (PID 30), since the codes were cleared"),
        _number("share_ready", "share of vehicles: 0.5, 0.8 or 0.9"),
        _count("n_vehicles", "vehicles looked at once, with the monitor and the counter known"),
        _count("n_not_ready", "of these, monitor not complete"),
        _count("n_saturated", "of these, counter at its end: more than it can count"),
        _number("reading", "counter reading at which the share is reached (isotonic regression)", "km or 1"),
        _number("low", "its lower bound (likelihood ratio); 0: no bound", "km or 1"),
        _number("high", "its upper bound (likelihood ratio); null: no bound", "km or 1"),
        _number("pooled", "the same by a lognormal curve, pooled toward the other models", "km or 1"),
        _number("pooled_low", "its lower bound", "km or 1"),
        _number("pooled_high", "its upper bound", "km or 1"),
        _text("reason", "why reading is missing"),
        _text("pooled_reason", "why pooled is missing"),
    ),
)

VEHICLE_DUE = Table(
    "mart",
    "vehicle_due",
    ("vehicle_id",),
    "one vehicle in service: its next inspection, riskiest first",
    (
        _text("vehicle_id", "vehicle"),
        _text("make", "make"),
        _text("model", "model"),
        _text("fleet_id", "fleet"),
        Column("due_on", "DATE", "next inspection, as registered"),
        _count("days_to_due", "days from the last day that the records know; negative: overdue"),
        Column("last_inspected_on", "DATE", "last inspection"),
        _text("last_verdict", "its result: pass, fail or return"),
        _text("evap_state", "EVAP monitor then: complete or not_complete"),
        Column("cleared_on", "DATE", "a repair closed since, with which the codes are taken to be cleared"),
        _number("km_per_day", "usual distance per day", "km"),
        _flag("is_own_distance", "from the vehicle's own odometer; else the median of its model"),
        _number("km_at_due", "distance since the last known clear expected at the inspection", "km"),
        _number("chance_ready", "chance that the EVAP monitor is complete at the inspection"),
        _number("chance_low", "its lower bound"),
        _number("chance_high", "its upper bound"),
        _text("basis", "what the chance rests on: driven_on, cleared or arrivals"),
        _count("n_behind", "vehicles or inspections of the model behind the chance"),
        _flag("is_lamp_on", "lamp commanded on at the last inspection, and no job closed since"),
        Column("open_faults", "VARCHAR[]", "open EVAP faults"),
        _text("advice", "what helps most, in one line"),
        _text("reason", "why the chance is missing"),
    ),
)

INSPECTION_STATION = Table(
    "mart",
    "inspection_station",
    ("model_year", "station_id"),
    "one station's initial tests of one model year: 40 CFR 51.366(a)(3) and (a)(4)",
    (
        Column("model_year", "INTEGER", "model year"),
        _text("station_id", "inspection station"),
        _count("n_initial", "initial tests: (a)(3)"),
        _count("n_initial_fail", "of these, failed"),
        _number("initial_failure_percent", "initial test failure rate: (a)(4)", "%"),
        _number("low_percent", "its Wilson lower bound", "%"),
        _number("high_percent", "its Wilson upper bound", "%"),
        _number("year_percent", "initial test failure rate of the model year at all stations", "%"),
        _number("station_q_value", "smallest q_value of the station over all measures in station_look"),
        Column("reasons_to_look", "VARCHAR[]", "measures in which the station stands out, all model years"),
    ),
)

INSPECTION_DISAGREEMENT = Table(
    "mart",
    "inspection_disagreement",
    ("inspection_id",),
    "one inspection whose recorded result is not the one that the rule gives",
    (
        _text("inspection_id", "inspection"),
        _text("station_id", "inspection station"),
        _text("vehicle_id", "vehicle"),
        Column("inspected_at", "TIMESTAMP WITH TIME ZONE", "when"),
        _text("recorded", "result as the station recorded it"),
        _text("judged", "result by the rule, on the same record and the visits before it"),
        _text("clause", "the rule's clause that gives it"),
    ),
)

#: The marts that a run fills, in the order in which they are made.
MARTS: tuple[Table, ...] = (
    TRACE_RESULT,
    REPAIR_CHECK,
    FAILURE_RATE,
    COMPONENT_LIFE,
    COMPONENT_LIFE_CURVE,
    RECURRENCE,
    ALARMS,
    FIRST_TIME_FIX,
    PROOF_WORTH,
    PROOF_CURVE,
    LEAK_SIZE,
    LEAK_SIZE_CURVE,
    INSPECTION_REPORT,
    READINESS,
    STATION_LOOK,
    READINESS_AFTER_CLEAR,
    MONITOR_AFTER_CLEAR,
    VEHICLE_DUE,
    INSPECTION_STATION,
    INSPECTION_DISAGREEMENT,
)

QUARANTINE_RECORDS = Table(
    "quarantine",
    "records",
    ("file", "row", "rule", "column"),
    "one rule broken by one record",
    (
        _text("file", "file, relative to the lake"),
        _count("row", "record number in the file; the first record is 1"),
        _text("kind", "record kind"),
        _text("rule", "rule that was broken"),
        _text("column", "field that broke it"),
        _text("value", "its value, as it came"),
        _text("reason", "a sentence"),
        _text("raw", "the record as it came, JSON"),
        _text("source_id", "source"),
    ),
)

AUDIT_FILES = Table(
    "audit",
    "files",
    ("file",),
    "one file of the lake, now or earlier",
    (
        _text("file", "file, relative to the lake"),
        _text("source_id", "source"),
        _text("kind", "record kind"),
        _text("sha256", "hash of the content that was read"),
        _count("n_read", "records read"),
        _count("n_accepted", "records accepted"),
        _count("n_quarantined", "records that broke a rule"),
        _count("n_duplicate", "records that say again what another record says"),
        Column("ingested_at", "TIMESTAMP WITH TIME ZONE", "when this content was read"),
        _text("status", "read, kept (unchanged), vanished (rows kept) or unreadable (earlier rows kept)"),
        _text("problem", "what is wrong with the file as a whole"),
        _text("form_sha256", "hash of the source's settings the file was read by"),
    ),
)

AUDIT_RUNS = Table(
    "audit",
    "runs",
    ("run_id",),
    "one run",
    (
        _text("run_id", "run"),
        Column("started_at", "TIMESTAMP WITH TIME ZONE", "when it started"),
        Column("finished_at", "TIMESTAMP WITH TIME ZONE", "when it finished"),
        _text("lake", "lake that was read"),
        _text("settings", "settings, JSON"),
        _text("versions", "versions of evapfleet, Python and the libraries, JSON"),
        _text("row_counts", "rows of every table, JSON"),
        _text("durations_s", "seconds by step, JSON"),
        _text("skipped", "what was skipped and why, JSON list"),
        Column("window_from_on", "DATE", "first day of the window"),
        Column("window_to_on", "DATE", "last day of the window"),
        Column("inspection_window_to_on", "DATE", "day of the latest inspection"),
    ),
)
