"""What is wrong with a planned recording, by its kind: a hole of some shape at some place, a valve, a sensor."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.end_to_end.plastic_fleet import Model
from tests.end_to_end.plastic_gas import (
    BELOW_LIQUID,
    CLICK,
    DRIVE,
    FILL,
    GIVES,
    SHARP,
    SLIT,
    STEADY_FLOW,
    TUBE,
)
from tests.end_to_end.plastic_plans import Facts, log_uniform

#: How many of 1,060 recordings are of each kind; `fill` is a hold under pressure, `two` bears two faults.
KINDS = {
    "holds": 300,
    "leak": 410,
    "gross_leak": 36,
    "no_vacuum": 46,
    "purge_passes_closed": 40,
    "vent_restricted": 42,
    "sensor_flat": 34,
    "sensor_offset": 38,
    "sensor_disagrees": 34,
    "not_judged": 40,
    "fill": 22,
    "two": 18,
}
SHAPES = ["none", "sharp", "tube", "slit", "gives", "below_liquid"]


def add_fault(kind: str, plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    """Give a sound plan the fault of its kind, and its facts the verdict that is then true."""
    facts.verdict = {"fill": "holds", "two": "holds"}.get(kind, kind)
    if kind in FAULTS:
        FAULTS[kind](plan, facts, model, rng)


def _put_leak(
    plan: Any, facts: Facts, model: Model, wide_m: float, rng: np.random.Generator, may_be_wet: bool = True
) -> None:
    place = rng.random()
    facts.place = "tank"
    if may_be_wet and place < 0.06:
        deep = rng.uniform(0.01, max(0.02, model.height_m * facts.level))
        plan["leak_kind"], plan["leak_a"], plan["leak_b"] = BELOW_LIQUID, wide_m, 740 * 9.81 * deep
        facts.place = "below_liquid"
    else:
        plan["leak_kind"], plan["leak_a"], plan["leak_b"], plan["leak_c"] = _shape(wide_m, rng)
        if place < 0.24:
            plan["leak_behind"], facts.place = 1, "canister_side"
        elif place < 0.36:
            plan["leak_kind"], plan["leak_a"], plan["leak_c"] = GIVES, wide_m, 0
            plan["leak_b"] = -rng.uniform(0.05, 0.6)
            plan["leak_behind"], facts.place = 1, "vent_seep"
    facts.shape = SHAPES[int(plan["leak_kind"])]


def _shape(wide_m: float, rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Return kind and three numbers of a hole about `wide_m` wide."""
    r = rng.random()
    if r < 0.55:
        return SHARP, wide_m, 0, 0
    if r < 0.70:
        return TUBE, wide_m * 1.05, wide_m * rng.uniform(3, 25), 0
    if r < 0.80:
        high = max(wide_m * rng.uniform(0.10, 0.25), 3e-5)
        return SLIT, high, 0.785 * wide_m**2 / high * rng.uniform(0.8, 1.4), rng.uniform(0.5, 3) * 1e-3
    return GIVES, wide_m, rng.uniform(-0.55, 0.5), 0


