"""Recordings of the fizzing tanks as frames, with what is true of each.

What is peculiar here is the air dissolved in the fuel (fizz_fuel), freed by
the pump's jet while vacuum is drawn and held. Everything else is an ordinary fleet of many shops.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.fizz_course import run
from tests.end_to_end.fizz_fleet import draw_fleet
from tests.end_to_end.fizz_marks import mark
from tests.end_to_end.fizz_recorder import header_of, record
from tests.end_to_end.recording_frames import HEADER, samples_of

AT_ONCE = 500  # tanks that are integrated together, for the memory's sake


def fizz_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of `n` recordings under a key."""
    samples: list[pl.DataFrame] = []
    headers: list[dict[str, Any]] = []
    truth: list[dict[str, Any]] = []
    for part in range(0, n, AT_ONCE):
        _add(min(AT_ONCE, n - part), 1000 * key + part // AT_ONCE, samples, headers, truth)
    return pl.concat(samples), pl.DataFrame(headers, schema=HEADER), pl.DataFrame(truth)


def _add(
    n: int, key: int, samples: list[pl.DataFrame], headers: list[dict[str, Any]], truth: list[dict[str, Any]]
) -> None:
    fleet = draw_fleet(n, key)
    course = run(fleet.cars, fleet.plan)
    for i in range(n):
        rng = np.random.default_rng([18, key, i])
        name = f"Z{key}-{i:04d}"
        recording, flow = record(fleet, course, i, rng)
        if len(recording.t_s) < 2:
            continue
        header = header_of(fleet, i, name, rng)
        flows = pl.Series("test_flow_std_l_min", flow).fill_nan(None)
        samples.append(samples_of(name, recording).with_columns(flows))
        headers.append(header)
        row = mark(fleet, course, i, recording)
        has_size = header["fuel_tank_l"] is not None and header["fuel_level_pct"] is not None
        is_sized = has_size and not np.isnan(row["diameter_mm"]) and not row["is_ambiguous"]
        truth.append({"trace_id": name, **row, "is_sized": is_sized})
