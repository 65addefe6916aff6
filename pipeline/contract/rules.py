"""The rules a record must keep beyond the type, range and vocabulary of its fields.

`pipeline.validate` turns these, with the fields of `contract.fields`, into Great Expectations suites.
A rule's `name` is what `quarantine.records.rule` shows.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class InOrder:
    """`later` must not come before `earlier`, where both are known."""

    kind: str
    earlier: str
    later: str
    name: str = "time_order"


@dataclass(frozen=True)
class Reference:
    """`column` must name an accepted record of kind `target` (where it is not empty)."""

    kind: str
    column: str
    target: str
    target_column: str
    name: str = "reference"


IN_ORDER = (
    InOrder("vehicles", "in_service_on", "out_of_service_on"),
    InOrder("jobs", "opened_at", "closed_at"),
)

REFERENCES = (
    Reference("jobs", "vehicle_id", "vehicles", "vehicle_id"),
    Reference("traces", "job_id", "jobs", "job_id"),
    Reference("traces", "vehicle_id", "vehicles", "vehicle_id"),
    Reference("inspections", "vehicle_id", "vehicles", "vehicle_id"),
    Reference("samples", "trace_id", "traces", "trace_id"),
)

#: rule name -> what it asks, for the page on the data
RULE_MEANINGS: dict[str, str] = {
    "shape": "the record has as many fields as the header",
    "required": "a required field is present",
    "type": "a value can be read as its field's type (a time without a zone cannot be placed)",
    "range": "a number lies between the limits of the possible",
    "vocabulary": "a word is one of the contract's closed list",
    "vin_check_digit": "a vehicle identification number carries its right check digit (49 CFR 565.15)",
    "trouble_code_form": "a trouble code has the SAE J2012 form: a letter of P C B U, then four digits",
    "obd_bytes": "diagnostic bytes have the length and form of their service and parameter",
    "time_order": "what ends does not end before it began; a recording's time increases",
    "unique": "one record for one key",
    "reference": "what a record refers to was accepted",
    "vehicle_agrees": "a trace and its job name the same vehicle",
}

#: The rules that count toward "more than half of a file refused, so the run stops": those that a wrong
#: delimiter, mapping or unit would break. A broken reference is another file's fault.
STOPPING_RULES = ("shape", "required", "type", "range", "vocabulary", "obd_bytes")
