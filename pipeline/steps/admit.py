"""Let the lake as a whole judge what was staged: uniqueness and references; fill `core` with the accepted."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.errors import DataStopsRun
from pipeline.lake.reading import record_schema
from pipeline.settings import Settings
from pipeline.steps.judge import judge_inspections
from pipeline.steps.stage import REGISTER_KINDS, STAGE_COLUMNS
from pipeline.validate.across import admit
from pipeline.warehouse.store import Warehouse, kind_columns, kind_meanings


def admit_registers(warehouse: Warehouse, settings: Settings, vanished: Sequence[str] = ()) -> pl.DataFrame:
    """Fill core.vehicles, jobs, traces and inspections; return (trace_id, why__) of refused trace headers.

    Parameters
    ----------
    vanished : files that are not there and whose rows are kept: a file that is there goes before them.
    """
    warehouse.create("stage.lake_problems", STAGE_COLUMNS["stage.problems"])
    warehouse.create("stage.duplicates", [("file", "VARCHAR"), ("row", "BIGINT")])
    accepted = {name: pl.DataFrame(schema=record_schema(name)) for name in ALL_KINDS}
    for name in REGISTER_KINDS:
        kind = ALL_KINDS[name]
        staged = warehouse.table(f"stage.{name}")
        if name == "traces":
            staged = _explicit_headers_first(staged)
        sound = staged.filter(pl.col("is_sound")).drop("is_sound")
        admission = admit(kind, sound, accepted, vanished)
        accepted[name] = admission.accepted.drop("raw")
        _keep_problems(warehouse, staged, admission.problems)
        warehouse.append("stage.duplicates", admission.duplicates)
    _fill_core(warehouse, accepted, settings)
    return _refused_headers(warehouse)


def _keep_problems(warehouse: Warehouse, staged: pl.DataFrame, problems: pl.DataFrame) -> None:
    origin = staged.select("file", "row", "raw", "source_id")
    warehouse.append("stage.lake_problems", problems.join(origin, on=["file", "row"], how="left"))


def _explicit_headers_first(traces: pl.DataFrame) -> pl.DataFrame:
    """Leave out a header made from a file's name where a record of its own tells of the same recording."""
    explicit = traces.filter(pl.col("row") > 0)["trace_id"].drop_nulls().unique()
    told = pl.col("trace_id").is_in(explicit.implode()).fill_null(False)
    return traces.filter(~((pl.col("row") <= 0) & told))


def stop_if_a_register_is_empty(warehouse: Warehouse) -> None:
    """Stop when vehicles or jobs were read and not one could be accepted.

    Recordings and inspections may lack their vehicles for a while: these wait in the quarantine.

    Raises
    ------
    DataStopsRun : with the commonest reasons.
    """
    for kind in ("vehicles", "jobs"):
        n_read = warehouse.query(f"select count(*) as n from stage.{kind} where row > 0")["n"][0]
        n_accepted = warehouse.query(f"select count(*) as n from core.{kind}")["n"][0]
        if n_read and not n_accepted:
            raise DataStopsRun(
                f"none of {n_read} records of {kind} could be accepted, so the run stops",
                f"most often: {commonest_reasons(warehouse, kind)}",
                "mend the files or the source.toml, then run again; `evapfleet check LAKE` shows every reason",
            )


def commonest_reasons(warehouse: Warehouse, kind: str | None = None) -> str:
    """Return the three commonest reasons of refusal with their counts, of one kind or of all; "" without any."""
    top = warehouse.query(
        "with problem as (select reason, kind from stage.problems"
        " union all select reason, kind from stage.lake_problems)"
        " select reason, count(*) as n from problem where kind = coalesce(?, kind)"
        " group by reason order by n desc, reason limit 3",
        [kind],
    )
    return "; ".join(f"{reason} ({count})" for reason, count in top.iter_rows())


def _fill_core(warehouse: Warehouse, accepted: dict[str, pl.DataFrame], settings: Settings) -> None:
    for name in REGISTER_KINDS:
        kind = ALL_KINDS[name]
        warehouse.create(f"core.{name}", kind_columns(kind))
        warehouse.comment(f"core.{name}", kind.meaning, kind_meanings(kind))
        warehouse.append(f"core.{name}", _core_columns(name, accepted[name]))
    judge_inspections(warehouse, settings.rule)


def _core_columns(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    own = [*ALL_KINDS[name].names, "source_id", "file", "row"]
    return frame.select([column for column in own if column in frame.columns])


def _refused_headers(warehouse: Warehouse) -> pl.DataFrame:
    """Return the trace ids that were not accepted, each with a half sentence on why."""
    return warehouse.query(
        "with problem as (select file, row, reason from stage.problems where kind = 'traces' union all"
        " select file, row, reason from stage.lake_problems where kind = 'traces')"
        " select t.trace_id, '; its header was refused: ' || min(p.reason) as why__"
        " from stage.traces t join problem p using (file, row)"
        " where t.trace_id is not null and t.trace_id not in (select trace_id from core.traces)"
        " group by t.trace_id"
    )
