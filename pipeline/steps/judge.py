"""Decode what each inspection's vehicle sent and judge it by the rule in force, once for each distinct pattern."""

from __future__ import annotations

import polars as pl

from pipeline.contract.fields import INSPECTIONS as INSPECTION_RECORDS
from pipeline.contract.inspection_program import ANY_CODE, InspectionRule
from pipeline.contract.table_form import Column, text
from pipeline.standards.inspection_rule import judge_visit
from pipeline.standards.obd import decode_monitor_status_columns
from pipeline.warehouse.store import Warehouse, kind_meanings

#: What the columns of core.inspections mean that no record has.
PATTERN_MEANINGS = (
    text("status_bytes", "the four status bytes as they were decoded, where there are any"),
    Column("monitors_supported", "VARCHAR[]", "monitors that the vehicle has, by its bytes"),
    text("judged_base", "result by the rule in force, from this record alone: pass, fail or return"),
    text("judged_clause", "the clause of the rule that it rests on"),
)
NUMBER_MEANINGS = (
    Column("pattern_no", "INTEGER", "what it was judged by, in core.inspection_pattern"),
    Column("vehicle_no", "INTEGER", "its vehicle: rowid in core.vehicles"),
)
#: what is told of an inspection by its pattern, beside or instead of what its record holds
TOLD_COLUMNS = (
    ("mil_on", "BOOLEAN"),
    ("trouble_code_count", "BIGINT"),
    ("monitors_not_ready", "VARCHAR[]"),
    *((column.name, column.type) for column in PATTERN_MEANINGS),
)

#: What an inspection is judged by, beside the record itself. Where it carries bytes they stand, whatever its other
#: columns say: they are what the vehicle sent. Counters matter only where a permanent code may be excused.
SEEN = """
create or replace temp view seen as
select
    i.rowid as record_no,
    v.rowid as vehicle_no,
    i.monitor_status_hex,
    i.bulb_check,
    i.connector,
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
from core.inspection_record i
left join core.vehicles v using (vehicle_id)
cross join asked
"""

PATTERNS = """
select distinct monitor_status_hex, bulb_check, connector, columns('^by_.*')
from seen
"""

#: Column after column of a pattern; missing equals missing. Records are not written again: text keys cost the most.
NUMBERED = """
update core.inspection_record as record
set pattern_no = told.pattern_no, vehicle_no = told.vehicle_no
from (
    select seen.record_no, seen.vehicle_no, p.pattern_no
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
) as told
where told.record_no = record.rowid
"""

#: a record with what its pattern tells; where it carries bytes these stand in place of its own columns
INSPECTIONS = """
create or replace view core.inspections as
select
    record.* exclude (pattern_no, vehicle_no) replace (
        p.mil_on as mil_on,
        p.trouble_code_count as trouble_code_count,
        p.monitors_not_ready as monitors_not_ready
    ),
    p.status_bytes,
    p.monitors_supported,
    p.judged_base,
    p.judged_clause,
    record.pattern_no,
    record.vehicle_no
from core.inspection_record as record
join core.inspection_pattern as p using (pattern_no)
"""


def judge_inspections(warehouse: Warehouse, rule: InspectionRule) -> None:
    """Decode and judge every record of core.inspections by itself.

    The records become core.inspection_record, each with the number of its pattern and of its vehicle (rowid in
    core.vehicles); core.inspections becomes a view on them and on core.inspection_pattern, with `TOLD_COLUMNS`. What
    the visit before it says is up to `sql/core/visit.sql`.
    """
    con = warehouse.con
    con.execute("alter table core.inspections rename to inspection_record")
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
    judged = judge_patterns(warehouse.query(PATTERNS), rule).with_row_index("pattern_no")
    for column in ("pattern_no", "vehicle_no"):
        con.execute(f"alter table core.inspection_record add column {column} integer")
    con.register("judged_pattern", judged)
    try:
        con.execute(NUMBERED).fetchall()
    finally:
        con.unregister("judged_pattern")
    con.execute("drop view seen")
    con.execute("drop table asked")
    keep_patterns(warehouse, judged)


def keep_patterns(warehouse: Warehouse, judged: pl.DataFrame) -> None:
    """Write core.inspection_pattern from `pattern_no` and `TOLD_COLUMNS`; make the view core.inspections."""
    warehouse.create("core.inspection_pattern", [("pattern_no", "INTEGER"), *TOLD_COLUMNS])
    warehouse.append(
        "core.inspection_pattern", judged.select("pattern_no", *(name for name, _ in TOLD_COLUMNS))
    )
    warehouse.con.execute(INSPECTIONS)
    columns = kind_meanings(INSPECTION_RECORDS, *PATTERN_MEANINGS, *NUMBER_MEANINGS)
    warehouse.comment("core.inspections", INSPECTION_RECORDS.meaning, columns, "view")


def judge_patterns(patterns: pl.DataFrame, rule: InspectionRule) -> pl.DataFrame:
    """Decode and judge rows of `PATTERNS`; add `TOLD_COLUMNS`."""
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
