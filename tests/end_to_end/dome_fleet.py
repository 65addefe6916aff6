"""Ten invented models with their vehicles, and the shops that record them.

Magnitudes from memory of real vehicles. A tank of 60 l by its plate takes 60 l to the click of the nozzle and keeps
a dome of about a tenth above it for the fuel to warm into; the gauge reads empty with a reserve of 4 to 8 % left,
which takes from the gas. A filler pipe holds 0.3 to 0.8 l, lines 0.2 to 0.4 l. A canister has 1.2 to 3.2 l of
carbon, about 0.65 of it gas between and inside the pellets, and takes up about as much air again when clean (0.1 to
0.15 mmol/g/bar), half of that when loaded. Steel tanks, stamped and beaded, give 0.01 to 0.03 l a kPa, blown
polyethylene 0.03 to 0.10 l a kPa, a quarter of it by creep within half a minute.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Rng = np.random.Generator


@dataclass(frozen=True)
class Model:
    """What vehicles of a model share; litres, litres a kPa, Pa and volts."""

    make: str
    name: str
    tank_l: float
    dome: float
    reserve: float
    neck_l: float
    bed_l: float
    give_l_kpa: float
    is_steel: bool
    purge_l_min: float
    is_boosted: bool
    volts_at_rest: float
    pa_per_volt: float
    low_pa: float
    high_pa: float
    sensor_s: float
    gauge_bend: float


MODELS = (
    Model(
        "Corvane",
        "Pike",
        42,
        0.12,
        0.05,
        0.4,
        1.3,
        0.035,
        False,
        32,
        False,
        1.5,
        -1500,
        -4000,
        1900,
        0.25,
        0.02,
    ),
    Model(
        "Corvane",
        "Heron",
        60,
        0.10,
        0.06,
        0.5,
        2.0,
        0.075,
        False,
        45,
        False,
        1.5,
        -1500,
        -4000,
        1900,
        0.4,
        -0.03,
    ),
    Model(
        "Corvane",
        "Bittern",
        85,
        0.11,
        0.05,
        0.6,
        2.8,
        0.10,
        False,
        60,
        False,
        2.6,
        1900,
        -4000,
        4000,
        0.4,
        0.03,
    ),
    Model(
        "Halsey", "Moor", 50, 0.09, 0.08, 0.35, 1.6, 0.015, True, 30, False, 2.5, 2000, -4000, 4000, 0.15, 0.0
    ),
    Model(
        "Halsey",
        "Fell",
        70,
        0.10,
        0.06,
        0.6,
        2.2,
        0.022,
        True,
        40,
        False,
        2.5,
        2000,
        -4000,
        4000,
        0.15,
        -0.02,
    ),
    Model(
        "Halsey", "Scar", 98, 0.13, 0.05, 0.8, 3.0, 0.03, True, 70, False, 2.5, 2000, -4000, 4000, 0.3, 0.04
    ),
    Model(
        "Oriel", "Tansy", 45, 0.13, 0.06, 0.4, 1.2, 0.05, False, 28, True, 3.1, 1450, -3800, 1300, 0.5, 0.0
    ),
    Model(
        "Oriel", "Sorrel", 55, 0.11, 0.05, 0.5, 1.8, 0.06, False, 38, True, 3.1, 1450, -3800, 1300, 0.5, 0.03
    ),
    Model(
        "Oriel",
        "Yarrow",
        66,
        0.10,
        0.07,
        0.5,
        2.4,
        0.05,
        False,
        42,
        False,
        3.1,
        1450,
        -3800,
        1300,
        0.3,
        -0.03,
    ),
    Model(
        "Tolland",
        "Drover",
        110,
        0.12,
        0.04,
        0.8,
        3.2,
        0.09,
        False,
        65,
        False,
        1.6,
        -1600,
        -4200,
        2200,
        0.35,
        0.02,
    ),
)


@dataclass(frozen=True)
class Vehicle:
    """One vehicle: its own departures from its model."""

    vehicle_id: str
    model: Model
    room: float
    give: float
    purge: float
    offset_pa: float
    gain: float
    rest_v: float
    line_plain: float
    bed_plain: float
    vent_plain: float
    load: float


@dataclass(frozen=True)
class Shop:
    """How a shop's logger writes, and how its people test."""

    name: str
    rate_hz: float
    jitter: float
    drop: float
    noise_pa: float
    step_pa: float
    volt_step: float
    late_s: float
    clock_digits: int
    has_rpm: bool
    has_volts: bool
    altitude_m: float
    target_pa: float
    ramp: str
    fuel_step: float


SHOPS = (
    Shop("alder", 10, 0.02, 0.00, 2.0, 1.0, 0.005, 0.05, 2, True, True, 90, 2400, "step", 0.4),
    Shop("birch", 5, 0.10, 0.02, 3.0, 6.1, 0.0049, 0.15, 2, True, True, 350, 2000, "ramp", 0.4),
    Shop("cedar", 4, 0.25, 0.03, 4.0, 12.5, 0.0196, 0.2, 1, True, True, 1650, 2200, "stairs", 1.0),
    Shop("dogwood", 2, 0.08, 0.01, 5.0, 6.1, 0.01, 0.3, 1, True, False, 20, 2700, "step", 0.4),
    Shop("elm", 1, 0.05, 0.01, 3.0, 1.0, 0.01, 0.3, 1, True, True, 600, 2500, "ramp", 5.0),
    Shop("fir", 8, 0.05, 0.06, 8.0, 1.0, 0.002, 0.1, 3, False, True, 220, 1800, "ramp", 0.4),
    Shop("hazel", 3, 0.35, 0.04, 6.0, 24.4, 0.0196, 0.25, 1, True, True, 1200, 2500, "step", 0.4),
)


def vehicles_of(rng: Rng, each: int) -> list[Vehicle]:
    """Return `each` vehicles of every model."""
    fleet = []
    for model in MODELS:
        for n in range(each):
            fleet.append(
                Vehicle(
                    vehicle_id=f"{model.name.lower()}-{n:02d}",
                    model=model,
                    room=rng.normal(1.0, 0.008),
                    give=rng.normal(1.0, 0.10),
                    purge=rng.normal(1.0, 0.06),
                    offset_pa=float(np.clip(rng.normal(0.0, 18.0), -60.0, 60.0)),
                    gain=rng.normal(1.0, 0.006),
                    rest_v=rng.normal(0.0, 0.008),
                    line_plain=rng.uniform(4.2e3, 6.5e3),
                    bed_plain=rng.uniform(9e3, 16e3) * (2.0 / model.bed_l) ** 0.5,
                    vent_plain=rng.uniform(4.2e3, 7e3),
                    load=rng.uniform(0.35, 1.0),
                )
            )
    return fleet


def said_level_pct(rng: Rng, true_share: float, model: Model, step: float) -> float:
    """Return what the gauge says of a tank that holds `true_share` of its plate above the reserve [%]."""
    bent = true_share + model.gauge_bend * np.sin(np.pi * true_share) + rng.normal(0.0, 0.018)
    return float(np.clip(np.round(100.0 * bent / step) * step, 0.0, 100.0))
