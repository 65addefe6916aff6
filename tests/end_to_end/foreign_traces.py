"""Recordings with known truth that share nothing with the project's own simulation.

Two families: `physics` (foreign_tank.py: richer than any estimator's story) and `textbook` (foreign_textbook.py).
`foreign_traces` returns samples and headers as the measurement takes them, and the truth beside them. A recording
whose signature another fault would leave as well keeps its truth and is marked `is_ambiguous`, with the reason.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.end_to_end.foreign_plans import make_plans
from tests.end_to_end.foreign_sensor import record
from tests.end_to_end.foreign_tank import History, Plan, integrate
from tests.end_to_end.foreign_textbook import textbook
from tests.end_to_end.recording_frames import CODES, HEADER, samples_of

MODELS = [("Kestin", "210"), ("Kestin", "330"), ("Oarlow", "Mira"), ("Oarlow", "Pell"), ("Brontal", "T4")]
BOOK_MODEL = ("Sundrel", "Basic")
SENTENCE = {
    "small": "the leak moves the pressure less than vapor, warming gas and sensor steps do",
    "large": "the decay is over within a few samples, or hardly any vacuum was reached",
    "vapor": "no closed phase that would tell this much vapor from so small a leak",
    "decays": "a vent stuck open behind a narrow canister decays like a leak",
    "unseen": "neither vacuum nor creep shows above noise and steps: open tank, sealed tank and dead sensor look alike",
    "no_vent": "never seen vented long enough",
    "little": "the pressure hardly moves, so volts have nothing to follow",
    "goes": "most of the vacuum goes soon after the vent opens",
}


def foreign_traces(
    n: int = 900, key: int = 20_417, rate_hz: float | None = None
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return samples, headers and truth of `n` recordings, two thirds of family `physics`.

    Parameters
    ----------
    n : recordings, 150 or more so that every verdict occurs.
    key : start of the random numbers.
    rate_hz : samples per second of every recording; left out, each has its own of 1 to 10.
    """
    rng = np.random.default_rng(key)
    n_physics = round(n * 0.65)
    plan = make_plans(rng, n_physics)
    if rate_hz is not None:
        plan["rate_hz"][:] = rate_hz
    history = integrate(plan)
    lines = _model_lines(rng)
    models = [MODELS[k] for k in rng.integers(0, len(MODELS), n_physics)]
    recordings = [record(history, plan, i, lines[models[i]], rng) for i in range(n_physics)]
    facts = [_physics_facts(plan, history, i) for i in range(n_physics)]
    book, book_facts = textbook(rng, n - n_physics, rate_hz)
    for fact in facts:
        fact |= {"family": "physics", "half_s": 0.5 * _n_to_half(fact["clean_pa"])}
    for fact in book_facts:
        fact["half_s"] = _n_to_half(fact["clean_pa"]) / fact["rate_hz"]
    for fact in book_facts:
        fact |= {
            "family": "textbook",
            "release_s": 10.0,
            "rest_s": 5.0,
            "ambient_pa": 101_325.0,
            "has_volts": True,
        }
    every, whole = facts + book_facts, recordings + book
    ids = [f"F{i:05d}" for i in range(len(whole))]
    models = models + [BOOK_MODEL] * len(book)
    headers = pl.DataFrame(
        [_header(*row, rng) for row in zip(ids, every, models, strict=True)], schema=HEADER
    )
    truth = pl.DataFrame([_truth(i, f) for i, f in zip(ids, every, strict=True)], infer_schema_length=None)
    return pl.concat([samples_of(i, r) for i, r in zip(ids, whole, strict=True)]), headers, truth


def by_family(
    samples: pl.DataFrame, headers: pl.DataFrame, truth: pl.DataFrame
) -> list[tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]]:
    """Return the recordings of either family as a lake of its own, as `foreign_traces` returns both."""
    families = truth.select("trace_id", "family").partition_by("family", maintain_order=True)
    return [
        (
            samples.join(mine, on="trace_id", how="semi"),
            headers.join(mine, on="trace_id", how="semi", maintain_order="left"),
            truth.join(mine, on="trace_id", how="semi", maintain_order="left"),
        )
        for mine in families
    ]


