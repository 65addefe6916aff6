"""Which tanks, shops and faults there are: a plan is a table of numbers, a row per recording.

Ranges: Reid vapor pressure 7-13 psi and AP-42 vapor pressure (standards.md 11), discharge and Reynolds number
(standards.md 9; reference_checks.md 12), pressure of the air by the standard atmosphere to 2500 m; the rest is common
practice of the trade, from memory: canisters 1-4 l, purge 5-45 l/min through the valve, draws to 1.2-3 kPa.
"""

from __future__ import annotations

import numpy as np

from tests.end_to_end.rich_gas import GAS_J_MOL_K, STEP_S, Array, Plan, vapor_pressure

SHARES = {
    "holds": 0.20,
    "leak": 0.38,
    "gross_leak": 0.08,
    "no_vacuum": 0.06,
    "purge_passes_closed": 0.05,
    "vent_restricted": 0.06,
    "sensor_flat": 0.04,
    "sensor_offset": 0.04,
    "sensor_disagrees": 0.04,
    "not_judged": 0.05,
}
N_DRAWS = 3
NEVER = 1e9


def log_uniform(rng: np.random.Generator, low: float, high: float, n: int) -> Array:
    """Return `n` numbers, uniform in their logarithm."""
    return np.exp(rng.uniform(np.log(low), np.log(high), n))


