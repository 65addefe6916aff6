"""What a row of a component of a model, or of all models together, is called, and how it is offered to be chosen."""

from __future__ import annotations

from typing import Any

from pipeline.contract.vocabulary import POOLED
from reports import words


def key_of(row: dict[str, Any]) -> str:
    return f"{row['make']} {row['model']}: {row['component']}"


def names_of(row: dict[str, Any]) -> dict[str, Any]:
    is_pooled = row["make"] == POOLED
    return {
        "is_pooled": is_pooled,
        "name": "all models" if is_pooled else words.of_model(row),
        "part": words.label(row["component"]),
        "group_key": key_of(row),
    }


def options_of(rows: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """Offer rows with their names, all models together first."""
    ordered = sorted(rows, key=lambda r: (not r["is_pooled"], f"{r['part']}: {r['name']}"))
    return [(r["group_key"], f"{r['part']}: {r['name']}") for r in ordered]


def surest_first(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Order rows of a comparison: what stands out, then the smallest q, then what was not compared."""
    return sorted(rows, key=lambda r: (not r["stands_out"], r["q_value"] is None, r["q_value"] or 0))
