"""What comes out: the tables of recordings, repairs and leak sizes."""

from __future__ import annotations

from pipeline.contract.source_limits import DRAWS_S, FAR_PA
from pipeline.contract.table_form import Column, Table, count, flag, number, text

TRACE_RESULT = Table(
    "mart",
    "trace_result",
    ("trace_id",),
    "one accepted trace, judged",
    (
        text("trace_id", "recording"),
        text("job_id", "job it was recorded in"),
        text("vehicle_id", "vehicle"),
        text("stage", "before_repair, after_repair or routine"),
        text("verdict", "what the recording proves"),
        number("confidence", "probability of the verdict among all stories compared; null where not judged"),
        text("second_verdict", "second likeliest story"),
        number("second_confidence", "its probability"),
        number("leak_diameter_mm", "effective diameter of the sharp-edged orifice with the same flow", "mm"),
        number("leak_diameter_low_mm", "lower bound of the diameter", "mm"),
        number("leak_diameter_high_mm", "upper bound of the diameter", "mm"),
        text(
            "leak_censoring", "none; left: smaller than the upper bound; right: larger than the lower bound"
        ),
        number(
            "equilibrium_diameter_mm",
            "hole of a gross leak at which the purge flow usual for the model gives the vacuum that was reached",
            "mm",
        ),
        number("equilibrium_diameter_low_mm", "its lower bound", "mm"),
        number("equilibrium_diameter_high_mm", "its upper bound", "mm"),
        number(
            "purge_leak_l_min",
            "gas that a purge valve which passes lets through when shut, at ambient pressure and temperature",
            "l/min",
        ),
        number("purge_leak_low_l_min", "its lower bound; of a system that holds 0", "l/min"),
        number(
            "purge_leak_high_l_min",
            "its upper bound, null where a leak may hide more; of a system that holds, what passes unseen",
            "l/min",
        ),
        text(
            "pressure_test",
            "a hold under applied pressure by the published criterion: pass, fail, invalid or no_verdict",
        ),
        number(
            "steady_flow_std_l_min",
            "gas flowing out of the shut system at rest (fed, less what still fills it), at 20 °C and 101.325 kPa",
            "l/min",
        ),
        number("steady_pressure_pa", "pressure that it held above ambient", "Pa"),
        number("certification_diameter_mm", "effective diameter of that flow by 40 CFR 1066.985(d)(8)", "mm"),
        number("certification_diameter_low_mm", "its lower bound", "mm"),
        number("certification_diameter_high_mm", "its upper bound", "mm"),
        number("vapor_volume_l", "vapor space the pressure was held in", "l"),
        number("vapor_rise_pa_s", "pressure rise with vent and purge shut, before any draw", "Pa/s"),
        number("rest_pressure_pa", "median pressure with the vent open", "Pa"),
        number("rest_sensor_v", "median sensor output with the vent open", "V"),
        number("peak_vacuum_pa", "deepest vacuum, as a positive number", "Pa"),
        number("draw_rate_pa_s", "rate at which vacuum built at the start of the draw", "Pa/s"),
        number("hold_s", "length of the longest hold", "s"),
        number("quality", "how much of what a judgement needs the recording holds, 0 to 1"),
        text("evidence", "what a technician would say, with the numbers"),
        Column("suspects", "VARCHAR[]", "components to look at, likeliest first"),
        number(
            "discharge_coefficient",
            "discharge coefficient that the diameter rests on, at high Reynolds number",
        ),
        number(
            "discharge_at_hold", "the same at the hold's mean pressure: it falls with the Reynolds number"
        ),
        number(
            "leak_area_per_volume_mm2_m3",
            "leak area over gas volume, which needs no tank size; of leaks and tight systems",
            "mm2/m3",
        ),
        number("leak_area_per_volume_low_mm2_m3", "its lower bound", "mm2/m3"),
        number("leak_area_per_volume_high_mm2_m3", "its upper bound", "mm2/m3"),
        count("n_samples", "accepted samples"),
    ),
)

