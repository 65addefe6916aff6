"""The vehicles, fuels, shops and faults of the fizzing tanks, drawn from a key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.fizz_course import DRAW, FILL, ROUTINE, STANDARD_L_MOL, STEADY, Plan
from tests.end_to_end.fizz_fuel import R, vapor_pressure_pa
from tests.end_to_end.fizz_holes import SHARP, crack_of, round_hole
from tests.end_to_end.fizz_tank import Cars

MODELS = (
    "Alder 4", "Bergot", "Corvin S", "Dunlin", "Ezra Van", "Foxglove", "Gannet", "Hollow 2",
    "Ister", "Juno Haul", "Kestry", "Lomond X", "Marram", "Nerin",
)  # fmt: skip
NO_LIMIT = 1e9


@dataclass
class Fleet:
    """One row per recording: what it is, and what its recorder makes of it."""

    cars: Cars
    plan: Plan
    model: np.ndarray
    fault: np.ndarray  # the verdict that is true of it
    hole: np.ndarray  # how it leaks: none, round, thick, punched, crack, wide
    tank_l: np.ndarray
    fuel_pct: np.ndarray  # as the gauge shows it
    altitude_pa: np.ndarray
    ambient_c: np.ndarray
    recorder: dict[str, np.ndarray]


def draw_fleet(n: int, key: int) -> Fleet:
    """Draw `n` recordings of 14 models."""
    rng = np.random.default_rng([18, key])
    # Models are the same under every key: a maker does not change with the sample.
    makes = np.random.default_rng([18, 0])
    k = len(MODELS)
    tank_l = np.round(makes.uniform(40, 110, k))
    dome = makes.uniform(0.03, 0.10, k)  # room above the rated capacity, share of it
    give = np.where(makes.random(k) < 0.4, makes.uniform(1, 6, k), makes.uniform(8, 35, k))  # mL/kPa
    canister_l = makes.uniform(1.5, 4.0, k)
    flow_l_min = makes.uniform(6, 18, k)
    line_mm = makes.uniform(4.0, 8.0, k)
    flap_mm = np.where(makes.random(k) < 0.35, makes.uniform(3, 6, k), 20.0)
    in_line = makes.random(k) < 0.3
    jet = np.exp(makes.normal(np.log(1.8e-3), 0.7, k))
    dead = makes.uniform(0.03, 0.12, k)
    model = rng.integers(0, k, n)
    kind = rng.choice([DRAW, FILL, STEADY, ROUTINE], n, p=[0.76, 0.12, 0.06, 0.06])
    fault = _faults(rng, kind)
    altitude = np.where(rng.random(n) < 0.2, rng.uniform(300, 1900, n), rng.uniform(0, 250, n))
    ambient_pa = 101325 * (1 - 2.25577e-5 * altitude) ** 5.2559 + rng.normal(0, 700, n)
    ambient_c = np.clip(rng.normal(19, 8, n), -2, 38)
    full = rng.uniform(0.12, 0.88, n)
    fuel_l = full * tank_l[model]
    is_on = kind == DRAW
    fuel_c = ambient_c + np.where(rng.random(n) < 0.6, rng.uniform(0, 9, n), rng.normal(0, 1, n))
    reid = np.where(ambient_c < 8, rng.uniform(10, 13.5, n), rng.uniform(7.0, 9.8, n))
    # A steady flow is measured after a soak at 20 to 30 degC (40 CFR 1066.985, standards.md section 3b).
    soaked = kind == STEADY
    ambient_c = np.where(soaked, np.clip(ambient_c, 20, 30), ambient_c)
    fuel_c = np.where(soaked, ambient_c, fuel_c)
    # No fuel near boiling is tested: it has long lost its light ends.
    for _ in range(6):
        reid = np.where(vapor_pressure_pa(fuel_c, reid) > 0.55 * ambient_pa, 0.9 * reid, reid)
    hole, leak, leak_at = _holes(rng, n, fault, kind)
    dead_gas_l = dome[model] * tank_l[model]
    base = tank_l[model] * 1e-3
    cars = Cars(
        ambient_pa=ambient_pa,
        ambient_k=ambient_c + 273.15,
        tank_m3=(tank_l[model] - fuel_l + dead_gas_l) * 1e-3,
        give_m3_pa=give[model] * 1e-9,
        neck_m3=rng.uniform(0.5, 1.2, n) * 1e-3,
        canister_m3=(canister_l[model] + 0.3) * 1e-3,
        fuel_m3=fuel_l * 1e-3,
        surface_m2=2.1 * base ** (2 / 3),
        fuel_k=fuel_c + 273.15,
        fuel_k_s=np.where(is_on, rng.uniform(0, 8e-4, n), rng.normal(0, 1e-4, n)),
        wall_k_s=np.where(is_on, rng.uniform(-2e-4, 8e-4, n), rng.normal(0, 1e-4, n)),
        reid_psi=reid,
        vapor_m_s=np.exp(rng.normal(np.log(2e-4), 0.4, n)),
        renewal_1_s=np.exp(rng.normal(np.log(0.03), 0.5, n)),
        still_m_s=np.exp(rng.normal(np.log(2e-5), 0.4, n)),
        jet_1_s=jet[model] * np.exp(rng.normal(0, 0.25, n)),
        surplus=np.where(is_on, rng.normal(0.003, 0.006, n), 0.0),
        lack=np.where(is_on, np.abs(rng.normal(0, 0.006, n)), 0.0),
        wall_w_k=22 * base ** (2 / 3) * np.exp(rng.normal(0, 0.2, n)),
        leak_at=leak_at,
        leak=leak,
        neck=round_hole(flap_mm[model] * 1e-3),
        line=round_hole(line_mm[model] * 1e-3, 0.0),
        vent=round_hole(rng.uniform(8, 12, n) * 1e-3),
        vent_when_shut=np.where(hole == "vent", rng.uniform(0.3, 1.0, n), 0.0),
        vent_when_open=np.where(
            fault == "vent_restricted", np.where(rng.random(n) < 0.5, 0.0, rng.uniform(5e-4, 6e-3, n)), 1.0
        ),
        purge_mol_s=np.where(fault == "no_vacuum", 0.0, 1.0)
        * flow_l_min[model] / 60 / STANDARD_L_MOL * np.exp(rng.normal(0, 0.06, n)),
        purge_dead=dead[model],
        seat=np.where(fault == "purge_passes_closed", np.exp(rng.uniform(np.log(4e-3), np.log(0.06), n)), 0.0)
        * is_on,
        is_pump_on=is_on,
    )  # fmt: skip
    recorder = _recorder(rng, n, kind, fault, model)
    plan = _plan(rng, n, kind, fault, recorder, in_line[model], cars)
    fuel_pct = np.clip(100 * full + rng.normal(0, 2.0, n), 2, 98)
    return Fleet(
        cars, plan, model, fault, hole, tank_l[model], np.round(fuel_pct / 0.392) * 0.392,
        ambient_pa, ambient_c, recorder,
    )  # fmt: skip


def _faults(rng: np.random.Generator, kind: np.ndarray) -> np.ndarray:
    n = len(kind)
    words = ["holds", "leak", "gross_leak", "no_vacuum", "purge_passes_closed", "vent_restricted",
             "sensor_flat", "sensor_offset", "sensor_disagrees", "cut"]  # fmt: skip
    draw = rng.choice(words, n, p=[0.32, 0.36, 0.07, 0.06, 0.045, 0.04, 0.025, 0.03, 0.03, 0.02])
    push = rng.choice(words[:3], n, p=[0.40, 0.52, 0.08])
    steady = rng.choice(words[:2], n, p=[0.3, 0.7])
    return np.choose(kind, (draw, push, steady, np.full(n, "routine")))


def _holes(
    rng: np.random.Generator, n: int, fault: np.ndarray, kind: np.ndarray
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray], np.ndarray]:
    """Return the way each leaks, its area and drag, and where; a tight system seeps through less than 0.1 mm."""
    size = np.exp(rng.uniform(np.log(0.2), np.log(np.where(kind == DRAW, 3.2, 2.0)), n)) * 1e-3
    wide = np.where(rng.random(n) < 0.5, rng.uniform(4.5, 30, n), rng.uniform(2.8, 5, n)) * 1e-3
    seep = rng.uniform(0.01, 0.1, n) * 1e-3
    d = np.where(fault == "leak", size, np.where(fault == "gross_leak", wide, seep))
    way = rng.choice(["round", "thick", "punched", "crack"], n, p=[0.4, 0.2, 0.2, 0.2])
    hole = np.where(fault == "leak", way, np.where(fault == "gross_leak", "wide", "none"))
    is_vent = (fault == "gross_leak") & (kind == DRAW) & (rng.random(n) < 0.4)
    hole = np.where(is_vent, "vent", hole)
    d = np.where(is_vent, seep, d)
    coefficient = np.where(hole == "punched", rng.uniform(0.62, 0.78, n), SHARP)
    area, drag = round_hole(d, np.where(hole == "thick", rng.uniform(0.5, 2.5, n) * 1e-3, 0.0), coefficient)
    c_area, c_drag = crack_of(d, rng.uniform(0.06, 0.2, n) * 1e-3, rng.uniform(0.5, 2.0, n) * 1e-3)
    is_crack = hole == "crack"
    at = np.where(hole == "wide", rng.choice([0, 1, 2], n, p=[0.6, 0.2, 0.2]), rng.integers(0, 3, n))
    return hole, (np.where(is_crack, c_area, area), np.where(is_crack, c_drag, drag)), at


def _recorder(
    rng: np.random.Generator, n: int, kind: np.ndarray, fault: np.ndarray, model: np.ndarray
) -> dict[str, np.ndarray]:
    """Return what belongs to sensors and loggers: a sensor's line is its model's, the rest the shop's."""
    makes = np.random.default_rng([18, 1])
    k = len(MODELS)
    rest_v = makes.choice([1.5, 2.0, 2.5, 3.0], k)
    # Volts left on the vacuum side for 3.8 kPa, so that no sensor runs past the end of its volts.
    per_pa = np.where(makes.random(k) < 0.5, (4.6 - rest_v) / 3900, -(rest_v - 0.3) / 3900)
    is_pushed = (kind == FILL) | (kind == STEADY)
    has_volts = (rng.random(n) < np.where(fault == "sensor_disagrees", 1.0, 0.65)) & ~is_pushed
    clip = np.where((kind == DRAW) & (rng.random(n) < 0.05), rng.uniform(-2600, -1900, n), -NO_LIMIT)
    period = rng.choice([0.05, 0.1, 0.2, 0.5, 1.0], n, p=[0.1, 0.3, 0.3, 0.2, 0.1])
    return {
        "rest_v": rest_v[model],
        "v_per_pa": -per_pa[model],
        "has_volts": has_volts,
        "period_s": period,
        "jitter": np.where(rng.random(n) < 0.4, rng.uniform(0.02, 0.3, n), 0.0),
        "dropped": np.where(rng.random(n) < 0.3, rng.uniform(0.0, 0.12, n), 0.0),
        "jump_s": np.where(rng.random(n) < 0.04, rng.choice([3600.0, 45.0, -20.0], n), 0.0),
        "noise_pa": np.exp(rng.uniform(np.log(1.0), np.log(12.0), n)),
        "step_pa": rng.choice([0.25, 1.0, 2.5, 7.3, 15.0], n, p=[0.2, 0.2, 0.25, 0.25, 0.1]),
        "offset_pa": np.where(
            fault == "sensor_offset",
            rng.choice([-1, 1], n) * rng.uniform(120, 700, n),
            rng.normal(0, 15, n),
        ),
        "gain": rng.normal(1, 0.008, n),
        "low_pa": np.where(has_volts, np.maximum(clip, -3850), clip),
        "has_rpm": rng.random(n) < 0.7,
    }


