"""What is true of each recording, and whether a fair judge must see it: from the course without noise and its twin.

The author's own rules, made without the estimator. A twin is the same plan without the hole, or with a sound valve,
under the same random numbers; of the recorder only noise, steps and the number of samples count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from tests.end_to_end.plastic_course import simulate
from tests.end_to_end.plastic_fleet import Vehicle
from tests.end_to_end.plastic_gas import (
    BELOW_LIQUID,
    CLOSED,
    DRAW,
    DRAW_DOWN,
    GAS_J_MOL_K,
    HOLD,
    KG_MOL,
    RELEASE,
    REST,
    ROW_S,
    leak_kg_s,
    orifice,
)
from tests.end_to_end.plastic_plans import Facts, purge_m, thin_air
from tests.end_to_end.plastic_recorder import HIGH_V, LOW_V, Written

Array = np.ndarray
NEVER = 1e9
FAULTS_WITHOUT_HOLE = (
    "no_vacuum",
    "purge_passes_closed",
    "vent_restricted",
    "sensor_flat",
    "sensor_offset",
    "sensor_disagrees",
)


@dataclass
class Case:
    """One recording and all that its judge may look at."""

    kind: str
    plan: Any
    facts: Facts
    vehicle: Vehicle
    rows: Array
    written: Written
    seed: int
    calm_ticks: int

    def __post_init__(self) -> None:
        plan, written = self.plan, self.written
        self.noise_pa = written.noise_pa * 0.5 + written.step_pa * 0.6 + plan["slosh_pa"] * 0.3
        self.hold, self.draw = last_phase(self.rows, HOLD), last_phase(self.rows, DRAW)
        self.hold_s = len(self.hold) * ROW_S
        lowest, highest = float(self.rows[:, 4].min()), float(self.rows[:, 4].max())
        self.peak_pa = -lowest if plan["mode"] == DRAW_DOWN else highest
        self.n_hold = int(np.count_nonzero(written.phase == HOLD))
        self.n_draw = int(np.count_nonzero(written.phase == DRAW))
        self.effective_m3 = (
            plan["volume_m3"]
            + plan["canister_m3"] * (1 + 0.5 * plan["adsorbed"])
            + plan["wall_m3_pa"] * plan["ambient_pa"]
        )
        self.air_kg_m3 = plan["ambient_pa"] * KG_MOL[0] / GAS_J_MOL_K / plan["ambient_k"]
        self.diameter_m, self.low_m, self.high_m = self._diameters()
        self.verdict, self.is_clear, self.is_sized = self.facts.verdict, False, False

    def twin(self, **sound: float) -> Array:
        """Return the course of the same plan with some numbers changed."""
        plan = self.plan.copy()
        for name, value in sound.items():
            plan[name] = value
        return simulate(plan, self.seed, self.calm_ticks)[0]

    def decay_s(self) -> float:
        """Return after which time nine tenths of the hold's vacuum are gone [s]."""
        if len(self.hold) == 0:
            return NEVER
        gone = np.flatnonzero(self.hold[:, 4] > 0.1 * self.hold[0, 4])
        return float(gone[0] * ROW_S) if len(gone) else NEVER

    def _diameters(self) -> tuple[float, float, float]:
        """Return the sharp hole of the same flow at 2 kPa [m], and the least and greatest over the hold's vacuum."""
        plan, place = self.plan, self.facts.place
        if place == "vent_stuck_open":
            wide = float(plan["vent_m"] * np.sqrt(plan["vent_stuck_open"]) * np.sqrt(0.65 / 0.61))
            return wide, wide, wide
        if place == "none":
            return 0.0, 0.0, 0.0
        peak = max(min(self.peak_pa, 4000.0), 60.0)
        at_2_kpa = self._same_flow(2000.0)
        every = [self._same_flow(pa) for pa in np.linspace(0.2 * peak, peak, 9)] + [at_2_kpa]
        return at_2_kpa, min(every) * 0.99, max(every) * 1.01

    def _same_flow(self, drop_pa: float) -> float:
        plan, density, ambient = self.plan, self.air_kg_m3, self.plan["ambient_pa"]
        drop_pa += plan["leak_b"] if plan["leak_kind"] == BELOW_LIQUID else 0
        numbers = plan["leak_a"], plan["leak_b"], plan["leak_c"]
        flow = leak_kg_s(plan["leak_kind"], drop_pa, *numbers, density, ambient, 1.0)
        if flow <= 0:
            return 0.0
        return float(brentq(lambda wide: orifice(drop_pa, wide, density, ambient) - flow, 1e-6, 0.08))


