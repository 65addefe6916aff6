"""What the shop does: rest, shut the vent, draw until deep enough or out of patience, hold, vent; or fill and hold.

Phases are those of the contract, by command. Up to three draws; the last hold is the long one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.end_to_end.rich_gas import STEP_S, Array, Plan, Tanks

REST, CLOSED, DRAW, HOLD, RELEASE, OVER = range(6)
CHUNK = 200


@dataclass(frozen=True)
class Course:
    """What happened to one tank: gauge pressure [Pa] and commands, a row per step."""

    pressure_pa: Array
    duty_pct: Array
    is_vent_closed: NDArray[np.bool_]
    phase: NDArray[np.int8]


class Routine:
    """The commands of many recordings as they go along."""

    def __init__(self, plan: Plan) -> None:
        n = len(plan["volume_l"])
        self.plan, self.phase = plan, np.zeros(n, np.int8)
        self.since, self.draw = np.zeros(n), np.zeros(n, int)

    def keep(self, chosen: NDArray[np.bool_], plan: Plan) -> None:
        """Go on with the chosen recordings alone."""
        self.plan = plan
        self.phase, self.since, self.draw = self.phase[chosen], self.since[chosen], self.draw[chosen]

    def at(self, now: float, reading: Array) -> None:
        """Change phases that are over at `now`."""
        plan, row = self.plan, np.arange(len(self.phase))
        spent = now - self.since
        k = self.draw
        deep = np.where(
            plan["is_fill"], reading >= -plan["target_pa"][row, k], reading <= plan["target_pa"][row, k]
        )
        is_last = k + 1 >= plan["n_draws"]
        ends = np.select(
            [self.phase == p for p in (REST, CLOSED, DRAW, HOLD, RELEASE)],
            [
                spent >= plan["rest_s"],
                spent >= plan["closed_s"],
                deep | (spent >= plan["timeout_s"][row, k]),
                spent >= plan["hold_s"][row, k],
                spent >= plan["release_s"],
            ],
            False,
        )
        after = np.where((self.phase == HOLD) & ~is_last, DRAW, self.phase + 1)
        after = np.where((self.phase == REST) & (plan["closed_s"] <= 0), DRAW, after)
        after = np.where((self.phase == REST) & plan["is_routine"], RELEASE, after)
        self.draw = np.where(ends & (self.phase == HOLD) & ~is_last, k + 1, k)
        self.phase = np.where(ends, after, self.phase).astype(np.int8)
        self.phase = np.where(now >= plan["cut_s"], OVER, self.phase).astype(np.int8)
        self.since = np.where(ends, now, self.since)

    def commands(self, now: float) -> tuple[Array, NDArray[np.bool_], Array]:
        """Return duty [%], vent shut, and gas filled in [mol/s]."""
        plan, drawing = self.plan, self.phase == DRAW
        spent = now - self.since
        ramp = np.minimum(1.0, (1 + np.floor(spent / plan["ramp_s"])) / plan["ramp_steps"])
        duty = np.round(plan["duty_pct"] * ramp, 1) * (drawing & ~plan["is_fill"])
        early = plan["rest_duty_pct"] * ((self.phase == REST) & (now >= plan["rest_duty_from_s"]))
        drive = np.round(plan["duty_pct"] * (0.5 + 0.5 * np.sin(now / 7.0)), 1) * plan["is_routine"]
        duty = np.where(plan["is_routine"], drive, np.maximum(duty, early))
        shut = (self.phase >= CLOSED) & (self.phase <= HOLD)
        return duty, shut, np.where(drawing & plan["is_fill"], plan["fill_mol_s"], 0.0)


def run(plan: Plan, longest_s: float = 420.0) -> list[Course]:
    """Return what happened in each planned recording; those that are over leave the computation."""
    n = len(plan["volume_l"])
    alive, parts = np.arange(n), [[] for _ in range(n)]
    tanks, routine = Tanks(plan), Routine(plan)
    for chunk in range(int(longest_s / STEP_S / CHUNK)):
        taken = _chunk(tanks, routine, chunk * CHUNK)
        for j, i in enumerate(alive):
            parts[i].append([column[:, j] for column in taken])
        going = routine.phase != OVER
        if not going.any():
            break
        if not going.all():
            alive = alive[going]
            part = {name: values[alive] for name, values in plan.items()}
            tanks.keep(going, part)
            routine.keep(going, part)
    return [_joined(p) for p in parts]


def _chunk(tanks: Tanks, routine: Routine, first: int) -> tuple[np.ndarray, ...]:
    n = len(routine.phase)
    pressure, duty = np.zeros((CHUNK, n)), np.zeros((CHUNK, n))
    shut, phase = np.zeros((CHUNK, n), bool), np.zeros((CHUNK, n), np.int8)
    for i in range(CHUNK):
        now = (first + i) * STEP_S
        pressure[i] = tanks.gauge
        routine.at(now, pressure[i] + routine.plan["offset_pa"])
        duty[i], shut[i], fill = routine.commands(now)
        phase[i] = routine.phase
        tanks.advance(np.full(n, now), duty[i], shut[i], fill)
    return pressure, duty, shut, phase


def _joined(parts: list[list[np.ndarray]]) -> Course:
    pressure, duty, shut, phase = (np.concatenate(column) for column in zip(*parts, strict=True))
    end = int(np.argmax(phase == OVER)) if (phase == OVER).any() else len(phase)
    return Course(pressure[:end], duty[:end], shut[:end], phase[:end])
