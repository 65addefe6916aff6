"""What somebody else would try on us: the faults of the contract, on tanks, sensors and routines of every kind."""

from __future__ import annotations

import numpy as np

from tests.end_to_end.foreign_tank import Plan

SHARES = {
    "holds": 0.19,
    "leak": 0.33,
    "gross_leak": 0.08,
    "no_vacuum": 0.07,
    "purge_passes_closed": 0.06,
    "vent_restricted": 0.07,
    "sensor_flat": 0.05,
    "sensor_offset": 0.05,
    "sensor_disagrees": 0.05,
    "not_judged": 0.05,
}
CAP_MM = (25.0, 40.0)


def verdicts_of(rng: np.random.Generator, n: int) -> np.ndarray:
    """Return `n` verdicts in the shares above, shuffled."""
    words = np.repeat(list(SHARES), [max(1, round(n * share)) for share in SHARES.values()])
    return rng.permutation(np.resize(words, n))


def make_plans(rng: np.random.Generator, n: int) -> Plan:
    """Return one plan per recording: tank, gas, valves, routine, sensor and the fault it has."""
    plan: Plan = {"verdict": verdicts_of(rng, n), "kind": np.full(n, "plain", dtype=object)}
    _tank(plan, rng, n)
    _routine(plan, rng, n)
    _sensor(plan, rng, n)
    faults = (
        _holds,
        _leak,
        _gross_leak,
        _no_vacuum,
        _purge_passes,
        _vent_restricted,
        _no_test,
        _sensor_faults,
    )
    for fault in faults:
        fault(plan, rng)
    return plan


def _log_uniform(rng: np.random.Generator, low: float, high: float, n: int) -> np.ndarray:
    return np.exp(rng.uniform(np.log(low), np.log(high), n))


def _tank(plan: Plan, rng: np.random.Generator, n: int) -> None:
    plan["tank_l"], plan["fill"] = rng.uniform(40, 110, n), rng.uniform(0.1, 0.9, n)
    plan["volume_l"] = plan["tank_l"] * (1 - plan["fill"]) + rng.uniform(1.5, 5.0, n)
    plan["ambient_pa"], plan["ambient_c"] = rng.uniform(80e3, 103e3, n), rng.uniform(5, 38, n)
    plan["kelvin"] = plan["ambient_c"] + 273.15
    warm = np.exp(0.04 * (plan["ambient_c"] - 20)) * 30 / plan["volume_l"]
    vapor = np.where(rng.random(n) < 0.3, rng.uniform(0, 1, n), rng.exponential(2.5, n)) * warm
    plan["vapor_pa_s"] = np.where(rng.random(n) < 0.05, -rng.uniform(0.2, 1.5, n), np.minimum(vapor, 15))
    plan["vapor_limit_pa"] = np.where(rng.random(n) < 0.4, 1e9, rng.uniform(2500, 9000, n))
    plan["gamma"], plan["warming_s"] = rng.uniform(1.1, 1.38, n), _log_uniform(rng, 3, 18, n)
    plan["vent_mm"], plan["leak_mm"] = rng.uniform(6, 12, n), np.zeros(n)
    plan["vent_stuck_open"], plan["passing_l_s"] = np.zeros(n, bool), np.zeros(n)
    plan["cd_high"] = np.where(rng.random(n) < 0.5, 0.61, rng.uniform(0.58, 0.65, n))
    plan["cd_form"], plan["start_pa"] = rng.integers(0, 3, n), np.zeros(n)
    plan["valve_lag_s"] = rng.uniform(0.03, 0.2, n)


