"""Recordings of the harbor fleet as frames: 75 % draws, 10 % fills, 5 % flows, the rest no test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.harbor_fleet import MAKE, SHOPS, Kind, Shop, fleet
from tests.end_to_end.harbor_tank import (
    DRAW,
    HOLD,
    RELEASE,
    SHARP_ZETA,
    STD_MOL_PER_L,
    Car,
    Fault,
    Procedure,
    R,
    effective_mm,
    run,
)
from tests.end_to_end.harbor_truth import Event, is_ambiguous, may_be_left
from tests.end_to_end.recording_frames import CODES, HEADER, Recording, samples_of

SOUND = Fault(0, 1, 1, 0, 1, 1, 0, 0, 0, 1)
DRAWN = {
    "tight": 0.36, "leak": 0.36, "gross": 0.07, "purge_stuck": 0.05, "purge_passes": 0.04, "vent_blocked": 0.04,
    "flat": 0.03, "offset": 0.025, "disagrees": 0.025,
}  # fmt: skip
AFTER = {
    "tight": 0.80,
    "leak": 0.12,
    "gross": 0.02,
    "purge_stuck": 0.02,
    "purge_passes": 0.02,
    "vent_blocked": 0.02,
}
PRESSED = {"tight": 0.4, "leak": 0.6}
VERDICTS = {
    "tight": "holds", "leak": "leak", "gross": "gross_leak", "purge_stuck": "no_vacuum",
    "purge_passes": "purge_passes_closed", "vent_blocked": "vent_restricted", "flat": "sensor_flat",
    "offset": "sensor_offset", "disagrees": "sensor_disagrees", "routine": "not_judged",
}  # fmt: skip
KINDS = ("draw", "fill", "flow", "routine")


@dataclass(frozen=True)
class Case:
    """One recording to be made: what is wrong, what is done, and in which car."""

    cause: str
    kind: str
    stage: str
    fault: Fault
    shape: str
    place: str
    car: Car
    do: Procedure
    acts: str


def harbor_traces(n: int, key: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of `n` recordings; the same key gives the same lake."""
    rng = np.random.default_rng([20261126, key])
    kinds = fleet(rng)
    vehicles = [
        {
            "purge": rng.normal(1, 0.05), "tank": rng.normal(1, 0.012), "beside": rng.normal(1, 0.04),
            "give": rng.normal(1, 0.08), "gauge": rng.normal(0, 0.015), "offset_pa": rng.normal(0, 25),
        }
        for _ in range(10 * len(kinds))
    ]  # fmt: skip
    frames, headers, truths = [], [], []
    for number in range(n):
        which = int(rng.integers(len(vehicles)))
        made = _recording(f"harbor-{key}-{number:05d}", kinds[which // 10], which, vehicles[which], rng)
        frames.append(made[0])
        headers.append(made[1])
        truths.append(made[2])
    return (
        pl.concat(frames),
        pl.DataFrame(headers, schema=HEADER),
        pl.DataFrame(truths, schema_overrides={"also_fair": pl.String}),
    )


def _pick(shares: dict[str, float], rng: np.random.Generator) -> str:
    weights = np.array(list(shares.values()))
    return str(rng.choice(list(shares), p=weights / weights.sum()))


def _recording(
    trace_id: str, kind: Kind, which: int, own: dict[str, float], rng: np.random.Generator
) -> tuple[pl.DataFrame, dict[str, Any], dict[str, Any]]:
    shop = SHOPS[rng.integers(len(SHOPS))]
    level = rng.uniform(0.12, 0.92)
    ambient_k = 273.15 + float(np.clip(rng.normal(21, 5), 5, 36))
    atmosphere = 101325 * math.exp(-shop.altitude_m / 8400) + rng.normal(0, 600)
    car = _car(kind, own, level, ambient_k, atmosphere, rng)
    case = _case(kind, car, shop, rng)
    levels = rng.choice([0.0, 0.0, 0.1, 0.2, 0.3, 0.45], size=100)
    rows = run(case.car, case.fault, case.do, levels)
    event = _event(case, rows)
    samples = _logged(trace_id, rows, case, kind, shop, own, rng)
    gauge = level + own["gauge"] + rng.normal(0, 0.012)
    codes = [str(rng.choice(CODES))] if case.stage == "before_repair" and rng.random() < 0.7 else []
    header = {
        "trace_id": trace_id,
        "job_id": None if case.kind == "routine" else f"job-{trace_id}",
        "vehicle_id": f"harbor-{which:03d}",
        "stage": case.stage,
        "recorded_at": datetime(2025, 1, 1, 8, tzinfo=UTC) + timedelta(hours=float(rng.uniform(0, 9000))),
        "fuel_level_pct": float(np.clip(np.round(gauge * 255) / 2.55, 0, 100)),
        "ambient_c": float(np.round(ambient_k - 273.15 + rng.normal(0, 1.0))),
        "barometric_kpa": float(np.round(atmosphere / 1000 + rng.normal(0, 0.2))),
        "fuel_tank_l": kind.tank_l,
        "make": MAKE,
        "model": kind.name,
        "trouble_codes": codes,
        "checks": [],
    }
    beside = car.canister_m3 + car.adsorbed_m3 + car.give_m3_pa * atmosphere
    truth = {
        "trace_id": trace_id,
        "verdict": event.verdict,
        "also_fair": "not_judged"
        if may_be_left(event, float(np.abs(rows[:, 4]).max()), shop.step_pa)
        else None,
        "diameter_mm": event.diameter_mm,
        "is_ambiguous": is_ambiguous(event),
        "is_sized": event.verdict == "leak" and not is_ambiguous(event) and case.shape != "crack",
        "kind": case.kind,
        "cause": case.cause,
        "shape": case.shape,
        "place": case.place,
        "acts": case.acts,
        "shop": shop.name,
        "model_name": kind.name,
        "true_volume_l": 1000 * (car.ullage_m3 + beside),
        "extra_volume_l": 1000 * beside,
        "ullage_l": 1000 * car.ullage_m3,
        "told_ullage_l": kind.tank_l * (1 - header["fuel_level_pct"] / 100),
        "saturation_kpa": car.saturation_pa / 1000,
        "is_hot": car.gas_k > ambient_k + 5,
        "start_pa": event.start_pa,
        "end_pa": event.end_pa,
        "peak_pa": event.peak_pa,
        "hold_true_s": event.hold_s,
    }
    return samples, header, truth


def _car(
    kind: Kind,
    own: dict[str, float],
    level: float,
    ambient_k: float,
    atmosphere: float,
    rng: np.random.Generator,
) -> Car:
    tank = kind.tank_l * own["tank"] / 1000
    ullage = tank * (1 + kind.dome) - tank * (kind.reserve + (1 - kind.reserve) * level)
    is_hot, is_lively = rng.random() < 0.1, rng.random() < 0.08
    gas_k = ambient_k + (rng.uniform(7, 14) if is_hot else rng.normal(0.3, 1.2))
    at_20 = rng.uniform(36, 44) if is_lively else float(np.clip(rng.normal(27, 4), 18, 36))
    saturation = 1000 * at_20 * math.exp(3300 * (1 / 293.15 - 1 / gas_k))
    drift = rng.normal(-0.15, 0.1) if is_hot else rng.normal(0.01, 0.05)
    return Car(
        ullage_m3=ullage,
        footprint_m2=tank / kind.height_m,
        canister_m3=kind.gas_beside_m3 * own["beside"],
        adsorbed_m3=kind.adsorbed_m3 * own["beside"],
        adsorb_per_s=kind.adsorb_per_s,
        give_m3_pa=kind.give_m3_pa * own["give"],
        give_late=0.2,
        wall_w_m2k=kind.wall_w_m2k,
        vapor_m_s=float(np.clip(0.22e-3 * math.exp(rng.normal(0, 0.4)), 0.1e-3, 0.6e-3)),
        saturation_pa=min(saturation, 0.75 * atmosphere),
        saturation_share=1 - abs(rng.normal(0, 0.02 if is_hot else 0.006)),
        gas_k=gas_k,
        wall_k_s=drift / 60,
        film_mol_m2=rng.uniform(0.8, 2.5),
        bed_share=float(np.clip(0.2 * math.exp(rng.normal(0, 0.4)), 0.05, 0.5)),
        line_a=kind.line_a,
        line_b=5e8,
        vent_a=kind.vent_a,
        vent_b=5e8,
        purge_mol_s=kind.purge_std_l_min * own["purge"] * STD_MOL_PER_L / 60,
        manifold_pa=max(0.2 * atmosphere, atmosphere - rng.normal(61000, 2500)),
        ambient_k=ambient_k,
        atmosphere_pa=atmosphere,
    )


def _case(kind: Kind, car: Car, shop: Shop, rng: np.random.Generator) -> Case:
    test = str(rng.choice(KINDS, p=[0.75, 0.10, 0.05, 0.10]))
    stage = "before_repair" if rng.random() < 0.6 else "after_repair"
    do, acts = _procedure(test, kind, shop, rng)
    if test == "routine":
        return Case("routine", test, "routine", _seepage(SOUND, rng), "", "", car, do, "")
    shares = PRESSED if test != "draw" else (DRAWN if stage == "before_repair" else AFTER)
    cause = _pick(shares, rng)
    fault, shape, place = _fault(cause, car, rng)
    if cause not in ("tight", "leak"):
        do, acts = _whole(do, kind, rng), ""
    if cause == "flat":  # the tester waits for a vacuum that it never sees
        do = do._replace(target_pa=1e9, timeout_s=rng.uniform(8, 14))
    return Case(cause, test, stage, fault, shape, place, car, do, acts)


def _whole(do: Procedure, kind: Kind, rng: np.random.Generator) -> Procedure:
    """Undo the operator's slips: other faults are recorded in whole tests."""
    return do._replace(
        hold_s=rng.uniform(60, 120), cut_s=1e9, draws=1, duty=kind.duty, release_s=rng.uniform(10, 20)
    )


def _procedure(test: str, kind: Kind, shop: Shop, rng: np.random.Generator) -> tuple[Procedure, str]:
    do = Procedure(
        kind=KINDS.index(test), rest_s=rng.uniform(4, 15), closed_s=float(rng.choice([0, 5, 10, 20])),
        target_pa=kind.target_pa, timeout_s=rng.uniform(30, 50), duty=kind.duty, ramp_s=kind.ramp_s,
        hold_s=rng.uniform(60, 120), release_s=rng.uniform(4, 20), draws=1, short_hold_s=0.0,
        vent_lag_s=rng.uniform(0.05, 0.2), purge_lag_s=rng.uniform(0.03, 0.15), sensor_lag_s=kind.lag_s,
        feed_mol_s=0.0, cut_s=1e9, filter_seed=0,
    )  # fmt: skip
    if test == "routine":
        return do._replace(hold_s=rng.uniform(40, 200)), ""
    if test == "fill":
        feed = rng.uniform(3, 10) * STD_MOL_PER_L / 60
        return do._replace(target_pa=rng.normal(3487, 60), feed_mol_s=feed, timeout_s=90.0, closed_s=2.0), ""
    if test == "flow":
        feed = rng.uniform(20, 30) * STD_MOL_PER_L / 60
        return do._replace(
            target_pa=rng.uniform(2450, 3300), feed_mol_s=feed, timeout_s=rng.uniform(90, 200), closed_s=2.0
        ), ""
    draw = rng.random()
    if draw < 0.05:
        return do._replace(hold_s=rng.uniform(10, 50)), "vent_early"
    if draw < 0.10:
        return do._replace(
            duty=0.06 + 0.94 * rng.uniform(0.015, 0.05), timeout_s=rng.uniform(15, 35)
        ), "timeout"
    if draw < 0.18:
        return do._replace(draws=int(rng.integers(2, 4)), short_hold_s=rng.uniform(5, 15)), "several"
    if draw < 0.22:
        return do._replace(cut_s=do.rest_s + do.closed_s + rng.uniform(15, 80)), "cut"
    return do, ""


def _hole(mm: float, shape: str, rng: np.random.Generator) -> tuple[float, float, float]:
    """Area, loss and creep of a hole: sharp, as thick as 1 to 4 diameters, or a crack."""
    d = mm / 1000
    if shape == "sharp":
        return math.pi / 4 * d * d, 1 / rng.normal(0.61, 0.006) ** 2, 6 * math.pi / d
    if shape == "thick":
        return math.pi / 4 * d * d, 1.5, (6 * math.pi + 32 * rng.uniform(1, 4)) / d
    gap, deep = rng.uniform(30e-6, 90e-6), rng.uniform(1e-3, 3e-3)
    area = math.pi / 4 * d * d * 1.4
    return area, 1.5, 12 * deep / gap**2


def _seepage(fault: Fault, rng: np.random.Generator) -> Fault:
    d = rng.uniform(0.02, 0.08) / 1000
    return fault._replace(tank_area=math.pi / 4 * d * d, tank_zeta=SHARP_ZETA, tank_b=6 * math.pi / d)


def _fault(cause: str, car: Car, rng: np.random.Generator) -> tuple[Fault, str, str]:
    sound = _seepage(SOUND, rng)
    if cause == "leak":
        shape = str(rng.choice(["sharp", "thick", "crack"], p=[0.55, 0.37, 0.08]))
        area, zeta, b = _hole(0.2 * 15 ** rng.random(), shape, rng)
        if rng.random() < 0.6:
            return SOUND._replace(tank_area=area, tank_zeta=zeta, tank_b=b), shape, "tank"
        return SOUND._replace(can_area=area, can_zeta=zeta, can_b=b), shape, "canister"
    if cause == "gross":
        if rng.random() < 0.45:
            return sound._replace(vent_leaks=rng.uniform(0.6, 1.0)), "", "vent"
        d = rng.uniform(7, 22) / 1000
        b = 6.0 / 1.82e-5
        return SOUND._replace(tank_area=math.pi / 4 * d * d, tank_zeta=SHARP_ZETA, tank_b=b), "gross", "tank"
    if cause == "purge_stuck":
        return sound._replace(purge_stuck=1.0), "", "purge"
    if cause == "purge_passes":
        flow = rng.uniform(9, 45) * (car.ullage_m3 + car.canister_m3 + 0.004) / (R * 293)
        return sound._replace(purge_seat=min(0.5, flow / car.purge_mol_s)), "", "purge"
    if cause == "vent_blocked":
        return sound._replace(vent_blocked=rng.uniform(0.0, 0.003)), "", "vent"
    return sound, "", ""


def _event(case: Case, rows: np.ndarray) -> Event:
    """Read from the true pressures what happened."""
    phase, gauge = rows[:, 5], rows[:, 4]
    sign = -1.0 if case.kind == "draw" else 1.0
    away = sign * gauge
    span = np.flatnonzero(phase == (DRAW if case.kind == "flow" else HOLD))
    if case.kind == "routine":
        return Event("not_judged", 0, 0, 0, 0, 0, 0, 0, 0)
    if len(span):
        breaks = np.flatnonzero(np.diff(span) > 1)
        span = span[breaks[-1] + 1 :] if len(breaks) else span
    start = float(away[span[-1] if case.kind == "flow" else span[0]]) if len(span) else 0.0
    end = float(away[span[-1]]) if len(span) else 0.0
    fault, car = case.fault, case.car
    holes = ((fault.tank_area, fault.tank_zeta, fault.tank_b), (fault.can_area, fault.can_zeta, fault.can_b))
    half = 0.5 * max(start, 100.0) if case.kind != "flow" else max(start, 100.0)
    mm = max(effective_mm(*hole, half, car.atmosphere_pa) for hole in holes)
    volume = car.ullage_m3 + car.canister_m3 + car.adsorbed_m3 + car.give_m3_pa * car.atmosphere_pa
    return Event(
        verdict=VERDICTS[case.cause],
        diameter_mm=mm,
        peak_pa=float(away.max()),
        start_pa=start,
        end_pa=end,
        hold_s=0.02 * len(span),
        release_s=0.02 * int((phase == RELEASE).sum()),
        left_pa=float(away[-1]),
        passing_pa_s=car.purge_mol_s * fault.purge_seat * R * car.gas_k / volume,
    )


def _logged(
    trace_id: str,
    rows: np.ndarray,
    case: Case,
    kind: Kind,
    shop: Shop,
    own: dict[str, float],
    rng: np.random.Generator,
) -> pl.DataFrame:
    """What the shop's logger writes of it: the sensor's volts, the pressure told from them, commands, feed."""
    length = 0.02 * len(rows)
    times = np.cumsum(np.maximum(rng.normal(1, shop.uneven, int(length * shop.hz * 1.3) + 5), 0.2)) / shop.hz
    times = times[(times < length - 0.05) & (rng.random(len(times)) >= shop.dropped)]
    at = np.minimum((times / 0.02).astype(int), len(rows) - 1)
    pressure = np.interp(times, 0.02 * np.arange(len(rows)), rows[:, 0])
    offset = own["offset_pa"]
    if case.cause == "offset":
        offset += rng.choice([-1, 1]) * rng.uniform(400, 1100)
    pressure = pressure + offset + rng.normal(0, 0.03) * times + rng.normal(0, shop.noise_pa, len(times))
    if case.cause == "flat":
        level = 6000.0 if rng.random() < 0.6 else -rng.uniform(400, 1200)
        pressure = np.full(len(times), level) + rng.normal(0, 0.3, len(times))
    volts = np.clip(kind.rest_v + pressure / kind.pa_per_v, 0.1, 4.9)
    volts = np.round(volts / kind.adc_v) * kind.adc_v
    told = (volts - kind.rest_v) * kind.pa_per_v
    if case.cause == "disagrees":
        volts = _other_volts(volts, kind, rng)
    has_volts = shop.has_volts or case.cause == "disagrees"
    is_run = case.kind in ("draw", "routine")
    rpm = rng.normal(720, 12, len(times)) if is_run else np.zeros(len(times))
    recording = Recording(
        t_s=np.round(times / shop.clock_s) * shop.clock_s,
        tank_pressure_pa=np.round(told / shop.step_pa) * shop.step_pa,
        sensor_v=np.round(volts, 3) if has_volts else np.full(len(times), np.nan),
        purge_duty_pct=np.round(rows[at, 1] * 2.55) / 2.55,
        is_vent_closed=rows[at, 2] > 0.5,
        engine_rpm=np.round(rpm) if shop.has_rpm else np.full(len(times), np.nan),
    )
    fed = np.round(np.maximum(0, rows[at, 3] * 60 * 1.0 * _gain(rng) + rng.normal(0, 0.004, len(times))), 3)
    flow = pl.Series(fed if case.kind == "flow" else np.full(len(times), np.nan)).fill_nan(None)
    return samples_of(trace_id, recording).with_columns(test_flow_std_l_min=flow.cast(pl.Float64))


def _gain(rng: np.random.Generator) -> float:
    """A flow meter is off by about 1 %."""
    return float(rng.normal(1, 0.008))


def _other_volts(volts: np.ndarray, kind: Kind, rng: np.random.Generator) -> np.ndarray:
    """Volts of a wire or a line that tell another story than the pressure: stretched, shifted or stuck."""
    story = rng.integers(3)
    if story == 0:
        other = kind.rest_v + (volts - kind.rest_v) * rng.choice([0.4, 0.5, 0.6])
    elif story == 1:
        other = volts + rng.choice([-0.45, 0.45, 0.6])
    else:
        other = np.full(len(volts), rng.uniform(0.3, 1.0)) + rng.normal(0, 0.003, len(volts))
    return np.clip(other, 0.05, 4.95)