def _model_lines(rng: np.random.Generator) -> dict[tuple[str, str], tuple[float, float]]:
    """Return each model's sensor: volts at zero, volts per pascal; every line leaves room for 4 kPa of vacuum."""
    rises = rng.random(len(MODELS)) < 0.5
    rest = np.where(rises, rng.uniform(1.3, 1.7, len(MODELS)), rng.uniform(2.6, 3.4, len(MODELS)))
    slope = np.where(rises, -1, 1) * rng.uniform(0.35, 0.6, len(MODELS)) * 1e-3
    return {model: (float(rest[k]), float(slope[k])) for k, model in enumerate(MODELS)}


def _physics_facts(plan: Plan, history: History, i: int) -> dict[str, Any]:
    names = (
        "verdict",
        "kind",
        "tank_l",
        "fill",
        "volume_l",
        "leak_mm",
        "vapor_pa_s",
        "noise_pa",
        "step_pa",
        "rate_hz",
    )
    facts = {name: plan[name][i] for name in names}
    step = history.time_s[1]
    begin, end = history.draw_end_s[i], min(history.draw_end_s[i] + plan["hold_s"][i], history.time_s[-1])
    at = slice(int(begin / step), int(end / step) + 1)
    hold = history.pressure_pa[at, i].astype(float)
    duration = int(history.end_s[i] / step)
    ending = history.pressure_pa[max(duration - 2, 0), i]
    open_from = int(plan["vent_close_s"][i] / step) if plan["vent_close_s"][i] < 1e6 else duration
    facts |= {
        "ambient_pa": plan["ambient_pa"][i],
        "ambient_c": plan["ambient_c"][i],
        "cd_high": plan["cd_high"][i],
        "peak_pa": -float(history.pressure_pa[:duration, i].min()),
        "highest_pa": float(history.pressure_pa[:duration, i].max()),
        "clean_pa": hold[:: max(1, round(0.5 / step))],
        "closed_s": plan["purge_open_s"][i] - plan["vent_close_s"][i],
        "rest_s": min(plan["vent_close_s"][i], history.end_s[i]),
        "release_s": plan["release_s"][i],
        "has_volts": bool(plan["has_volts"][i]),
        "left_share": float(ending / hold[-1]) if len(hold) and abs(hold[-1]) > 1 else 0.0,
        "open_vacuum_pa": -float(history.pressure_pa[: max(open_from, 1), i].min()),
        "hold_end_pa": -float(hold[-1]) if len(hold) else 0.0,
    }
    return facts


def _n_to_half(hold: np.ndarray) -> int:
    return int(np.count_nonzero(hold < hold[0] / 2)) if len(hold) else 0


def _why_ambiguous(fact: dict[str, Any]) -> str:
    """Return the key of the reason why a fair judge could say otherwise, or an empty text."""
    verdict, visible = fact["verdict"], max(fact["step_pa"], fact["noise_pa"], 5.0)
    if verdict in ("leak", "holds"):
        return _why_sized(fact, visible)
    if verdict in ("gross_leak", "no_vacuum"):
        if fact["kind"] == "vent_stuck_open" and fact["peak_pa"] > 400 and fact["half_s"] >= 0.3:
            return "decays"
        return "unseen" if max(fact["peak_pa"], fact["highest_pa"]) < visible else ""
    if verdict == "vent_restricted" and fact["family"] == "physics":
        shown = fact["open_vacuum_pa"] > 400 or (fact["left_share"] > 0.35 and fact["hold_end_pa"] > 300)
        return "" if shown and fact["release_s"] >= 3 else "goes"
    if verdict == "sensor_offset" and fact["rest_s"] < 1.5:
        return "no_vent"
    if verdict == "sensor_flat" and fact["kind"] == "at_zero" and not fact["has_volts"]:
        return "unseen"
    return "little" if verdict == "sensor_disagrees" and fact["peak_pa"] < 500 else ""


