"""What a page says is what its tables hold."""

from __future__ import annotations

import polars as pl
import pytest

from reports import words
from reports.pages import data, fleet, inspection, leaks, shops, start, stations
from reports.pages.inspection import GROUPS, UNANSWERED
from reports.pages.run import last_run
from tests.unit.reports.page_reading import section, table_of
from tests.unit.reports.report_frames import blank_tables, empty_tables, full_tables, reader


def test_shops_beyond_the_outer_limits_are_named_and_others_are_not(tables):
    found = section(shops, tables, "funnel")
    assert [f.text.split(" ")[0] for f in found.findings] == ["shop-06"]
    assert "2 shops lie between the 95% and the 99.8% limits" in found.answer[0]


def test_proof_counts_add_up_to_the_repairs(pages, tables):
    lines = table_of(pages["shops.html"], "Repairs by shop and proof")[1:]
    assert sum(int(line[1]) for line in lines) == tables["mart.repair_check"].height
    for line in lines:
        assert int(line[1]) == sum(map(int, line[2:]))
        proved = (
            tables["mart.repair_check"]
            .filter(pl.col("shop_id") == line[0], pl.col("verified") == "proved")
            .height
        )
        assert int(line[2]) == proved


def test_technicians_are_not_ranked_by_words(tables):
    found = section(shops, tables, "technicians")
    assert "not as a mark" in found.answer[0]
    assert found.answer[0].endswith(
        "None of 18 that could be compared lies beyond the 99.8% limits for the number and mix of repairs."
    )
    assert not found.findings
    named = pl.col("group").is_in(["T101", "T102"]) & (pl.col("by") == "technician")
    fixes = tables["mart.first_time_fix"].with_columns(
        funnel=pl.when(named).then(pl.lit("beyond_below")).otherwise("funnel")
    )
    told = section(shops, tables | {"mart.first_time_fix": fixes}, "technicians").answer[0]
    assert "2 of 18 that could be compared lie beyond" in told
    assert "T101" not in told


def test_the_leaks_page_states_the_discharge_coefficient_beside_its_numbers(pages):
    assert "discharge coefficient of 0.61" in pages["leaks.html"].text
    assert "0.75, which makes the same hole 11% smaller" in pages["leaks.html"].text


def test_sizes_before_a_repair_are_told_apart(tables):
    said = section(leaks, tables, "sizes").answer[-1]
    r = tables["mart.leak_size"].filter(pl.col("group") == "before_repair").row(0, named=True)
    assert said.startswith(
        f"Before a repair: half of the recordings show a leak of at most {words.number(r['median_mm'])} mm"
    )
    assert f"{words.number(r['median_low_mm'])} to {words.number(r['median_high_mm'])} mm" in said
    assert f"{r['n_traces']} recordings" in said


def test_each_code_that_names_a_size_is_held_against_what_was_measured(tables):
    found = section(leaks, tables, "codes")
    small, very_small = found.answer
    assert small.startswith(
        "P0442, 1.02 mm and more: most leaks found under it are smaller; 31.0% (24.0% to 38.0%) of"
    )
    assert very_small.startswith("P0456, 0.508 mm and more: the recordings do not settle")
    assert len(found.grids[0].rows) == 2


def test_without_a_code_that_names_a_size_the_page_says_so(tables):
    sizes = tables["mart.leak_size"].filter(pl.col("by") != "trouble_code")
    assert (
        section(leaks, tables | {"mart.leak_size": sizes}, "codes")
        .answer[0]
        .startswith("Not known: no recording")
    )


def test_verdict_counts_are_the_rows_of_the_table(pages, tables):
    traces = tables["mart.trace_result"]
    rows = pages["leaks.html"].specs["verdicts-spec"]["datasets"]["rows"]
    for stage in ("all", "before_repair", "after_repair", "routine"):
        drawn = {r["category"]: r["value"] for r in rows if r["stage"] == stage}
        kept = traces if stage == "all" else traces.filter(pl.col("stage") == stage)
        assert drawn == {words.label(v): n for v, n in kept["verdict"].value_counts().iter_rows()}


