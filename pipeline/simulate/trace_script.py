"""What the technician does at each recording: how long each stage lasts, and which pressure ends it."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.trace_physics import STAGE, STAGES, Script
from pipeline.simulate.trace_plan import TracePlan

_PA_PER_INH2O = 249.0889  # NIST SP 811 App. B.8, conventional


def build_script(
    rng: np.random.Generator, plan: TracePlan, gain: np.ndarray, offset_pa: np.ndarray, lowest_pa: np.ndarray
) -> Script:
    """Lay down what the technician does, who watches a gauge of this `gain`, `offset_pa` and `lowest_pa`."""
    n = plan.size
    is_flat = gain == 0  # a gauge that never arrives: given up after a while
    is_regulated = plan.is_made("steady_flow")
    of_feed = rng.uniform(13.5, 14.4, n) * _PA_PER_INH2O
    target = -rng.uniform(2_000, 3_500, n)
    return Script(
        seconds=_seconds(rng, plan, is_flat),
        target_pa=np.where(is_flat, -1e9, target),
        first_target_pa=target * rng.uniform(0.4, 0.9, n),
        fed_to_pa=np.where(is_regulated, np.inf, of_feed),
        regulated_pa=np.where(is_regulated, of_feed, 1.3 * of_feed),
        duty=np.round(rng.uniform(0.7, 1.0, n), 2),
        duty_step_s=np.where(plan.is_made("test") & (rng.random(n) < 0.25), rng.uniform(1, 3, n), 0.0),
        gain=gain,
        offset_pa=offset_pa,
        lowest_pa=lowest_pa,
        hold_if_missed_s=rng.uniform(20, 45, n),
    )


def _seconds(rng: np.random.Generator, plan: TracePlan, is_flat: np.ndarray) -> np.ndarray:
    """Return the seconds of each stage (n, 9); a stage that is left out has none."""
    n, of, fed = plan.size, plan.is_made, plan.is_fed
    shut_first = ~of("test_purge_first", "driving")
    drawn = ~(fed | of("driving", "aborted"))
    draw = np.where(of("short_draw"), rng.uniform(3, 7, n), rng.uniform(25, 40, n))
    draw = np.where(is_flat, rng.uniform(8, 15, n), draw)
    hold = np.where(of("vent_opened_early"), rng.uniform(8, 25, n), rng.uniform(30, 120, n))
    hold = np.where(of("pressure_hold"), rng.uniform(121, 135, n), hold)
    columns = {
        "rest": rng.uniform(4, 12, n),
        "purge_first": np.where(of("test_purge_first"), rng.uniform(2, 5, n), 0),
        "closed": np.where(shut_first, rng.uniform(8, 24, n), 0),
        "first_draw": np.where(of("two_draws"), rng.uniform(15, 30, n), 0),
        "first_hold": np.where(of("two_draws"), rng.uniform(5, 20, n), 0),
        "feed": np.where(fed, rng.uniform(90, 180, n), 0),
        "draw": np.where(drawn, draw, 0),
        "hold": np.where(drawn | of("pressure_hold"), hold, 0),
        "release": rng.uniform(5, 12, n),
    }
    seconds = np.column_stack([columns[name] for name in STAGES])
    on_the_road = np.zeros(len(STAGES))
    for name, length in (("rest", 20), ("purge_first", 40), ("release", 8)):
        on_the_road[STAGE[name]] = length
    seconds[of("driving")] = on_the_road
    return seconds
