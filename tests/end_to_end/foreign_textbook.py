"""The thirty lines that an evaluator writes: root-law decay, steady vapor, exponential draw, Gaussian noise."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.end_to_end.foreign_plans import verdicts_of
from tests.end_to_end.recording_frames import Recording

AIR = 1.2
ATMOSPHERE = 101_325.0
STEP_S = 0.01


def textbook(
    rng: np.random.Generator, n: int, rate_hz: float | None = None
) -> tuple[list[Recording], list[dict[str, Any]]]:
    """Return `n` recordings and the truth of each; all on a 2.5 V + 0.8 V/kPa sensor at sea level.

    Parameters
    ----------
    rate_hz : samples per second; left out, each recording has its own.
    """
    facts = [_facts(str(verdict), rng) for verdict in verdicts_of(rng, n)]
    if rate_hz is not None:
        facts = [fact | {"rate_hz": rate_hz} for fact in facts]
    fine = _pressures(facts, rng)
    made = [_one(fact, fine[:, i], rng) for i, fact in enumerate(facts)]
    return [recording for recording, _ in made], [truth for _, truth in made]


def _facts(verdict: str, rng: np.random.Generator) -> dict[str, Any]:
    tank, fill = rng.uniform(40, 110), rng.uniform(0.1, 0.9)
    facts = {
        "verdict": verdict,
        "kind": "plain",
        "tank_l": tank,
        "fill": fill,
        "volume_l": tank * (1 - fill) + rng.choice([0.0, 2.0, 3.0]),
        "leak_mm": float(np.exp(rng.uniform(np.log(0.25), np.log(4)))) if verdict == "leak" else 0.0,
        "vapor_pa_s": rng.choice([0.0, rng.uniform(0, 3), rng.uniform(0, 10)], p=[0.3, 0.5, 0.2]),
        "noise_pa": rng.choice([2.0, 5.0, 10.0]),
        "step_pa": rng.choice([0.25, 1.0, 10.0]),
        "rate_hz": float(rng.choice([1.0, 2.0, 5.0, 10.0])),
    }
    marks = np.cumsum(
        [rng.integers(5, 11), rng.integers(5, 16), rng.integers(8, 41), rng.integers(60, 121), 10]
    )
    return facts | {"marks": marks, "target_pa": rng.uniform(2000, 3000), "gross_pa": rng.uniform(0, 250)}


def _pressures(facts: list[dict[str, Any]], rng: np.random.Generator) -> np.ndarray:
    """Return clean gauge pressure [Pa], row per step (explicit Euler), column per recording."""
    verdict = np.array([f["verdict"] for f in facts])
    mm, vapor, target, litres, gross = (
        np.array([f[name] for f in facts])
        for name in ("leak_mm", "vapor_pa_s", "target_pa", "volume_l", "gross_pa")
    )
    shut, draw, hold, release, _ = np.array([f["marks"] for f in facts]).T
    root = 0.61 * np.pi / 4 * (mm * 1e-3) ** 2 * np.sqrt(2 / AIR) * ATMOSPHERE / (litres * 1e-3)
    pull = (3 * target / (hold - draw) + root * np.sqrt(target)) * (verdict != "no_vacuum")
    passing = (rng.uniform(20, 100, len(facts)) + vapor) * (verdict == "purge_passes_closed")
    goes, is_gross = np.where(verdict == "vent_restricted", 0.0, 8.0), verdict == "gross_leak"
    out, p = np.zeros((int(release.max() / STEP_S) + 1100, len(facts)), np.float32), np.zeros(len(facts))
    for i in range(len(out)):
        out[i], now = p, i * STEP_S
        is_drawn = (draw <= now) & (now < hold)
        rate = (
            vapor
            - passing
            - root * np.sign(p) * np.sqrt(np.abs(p))
            - is_drawn * pull * (1 + p / (1.05 * target))
        )
        rate = np.where(is_gross, 6.0 * (-gross * is_drawn - p), rate)
        p = p + STEP_S * np.where((now < shut) | (now >= release), -goes * p, rate)
    return out


def _one(
    facts: dict[str, Any], fine: np.ndarray, rng: np.random.Generator
) -> tuple[Recording, dict[str, Any]]:
    verdict, t = facts["verdict"], np.arange(0, facts["marks"][-1], 1 / facts["rate_hz"])
    shut, draw, hold, release, _ = facts["marks"]
    closed, duty = (t >= shut) & (t < release), np.where((t >= draw) & (t < hold), 100.0, 0.0)
    clean = fine[np.round(t / STEP_S).astype(int)].astype(float)
    if verdict == "not_judged":
        facts["kind"] = str(rng.choice(["driving", "cut_in_draw"]))
        if facts["kind"] == "driving":
            closed, duty = closed & False, np.round(np.clip(30 + 30 * np.sin(t / 9), 0, 100), 1)
            clean = -0.6 * duty
    noisy = clean + rng.normal(0, facts["noise_pa"], len(t))
    if verdict == "sensor_offset":
        noisy = noisy + rng.choice([-1, 1]) * rng.uniform(300, 1000)
    pressure = np.round(noisy / facts["step_pa"]) * facts["step_pa"]
    if verdict == "sensor_flat":
        pressure = np.full(len(t), rng.choice([0.0, -1250.0, -3000.0, 500.0]))
    volts = _volts(facts, pressure, rng)
    keep = t < (draw + hold) / 2 if facts["kind"] == "cut_in_draw" else t >= 0
    rpm = np.full(len(t), 800.0)
    facts |= {"peak_pa": -clean.min(), "highest_pa": clean.max(), "closed_s": draw - shut}
    facts["clean_pa"] = clean[(t >= hold) & (t < release)]
    return Recording(*(column[keep] for column in (t, pressure, volts, duty, closed, rpm))), facts


def _volts(facts: dict[str, Any], pressure: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    volts = 2.5 + pressure * 0.8e-3
    if facts["verdict"] == "sensor_disagrees":
        facts["kind"] = str(rng.choice(["sign", "flat", "noise"]))
        if facts["kind"] == "sign":
            volts = 2.5 - pressure * 0.8e-3
        if facts["kind"] == "flat":
            volts = np.full(len(pressure), 2.5)
        if facts["kind"] == "noise":
            volts = rng.uniform(0.5, 4.5, len(pressure))
    if facts["verdict"] == "sensor_flat":
        return np.round(volts, 3)
    return np.round(volts + rng.normal(0, 0.003, len(pressure)), 3)