def last_phase(rows: Array, phase: int) -> Array:
    """Return the rows of the last stretch of a phase; none where it never was."""
    at = np.flatnonzero(rows[:, 3] == phase)
    if len(at) == 0:
        return rows[:0]
    breaks = np.flatnonzero(np.diff(at) > 1)
    return rows[at[breaks[-1] + 1] if len(breaks) else at[0] : at[-1] + 1]


def slope_pa_s(rows: Array, from_s: float, to_s: float) -> float:
    """Return the mean rise of the tank's pressure [Pa/s]; NaN where less than 3 s are left for it."""
    if len(rows) * ROW_S < from_s + 3:
        return np.nan
    i, j = int(from_s / ROW_S), min(len(rows), int(to_s / ROW_S))
    return float((rows[j - 1, 4] - rows[i, 4]) / ((j - i) * ROW_S))


def truth_row(trace_id: str, case: Case) -> dict[str, Any]:
    """Return what is true of a recording.

    `is_ambiguous`: a fair judge could say otherwise. `is_sized`: its diameter can be asked for. `also_fair`: a
    verdict that is right as well. `diameter_mm` of a tight system is the tiny hole that it still has.
    """
    if case.kind in CLEAR:
        CLEAR[case.kind](case)
    _spoiled(case)
    has_hole = case.verdict != "holds" and case.kind not in FAULTS_WITHOUT_HOLE
    plan, facts = case.plan, case.facts
    diameter = case.diameter_m if has_hole else 0.0
    if case.verdict == "holds":
        diameter = case.vehicle.micro_m
    return {
        "trace_id": trace_id,
        "family": "plastic",
        "verdict": case.verdict,
        "also_fair": "not_judged" if case.kind == "fill" else None,
        "kind": case.kind,
        "why": facts.why,
        "is_ambiguous": not case.is_clear,
        "is_sized": bool(case.is_sized),
        "diameter_mm": diameter * 1e3 if diameter else None,
        "diameter_low_mm": case.low_m * 1e3 if has_hole and diameter else None,
        "diameter_high_mm": case.high_m * 1e3 if has_hole and diameter else None,
        "shape": facts.shape,
        "place": facts.place,
        "shop": case.vehicle.shop.name,
        "volume_l": float(plan["volume_m3"] * 1e3),
        "effective_volume_l": float(case.effective_m3 * 1e3),
        "peak_pa": case.peak_pa,
        "hold_s": case.hold_s,
        "offset_pa": float(plan["offset_pa"]),
    }


def _spoiled(case: Case) -> None:
    """Take back what an early vent, a clipped sensor, a leap of the clock or a shut line leaves open."""
    kind, plan, facts = case.kind, case.plan, case.facts
    if facts.is_early and plan["early_s"] < 30 and kind == "holds":
        case.is_clear = False
    if facts.is_early and plan["early_s"] < 12:
        case.is_clear = case.is_clear and kind in ("sensor_flat", "sensor_offset", "not_judged")
        case.is_sized = False
    if case.written.clipped > 0.25 and kind in ("holds", "leak", "vent_restricted", "sensor_disagrees"):
        case.is_clear = case.is_sized = False
    if case.written.has_clock_jump:
        case.is_sized = False
    if facts.is_rolled and plan["is_sensor_behind"] == 1:
        case.is_clear = case.is_sized = False


