"""The whole road, top to bottom: from a lake of exported records to dashboards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.lake.bucket import fetch, is_address
from pipeline.settings import Settings
from pipeline.steps import run
from pipeline.steps.folder import building_in
from pipeline.steps.plan import Plan, make_plan
from pipeline.warehouse.store import open_warehouse

AsTask = Callable[[str, Callable[..., Any]], Callable[..., Any]]


@dataclass(frozen=True)
class Outcome:
    """What a run tells its user."""

    n_files: int
    n_read_files: int
    n_read: int
    n_accepted: int
    n_quarantined: int
    n_duplicate: int
    verdicts: dict[str, int]
    """How many recordings came to each verdict, the commonest first."""
    notes: list[str]


def _as_is(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
    return step


def whole_road(
    lake: Path | str, out: Path, settings: Settings, tell: Callable[[str], None], as_task: AsTask = _as_is
) -> Outcome:
    """Run every step; the previous result stands until the last one has succeeded.

    Parameters
    ----------
    lake : a folder, or an address in a bucket: s3://bucket/prefix.
    as_task : wraps a step, as `pipeline.flows` does to make it a Prefect task; by default a plain call.

    Raises
    ------
    EvapfleetError : with what, where and what to do.
    """
    address = str(lake) if is_address(lake) else None
    with building_in(out, None if address else Path(lake)) as folder:
        here = as_task("fetch", fetch)(address, folder.lake_copy, tell) if address else Path(lake)
        plan = as_task("take stock", make_plan)(here, folder, settings, tell, address)
        if plan.has_news:
            as_task("read and judge", run.read_and_judge)(plan)
            as_task("measure", run.measure_recordings)(plan)
            as_task("model", run.model_tables)(plan)
            as_task("publish", run.publish_site)(plan)
        else:
            as_task("keep", run.keep_as_is)(plan)
        return _outcome(plan)


def _outcome(plan: Plan) -> Outcome:
    with open_warehouse(plan.out.warehouse) as warehouse:
        n = warehouse.query(
            "select count(*) as files, sum(n_read)::bigint as read, sum(n_accepted)::bigint as accepted,"
            " sum(n_quarantined)::bigint as quarantined, sum(n_duplicate)::bigint as duplicate from audit.files"
        ).row(0, named=True)
        verdicts = warehouse.query(
            "select verdict, count(*) as n from mart.trace_result group by verdict order by n desc, verdict"
        )
    return Outcome(
        n_files=n["files"],
        n_read_files=len(plan.to_read),
        n_read=n["read"],
        n_accepted=n["accepted"],
        n_quarantined=n["quarantined"],
        n_duplicate=n["duplicate"],
        verdicts=dict(verdicts.iter_rows()),
        notes=plan.skipped,
    )
