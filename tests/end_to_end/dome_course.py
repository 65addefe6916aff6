"""What was done to a vehicle: causes, kinds of test, and how the operator went about them."""

from __future__ import annotations

import numpy as np

from tests.end_to_end.dome_fleet import Shop
from tests.end_to_end.dome_tank import DRAW, FILL, FLOW, ROUTINE, STD_L_MIN, Course

Rng = np.random.Generator
VERDICT = {
    "tight": "holds",
    "hole": "leak",
    "crack": "leak",
    "gross": "gross_leak",
    "vent_stuck_open": "gross_leak",
    "purge_stuck_shut": "no_vacuum",
    "purge_passes": "purge_passes_closed",
    "release_blocked": "vent_restricted",
    "sensor_flat": "sensor_flat",
    "sensor_offset": "sensor_offset",
    "sensor_disagrees": "sensor_disagrees",
    "cut_short": "not_judged",
    "none": "not_judged",
}
#: How often what is found [%], by what was tested.
CAUSES = {
    "before": {
        "tight": 19,
        "hole": 42,
        "crack": 3,
        "gross": 6,
        "vent_stuck_open": 4,
        "purge_stuck_shut": 5,
        "purge_passes": 5,
        "release_blocked": 5,
        "sensor_flat": 3,
        "sensor_offset": 3,
        "sensor_disagrees": 3,
        "cut_short": 2,
    },
    "after": {"tight": 80, "hole": 14, "purge_passes": 2, "release_blocked": 2, "cut_short": 2},
    "fill": {"tight": 38, "hole": 50, "gross": 7, "crack": 3, "cut_short": 2},
    "flow": {"tight": 32, "hole": 58, "gross": 10},
}
CODES = {"hole": ["P0442", "P0456"], "gross": ["P0455", "P0457"], "vent_stuck_open": ["P0446", "P0455"]}


def cause_of(rng: Rng, of: str) -> str:
    names, weights = zip(*CAUSES[of].items(), strict=True)
    return str(rng.choice(names, p=np.array(weights) / sum(weights)))


def course_of(rng: Rng, kind: int, shop: Shop, cause: str) -> tuple[Course, str]:
    """Return what the operator does, and the word for how: plain, early, timeout, twice, cut."""
    rest, closed = rng.uniform(3.0, 12.0), rng.uniform(4.0, 20.0)
    hold, release = rng.uniform(60.0, 120.0), rng.uniform(8.0, 20.0)
    plain = Course(DRAW, rest, closed, 0.0, 60.0, 0.0, hold, release, 0.0, 0.0, 0, 0.0, 0, 0.0)
    if kind == ROUTINE:
        duty = float(rng.choice([0.0, 0.3, 0.6])) * float(rng.uniform(0.7, 1.3))
        return plain._replace(kind=ROUTINE, duty=duty, ramp_s=rng.uniform(20.0, 60.0)), "plain"
    if kind == FILL:
        place, feed = int(rng.integers(0, 2)), rng.uniform(4.0, 14.0) * STD_L_MIN
        target, timeout = 3487.0 + rng.normal(0.0, 60.0), rng.uniform(60.0, 90.0)
        course = plain._replace(
            kind=FILL, target_pa=target, timeout_s=timeout, feed_mol_s=feed, feed_place=place
        )
        return _cut(rng, course, cause)
    if kind == FLOW:
        return plain._replace(
            kind=FLOW,
            target_pa=rng.uniform(2600.0, 3400.0),
            timeout_s=rng.uniform(150.0, 220.0),
            feed_mol_s=rng.uniform(8.0, 16.0) * STD_L_MIN,
            feed_place=int(rng.integers(0, 2)),
            droop_mol_s_pa=STD_L_MIN * rng.uniform(0.01, 0.04),
        ), "plain"
    stairs = int(rng.integers(3, 6)) if shop.ramp == "stairs" else 0
    course = plain._replace(
        target_pa=shop.target_pa * rng.normal(1.0, 0.06),
        timeout_s=rng.uniform(25.0, 45.0),
        duty=float(rng.uniform(0.2, 0.65)),
        ramp_s=0.0 if shop.ramp == "step" else rng.uniform(3.0, 8.0),
        stairs=stairs,
    )
    if cause == "sensor_flat":
        return course._replace(timeout_s=rng.uniform(5.0, 12.0), target_pa=3500.0), "timeout"
    if cause == "cut_short":
        return _cut(rng, course, cause)
    if cause not in ("tight", "hole"):
        return course, "plain"
    way = str(rng.choice(["plain", "early", "timeout", "twice"], p=(0.78, 0.05, 0.08, 0.09)))
    if way == "early":
        course = course._replace(hold_s=rng.uniform(15.0, 50.0))
    elif way == "timeout":
        course = course._replace(target_pa=9e3, timeout_s=rng.uniform(3.0, 7.0))
    elif way == "twice":
        course = course._replace(first_hold_s=rng.uniform(4.0, 20.0))
    return course, way


def _cut(rng: Rng, course: Course, cause: str) -> tuple[Course, str]:
    if cause != "cut_short":
        return course, "plain"
    return course._replace(hold_s=rng.uniform(0.3, 3.5), release_s=0.0), "cut"