def _why_sized(fact: dict[str, Any], visible: float) -> str:
    """A closed phase tells the vapor when it is long enough for the sensor's steps to give 1.5 Pa/s."""
    is_vapor_told = fact["closed_s"] >= 3 and 0.5 * fact["step_pa"] / fact["closed_s"] < 1.5
    hold, period = fact["clean_pa"], 0.5 if fact["family"] == "physics" else 1 / fact["rate_hz"]
    if fact["verdict"] == "leak":
        density = fact["ambient_pa"] / (287.05 * (fact.get("ambient_c", 20.0) + 273.15))
        area = np.pi / 4 * (fact["leak_mm"] * 1e-3) ** 2
        flow = 0.61 * area * np.sqrt(2 * np.maximum(-hold, 0) / density)
        by_leak = float(np.sum(flow) * period * fact["ambient_pa"] / (fact["volume_l"] * 1e-3))
        other = abs(float(hold[-1] - hold[0]) - by_leak)
        half_s = fact["half_s"]
        if fact["peak_pa"] < 400 or half_s < max(1.0, 3 / fact["rate_hz"]):
            return "large"
        if by_leak < max(4 * visible, 0.8 * other, 60.0):
            return "small"
        return "vapor" if not is_vapor_told and by_leak < 6.0 * period * len(hold) else ""
    rise = float(hold[-1] - hold[0]) / max(-float(hold[0]), 1.0)
    return "vapor" if not is_vapor_told and rise > 0.15 else ""


def _truth(trace_id: str, fact: dict[str, Any]) -> dict[str, Any]:
    """One row of truth; the effective diameter is that of a hole with a high-Reynolds coefficient of 0.61."""
    why = _why_ambiguous(fact)
    has_leak = fact["verdict"] in ("leak", "holds", "gross_leak") and fact["leak_mm"] > 0
    effective = fact["leak_mm"] * np.sqrt(fact.get("cd_high", 0.61) / 0.61)
    return {
        "trace_id": trace_id,
        "family": fact["family"],
        "verdict": str(fact["verdict"]),
        "kind": str(fact["kind"]),
        "hole_mm": float(fact["leak_mm"]) if has_leak else None,
        "diameter_mm": float(effective) if has_leak else None,
        "volume_l": float(fact["volume_l"]),
        "vapor_pa_s": float(fact["vapor_pa_s"]),
        "is_ambiguous": why != "",
        "why": SENTENCE.get(why),
    }


def _header(
    trace_id: str, fact: dict[str, Any], model: tuple[str, str], rng: np.random.Generator
) -> dict[str, Any]:
    """What the shop wrote down: fuel gauge and tank size slightly off, some of it missing."""
    is_rich = fact["family"] == "physics"
    gauge, size = (rng.normal(0, 1.5), rng.normal(1, 0.015)) if is_rich else (0.0, 1.0)
    return {
        "trace_id": trace_id,
        "job_id": f"J{trace_id}",
        "vehicle_id": f"V{trace_id}",
        "stage": str(rng.choice(["before_repair", "after_repair", "routine"])),
        "recorded_at": datetime(2025, 3, 1, tzinfo=UTC) + timedelta(minutes=int(rng.integers(0, 400_000))),
        "fuel_level_pct": float(np.clip(fact["fill"] * 100 + gauge, 0, 100)),
        "ambient_c": None if rng.random() < 0.2 else float(fact.get("ambient_c", 20.0)),
        "barometric_kpa": None if rng.random() < 0.15 and not is_rich else fact["ambient_pa"] / 1000,
        "fuel_tank_l": float(fact["tank_l"] * size),
        "make": model[0],
        "model": model[1],
        "trouble_codes": [str(rng.choice(CODES))] if rng.random() < 0.3 else [],
        "checks": [],
    }
