"""The start page: what the data holds, and what stands out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.contract.vocabulary import KINDS, POOLED
from reports import words
from reports.pages import (
    alarms,
    cells,
    data,
    fix_rows,
    fleet,
    fleet_rows,
    leaks,
    look,
    readiness,
    replacement,
    shops,
    split,
    stations,
)
from reports.pages.page import Finding, Grid, Page, Section, table
from reports.pages.run import Run
from reports.pages.source_checks import unjudged

Read = Callable[[str], pl.DataFrame]
MAX_EACH = 3
#: So many of those beyond are named.
MAX_NAMED = 6


def make_page(read: Read, run: Run) -> Page:
    """Make the start page from the marts that the other pages show."""
    sections = tuple(
        s for s in (stands_out(read, run), worth_knowing(read, run), holds(read, run), settings(run)) if s
    )
    lead = (
        "Evaporative-emission jobs, pressure recordings and inspections of many shops, turned into"
        " rates with their counts and bounds.",
    )
    return Page("index.html", "Start", "What stands out in the fleet", "Start here", lead, sections)


def stands_out(read: Read, run: Run) -> Section:
    rates, fixes, looks = (read(f"mart.{n}") for n in ("failure_rate", "first_time_fix", "station_look"))
    found = (
        *recurring_parts(rates, run),
        *beginnings(read("mart.alarms")),
        *apart_in_a_model(read("mart.failure_split"), run),
        *failing_spares(read("mart.replacement_unit"), run),
        *far_shops(fixes, run),
        *odd_stations(looks, run),
    )
    answer = (
        f"{words.plural(len(found), 'finding')} that chance alone would hardly explain."
        if found
        else nothing_found(not rates.is_empty(), not fixes.is_empty(), not looks.is_empty())
    )
    return Section(
        "stands-out",
        "What stands out?",
        (answer,),
        notable=True,
        findings=found,
        how=(
            fleet.TESTED,
            alarms.CHART,
            split.COMPARED,
            split.TESTED,
            replacement.COMPARED,
            shops.FUNNEL,
            shops.AGAINST_OTHERS,
            "Stations: over-dispersion between ordinary stations is allowed for; q below 0.01 stands out.",
        ),
    )


def nothing_found(has_repairs: bool, has_closed: bool, has_inspections: bool) -> str:
    """Say what was looked at and found quiet, and what could not be looked at for want of records."""
    asked = (
        (
            has_repairs,
            "no part recurs on one model, nothing new starts, no model year, no fleet and no replacement fails more",
            "parts (no repair inside the window)",
        ),
        (
            has_closed,
            "no shop has more comebacks than its work lets expect",
            "shops (no repair closed inside the window)",
        ),
        (has_inspections, "no station gives a reason to look", "stations (no inspection)"),
    )
    quiet = ", ".join(text for is_known, text, _ in asked if is_known)
    unknown = words.listed(text for is_known, _, text in asked if not is_known)
    return " ".join(
        [f"Nothing stands out: {quiet}."] * bool(quiet) + [f"Not known of {unknown}."] * bool(unknown)
    )


def worth_knowing(read: Read, run: Run) -> Section | None:
    known = (
        *where_to_look(read("mart.first_look"), run),
        *unready(read("mart.readiness"), run),
        *leak_sizes(read("mart.leak_size"), run),
    )
    if not known:
        return None
    return Section(
        "worth-knowing",
        "What else is worth knowing?",
        ("Described, not tested: the highest value is named, with its bounds.",),
        findings=known,
    )


def recurring_parts(rates: pl.DataFrame, run: Run) -> list[Finding]:
    found = fleet.standing_out(fleet_rows.with_words(rates))
    return shown(
        [fleet.recurring_sentence(r, run) for r in found],
        "fleet.html#recurring",
        "See the fleet page",
        "recurring pair",
        [f"{r['name']}, {r['part']}" for r in found],
    )


def beginnings(charts: pl.DataFrame) -> list[Finding]:
    rows = [alarms.with_words(r) for r in charts.sort("make", "model", "component", "month").to_dicts()]
    return shown(
        [alarms.signal_sentence(r) for r in alarms.first_signals(rows)],
        "fleet.html#new",
        "See what is new",
        "chart",
    )


def apart_in_a_model(rows: pl.DataFrame, run: Run) -> list[Finding]:
    found = split.standing_out([split.with_words(r) for r in rows.to_dicts()])
    return shown(
        [split.sentence(r, run) for r in found],
        "fleet.html#split",
        "See model years and fleets",
        "such group",
    )


def failing_spares(rows: pl.DataFrame, run: Run) -> list[Finding]:
    found = [r for r in replacement.by_smallest_q(rows) if r["stands_out"]]
    return shown(
        [replacement.sentence(r, run) for r in found],
        "fleet.html#replacements",
        "See replacements",
        "replacement",
    )


def far_shops(fixes: pl.DataFrame, run: Run) -> list[Finding]:
    rows = [f for f in fix_rows.with_words(fixes) if f["by"] == "shop"]
    texts = [
        *(shops.shop_sentence(r, run) for r in shops.far_out(rows)),
        *(shops.apart_sentence(r, run) for r in shops.apart(rows)),
    ]
    return shown(
        [f"Shop {text}" for text in texts],
        "shops.html#funnel",
        "See the shops page",
        "shop",
    )


def odd_stations(look: pl.DataFrame, run: Run) -> list[Finding]:
    rows = stations.standing_out(look.to_dicts())
    texts = [f"A reason to look at station {stations.station_sentence(r, run)}" for r in rows]
    return shown(texts, "inspection.html#stations", "See the inspection page", "measure")


def where_to_look(looks: pl.DataFrame, run: Run) -> list[Finding]:
    everything = look.groups_of(looks.filter(make=POOLED, model=POOLED, trouble_code=POOLED))
    return [Finding(text, "look.html#first", "See where to look") for text in look.overall(everything, run)]


def unready(monitors: pl.DataFrame, run: Run) -> list[Finding]:
    rows = [r for r in monitors.to_dicts() if r["monitor"] == "evap" and r["not_ready_rate"] is not None]
    if not rows:
        return []
    return [
        Finding(
            readiness.worst_sentence(readiness.worst(rows), run),
            "inspection.html#readiness",
            "See readiness",
        )
    ]


def leak_sizes(sizes: pl.DataFrame, run: Run) -> list[Finding]:
    everyone = [s for s in leaks.sizes_with_words(sizes) if s["by"] == "all" and s["median_mm"] is not None]
    return [Finding(leaks.size_sentence(s, run), "leaks.html#sizes", "See the leaks page") for s in everyone]


def shown(texts: list[str], href: str, link: str, noun: str, names: list[str] | None = None) -> list[Finding]:
    """Show the first few; say how many more there are, and name the next ones where they have names."""
    findings = [Finding(t, href, link) for t in texts[:MAX_EACH]]
    rest = len(texts) - MAX_EACH
    if rest > 0:
        named = (names or [])[MAX_EACH : MAX_EACH + MAX_NAMED]
        unnamed = [f"{words.count(rest - MAX_NAMED)} others"] if names and rest > MAX_NAMED else []
        told = f": {'; '.join([*named, *unnamed])}" if named else ""
        findings.append(Finding(f"{words.plural(rest, 'more ' + noun)}{told}.", href, link))
    return findings


def holds(read: Read, run: Run) -> Section:
    files = read("audit.files")
    question = "What does the data hold?"
    if files.is_empty():
        return Section("holds", question, ("Nothing yet: no file has been read.",))
    by_kind = {r["kind"]: r for r in data.summed(files, "kind")}
    held = words.listed(
        f"{words.count(n)} {kind_name(k)}" for k in KINDS if (n := n_held(k, by_kind, run)) is not None
    )
    return Section(
        "holds",
        question,
        (
            f"{words.plural(files['source_id'].n_unique(), 'source')},"
            f" {words.plural(files.height, 'file')}. Held: {held}.",
            f"Window of the jobs: {run.window_text}. Latest inspection: {words.day(run.inspection_to_on)}.",
            *without_header(by_kind, run),
        ),
        findings=(*unjudged(read), *quarantined(files)),
        grids=(kind_grid(by_kind),),
    )


def n_held(kind: str, by_kind: dict[str, dict[str, Any]], run: Run) -> int | None:
    """Count the accepted records of a kind: by the run's own count, which knows recordings without a header file."""
    if f"core.{kind}" in run.row_counts:
        return int(run.row_counts[f"core.{kind}"])
    return int(by_kind[kind]["n_accepted"]) if kind in by_kind else None


