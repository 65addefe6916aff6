"""Vehicles, shops and what their technicians do: invented makes, weather and habits of a fleet of many shops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.sag_tank import Tanks, crack, hole

# Make, model, tank [l], room above a full tank (share), canister [l], purge at full duty [l/min], volts at rest,
# Pa per volt, whether the sensor hangs on a hose of its own. All invented.
MODELS = (
    ("Ostrava", "Lark", 42, 0.05, 1.6, 24, 2.5, -1250, False),
    ("Ostrava", "Heron", 55, 0.07, 2.1, 30, 2.5, -1250, False),
    ("Ostrava", "Drover", 98, 0.04, 3.2, 45, 2.6, -1500, True),
    ("Kellmark", "Tern", 47, 0.08, 1.8, 20, 1.5, -1100, True),
    ("Kellmark", "Alder", 62, 0.06, 2.4, 36, 1.5, -1100, False),
    ("Kellmark", "Hauler", 110, 0.03, 3.6, 48, 1.6, -1400, False),
    ("Vintra", "Quill", 40, 0.09, 1.5, 22, 3.0, 1400, True),
    ("Vintra", "Basalt", 70, 0.05, 2.6, 32, 3.0, 1400, False),
    ("Somerel", "Fenn", 52, 0.06, 2.0, 26, 2.0, -1600, False),
    ("Somerel", "Crag", 83, 0.05, 3.0, 40, 2.0, -1600, True),
)
FAULTS = {
    "tight": 0.31,
    "leak": 0.41,
    "gross": 0.05,
    "vent_stuck_open": 0.02,
    "no_vacuum": 0.055,
    "purge_passes": 0.045,
    "vent_restricted": 0.035,
    "sensor_flat": 0.03,
    "sensor_offset": 0.025,
    "sensor_disagrees": 0.02,
}
KINDS = {"draw": 0.76, "fill": 0.10, "steady": 0.03, "routine": 0.11}
START_PA = 3487.25  # 14 conventional inches of water


@dataclass
class Fleet:
    """n vehicles under test: what the header says, what is true of them, and what is asked of the physics."""

    model: np.ndarray
    kind: np.ndarray
    fault: np.ndarray
    place: np.ndarray
    level: np.ndarray
    sag_pa: np.ndarray
    shop: np.ndarray
    altitude_m: np.ndarray
    tanks: Tanks


def fleet(n: int, key: int) -> Fleet:
    """Draw n recordings of 24 shops."""
    rng = np.random.default_rng([17, key])
    model = rng.integers(0, len(MODELS), n)
    kind = rng.choice(list(KINDS), n, p=list(KINDS.values()))
    fault = rng.choice(list(FAULTS), n, p=list(FAULTS.values()))
    is_fed = (kind == "fill") | (kind == "steady")
    fault = np.where(is_fed & (fault != "leak"), "tight", fault)
    fault = np.where(kind == "steady", "leak", np.where(kind == "routine", "tight", fault))
    shop = rng.integers(0, 24, n)
    height = np.where(rng.random(24) < 0.25, rng.uniform(900, 2200, 24), rng.uniform(0, 500, 24))
    altitude = height[shop]
    climate = rng.uniform(6, 30, 24)
    ambient_pa = 101325 * (1 - 2.25577e-5 * altitude) ** 5.25588 + rng.normal(0, 700, n)
    ambient_k = 273.15 + np.clip(rng.normal(climate[shop], 5), -5, 40)
    rated_l = np.array([m[2] for m in MODELS], float)[model]
    dome = np.array([m[3] for m in MODELS])[model]
    canister = np.array([m[4] for m in MODELS])[model]
    level = rng.uniform(0.12, 0.88, n)
    gas_l = rated_l * (rng.normal(1, 0.012, n) + dome - level) + rng.uniform(0.5, 1.5, n)
    gas_l = np.maximum(gas_l, 4.0)
    has_driven = rng.random(n) < 0.45
    fuel_k = ambient_k + np.where(has_driven, rng.uniform(2, 10, n), rng.normal(0, 1, n))
    reid = rng.uniform(45e3, 88e3, n) * np.where(rng.random(n) < 0.2, 0.8, 1.0)
    slope = 3.0e4 / 8.314462618
    pressed = reid * np.exp(-slope * (1 / fuel_k - 1 / 310.93)) / ambient_pa
    reid = reid * np.minimum(1, 0.6 / pressed)
    leak_a, leak_b, place = _leaks(rng, n, fault)
    full = np.array([m[5] for m in MODELS], float)[model] / 6e4 * rng.normal(1, 0.06, n)
    start = rng.choice([0.2, 0.3, 0.5, 1.0], n, p=[0.3, 0.3, 0.25, 0.15])
    is_ramp = rng.random(n) < 0.3
    duty = np.stack([np.where(is_ramp, 0.5 * start, start), start], axis=1)
    vent_a, vent_b = rng.uniform(1.2e5, 3e5, n), rng.uniform(2e8, 6e8, n)
    is_blocked = fault == "vent_restricted"
    blocks = np.exp(rng.uniform(np.log(100), np.log(5000), n))
    surface = 0.9 * (rated_l / 1000) ** (2 / 3) * rng.uniform(0.9, 1.5, n)
    fed = rng.uniform(0.08, 0.22, n) * (gas_l + canister) / 1000 * ambient_pa * 0.035 / (8.314 * ambient_k)
    fed = np.where(fault == "leak", np.maximum(fed, 0.004), fed)
    wrong = rng.choice([-1.0, 1.0], n, p=[0.6, 0.4]) * rng.uniform(500, 1300, n)
    tanks = Tanks(
        ambient_pa=ambient_pa,
        ambient_k=ambient_k,
        tank_m3=gas_l / 1000,
        canister_m3=(canister * rng.uniform(0.9, 1.1, n) + rng.uniform(0.3, 1.0, n)) / 1000,
        wall_m2=surface + 4 * np.sqrt(surface) * (gas_l / 1000) / surface,
        surface_m2=surface,
        stir_w=rng.uniform(0.6, 3.0, n),
        wall_k=ambient_k + 0.5 * (fuel_k - ambient_k) + rng.normal(0, 0.5, n),
        wall_drift_k_s=np.where(has_driven, rng.normal(0, 0.15, n), rng.normal(0.02, 0.06, n)) / 60,
        fuel_k=fuel_k,
        reid_pa=reid,
        dryness=np.where(has_driven, rng.exponential(0.03, n), rng.exponential(0.01, n)),
        film_m_s=np.exp(rng.normal(np.log(2.5e-4), 0.5, n)),
        pump_mixing=rng.uniform(1, 6, n),
        carbon_mol=0.35 * canister / 2 * rng.beta(1.5, 3, n),
        carbon_s=rng.uniform(15, 60, n),
        leak_a=leak_a,
        leak_b=leak_b,
        leak_gives=np.where(place == "vent_seat", rng.uniform(-0.15, 0.15, n), 0.0),
        vent_a=np.where(is_blocked, vent_a * blocks, vent_a),
        vent_b=np.where(is_blocked, vent_b * blocks**1.5, vent_b),
        vent_late_s=rng.uniform(0.02, 0.4, n),
        is_vent_stuck=fault == "vent_stuck_open",
        purge_m3_s=np.where((fault == "no_vacuum") & (kind == "draw"), 0.0, full),
        purge_passes=np.where(fault == "purge_passes", np.exp(rng.uniform(np.log(0.004), np.log(0.2), n)), 0)
        * ~is_fed,
        manifold_pa=rng.uniform(0.28, 0.42, n) * ambient_pa,
        dead_duty=rng.uniform(0.02, 0.08, n),
        duty=duty,
        ramp_s=rng.uniform(3, 12, n),
        feed_mol_s=np.where(is_fed, fed, 0.0),
        regulator_pa=np.where(kind == "steady", rng.uniform(2800, 3900, n), 6000.0),
        relief_pa=rng.uniform(4500, 7000, n),
        target_pa=np.where(is_fed, START_PA, -rng.choice([1900.0, 2300, 2500, 2800], n)),
        seen_offset_pa=np.where(is_fed, 0.0, np.where(fault == "sensor_offset", wrong, rng.normal(0, 35, n))),
        phase_s=_phases(rng, n, kind),
        stirs_at_s=np.where(rng.random(n) < 0.05, rng.uniform(10, 120, n), 1e9),
        is_driving=kind == "routine",
        drive_phase=rng.uniform(0, 6.28, n),
    )
    tanks.target_pa = np.where(kind == "steady", 1e9, tanks.target_pa)
    low_point = np.where(rng.random(n) < 0.12, rng.uniform(2e-3, 14e-3, n), 0.0)
    in_line = np.array([m[8] for m in MODELS])[model]
    sag_pa = np.where(in_line & ~is_fed, 740 * 9.81 * low_point, 0.0)
    return Fleet(model, kind, fault, place, level, sag_pa, shop, altitude, tanks)


def _leaks(rng: np.random.Generator, n: int, fault: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return resistances of leaks of 0.2 to 4 mm (a third of them cracks), of gross ones, and of tight seams."""
    diameter = np.exp(rng.uniform(np.log(0.2), np.log(4.0), n)) * 1e-3
    diameter = np.where(fault == "gross", rng.uniform(4.5, 12, n) * 1e-3, diameter)
    place = rng.choice(["cap", "tank_seal", "line", "vent_seat", "crack"], n, p=[0.25, 0.2, 0.15, 0.12, 0.28])
    place = np.where((fault == "gross") & np.isin(place, ["crack", "vent_seat"]), "cap", place)
    a, b = hole(diameter, rng.uniform(0, 1.2e-3, n))
    length = np.maximum(rng.uniform(3, 30, n) * 1e-3, 3 * diameter)
    area = np.pi / 4 * diameter**2
    a_crack, b_crack = crack(length, area / length, rng.uniform(0.8e-3, 3e-3, n))
    is_crack = place == "crack"
    is_leak = (fault == "leak") | (fault == "gross")
    tight_a, tight_b = hole(rng.uniform(0.01, 0.06, n) * 1e-3, np.zeros(n))
    a = np.where(is_leak, np.where(is_crack, a_crack, a), tight_a)
    b = np.where(is_leak, np.where(is_crack, b_crack, b), tight_b)
    return a, b, np.where(is_leak, place, "none")


