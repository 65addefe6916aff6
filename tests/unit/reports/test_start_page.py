"""The start page names what stands out anywhere, and gives no all-clear where nothing was looked at."""

from __future__ import annotations

import polars as pl
import pytest

from reports.pages import start
from tests.unit.reports.page_reading import section


def without_findings(tables):
    """The tables of a fleet in which no part, model year, fleet, replacement, shop or station stands out."""
    fixes = tables["mart.first_time_fix"].with_columns(funnel=pl.lit("inside"), comes_back_more=False)
    said_by = {
        "mart.failure_rate": "is_recurring",
        "mart.alarms": "is_signal",
        "mart.failure_split": "stands_out",
        "mart.replacement_unit": "stands_out",
        "mart.station_look": "stands_out",
    }
    quiet = {name: tables[name].with_columns(pl.lit(False).alias(flag)) for name, flag in said_by.items()}
    return tables | quiet | {"mart.first_time_fix": fixes}


def test_a_quiet_start_page_says_that_nothing_stands_out(tables):
    said = section(start, without_findings(tables), "stands-out").answer[0]
    assert said.startswith("Nothing stands out")


@pytest.mark.parametrize(
    ("name", "flag", "link"),
    [
        ("mart.alarms", "is_signal", "fleet.html#new"),
        ("mart.failure_split", "stands_out", "fleet.html#split"),
        ("mart.replacement_unit", "stands_out", "fleet.html#replacements"),
    ],
)
def test_what_stands_out_on_the_fleet_page_stands_on_the_start_page(tables, name, flag, link):
    """All of the others being quiet: three are shown, and how many more there are."""
    quiet = without_findings(tables)
    found = section(start, quiet | {name: tables[name]}, "stands-out").findings
    assert found
    assert {f.href for f in found} == {link}
    assert tables[name].filter(flag).height >= 1


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        (
            ("mart.failure_rate", "mart.first_time_fix"),
            "Nothing stands out: no station gives a reason to look. Not known of parts (no repair inside the"
            " window) and shops (no repair closed inside the window).",
        ),
        (
            ("mart.station_look",),
            "Nothing stands out: no part recurs on one model, nothing new starts, no model year, no fleet and no"
            " replacement fails more, no shop has more comebacks than its work lets expect. Not known of stations"
            " (no inspection).",
        ),
    ],
)
def test_the_start_page_gives_no_all_clear_where_nothing_was_recorded(tables, missing, said):
    quiet = without_findings(tables) | {name: tables[name].clear() for name in missing}
    assert section(start, quiet, "stands-out").answer == (said,)