def test_a_source_whose_vent_command_is_doubted_is_named_with_its_counts(pages, tables):
    found = section(data, tables, "vent_commands")
    assert found.answer == ("Not in 1 of 2 sources, whose tests are not judged.",)
    assert found.findings[0].text.startswith("south_bay: in 41 of 48 recordings vacuum came")
    assert table_of(pages["data.html"], "Vent commands by source")[-1] == ["south_bay", "48", "41", "no"]


def test_a_source_whose_pressures_are_in_another_unit_is_named_with_what_to_declare(pages, tables):
    found = section(data, tables, "pressure_units")
    assert found.answer == ("Not in 1 of 2 sources, whose tests are not judged.",)
    assert found.findings[0].text.startswith(
        "south_bay: 36 draws of 12 vehicles, and the largest moved the pressure by"
    )
    assert "by 3.6 Pa; 32 of them" in found.findings[0].text
    assert "moved it 0.0010 times as far and 0.0011 times as fast as there" in found.findings[0].text
    assert "[samples.units]" in found.findings[0].text
    assert table_of(pages["data.html"], "Pressures by source")[-1] == [
        "south_bay",
        "36",
        "12",
        "3.64",
        "32",
        "0.00100",
        "0.00110",
        "no",
    ]


def test_the_start_page_says_which_sources_are_not_judged(tables):
    found = [f.text for f in section(start, tables, "holds").findings]
    assert found[:2] == [
        "No test of south_bay is judged: its vent commands cannot be what they say.",
        "No test of south_bay is judged: its pressures are in another unit.",
    ]


def test_inspection_items_stand_with_count_base_share_and_interval(pages, tables):
    lines = table_of(pages["inspection.html"], "Initial test and retests")
    r = tables["mart.inspection_report"].filter(
        pl.col("model_year") == 2004, pl.col("vehicle_type") == "light truck", pl.col("item") == "(a)(2)(i)"
    ).row(0, named=True)  # fmt: skip
    cell = next(line for line in lines if line[:2] == ["2004", "light truck"])[2]
    bounds = f"{r['low_percent']:.1f} to {r['high_percent']:.1f}"
    assert cell == f"{words.percent(r['percent'])} {r['n']} / {r['of']}; {bounds}"


def test_the_items_are_those_of_the_rule():
    """40 CFR 51.366(a)(2): (i)-(vi) and (xi)-(xxiii), less (xiii) and (xiv), which need tailpipe tests."""
    roman = [
        "i",
        "ii",
        "iii",
        "iv",
        "v",
        "vi",
        "xi",
        "xii",
        "xv",
        "xvi",
        "xvii",
        "xviii",
        "xix",
        "xx",
        "xxi",
        "xxii",
        "xxiii",
    ]
    assert [i for _, group in GROUPS for i in group] == [f"({r})" for r in roman]
    assert "(xiii) and (xiv)" in UNANSWERED[0]


def test_vehicles_tested_are_item_a_1(tables):
    """40 CFR 51.366(a)(1) and the list of what cannot be answered, which names every other paragraph."""
    said = section(inspection, tables, "tested")
    assert said.answer[0].startswith("570 vehicles tested, of 588 seen; 6 cells")
    missing = " ".join(UNANSWERED)
    for paragraph in ("(a)(5)", "(b)", "(c)", "(d)", "(e) and (f)", "(vii) to (x)", "January to December"):
        assert paragraph in missing


def test_initial_failures_are_shared_out_to_the_last_and_the_open_ones_stand_apart(tables):
    """Contract, "Test cycle": open cycles are reported apart; (i) = (iii) + (iv) + (v) + (vi) + open for the reader."""
    said = section(inspection, tables, "outcomes")
    assert said.answer == (
        "108 test cycles failed initially (i): 54 passed the first retest (iii), 24 passed the second or a later retest"
        " (iv), 12 received a waiver (v), 12 without a known final outcome (vi) and 6 still open, in no item of the"
        " rule.",
        "6 cycles passed a retest and bore a waiver at once: counted here as passed, and in item (v) too.",
    )
    assert "180 days or more went by" in said.how[0]
    assert "Still open: the same, and fewer than 180 days" in said.how[0]


