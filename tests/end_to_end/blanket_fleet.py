"""Who owns what in the blanket lake: invented models, their vehicles, and shops with their loggers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Model:
    make: str
    name: str
    nominal_l: float  # as the catalogue says
    true_share: float  # gas and fuel below the full mark against nominal
    dome_l: float  # kept free above the full mark
    lines_l: float  # neck and lines
    is_plastic: bool
    give_l_kpa: float
    carbon_l: float  # gas of the bed and its housing
    carbon_takes_l: float  # as much gas as the carbon takes at once, and late
    carbon_late_l: float
    line_pa_lmin: float  # drop of tank to carbon, bed to air, at 20 l/min
    bed_pa_lmin: float
    purge_l_min: float
    is_ejector: bool
    duty: float
    ramp_s: float
    gauge_bow: float  # by how much the gauge is off at half full, share of the tank
    rest_v: float
    v_per_kpa: float
    noise_pa: float
    sensor_lag_s: float
    sensor_end_pa: float


@dataclass(frozen=True)
class Vehicle:
    model: Model
    name: str
    tank_share: float
    gauge_share: float
    give_share: float
    purge_share: float
    carbon_share: float
    zero_pa: float
    gain: float
    volts_shift: float


@dataclass(frozen=True)
class Shop:
    name: str
    rate_hz: float
    uneven: float
    dropped: float
    step_pa: float
    volt_step: float
    has_volts: bool
    has_level: bool
    has_barometer: bool
    has_rpm: bool
    time_step_s: float
    duty_late_s: float
    air_pa: float
    target_pa: float
    hold_s: float
    rest_s: float
    closed_s: float
    timeout_s: float
    own_duty: float  # 0: the vehicle's own routine sets the duty
    warmth_c: float


_NAMES = ("Tarnel", "Pellow", "Quist", "Ondray", "Merrin", "Kestoval", "Brack", "Sundel", "Velmar", "Ruddock")
_TANKS_L = (42.0, 47.0, 50.0, 55.0, 60.0, 64.0, 70.0, 80.0, 92.0, 108.0)


def models(rng: np.random.Generator) -> list[Model]:
    """Return ten models; larger tanks have larger canisters and purge valves. Magnitudes from memory of parts."""
    return [_model(n, rng) for n in range(len(_NAMES))]


def _model(n: int, rng: np.random.Generator) -> Model:
    tank_l = _TANKS_L[n]
    size = tank_l / 60.0
    is_plastic = bool(rng.random() < 0.65)
    is_ejector = n in (3, 7)
    span = float(rng.choice([3735.0, 3735.0, 5000.0]))
    v_per_kpa = float(rng.choice([0.5, 0.55, 0.65]))
    model = Model(
        make=("Corvane", "Ostrel", "Mirandel")[n % 3],
        name=_NAMES[n],
        nominal_l=tank_l,
        true_share=float(rng.normal(1.01, 0.012)),
        dome_l=float(rng.uniform(0.05, 0.12)) * tank_l,
        lines_l=float(rng.uniform(0.8, 2.2)),
        is_plastic=is_plastic,
        give_l_kpa=size * float(rng.uniform(0.02, 0.07) if is_plastic else rng.uniform(0.003, 0.012)),
        carbon_l=size * float(rng.uniform(0.8, 1.8)),
        carbon_takes_l=size * float(rng.uniform(0.8, 3.0)),
        carbon_late_l=size * float(rng.uniform(0.2, 1.0)),
        line_pa_lmin=float(rng.uniform(25.0, 90.0)),
        bed_pa_lmin=float(rng.uniform(120.0, 350.0)),
        purge_l_min=float(rng.uniform(11.0, 22.0)) * size**0.6,
        is_ejector=is_ejector,
        duty=float(rng.choice([0.5, 0.7, 0.85, 1.0])),
        ramp_s=float(rng.choice([0.0, 0.0, 3.0, 8.0])),
        gauge_bow=float(rng.uniform(-0.04, 0.04)),
        rest_v=float(rng.choice([2.5, 2.6, 1.9])),
        v_per_kpa=v_per_kpa,
        noise_pa=float(rng.uniform(1.5, 7.0)),
        sensor_lag_s=float(rng.uniform(0.05, 0.35)),
        sensor_end_pa=span,
    )
    # A sensor's line stays above ground to the end of its range. (At first contact it did not: volts of a deep vacuum
    # lay at 0 while the pressure went on.)
    return replace(model, v_per_kpa=min(v_per_kpa, 1000.0 * (model.rest_v - 0.2) / span))


def vehicles(fleet: list[Model], each: int, rng: np.random.Generator) -> list[Vehicle]:
    """Return `each` vehicles of every model with the spread of their making."""
    return [
        Vehicle(
            model=model,
            name=f"{model.name.upper()}-{k:02d}",
            tank_share=float(rng.normal(1.0, 0.008)),
            gauge_share=float(rng.normal(0.0, 0.012)),
            give_share=float(np.exp(rng.normal(0.0, 0.12))),
            purge_share=float(np.exp(rng.normal(0.0, 0.04))),
            carbon_share=float(np.exp(rng.normal(0.0, 0.15))),
            zero_pa=float(rng.normal(0.0, 18.0)),
            gain=float(rng.normal(1.0, 0.005)),
            volts_shift=float(rng.normal(0.0, 0.012)),
        )
        for model in fleet
        for k in range(each)
    ]


def shops(rng: np.random.Generator) -> list[Shop]:
    """Return eight shops; rates 1 to 10 Hz, one without fuel level, two without volts, two high up."""
    rates = (1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 1.4, 8.0)
    steps = (0.25, 5.0, 12.44, 2.0, 0.25, 1.0, 24.9, 10.0)
    air = (101_100.0, 100_500.0, 98_900.0, 101_800.0, 84_500.0, 99_600.0, 93_200.0, 101_300.0)
    return [
        Shop(
            name=f"shop{n}",
            rate_hz=rates[n],
            uneven=float(rng.uniform(0.02, 0.35)),
            dropped=float(rng.choice([0.0, 0.005, 0.02, 0.05])),
            step_pa=steps[n],
            volt_step=float(rng.choice([0.005, 0.01, 0.0196])),
            has_volts=n not in (2, 6),
            has_level=n != 3,
            has_barometer=n != 5,
            has_rpm=n % 2 == 0,
            time_step_s=(0.1, 0.01, 0.001, 0.01, 0.001, 0.001, 0.05, 0.01)[n],
            duty_late_s=float(rng.uniform(0.0, 0.3)),
            air_pa=air[n],
            target_pa=float(rng.uniform(1700.0, 3000.0)),
            hold_s=float(rng.uniform(60.0, 120.0)),
            rest_s=float(rng.uniform(5.0, 15.0)),
            closed_s=float(rng.choice([2.0, 6.0, 12.0, 20.0])),
            timeout_s=float(rng.uniform(25.0, 60.0)),
            own_duty=float(rng.choice([0.0, 0.0, 0.6, 1.0])),
            warmth_c=float(rng.uniform(8.0, 27.0)),
        )
        for n in range(8)
    ]
