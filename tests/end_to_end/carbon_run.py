"""Run the ninth author's procedures over his gas: what the tank's pressure was, what was commanded, what is true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.carbon_fleet import GAS, HOLES, MODELS, Bench
from tests.end_to_end.carbon_gas import Flows, Gas
from tests.end_to_end.carbon_plan import CLOSED, END, FEED, HOLD, RELEASE, Course, Plan
from tests.end_to_end.carbon_truth import Array, equivalent_mm

STEP_S, KEPT_EVERY, LONGEST_S = 0.05, 2, 600.0


@dataclass
class Ran:
    """Histories of shape (times, recordings) every 0.1 s, how many of them each has, and what was measured."""

    over_pa: Array
    duty_pct: Array
    is_shut: Array
    feed_mol_s: Array
    lengths: Array
    start_pa: Array
    half_life_s: Array
    hole_mm: Array
    hole_pa: Array
    other_pa: Array
    gave_back: Array
    held_s: Array
    crept_pa: Array
    fell_pa: Array
    tank_moved_pa: Array
    left_pa: Array
    left_share: Array


class Meter:
    """Watches the gas through the procedure, for what is true of it."""

    def __init__(self, bench: Bench) -> None:
        n = len(bench.model)
        self.least_pa = np.array([model.least_pa for model in MODELS])[bench.model]
        self.phase = np.zeros(n, int)
        names = (
            "start", "end", "half", "flow", "root", "density", "viscosity", "count", "hole", "shut_from",
            "fell", "shut_at", "shut_end", "before", "left", "held", "moved",
        )  # fmt: skip
        self.at = {name: np.zeros(n) for name in names}
        self.is_on, self.was_shut = np.zeros(n, bool), np.zeros(n, bool)

    def watch(self, dt: float, gas: Gas, flows: Flows, course: Course, begun: Array) -> None:
        at, over, phase = self.at, gas.p - gas.bench.ambient_pa, course.phase
        room = gas.volume() + gas.bench.canister_m3
        self.is_on = (self.is_on | begun) & ((phase == HOLD) | (phase == FEED))
        at["start"] = np.where(begun, over, at["start"])
        at["half"] = np.where(begun, np.inf, at["half"])
        is_halved = self.is_on & (np.abs(over) < 0.5 * np.abs(at["start"]))
        at["half"] = np.where(is_halved, np.minimum(at["half"], course.since), at["half"])
        at["moved"] = np.where(phase == END, at["moved"], np.maximum(at["moved"], np.abs(over)))
        for name in ("flow", "root", "density", "viscosity", "count", "hole", "held"):
            at[name] = np.where(begun, 0.0, at[name])
        in_feed = (phase == FEED) & (course.since > 0.5 * course.plan.hold_s)
        sign = np.where(phase == FEED, 1.0, np.sign(at["start"]))
        drop = sign * over
        counts = (self.is_on & (phase == HOLD) & (drop > np.maximum(8, 0.03 * np.abs(at["start"])))) | in_feed
        at["flow"] += np.where(counts, sign * flows.hole_m3_s, 0)
        at["root"] += np.where(counts, np.sqrt(np.abs(drop)), 0)
        at["density"] += np.where(counts, flows.density, 0)
        at["viscosity"] += np.where(counts, flows.viscosity, 0)
        at["count"] += counts
        per_mol = GAS * gas.t / room * dt
        is_moving = (self.is_on & (phase == FEED)) | (counts & (phase == HOLD))
        at["hole"] -= np.where(is_moving, flows.hole_mol_s * per_mol, 0)
        at["held"] += np.where(self.is_on, dt, 0)
        at["end"] = np.where(is_moving, over, np.where(begun, over, at["end"]))
        shut = (phase >= CLOSED) & (phase < RELEASE)
        at["shut_at"] = np.where(shut & ~self.was_shut, over, at["shut_at"])
        at["shut_end"] = np.where(shut, over, at["shut_end"])
        read = np.maximum(over + gas.bench.offset_pa, self.least_pa)
        is_quiet = (phase == CLOSED) | (phase == HOLD)
        at["shut_from"] = np.where(is_quiet & (phase == self.phase), at["shut_from"], read)
        at["fell"] = np.maximum(at["fell"], np.where(is_quiet, at["shut_from"] - read, 0))
        self.phase = phase
        early = (phase == RELEASE) & (course.since >= 1) & (course.since <= 3)
        at["before"] = np.where(phase == HOLD, over, at["before"])
        at["left"] = np.where(early, over, at["left"])
        self.was_shut = shut


def run(bench: Bench, made: Plan, seed: int) -> Ran:
    """Run every recording to its end; `seed` makes the manifold wander."""
    n = len(bench.model)
    rng = np.random.default_rng(seed)
    gas, course, meter = Gas(bench, rng), Course(made, bench, seed + 1), Meter(bench)
    most = int(LONGEST_S / STEP_S / KEPT_EVERY)
    over, duties, feeds = (np.zeros((most, n), np.float32) for _ in range(3))
    shuts, lengths, begun = np.zeros((most, n), bool), np.zeros(n, int), np.zeros(n, bool)
    for i in range(most * KEPT_EVERY):
        duty, shut, is_fed = course.commands()
        here = gas.p - bench.ambient_pa
        regulated = np.clip((made.feed_pa - here) / 150, 0, 1) * made.feed_mol_s
        feed = np.where(is_fed, np.where(course.phase == FEED, regulated, made.feed_mol_s), 0.0)
        if i % KEPT_EVERY == 0:
            k = i // KEPT_EVERY
            over[k], duties[k], shuts[k], feeds[k] = here, duty, shut, feed
            lengths += course.phase != END
        flows = gas.step(STEP_S, duty, shut, feed, made.is_fed_at_line)
        meter.watch(STEP_S, gas, flows, course, begun)
        read = gas.p - bench.ambient_pa + bench.offset_pa
        begun = course.advance(STEP_S, np.where(np.isnan(bench.stuck_pa), read, bench.stuck_pa))
        if (course.phase == END).all():
            break
    kept = int(lengths.max())
    return _summed(bench, meter.at, (over[:kept], duties[:kept], shuts[:kept], feeds[:kept]), lengths)


def _summed(bench: Bench, at: dict[str, Array], histories: tuple[Array, ...], lengths: Array) -> Ran:
    over, duty, shut, feed = histories
    count = np.maximum(at["count"], 1)
    drop = (at["root"] / count) ** 2
    density = np.where(at["count"] > 0, at["density"] / count, 1.2)
    viscosity = np.where(at["count"] > 0, at["viscosity"] / count, 1.8e-5)
    size = equivalent_mm(at["flow"] / count, drop, density, viscosity)
    size = np.where(
        np.isnan(size) | (at["count"] < 3),
        np.where(bench.fault == "vent_open", np.nan, bench.hole_built_mm),
        size,
    )
    moved = at["end"] - at["start"]
    is_steady = bench.course == "steady"
    start = np.where(is_steady, at["end"], at["start"])
    tight_half = np.where(np.isin(bench.fault, (*HOLES, "cap_off", "vent_open")), at["half"], np.inf)
    return Ran(
        over_pa=over,
        duty_pct=duty,
        is_shut=shut,
        feed_mol_s=feed,
        lengths=lengths,
        start_pa=np.abs(start),
        half_life_s=tight_half,
        hole_mm=size,
        hole_pa=np.abs(at["hole"]),
        other_pa=np.abs(moved - at["hole"]),
        gave_back=np.abs(moved) / np.maximum(np.abs(start), 1) * ~is_steady,
        held_s=at["held"],
        crept_pa=at["shut_end"] - at["shut_at"],
        fell_pa=at["fell"],
        tank_moved_pa=at["moved"],
        left_pa=np.abs(at["left"]),
        left_share=np.abs(at["left"]) / np.maximum(np.abs(at["before"]), 1),
    )