def _phases(rng: np.random.Generator, n: int, kind: np.ndarray) -> np.ndarray:
    """Return the longest time of each phase [s]; some skip the closed phase, open the vent early or draw twice."""
    lasts = np.zeros((n, 7))
    lasts[:, 0] = rng.uniform(3, 14, n)
    lasts[:, 1] = np.where(rng.random(n) < 0.82, rng.uniform(4, 20, n), rng.uniform(0, 1, n))
    lasts[:, 2] = rng.uniform(25, 60, n)
    lasts[:, 3] = rng.choice([60.0, 75, 90, 120], n) + rng.uniform(0, 2, n)
    lasts[:, 3] = np.where(rng.random(n) < 0.04, rng.uniform(12, 45, n), lasts[:, 3])
    is_twice = (kind == "draw") & (rng.random(n) < 0.05)
    lasts[is_twice, 4] = rng.uniform(15, 40, is_twice.sum())
    lasts[is_twice, 5] = lasts[is_twice, 3]
    lasts[is_twice, 3] = rng.uniform(6, 20, is_twice.sum())
    lasts[:, 6] = np.where(rng.random(n) < 0.92, rng.uniform(4, 14, n), 0)
    is_fill = kind == "fill"
    lasts[is_fill, 2] = 90.0
    lasts[is_fill, 3] = 120.0 + rng.uniform(0, 3, is_fill.sum())
    is_steady = kind == "steady"
    lasts[is_steady, 2] = rng.uniform(180, 220, is_steady.sum())
    lasts[is_steady, 3] = 0
    is_routine = kind == "routine"
    lasts[is_routine] = 0
    lasts[is_routine, 0] = rng.uniform(60, 240, is_routine.sum())
    return lasts