def _routine(plan: Plan, rng: np.random.Generator, n: int) -> None:
    plan["target_pa"], draw_s = rng.uniform(1500, 3500, n), _log_uniform(rng, 3, 50, n)
    rest = np.where(rng.random(n) < 0.1, 0.0, rng.uniform(2, 15, n))
    closed = rng.choice([0.0, 1.0, 2.0], n, p=[0.15, 0.1, 0.75])
    closed_s = np.select([closed == 1, closed == 2], [rng.uniform(0.3, 1.5, n), rng.uniform(3, 20, n)], 0.0)
    lead = (closed == 0) & (rng.random(n) < 0.4) & (rest > 0)
    plan["vent_close_s"] = rest
    plan["purge_open_s"] = np.where(lead, np.maximum(rest - rng.uniform(0.5, 2, n), 0.1), rest + closed_s)
    plan["hold_s"], plan["release_s"] = rng.uniform(30, 120, n), rng.uniform(3, 20, n)
    plan["extra_draws"] = (rng.random(n) < 0.04).astype(int)
    full = rng.choice([100.0, 0.0], n, p=[0.5, 0.5])
    duty = np.where(full > 0, 100.0, rng.uniform(30, 100, n))
    stepped = rng.random(n) < 0.2
    ladder = np.linspace(0.25, 1.0, 4)[None, :]
    plan["duty_pct"] = np.round(np.where(stepped[:, None], duty[:, None] * ladder, duty[:, None]), 1)
    plan["duty_step_s"] = draw_s / 4
    plan["pump_limit_pa"] = np.where(rng.random(n) < 0.4, 1e9, plan["target_pa"] * rng.uniform(1.3, 4, n))
    removed_l = plan["volume_l"] * plan["target_pa"] / plan["ambient_pa"]
    plan["purge_l_s"] = removed_l / draw_s / (plan["duty_pct"].mean(1) / 100)
    patience = np.where(rng.random(n) < 0.08, 0.5 * draw_s, np.maximum(2.5 * draw_s, rng.uniform(15, 60, n)))
    plan["timeout_s"] = np.minimum(patience, 70)


def _sensor(plan: Plan, rng: np.random.Generator, n: int) -> None:
    plan["rate_hz"], plan["noise_pa"] = _log_uniform(rng, 1, 10, n), _log_uniform(rng, 1, 20, n)
    plan["step_pa"] = rng.choice([0.25, 1, 2, 2.5, 5, 10, 25], n)
    plan["lag_s"], plan["offset_pa"] = rng.uniform(0.02, 0.3, n), rng.normal(0, 15, n)
    plan["clip_pa"] = np.where(rng.random(n) < 0.3, 3736.0, 6227.0)
    plan["drop"] = np.where(rng.random(n) < 0.2, 0.03, 0.0)
    plan["first_t_s"] = np.where(rng.random(n) < 0.3, rng.uniform(0, 50_000, n), 0.0)
    plan["has_volts"], plan["has_rpm"] = rng.random(n) < 0.65, rng.random(n) < 0.7
    plan["is_jittered"] = rng.random(n) < 0.3
    plan["stuck"], plan["volts_story"] = np.full(n, np.nan), np.full(n, "follows", dtype=object)


def _of(plan: Plan, verdict: str) -> np.ndarray:
    return np.flatnonzero(plan["verdict"] == verdict)


def _holds(plan: Plan, rng: np.random.Generator) -> None:
    at = _of(plan, "holds")
    plan["leak_mm"][at] = np.where(rng.random(len(at)) < 0.5, rng.uniform(0, 0.1, len(at)), 0.0)


def _leak(plan: Plan, rng: np.random.Generator) -> None:
    """Leaks of every size; most shops' purge is strong enough to reach the target against them."""
    at = _of(plan, "leak")
    plan["leak_mm"][at] = _log_uniform(rng, 0.25, 4.0, len(at))
    density = plan["ambient_pa"][at] / (287.05 * plan["kelvin"][at])
    through = (
        0.61 * np.pi / 4 * plan["leak_mm"][at] ** 2 * 1e-3 * np.sqrt(2 * plan["target_pa"][at] / density)
    )
    strong = rng.random(len(at)) < 0.75
    limit = np.where(strong, np.maximum(plan["pump_limit_pa"][at], 4 * plan["target_pa"][at]), 1e9)
    plan["pump_limit_pa"][at] = limit
    needed = through / (plan["duty_pct"][at, -1] / 100) * rng.uniform(0.3, 1.2, len(at)) * strong
    plan["purge_l_s"][at] = plan["purge_l_s"][at] + needed + through * strong


