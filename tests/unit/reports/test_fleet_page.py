"""What the fleet page says is what its tables hold."""

from __future__ import annotations

import polars as pl
import pytest

from reports import words
from reports.pages import fleet, fleet_rows, start
from tests.unit.reports.page_reading import section, table_of


def test_fleet_table_holds_every_rate_with_its_bounds(pages, tables):
    rates = tables["mart.failure_rate"]
    shown = {
        (r[0], r[1].removeprefix("◆ ").removesuffix(" (recurring)")): r
        for r in table_of(pages["fleet.html"], "Failure rates")[1:]
    }
    assert len(shown) == rates.height
    for r in rates.iter_rows(named=True):
        line = shown[f"{r['make']} {r['model']}", words.label(r["component"])]
        assert line[2] == f"{r['n_failures']} ({r['n_comebacks']})"
        assert line[9] == words.count(r["n_vehicles"])
        bounds = f"{words.number(r['low'])} to {words.number(r['high'])}"
        assert line[3] == f"{words.number(r['rate_per_1000_vehicle_years'])} {bounds}"


def test_fleet_chart_holds_the_very_numbers_of_the_table(pages, tables):
    rows = pages["fleet.html"].specs["model-spec"]["datasets"]["rows"]
    raw = [r for r in rows if r["series"] == "as counted"]
    assert len(raw) == tables["mart.failure_rate"].height
    key = {(r["model"], r["category"].removesuffix(" ◆ recurring")): r for r in raw}
    for r in tables["mart.failure_rate"].iter_rows(named=True):
        drawn = key[f"{r['make']} {r['model']}", words.label(r["component"])]
        assert (drawn["value"], drawn["low"], drawn["high"]) == (
            r["rate_per_1000_vehicle_years"],
            r["low"],
            r["high"],
        )


def test_recurring_pairs_are_named_with_count_interval_and_ratio(tables):
    found = section(fleet, tables, "recurring")
    flagged = (
        tables["mart.failure_rate"].filter("is_recurring", "is_recurring_without_comebacks").sort("q_value")
    )
    assert len(found.findings) == flagged.height == 2
    first = flagged.row(0, named=True)
    text = found.findings[0].text
    for part in (
        f"{first['n_failures']} failures",
        words.number(first["low"]),
        words.number(first["high"]),
        "95% interval",
    ):
        assert part in text
    assert found.answer[0].startswith("2 pairs of model and component fail more often")


def test_a_fleet_where_nothing_recurs_says_so(tables):
    quiet = tables | {"mart.failure_rate": tables["mart.failure_rate"].with_columns(is_recurring=False)}
    found = section(fleet, quiet, "recurring")
    assert (
        found.answer[0] == "Nothing stands out: none of 64 pairs of model and component that could be tested."
    )
    assert not found.findings


def test_lives_stand_in_the_table_with_their_bounds_and_reasons(pages, tables):
    lines = table_of(pages["fleet.html"], "Lives of parts")[1:]
    assert len(lines) == tables["mart.component_life"].height
    shown = {(line[1], line[0]): line for line in lines}
    r = tables["mart.component_life"].filter(model="Orrin", component="purge_valve").row(0, named=True)
    line = shown["Halden Orrin", "purge valve"]
    bounds = f"{words.number(r['weibull_shape_low'])} to {words.number(r['weibull_shape_high'])}"
    assert line[5] == f"{words.number(r['weibull_shape'])} {bounds}"
    assert line[4] == "wear"
    assert [line[-1] for line in lines if line[-1]] == ["fewer than two failures"]


def test_the_probability_plot_holds_the_curve_of_every_choice(pages, tables):
    rows = pages["fleet.html"].specs["wear-spec"]["datasets"]["rows"]
    curve = tables["mart.component_life_curve"]
    assert len(rows) == curve.height
    assert sum(r["weibull_failures_per_unit"] for r in rows) == pytest.approx(
        curve["weibull_failures_per_unit"].sum()
    )


