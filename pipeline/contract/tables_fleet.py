"""What comes out: the tables of failures, lives and repairs that come back."""

from __future__ import annotations

from pipeline.contract.table_form import Column, Table, count, flag, number, text

FIX_BOUNDS = "Greenwood, log-log; at 0 and 1, where that has none, Clopper-Pearson"

FAILURE_RATE = Table(
    "mart",
    "failure_rate",
    ("make", "model", "component"),
    "one component of one model",
    (
        text("make", "make"),
        text("model", "model"),
        text("component", "component"),
        count("n_failures", "repairs opened inside the window"),
        count("n_comebacks", "those of them that are a comeback on the same component"),
        count("n_vehicles", "vehicles of the model in the register"),
        number("vehicle_years", "exposure inside the window", "vehicle-years"),
        number(
            "vehicle_km", "distance between the first and the last odometer reading inside the window", "km"
        ),
        count("n_vehicles_km", "vehicles whose distance is known"),
        number("rate_per_1000_vehicle_years", "failures per 1000 vehicle-years"),
        number("low", "exact Poisson (Garwood) lower bound of the rate"),
        number("high", "exact Poisson (Garwood) upper bound of the rate"),
        number("shrunk_rate", "gamma-Poisson empirical-Bayes rate per 1000 vehicle-years"),
        number("shrunk_low", "its lower bound"),
        number("shrunk_high", "its upper bound"),
        number("rate_ratio", "rate against the rest of the fleet, same component"),
        number("p_value", "exact conditional binomial test of that ratio, two-sided"),
        number("q_value", "Benjamini-Hochberg over every model and component tested"),
        flag("is_recurring", "q_value < 0.05 and rate_ratio > 1"),
        number(
            "q_value_without_comebacks",
            "the same of failures that are no comeback: they alone scatter as the test supposes",
        ),
        flag(
            "is_recurring_without_comebacks",
            "q_value_without_comebacks < 0.05 and the ratio of those rates > 1",
        ),
        count("n_failures_km", "failures of those vehicles between their two readings"),
        number("rate_per_million_km", "failures per million km, over vehicles whose distance is known"),
        number("low_per_million_km", "its exact lower bound"),
        number("high_per_million_km", "its exact upper bound"),
        text("reason", "why a number is missing"),
    ),
)

FAILURE_SPLIT = Table(
    "mart",
    "failure_split",
    ("by", "make", "model", "component", "group"),
    "one component of one model year, or of one fleet, of one model",
    (
        text("by", "model_year or fleet"),
        text("make", "make; * for all makes, where a fleet is compared over all models"),
        text("model", "model; * for all models"),
        text("component", "component"),
        text("group", "the model year, or the fleet_id"),
        count("n_failures", "failures inside the window that are no comeback on the same component"),
        count("n_vehicles", "vehicles of the group in service inside the window"),
        number("vehicle_years", "their exposure inside the window", "vehicle-years"),
        number("rate_per_1000_vehicle_years", "these failures per 1000 vehicle-years, age not taken out"),
        number("low", "exact Poisson (Garwood) lower bound of the rate"),
        number("high", "exact Poisson (Garwood) upper bound of the rate"),
        count(
            "n_failures_compared",
            "those at a year of age at which the group and another one of the model were both in service",
        ),
        number(
            "failures_expected",
            "failures expected at these ages at the rate of the model's other groups, year of age by year of age",
        ),
        number(
            "rate_ratio",
            "n_failures_compared / failures_expected: rate against the other groups, age for age",
        ),
        number(
            "rate_ratio_low", "its lower bound (conditional exact, of the binomial that scatters no less)"
        ),
        number("rate_ratio_high", "its upper bound"),
        number("p_value", "exact conditional binomial test of that ratio, two-sided"),
        number("q_value", "Benjamini-Hochberg over all rows of one by; those over all models (*) apart"),
        flag("stands_out", "q_value < 0.05 and a rate above the other groups'"),
        count(
            "n_vehicles_left_out", "vehicles of the model that name no group: in no row and on neither side"
        ),
        text("reason", "why a number is missing"),
    ),
)

