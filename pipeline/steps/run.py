"""The steps of a run as plain functions; `pipeline.steps.road` calls them in their order."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import polars as pl

from pipeline.errors import DataStopsRun
from pipeline.steps import audit, publish
from pipeline.steps.admit import admit_registers, commonest_reasons, stop_if_a_register_is_empty
from pipeline.steps.kept_samples import make_samples_view
from pipeline.steps.plan import Plan
from pipeline.steps.refusals import Tally
from pipeline.steps.registers import REGISTER_TABLES, read_registers, stop_if_a_register_is_unreadable
from pipeline.steps.samples import read_sample_files
from pipeline.steps.stage import REGISTER_KINDS, carry_over, create_stage, forget
from pipeline.warehouse.store import Warehouse, open_warehouse


@contextmanager
def timed(plan: Plan, step: str) -> Iterator[None]:
    start = time.perf_counter()
    yield
    plan.durations_s[step] = time.perf_counter() - start


def read_and_judge(plan: Plan, *, is_stopping: bool = True) -> DataStopsRun | None:
    """Build the next warehouse up to `core`, `quarantine` and `audit.files`.

    Parameters
    ----------
    is_stopping : False for `check`, which judges everything and returns what would have stopped a run.

    Raises
    ------
    DataStopsRun : too much of a file was refused, or nothing of a kind could be accepted.
    """
    stops: list[DataStopsRun] = []

    def stop_on(rule: Callable[[], None]) -> None:
        try:
            rule()
        except DataStopsRun as reason:
            if is_stopping:
                raise
            stops.append(reason)

    tally = Tally()
    with timed(plan, "read_and_judge"), open_warehouse(plan.out.next_warehouse, read_only=False) as warehouse:
        _carry(plan, warehouse)
        read_registers(plan, warehouse, tally)
        stop_on(lambda: stop_if_a_register_is_unreadable(plan, warehouse))
        stop_on(lambda: tally.stop_if_too_many(plan.settings.max_refused_share))
        plan.tell("judging how the records fit together")
        refused = admit_registers(warehouse, plan.settings, plan.vanished["file"].to_list())
        stop_on(lambda: stop_if_a_register_is_empty(warehouse))
        read_sample_files(plan, warehouse, refused, tally)
        stop_on(lambda: tally.stop_if_too_many(plan.settings.max_refused_share))
        audit.account_for_files(plan, warehouse)
        stop_on(lambda: _stop_without_records(plan, warehouse))
    return stops[0] if stops else None


def _carry(plan: Plan, warehouse: Warehouse) -> None:
    create_stage(warehouse)
    warehouse.create("audit.runs", [(c.name, c.type) for c in audit.AUDIT_RUNS.columns])
    if plan.previous:
        carry_over(warehouse, plan.previous, plan.known["file"].to_list())
    # Counting what each file holds reads all records: only where a file is gone.
    if plan.previous and plan.gone.height:
        _let_go(plan, warehouse)


def _let_go(plan: Plan, warehouse: Warehouse) -> None:
    """Drop the records of files that are gone, and say how many went; their samples go before samples are read."""
    rows = [f"select file from stage.{kind} where row > 0" for kind in REGISTER_KINDS]
    held = warehouse.query(
        f"with held as ({' union all '.join(rows)}) select file, count(*) as n from held group by file"
        " union all select file, n_read from stage.sample_files"
    )
    n_of = dict(held.iter_rows())
    now = {file.sha256: file.file for file in plan.stock.files}
    for file, sha256 in plan.gone.select("file", "sha256").sort("file").iter_rows():
        moved = f" (its content is now {now[sha256]})" if sha256 in now else ""
        n = n_of.get(file, 0)
        plan.skipped.append(
            f"{file}: it is gone from the lake{moved}; its {n} {'record goes' if n == 1 else 'records go'} with it"
        )
    forget(warehouse, plan.gone["file"].to_list(), ("stage.problems", *REGISTER_TABLES))


def _stop_without_records(plan: Plan, warehouse: Warehouse) -> None:
    files = warehouse.table("audit.files")
    if files["n_accepted"].sum() == 0:
        problems = files.filter(pl.col("problem").is_not_null()).select("file", "problem").head(3)
        lines = [f"{file}: {problem}" for file, problem in problems.iter_rows()]
        refused = commonest_reasons(warehouse)
        told = "; ".join(lines + ([f"most often: {refused}"] if refused else []))
        raise DataStopsRun(
            "not one record could be accepted, so the run stops",
            told or plan.lake,
            "look at `evapfleet check LAKE`; the form of the files is in the README, mapping in source.toml",
        )


def measure_recordings(plan: Plan) -> None:
    """Fill mart.trace_result."""
    from pipeline.steps.measure import measure
    from pipeline.traces.compiled import holds_code

    once = "" if holds_code() else "; the first time on a machine half a minute goes to compiling for it"
    plan.tell(f"measuring the recordings{once}")
    with timed(plan, "measure"), open_warehouse(plan.out.next_warehouse, read_only=False) as warehouse:
        measure(warehouse, plan.settings, plan.out.samples, plan.out.building)


def model_tables(plan: Plan) -> None:
    """Fill the marts and run the checks.

    Raises
    ------
    OurFault : a check marked `fail` is broken.
    """
    from pipeline.steps import model

    plan.tell("counting and estimating")
    with timed(plan, "model"), open_warehouse(plan.out.next_warehouse, read_only=False) as warehouse:
        model.prepare(warehouse, plan.settings)
        model.model(warehouse, plan.settings)
        plan.skipped += [f"warning: {line}" for line in model.check(warehouse)]
        audit.account_for_run(plan, warehouse)


def publish_site(plan: Plan) -> None:
    """Build tables and pages beside the next warehouse, then put everything in place."""
    plan.tell("drawing the pages")
    with timed(plan, "publish"), open_warehouse(plan.out.next_warehouse) as warehouse:
        publish.publish(warehouse, plan.out.building)
    with open_warehouse(plan.out.next_warehouse, read_only=False) as warehouse:
        audit.account_for_run(plan, warehouse)
        in_use = set(warehouse.query("select distinct parquet from stage.sample_parquet")["parquet"])
    plan.out.put_in_place()
    plan.out.sweep_samples(in_use)


def keep_as_is(plan: Plan) -> None:
    """Record a run that had nothing new to do; every table stands as the previous run left it."""
    import shutil

    shutil.copyfile(plan.out.warehouse, plan.out.next_warehouse)
    with open_warehouse(plan.out.next_warehouse, read_only=False) as warehouse:
        warehouse.con.execute("update audit.files set status = 'kept' where status = 'read'")
        make_samples_view(warehouse, plan.out.samples)
        plan.skipped.append("nothing in the lake has changed: the tables and pages of the previous run stand")
        audit.account_for_run(plan, warehouse)
        if not plan.out.site.exists() or not plan.out.tables.exists():
            publish.publish(warehouse, plan.out.building)
    plan.out.put_in_place()