def test_the_forecast_names_what_most_is_needed_of(tables):
    found = section(fleet, tables, "stock")
    lives = tables["mart.component_life"].filter(pl.col("make") == "*")
    top = lives.sort("failures_next_365_days", descending=True).row(0, named=True)
    low, high = top["failures_next_365_days_low"], top["failures_next_365_days_high"]
    assert (
        f"{words.label(top['component'])} ({words.number(top['failures_next_365_days'])}" in found.answer[0]
    )
    assert f"{low} to {high})" in found.answer[0]
    assert f"{top['parts_for_365_days']} for {words.label(top['component'])}" in found.answer[1]


def test_the_forecast_is_drawn_for_both_times(pages, tables):
    rows = pages["fleet.html"].specs["stock-spec"]["datasets"]["rows"]
    lives = tables["mart.component_life"].filter(
        pl.col("make").eq("*") & pl.col("failures_next_90_days").is_not_null()
    )
    for days in (90, 365):
        drawn = {r["category"]: r["value"] for r in rows if r["days"] == str(days)}
        expected = zip(lives["component"], lives[f"failures_next_{days}_days"], strict=True)
        assert drawn == {words.label(part): value for part, value in expected}


def test_a_pair_is_named_as_recurring_only_if_it_stands_out_without_comebacks_too(tables):
    rates = tables["mart.failure_rate"].with_columns(
        n_comebacks=pl.when("is_recurring").then(pl.lit(2, pl.Int64)).otherwise("n_comebacks")
    )
    n = rates["is_recurring"].sum()
    holding = rates.with_columns(is_recurring_without_comebacks=pl.col("is_recurring"))
    found = section(fleet, tables | {"mart.failure_rate": holding}, "recurring")
    assert len(found.findings) == n
    assert len(found.answer) == 1
    assert all("among them: 2; without these it still stands out (q" in f.text for f in found.findings)

    returning = rates.with_columns(is_recurring_without_comebacks=pl.lit(False))
    found = section(fleet, tables | {"mart.failure_rate": returning}, "recurring")
    assert not found.findings
    assert found.answer[0].startswith("Nothing stands out")
    assert found.answer[1].startswith(
        f"{n} pairs stand out only with comebacks counted; look at how the repair"
    )
    assert found.answer[1].count(" are comebacks (q") == n


def test_a_chart_that_signals_is_named_with_its_first_month_and_what_was_paid(tables):
    rising = tables["mart.alarms"].with_columns(
        is_signal=pl.col("model").eq("Orrin")
        & pl.col("component").eq("purge_valve")
        & (pl.col("observed") == 9)
    )
    found = section(fleet, tables | {"mart.alarms": rising}, "new")
    assert found.answer[0] == "1 of 64 charts signals a rise."
    assert "64 charts and the whole window: at most 5.0%" in found.answer[1]
    assert [f.text.split(" month")[0] for f in found.findings] == [
        "Halden Orrin, purge valve: first signal in 2024-07, 9 failures that"
    ]


def test_a_signal_says_since_when_and_on_which_model_year(tables):
    rising = tables["mart.alarms"].with_columns(
        is_signal=(pl.col("evidence") > 12) & (pl.col("model") == "Orrin")
    )
    found = section(fleet, tables | {"mart.alarms": rising}, "new")
    assert found.findings[0].text == (
        "Halden Orrin, purge valve: first signal in 2024-12, 9 failures that month where 1.1 were expected; 21 failures"
        " since 2024-03, where 8.2 would be expected at the level before, 17 of them on model year 2019."
    )


def test_without_a_signal_the_chart_nearest_to_its_limit_is_told_and_nobody_accused(tables):
    quiet = tables | {"mart.alarms": tables["mart.alarms"].with_columns(is_signal=False)}
    found = section(fleet, quiet, "new")
    assert found.answer[0] == (
        "No chart of 64 signals a rise. Nearest to its limit: Halden Orrin, purge valve, with 13 of the 12.0 that a"
        " signal takes; 21 failures since 2024-03, where 8.2 would be expected at the level before, 17 of them on model"
        " year 2019."
    )
    assert not found.findings
    level = pl.col("evidence") * 0
    flat = tables["mart.alarms"].with_columns(is_signal=False, evidence=level, observed_since=None)
    said = section(fleet, tables | {"mart.alarms": flat}, "new").answer[0]
    assert said == "No chart of 64 signals a rise."


