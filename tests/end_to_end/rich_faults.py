"""What is wrong with each planned recording, by the verdict that is true of it."""

from __future__ import annotations

import numpy as np

from tests.end_to_end.rich_gas import GAS_J_MOL_K, Plan
from tests.end_to_end.rich_plans import log_uniform


def add_faults(plan: Plan, rng: np.random.Generator) -> None:
    """Give every recording the fault of its verdict, and sensors that are well a sound story."""
    n = len(plan["verdict"])
    plan["stuck_pa"], plan["volts_story"] = np.full(n, np.nan), np.full(n, "follows", dtype=object)
    for word, fault in FAULTS.items():
        at = np.flatnonzero(plan["verdict"] == word)
        fault(plan, at, rng)


def _holds(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    plan["leak_mm"][at] = np.where(rng.random(len(at)) < 0.5, rng.uniform(0, 0.1, len(at)), 0.0)


def _leak(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    """Holes of 0.2-6 mm, mostly below 2; most shops let the purge valve work hard enough to reach the target."""
    small = rng.random(len(at)) < 0.85
    plan["leak_mm"][at] = np.where(
        small, log_uniform(rng, 0.2, 2.0, len(at)), log_uniform(rng, 2, 6, len(at))
    )
    deep = -plan["target_pa"][at, 0]
    speed = np.sqrt(2 * deep / plan["density"][at])
    through = 0.61 * np.pi / 4 * plan["leak_mm"][at] ** 2 * 1e-6 * speed
    mol = through * plan["ambient_pa"][at] / (GAS_J_MOL_K * plan["ambient_k"][at])
    open_share = np.clip((plan["duty_pct"][at] - plan["dead_pct"][at]) / (100 - plan["dead_pct"][at]), 0, 1)
    wished = np.minimum(open_share + 1.3 * mol / plan["purge_mol_s"][at], 1.0)
    plan["duty_pct"][at] = np.round(plan["dead_pct"][at] + wished * (100 - plan["dead_pct"][at]), 1)
    offset = rng.random(len(at)) < 0.1
    plan["offset_pa"][at] += offset * rng.choice([-1, 1], len(at)) * rng.uniform(30, 80, len(at))


def _gross(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    kind = rng.choice(["cap_off", "vent_stuck_open", "large_hole"], len(at), p=[0.2, 0.4, 0.4])
    plan["kind"][at] = kind
    size = np.where(kind == "cap_off", rng.uniform(25, 40, len(at)), log_uniform(rng, 6.5, 14, len(at)))
    plan["duty_pct"][at] = np.maximum(plan["duty_pct"][at], rng.uniform(40, 100, len(at)).round(1))
    stuck = kind == "vent_stuck_open"
    plan["leak_mm"][at] = np.where(stuck, 0.0, size)
    plan["leak_at_tank"][at], plan["line_factor"][at] = 1.0, 1.0
    plan["vent_rest"][at] = np.where(stuck, rng.uniform(0.5, 1.0, len(at)), 0.0)


def _no_vacuum(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    clogged = rng.random(len(at)) < 0.4
    plan["kind"][at] = np.where(clogged, "clogged_line", "stuck_shut")
    plan["purge_works"][at] = np.where(clogged, rng.uniform(0, 2e-4, len(at)), 0.0)


def _passes(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    rate = log_uniform(rng, 15, 120, len(at)) + 20
    per_mol = GAS_J_MOL_K * plan["ambient_k"][at] / (plan["volume_l"][at] * 1e-3)
    plan["passing"][at] = rate / per_mol / plan["purge_mol_s"][at]
    plan["passing_pa_s"] = np.zeros(len(plan["verdict"]))
    plan["passing_pa_s"][at] = rate


def _restricted(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    """Filter clogged, or vent valve that hardly opens: what is left open is a hole of 0.1-0.9 mm."""
    early = rng.random(len(at)) < 0.4
    plan["kind"][at] = np.where(early, "vacuum_while_open", "vacuum_stays")
    mm = np.where(early, log_uniform(rng, 0.1, 0.5, len(at)), log_uniform(rng, 0.1, 0.9, len(at)))
    plan["vent_b"][at] = plan["density"][at] / 2 / (0.65 * np.pi / 4 * (mm * 1e-3) ** 2) ** 2
    lead = np.minimum(plan["rest_s"][at], rng.uniform(4, 12, len(at)))
    plan["rest_s"][at] = np.where(early, np.maximum(plan["rest_s"][at], lead + 3), plan["rest_s"][at])
    plan["rest_duty_pct"][at] = np.where(early, np.maximum(plan["duty_pct"][at], 40.0), 0.0)
    plan["rest_duty_from_s"][at] = np.where(early, plan["rest_s"][at] - np.maximum(lead, 4.0), 1e9)


def _flat(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    kind = rng.choice(["at_zero", "anywhere", "at_end"], len(at), p=[0.3, 0.4, 0.3])
    plan["kind"][at] = kind
    plan["stuck_pa"][at] = np.select(
        [kind == "at_zero", kind == "at_end"], [0.0, -1e5], rng.uniform(-1200, 800, len(at))
    )


def _offset(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    plan["offset_pa"][at] = rng.choice([-1, 1], len(at)) * rng.uniform(350, 1100, len(at))


def _disagrees(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    story = rng.choice(["gain", "sign", "flat", "drift", "dropout"], len(at))
    plan["kind"][at] = plan["volts_story"][at] = story


def _none(plan: Plan, at: np.ndarray, rng: np.random.Generator) -> None:
    kind = rng.choice(["routine", "too_short", "no_hold"], len(at))
    plan["kind"][at] = kind
    plan["n_draws"][at], plan["cut_s"][at] = 1, 1e9
    plan["is_routine"][at] = kind == "routine"
    plan["rest_s"][at[kind == "routine"]] += 5
    plan["release_s"][at] = np.where(kind == "routine", rng.uniform(30, 70, len(at)), 0.0)
    plan["hold_s"][at, 0] = np.where(kind == "too_short", rng.uniform(0.4, 1.5, len(at)), 0.0)


FAULTS = {
    "holds": _holds,
    "leak": _leak,
    "gross_leak": _gross,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _passes,
    "vent_restricted": _restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": _disagrees,
    "not_judged": _none,
}
