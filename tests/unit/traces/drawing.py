"""Recordings drawn by hand, phase by phase, with no noise unless it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.physics.blow_down import pressure_after
from pipeline.physics.orifice import GAS_CONSTANT_AIR
from pipeline.physics.volume import CANISTER_AND_LINES_L
from pipeline.settings import Settings
from pipeline.traces.measure import measure_traces

AIR_PA, KELVIN = 101_325.0, 293.15
HEADER = {
    "trace_id": "t1",
    "job_id": "j1",
    "vehicle_id": "v1",
    "stage": "before_repair",
    "fuel_level_pct": 40.0,
    "ambient_c": 20.0,
    "barometric_kpa": 101.325,
    "fuel_tank_l": 60.0,
    "trouble_codes": ["P0442"],
    "checks": [],
}
#: Vapor volume of HEADER: 60 l, 60 % of it empty, with canister and lines.
VOLUME_L = 36.0 + CANISTER_AND_LINES_L


@dataclass
class Drawing:
    """A recording that grows by phases; pressures are gauge [Pa]."""

    rate_hz: float = 5.0
    t: list[float] = field(default_factory=list)
    pa: list[float] = field(default_factory=list)
    duty: list[float] = field(default_factory=list)
    vent: list[bool] = field(default_factory=list)

    def add(
        self, seconds: float, curve: Callable[[np.ndarray], np.ndarray], vent: bool, duty: float
    ) -> Drawing:
        start = self.t[-1] + 1 / self.rate_hz if self.t else 0.0
        since = np.arange(0, seconds - 1e-9, 1 / self.rate_hz)
        self.t += (start + since).tolist()
        self.pa += np.broadcast_to(curve(since), since.shape).tolist()
        self.duty += [duty] * len(since)
        self.vent += [vent] * len(since)
        return self

    def rest(self, seconds: float = 6.0, level: float = 0.0) -> Drawing:
        return self.add(seconds, lambda s: level + 0 * s, False, 0.0)

    def closed(self, seconds: float = 15.0, rate: float = 1.0, level: float = 0.0) -> Drawing:
        return self.add(seconds, lambda s: level + rate * s, True, 0.0)

    def draw(self, to: float, seconds: float = 30.0, duty: float = 100.0) -> Drawing:
        start = self.pa[-1] if self.pa else 0.0
        return self.add(
            seconds, lambda s: start + (to - start) * np.minimum(s / (seconds - 1), 1), True, duty
        )

    def hold(
        self, seconds: float, hole_mm: float = 0.0, vapor: float = 1.0, volume_l: float = VOLUME_L
    ) -> Drawing:
        start, k = self.pa[-1], leak_coefficient_of(hole_mm, volume_l)
        return self.add(seconds, lambda s: pressure_after(start, s + 1 / self.rate_hz, k, vapor), True, 0.0)

    def release(self, seconds: float = 8.0, time_constant: float = 0.5, level: float = 0.0) -> Drawing:
        start = self.pa[-1] - level
        return self.add(seconds, lambda s: level + start * np.exp(-s / time_constant), False, 0.0)

    def samples(
        self, noise: float = 0.0, step: float = 0.25, seed: int = 0, volts: np.ndarray | None = None
    ) -> pl.DataFrame:
        rng = np.random.default_rng(seed)
        pa = np.array(self.pa) + rng.normal(0, noise, len(self.pa)) if noise else np.array(self.pa)
        return pl.DataFrame(
            {
                "trace_id": ["t1"] * len(self.t),
                "t_s": self.t,
                "tank_pressure_pa": np.round(pa / step) * step,
                "sensor_v": [None] * len(self.t) if volts is None else volts,
                "purge_duty_pct": self.duty,
                "is_vent_closed": self.vent,
                "engine_rpm": [700.0] * len(self.t),
            },
            schema_overrides={"sensor_v": pl.Float64},
        )


def bench(t: np.ndarray, pa: np.ndarray, flow_std_l_min: np.ndarray | None = None) -> pl.DataFrame:
    """Return a recording of gas put in from outside: ten seconds vented, then shut, purge and engine off; with the
    flow of test gas where it was recorded."""
    samples = pl.DataFrame(
        {
            "trace_id": ["t1"] * len(t),
            "t_s": t,
            "tank_pressure_pa": np.round(pa, 1),
            "sensor_v": pl.Series([None] * len(t), dtype=pl.Float64),
            "purge_duty_pct": np.zeros(len(t)),
            "is_vent_closed": t >= 10,
            "engine_rpm": np.zeros(len(t)),
        }
    )
    return samples if flow_std_l_min is None else samples.with_columns(test_flow_std_l_min=flow_std_l_min)


def leak_coefficient_of(hole_mm: float, volume_l: float) -> float:
    """K [sqrt(Pa)/s] of a hole in air at 20 °C and 101325 Pa: Cd A sqrt(2 P R T) / V."""
    area = np.pi / 4 * (hole_mm * 1e-3) ** 2
    return 0.61 * area * np.sqrt(2 * AIR_PA * GAS_CONSTANT_AIR * KELVIN) / (volume_l * 1e-3)


def whole_test(
    hole_mm: float = 0.0, hold_s: float = 60.0, rate_hz: float = 5.0, vapor: float = 1.0
) -> Drawing:
    return Drawing(rate_hz).rest().closed(rate=vapor).draw(-2500).hold(hold_s, hole_mm, vapor).release()


def judged(samples: pl.DataFrame, settings: Settings | None = None, **header: object) -> dict:
    """Measure one recording; `header` replaces fields of HEADER."""
    headers = pl.DataFrame([HEADER | header], infer_schema_length=None)
    return measure_traces(samples, headers, settings or Settings()).row(0, named=True)