def test_the_months_of_a_chart_are_those_of_the_table(pages, tables):
    rows = pages["fleet.html"].specs["new-spec"]["datasets"]["rows"]
    keys = {r["group_key"] for r in rows}
    assert len(keys) == 60
    assert "Halden Orrin: purge_valve" in keys
    assert len(rows) == 12 * 60


def test_a_chance_that_nobody_knows_is_not_told_as_none_below_nine_tenths(tables):
    """Without an inspection the count of small chances would be 0 of nothing."""
    vehicles = tables["mart.vehicle_due"]
    known, below = vehicles["chance_ready"].count(), (vehicles["chance_ready"] < 0.9).sum()
    said = section(fleet, tables, "due").answer[0]
    assert (
        f"Of the {known} whose chance of a complete EVAP monitor is known, {below} have less than 90%."
        in said
    )
    unknown = vehicles.with_columns(chance_ready=pl.lit(None, pl.Float64))
    said = section(fleet, tables | {"mart.vehicle_due": unknown}, "due").answer[0]
    assert "90%" not in said
    assert "Not known of any: its chance of a complete EVAP monitor." in said


def test_an_open_fault_is_told_as_such_and_not_as_a_failed_inspection(tables):
    """An open job need not light the lamp: what an inspection would find is for the station to say."""
    said = section(fleet, tables, "due").answer[0]
    assert "have an open fault or had the lamp on when last inspected" in said
    assert "would fail" not in said


def test_the_age_by_which_a_tenth_wear_out_stands_in_the_sentence_with_the_model(tables):
    """The question is at what age: a shape alone answers only how; and whose age: no model is told by the others'."""
    said = section(fleet, tables, "wear").answer[0]
    lives = tables["mart.component_life"]
    told = lives.filter(pl.col("make") != "*", pl.col("pattern") == "wear_out", pl.col("q_constant") < 0.05)
    ordered = told.sort("n_failures", descending=True)
    assert said.startswith("Wear: ")
    for r in ordered.head(6).to_dicts():
        b10, low, high = (words.number(r[f"b10{end}_years"], 2) for end in ("", "_low", "_high"))
        name = f"{words.label(r['component'])} of {r['make']} {r['model']}"
        assert f"{name} (a tenth by {b10} years, {low} to {high}; shape " in said
    assert f"and {told.height - 6} more." in said
    assert "Halden Brisk 4" not in said, "its q is 0.08"


def test_all_models_together_are_told_as_such_and_with_the_models_that_show_it(tables):
    said = section(fleet, tables, "wear").answer
    together = next(text for text in said if text.startswith("All models taken together"))
    assert "which need not hold for any one of them: wear: purge valve (shape 2.1, " in together
    assert "; by itself: wear of Halden Orrin, Kestrin Dray, " in together
    assert "not decided between chance and wear: canister (shape 1.3, 1.0 to 1.7; " in together
    assert "Too few" not in " ".join(said)


def test_where_no_model_is_told_to_wear_it_says_so(tables):
    lives = tables["mart.component_life"].with_columns(
        q_constant=pl.when(pl.col("make") == "*").then("q_constant").otherwise(0.2)
    )
    said = section(fleet, tables | {"mart.component_life": lives}, "wear").answer
    assert said[0] == (
        "Of 64 parts of models, each by its own failures, none is told to wear or to fail early rather than by chance."
    )
    assert "purge valve (shape 2.1, 1.7 to 2.7; 9 failures; of no model by itself)" in said[1]
    unsure = lives.with_columns(q_constant=0.2)
    said = section(fleet, tables | {"mart.component_life": unsure}, "wear").answer
    assert "not decided between chance and early failures: fuel cap" in said[1]


