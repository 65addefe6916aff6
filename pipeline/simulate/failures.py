"""When components fail: Weibull ages with renewal at replacement, within the world's three years."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate import world
from pipeline.simulate.fleet import Fleet, year_weights

ACTIONS = ("replaced", "repaired", "cleaned")


@dataclass(frozen=True)
class Failures:
    """Failures in arrays of one length: vehicle (index in its fleet), component, day, and what is done."""

    vehicle: np.ndarray
    component: np.ndarray
    day: np.ndarray
    action: np.ndarray


def weibull_scale_years(component: world.Component) -> float:
    """Find the scale [years] that gives the component its rate over the fleet's mix of ages.

    Equation: rate = (k / scale**k) E[age**(k-1)], ages at the middle of the three years.
    """
    k = component.weibull_shape
    age = np.maximum(2024.5 - np.array(world.MODEL_YEARS), 0.7)
    mean_power = float(np.sum(year_weights() * age ** (k - 1)))
    return (k * mean_power * 1000 / component.rate_per_1000_vehicle_years) ** (1 / k)


def draw_failures(rng: np.random.Generator, fleet: Fleet) -> Failures:
    """Draw every failure between the start of the three years and the vehicle's end.

    A unit is the first one when the three years begin: its age then counts from the day in service. A
    replacement starts a new unit; any other action leaves the old unit as old as it was.
    """
    parts = [_of_component(rng, fleet, i) for i in range(len(world.COMPONENTS))]
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)]
    order = np.lexsort((columns[1], columns[2], columns[0]))
    return Failures(*(c[order] for c in columns))


def _of_component(
    rng: np.random.Generator, fleet: Fleet, index: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    component = world.COMPONENTS[index]
    ratio = _rate_ratio(fleet, component)
    cleaned = max(0.0, round(1 - component.replaced - component.repaired, 9))
    shares = [component.replaced, component.repaired, cleaned]
    scale_days, shape = weibull_scale_years(component) * 365.25, component.weibull_shape
    born = fleet.in_day.astype(float)
    now = np.maximum(born, world.START_DAY)
    last = np.minimum(fleet.out_day, world.END_DAY)
    alive = np.flatnonzero(now < last)
    found = []
    while alive.size:
        age = np.maximum(now[alive] - born[alive], 0)
        hazard_so_far = (age / scale_days) ** shape
        spent = rng.standard_exponential(alive.size) / ratio[alive]
        day = born[alive] + scale_days * (hazard_so_far + spent) ** (1 / shape)
        inside = day < last[alive]
        alive, day = alive[inside], day[inside]
        action = rng.choice(3, alive.size, p=shares)
        found.append((alive, np.full(alive.size, index), day, action))
        now[alive] = day + 15
        born[alive] = np.where(action == 0, day + 15, born[alive])
        alive = alive[now[alive] < last[alive]]
    return tuple(np.concatenate(c) for c in zip(*found, strict=True)) if found else _nothing()  # type: ignore[return-value]


def _rate_ratio(fleet: Fleet, component: world.Component) -> np.ndarray:
    if component.name != world.EFFECTS.component:
        return np.ones(fleet.size)
    recurs = np.array([m.name == world.EFFECTS.model for m in world.MODELS])
    return np.where(recurs[fleet.model], world.EFFECTS.rate_ratio, 1.0)


def _nothing() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    whole = np.zeros(0, dtype=int)
    return whole, whole, np.zeros(0), whole
