"""The invented models and shops of the layered recordings, and how often which fault comes in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Model:
    """One model: tank [l], what it holds beyond [share], how its shell gives [l/kPa], sensor, purge and procedure."""

    make: str
    model: str
    tank_l: float
    dome: float
    give_l_kpa: float
    canister_l: float
    volts_at_rest: float
    volts_per_pa: float
    adc_v: float
    noise_pa: float
    purge_l_min: float
    opens_pct: float
    duty_pct: float
    ramp_s: float
    n_steps: int
    target_pa: float
    timeout_s: float
    closed_s: float
    hold_s: float
    climb_pct_s: float


# fmt: off
MODELS = tuple(
    Model(*row)
    for row in (
        ("Orrin", "Brook", 45, 0.10, 0.050, 1.4, 1.50, -5.3e-4, 5 / 1023, 4, 48, 9, 23, 3, 0, 1750, 40, 12, 75, 1.5),
        ("Orrin", "Heath", 55, 0.12, 0.060, 1.8, 1.50, -5.3e-4, 5 / 1023, 4, 52, 9, 24, 3, 0, 1750, 45, 12, 75, 1.5),
        ("Orrin", "Stave", 75, 0.09, 0.020, 2.4, 1.52, -5.3e-4, 5 / 4095, 5, 66, 10, 25, 3, 0, 2000, 50, 15, 90, 1.5),
        ("Quill", "Sedge", 42, 0.13, 0.045, 1.2, 2.60, 6.7e-4, 5 / 4095, 3, 40, 7, 20, 5, 5, 1500, 40, 8, 60, 0),
        ("Quill", "Ester", 60, 0.11, 0.060, 1.8, 2.60, 6.7e-4, 5 / 4095, 3, 50, 7, 21, 5, 5, 1500, 45, 8, 60, 0),
        ("Ferrow", "Crest", 62, 0.08, 0.015, 2.0, 1.45, -6.2e-4, 5 / 1023, 6, 58, 12, 27, 0, 0, 2500, 45, 10, 100, 2),
        ("Ferrow", "Lugger", 98, 0.07, 0.018, 3.0, 1.45, -6.2e-4, 5 / 1023, 6, 72, 12, 29, 0, 0, 2500, 60, 10, 100, 2),
        ("Ferrow", "Haul", 110, 0.07, 0.020, 3.2, 1.45, -6.2e-4, 5 / 1023, 7, 75, 12, 30, 0, 0, 2200, 70, 10, 110, 2),
        ("Tessel", "Wren", 50, 0.12, 0.055, 1.5, 3.10, 5.0e-4, 5 / 4095, 4, 44, 8, 23, 8, 4, 2800, 60, 18, 80, 0),
        ("Tessel", "Dray", 80, 0.10, 0.050, 2.2, 3.10, 5.0e-4, 5 / 4095, 5, 60, 8, 25, 8, 4, 2400, 60, 18, 80, 0),
        ("Ambry", "Pell", 66, 0.10, 0.040, 1.9, 2.00, -4.0e-4, 5 / 4095, 3, 55, 10, 24, 4, 0, 1250, 35, 0, 65, 1),
    )
)
# fmt: on


@dataclass(frozen=True)
class Shop:
    """One shop: height [m], mean temperature [C], polling [Hz], which columns its recorder keeps, its pressure rig."""

    name: str
    height_m: float
    mean_c: float
    rate_hz: float
    step_pa: float
    has_volts: bool
    has_level: bool
    has_baro: bool
    has_rpm: bool
    fills: float
    flows: float


SHOPS = (
    Shop("north", 60, 14, 4.0, 1.0, True, True, True, True, 0.06, 0.00),
    Shop("harbor", 5, 19, 2.0, 2.5, True, True, True, True, 0.20, 0.10),
    Shop("mesa", 1500, 26, 5.0, 1.0, True, True, True, True, 0.05, 0.05),
    Shop("mill", 240, 17, 1.0, 0.25, False, True, True, True, 0.10, 0.00),
    Shop("garden", 120, 21, 10.0, 2.0, True, True, False, True, 0.00, 0.15),
    Shop("depot", 30, 24, 8.0, 10.0, False, True, True, False, 0.25, 0.10),
    Shop("bridge", 400, 11, 3.0, 1.0, True, True, True, True, 0.05, 0.00),
    Shop("lane", 180, 22, 2.5, 0.25, False, False, False, True, 0.05, 0.00),
)

CAUSES = {
    "hole": 0.46,
    "tight": 0.20,
    "vent_open": 0.08,
    "purge_blocked": 0.06,
    "purge_passing": 0.06,
    "vent_clogged": 0.05,
    "sensor_stuck": 0.03,
    "sensor_shifted": 0.03,
    "sensor_two_stories": 0.03,
}
CODES = {
    "hole": ["P0442", "P0456", "P0455"],
    "vent_open": ["P0455", "P0449", "P0446"],
    "purge_blocked": ["P0441", "P0443"],
    "purge_passing": ["P0496", "P0441"],
    "vent_clogged": ["P0446"],
    "sensor_stuck": ["P0451", "P0450"],
    "sensor_shifted": ["P0451", "P0452", "P0453"],
    "sensor_two_stories": ["P0451"],
}