def test_replacements_that_fail_more_than_first_units_are_named(tables, pages):
    found = section(fleet, tables, "replacements")
    assert found.answer[0] == "1 of 8 parts of models that could be compared does."
    assert found.answer[1].startswith(
        "It may be the spare part or how it is fitted; it may also be the vehicle"
    )
    assert [f.text for f in found.findings] == [
        "Halden Orrin, vent valve: units that replaced one failed 24 times where 6.0 would be expected of first units"
        " of the same age: 4.0 times as often (95% interval 2.0 to 8.0), q 0.00020."
    ]
    assert len(table_of(pages["fleet.html"], "Replacements against")[1:]) == 9
    drawn = {r["category"] for r in pages["fleet.html"].specs["replacements-spec"]["datasets"]["rows"]}
    assert drawn == {"vent valve: Halden Orrin ◆", "fuel cap: Halden Orrin", "fuel cap: Halden Brisk 4"}
    quiet = tables["mart.replacement_unit"].with_columns(stands_out=pl.lit(False))
    found = section(fleet, tables | {"mart.replacement_unit": quiet}, "replacements")
    assert found.answer == (
        "Not that it shows: of 8 parts of models that could be compared no replacement fails more often than first"
        " units of the same age.",
    )


def test_a_model_that_fails_by_chance_is_named_where_the_mixture_looks_like_early_failures(tables):
    """Constant rates that differ fall when mixed (F. Proschan, Technometrics 5, 1963; cited from memory)."""
    lives = tables["mart.component_life"]
    part = lives.filter(make="*", pattern="early")["component"][0]
    this = (pl.col("component") == part) & (pl.col("make") == "Halden") & (pl.col("model") == "Orrin")
    one = lives.with_columns(
        pl.when(this).then(pl.lit("random")).otherwise("pattern").alias("pattern"),
        pl.when(this).then(1.07).otherwise("weibull_shape").alias("weibull_shape"),
        pl.when(this).then(0.92).otherwise("weibull_shape_low").alias("weibull_shape_low"),
        pl.when(this).then(1.24).otherwise("weibull_shape_high").alias("weibull_shape_high"),
        pl.when(this).then(195).otherwise("n_failures").alias("n_failures"),
    )
    said = section(fleet, tables | {"mart.component_life": one}, "wear").answer[-1]
    assert said.startswith(
        f"Not early on every model: {words.label(part)} of Halden Orrin fails by chance at any age"
        " (shape 1.1, 0.92 to 1.2; 195 failures). Models that fail at different rates look like early"
    )
    assert not any("Not early" in text for text in section(fleet, tables, "wear").answer)


@pytest.mark.parametrize("is_lamp_on", [True, False])
def test_a_diamond_among_the_vehicles_due_is_explained_where_one_is_drawn(tables, is_lamp_on):
    vehicles = tables["mart.vehicle_due"].with_columns(
        is_lamp_on=pl.lit(is_lamp_on), open_faults=pl.lit([], pl.List(pl.String)), basis=pl.lit("cleared")
    )
    picture = section(fleet, tables | {"mart.vehicle_due": vehicles}, "due").picture
    said = "Diamond: an open fault, or the lamp on at the last inspection." in picture.caption
    assert said == is_lamp_on
    assert {r["mark"] for r in picture.spec["datasets"]["rows"]} == {"stands out" if is_lamp_on else ""}


def test_a_model_year_and_a_fleet_that_stand_out_are_told_with_counts_interval_and_q(tables):
    found = section(fleet, tables, "split")
    assert found.answer == (
        "2 of 56 comparisons stand out, each for one part: 1 model year and 1 fleet.",
        "Where a model year fails more, it may be a batch of parts, or a change in how the model was built.",
        "Where a fleet fails more, it may be its region (salt, heat), its use, or how its vehicles are repaired.",
    )
    assert [f.text for f in found.findings] == [
        "Halden Orrin, model year 2019, purge valve: 30 failures where 9.5 would be expected at the rate of its model's"
        " other model years, age for age: 3.2 times as often (95% interval 2.10 to 4.40), q < 0.0001; 41 vehicles.",
        "All models, fleet coast, vent valve: 30 failures where 0 would be expected at the rate of the other fleets,"
        " model by model, age for age: none came there (95% interval of the ratio: at least 2.10), q 0.00040;"
        " 40 vehicles.",
    ]
    assert found.left_out[0] == "9 vehicles of these models without a fleet: on neither side."


