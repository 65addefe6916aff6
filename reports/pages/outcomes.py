"""How the test cycles that failed initially ended: one section of the inspection page."""

from __future__ import annotations

import polars as pl

from reports import words
from reports.pages import cells
from reports.pages.page import Section, table
from reports.pages.run import Run

#: columns of `mart.cycle_outcome` that share out the initial failures, with their heads and their words in a sentence
_SHARED: tuple[tuple[str, str, str], ...] = (
    ("n_passed_first_retest", "(iii) Passed the first retest", "passed the first retest (iii)"),
    ("n_passed_later_retest", "(iv) Passed a later retest", "passed the second or a later retest (iv)"),
    ("n_waived", "(v) Waived", "received a waiver (v)"),
    ("n_unknown", "(vi) No known final outcome", "without a known final outcome (vi)"),
    ("n_open", "Still open", "still open, in no item of the rule"),
)


def outcomes(ends: pl.DataFrame, run: Run) -> Section:
    """Ask how the test cycles that failed initially ended; rows of `mart.cycle_outcome`."""
    question = "How did the test cycles that failed initially end?"
    gap = run.settings["cycle_gap_days"]
    how = (
        "Each test cycle that failed initially, item (i) of (a)(2), stands here once. (iv) passed the second or a later"
        " retest. (v) was marked waived. (vi) has no known final outcome: its last verdict is a fail, and"
        f" {gap} days or more went by between its last visit and the latest inspection. Still open: the same, and fewer"
        f" than {gap} days went by; its owner may yet come back.",
    )
    totals = {c: int(ends[c].sum() or 0) for c in ends.columns if c.startswith("n_")}
    n = totals["n_initial_fail"]
    if not n:
        reason = "No test cycle failed initially." if ends.height else "Not known: no accepted inspection."
        return Section("outcomes", question, (reason,), how=how)
    shares = words.listed(f"{words.count(totals[c])} {said}" for c, _, said in _SHARED)
    answer = [f"{words.plural(n, 'test cycle')} failed initially (i): {shares}."]
    twice = totals["n_passed_and_waived"]
    if twice:
        answer.append(
            f"{words.plural(twice, 'cycle')} passed a retest and bore a waiver at once: counted here as passed, and in"
            " item (v) too."
        )
    by_cell = table(
        "Ends of the test cycles that failed initially",
        (
            ("Model year", lambda r: cells.year(r["model_year"])),
            ("Vehicle type", lambda r: cells.text(words.vehicle_type(r))),
            *cells.counts({"n_initial_fail": "(i) Failed initially", **{c: head for c, head, _ in _SHARED}}),
        ),
        ends.sort("model_year", "vehicle_type").to_dicts(),
        "mart.cycle_outcome",
        n_text_columns=2,
    )
    return Section("outcomes", question, tuple(answer), grids=(by_cell,), how=how)