def _gross_leak(plan: Plan, rng: np.random.Generator) -> None:
    at = _of(plan, "gross_leak")
    kind = rng.choice(["cap_off", "vent_stuck_open", "large_hole"], len(at))
    plan["kind"][at] = kind
    size = np.where(kind == "cap_off", rng.uniform(*CAP_MM, len(at)), _log_uniform(rng, 8, 20, len(at)))
    plan["leak_mm"][at] = np.where(kind == "vent_stuck_open", 0.0, size)
    plan["vent_stuck_open"][at] = kind == "vent_stuck_open"
    through_canister = _log_uniform(rng, 4, 10, len(at))
    plan["vent_mm"][at] = np.where(kind == "vent_stuck_open", through_canister, plan["vent_mm"][at])
    plan["purge_l_s"][at] = rng.uniform(10, 50, len(at)) / 60
    plan["timeout_s"][at] = rng.uniform(8, 60, len(at))


def _no_vacuum(plan: Plan, rng: np.random.Generator) -> None:
    at = _of(plan, "no_vacuum")
    plan["purge_l_s"][at], plan["timeout_s"][at] = 0.0, rng.uniform(8, 60, len(at))


def _purge_passes(plan: Plan, rng: np.random.Generator) -> None:
    at = _of(plan, "purge_passes_closed")
    rate = _log_uniform(rng, 15, 120, len(at)) + 2 * np.maximum(plan["vapor_pa_s"][at], 0)
    plan["passing_l_s"][at] = rate * plan["volume_l"][at] / plan["ambient_pa"][at]
    plan["has_rpm"][at] = True


def _vent_restricted(plan: Plan, rng: np.random.Generator) -> None:
    at = _of(plan, "vent_restricted")
    plan["vent_mm"][at] = _log_uniform(rng, 0.05, 1.0, len(at))
    early = rng.random(len(at)) < 0.4
    plan["kind"][at] = np.where(early, "vacuum_while_open", "vacuum_stays")
    lead = np.minimum(plan["timeout_s"][at] * 0.6, rng.uniform(4, 12, len(at)))
    plan["vent_close_s"][at] = np.where(early, plan["purge_open_s"][at] + lead, plan["vent_close_s"][at])


def _no_test(plan: Plan, rng: np.random.Generator) -> None:
    at = _of(plan, "not_judged")
    kind = rng.choice(["routine", "too_short", "no_hold"], len(at))
    plan["kind"][at] = kind
    drive = at[kind == "routine"]
    plan["vent_close_s"][drive], plan["target_pa"][drive] = 1e9, 1e6
    plan["duty_pct"][drive] = np.round(rng.uniform(0, 60, (len(drive), 4)), 1)
    plan["duty_step_s"][drive], plan["timeout_s"][drive] = 12.0, rng.uniform(30, 60, len(drive))
    short = at[kind == "too_short"]
    plan["hold_s"][short], plan["release_s"][short] = rng.uniform(0.4, 1.5, len(short)), 0.0
    jump = at[kind == "no_hold"]
    plan["hold_s"][jump], plan["extra_draws"][at] = 0.0, 0


def _sensor_faults(plan: Plan, rng: np.random.Generator) -> None:
    flat, offset, other = (_of(plan, f"sensor_{word}") for word in ("flat", "offset", "disagrees"))
    ill = np.concatenate([flat, offset, other])
    plan["leak_mm"][ill] = np.where(rng.random(len(ill)) < 0.4, _log_uniform(rng, 0.25, 3, len(ill)), 0.0)
    kind = rng.choice(["at_zero", "anywhere", "at_end"], len(flat), p=[0.3, 0.5, 0.2])
    plan["kind"][flat] = kind
    anywhere = np.where(kind == "anywhere", rng.uniform(-3000, 1000, len(flat)), 0.0)
    plan["stuck"][flat] = np.where(kind == "at_end", -3736.0, anywhere)
    plan["offset_pa"][offset] = rng.choice([-1, 1], len(offset)) * rng.uniform(300, 1000, len(offset))
    story = rng.choice(["gain", "sign", "flat", "drift"], len(other))
    plan["kind"][other], plan["volts_story"][other], plan["has_volts"][other] = story, story, True
