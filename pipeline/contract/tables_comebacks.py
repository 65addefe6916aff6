"""What comes out: the lists behind the owner's counts of repairs that come back."""

from __future__ import annotations

from pipeline.contract.table_form import Column, Table, count, flag, number, text

COMEBACK = Table(
    "mart",
    "comeback",
    ("job_id",),
    "one repair that came back",
    (
        text("job_id", "repair"),
        text("shop_id", "shop that made it"),
        text("technician_id", "technician who made it"),
        text("vehicle_id", "vehicle"),
        text("make", "make"),
        text("model", "model"),
        text("component", "component repaired"),
        text("action", "what was done"),
        Column("closed_on", "DATE", "day the repair was closed (UTC)"),
        text(
            "comeback_job_id",
            "job as which it came back; of several lines opened at one instant the smallest job_id",
        ),
        count("days", "days from closing the repair to opening that job"),
        text("comeback_shop_id", "shop it came back to"),
        flag("is_same_component", "the same component was repaired again in that visit"),
        text("verified", "what the recordings of the repair prove, as in repair_check"),
        text("evidence_agrees", "does its before-trace support the component, as in repair_check"),
        number(
            "labor_h", "labor of the visit as which it came back, all lines; null where one is missing", "h"
        ),
        number("parts_cost", "parts cost of that visit, in the stated currency; null where a line lacks it"),
        text("currency", "that currency"),
    ),
)

AGAINST_EVIDENCE = Table(
    "mart",
    "against_evidence",
    ("by", "group"),
    "one group of repairs: a shop, or all of them",
    (
        text("by", "all or shop"),
        text("group", "the group"),
        count("n_told", "repairs whose before-trace tells whether it supports the component: yes or no"),
        count("n_against", "of these, repairs of a component that it does not support"),
        number("share_against", "their share"),
        number("low", "its lower bound (Wilson)"),
        number("high", "its upper bound (Wilson)"),
    ),
)

REPEATED_FAILURE = Table(
    "mart",
    "repeated_failure",
    ("vehicle_id", "component"),
    "one component that failed three times or more on one vehicle",
    (
        text("vehicle_id", "vehicle"),
        text("make", "make"),
        text("model", "model"),
        text("component", "component"),
        count("n_failures", "its failures inside the window"),
        count("n_comebacks", "those of them that are a comeback on the same component"),
        count("n_shops", "shops that repaired it"),
        Column("first_on", "DATE", "day the first of them was opened (UTC)"),
        Column("last_on", "DATE", "day the last of them was opened (UTC)"),
        text("last_job_id", "job of the last of them"),
        text("last_shop_id", "shop of the last of them"),
    ),
)
