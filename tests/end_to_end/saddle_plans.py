"""What happens in a recording: weather, fuel, procedure and one fault, as the numbers of a plan and of its twin."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tests.end_to_end.saddle_fleet import Shop, Vehicle
from tests.end_to_end.saddle_holes import CRACK, LIP, SHARP, TUBE, hole_flow
from tests.end_to_end.saddle_plan import BLOCKED, CANISTER, DRIVE, FILL, STUCK_OPEN, TANK, TEST

#: How often each kind of recording comes.
KINDS = {
    "holds": 0.32, "leak": 0.35, "gross_leak": 0.05, "no_vacuum": 0.04, "purge_passes_closed": 0.04,
    "vent_restricted": 0.04, "sensor_flat": 0.03, "sensor_offset": 0.03, "sensor_disagrees": 0.02,
    "not_judged": 0.03, "two": 0.01, "fill": 0.04,
}  # fmt: skip


@dataclass
class Wrong:
    """What is wrong with sensor or recording: see `saddle_recorder`."""

    offset_pa: float = 0.0
    stuck_pa: float | None = None
    told_gain: float = 1.0
    volts_stuck: bool = False


@dataclass
class Case:
    """One recording to be made: plan and twin's plan as numbers, true verdict, header's own."""

    kind: str
    verdict: str
    plan: dict[str, float]
    sound: dict[str, float]
    level: float
    wrong: Wrong = field(default_factory=Wrong)


def draw_kinds(n: int, rng: np.random.Generator) -> list[str]:
    """Return `n` kinds in the shares of KINDS, shuffled."""
    ends = np.round(np.cumsum(list(KINDS.values())) * n).astype(int)
    kinds = np.repeat(list(KINDS), np.diff(np.concatenate([[0], ends])))
    return [str(kind) for kind in rng.permutation(kinds)]


def make_case(kind: str, vehicle: Vehicle, shop: Shop, rng: np.random.Generator) -> Case:
    """Return the case of a kind."""
    level = float(rng.uniform(0.12, 0.9))
    sound = {**_tank(vehicle, level, rng), **_weather(rng), **_procedure(vehicle, shop, rng)}
    sound["surface_m2"] *= 1 - 0.5 * abs(level - 0.5) ** 2
    case = Case(kind, kind, dict(sound), sound, level)
    if kind == "fill":
        _fill(case, vehicle, rng)
    elif kind == "two":
        _leak(case, float(np.exp(rng.uniform(math.log(0.6), math.log(2)))), rng)
        _FAULTS[str(rng.choice(["purge_passes_closed", "vent_restricted", "sensor_offset"]))](case, rng)
    elif kind != "holds":
        _FAULTS[kind](case, rng)
    return case


def _tank(vehicle: Vehicle, level: float, rng: np.random.Generator) -> dict[str, float]:
    model = vehicle.model
    gas_m3 = vehicle.tank_m3 - level * model.tank_l * 1e-3
    surface_m2 = vehicle.tank_m3 / model.high_m * vehicle.surface
    headroom_m = gas_m3 / surface_m2
    return {
        "tank_m3": gas_m3 * (1 - model.second),
        "saddle_m3": gas_m3 * model.second,
        "canister_m3": vehicle.canister_m3,
        "line_m": model.line_m,
        "line_long_m": model.line_long_m,
        "wall_m2": surface_m2 + 4.4 * math.sqrt(surface_m2) * headroom_m,
        "surface_m2": surface_m2,
        "heat_w_m2_k": vehicle.heat_w_m2_k * rng.lognormal(0, 0.1),
        "gives_m3_pa": vehicle.gives_m3_pa,
        "gives_late_m3_pa": 0.3 * vehicle.gives_m3_pa,
        "carbon_mol_s_pa": vehicle.carbon_mol_s_pa,
        "carbon_pa": float(np.exp(rng.uniform(math.log(100), math.log(4000)))),
        "vent_creep": model.vent_creep,
        "vent_s": rng.uniform(0.03, 0.15),
        "purge_m": vehicle.purge_m,
        "purge_hz": model.purge_hz,
        "relief_vacuum_pa": model.relief_kpa * 1000,
        "residual_m": vehicle.residual_m,
        "sense_at": model.sense_at,
    }


def _weather(rng: np.random.Generator) -> dict[str, float]:
    ambient_c = float(np.clip(rng.normal(17, 9), -5, 36))
    ambient_pa = 101_325 * (1 - 2.25577e-5 * abs(rng.normal(0, 700))) ** 5.2559 + rng.normal(0, 700)
    fuel_c = ambient_c + float(np.clip(rng.normal(3, 4), -4, 12))
    is_summer = ambient_c > 18
    return {
        "ambient_pa": ambient_pa,
        "ambient_k": 273.15 + ambient_c,
        "wind_pa": float(rng.gamma(1.2, 1.5)),
        "fuel_k": 273.15 + fuel_c,
        "wall_k": 273.15 + (fuel_c + ambient_c) / 2 + rng.normal(0, 0.7),
        "wall_k_s": rng.normal(0, 0.001),
        "fuel_k_s": rng.normal(0.0003, 0.001),
        "light": rng.uniform(0.025, 0.05) if is_summer else rng.uniform(0.05, 0.10),
        "heavy": rng.uniform(0.18, 0.28),
        "saturation": 1 - abs(rng.normal(0, 0.015)),
        "transfer_m_s": 8e-5 * rng.lognormal(0, 0.5),
        "manifold_pa": ambient_pa - rng.uniform(48e3, 68e3),
        "manifold_sd_pa": rng.uniform(300, 2500),
    }


def _procedure(vehicle: Vehicle, shop: Shop, rng: np.random.Generator) -> dict[str, float]:
    hold_s = float(rng.choice(shop.holds_s)) + rng.uniform(-2, 4)
    chance = rng.random()
    if chance < 0.02:
        hold_s = rng.uniform(6, 20)
    elif chance < 0.10:
        hold_s = rng.uniform(20, 55)
    draws = 1
    if rng.random() < shop.again:
        draws = int(rng.integers(2, 4))
    return {
        "mode": TEST,
        "rest_s": rng.uniform(4, 14),
        "closed_s": rng.uniform(0.6, 2) if rng.random() < 0.1 else rng.uniform(3, 12),
        "draws": draws,
        "target_pa": float(rng.uniform(*shop.target_pa)),
        "timeout_s": rng.uniform(20, 40),
        "pause_s": rng.uniform(3, 15),
        "hold_s": hold_s,
        "release_s": 0.5 if rng.random() < 0.04 else rng.uniform(6, 15),
        "duty": float(rng.choice([1.0, 0.7, 0.5, 0.35, 0.25])),
        "ramp_s": float(rng.choice([0.0, 0.0, 2.0, 5.0])),
        "watch_s": shop.watch_s,
        "sense_offset_pa": vehicle.sense_offset_pa,
        "sense_gain": vehicle.sense_gain,
    }


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def _leak(case: Case, size_mm: float, rng: np.random.Generator) -> None:
    """Put in a hole that lets through about what a sharp one of that size does at 1500 Pa."""
    shape = int(rng.choice([SHARP, TUBE, CRACK, LIP], p=[0.45, 0.25, 0.2, 0.1]))
    ambient_pa = case.plan["ambient_pa"]
    rho = ambient_pa * 0.028965 / (8.314 * case.plan["ambient_k"])

    def flow(kind: int, wide: float, gap: float, long: float, head: float) -> float:
        return float(hole_flow(kind, wide, gap, long, head, ambient_pa, ambient_pa - 1500, rho, 1.83e-5))

    wanted = flow(SHARP, size_mm * 1e-3, 0.0, 0.0, 0.61)
    head, gap, long = float(np.clip(rng.normal(0.61, 0.008), 0.59, 0.635)), 0.0, 0.0
    if shape == SHARP:
        wide = size_mm * 1e-3 * math.sqrt(0.61 / head)
    elif shape == TUBE:
        long = rng.uniform(0.8e-3, 4e-3)
        low, high = size_mm * 0.5e-3, size_mm * 4e-3
        for _ in range(40):
            wide = (low + high) / 2
            low, high = (wide, high) if flow(TUBE, wide, 0.0, long, 0.0) < wanted else (low, wide)
    else:
        long = rng.uniform(0.5e-3, 4e-3)
        gap = _log(rng, 0.05e-3, 0.12e-3) * max(1.0, size_mm / 0.6) ** 0.7
        wide = wanted / flow(CRACK, 1.0, gap, long, 0.0)
        head = rng.uniform(-0.1, 0.12) if shape == LIP else 0.0
        if shape == LIP:
            gap /= 1 + 1.5 * head
    at = TANK if rng.random() < 0.65 else CANISTER
    case.plan |= {
        "leak_shape": shape, "leak_m": wide, "leak_gap_m": gap, "leak_long_m": long, "leak_head": head,
        "leak_at": at,
    }  # fmt: skip


def _any_leak(case: Case, rng: np.random.Generator) -> None:
    _leak(case, _log(rng, 0.25, 3.0), rng)


def _gross(case: Case, rng: np.random.Generator) -> None:
    if rng.random() < 0.5:
        case.plan["vent_state"] = STUCK_OPEN
        return
    at = TANK if rng.random() < 0.6 else CANISTER
    case.plan |= {"leak_shape": SHARP, "leak_m": _log(rng, 4e-3, 14e-3), "leak_head": 0.62, "leak_at": at}


def _no_vacuum(case: Case, rng: np.random.Generator) -> None:
    case.plan["arrives"] = 0.0 if rng.random() < 0.7 else rng.uniform(0, 0.003)


def _passes(case: Case, rng: np.random.Generator) -> None:
    case.plan["passes_m"] = _log(rng, 0.1e-3, 0.8e-3)


def _blocked(case: Case, rng: np.random.Generator) -> None:
    case.plan["vent_state"] = BLOCKED
    case.plan["block_m"] = 0.0 if rng.random() < 0.5 else _log(rng, 0.2e-3, 0.9e-3)
    if rng.random() < 0.3:
        case.plan["start_pa"] = -rng.uniform(200, 1200)


def _flat(case: Case, rng: np.random.Generator) -> None:
    case.wrong.stuck_pa = float(rng.choice([0.0, 0.0, 0.0, -900.0, 700.0, -9e3, 9e3])) + rng.normal(0, 60)
    case.plan["sense_is_stuck"] = 1


def _offset(case: Case, rng: np.random.Generator) -> None:
    case.wrong.offset_pa = float(rng.choice([-1.0, 1.0])) * _log(rng, 220, 1300)
    case.plan["sense_offset_pa"] += case.wrong.offset_pa


def _disagrees(case: Case, rng: np.random.Generator) -> None:
    if rng.random() < 0.3:
        case.wrong.volts_stuck = True
        return
    case.wrong.told_gain = rng.uniform(0.35, 0.7) if rng.random() < 0.5 else rng.uniform(1.4, 2.0)
    case.plan["sense_gain"] *= case.wrong.told_gain


def _drive(case: Case, rng: np.random.Generator) -> None:
    case.plan |= {"mode": DRIVE, "hold_s": rng.uniform(60, 180), "manifold_sd_pa": 9e3}


def _fill(case: Case, vehicle: Vehicle, rng: np.random.Generator) -> None:
    """Gas is put in through the canister's hose up to 14 inches of water (3487 Pa)."""
    volume = case.plan["tank_m3"] + case.plan["saddle_m3"]
    rise_pa_s = rng.uniform(250, 900)
    for numbers in (case.plan, case.sound):
        numbers |= {
            "mode": FILL, "target_pa": 3487.0, "hold_s": 120.0, "timeout_s": 60.0,
            "fill_mol_s": rise_pa_s * volume / (8.314 * 293),
        }  # fmt: skip
    case.verdict = "holds"
    if rng.random() < 0.5:
        case.verdict = "leak"
        _any_leak(case, rng)


_FAULTS = {
    "leak": _any_leak,
    "gross_leak": _gross,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _passes,
    "vent_restricted": _blocked,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": _disagrees,
    "not_judged": _drive,
}
