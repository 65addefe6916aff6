"""The latest jobs with their recordings explained, for the pages of jobs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.settings import Settings
from pipeline.steps.measure import some_traces
from pipeline.warehouse.store import Warehouse

if TYPE_CHECKING:
    from reports.pages.job import JobStories

#: So many recordings of a job are drawn, the latest of each stage first.
PER_STAGE = 2

JOBS = """
select j.*, v.make, v.model, v.model_year, v.fuel_tank_l, t.n_traces
from core.jobs j
join core.vehicles v using (vehicle_id)
join (select job_id, count(*) as n_traces from core.traces where job_id is not null group by job_id) t using (job_id)
order by j.opened_at desc, j.job_id
limit ?
"""

N_ALL = "select count(distinct job_id) as n from core.traces join core.jobs using (job_id)"

TRACES = """
select trace_id, job_id
from core.traces
where job_id in (select unnest(?::varchar[]))
qualify row_number() over (partition by job_id, stage order by recorded_at desc, trace_id) <= ?
order by job_id, recorded_at, stage = 'after_repair', trace_id
"""

CHECKS = "select * from mart.repair_check where job_id in (select unnest(?::varchar[]))"


def job_stories(warehouse: Warehouse, settings: Settings) -> JobStories:
    """Explain the recordings of the latest `settings.job_pages` jobs: samples in one query, measured in one batch."""
    from pipeline.traces.explain import explain_traces
    from reports.pages.job import JobStories, JobStory

    n_all = int(warehouse.query(N_ALL)["n"][0])
    jobs = warehouse.query(JOBS, [settings.job_pages])
    ids = jobs["job_id"].to_list()
    wanted = warehouse.query(TRACES, [ids, PER_STAGE])
    samples, headers = some_traces(warehouse, wanted["trace_id"].to_list())
    norms = warehouse.table("mart.model_norm")
    told = {t.result["trace_id"]: t for t in explain_traces(samples, headers, settings, norms)}
    checks = {row["job_id"]: row for row in warehouse.query(CHECKS, [ids]).to_dicts()}
    of_job: dict[str, list[Any]] = {}
    for trace_id, job_id in wanted.iter_rows():
        of_job.setdefault(job_id, []).append(told[trace_id])
    stories = (
        JobStory(facts, checks.get(facts["job_id"]), tuple(of_job.get(facts["job_id"], ())))
        for facts in jobs.to_dicts()
    )
    return JobStories(tuple(stories), n_all)
