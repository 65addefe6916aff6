"""Which repairs a recording proves: a section of the shops page."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.vocabulary import VERIFIED
from reports import words
from reports.charts.fixes import draw_proof
from reports.pages import cells
from reports.pages.page import Grid, Picture, Row, Section, grid


def proof(checks: pl.DataFrame) -> Section:
    question = "Which repairs does a recording prove?"
    if checks.is_empty():
        return Section("proof", question, ("Not known: there is no repair to check.",))
    counts = checks.group_by("shop_id", "verified").len("n").sort("shop_id", "verified").to_dicts()
    total = {v: sum(c["n"] for c in counts if c["verified"] == v) for v in VERIFIED}
    rows = [
        {
            "shop": c["shop_id"],
            "verified": c["verified"],
            "verified_label": words.label(c["verified"]),
            "place": VERIFIED.index(c["verified"]),
            "n": c["n"],
            "count_text": words.plural(c["n"], "repair"),
        }
        for c in counts
        if c["verified"] in VERIFIED
    ]
    alt = "Repairs of each shop by what recordings say of them."
    said = words.listed(f"{words.count(total[v])} {words.label(v)}" for v in VERIFIED)
    return Section(
        "proof",
        question,
        (f"Of {words.plural(checks.height, 'repair')}: {said}.",),
        picture=Picture(
            draw_proof(rows, alt),
            alt,
            "From left to right: proved, not proved, disproved, no recording.",
        ),
        grids=(proof_grid(counts),),
        how=(
            "By the last recording after the repair that could be judged. Proved: the system holds (90 % likely or"
            " more), or the leak that is left is under 0.5 mm and surely smaller than the one before. Disproved: a leak"
            " of surely 0.5 mm or more, or another fault, is there. Not proved: it cannot tell, or the system held"
            " before the repair as well. No recording: none was made after the repair. Counts of repairs; nothing is"
            " estimated.",
        ),
        left_out=(
            "A pressure recording tests tightness and valves; it says nothing of a repair it cannot feel.",
        ),
    )


def proof_grid(counts: list[dict[str, Any]]) -> Grid:
    by_shop: dict[str, dict[str, int]] = {}
    for c in counts:
        by_shop.setdefault(c["shop_id"], {})[c["verified"]] = c["n"]
    lines = (
        Row(
            (
                cells.text(shop),
                cells.count(sum(of.values())),
                *(cells.count(of.get(v, 0)) for v in VERIFIED),
            )
        )
        for shop, of in by_shop.items()
    )
    return grid(
        "Repairs by shop and proof",
        ("Shop", "Repairs", *(words.label(v).capitalize() for v in VERIFIED)),
        lines,
        "mart.repair_check",
    )
