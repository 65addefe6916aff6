"""What the ninth author's technicians do: rests, draws in steps, holds, fills to fourteen inches, fed flows, idling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.carbon_fleet import MODELS, Bench
from tests.end_to_end.carbon_truth import Array

REST, CLOSED, DRAW, HOLD, RELEASE, FILL, FEED, END = range(8)
FILL_PA = 3487.0
"""14 inches of water."""


@dataclass
class Plan:
    """Durations [s], targets [Pa], purge duty [%], gas fed [mol/s]; arrays of one length."""

    rest_s: Array
    is_purging_at_rest: Array
    closed_s: Array
    draws: Array
    between_s: Array
    target_pa: Array
    most_draw_s: Array
    duty_first: Array
    duty_step: Array
    step_s: Array
    duty_most: Array
    hold_s: Array
    release_s: Array
    feed_mol_s: Array
    feed_pa: Array
    is_fed_at_line: Array
    cut: Array


def plan(rng: np.random.Generator, bench: Bench) -> Plan:
    """Draw how each recording goes. A hold lasts 60 to 120 s in most; some vents are opened early."""
    n = len(bench.model)
    hold = rng.uniform(60, 120, n)
    odd = rng.random(n)
    hold = np.where(odd < 0.06, rng.uniform(25, 60, n), np.where(odd > 0.92, rng.uniform(120, 240, n), hold))
    hold = np.where((odd > 0.06) & (odd < 0.085), rng.uniform(11, 30, n), hold)  # the vent is opened early
    is_fill, is_steady = bench.course == "fill", bench.course == "steady"
    hold = np.where(is_fill & (rng.random(n) < 0.6), rng.uniform(118, 150, n), hold)
    hold = np.where(is_steady, rng.uniform(70, 160, n), hold)
    cut = np.where(bench.fault == "cut", rng.choice(["at draw", "after draw", "at rest"], n), "")
    hold = np.where(cut == "after draw", rng.uniform(0.4, 2.5, n), hold)
    target = np.array([m.draw_pa for m in MODELS])[bench.model] * rng.choice([0.75, 1.0], n, p=[0.15, 0.85])
    target *= np.exp(rng.normal(0, 0.02, n))
    target = np.where(is_fill, FILL_PA + rng.normal(0, 40, n), target)
    rest = np.where(rng.random(n) < 0.2, rng.uniform(1.5, 4, n), rng.uniform(4, 25, n))
    rest = np.where(bench.course == "routine", rng.uniform(50, 260, n), rest)
    closed = np.where(rng.random(n) < 0.25, 0.0, rng.uniform(4, 45, n))
    release = np.where(rng.random(n) < 0.08, 0.0, rng.uniform(3, 18, n))
    most_flow = np.where(is_steady, rng.uniform(8, 18, n), rng.uniform(2.5, 7, n)) / 60  # standard l/s
    return Plan(
        rest_s=rest,
        is_purging_at_rest=(rng.random(n) < 0.15) & (rest > 7),
        closed_s=np.where(is_fill | is_steady, 0.0, closed),
        draws=np.where((rng.random(n) < 0.1) & (cut == ""), 2, 1),
        between_s=rng.uniform(12, 35, n),
        target_pa=target,
        most_draw_s=rng.uniform(22, 50, n) * np.where(is_fill, 3, 1),
        duty_first=rng.uniform(10, 18, n),
        duty_step=rng.choice([0.0, 3.0, 5.0], n),
        step_s=rng.uniform(1.5, 4, n),
        duty_most=rng.uniform(20, 45, n),
        hold_s=hold,
        release_s=np.where(cut == "after draw", np.maximum(release, 6.0), release),
        feed_mol_s=most_flow * 101.325 / (8.31446 * 293.15),
        feed_pa=np.where(rng.random(n) < 0.5, FILL_PA, rng.uniform(1800, 3400, n)),
        is_fed_at_line=rng.random(n) < 0.6,
        cut=cut,
    )


class Course:
    """The state of every recording's procedure: what is commanded now, from the time and the pressure read."""

    def __init__(self, made: Plan, bench: Bench, seed: int) -> None:
        n = len(bench.model)
        self.plan, self.bench = made, bench
        self.phase, self.since = np.zeros(n, int), np.zeros(n)
        self.draws_left = made.draws.copy()
        self.wander = np.random.default_rng(seed)
        self.routine_duty = np.zeros(n)

    def commands(self) -> tuple[Array, Array, Array]:
        """Return the purge's duty [%], whether the vent is shut, and whether gas is fed."""
        p, phase = self.plan, self.phase
        ramp = p.duty_first + p.duty_step * np.floor(self.since / p.step_s)
        duty = np.where(phase == DRAW, np.minimum(ramp, p.duty_most), 0.0)
        early = (phase == REST) & p.is_purging_at_rest & (self.since < p.rest_s - 4)
        duty = np.where(early, p.duty_first, duty)
        is_routine = self.bench.course == "routine"
        is_gas = self.bench.course != "draw"
        duty = np.where(is_gas, 0.0, duty)
        duty = np.where(is_routine & (phase == REST), self.routine_duty, duty)
        shut = (phase >= CLOSED) & (phase != RELEASE) & (phase != END)
        return duty, shut, (phase == FILL) | (phase == FEED)

    def advance(self, dt_s: float, read_pa: Array) -> Array:
        """Go on by one step; return whether the last hold (or the feed) has just begun."""
        p, b, phase = self.plan, self.bench, self.phase
        self.since = self.since + dt_s
        if self.wander.random() < dt_s / 4:
            jump = self.wander.random(len(phase)) < 0.4
            self.routine_duty = np.where(jump, 70 * self.wander.random(len(phase)) ** 2, self.routine_duty)
        reached = np.where(b.course == "fill", read_pa > p.target_pa, read_pa < -p.target_pa)
        late = self.since > p.most_draw_s
        first = np.select([b.course == "fill", b.course == "steady"], [FILL, FEED], CLOSED)
        first = np.where((b.course == "routine") | (p.cut == "at rest"), END, first)
        is_again = (self.draws_left > 0) & (b.course == "draw")
        hold_s = np.where(is_again, p.between_s, p.hold_s)
        after_draw = np.where(p.cut == "at draw", END, HOLD)
        to = phase.copy()
        for at, is_over, where in (
            (REST, self.since > p.rest_s, first),
            (CLOSED, self.since > p.closed_s, DRAW),
            (DRAW, reached | late, after_draw),
            (FILL, reached | late, HOLD),
            (FEED, self.since > p.hold_s, RELEASE),
            (HOLD, self.since > hold_s, np.where(is_again, DRAW, RELEASE)),
            (RELEASE, self.since > p.release_s, END),
        ):
            to = np.where((phase == at) & is_over, where, to)
        is_new = to != phase
        self.draws_left = self.draws_left - (is_new & (to == DRAW))
        self.phase, self.since = to, np.where(is_new, 0.0, self.since)
        is_last = (b.course != "draw") | (self.draws_left == 0)
        return is_new & (((to == HOLD) & is_last) | (to == FEED))
