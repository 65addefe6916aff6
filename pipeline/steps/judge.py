"""Decode what each inspection's vehicle sent and judge it by the rule in force, once for each distinct pattern."""

from __future__ import annotations

import polars as pl

from pipeline.contract.inspection_program import ANY_CODE, InspectionRule
from pipeline.standards.inspection_rule import judge_visit
from pipeline.standards.obd import decode_monitor_status_columns
from pipeline.warehouse.store import Warehouse

#: what `judge_inspections` adds to core.inspections
JUDGED_COLUMNS = (
    ("status_bytes", "VARCHAR"),
    ("monitors_supported", "VARCHAR[]"),
    ("judged_base", "VARCHAR"),
    ("judged_clause", "VARCHAR"),
)

#: What an inspection is judged by, beside the record itself. Where it carries bytes they stand, whatever its other
#: columns say: they are what the vehicle sent. Counters matter only where a permanent code may be excused.
SEEN = """
create or replace temp view seen as
select
    i.*,
    case when i.monitor_status_hex is null then i.mil_on end as by_mil,
    case when i.monitor_status_hex is null then i.trouble_code_count end as by_count,
    case when i.monitor_status_hex is null then i.monitors_not_ready end as by_not_ready,
    case when i.monitor_status_hex is null then v.ignition end as by_ignition,
    len(i.trouble_codes) as by_n_listed,
    case
        when len(asked.codes) > 0
            then list_has_any(list_transform(i.trouble_codes, lambda code: upper(trim(code))), asked.codes)
    end as by_own_code,
    case when asked.is_permanent then len(i.permanent_trouble_codes) > 0 end as by_permanent,
    case
        when asked.is_permanent and len(i.permanent_trouble_codes) > 0
            then (asked.warmups is not null or asked.km is not null)
            and (asked.warmups is null or i.warmups_since_clear >= asked.warmups)
            and (asked.km is null or i.distance_since_clear_km >= asked.km)
    end as by_excuse,
    v.model_year as by_year
from core.inspections i
left join core.vehicles v using (vehicle_id)
cross join asked
"""

PATTERNS = """
select distinct monitor_status_hex, bulb_check, connector, columns('^by_.*')
from seen
"""

#: column after column of a pattern; missing equals missing
JUDGED = """
create or replace table core.judged as
select
    seen.* exclude (
        by_mil, by_count, by_not_ready, by_ignition, by_n_listed, by_own_code, by_permanent, by_excuse, by_year
    ) replace (
        p.mil_on as mil_on,
        p.trouble_code_count as trouble_code_count,
        p.monitors_not_ready as monitors_not_ready
    ),
    p.status_bytes,
    p.monitors_supported,
    p.judged_base,
    p.judged_clause
from seen
join judged_pattern p
    on p.monitor_status_hex is not distinct from seen.monitor_status_hex
    and p.bulb_check is not distinct from seen.bulb_check
    and p.connector is not distinct from seen.connector
    and p.by_mil is not distinct from seen.by_mil
    and p.by_count is not distinct from seen.by_count
    and p.by_not_ready is not distinct from seen.by_not_ready
    and p.by_ignition is not distinct from seen.by_ignition
    and p.by_n_listed is not distinct from seen.by_n_listed
    and p.by_own_code is not distinct from seen.by_own_code
    and p.by_permanent is not distinct from seen.by_permanent
    and p.by_excuse is not distinct from seen.by_excuse
    and p.by_year is not distinct from seen.by_year
"""


def judge_inspections(warehouse: Warehouse, rule: InspectionRule) -> None:
    """Decode and judge every record of core.inspections by itself. Replaces that table, with `JUDGED_COLUMNS` more.

    What the visit before it says is up to `sql/core/visit.sql`.
    """
    con = warehouse.con
    codes = [code for code in rule.codes_that_fail if code != ANY_CODE]
    con.execute(
        "create or replace temp table asked as select ?::varchar[] as codes, ?::boolean as is_permanent,"
        " ?::integer as warmups, ?::double as km",
        [
            codes,
            rule.permanent_codes != "ignore",
            rule.permanent_excused_warmups,
            rule.permanent_excused_km,
        ],
    )
    con.execute(SEEN)
    con.register("judged_pattern", judge_patterns(warehouse.query(PATTERNS), rule))
    try:
        con.execute(JUDGED).fetchall()
    finally:
        con.unregister("judged_pattern")
    con.execute("drop view seen")
    con.execute("drop table asked")
    con.execute("drop table core.inspections")
    con.execute("alter table core.judged rename to inspections")


def judge_patterns(patterns: pl.DataFrame, rule: InspectionRule) -> pl.DataFrame:
    """Decode and judge rows of `PATTERNS`; add what was told and `JUDGED_COLUMNS`."""
    told = _told(patterns)
    own = _own_code(told, rule)
    result, clause = judge_visit(
        told["by_year"].to_list(),
        None,
        told["mil_on"].to_list(),
        told["n_codes"].to_list(),
        told["bulb_check"].to_list(),
        told["connector"].to_list(),
        rule,
        not_ready=told["monitors_not_ready"].to_list(),
        has_own_code=own.to_list(),
        has_permanent_code=told["by_permanent"].to_list(),
        is_excused=told["by_excuse"].to_list(),
        ignition=told["ignition"].to_list(),
    )
    return told.drop("n_codes", "ignition").with_columns(
        judged_base=pl.Series(result.tolist(), dtype=pl.String),
        judged_clause=pl.Series(clause.tolist(), dtype=pl.String),
    )


def _told(patterns: pl.DataFrame) -> pl.DataFrame:
    """Say what lamp, codes and monitors are, from the bytes where there are any."""
    decoded = decode_monitor_status_columns(patterns["monitor_status_hex"].to_list())
    texts = pl.List(pl.String)
    has_bytes = pl.col("monitor_status_hex").is_not_null()
    return patterns.with_columns(
        mil_on=pl.when(has_bytes).then(pl.Series(decoded["mil_on"], dtype=pl.Boolean)).otherwise("by_mil"),
        trouble_code_count=pl.when(has_bytes)
        .then(pl.Series(decoded["trouble_code_count"], dtype=pl.Int64))
        .otherwise("by_count"),
        monitors_not_ready=pl.when(has_bytes)
        .then(pl.Series(decoded["not_ready"], dtype=texts))
        .otherwise("by_not_ready"),
        ignition=pl.when(has_bytes)
        .then(pl.Series(decoded["ignition"], dtype=pl.String))
        .otherwise("by_ignition"),
        monitors_supported=pl.Series(decoded["supported"], dtype=texts),
        status_bytes=pl.Series(decoded["status_bytes"], dtype=pl.String),
    ).with_columns(n_codes=pl.coalesce("trouble_code_count", pl.col("by_n_listed").cast(pl.Int64)))


def _own_code(told: pl.DataFrame, rule: InspectionRule) -> pl.Series:
    """Say whether a code that fails by itself is stored; null where the codes are not all listed."""
    if ANY_CODE in rule.codes_that_fail:
        return told.select(pl.col("n_codes") > 0).to_series()
    is_all_listed = pl.col("by_n_listed") >= pl.col("n_codes")
    return told.select(
        pl.when(pl.col("by_own_code")).then(True).when(is_all_listed).then(pl.col("by_own_code"))
    ).to_series()
