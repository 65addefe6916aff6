"""What the technicians and their testers do to the fizzing tanks, step by step, and what the tanks do then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.fizz_tank import Cars, at_rest, step

DT = 0.05
DRAW, FILL, STEADY, ROUTINE = range(4)
REST, CLOSED, PULL, HOLD, RELEASE, DONE = range(6)
STANDARD_L_MOL = 8.314462618 * 293.15 / 101.325  # at 20 degC and one atmosphere


@dataclass
class Plan:
    """How each recording is run, arrays of n."""

    kind: np.ndarray
    rest_s: np.ndarray
    closed_s: np.ndarray
    target_pa: np.ndarray  # magnitude at which draw, fill or feed is to end
    timeout_s: np.ndarray
    duty: np.ndarray
    ramp_s: np.ndarray
    hold_s: np.ndarray
    first_hold_s: np.ndarray  # before a second draw; 0: one draw only
    release_s: np.ndarray
    reaction_s: np.ndarray
    stop_s: np.ndarray  # when the recorder is stopped, inf: at the end
    feed_mol_s: np.ndarray
    gust_pa: np.ndarray
    gust_s: np.ndarray
    lag_s: np.ndarray
    is_in_line: np.ndarray  # the sensor sits at the canister
    shown_offset_pa: np.ndarray
    shown_low_pa: np.ndarray
    seed: int


@dataclass
class Course:
    """What happened: rows are times, columns recordings; pressures are gauge [Pa]."""

    t_s: np.ndarray
    sensed_pa: np.ndarray
    tank_pa: np.ndarray
    duty: np.ndarray
    is_shut: np.ndarray
    feed_mol_s: np.ndarray
    phase: np.ndarray
    leaked_mol: np.ndarray


def run(car: Cars, plan: Plan) -> Course:
    """Run all recordings to their ends."""
    rng = np.random.default_rng(plan.seed)
    n = len(plan.kind)
    now = at_rest(car)
    phase = np.full(n, REST)
    since = np.zeros(n)
    seen_since = np.full(n, np.inf)  # when the target was first seen
    draws_left = np.where(plan.first_hold_s > 0, 1, 0)
    gust = plan.gust_pa * rng.standard_normal(n)
    sensed = np.zeros(n)
    wander = _routine_duty(plan, rng)
    kept: list[tuple[np.ndarray, ...]] = []
    tick = 0
    while True:
        outside = car.ambient_pa + gust
        tank = now.tank_pa(car) - outside
        seat = now.canister_pa - outside
        alpha = 1 - np.exp(-DT / plan.lag_s)
        sensed = sensed + alpha * (np.where(plan.is_in_line, seat, tank) - sensed)
        shown = np.maximum(sensed + plan.shown_offset_pa, plan.shown_low_pa)
        is_shut = (phase >= CLOSED) & (phase <= HOLD)
        is_pull = phase == PULL
        ramp = np.clip((since + DT) / np.maximum(plan.ramp_s, DT), 0.3, 1)
        duty = np.where(is_pull & (plan.kind == DRAW), plan.duty * ramp, 0.0)
        duty = np.where((plan.kind == ROUTINE) & (phase == REST), wander[min(tick, len(wander) - 1)], duty)
        feed = _feed(plan, is_pull, tank)
        kept.append(
            tuple(np.asarray(x, np.float32) for x in (sensed, tank, duty, is_shut, feed, phase, now.leaked))
        )
        if (phase == DONE).all() or tick * DT > 700:
            break
        step(car, now, DT, outside, is_shut, duty, feed)
        gust = gust * np.exp(-DT / plan.gust_s) + plan.gust_pa * np.sqrt(
            2 * DT / plan.gust_s
        ) * rng.standard_normal(n)
        since = since + DT
        tick += 1
        phase, since, seen_since, draws_left = _next(
            plan, phase, since, np.abs(shown), seen_since, draws_left, tick
        )
    columns = [np.array(column) for column in zip(*kept, strict=True)]
    return Course(np.arange(len(kept)) * DT, *columns)


def _feed(plan: Plan, is_pull: np.ndarray, tank_pa: np.ndarray) -> np.ndarray:
    """Return moles a second: full flow for a fill; a steady flow comes by a regulator that droops by 2 %."""
    lacking = np.clip((1.01 - tank_pa / plan.target_pa) / 0.02, 0, 1)
    share = np.where(plan.kind == FILL, 1.0, np.where(plan.kind == STEADY, lacking, 0.0))
    return np.where(is_pull, plan.feed_mol_s * share, 0.0)


def _next(
    plan: Plan,
    phase: np.ndarray,
    since: np.ndarray,
    shown: np.ndarray,
    seen_since: np.ndarray,
    draws_left: np.ndarray,
    tick: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return phase, time in it, when the target was seen and draws left, a step later."""
    is_there = (phase == PULL) & (plan.kind != STEADY) & (shown >= plan.target_pa)
    seen_since = np.where(
        phase != PULL, np.inf, np.where(is_there, np.minimum(seen_since, since), seen_since)
    )
    is_pulled = (since >= seen_since + plan.reaction_s) | (since >= plan.timeout_s)
    hold_s = np.where(draws_left > 0, plan.first_hold_s, plan.hold_s)
    after = phase.copy()
    after[(phase == REST) & (since >= plan.rest_s)] = CLOSED
    after[(phase == REST) & (since >= plan.rest_s) & (plan.kind == ROUTINE)] = DONE
    after[(phase == CLOSED) & (since >= plan.closed_s)] = PULL
    after[(phase == PULL) & is_pulled] = HOLD
    is_held = (phase == HOLD) & (since >= hold_s)
    after[is_held] = np.where(draws_left[is_held] > 0, PULL, RELEASE)
    draws_left = np.where(is_held, draws_left - 1, draws_left)
    after[(phase == RELEASE) & (since >= plan.release_s)] = DONE
    after[tick * DT >= plan.stop_s] = DONE
    return after, np.where(after == phase, since, 0.0), seen_since, draws_left


def _routine_duty(plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """Return purge duty of ordinary driving [share], one row a step, held for seconds at a time."""
    rows = int(np.ceil(plan.rest_s[plan.kind == ROUTINE].max(initial=1.0) / DT)) + 1
    blocks = rng.uniform(-0.3, 0.9, (rows // 80 + 1, len(plan.kind)))
    return np.repeat(np.clip(blocks, 0, 1), 80, axis=0)[:rows]