def test_the_picture_of_a_split_begins_with_the_surest(tables):
    offered = section(fleet, tables, "split").choices[0]
    assert offered.options[0] == (
        "model_year Halden Orrin: purge_valve",
        "purge valve: Halden Orrin, by model year",
    )
    assert offered.options[1] == ("fleet * *: vent_valve", "vent valve: all models, by fleet")
    assert offered.chosen == offered.options[0][0]


def test_model_years_that_fail_alike_are_told_as_such(tables):
    quiet = tables["mart.failure_split"].with_columns(stands_out=pl.lit(False))
    found = section(fleet, tables | {"mart.failure_split": quiet}, "split")
    assert found.answer == (
        "Nothing stands out: none of 56 comparisons of a part on one model year, or in one fleet, with the others.",
    )
    assert not found.findings


def test_the_picture_of_a_split_holds_each_group_of_the_chosen_part(pages, tables):
    rows = pages["fleet.html"].specs["split-spec"]["datasets"]["rows"]
    assert len(rows) == tables["mart.failure_split"].height
    marked = {(r["choice_key"], r["category"]) for r in rows if r["mark"]}
    assert marked == {
        ("model_year Halden Orrin: purge_valve", "model year 2019 ◆ stands out"),
        ("fleet * *: vent_valve", "fleet coast ◆ stands out"),
    }


def test_a_register_without_fleets_says_that_none_was_compared(tables):
    years = tables["mart.failure_split"].filter(pl.col("by") == "model_year")
    found = section(fleet, tables | {"mart.failure_split": years}, "split")
    assert found.left_out[0] == "Fleets: no vehicle of a model that failed names its fleet."


def test_the_parts_to_stock_say_that_not_every_failure_takes_one(tables):
    said = section(fleet, tables, "stock").answer[2]
    top = tables["mart.component_life"].filter(pl.col("make") == "*").sort("failures_next_365_days")
    r = top.row(-1, named=True)
    of = r["n_failures"] + r["n_left_out"]
    assert "Not every failure takes a part: of those seen" in said
    assert f"{r['n_replaced']} of {of} ({words.label(r['component'])})" in said


def test_what_fails_most_for_the_distance_driven_is_named_by_its_lower_bound(tables):
    found = section(fleet, tables, "distance")
    assert found.question == "How often do parts fail for the distance driven?"
    r = tables["mart.failure_rate"].sort("low_per_million_km").row(-1, named=True)
    bounds = f"{words.number(r['low_per_million_km'], 2)} to {words.number(r['high_per_million_km'], 2)}"
    assert found.answer[0].startswith(
        f"Most often {words.label(r['component'])} of {r['make']} {r['model']}"
        f" ({words.number(r['rate_per_million_km'], 2)} per million km, {bounds}; {r['n_failures_km']} failures)"
    )


def test_recurring_pairs_beyond_the_first_three_are_named_on_the_start_page(tables):
    rates = tables["mart.failure_rate"].with_columns(
        is_recurring=pl.col("component").is_in(["purge_valve", "canister"]),
        is_recurring_without_comebacks=True,
    )
    found = section(start, tables | {"mart.failure_rate": rates}, "stands-out").findings
    more = next(f.text for f in found if "more recurring pair" in f.text)
    assert more.startswith("13 more recurring pairs: ")
    assert more.endswith("; 7 others.")
    assert more.count(", purge valve") + more.count(", canister") == 6
    ranked = fleet.standing_out(fleet_rows.with_words(rates))
    four = rates.with_columns(
        is_recurring=pl.struct("make", "model", "component").is_in(
            [{k: r[k] for k in ("make", "model", "component")} for r in ranked[:4]]
        )
    )
    found = section(start, tables | {"mart.failure_rate": four}, "stands-out").findings
    assert f"1 more recurring pair: {ranked[3]['name']}, {ranked[3]['part']}." in [f.text for f in found]