MODEL_NORM = Table(
    "mart",
    "model_norm",
    ("make", "model", "from_model_year"),
    "one model, or the model years of it that share a kind of sensor: what its recordings have in common, as the "
    "reference for each of them",
    (
        text("make", "make"),
        text("model", "model"),
        count(
            "from_model_year", "first model year of this kind of sensor; null: the model has one in all years"
        ),
        count(
            "to_model_year", "last model year of this kind of sensor; null: the model has one in all years"
        ),
        number(
            "volts_per_pa",
            "slope of the sensor's output over pressure (median of the recordings that agree; null where none prevail)",
            "V/Pa",
        ),
        number(
            "volts_per_pa_spread",
            "its spread from recording to recording (standard deviation); of all where no two vehicles agree",
            "V/Pa",
        ),
        count("volts_per_pa_n", "vehicles that agree on it"),
        number("rest_v", "sensor output with the vent open (median of the recordings that agree)", "V"),
        number("rest_v_spread", "its spread", "V"),
        count("rest_v_n", "vehicles that agree on it"),
        number("rest_pa", "pressure with the vent open (median)", "Pa"),
        number("rest_pa_spread", "its spread", "Pa"),
        count("rest_pa_n", "recordings behind it"),
        number("noise_pa", "noise of one reading (median)", "Pa"),
        number("noise_pa_spread", "its spread", "Pa"),
        count("noise_pa_n", "recordings behind it"),
        number("vapor_rise_pa_s", "pressure rise shut, before any draw (median)", "Pa/s"),
        number("vapor_rise_pa_s_spread", "its spread", "Pa/s"),
        count("vapor_rise_pa_s_n", "recordings behind it"),
        number(
            "purge_flow_l_min", "purge flow at full duty, from draws of systems that hold (median)", "l/min"
        ),
        number("purge_flow_l_min_spread", "its spread", "l/min"),
        count("purge_flow_l_min_n", "recordings behind it"),
        number(
            "extra_volume_l",
            "gas volume beside the tank's ullage (canister, lines, dome, walls that give), from draws of all models",
            "l",
        ),
        number("extra_volume_l_spread", "its standard error", "l"),
        count("extra_volume_l_n", "draws of the model itself behind it"),
        number("purge_opens_pct", "duty at which the purge valve begins to open, from draws", "%"),
        number("purge_opens_pct_spread", "its standard error", "%"),
        count("purge_opens_pct_n", "draws behind it"),
        number(
            "heat_share_ratio",
            "heat exchange that the pressure shows over what was believed, holds of all models (median)",
        ),
        number("heat_share_ratio_spread", "its spread"),
        count("heat_share_ratio_n", "recordings behind it"),
        number(
            "heat_time_log_ratio",
            "logarithm of the time constant of a tank's heat over what was believed, holds of all models (median)",
        ),
        number("heat_time_log_ratio_spread", "its spread"),
        count("heat_time_log_ratio_n", "recordings behind it"),
        number(
            "vapor_return_ratio",
            "vapor that a drawn tank without a hole gives back over what was believed, holds of all models (mean)",
        ),
        number("vapor_return_ratio_spread", "standard deviation of one tank"),
        count("vapor_return_ratio_n", "tanks without a hole behind it"),
    ),
)

SOURCE_VENT = Table(
    "mart",
    "source_vent",
    ("source_id",),
    "one source: whether its vent command can be what it says",
    (
        text("source_id", "source"),
        count(
            "n_told",
            "recordings with a draw behind a shut vent, or in which purge flowed through an open one",
        ),
        count(
            "n_vacuum_under_open_vent", "of those, with vacuum though the vent was commanded open throughout"
        ),
        flag(
            "is_vent_doubted",
            "so many that the command is the wrong way round or not recorded: its tests are not judged",
        ),
    ),
)

SOURCE_PRESSURE = Table(
    "mart",
    "source_pressure",
    ("source_id",),
    "one source: whether its pressures can be in the unit that they are read in",
    (
        text("source_id", "source"),
        count(
            "n_drawn",
            f"recordings with a draw of {DRAWS_S:.0f} s or more behind a shut vent while the engine ran",
        ),
        count("n_vehicles", "vehicles of those recordings"),
        number("greatest_span_pa", "largest span of the pressure in one of them", "Pa"),
        count("n_compared", "of them, those whose model other sources draw down too, four times or more"),
        number("span_ratio", "upper quartile of those spans, each by what is usual of its model elsewhere"),
        number("rate_ratio", "median of how fast those draws moved the pressure, by the same"),
        flag(
            "is_pressure_doubted",
            "none of so many moves the pressure, or both ratios are far from 1 on the same side: the pressures are in"
            " another unit, and its tests are not judged",
        ),
    ),
)

