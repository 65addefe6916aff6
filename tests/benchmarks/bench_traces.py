"""How long the measurement of a trace takes beside the loop that one would write for it.

(b) pandas groupby and one scipy.optimize.curve_fit a trace, of p(t) = -(sqrt(p0) - K t / 2)^2 + r t to its hold, beside
the whole measurement of the same traces: reading, fit, size, verdict, sentence. Target: 300 times faster a trace.

Run: uv run python -m tests.benchmarks.bench_traces [traces]
"""

from __future__ import annotations

import sys
import warnings
from time import perf_counter, process_time

import numpy as np
import pandas as pd
import polars as pl
from scipy.optimize import OptimizeWarning, curve_fit

from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces
from tests.end_to_end.foreign_traces import foreign_traces

#: What the foreign fleet is multiplied by: the measurement of many traces is timed as a run has it, in batches.
COPIES = 8
ROUNDS = 5


def main(n: int) -> None:
    samples, headers, _ = foreign_traces(n)
    many, many_headers = _copies(samples, headers)
    measure_traces(many, many_headers, Settings())
    whole = min(_timed(lambda: measure_traces(many, many_headers, Settings())) for _ in range(ROUNDS))
    held = samples.filter(pl.col("is_vent_closed")).to_pandas()
    begin = perf_counter(), process_time()
    fitted = loop(held)
    loop_s = perf_counter() - begin[0], process_time() - begin[1]
    print(f"{n} traces, {samples.height} samples; {len(fitted)} fitted by the loop")
    for name, ours, theirs in zip(("wall clock", "CPU time"), whole, loop_s, strict=True):
        a, b = ours / (COPIES * n) * 1e6, theirs / n * 1e6
        print(f"{name}: whole measurement {a:.0f} us a trace, loop {b:.0f} us a trace: {b / a:.0f} times")


def _timed(work) -> tuple[float, float]:
    begin = perf_counter(), process_time()
    work()
    return perf_counter() - begin[0], process_time() - begin[1]


def _copies(samples: pl.DataFrame, headers: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    def named(frame: pl.DataFrame, k: int) -> pl.DataFrame:
        return frame.with_columns(trace_id=pl.col("trace_id") + f"-{k}")

    return tuple(pl.concat([named(f, k) for k in range(COPIES)]) for f in (samples, headers))


def loop(held: pd.DataFrame) -> dict[str, float]:
    """Fit each trace's hold, its longest run of samples with the vent and the purge shut after a draw."""
    found = {}
    for trace_id, trace in held.groupby("trace_id"):
        drawn = np.flatnonzero(trace["purge_duty_pct"].to_numpy() > 0)
        if len(drawn) == 0 or len(trace) - drawn[-1] < 6:
            continue
        hold = trace.iloc[drawn[-1] + 1 :]
        t = (hold["t_s"] - hold["t_s"].iloc[0]).to_numpy()
        p = hold["tank_pressure_pa"].to_numpy()
        start = [max(-p[0], 1.0), 0.5, 0.0]
        try:
            best, _ = curve_fit(decay, t, p, p0=start, bounds=([0, 0, -10], [2e4, 1e3, 50]))
        except (RuntimeError, ValueError):
            continue
        found[trace_id] = float(best[1])
    return found


def decay(t: np.ndarray, p0: float, k: float, r: float) -> np.ndarray:
    """The textbook's curve: the root of the vacuum falls in a straight line, and vapor comes in beside it."""
    return -(np.maximum(np.sqrt(p0) - k * t / 2, 0) ** 2) + r * t


if __name__ == "__main__":
    warnings.simplefilter("ignore", OptimizeWarning)
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