def test_vehicles_without_a_verdict_are_counted_beside_the_share_that_fails(tables):
    """Without result and readiness only a failing record can be judged: 58 of 58 initial tests then fail."""
    said = section(inspection, tables, "items").answer[-1]
    assert said.startswith("18 of 588 vehicles seen had no visit with a verdict")
    assert said.endswith("the share that fails comes out too high.")
    told = tables["mart.vehicles_tested"].with_columns(n_vehicles_seen=pl.col("n_vehicles"))
    answer = section(inspection, tables | {"mart.vehicles_tested": told}, "items").answer
    assert not any("had no visit" in text for text in answer)


def test_a_share_is_never_summed_over_model_years(tables):
    """Counts may be added; a share over several rows would be an estimate of our own."""
    said = section(inspection, tables, "items").answer
    r = tables["mart.inspection_report"].filter(pl.col("item") == "(a)(2)(i)")
    counted = f"{words.count(r['n'].sum())} of {words.count(r['of'].sum())} {r['of_what'][0]}"
    assert said[0] == f"{counted} failed (item (i))."
    assert not any("%" in s for s in said)


def test_the_worst_readiness_is_the_highest_lower_bound(tables):
    rows = tables["mart.readiness"].filter(pl.col("monitor") == "evap").sort("low", descending=True)
    assert rows.row(0, named=True)["model"] in section(inspection, tables, "readiness").answer[0]


def test_a_station_that_stands_out_is_a_reason_to_look_and_no_more(tables):
    found = section(inspection, tables, "stations")
    assert [f.text.split(",")[0] for f in found.findings] == ["ST-014"]
    assert "innocent causes" in found.answer[0]


def test_a_stations_finding_says_of_how_many_records_it_names_the_first_and_where_the_others_are():
    ids = [f"I{n}" for n in range(20)]
    many = {"measure": "close_tests", "n": 104, "inspection_ids": ids}
    assert stations.records_behind(many) == (
        " The first 5 of 104 records: I0, I1, I2, I3, I4, ...; 20 of them stand in column inspection_ids of table"
        " mart.station_look."
    )
    copied = {"measure": "repeated_distance", "n": 104, "inspection_ids": ids[:1]}
    assert stations.records_behind(copied) == (
        " The first record of each repetition: I0. The others have the same warmups_since_clear and"
        " distance_since_clear_km at this station, in table core.inspections."
    )
    assert stations.records_behind(many | {"n": 2, "inspection_ids": ids[:2]}) == " Records: I0, I1."
    assert stations.records_behind(many | {"inspection_ids": None}) == ""


def test_quarantine_counts_by_source_field_and_rule(pages, tables):
    lines = table_of(pages["data.html"], "What was refused")[1:]
    assert sum(int(line[-1]) for line in lines) == tables["quarantine.records"].height
    assert lines[0][0] == "northbay"
    assert lines[0][-1] == "31"
    assert "'values' in source.toml" in lines[0][1]


def test_the_start_page_sums_up_files_and_links_what_stands_out(pages, tables):
    files = tables["audit.files"]
    lines = {line[0]: line for line in table_of(pages["index.html"], "Records by kind")[1:]}
    jobs = files.filter(pl.col("kind") == "jobs")
    assert lines["Jobs"][3] == words.count(jobs["n_accepted"].sum())
    targets = {a["href"] for tag, a in pages["index.html"].tags if tag == "a"}
    assert {
        "fleet.html#recurring",
        "shops.html#funnel",
        "inspection.html#stations",
        "data.html#refused",
    } <= targets


