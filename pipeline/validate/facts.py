"""What a rule needs to see that no single column shows, as plain true/false columns.

Great Expectations asks questions of columns. Where a question is about a list, a check digit or the order
of rows, the answer is worked out here in one vectorized expression and becomes a column `fact__<rule>` or
`fact__<rule>__<field>`; the suite then expects it to be true. A fact is null where there is nothing to ask.
"""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.contract import vocabulary as words
from pipeline.contract.fields import Kind
from pipeline.standards.trouble_codes import is_trouble_code
from pipeline.standards.vin import is_valid_vin

#: rules that a reader notices: it could not make a value of what was written
READER_RULES = ("shape", "type", "obd_bytes")


def fact(rule: str, field: str = "") -> str:
    """Return the name of the column that holds a fact."""
    return f"fact__{rule}__{field}" if field else f"fact__{rule}"


def record_facts(kind: Kind, records: pl.DataFrame, misread: pl.DataFrame) -> pl.DataFrame:
    """Return `records` with the facts that one record shows by itself."""
    frame = records.with_columns(
        (~_touched(records, misread, rule)).alias(fact(rule)) for rule in READER_RULES
    )
    return frame.with_columns(_word_facts(kind)).with_columns(_form_facts(kind, records))


def _touched(records: pl.DataFrame, misread: pl.DataFrame, rule: str) -> pl.Series:
    broken = misread.filter(pl.col("rule") == rule).select("file", "row").unique()
    if broken.height == 0:
        return pl.repeat(False, records.height, eager=True)
    marked = records.select("file", "row").join(
        broken.with_columns(hit=pl.lit(True)), on=["file", "row"], how="left", maintain_order="left"
    )
    return marked["hit"].fill_null(False)


def _word_facts(kind: Kind) -> list[pl.Expr]:
    facts = []
    for field in kind.fields:
        if field.type == "text_list" and field.values:
            facts.append(_all_in(field.name, field.values))
        if field.type == "check_list":
            allowed = [f"{name}={result}" for name in words.CHECK_NAMES for result in words.CHECK_RESULTS]
            facts.append(_all_in(field.name, tuple(allowed)))
    return facts


def _all_in(name: str, allowed: tuple[str, ...]) -> pl.Expr:
    return (
        pl.col(name).list.eval(pl.element().is_in(list(allowed))).list.all().alias(fact("vocabulary", name))
    )


def _form_facts(kind: Kind, records: pl.DataFrame) -> list[pl.Series]:
    facts = []
    if "vin" in kind.names:
        facts.append(_asked_once(records["vin"], is_valid_vin).alias(fact("vin_check_digit", "vin")))
    if "trouble_codes" in kind.names:
        codes = records["trouble_codes"]
        known = {c for c in codes.explode().drop_nulls().unique().to_list() if is_trouble_code(c)}
        good = codes.to_frame().select(
            pl.col("trouble_codes").list.eval(pl.element().is_in(list(known))).list.all()
        )
        facts.append(good.to_series().alias(fact("trouble_code_form", "trouble_codes")))
    return facts


def _asked_once(values: pl.Series, question: Callable[[str], bool]) -> pl.Series:
    distinct = values.drop_nulls().unique().to_list()
    answers = {value: question(value) for value in distinct}
    if not answers:
        return pl.repeat(None, len(values), dtype=pl.Boolean, eager=True)
    return values.replace_strict(answers, return_dtype=pl.Boolean, default=None)