def _plan(
    rng: np.random.Generator,
    n: int,
    kind: np.ndarray,
    fault: np.ndarray,
    recorder: dict[str, np.ndarray],
    in_line: np.ndarray,
    cars: Cars,
) -> Plan:
    """Return how each is run; a fill is fast enough for its tank, 14 inches of water in 5 to 30 s when tight."""
    is_pushed = (kind == FILL) | (kind == STEADY)
    room = cars.tank_m3 + cars.neck_m3 + cars.canister_m3 + cars.give_m3_pa * cars.ambient_pa
    needed = 3487 * room / (R * cars.ambient_k)
    feed = needed / rng.uniform(10, 40, n) + 8 / 60 / STANDARD_L_MOL * rng.uniform(0.5, 1.5, n)
    target = np.where(kind == DRAW, rng.choice([1750.0, 2000.0, 2500.0, 2800.0], n), 3487.2)
    target = np.where(kind == STEADY, rng.uniform(2400, 3300, n), target)
    # Nobody waits for a vacuum that the sensor cannot show.
    target = np.where(kind == DRAW, np.minimum(target, -recorder["low_pa"] - 20), target)
    early = (kind == DRAW) & (rng.random(n) < 0.03)
    hold = np.where(kind == FILL, 120.0, rng.uniform(60, 120, n))
    hold = np.where(kind == STEADY, rng.uniform(0.5, 8, n), np.where(early, rng.uniform(12, 40, n), hold))
    rest = rng.uniform(4, 15, n)
    closed = np.where(is_pushed, rng.uniform(1, 6, n), rng.uniform(5, 45, n))
    return Plan(
        kind=kind,
        rest_s=np.where(kind == ROUTINE, rng.uniform(80, 240, n), rest),
        closed_s=closed,
        target_pa=target,
        timeout_s=np.where(kind == STEADY, rng.uniform(190, 260, n), rng.uniform(30, 60, n)),
        duty=rng.choice([0.4, 0.6, 0.8, 1.0], n),
        ramp_s=np.where(rng.random(n) < 0.35, rng.uniform(1, 8, n), 0.0),
        hold_s=hold,
        first_hold_s=np.where((kind == DRAW) & (rng.random(n) < 0.1), rng.uniform(10, 30, n), 0.0),
        release_s=rng.uniform(6, 20, n),
        reaction_s=np.where(kind == FILL, rng.uniform(0.05, 0.15, n), rng.uniform(0.1, 1.0, n)),
        stop_s=np.where(fault == "cut", rest + closed * rng.uniform(0.3, 1.05, n), np.inf),
        feed_mol_s=np.where(is_pushed, feed, 0.0),
        gust_pa=np.abs(rng.normal(0, 4, n)),
        gust_s=rng.uniform(3, 40, n),
        lag_s=np.exp(rng.uniform(np.log(0.02), np.log(np.where(is_pushed, 0.1, 0.5)), n)),
        is_in_line=in_line & ~is_pushed,
        shown_offset_pa=recorder["offset_pa"],
        shown_low_pa=recorder["low_pa"],
        seed=int(rng.integers(2**31)),
    )
