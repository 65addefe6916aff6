"""The whole job as Prefect flows: few, coarse tasks, in a body that reads like a list.

Without a Prefect server of the user's own, a temporary one serves the run and is gone with it; its logs
stay out of sight. With `PREFECT_API_URL` set, the run is seen there.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any


def quiet_prefect() -> None:
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
from prefect.client.schemas.schedules import CronSchedule
from prefect.settings import PREFECT_API_URL

from pipeline.errors import WrongUsage
from pipeline.lake.bucket import is_address
from pipeline.settings import Settings
from pipeline.steps.road import Outcome, whole_road

Tell = Callable[[str], None]


def _as_task(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
    """Make a step a Prefect task: seen on the server, neither cached nor stored."""
    return task(name=name, cache_policy=NO_CACHE, persist_result=False)(step)


@flow(name="evapfleet run", validate_parameters=False, persist_result=False)
def run_lake(lake: Path | str, out: Path, settings: Settings, tell: Tell) -> Outcome:
    """Lake to dashboards. The previous result stands until this one has succeeded.

    Raises
    ------
    EvapfleetError : with what, where and what to do.
    """
    return whole_road(lake, out, settings, tell, _as_task)


@flow(name="evapfleet scheduled run", validate_parameters=False, persist_result=False)
def run_on_schedule(lake: str, out: str, settings: dict[str, object]) -> None:
    """The same job with parameters that a Prefect server can store."""
    run_lake(lake, Path(out), Settings.from_dict(settings), print)


def serve(lake: Path | str, out: Path, settings: Settings, cron: str) -> None:
    """Serve the flow from the user's Prefect server, on a cron schedule, until stopped.

    Raises
    ------
    WrongUsage : no Prefect server is named, or the schedule cannot be read.
    """
    if not PREFECT_API_URL.value():
        raise WrongUsage(
            "a schedule needs a Prefect server, and none is named",
            "PREFECT_API_URL",
            "start one with `prefect server start` and set PREFECT_API_URL to the address it prints",
        )
    try:
        CronSchedule(cron=cron)
    except ValueError as problem:
        raise WrongUsage(
            f"the schedule cannot be read: {cron!r}",
            "--cron",
            'write it as in "0 5 * * *": every day at five',
        ) from problem
    run_on_schedule.serve(
        name=f"evapfleet {Path(lake).name}",
        cron=cron,
        parameters={
            "lake": str(lake if is_address(lake) else Path(lake).resolve()),
            "out": str(out.resolve()),
            "settings": settings.as_dict(),
        },
    )


logging.getLogger("prefect").setLevel(
    logging.CRITICAL if "PREFECT_API_URL" not in os.environ else logging.INFO
)
