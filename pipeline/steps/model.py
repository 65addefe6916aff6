"""Run the SQL models, the estimates on top of them, and the checks that a run must pass."""

from __future__ import annotations

import polars as pl

from pipeline.contract.tables import MARTS, VEHICLE_DUE
from pipeline.errors import OurFault, WrongUsage
from pipeline.estimates import estimate_all
from pipeline.resources import carried
from pipeline.settings import Settings
from pipeline.standards.inspection_rule import again_clause
from pipeline.standards.trouble_codes import EVAP_CODES
from pipeline.warehouse.models import load_models, run_checks, run_models
from pipeline.warehouse.store import Warehouse


def prepare(warehouse: Warehouse, settings: Settings) -> None:
    """Fill what the models read beside the records: the window and the settings, the EVAP codes.

    Raises
    ------
    WrongUsage : the window ends before it begins.
    """
    warehouse.create(
        "core.setting",
        [
            ("from_on", "DATE"),
            ("to_on", "DATE"),
            ("inspection_to_on", "DATE"),
            ("level", "DOUBLE"),
            ("follow_up_days", "INTEGER"),
            ("cycle_gap_days", "INTEGER"),
            ("return_again", "VARCHAR"),
            ("return_again_clause", "VARCHAR"),
        ],
    )
    warehouse.con.execute(
        "insert into core.setting select coalesce(?::date, min(opened_at)::date),"
        " coalesce(?::date, max(opened_at)::date), (select max(inspected_at)::date from core.inspections),"
        " ?, ?, ?, ?, ? from core.jobs",
        [
            settings.from_on,
            settings.to_on,
            settings.level,
            settings.follow_up_days,
            settings.cycle_gap_days,
            settings.rule.return_again,
            again_clause(settings.rule),
        ],
    )
    _stop_at_an_empty_window(warehouse)
    warehouse.create("core.evap_code", [("trouble_code", "VARCHAR")])
    warehouse.append("core.evap_code", pl.DataFrame({"trouble_code": sorted(EVAP_CODES)}))


def _stop_at_an_empty_window(warehouse: Warehouse) -> None:
    asked = warehouse.query("select from_on, to_on from core.setting where from_on > to_on").to_dicts()
    if asked:
        first, last = warehouse.con.execute(
            "select min(opened_at)::date, max(opened_at)::date from core.jobs"
        ).fetchall()[0]
        raise WrongUsage(
            f"the window ends on {asked[0]['to_on']}, before it begins on {asked[0]['from_on']}: where one end is"
            f" not given it is that of the accepted jobs, opened {first} to {last}",
            "--from and --to, or from_on and to_on of the settings",
            "choose days within the jobs, or give both ends",
        )


#: How rows are ranked of tables that are estimated in parts. Vehicles: an open fault or the lamp, then overdue, then
#: the smaller chance to be ready. Here alone is that order said: all who read the table go by its `rank`.
ORDERS = {
    VEHICLE_DUE.full_name: """
        len(open_faults) > 0 or is_lamp_on desc nulls last,
        days_to_due >= 0 nulls last,
        case when len(open_faults) = 0 and not is_lamp_on then chance_ready end nulls last,
        due_on nulls last,
        vehicle_id"""
}


def model(warehouse: Warehouse, settings: Settings) -> None:
    """Fill every mart. Replaces each table whole."""
    run_models(warehouse.con, load_models(carried("sql")))
    estimates = estimate_all(warehouse.table, settings, warehouse.parts)
    for table in MARTS:
        made = estimates.get(table.full_name)
        if made is None:
            warehouse.declare(table)
        else:
            warehouse.write(table, made, ORDERS.get(table.full_name))


def check(warehouse: Warehouse) -> list[str]:
    """Run the checks of sql/check; return the warnings.

    Raises
    ------
    OurFault : a check marked `fail` found rows that break it.
    """
    results = run_checks(warehouse.con, load_models(carried("sql") / "check"))
    stopping = [result.sentence() for result in results if result.must_stop]
    if stopping:
        raise OurFault(
            "the tables contradict each other, so the run stops",
            "; ".join(stopping),
            "report this with the lake's `evapfleet check` output; the previous warehouse is untouched",
        )
    return [result.sentence() for result in results if result.outcome == "broken"]
