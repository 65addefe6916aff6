"""How long the measurement of a trace takes beside the loop that one would write for it.

(b) pandas groupby and one scipy.optimize.curve_fit a trace to its hold, in three forms: the textbook's curve with
a straight line of vapor laid over it, p(t) = -(sqrt(p0) - K t / 2)^2 + r t, which lets vapor fill the tank without
slowing the leak; the same three unknowns with both at work in one tank, dp/dt = K sqrt(-p) + r, which has no closed
form and is integrated by scipy.integrate.odeint; and as many unknowns as we fit, with gas that warms. Beside them the
whole measurement as a run does it, on every core: Parquet read, fit, size, verdict, sentence, rows written. Target:
300 times faster a trace.

Run: uv run python -m tests.benchmarks.bench_traces [TRACES OF THE CURVE] [TRACES OF THE INTEGRATED LOOPS]
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
import pandas as pd
from scipy.integrate import ODEintWarning, odeint
from scipy.optimize import OptimizeWarning, curve_fit

from pipeline.settings import Settings
from pipeline.steps.measure import measure
from pipeline.warehouse.store import open_warehouse
from tests.benchmarks.bench_samples import apart, make_lake
from tests.end_to_end.foreign_traces import foreign_traces

#: Samples of the lake that we measure: what a run costs whatever it measures is little beside them.
MILLIONS = 25
#: Ratio of specific heats of air.
K_AIR = 1.4


def main(n: int, n_whole: int) -> None:
    ours = apart(_ours)
    samples = foreign_traces(n)[0].to_pandas()
    print(f"whole measurement: {ours[0]:.1f} us a trace on every core, {ours[1]:.1f} core us")
    forms = (
        ("three unknowns, a curve", three, n),
        ("three unknowns, integrated", three_in_one_tank, n_whole),
        ("six unknowns, integrated", six, n_whole),
    )
    for name, fit, some in forms:
        mine = samples[samples["trace_id"].isin(samples["trace_id"].unique()[:some])]
        begin = perf_counter(), process_time()
        fitted = loop(mine, fit)
        theirs = [s / some * 1e6 for s in (perf_counter() - begin[0], process_time() - begin[1])]
        print(
            f"loop, {name}: {theirs[0]:.0f} us a trace ({len(fitted)} of {some} fitted),"
            f" {theirs[0] / ours[0]:.0f} times by the clock, {theirs[1] / ours[1]:.0f} times by processor time"
        )


def _ours() -> tuple[float, float]:
    """Return wall-clock and processor time [us] of one trace, the best of three."""
    with tempfile.TemporaryDirectory() as place:
        folder, database = Path(place) / "samples", Path(place) / "bench.duckdb"
        folder.mkdir()
        apart(make_lake, database, folder, MILLIONS * 1_000_000, 0)
        with open_warehouse(database, read_only=False) as warehouse:
            n = int(warehouse.query("select count(*) as n from core.traces")["n"][0])
            spent = []
            for _ in range(4):
                begin = perf_counter(), process_time()
                measure(warehouse, Settings(), folder, Path(place))
                spent.append((perf_counter() - begin[0], process_time() - begin[1]))
            # The first one may compile.
            return tuple(min(each) / n * 1e6 for each in zip(*spent[1:], strict=True))


def loop(samples: pd.DataFrame, fit: Callable[[np.ndarray, np.ndarray], float]) -> dict[str, float]:
    """Fit each trace's hold, its last run of samples with the vent and the purge shut after a draw."""
    found = {}
    for trace_id, trace in samples[samples["is_vent_closed"]].groupby("trace_id"):
        drawn = np.flatnonzero(trace["purge_duty_pct"].to_numpy() > 0)
        if len(drawn) == 0 or len(trace) - drawn[-1] < 8:
            continue
        hold = trace.iloc[drawn[-1] + 1 :]
        t = (hold["t_s"] - hold["t_s"].iloc[0]).to_numpy()
        try:
            found[trace_id] = fit(t, hold["tank_pressure_pa"].to_numpy())
        except (RuntimeError, ValueError):
            continue
    return found


def three(t: np.ndarray, p: np.ndarray) -> float:
    bounds = ([0, 0, -10], [2e4, 1e3, 50])
    return float(curve_fit(decay, t, p, p0=[max(-p[0], 1.0), 0.5, 0.0], bounds=bounds)[0][1])


def decay(t: np.ndarray, p0: float, k: float, r: float) -> np.ndarray:
    """The textbook's curve: the root of the vacuum falls in a straight line, and vapor comes in beside it."""
    return -(np.maximum(np.sqrt(p0) - k * t / 2, 0) ** 2) + r * t


def three_in_one_tank(t: np.ndarray, p: np.ndarray) -> float:
    bounds = ([-2e4, 0, -10], [5e3, 1e3, 50])
    return float(curve_fit(leak_and_vapor, t, p, p0=np.clip([p[0], 0.5, 0.0], *bounds), bounds=bounds)[0][1])


def leak_and_vapor(t: np.ndarray, p0: float, k: float, r: float) -> np.ndarray:
    """Leak by the root law and vapor at a constant rate, each at the pressure that both have made."""

    def slope(p: np.ndarray, _: float) -> float:
        return float(-k * np.sign(p[0]) * np.sqrt(abs(p[0])) + r)

    return odeint(slope, p0, t)[:, 0]


def six(t: np.ndarray, p: np.ndarray) -> float:
    start = [p[0], 0.5, 1.0, 0.0, 50.0, 6.0]
    bounds = ([-2e4, 0, -20, -0.01, 0, 1], [5e3, 1e3, 50, 0.01, 1500, 40])
    return float(curve_fit(warming, t, p, p0=np.clip(start, *bounds), bounds=bounds)[0][1])


def warming(
    t: np.ndarray, p0: float, k: float, r: float, by_vacuum: float, cold: float, tau: float
) -> np.ndarray:
    """Leak by the root law, vapor that vacuum brings faster, and gas that the draw left `cold` [Pa]."""

    def slopes(state: np.ndarray, _: float) -> tuple[float, float]:
        inflow = -k * np.sign(state[0]) * np.sqrt(abs(state[0])) + r - by_vacuum * state[0]
        warms = -(K_AIR - 1) * inflow - state[1] / tau
        return inflow - warms, warms

    return odeint(slopes, (p0, cold), t)[:, 0]


if __name__ == "__main__":
    for told in (OptimizeWarning, ODEintWarning, RuntimeWarning):
        warnings.simplefilter("ignore", told)
    given = [int(word) for word in sys.argv[1:]]
    main(given[0] if given else 300, given[1] if len(given) > 1 else 40)