def test_the_start_page_counts_recordings_that_have_no_header_file(tables):
    """A file per recording brings its header in its name: only the warehouse knows how many there are."""
    runs = tables["audit.runs"].with_columns(row_counts=pl.lit('{"core.traces": 7777}'))
    said = section(start, tables | {"audit.runs": runs}, "holds").answer
    assert "7,777 recordings" in said[0]
    headers = tables["audit.files"].filter(pl.col("kind") == "traces")["n_accepted"].sum()
    assert said[2].startswith(f"{words.count(7777 - headers)} recordings came without a header record")
    runs = runs.with_columns(row_counts=pl.lit(f'{{"core.traces": {headers}}}'))
    assert len(section(start, tables | {"audit.runs": runs}, "holds").answer) == 2


def test_a_reason_speaks_of_the_page_and_not_of_columns(tables):
    reason = (
        "median_mm: half or more may lie below the smallest size that could be told; share_over_1_0_mm: no"
    )
    everyone = pl.col("by") == "all"
    sizes = tables["mart.leak_size"].with_columns(
        median_mm=pl.when(everyone).then(None).otherwise(pl.col("median_mm")),
        reason=pl.when(everyone).then(pl.lit(reason)).otherwise(pl.col("reason")),
    )
    said = section(leaks, tables | {"mart.leak_size": sizes}, "sizes").answer[0]
    assert said.startswith("The median size is not known (95% interval")
    assert said.endswith(": half or more may lie below the smallest size that could be told.")


@pytest.mark.parametrize("module", [start, fleet, shops, inspection, leaks, data])
def test_an_empty_mart_gives_a_page_that_says_why(module):
    tables = empty_tables()
    page = module.make_page(reader(tables), last_run(tables["audit.runs"]))
    for s in page.sections:
        assert s.answer[0]
        assert s.picture is None
    reasons = ("Not known", "No ", "None", "Nothing", "Of the 17 items", "Window", "Window of")
    assert all(s.answer[0].startswith(reasons) for s in page.sections)


@pytest.mark.parametrize("module", [start, fleet, shops, inspection, leaks, data])
def test_marts_with_nothing_but_keys_give_a_page(module):
    tables = blank_tables()
    page = module.make_page(reader(tables), last_run(tables["audit.runs"]))
    assert all(s.answer[0] for s in page.sections)


def test_the_settings_of_the_last_run_are_the_ones_shown():
    tables = full_tables()
    runs = tables["audit.runs"]
    older = runs.with_columns(
        run_id=pl.lit("r0"),
        started_at=pl.col("started_at").dt.offset_by("-1d"),
        settings=pl.lit('{"level": 0.8}'),
    )
    run = last_run(pl.concat([runs, older]))
    assert run.level_text == "95%"
    assert last_run(older).level_text == "80%"
    assert run.skipped == ("workshop/samples_cut.parquet: The file ends before its footer.",)


def test_groups_with_the_largest_and_smallest_leaks_are_named_and_told_apart_by_their_bounds(tables):
    said = section(leaks, tables, "compare").answer
    sizes = tables["mart.leak_size"].filter(pl.col("by") == "component").sort("median_mm")
    small, large = sizes.row(0, named=True), sizes.row(-1, named=True)
    line = next(text for text in said if text.startswith("By part: "))
    assert f"largest {words.label(large['group'])}, {words.number(large['median_mm'])} mm" in line
    assert f"smallest {words.label(small['group'])}, {words.number(small['median_mm'])} mm" in line
    assert line.endswith(
        "lie apart." if large["median_low_mm"] > small["median_high_mm"] else "intervals overlap."
    )


def test_a_group_whose_leaks_are_too_large_to_tell_is_not_passed_over_for_the_largest(tables):
    """More than half of them are too large for a size: no median, and yet larger than any that has one."""
    unknown = pl.col("group") == "P0455"
    sizes = tables["mart.leak_size"].with_columns(
        pl.when(unknown).then(None).otherwise("median_mm").alias("median_mm"),
        pl.when(unknown).then(2.41).otherwise("median_low_mm").alias("median_low_mm"),
        pl.when(unknown).then(None).otherwise("median_high_mm").alias("median_high_mm"),
        pl.when(unknown).then(22).otherwise("n_traces").alias("n_traces"),
    )
    said = section(leaks, tables | {"mart.leak_size": sizes}, "compare").answer
    line = next(text for text in said if text.startswith("By trouble code: "))
    assert line.startswith("By trouble code: of the medians that can be told, largest P04")
    assert line.endswith(" Too large to tell a median: P0455 (at least 2.41 mm; 22 recordings).")


