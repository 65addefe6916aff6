"""The whole job as Prefect flows: few, coarse tasks, in a body that reads like a list.

Without a Prefect server of the user's own, a temporary one serves the run and is gone with it; its logs
stay out of sight. With `PREFECT_API_URL` set, the run is seen there.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from pathlib import Path


def quiet_prefect(out: Path | None = None) -> None:
    """Set Prefect's switches before it is imported: no telemetry, no banner, patience at start-up."""
    os.environ.setdefault("DO_NOT_TRACK", "1")
    os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
    os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "180")
    os.environ.setdefault("PREFECT_CLI_PROMPT", "false")
    if "PREFECT_API_URL" not in os.environ:
        os.environ.setdefault("PREFECT_LOGGING_LEVEL", "CRITICAL")
        os.environ.setdefault("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")
        os.environ.setdefault("PREFECT_LOGGING_TO_API_ENABLED", "false")


quiet_prefect()

from prefect import flow, task
from prefect.cache_policies import NO_CACHE

from pipeline.settings import Settings
from pipeline.steps import run as steps
from pipeline.steps.folder import building_in
from pipeline.steps.plan import Plan, make_plan

Tell = Callable[[str], None]


@task(name="take stock of the lake", cache_policy=NO_CACHE, persist_result=False)
def take_stock(plan_of: Callable[[], Plan]) -> Plan:
    return plan_of()


@task(name="read and judge", cache_policy=NO_CACHE, persist_result=False)
def read_and_judge(plan: Plan) -> None:
    steps.read_and_judge(plan)


@task(name="measure", cache_policy=NO_CACHE, persist_result=False)
def measure(plan: Plan) -> None:
    steps.measure_recordings(plan)


@task(name="model", cache_policy=NO_CACHE, persist_result=False)
def model(plan: Plan) -> None:
    steps.model_tables(plan)


@task(name="publish", cache_policy=NO_CACHE, persist_result=False)
def publish(plan: Plan) -> None:
    steps.publish_site(plan)


@flow(name="evapfleet run", validate_parameters=False, persist_result=False)
def run_lake(lake: Path, out: Path, settings: Settings, tell: Tell = print) -> steps.Outcome:
    """Lake to dashboards. The previous result stands until this one has succeeded.

    Raises
    ------
    EvapfleetError : with what, where and what to do.
    """
    with building_in(out) as folder:
        plan = take_stock(lambda: make_plan(lake, folder, settings, tell))
        if not plan.has_news:
            steps.keep_as_is(plan)
            return steps.outcome(plan)
        read_and_judge(plan)
        measure(plan)
        model(plan)
        publish(plan)
        return steps.outcome(plan)


@flow(name="evapfleet scheduled run", validate_parameters=False, persist_result=False)
def run_on_schedule(lake: str, out: str, settings: dict[str, object]) -> None:
    """The same job with parameters that a Prefect server can store."""
    run_lake(Path(lake), Path(out), Settings.from_dict(settings))


def serve(lake: Path, out: Path, settings: Settings, cron: str) -> None:
    """Serve the flow from the user's Prefect server, on a cron schedule, until stopped."""
    run_on_schedule.serve(
        name=f"evapfleet {lake.name}",
        cron=cron,
        parameters={"lake": str(lake.resolve()), "out": str(out.resolve()), "settings": settings.as_dict()},
    )


logging.getLogger("prefect").setLevel(
    logging.CRITICAL if "PREFECT_API_URL" not in os.environ else logging.INFO
)