def _leak(case: Case) -> None:
    draw, hold = case.draw, case.hold
    if len(hold) == 0:
        return
    peak, decay = -hold[0, 4], case.decay_s()
    twin = last_phase(case.twin(leak_kind=0), HOLD)
    if peak < 300 or decay < 1.0:
        case.verdict = "gross_leak"
        is_seen = case.n_draw >= 8 and -np.mean(draw[len(draw) // 2 :, 4]) > 2.5 * case.noise_pa
        case.is_clear = bool((peak < 200 or decay < 0.5) and is_seen and peak < 500)
        return
    n_samples, is_large, vapor = decay * case.written.rate_hz, decay < 25, slope_pa_s(twin, 3, 25)
    excess = peak * 0.9
    if not is_large:
        without = twin[min(len(hold), len(twin)) - 1, 4] - twin[0, 4] if len(twin) else 0
        excess = (hold[-1, 4] - hold[0, 4]) - without
    is_beyond_vapor = is_large or slope_pa_s(hold, 3, 25) > 2.5 * max(vapor, 0.3)
    is_told = peak > 500 and n_samples >= 5 and decay > 2.5 and excess > max(8 * case.noise_pa, 60)
    is_wet = case.facts.place == "below_liquid"
    is_clear = is_told and is_beyond_vapor and case.diameter_m > 0.28e-3 and case.hold_s >= 12
    case.is_clear = bool(is_clear and not is_wet and not (is_large and case.n_hold < 5))
    is_slow = decay > 4 and n_samples >= 8 and peak > 700 and case.hold_s >= 20
    case.is_sized = case.is_clear and is_slow and case.vehicle.model.is_tank_known


def _gross(case: Case) -> None:
    draw = case.draw
    dip = -np.mean(draw[len(draw) // 3 :, 4]) if len(draw) else 0
    if case.peak_pa > 400 and case.decay_s() > 1.0:
        case.verdict = "leak"
    is_seen = dip > max(2.5 * case.noise_pa, 8) and case.n_draw >= 8
    case.is_clear = bool(is_seen and case.peak_pa < 300 and case.n_hold >= 5)


def _no_vacuum(case: Case) -> None:
    """Clear where the shut tank creeps, or where an open one would have dipped."""
    plan, rows = case.plan, case.rows
    manifold = 36e3 * thin_air(plan["ambient_pa"])
    dipped = last_phase(
        case.twin(purge_m=purge_m(case.vehicle.model), manifold_pa=manifold, vent_stuck_open=1.0), DRAW
    )
    dip = -np.mean(dipped[len(dipped) // 3 :, 4]) if len(dipped) else 0
    shut = rows[np.flatnonzero((rows[:, 3] >= CLOSED) & (rows[:, 3] <= HOLD))[-1], 4]
    creep = float(shut - rows[np.flatnonzero(rows[:, 3] >= CLOSED)[0], 4])
    creeps = creep > max(40, 4 * case.noise_pa)
    would_dip = dip > max(4 * case.noise_pa, 15) and creep > -10
    is_seen = case.peak_pa < 60 and case.n_draw >= 8 and case.n_hold >= 8
    case.is_clear = bool(is_seen and (creeps or would_dip))
    if case.facts.why == "purge_clogged" and case.peak_pa > 15:
        case.is_clear = False


def _passes(case: Case) -> None:
    plan, model, hold = case.plan, case.vehicle.model, case.hold
    i, j = int(2 / ROW_S), min(len(hold), int(40 / ROW_S))
    if len(hold) <= i:
        return
    end_v = HIGH_V if model.v_pa < 0 else LOW_V
    lowest = max(-(model.clip_pa or NEVER), -abs((end_v - model.rest_v) / model.v_pa))
    reading = plan["sensor_gain"] * hold[:, 4] + plan["offset_pa"]
    room = np.count_nonzero(reading > lowest + 20) * ROW_S * case.written.rate_hz
    seen = reading[i] - max(lowest, reading[:j].min())
    fall = hold[i, 4] - hold[:j, 4].min()
    case.is_clear = bool(min(fall, seen) > max(150, 8 * case.noise_pa) and room >= 6 and case.n_hold >= 8)


def _restricted(case: Case) -> None:
    """Clear where much more vacuum is left 3 s after the vent opened than a sound one would leave."""
    release = last_phase(case.rows, RELEASE)
    if len(release) * ROW_S < 8:
        return
    after = int(3 / ROW_S)
    before_pa, after_pa = release[0, 4], release[after, 4]
    sound = last_phase(
        case.twin(is_vent_stuck=0, vent_m=case.vehicle.model.vent_mm * 1e-3, seep_m=0), RELEASE
    )
    if len(sound) <= after:
        return
    sound_share = sound[after, 4] / min(sound[0, 4], -1.0)
    case.is_clear = bool(
        after_pa / before_pa - sound_share > 0.3
        and before_pa < -400
        and after_pa < 0.35 * before_pa
        and case.peak_pa > 500
        and case.plan["seep_m"] < 0.3e-3
    )


def _flat(case: Case) -> None:
    would_move = case.facts.why != "frozen_near_zero" or case.written.noise_pa >= 1.2 * case.written.step_pa
    case.is_clear = would_move and case.n_draw >= 5 and case.n_hold >= 5


def _offset(case: Case) -> None:
    phase = case.written.phase
    n_vented = np.count_nonzero(phase == REST) + max(np.count_nonzero(phase == RELEASE) - 2, 0)
    case.is_clear = bool(abs(case.plan["offset_pa"]) >= 350 and n_vented >= 6 and case.peak_pa > 500)


def _disagrees(case: Case) -> None:
    span_v = case.peak_pa * abs(case.vehicle.model.v_pa)
    shift_v = 9.0 if case.written.shift_v is None else abs(case.written.shift_v)
    case.is_clear = bool(case.peak_pa > 800 and case.n_hold >= 5 and shift_v >= 0.4 and span_v > 0.4)


def _none(case: Case) -> None:
    case.is_clear = not (case.facts.why == "cut_before_hold" and case.n_hold > 0)


def _fill(case: Case) -> None:
    """Clear where two minutes leave less than 1,950 Pa or it still falls, or more than 2,400 Pa and it stands."""
    model, hold = case.vehicle.model, case.hold
    if len(hold) == 0:
        return
    highest = (HIGH_V - model.rest_v) / model.v_pa if model.v_pa > 0 else (model.rest_v - LOW_V) / -model.v_pa
    is_clipped = (model.clip_pa or NEVER) < 3800 or highest < 3800
    fall, last, end = hold[0, 4] - hold[-1, 4], abs(slope_pa_s(hold, 60, 119)), hold[-1, 4]
    if case.verdict == "leak":
        is_told = (end < 1950 or (last > 6 and fall > 900)) and case.diameter_m > 0.3e-3
    else:
        is_told = end > 2400 and last < 2.0
    case.is_clear = bool(is_told and not is_clipped)


def _holds(case: Case) -> None:
    """Clear where it rises less than a hole of 0.23 mm would make it, or as it did before the draw."""
    plan, rise = case.plan, slope_pa_s(case.hold, 10, NEVER)
    closed = last_phase(case.rows, CLOSED)
    creep = slope_pa_s(closed, 0.5, NEVER) if len(closed) * ROW_S > 4 else np.nan
    hole_m3_s = 0.58 * np.pi / 4 * 0.23e-3**2 * np.sqrt(2 * max(case.peak_pa, 1) / case.air_kg_m3)
    limit = plan["ambient_pa"] / case.effective_m3 * hole_m3_s
    is_tight = rise < limit or (creep > 0.5 * rise and rise < 2 * limit)
    case.is_clear = bool(case.hold_s >= 40 and case.n_hold >= 20 and case.peak_pa > 600 and is_tight)


CLEAR = {
    "leak": _leak,
    "gross_leak": _gross,
    "no_vacuum": _no_vacuum,
    "purge_passes_closed": _passes,
    "vent_restricted": _restricted,
    "sensor_flat": _flat,
    "sensor_offset": _offset,
    "sensor_disagrees": _disagrees,
    "not_judged": _none,
    "fill": _fill,
    "holds": _holds,
}