def test_a_group_whose_leaks_are_too_tight_to_tell_is_named_with_its_bound(tables):
    unknown = pl.col("group") == "after_repair"
    sizes = tables["mart.leak_size"].with_columns(
        pl.when(unknown).then(0.12).otherwise("median_high_mm").alias("median_high_mm"),
        pl.when(unknown).then(111).otherwise("n_traces").alias("n_traces"),
    )
    said = section(leaks, tables | {"mart.leak_size": sizes}, "compare").answer
    line = next(text for text in said if text.startswith("By stage: "))
    assert line.endswith(" Too tight to tell one: after repair (at most 0.120 mm; 111 recordings).")


def test_recordings_of_vehicles_without_a_tank_size_are_counted_and_not_lost(tables):
    """Their leak is told for each cubic meter of gas: it has no diameter, and is missing from every size."""
    sized = tables["mart.trace_result"]
    leaking = sized.filter(pl.col("verdict") == "leak")
    names = [name for name in sized.columns if name.startswith("leak_diameter")]
    bare = leaking.head(7).with_columns(
        *(pl.lit(None, sized.schema[name]).alias(name) for name in names),
        *(pl.lit(7.1).alias(f"leak_area_per_volume{end}_mm2_m3") for end in ("", "_low", "_high")),
    )
    found = section(leaks, tables | {"mart.trace_result": bare}, "sizes")
    assert found.left_out[-1].startswith(
        "7 recordings of vehicles whose tank size (fuel_tank_l) is not known:"
    )
    nothing = {name: tables[name].head(0) for name in ("mart.leak_size", "mart.leak_size_curve")}
    found = section(leaks, tables | nothing | {"mart.trace_result": bare}, "sizes")
    assert found.answer[0] == "Not known: no recording gives a diameter or a bound."
    assert found.answer[1].startswith("7 recordings of vehicles whose tank size")
    assert not any("tank size" in text for text in section(leaks, tables, "sizes").left_out)


def test_recurrence_is_read_where_enough_vehicles_are_left(pages, tables):
    """At 1500 days, for all parts alike: the failure at 1600 days came when too few were left."""
    lines = table_of(pages["shops.html"], "Failures per vehicle")[1:]
    groups = tables["mart.recurrence"].select("make", "model", "component").unique()
    assert len(lines) == groups.height
    line = next(x for x in lines if x[:2] == ["purge valve", "Halden Orrin"])
    assert line[2:] == ["7", words.number(1500 / 365.25), "0.0280 0.0140 to 0.0630"]
    said = section(shops, tables, "recurrence").answer[1]
    assert said.startswith(
        "By the age of 4.11 years, the greatest of which enough vehicles were followed, a vehicle has"
    )
    assert said.endswith(
        "canister 0.112 (0.0560 to 0.252; 7 failures), filler neck 0.168 (0.0840 to 0.378; 7 failures) and fuel"
        " cap 0.0840 (0.0420 to 0.189; 7 failures)."
    )
    rows = pages["shops.html"].specs["recurrence-spec"]["datasets"]["rows"]
    assert {r["age_years"] > 1500 / 365.25: r["is_read"] for r in rows} == {False: True, True: False}


def test_recurrence_of_too_few_vehicles_is_not_told(tables):
    """Ten vehicles were never under observation at one age; or no failure came up to the age that is read."""
    curve = tables["mart.recurrence"]
    few = curve.with_columns(read_to_days=pl.lit(None, pl.Int64))
    found = section(shops, tables | {"mart.recurrence": few}, "recurrence")
    assert (
        found.answer[1] == "How often by what age is not told: at no age were ten vehicles under observation."
    )
    assert {row.cells[-1].text for row in found.grids[1].rows} == {words.MISSING}
    early = curve.with_columns(read_to_days=pl.lit(100, pl.Int64))
    found = section(shops, tables | {"mart.recurrence": early}, "recurrence")
    assert {(row.cells[2].text, row.cells[-1].text, row.cells[-1].small) for row in found.grids[1].rows} == {
        ("0", "0", "no interval")
    }


