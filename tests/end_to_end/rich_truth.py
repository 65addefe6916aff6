"""What is true of each recording, and which of them a fair judge could call otherwise, decided from physics alone."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.end_to_end.rich_gas import STEP_S, Plan
from tests.end_to_end.rich_procedure import CLOSED, DRAW, HOLD, RELEASE, REST, Course

SENTENCE = {
    "small": "the leak moves the pressure less than vapor, warming gas, noise and sensor steps do",
    "large": "the decay is over within a few samples, or hardly any vacuum was reached",
    "vapor": "no closed phase that would tell this much vapor from so small a leak",
    "decays": "a vent stuck open behind a canister with resistance decays like a leak",
    "unseen": "neither vacuum nor creep shows above noise and steps: open tank, sealed tank, dead sensor look alike",
    "no_vent": "never seen vented long enough",
    "little": "the pressure hardly moves, so volts have nothing to follow",
    "goes": "most of the vacuum goes soon after the vent opens",
    "cut": "the recording ends, or the vent opens, before the hold tells anything",
    "barometer": "pressure was taken from whole kilopascals of barometer: the false offset looks like a sensor's",
    "clipped": "the sensor is at the end of its range where the story is told",
    "slow": "what passes is no more than this fuel's vapor makes or hides",
}


def truth_row(trace_id: str, plan: Plan, course: Course, i: int) -> dict[str, Any]:
    """Return verdict, diameter (0.61 at high Reynolds number, line included), nuisances, and why it is ambiguous."""
    verdict = str(plan["verdict"][i])
    has_leak = verdict in ("leak", "holds", "gross_leak") and plan["leak_mm"][i] > 0
    effective = plan["leak_mm"][i] * np.sqrt(plan["cd_high"][i] * plan["line_factor"][i] / 0.61)
    facts = _facts(plan, course, i)
    # Cut before the hold: of leaks nothing is told then, of what arrives or passes something is.
    least_draw_s = {"leak": 1e9, "holds": 1e9, "gross_leak": 5.0, "no_vacuum": 5.0}.get(verdict, 0.0)
    if facts["hold_s"] < 1.0 and facts["is_cut"] and facts["draw_s"] < least_draw_s:
        verdict, has_leak = "not_judged", False
    why = _why(verdict, facts, plan, i)
    return {
        "trace_id": trace_id,
        "family": "rich",
        "verdict": verdict,
        "kind": str(plan["kind"][i]),
        "hole_mm": float(plan["leak_mm"][i]) if has_leak else None,
        "diameter_mm": float(effective) if has_leak else None,
        "volume_l": float(plan["volume_l"][i] + plan["canister_l"][i]),
        "vapor_pa_s": facts["vapor_pa_s"],
        "hold_s": facts["hold_s"],
        "peak_pa": facts["peak_pa"],
        "by_leak_pa": facts["by_leak_pa"],
        "other_pa": facts["other_pa"],
        "offset_pa": float(plan["offset_pa"][i]),
        "false_offset_pa": float(plan["false_offset_pa"][i]),
        "clock": str(plan["clock"][i]),
        "cd_form": int(plan["cd_form"][i]),
        "wall_s": float(plan["wall_s"][i]),
        "lag_s": float(plan["lag_s"][i]),
        "n_draws": int(plan["n_draws"][i]),
        "closed_s": facts["closed_s"],
        "is_ambiguous": why != "",
        "why": SENTENCE.get(why),
    }


def _facts(plan: Plan, course: Course, i: int) -> dict[str, Any]:
    p, phase = course.pressure_pa, course.phase
    hold = np.flatnonzero(phase == HOLD)
    if len(hold):
        breaks = np.flatnonzero(np.diff(hold) > 1)
        hold = max(np.split(hold, breaks + 1), key=len)
    vacuum = np.maximum(p[hold] if plan["is_fill"][i] else -p[hold], 0.0)
    flow = 0.61 * np.pi / 4 * (plan["leak_mm"][i] * 1e-3) ** 2 * np.sqrt(2 * vacuum / plan["density"][i])
    by_leak = float(
        flow.sum() * STEP_S * plan["ambient_pa"][i] / ((plan["volume_l"] + plan["canister_l"])[i] * 1e-3)
    )
    change = float(p[hold[-1]] - p[hold[0]]) if len(hold) else 0.0
    opened, release = p[phase == REST], p[phase == RELEASE]
    start = float(p[hold[0]]) if len(hold) else 0.0
    half = (
        hold[0] + int(np.argmax(p[hold] > start / 2)) if len(hold) and (p[hold] > start / 2).any() else None
    )
    excess = (1 - plan["vapor_share"][i]) * plan["saturated_pa"][i]
    tau = plan["volume_l"][i] * 1e-3 / (8.314462 * plan["wall_k"][i] * plan["evaporation"][i])
    return {
        "hold_s": len(hold) * STEP_S,
        "closed_s": float(np.count_nonzero(phase == CLOSED) * STEP_S),
        "rest_s": len(opened) * STEP_S,
        "release_s": len(release) * STEP_S,
        "is_cut": bool(phase[-1] != RELEASE) if len(phase) else True,
        "peak_pa": float(-p.min()),
        "highest_pa": float(p.max()),
        "hold_start_pa": -start,
        "hold_end_pa": -float(p[hold[-1]]) if len(hold) else 0.0,
        "half_s": (half - hold[0]) * STEP_S if half is not None else 1e9,
        "by_leak_pa": by_leak,
        "other_pa": change - by_leak,
        "rise": change / max(-start, 1.0),
        "open_vacuum_pa": float(-opened.min()) if len(opened) else 0.0,
        "left_share": float(release[-1] / start) if len(release) and start < -1 else 0.0,
        "draw_s": float(np.count_nonzero(phase == DRAW) * STEP_S),
        "vapor_pa_s": float(excess / tau),
    }


def _why(verdict: str, f: dict[str, Any], plan: Plan, i: int) -> str:
    """Return the key of the reason, or an empty text."""
    if abs(plan["false_offset_pa"][i]) > 60 and verdict not in ("sensor_flat", "not_judged"):
        return "barometer"
    visible = max(plan["step_pa"][i], plan["noise_pa"][i], plan["slosh_pa"][i], 5.0)
    if plan["is_fill"][i]:
        return "small" if verdict == "leak" and f["by_leak_pa"] < max(4 * visible, 60.0) else ""
    rules = {"leak": _why_leak, "holds": _why_holds, "gross_leak": _why_open, "no_vacuum": _why_open}
    if verdict in rules:
        return rules[verdict](f, plan, i, visible)
    if verdict == "vent_restricted":
        left = f["left_share"] > 0.35 and f["hold_end_pa"] > 300 and f["release_s"] >= 3
        return "" if f["open_vacuum_pa"] > 400 or left else "goes"
    if verdict == "purge_passes_closed":
        return "slow" if plan["passing_pa_s"][i] < 15 + 2 * abs(f["vapor_pa_s"]) or f["peak_pa"] < 300 else ""
    if verdict == "sensor_offset":
        return "no_vent" if f["rest_s"] < 1.5 else ""
    if verdict == "sensor_flat":
        return "unseen" if plan["kind"][i] == "at_zero" and not plan["has_volts"][i] else ""
    return "little" if verdict == "sensor_disagrees" and f["peak_pa"] < 500 else ""


def _is_vapor_told(f: dict[str, Any], visible: float) -> bool:
    return f["closed_s"] >= 3 and 0.5 * visible / f["closed_s"] < 1.5


def _why_leak(f: dict[str, Any], plan: Plan, i: int, visible: float) -> str:
    if f["hold_start_pa"] < 400 or f["half_s"] < max(1.0, 3 / plan["rate_hz"][i], 3 * plan["lag_s"][i]):
        return "large"
    if f["hold_s"] < 10:
        return "cut"
    if f["by_leak_pa"] < max(4 * visible, 0.8 * abs(f["other_pa"]), 60.0):
        return "small"
    if -plan["clip_low_pa"][i] < f["hold_end_pa"] + 200:
        return "clipped"
    return "vapor" if not _is_vapor_told(f, visible) and f["by_leak_pa"] < 6.0 * f["hold_s"] else ""


def _why_holds(f: dict[str, Any], plan: Plan, i: int, visible: float) -> str:
    if f["hold_s"] < 10:
        return "cut"
    if f["hold_start_pa"] < 300:
        return "unseen"
    if -plan["clip_low_pa"][i] < f["hold_end_pa"]:
        return "clipped"
    return "vapor" if not _is_vapor_told(f, visible) and abs(f["rise"]) > 0.15 else ""


def _why_open(f: dict[str, Any], plan: Plan, i: int, visible: float) -> str:
    if plan["kind"][i] == "vent_stuck_open" and f["peak_pa"] > 400 and f["half_s"] >= 0.3:
        return "decays"
    return "unseen" if max(f["peak_pa"], f["highest_pa"]) < 1.5 * visible else ""