def make_models(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return eight to fifteen invented models: tank, canister, purge flow, line, sensor."""
    n = int(rng.integers(8, 16))
    rises = rng.random(n) < 0.5
    return {
        "name": np.array([f"R{100 + 10 * k}" for k in range(n)]),
        "tank_l": rng.uniform(40, 110, n),
        "canister_l": rng.uniform(1.0, 4.0, n),
        "purge_l_min": log_uniform(rng, 5.0, 45.0, n),
        "line_mm": rng.uniform(3.5, 8.0, n),
        "bed_a": log_uniform(rng, 1e5, 8e5, n),
        "clip": rng.integers(0, 4, n),
        "rest_v": np.where(rises, rng.uniform(1.3, 1.8, n), rng.uniform(2.8, 3.4, n)),
        "slope_v_pa": np.where(rises, -1, 1) * rng.uniform(0.3, 0.42, n) * 1e-3,
        "step_pa": rng.choice([2.0, 5.0, 10.0, 20.0, 30.0], n, p=[0.25, 0.25, 0.25, 0.15, 0.1]),
        "is_absolute": rng.random(n) < 0.1,
    }


CLIPS = np.array([(-1500.0, 1500.0), (-2500.0, 2500.0), (-3700.0, 3700.0), (-6200.0, 2000.0)])


def make_plan(rng: np.random.Generator, n: int) -> tuple[Plan, dict[str, np.ndarray]]:
    """Return a plan of `n` recordings and the models of the fleet."""
    models = make_models(rng)
    words = np.repeat(list(SHARES), [max(1, round(n * share)) for share in SHARES.values()])
    words = np.concatenate([words, np.full(max(0, n - len(words)), "leak")])[:n]
    plan: Plan = {"verdict": rng.permutation(words), "kind": np.full(n, "plain", dtype=object)}
    plan["model"] = rng.integers(0, len(models["name"]), n)
    _tank(plan, models, rng, n)
    _vapor(plan, rng, n)
    _lines(plan, models, rng, n)
    _shop(plan, models, rng, n)
    return plan, models


def _tank(plan: Plan, models: dict[str, np.ndarray], rng: np.random.Generator, n: int) -> None:
    m = plan["model"]
    plan["tank_l"], plan["fill"] = models["tank_l"][m], rng.uniform(0.05, 0.95, n)
    plan["canister_l"] = models["canister_l"][m]
    plan["volume_l"] = plan["tank_l"] * (1 - plan["fill"]) + rng.uniform(0.5, 3.0, n)
    height = np.where(rng.random(n) < 0.6, rng.uniform(0, 500, n), rng.uniform(500, 2500, n))
    plan["ambient_pa"] = (101_325 + rng.normal(0, 600, n)) * (1 - 2.2558e-5 * height) ** 5.2559
    plan["ambient_k"] = rng.uniform(-5, 40, n) + 273.15
    plan["viscosity"] = 1.716e-5 * (plan["ambient_k"] / 273.15) ** 1.5 * 383.55 / (plan["ambient_k"] + 110.4)
    plan["fuel_k"] = np.minimum(plan["ambient_k"] + rng.uniform(-4, 8, n), 315.0)
    plan["wall_k"] = (plan["fuel_k"] + plan["ambient_k"]) / 2
    plan["wall_k_s"], plan["fuel_k_s"] = rng.normal(0, 0.0012, n), rng.normal(0.0005, 0.0015, n)
    plan["wall_s"] = log_uniform(rng, 2, 20, n)
    plan["leak_mm"], plan["leak_at_tank"] = np.zeros(n), (rng.random(n) < 0.7).astype(float)
    behind = rng.random(n) < 0.3
    plan["line_factor"] = np.where(behind, rng.uniform(0.75, 1.0, n), 1.0)
    plan["cd_form"], plan["cd_high"] = rng.integers(0, 3, n), rng.uniform(0.58, 0.66, n)
    plan["cd_low"] = rng.uniform(15, 50, n)
    plan["slosh_pa"] = np.where(rng.random(n) < 0.3, log_uniform(rng, 1, 12, n), 0.0)


def _vapor(plan: Plan, rng: np.random.Generator, n: int) -> None:
    """Evaporation follows the distance to saturation; its time constant falls with the gas height over the fuel."""
    # Reid pressure follows the season (9 psi in summer, up to 13 in winter: from memory), and fuel does not boil.
    reid_psi = np.clip(12 - 0.16 * (plan["ambient_k"] - 273.15) + rng.normal(0, 0.8, n), 6, 13)
    saturated = vapor_pressure(reid_psi, plan["fuel_k"] - 273.15)
    plan["saturated_pa"] = np.minimum(saturated, 0.6 * plan["ambient_pa"])
    tau = log_uniform(rng, 300, 4000, n) * np.sqrt(plan["volume_l"] / 30)
    wanted = np.where(rng.random(n) < 0.35, rng.uniform(0, 1, n), rng.exponential(2.5, n))
    rise = np.minimum(wanted * plan["saturated_pa"] / 35e3, 15.0)
    rise = np.where(rng.random(n) < 0.05, -rng.uniform(0.2, 1.0, n), rise)
    plan["vapor_share"] = np.clip(1 - rise * tau / plan["saturated_pa"], 0.3, 1.02)
    plan["evaporation"] = plan["volume_l"] * 1e-3 / (GAS_J_MOL_K * plan["wall_k"] * tau)


def _lines(plan: Plan, models: dict[str, np.ndarray], rng: np.random.Generator, n: int) -> None:
    m = plan["model"]
    density = plan["ambient_pa"] / (287.05 * plan["ambient_k"])
    hole = lambda mm: density / 2 / (0.65 * np.pi / 4 * (mm * 1e-3) ** 2) ** 2  # noqa: E731
    plan["density"] = density
    plan["line_a"], plan["line_b"] = np.full(n, 1e5), hole(models["line_mm"][m] * rng.normal(1, 0.03, n))
    plan["bed_a"], plan["bed_b"] = models["bed_a"][m] * log_uniform(rng, 0.8, 1.25, n), np.full(n, 3e8)
    plan["vent_b"] = hole(rng.uniform(7, 12, n))
    plan["vent_rest"], plan["vent_open"] = np.zeros(n), np.ones(n)
    plan["vent_step"] = STEP_S / rng.uniform(0.05, 0.3, n)
    plan["dead_pct"], plan["purge_step"] = rng.uniform(0, 6, n), STEP_S / rng.uniform(0.05, 0.2, n)
    flow = models["purge_l_min"][m] * rng.normal(1, 0.07, n) / 60e3
    plan["purge_mol_s"] = flow * 101_325 / (GAS_J_MOL_K * 293.15)
    plan["purge_works"], plan["passing"] = np.ones(n), np.zeros(n)
    plan["manifold_pa"] = plan["ambient_pa"] * rng.uniform(0.30, 0.45, n)
    plan["manifold_swing_pa"], plan["swing_s"] = rng.uniform(0, 3000, n), rng.uniform(1, 5, n)
    loaded = rng.random(n) < 0.15
    plan["load_from_s"] = np.where(loaded, rng.uniform(10, 60, n), NEVER)
    plan["load_pa"] = plan["ambient_pa"] * rng.uniform(0.1, 0.35, n)


def _shop(plan: Plan, models: dict[str, np.ndarray], rng: np.random.Generator, n: int) -> None:
    plan["rest_s"] = np.where(rng.random(n) < 0.08, 0.0, rng.uniform(2, 20, n))
    plan["closed_s"] = np.where(rng.random(n) < 0.2, 0.0, rng.uniform(1, 30, n))
    deepest = np.minimum(0.85 * -CLIPS[models["clip"][plan["model"]], 0], 3000)
    target = np.where(rng.random(n) < 0.05, 1.15 * deepest, rng.uniform(0.6, 1.0, n) * deepest)
    plan["target_pa"] = -np.repeat(target[:, None], N_DRAWS, 1)
    plan["n_draws"] = rng.choice([1, 2, 3], n, p=[0.85, 0.1, 0.05])
    hold = np.where(rng.random(n) < 0.85, rng.uniform(60, 120, n), rng.uniform(20, 60, n))
    plan["hold_s"] = rng.uniform(3, 12, (n, N_DRAWS))
    row, early = np.arange(n), rng.random(n) < 0.05
    plan["is_early"] = early
    plan["hold_s"][row, plan["n_draws"] - 1] = np.where(early, rng.uniform(8, 25, n), hold)
    full, wish = rng.random(n) < 0.3, log_uniform(rng, 4, 40, n)
    removed = target * plan["volume_l"] * 1e-3 / (GAS_J_MOL_K * plan["ambient_k"])
    seconds = np.where(full, 3.0, wish)  # no shop opens the valve so far that the draw is over in less
    opening = np.clip(removed / plan["purge_mol_s"] / seconds, 0.02, 1.0)
    plan["duty_pct"] = np.round(plan["dead_pct"] + opening * (100 - plan["dead_pct"]), 1)
    plan["ramp_steps"] = np.where(rng.random(n) < 0.2, 4.0, 1.0)
    plan["ramp_s"] = rng.uniform(1, 3, n)
    plan["timeout_s"] = np.repeat(
        np.where(rng.random(n) < 0.9, rng.uniform(30, 60, n), rng.uniform(5, 20, n))[:, None], 3, 1
    )
    aborted = plan["n_draws"] > 1
    plan["timeout_s"][aborted, 0] = rng.uniform(3, 10, aborted.sum())
    plan["release_s"] = rng.uniform(2, 20, n)
    plan["cut_s"] = np.full(n, NEVER)
    cut = rng.random(n) < 0.05
    plan["cut_s"][cut] = rng.uniform(60, 130, cut.sum())
    plan["rest_duty_pct"], plan["rest_duty_from_s"] = np.zeros(n), np.full(n, NEVER)
    plan["is_fill"], plan["is_routine"] = np.zeros(n, bool), np.zeros(n, bool)
    plan["fill_mol_s"], plan["offset_pa"] = np.zeros(n), rng.normal(0, 25, n)
