"""The items of 40 CFR 51.366(a)(2) that inspection records can answer, in the rule's own order.

Left out: (vii)-(x) are reserved; (xiii) and (xiv) need tailpipe results, which no record carries.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Item:
    """One item: its number in the rule, what it counts, and the two columns of `tally.inspection_count`."""

    item: str
    meaning: str
    n: str
    of: str
    of_what: str


_INITIAL = ("n_initial", "test cycles with an initial test")
_RETEST = ("n_first_retest", "test cycles with a first retest")
_FAILED = ("n_initial_fail", "test cycles that failed the initial test")
_CAP = ("n_with_cap", "initial tests with an OBD and a fuel cap result")
_LAMP = ("n_with_lamp_and_codes", "first visits with lamp and codes known")
_READY = ("n_with_readiness", "first visits with readiness known")

ITEMS: tuple[Item, ...] = (
    Item("(a)(2)(i)", "failing initially", "n_initial_fail", *_INITIAL),
    Item("(a)(2)(ii)", "failing the first retest", "n_first_retest_fail", *_RETEST),
    Item("(a)(2)(iii)", "passing the first retest", "n_first_retest_pass", *_RETEST),
    Item(
        "(a)(2)(iv)",
        "failed initially, passing the second or a later retest",
        "n_later_retest_pass",
        *_FAILED,
    ),
    Item("(a)(2)(v)", "failed initially, receiving a waiver", "n_waived", *_FAILED),
    Item("(a)(2)(vi)", "no known final outcome", "n_unknown", *_FAILED),
    Item("(a)(2)(xi)", "passing the OBD check", "n_initial_pass", *_INITIAL),
    Item("(a)(2)(xii)", "failing the OBD check", "n_initial_fail", *_INITIAL),
    Item("(a)(2)(xv)", "passing OBD, failing the fuel cap test", "n_obd_pass_cap_fail", *_CAP),
    Item("(a)(2)(xvi)", "failing OBD, passing the fuel cap test", "n_obd_fail_cap_pass", *_CAP),
    Item("(a)(2)(xvii)", "passing both OBD and the fuel cap test", "n_both_pass", *_CAP),
    Item("(a)(2)(xviii)", "failing both OBD and the fuel cap test", "n_both_fail", *_CAP),
    Item("(a)(2)(xix)", "lamp commanded on, no codes stored", "n_lamp_no_codes", *_LAMP),
    Item("(a)(2)(xx)", "lamp not commanded on, codes stored", "n_no_lamp_codes", *_LAMP),
    Item("(a)(2)(xxi)", "lamp commanded on, codes stored", "n_lamp_codes", *_LAMP),
    Item("(a)(2)(xxii)", "lamp not commanded on, no codes stored", "n_no_lamp_no_codes", *_LAMP),
    Item(
        "(a)(2)(xxiii)", "readiness not complete for at least one supported monitor", "n_not_ready", *_READY
    ),
)