def test_proof_is_weighed_with_its_interval_its_price_and_as_an_association(tables):
    found = section(shops, tables, "worth")
    said = " ".join(found.answer)
    assert "come back 0.300 times as often (95% interval 0.200 to 0.550)" in said
    assert "proved: 96.5% (94.0% to 98.0%) without a comeback (14 comebacks of 400)" in said
    assert (
        "Against all other repairs: had these come back like the proved ones, 42 comebacks (95% interval 27 to 48)"
        " would not have been, with 63 hours of labor (40 to 72; known for 70" in said
    )
    assert "3,360 USD of parts (2,160 to 3,840; known for 60)" in said
    assert any("how far the mean itself may be off is not in them" in text for text in found.how)
    assert "Among these may be repairs that their own recording disproved" in said
    assert "association, not a trial" in said
    assert "No ratio: no comeback on one of the two sides" in said


def test_nothing_is_said_to_be_avoided_where_the_interval_holds_one(tables):
    doubtful = tables["mart.proof_worth"].with_columns(hazard_ratio_high=pl.lit(1.2))
    found = section(shops, tables | {"mart.proof_worth": doubtful}, "worth")
    assert not any("would not have been" in text for text in found.answer)
    assert any("the interval holds 0, so no saving is shown" in text for text in found.answer)


def test_what_proof_saves_is_told_of_the_fairest_comparison_that_has_a_ratio(tables):
    """An owner read 69 comebacks, 24 of them of repairs that their own recording had disproved."""
    worth = tables["mart.proof_worth"]
    first = worth.filter(pl.col("comparison") == "proved_or_not")
    fair = first.with_columns(comparison=pl.lit("proved_or_no_recording"), comebacks_avoided=pl.lit(33.0))

    def told(*rows: pl.DataFrame) -> list[str]:
        found = section(shops, tables | {"mart.proof_worth": pl.concat(rows)}, "worth")
        return [text for text in found.answer if text.startswith("Against ")]

    (said,) = told(worth, fair)
    assert said.startswith(
        "Against repairs without a recording: had these come back like the proved ones, 33 comeb"
    )
    assert "disproved" not in said
    doubtful = fair.with_columns(hazard_ratio_high=pl.lit(1.2), comebacks_avoided_low=pl.lit(-13.0))
    (said,) = told(worth, doubtful)
    assert said == (
        "Against repairs without a recording: had these come back like the proved ones, 33 comebacks (95% interval -13"
        " to 48) fewer; the interval holds 0, so no saving is shown."
    )
    (said,) = told(worth, fair.with_columns(hazard_ratio=None, hazard_ratio_high=None))
    assert said.startswith("Against all other repairs: ")
    assert told(worth.filter(pl.col("comparison") == "with_or_against_evidence")) == []


def test_every_table_has_a_head_for_each_of_its_columns(pages):
    widths = {
        (name, caption): {len(row) for row in rows}
        for name, page in pages.items()
        for caption, rows in page.tables.items()
    }
    assert len(widths) > 20
    assert {at: found for at, found in widths.items() if len(found) != 1} == {}


def test_without_inspections_or_compared_shops_a_page_says_not_known(tables):
    none = tables | {
        name: tables[name].clear() for name in ("mart.inspection_disagreement", "mart.inspection_report")
    }
    assert section(inspection, none, "disagreements").answer == ("Not known: no accepted inspection.",)
    alone = tables | {
        "mart.first_time_fix": tables["mart.first_time_fix"].with_columns(
            funnel=pl.lit(None, dtype=pl.String)
        )
    }
    assert section(shops, alone, "funnel").answer[0].startswith("Not known: no shop could be compared")