COMPONENT_LIFE = Table(
    "mart",
    "component_life",
    ("make", "model", "component"),
    "the life of one component of one model, or of all models together (make and model *)",
    (
        text("make", "make; * for all makes"),
        text("model", "model; * for all models"),
        text("component", "component"),
        count("n_vehicles", "vehicles of the model in the register"),
        count("n_failures", "failures inside the window with a known age"),
        count(
            "n_returns",
            "of these, within the follow-up window of a repair of the same component: they count against that"
            " repair, so in the forecast and not in the life",
        ),
        count(
            "n_left_out",
            "failures before the vehicle went into service or after it left, or long after a repair of the component"
            " that never closed",
        ),
        count(
            "n_replaced",
            "failures inside the window, those left out among them, after which the component was replaced",
        ),
        number(
            "unit_years",
            "age lived under observation inside the window; not under observation within the follow-up window of a"
            " repair of the component",
            "years",
        ),
        number("weibull_shape", "Weibull shape: below 1 early failures, 1 chance, above 1 wear"),
        number("weibull_shape_low", "its lower bound"),
        number("weibull_shape_high", "its upper bound"),
        number("weibull_scale_years", "Weibull scale: age by which 63 % have failed", "years"),
        number("weibull_scale_low_years", "its lower bound", "years"),
        number("weibull_scale_high_years", "its upper bound", "years"),
        number("b10_years", "age by which a tenth have failed", "years"),
        number("b10_low_years", "its lower bound", "years"),
        number("b10_high_years", "its upper bound", "years"),
        number("p_constant", "likelihood-ratio test of shape = 1, two-sided"),
        number(
            "q_constant",
            "Benjamini-Hochberg of p_constant over all models' rows; those of all models (*) apart",
        ),
        text("pattern", "early, random, wear_out or unclear"),
        count("n_in_service", "units in service at the window's end"),
        number("failures_next_90_days", "failures expected of them in the 90 days after the window"),
        count("failures_next_90_days_low", "lower prediction bound of their number"),
        count("failures_next_90_days_high", "upper prediction bound of their number"),
        number("failures_next_365_days", "failures expected of them in the 365 days after the window"),
        count("failures_next_365_days_low", "lower prediction bound of their number"),
        count("failures_next_365_days_high", "upper prediction bound of their number"),
        count("parts_for_90_days", "parts that last 90 days with the chosen chance"),
        count("parts_for_365_days", "parts that last 365 days with the chosen chance"),
        number("service_level", "that chance"),
        text("reason", "why a number is missing"),
    ),
)

COMPONENT_LIFE_CURVE = Table(
    "mart",
    "component_life_curve",
    ("make", "model", "component", "age_years"),
    "one age at failure on one component's life",
    (
        text("make", "make; * for all makes"),
        text("model", "model; * for all models"),
        text("component", "component"),
        number("age_years", "age of the unit", "years"),
        count("n_at_risk", "units under observation at that age"),
        count("n_failures", "failures up to that age, returns left out"),
        number("since_years", "age at which the first unit came under observation", "years"),
        number("failures_per_unit", "failures per unit from there to that age (Nelson-Aalen)"),
        number("low", "its lower bound"),
        number("high", "its upper bound"),
        number("weibull_failures_per_unit", "the same by the Weibull fit"),
    ),
)

REPLACEMENT_UNIT = Table(
    "mart",
    "replacement_unit",
    ("make", "model", "component"),
    "one component of one model: units that replaced one against first units",
    (
        text("make", "make"),
        text("model", "model"),
        text("component", "component"),
        count("n_failures_first", "failures of first units inside the window that are no return"),
        number("unit_years_first", "age they lived under observation", "years"),
        number("rate_first", "these failures per 1000 unit-years"),
        number("rate_first_low", "exact Poisson (Garwood) lower bound of the rate"),
        number("rate_first_high", "exact Poisson (Garwood) upper bound of the rate"),
        count("n_failures_replacement", "failures, no returns, of units that a recorded repair had put in"),
        number("unit_years_replacement", "age they lived under observation", "years"),
        number("rate_replacement", "these failures per 1000 unit-years"),
        number("rate_replacement_low", "exact Poisson (Garwood) lower bound of the rate"),
        number("rate_replacement_high", "exact Poisson (Garwood) upper bound of the rate"),
        count(
            "n_failures_compared",
            "failures of replacements at a year of age at which first units were under observation too",
        ),
        number(
            "failures_expected",
            "failures expected of them at these ages at the rate of first units, year of age by year of age",
        ),
        number("rate_ratio", "n_failures_compared / failures_expected"),
        number(
            "rate_ratio_low", "its lower bound (conditional exact, of the binomial that scatters no less)"
        ),
        number("rate_ratio_high", "its upper bound"),
        number("p_value", "exact conditional binomial test of that ratio, two-sided"),
        number("q_value", "Benjamini-Hochberg over all rows"),
        flag("stands_out", "q_value < 0.05 and replacements fail more often"),
        text("reason", "why a number is missing"),
    ),
)