def _leak(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    is_usual = rng.random() < 0.93
    wide_m = log_uniform(rng, 0.2e-3, 3.6e-3) if is_usual else rng.uniform(3e-3, 4e-3)
    _put_leak(plan, facts, model, wide_m, rng)


def _gross(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    if rng.random() < 0.4:
        plan["vent_stuck_open"], facts.place = rng.uniform(0.6, 1.0), "vent_stuck_open"
        return
    plan["leak_kind"], plan["leak_a"], facts.shape = SHARP, rng.uniform(5e-3, 12e-3), "sharp"
    facts.place = str(rng.choice(["tank", "canister_side"]))
    plan["leak_behind"] = facts.place != "tank"


def _no_vacuum(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    r = rng.random()
    if r < 0.6:
        plan["purge_m"], facts.why = 0, "purge_stuck_shut"
    elif r < 0.85:
        plan["manifold_pa"], facts.why = plan["ambient_pa"], "hose_off"
        plan["manifold_noise"] = plan["manifold_pa_s"] = 0
    else:
        plan["purge_m"], facts.why = rng.uniform(0.02e-3, 0.12e-3), "purge_clogged"
    plan["fuel_k_s"] = abs(plan["fuel_k_s"]) * 2
    if rng.random() < 0.7:
        plan["closed_s"] = max(plan["closed_s"], 5)


def _passes(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    plan["passing_m"] = log_uniform(rng, 0.12e-3, 0.75e-3)


def _restricted(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    if rng.random() < 0.5:
        plan["is_vent_stuck"], plan["start_pa"], facts.why = 1, 0, "stuck_shut"
        plan["seep_m"] = rng.uniform(0, 0.25e-3) if rng.random() < 0.75 else rng.uniform(0.25e-3, 0.8e-3)
    else:
        plan["vent_m"], facts.why = log_uniform(rng, 0.4e-3, 3e-3), "filter_clogged"


def _flat(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    plan["is_sensor_dead"] = 1


def _offset(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    plan["offset_pa"] += rng.choice([-1, 1]) * log_uniform(rng, 220, 1500)


def _none(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    r = rng.random()
    if r < 0.4:
        plan["mode"], facts.why = DRIVE, "routine_no_test"
        plan["longest_s"], plan["ramp_s"] = rng.uniform(60, 200), rng.uniform(20, 70)
    elif r < 0.65:
        plan["mode"], facts.why = STEADY_FLOW, "steady_flow"
        plan["fill_pa"], plan["fill_mol_s"] = rng.uniform(2400, 4000), rng.uniform(0.004, 0.012)
        plan["hold_s"] = rng.uniform(120, 180)
        _put_leak(plan, facts, model, rng.uniform(0.3e-3, 1.0e-3), rng, False)
    elif r < 0.8:
        plan["mode"], plan["closed_s"], facts.why = CLICK, rng.uniform(8, 25), "vent_click_only"
    else:
        facts.why = "cut_before_hold"


def _fill(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    """Filled to 14 inches of water, held for two minutes, let go through the cap or the vent."""
    plan["mode"], plan["fill_pa"] = FILL, 3487 + rng.normal(0, 100)
    plan["fill_mol_s"], plan["hold_s"] = rng.uniform(0.008, 0.05), 120
    plan["by_cap"], facts.why = rng.random() < 0.5, "pressure_hold"
    plan["early_s"], facts.is_early = 0, False
    plan["rest_s"] = rng.uniform(1, 5) if rng.random() < 0.6 else 0.0
    if rng.random() < 0.55:
        _put_leak(plan, facts, model, log_uniform(rng, 0.25e-3, 1.5e-3), rng, False)
        facts.verdict = "leak"


def _two(plan: Any, facts: Facts, model: Model, rng: np.random.Generator) -> None:
    r = rng.random()
    _put_leak(plan, facts, model, rng.uniform(0.5e-3, 1.5e-3), rng, False)
    if r < 0.33:
        plan["passing_m"], facts.verdict = rng.uniform(0.2e-3, 0.5e-3), "purge_passes_closed"
    elif r < 0.66:
        plan["is_vent_stuck"], facts.verdict = 1, "vent_restricted"
    else:
        plan["offset_pa"] += rng.choice([-1, 1]) * rng.uniform(350, 900)
        facts.verdict = "sensor_offset"


FAULTS = {
    "leak": _leak,
    "gross_leak": _gross,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _passes,
    "vent_restricted": _restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "not_judged": _none,
    "fill": _fill,
    "two": _two,
}


def as_planned(kinds: dict[str, int], n: int, rng: np.random.Generator) -> list[str]:
    """Return the kind of each of `n` recordings, by their shares."""
    words = np.repeat(list(kinds), list(kinds.values()))
    return [str(words[i]) for i in rng.permutation(np.arange(n) * len(words) // n)]