SOURCE_ZERO = Table(
    "mart",
    "source_zero",
    ("source_id",),
    "one source: whether its pressures rest where those of open tanks do",
    (
        text("source_id", "source"),
        count("n_told", "recordings that tell what the sensor reads with the vent open"),
        count("n_vehicles", "vehicles of those recordings"),
        number("median_zero_pa", "median of that reading", "Pa"),
        count(
            "n_far_off",
            f"of them, those more than {FAR_PA:.0f} Pa off zero, on the side that has more of them",
        ),
        flag(
            "is_zero_doubted",
            "so many of so many that the barometer or the unit is wrong: its tests are not judged",
        ),
    ),
)

REPAIR_CHECK = Table(
    "mart",
    "repair_check",
    ("job_id",),
    "one repair",
    (
        text("job_id", "repair"),
        text("shop_id", "shop"),
        text("technician_id", "technician"),
        text("vehicle_id", "vehicle"),
        text("make", "make"),
        text("model", "model"),
        text("component", "component repaired"),
        text("action", "what was done"),
        Column("opened_on", "DATE", "day the repair was opened (UTC)"),
        text("before_trace_id", "last judged trace before the repair"),
        text("after_trace_id", "last judged trace after the repair"),
        text("before_verdict", "verdict before"),
        text("after_verdict", "verdict after"),
        number("before_diameter_mm", "diameter before", "mm"),
        number("before_diameter_low_mm", "its lower bound", "mm"),
        number("before_diameter_high_mm", "its upper bound", "mm"),
        number("after_diameter_mm", "diameter after", "mm"),
        number("after_diameter_low_mm", "its lower bound", "mm"),
        number("after_diameter_high_mm", "its upper bound", "mm"),
        text("verified", "proved, not_proved, disproved or no_trace"),
        text("evidence_agrees", "does the before-trace support the component: yes, no or cannot_say"),
        Column("suspects", "VARCHAR[]", "components that the before-trace leaves open, likeliest first"),
    ),
)

LEAK_SIZE = Table(
    "mart",
    "leak_size",
    ("by", "group"),
    "one group of traces that judge a leak",
    (
        text("by", "all, model, component, trouble_code or stage"),
        text("group", "the group"),
        count("n_traces", "traces that hold, leak or leak grossly, with a diameter or a bound"),
        count("n_below_detection", "of these, too tight to tell (left-censored)"),
        count("n_too_large", "of these, too large to tell (right-censored)"),
        number("median_mm", "median effective diameter (nonparametric)", "mm"),
        number("median_low_mm", "its lower bound", "mm"),
        number("median_high_mm", "its upper bound", "mm"),
        number("share_over_0_5_mm", "share larger than 0.5 mm"),
        number("share_over_0_5_low", "its lower bound"),
        number("share_over_0_5_high", "its upper bound"),
        number("share_over_1_0_mm", "share larger than 1.0 mm"),
        number("share_over_1_0_low", "its lower bound"),
        number("share_over_1_0_high", "its upper bound"),
        number("lognormal_median_mm", "median of the censored lognormal fit", "mm"),
        number("lognormal_sigma", "standard deviation of ln(diameter) of that fit"),
        number(
            "nominal_mm", "by trouble_code: smallest leak that the code speaks of, where it names one", "mm"
        ),
        number("share_over_nominal", "share at or over that size"),
        number("share_over_nominal_low", "its lower bound"),
        number("share_over_nominal_high", "its upper bound"),
        text(
            "nominal_agreement",
            "agrees: surely more than half are at or over the nominal size and under that of the next larger code;"
            " smaller: surely more than half are under it; larger: surely more than half are at or over the next"
            " larger code's; cannot_say: the bounds leave it open",
        ),
        text("reason", "why a number is missing"),
    ),
)

LEAK_SIZE_CURVE = Table(
    "mart",
    "leak_size_curve",
    ("by", "group", "diameter_mm"),
    "one step of one group's distribution",
    (
        text("by", "as in leak_size"),
        text("group", "as in leak_size"),
        number("diameter_mm", "upper end of the innermost interval that carries mass", "mm"),
        number("interval_low_mm", "its lower end", "mm"),
        number("share_at_most", "share of leaks at most so large (nonparametric)"),
        number("low", "pointwise lower bound"),
        number("high", "pointwise upper bound"),
        number("lognormal_share", "the same share by the censored lognormal fit"),
    ),
)