RECURRENCE = Table(
    "mart",
    "recurrence",
    ("make", "model", "component", "age_days"),
    "one age of the vehicle on one component's recurrence",
    (
        text("make", "make; * for all makes"),
        text("model", "model; * for all models"),
        text("component", "component"),
        count("age_days", "age of the vehicle at a failure"),
        count("n_at_risk", "vehicles under observation at that age"),
        count("n_failures", "failures up to that age"),
        number("failures_per_vehicle", "mean cumulative number of failures per vehicle up to that age"),
        number("low", "its lower bound (robust variance)"),
        number("high", "its upper bound (robust variance)"),
        count(
            "read_to_days",
            "greatest age at which a tenth of the vehicles, and ten at least, were under observation, the same for"
            " every component: where the curve is to be read; null where never so many were",
        ),
    ),
)

ALARMS = Table(
    "mart",
    "alarms",
    ("make", "model", "component", "month"),
    "one month of one chart",
    (
        text("make", "make"),
        text("model", "model"),
        text("component", "component"),
        Column("month", "DATE", "first day of the month"),
        count("observed", "failures opened in the month that are no return"),
        number("expected", "failures expected from exposure, age and the model's own earlier months"),
        number("evidence", "CUSUM of the log-likelihood ratio of a raised level", "nats"),
        number("evidence_limit", "the chart signals where the evidence reaches this", "nats"),
        flag("is_signal", "the chart signals in this month"),
        Column(
            "rising_since",
            "DATE",
            "first day of the month since which the evidence has been above 0 (or since the signal before)",
        ),
        count("observed_since", "failures observed from then up to this month"),
        number("expected_since", "failures expected in these months at the level known before them"),
        count(
            "model_year",
            "model year with more than half of observed_since; told for a chart's last month and months of a signal",
        ),
        count("n_on_model_year", "failures of observed_since on that model year"),
        number(
            "false_alarm_chance", "chance paid for: of any false signal in all charts and months together"
        ),
        count("n_charts", "charts that share it"),
        number(
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
        text("by", "all, shop, technician, model, component, verified or evidence"),
        text("group", "the group"),
        count("n_repairs", "repairs closed inside the window"),
        count("n_comebacks", "repairs that came back within the follow-up window"),
        count("n_followed", "repairs seen for the whole follow-up window"),
        number("first_time_fix", "Kaplan-Meier share without a comeback at the end of the follow-up window"),
        number("low", f"its lower bound ({FIX_BOUNDS} on n_followed)"),
        number("high", f"its upper bound ({FIX_BOUNDS} on n_followed)"),
        number("first_time_fix_naive", "share without a comeback among the followed only"),
        number("first_time_fix_naive_low", "its lower bound (Wilson)"),
        number("first_time_fix_naive_high", "its upper bound (Wilson)"),
        number("expected", "first-time fix of the same mix of models and components"),
        number("n_comebacks_expected", "comebacks expected of that mix over the same follow-up"),
        text("funnel", "where the group lies against its funnel limits; no model and no component has any"),
        number("funnel_low", "lower 95 % funnel limit of first-time fix"),
        number("funnel_high", "upper 95 % funnel limit of first-time fix"),
        number("funnel_beyond_low", "lower 99.8 % funnel limit"),
        number("funnel_beyond_high", "upper 99.8 % funnel limit"),
        number(
            "funnel_widened",
            "how many times as wide as by chance alone what the others differ by makes the limits",
        ),
        number(
            "comeback_ratio",
            "comebacks against those of all other repairs of the same mix; of shops, technicians",
        ),
        number("comeback_ratio_low", "its lower bound (exact, conditional on the comebacks of both)"),
        number("comeback_ratio_high", "its upper bound"),
        number("p_value", "how often chance alone makes it differ so much from 1, two-sided"),
        number("q_value", "false-discovery rate (Benjamini-Hochberg) among the groups of one kind"),
        flag(
            "comes_back_more",
            "more comebacks than all other repairs of the same mix: q below 0.05 and a ratio above 1",
        ),
        text("reason", "why a number is missing"),
    ),
)

PROOF_WORTH = Table(
    "mart",
    "proof_worth",
    ("comparison",),
    "one comparison of repairs with and without proof: an association, no cause",
    (
        text("comparison", "proved_or_not, proved_or_no_recording or with_or_against_evidence"),
        count("n_repairs_with", "repairs on the first side (proved, or with the evidence)"),
        count("n_comebacks_with", "of these, came back within the follow-up window"),
        count("n_followed_with", "of all these, seen for the whole follow-up window"),
        number("first_time_fix_with", "Kaplan-Meier share of these without a comeback"),
        number("first_time_fix_with_low", f"its lower bound ({FIX_BOUNDS} on n_followed_with)"),
        number("first_time_fix_with_high", f"its upper bound ({FIX_BOUNDS} on n_followed_with)"),
        count("n_repairs_without", "repairs on the second side"),
        count("n_comebacks_without", "of these, came back within the follow-up window"),
        count("n_followed_without", "of all these, seen for the whole follow-up window"),
        number("first_time_fix_without", "Kaplan-Meier share of these without a comeback"),
        number("first_time_fix_without_low", f"its lower bound ({FIX_BOUNDS} on n_followed_without)"),
        number("first_time_fix_without_high", f"its upper bound ({FIX_BOUNDS} on n_followed_without)"),
        number("hazard_ratio", "comebacks on the first side against the second, same shop, component, model"),
        number("hazard_ratio_low", "its lower bound"),
        number("hazard_ratio_high", "its upper bound"),
        number("p_value", "Wald test of a ratio of 1, two-sided"),
        count("n_used", "repairs that the ratio rests on"),
        count("n_comebacks_used", "comebacks that the ratio rests on"),
        number(
            "comebacks_avoided",
            "comebacks of the second side that would not have been at the first side's hazard",
        ),
        number("comebacks_avoided_low", "its lower bound"),
        number("comebacks_avoided_high", "its upper bound"),
        count("n_labor_known", "comebacks whose labor is known"),
        number("labor_h_per_comeback", "their mean labor", "h"),
        number("hours_avoided", "labor of the comebacks avoided", "h"),
        number(
            "hours_avoided_low",
            "its lower bound: comebacks_avoided_low at the mean labor, taken as known",
            "h",
        ),
        number("hours_avoided_high", "its upper bound, in the same way", "h"),
        count("n_cost_known", "comebacks whose parts cost is known in the commonest currency"),
        text("currency", "that currency"),
        number("parts_cost_per_comeback", "their mean parts cost, in that currency"),
        number("parts_cost_avoided", "parts cost of the comebacks avoided, in that currency"),
        number(
            "parts_cost_avoided_low",
            "its lower bound: comebacks_avoided_low at the mean cost, taken as known",
        ),
        number("parts_cost_avoided_high", "its upper bound, in the same way"),
        text("reason", "why a number is missing"),
    ),
)

PROOF_CURVE = Table(
    "mart",
    "proof_curve",
    ("comparison", "side", "day"),
    "one day on one side of a comparison",
    (
        text("comparison", "as in proof_worth"),
        text("side", "with or without"),
        count("day", "days since the repair was closed"),
        count("n_at_risk", "repairs still followed and without a comeback on that day"),
        number("share_without_comeback", "Kaplan-Meier share without a comeback up to that day"),
        number(
            "low",
            f"its lower bound ({FIX_BOUNDS}: on n_at_risk at 1, on the repairs seen for the whole window at 0)",
        ),
        number("high", "its upper bound (as the lower one)"),
    ),
)

FIRST_LOOK = Table(
    "mart",
    "first_look",
    ("make", "model", "trouble_code", "rank"),
    "one place to look at under one trouble code on one model",
    (
        text("make", "make; * for all makes"),
        text("model", "model; * for all models"),
        text("trouble_code", "EVAP trouble code of the job; * for all jobs, with a code or without"),
        count("rank", "place in the order of looking, from 1"),
        text("component", "component to look at"),
        number(
            "probability", "chance that the fault is there, given what was found on this and on like models"
        ),
        number("low", "lower bound of that chance"),
        number("high", "upper bound of that chance"),
        count("n_found", "repairs of this component that found the fault"),
        count("n_jobs", "repairs of any component under this code on this model that found the fault"),
        number("minutes_to_check", "time that a look takes, a setting", "min"),
        number("order_score", "probability per hour of looking; the largest comes first", "1/h"),
        number("found_by_then", "chance that the fault is found here or at an earlier place"),
        number("minutes_by_then", "time that looking so far takes", "min"),
        number("expected_minutes", "mean time until the fault is found, in this order", "min"),
    ),
)
