"""The Great Expectations suites, derived from the contract: one for the records of each kind as they come
in, one for how records of different files fit together."""

from __future__ import annotations

import os

os.environ["GX_ANALYTICS_ENABLED"] = "false"

import great_expectations as gx
import great_expectations.expectations as gxe

from pipeline.contract.fields import Field, Kind
from pipeline.contract.rules import IN_ORDER, REFERENCES
from pipeline.validate.facts import READER_RULES, fact

#: asked of the lake, not of the record
MAY_COME_THROUGH_THE_JOB = ("traces", "vehicle_id")


def record_suite(kind: Kind) -> gx.ExpectationSuite:
    """Return what each record of a kind must keep by itself, whatever other files hold."""
    expectations = [_is_true(rule, "", fact(rule)) for rule in READER_RULES]
    for field in kind.fields:
        expectations += _field_expectations(kind, field)
    if "vin" in kind.names:
        expectations.append(_is_true("vin_check_digit", "vin", fact("vin_check_digit", "vin")))
    if "trouble_codes" in kind.names:
        name = fact("trouble_code_form", "trouble_codes")
        expectations.append(_is_true("trouble_code_form", "trouble_codes", name))
    expectations += _order_expectations(kind)
    return gx.ExpectationSuite(f"{kind.name} record by record", expectations=expectations)


def lake_suite(kind: Kind) -> gx.ExpectationSuite:
    """Return what the records of a kind must keep among each other and toward other kinds."""
    expectations = [_is_true("unique", "+".join(kind.key), fact("unique"))]
    expectations += [
        _is_true(ref.name, ref.column, fact(ref.name, ref.column))
        for ref in REFERENCES
        if ref.kind == kind.name
    ]
    if kind.name == "traces":
        expectations.append(_is_true("vehicle_agrees", "vehicle_id", fact("vehicle_agrees")))
        expectations.append(_is_true("required", "vehicle_id", fact("required", "vehicle_id")))
    if kind.name == "samples":
        expectations.append(_is_true("time_order", "t_s", fact("time_order", "t_s")))
    return gx.ExpectationSuite(f"{kind.name} across the lake", expectations=expectations)


def _field_expectations(kind: Kind, field: Field) -> list[gxe.Expectation]:
    expectations: list[gxe.Expectation] = []
    if field.is_required and (kind.name, field.name) != MAY_COME_THROUGH_THE_JOB:
        meta = {"rule": "required", "column": field.name}
        expectations.append(gxe.ExpectColumnValuesToNotBeNull(column=field.name, meta=meta))
    if field.low is not None or field.high is not None:
        meta = {"rule": "range", "column": field.name}
        expectations.append(
            gxe.ExpectColumnValuesToBeBetween(
                column=field.name, min_value=field.low, max_value=field.high, meta=meta
            )
        )
    if field.values and field.type == "text":
        meta = {"rule": "vocabulary", "column": field.name}
        expectations.append(
            gxe.ExpectColumnValuesToBeInSet(column=field.name, value_set=list(field.values), meta=meta)
        )
    if field.type == "check_list" or (field.values and field.type == "text_list"):
        expectations.append(_is_true("vocabulary", field.name, fact("vocabulary", field.name)))
    return expectations


def _order_expectations(kind: Kind) -> list[gxe.Expectation]:
    return [
        gxe.ExpectColumnPairValuesAToBeGreaterThanB(
            column_A=order.later,
            column_B=order.earlier,
            or_equal=True,
            ignore_row_if="either_value_is_missing",
            meta={"rule": order.name, "column": order.later},
        )
        for order in IN_ORDER
        if order.kind == kind.name
    ]


def _is_true(rule: str, column: str, fact_column: str) -> gxe.Expectation:
    meta = {"rule": rule, "column": column}
    return gxe.ExpectColumnValuesToBeInSet(column=fact_column, value_set=[True], meta=meta)
