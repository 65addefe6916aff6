"""A tank written by somebody else: gas in a rigid volume, integrated in small steps for many recordings at once.

Nothing here comes from `pipeline.physics` or `pipeline.simulate`. The state is gauge pressure and gas temperature;
flow through holes is isentropic with a discharge coefficient that may fall with the Reynolds number; the gas cools
as it expands and is warmed again by walls and fuel; fuel evaporates faster under vacuum. Plain gas dynamics, written
from memory of any textbook on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Plan = dict[str, np.ndarray]

STEP_S = 0.025
GAS_CONSTANT = 287.05
VISCOSITY = 1.83e-5


@dataclass(frozen=True)
class History:
    """What happened, row per step and column per recording; pressure is gauge [Pa]."""

    time_s: Array
    pressure_pa: NDArray[np.float32]
    duty_pct: NDArray[np.float32]
    is_vent_closed: NDArray[np.bool_]
    draw_end_s: Array
    end_s: Array


def _hole_conductance(gauge: Array, mm: Array, plan: Plan, ambient_pa: Array, kelvin: Array) -> Array:
    """Return volume flow per gauge pressure [m3/(s Pa)] of a round hole to the atmosphere."""
    size = np.abs(gauge) + 1e-3
    density = ambient_pa / (GAS_CONSTANT * kelvin)
    speed = np.sqrt(2.0 * size / density)
    reynolds = density * speed * mm * 1e-3 / VISCOSITY + 1e-9
    falling = np.where(
        plan["cd_form"] == 1, 1.0 - np.exp(-0.16 * np.sqrt(reynolds)), 1.0 / (1.0 + 25.0 / reynolds)
    )
    coefficient = plan["cd_high"] * np.where(plan["cd_form"] == 0, 1.0, falling)
    ratio = np.clip(1.0 - size / ambient_pa, 0.53, 1.0)
    expansion = 1.0 - 0.54 * (1.0 - ratio)
    return coefficient * np.pi / 4.0 * (mm * 1e-3) ** 2 * expansion * speed / size


class Commands:
    """The shop's routine: vent shut, purge open until deep enough or out of patience, hold, vent open."""

    def __init__(self, plan: Plan) -> None:
        n = len(plan["volume_l"])
        self.plan = plan
        self.draw_start = plan["purge_open_s"].copy()
        self.draw_end = np.full(n, np.inf)
        self.first_draw_end = np.full(n, np.inf)
        self.draws_left = plan["extra_draws"].copy()

    def at(self, now: float, reading: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Return commanded duty [%] and vent-closed of every recording at `now`."""
        plan = self.plan
        drawing = (now >= self.draw_start) & np.isinf(self.draw_end)
        ends = drawing & ((reading <= -plan["target_pa"]) | (now >= self.draw_start + plan["timeout_s"]))
        self.draw_end = np.where(ends, now, self.draw_end)
        self.first_draw_end = np.minimum(self.first_draw_end, self.draw_end)
        again = (self.draws_left > 0) & (now >= self.draw_end + plan["hold_s"] / 2)
        self.draw_start = np.where(again, now, self.draw_start)
        self.draw_end = np.where(again, np.inf, self.draw_end)
        self.draws_left = self.draws_left - again
        drawing = (now >= self.draw_start) & np.isinf(self.draw_end)
        step = np.clip((now - self.draw_start) / plan["duty_step_s"], 0, plan["duty_pct"].shape[1] - 1)
        duty = plan["duty_pct"][np.arange(len(step)), step.astype(int)] * drawing
        closed = (now >= plan["vent_close_s"]) & (now < self.draw_end + plan["hold_s"])
        return duty, closed


def integrate(plan: Plan, longest_s: float = 260.0) -> History:
    """Return the histories of all planned recordings.

    Semi-implicit in the flow through holes (stable for an open filler neck), explicit in the rest; second order by
    a half step, 25 ms.
    """
    n, steps = len(plan["volume_l"]), int(longest_s / STEP_S)
    gauge, warmth = plan["start_pa"].astype(float).copy(), np.zeros(n)
    commands = Commands(plan)
    pressure = np.zeros((steps, n), np.float32)
    duty_all = np.zeros((steps, n), np.float32)
    vent_all = np.zeros((steps, n), bool)
    lag = np.exp(-STEP_S / plan["valve_lag_s"])
    duty_felt, vent_felt = np.zeros(n), np.ones(n)
    for i in range(steps):
        duty, closed = commands.at(i * STEP_S, gauge)
        duty_felt = duty + (duty_felt - duty) * lag
        open_now = np.where(plan["vent_stuck_open"], 1.0, ~closed)
        vent_felt = open_now + (vent_felt - open_now) * lag
        pressure[i], duty_all[i], vent_all[i] = gauge, duty, closed
        gauge, warmth = _advance(plan, gauge, warmth, duty_felt, vent_felt)
        if i % 400 == 0 and (commands.draw_end + plan["hold_s"] + plan["release_s"] < i * STEP_S).all():
            break
    end = np.minimum(commands.draw_end + plan["hold_s"] + plan["release_s"], i * STEP_S)
    times = np.arange(i + 1, dtype=np.float64) * STEP_S
    return History(
        times, pressure[: i + 1], duty_all[: i + 1], vent_all[: i + 1], commands.first_draw_end, end
    )


def _advance(plan: Plan, gauge: Array, warmth: Array, duty: Array, vent: Array) -> tuple[Array, Array]:
    half, half_warmth = _step(plan, gauge, gauge, warmth, duty, vent, STEP_S / 2, implicit=True)
    return _step(plan, gauge, half, half_warmth, duty, vent, STEP_S, implicit=False, start_warmth=warmth)


def _step(
    plan: Plan,
    gauge: Array,
    at: Array,
    warmth: Array,
    duty: Array,
    vent: Array,
    dt: float,
    implicit: bool,
    start_warmth: Array | None = None,
) -> tuple[Array, Array]:
    """Return gauge pressure and gas temperature excess [K] after `dt`, with the rates taken at `at`."""
    ambient, kelvin = plan["ambient_pa"], plan["kelvin"]
    volume, gamma = plan["volume_l"] * 1e-3, plan["gamma"]
    absolute = ambient + at
    holes = _hole_conductance(at, plan["leak_mm"], plan, ambient, kelvin)
    holes = holes + _hole_conductance(at, plan["vent_mm"] * vent, plan, ambient, kelvin)
    pump = np.clip(1.0 + at / plan["pump_limit_pa"], 0.0, 1.5)
    drawn = plan["purge_l_s"] * 1e-3 * duty / 100.0 * pump * absolute / ambient
    drawn = drawn + plan["passing_l_s"] * 1e-3 * absolute / ambient
    vapor = plan["vapor_pa_s"] * np.clip(1.0 - at / plan["vapor_limit_pa"], 0.0, 4.0)
    source = -gamma * absolute / volume * drawn + vapor - absolute * warmth / (kelvin * plan["warming_s"])
    pull = gamma * ambient / volume * holes * dt
    share = np.where(pull > 1.0, 1.0, 1.0 if implicit else 0.5)
    after = (gauge * (1.0 - pull * (1.0 - share)) + dt * source) / (1.0 + pull * share)
    inflow = -holes * (gauge * (1.0 - share) + after * share) * ambient / absolute - drawn
    heat = (gamma - 1.0) * kelvin * inflow / volume - warmth / plan["warming_s"]
    begin = warmth if start_warmth is None else start_warmth
    return after, begin + dt * heat
