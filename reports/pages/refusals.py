"""Records that were refused, and what would fix them: a section of the page on the data."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.rules import RULE_MEANINGS
from reports import words
from reports.charts.bars import draw_bars
from reports.pages import cells
from reports.pages.page import Cell, Finding, Grid, Picture, Section, table

MAX_BARS = 12

MAX_EXAMPLES = 3


MAX_TEXT = 200

ADVICE: dict[str, str] = {
    "shape": "Export with one delimiter, and quote text that holds it; check 'delimiter' in source.toml.",
    "required": "Fill the field before export, or map the column that holds it in source.toml.",
    "type": (
        "Export numbers as numbers and times with a zone; or declare the decimal mark, format"
        " and time zone in source.toml."
    ),
    "range": "Check the unit first, then the instrument; declare the unit in source.toml.",
    "vocabulary": "Map the source's word to ours under 'values' in source.toml.",
    "vin_check_digit": "Scan the number instead of typing it; correct it in the register.",
    "trouble_code_form": "Export codes as letter and four digits, one by one, without their text.",
    "obd_bytes": "Export the whole response, two hexadecimal digits a byte.",
    "time_order": "Correct the date or the clock that is out of order; check the time zone.",
    "unique": "Give every record its own key, or stop sending the same key with other content.",
    "reference": "Send the record that is referred to, or repair the one that was refused.",
    "vehicle_agrees": "Correct the vehicle on the recording or on its job.",
}


def refused(quarantine: pl.DataFrame) -> Section:
    question = "Which records were refused, and what would fix them at the source?"
    how = (
        "Every record is checked at the door against the contract. One that breaks a rule is set"
        " aside with the rule, the"
        " value and a sentence, and the rest goes on. A record that breaks several rules counts once under each.",
    )
    if quarantine.is_empty():
        return Section(
            "refused",
            question,
            ("Nothing was refused: every record that was read keeps every rule.",),
            how=how,
        )
    groups = refusal_groups(quarantine)
    n_records = quarantine.unique(["file", "row"]).height
    rows = [
        {
            "category": f"{g['source_id']}, {g['kind']}\n{g['column'] or 'whole record'}: {g['rule']}",
            "order": i,
            "value": g["n"],
            "bar_text": words.count(g["n"]),
            "count_text": words.count(g["n"]),
        }
        for i, g in enumerate(groups[:MAX_BARS])
    ]
    alt = "Refused records by source, kind, rule and field."
    return Section(
        "refused",
        question,
        (
            f"{words.plural(n_records, 'record')} broke {words.plural(quarantine.height, 'rule')} in"
            f" {words.plural(len(groups), 'way')}. Most often:",
        ),
        notable=True,
        findings=tuple(Finding(refusal_sentence(g)) for g in groups[:3]),
        picture=Picture(
            draw_bars(rows, "refused records", alt, step=40),
            alt,
            bars_caption(len(groups)),
        ),
        grids=(refusal_grid(groups),),
        how=how,
        left_out=(
            f"Values longer than {MAX_TEXT} characters are cut here; quarantine.records holds them whole.",
        ),
        wide=True,
    )


def refusal_groups(quarantine: pl.DataFrame) -> list[dict[str, Any]]:
    """Count refused records by source, kind, rule and field, most first, each with examples in file order."""
    keys = ["source_id", "kind", "rule", "column"]
    return (
        quarantine.sort("file", "row", "rule", "column")
        .group_by(keys, maintain_order=True)
        .agg(
            pl.len().alias("n"),
            pl.col("value").drop_nulls().unique(maintain_order=True).head(MAX_EXAMPLES).alias("examples"),
            pl.col("reason").first(),
            pl.col("file").first(),
            pl.col("row").first(),
        )
        .with_columns(pl.col(k).fill_null("") for k in keys)
        .sort("n", *keys, descending=[True, False, False, False, False])
        .to_dicts()
    )


def refusal_sentence(g: dict[str, Any]) -> str:
    what = f"{g['source_id']}, {g['kind']}: {words.plural(g['n'], 'record')}."
    return f"{what} {sentence(g['reason'])} {ADVICE.get(g['rule'], '')}"


def refusal_grid(groups: list[dict[str, Any]]) -> Grid:
    return table(
        "What was refused, by source, field and rule",
        (
            ("Source", lambda g: cells.text(g["source_id"])),
            (
                "What to fix",
                lambda g: Cell(
                    ADVICE.get(g["rule"], words.MISSING), None, f"first: {g['file']}, record {g['row']}"
                ),
            ),
            (
                "Field",
                lambda g: Cell(f"{g['kind']}: {g['column'] or 'whole record'}", f"{g['kind']} {g['column']}"),
            ),
            (
                "Values as they came",
                lambda g: Cell(
                    "; ".join(cut(v) for v in g["examples"]) or words.MISSING, None, sentence(g["reason"])
                ),
            ),
            ("Rule", lambda g: Cell(g["rule"], g["rule"], RULE_MEANINGS.get(g["rule"], ""))),
            ("Records", lambda g: cells.count(g["n"])),
        ),
        groups,
        "quarantine.records",
        n_text_columns=5,
        opened=True,
    )


def cut(text: str | None) -> str:
    if text is None:
        return ""
    return text if len(text) <= MAX_TEXT else text[:MAX_TEXT] + "…"


def bars_caption(n_groups: int) -> str:
    shown = (
        f" Shown: the {MAX_BARS} most frequent of {n_groups}; the table has all."
        if n_groups > MAX_BARS
        else ""
    )
    return f"Each bar: source and kind of record, then field and rule.{shown}"


def sentence(reason: str | None) -> str:
    """End a reason with a full stop, so that the advice can follow."""
    text = cut(reason)
    return text if not text or text.endswith((".", "…")) else f"{text}."
