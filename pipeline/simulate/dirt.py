"""Dirty records: rows put in beside clean ones, each breaking one rule that it names.

A flaw copies a clean row, changes it, and the copy is placed right behind the original. The clean rows stay
as they were.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

Change = Callable[[dict[str, Any]], Any]
DUPLICATE = "duplicate"
LOG_SCHEMA = dict.fromkeys(("source_id", "kind", "record", "rule", "column", "value"), pl.String)


@dataclass(frozen=True)
class Flaw:
    """One dirty row: the rule it breaks, what is put into which field, and whether it gets a key of its own.

    A change may be a value, or a function of the copied row. `duplicate` breaks no rule: it is told apart.
    """

    rule: str
    edits: dict[str, Any | Change] = field(default_factory=dict)
    fresh_key: bool = True


@dataclass(frozen=True)
class Spoiled:
    """Frame with its dirty rows, and the log of them (`LOG_SCHEMA`)."""

    frame: pl.DataFrame
    log: pl.DataFrame


def spoil(
    frame: pl.DataFrame,
    source_id: str,
    kind: str,
    key: str,
    flaws: Sequence[Flaw],
    base: pl.Expr | None = None,
) -> Spoiled:
    """Put `flaws` into `frame`, evenly spread over the rows that fulfill `base`.

    Never more flaws than a quarter of the rows, so that no file is refused for a small lake's dirt.
    """
    numbered = frame.with_row_index("_row").with_columns(pl.col("_row").cast(pl.Float64))
    able = numbered.filter(base) if base is not None else numbered
    flaws = flaws[: able.height // 4]
    rows, log = [], []
    for k, flaw in enumerate(flaws):
        row = able.row((2 * k + 1) * able.height // (2 * len(flaws)), named=True)
        changed = _changed(row, flaw, key, k)
        rows.append({**changed, "_row": row["_row"] + 0.5})
        column = next(iter(flaw.edits), key)
        log.append([source_id, kind, str(changed[key]), flaw.rule, column, str(changed[column])])
    dirty = pl.DataFrame(rows, schema=numbered.schema)
    spoiled = pl.concat([numbered, dirty]).sort("_row", maintain_order=True).drop("_row")
    return Spoiled(spoiled, pl.DataFrame(log, schema=LOG_SCHEMA, orient="row"))


def _changed(row: dict[str, Any], flaw: Flaw, key: str, number: int) -> dict[str, Any]:
    changed = dict(row)
    if flaw.fresh_key and isinstance(row[key], str):
        changed[key] = f"{row[key]}0000{number}"
    for name, change in flaw.edits.items():
        changed[name] = change(row) if callable(change) else change
    return changed


def log_of(source_id: str, kind: str, record: str, rule: str, column: str, value: str) -> pl.DataFrame:
    """Log a dirty record that was written by other means than `spoil`."""
    return pl.DataFrame([[source_id, kind, record, rule, column, value]], schema=LOG_SCHEMA, orient="row")