def without_header(by_kind: dict[str, dict[str, Any]], run: Run) -> tuple[str, ...]:
    """Account for the recordings that are held and stand in no row of the table."""
    with_header = int(by_kind["traces"]["n_accepted"]) if "traces" in by_kind else 0
    n = (n_held("traces", by_kind, run) or 0) - with_header
    if n <= 0:
        return ()
    return (
        f"{words.plural(n, 'recording')} came without a header record, told by files of samples alone: the table"
        " counts records.",
    )


def kind_name(kind: str) -> str:
    return "recordings" if kind == "traces" else kind


def quarantined(files: pl.DataFrame) -> tuple[Finding, ...]:
    n, read_ = int(files["n_quarantined"].sum() or 0), int(files["n_read"].sum() or 0)
    text = (
        f"{words.plural(n, 'record')} of {words.count(read_)} read {'was' if n == 1 else 'were'}"
        " quarantined, each with its reason."
    )
    return (Finding(text, "data.html#refused", "See what to fix at the source"),)


def kind_grid(by_kind: dict[str, dict[str, Any]]) -> Grid:
    return table(
        "Records by kind",
        (
            ("Kind", lambda r: cells.text(kind_name(r["kind"]).capitalize())),
            *cells.counts({"n": "Files", **data.COUNTED}),
        ),
        [by_kind[k] for k in KINDS if k in by_kind],
        "audit.files",
        opened=True,
    )


def settings(run: Run) -> Section:
    s = run.settings
    lines = (
        f"Window of the jobs: {run.window_text}.",
        f"Level of every interval: {run.level_text}.",
        f"Follow-up after a repair: {s['follow_up_days']} days. A test cycle ends after"
        f" {s['cycle_gap_days']} days without an inspection.",
        f"Discharge coefficient behind leak sizes: {float(s['discharge_coefficient']):.2f}.",
    )
    return Section(
        "settings",
        "Which settings do the numbers rest on?",
        lines,
        findings=(Finding("", "data.html#settings", "All settings and versions"),),
    )
