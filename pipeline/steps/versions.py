"""Which program made a warehouse: evapfleet, Python and the libraries whose answers may change."""

from __future__ import annotations

import json
import platform
from importlib.metadata import PackageNotFoundError, version

from pipeline.steps.stage import STAGE_FORM

LIBRARIES = ("polars", "duckdb", "numpy", "scipy", "great-expectations", "prefect", "altair", "pyarrow")


def versions() -> str:
    """Return the versions as JSON, keys sorted."""
    found: dict[str, object] = {name: _version(name) for name in ("evapfleet", *LIBRARIES)}
    return json.dumps(
        {**found, "python": platform.python_version(), "stage_form": STAGE_FORM}, sort_keys=True
    )


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None
