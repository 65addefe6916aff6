"""One trace in words and as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.errors import WrongUsage
from pipeline.settings import Settings
from pipeline.steps.form import stop_at_another_form
from pipeline.steps.measure import some_traces
from pipeline.warehouse.store import Warehouse, open_warehouse

PICTURE_FORMS = (".png", ".svg", ".html")
#: the page carries its scripts; the picture is drawn at twice the size of the screen's
SAVED_WITH: dict[str, dict[str, Any]] = {".html": {"inline": True}, ".png": {"scale_factor": 2}}


def explain_in_words_and_picture(path: Path, trace_id: str, picture: Path) -> tuple[str, Path]:
    """Return the words and where the picture was written.

    Raises
    ------
    WrongUsage : no such trace, a warehouse of another form, or a picture that cannot be written.
    """
    from pipeline.traces.explain import explain_trace
    from reports.charts.trace import draw_trace

    if picture.suffix.lower() not in PICTURE_FORMS:
        raise WrongUsage(
            f"a picture cannot be written as {picture.suffix or 'a file without an ending'}",
            str(picture),
            f"end its name with one of {', '.join(PICTURE_FORMS)}",
        )
    with open_warehouse(path) as warehouse:
        stop_at_another_form(warehouse, path)
        samples, header = some_traces(warehouse, [trace_id])
        if not header.height:
            raise _no_such_trace(warehouse, trace_id)
        settings = settings_of_last_run(warehouse)
        norms = warehouse.table("mart.model_norm")
    explanation = explain_trace(samples, header, settings, norms)
    drawn = draw_trace(explanation)
    try:
        picture.parent.mkdir(parents=True, exist_ok=True)
        drawn.save(str(picture), **SAVED_WITH.get(picture.suffix.lower(), {}))
    except OSError as problem:
        what = f"the picture cannot be written: {problem.strerror}"
        raise WrongUsage(what, str(picture), "name another place with --picture") from problem
    return "\n".join(explanation.sentences), picture


def _no_such_trace(warehouse: Warehouse, trace_id: str) -> WrongUsage:
    near = warehouse.query(
        "select trace_id from core.traces order by levenshtein(trace_id, ?), trace_id limit 5", [trace_id]
    )["trace_id"].to_list()
    return WrongUsage(
        "no accepted trace has this id",
        trace_id,
        f"the nearest ids are: {', '.join(near)}" if near else "this warehouse holds no traces",
    )


def settings_of_last_run(warehouse: Warehouse) -> Settings:
    """Return the settings that the tables were made with."""
    import json

    last = warehouse.query("select settings from audit.runs order by started_at desc limit 1")["settings"][0]
    return Settings.from_dict(json.loads(last))
