"""Which components a verdict, the job's checks and the trouble codes point at."""

from __future__ import annotations

from functools import cache

from pipeline.contract.vocabulary import COMPONENTS

#: Components that can cause a verdict, likeliest first (common practice: easiest worn and most often found first). All
#: of them: who repaired one that is not among them is said to have gone against the evidence. A driver that fails, or
#: its wire, leaves a valve open that should be shut and shut that should be open.
CAUSES: dict[str, tuple[str, ...]] = {
    "leak": (
        "fuel_cap",
        "vapor_line",
        "filler_neck",
        "tank_seal",
        "canister",
        "vent_valve",
        "purge_valve",
        "fuel_tank",
    ),
    "gross_leak": (
        "vent_valve",
        "fuel_cap",
        "vapor_line",
        "filler_neck",
        "canister",
        "wiring",
        "tank_seal",
        "control_module",
        "fuel_tank",
    ),
    "no_vacuum": (
        "purge_valve",
        "vapor_line",
        "vent_valve",
        "fuel_cap",
        "wiring",
        "control_module",
        "canister",
    ),
    "purge_passes_closed": ("purge_valve", "wiring", "control_module"),
    "vent_restricted": ("vent_valve", "canister", "vapor_line", "wiring", "control_module"),
    "sensor_flat": ("tank_pressure_sensor", "wiring", "control_module"),
    "sensor_offset": ("tank_pressure_sensor", "wiring", "control_module"),
    "sensor_disagrees": ("tank_pressure_sensor", "wiring", "control_module"),
}

#: What a check says of components, as parts added to the score of 1 for the first cause, 1/2 for the second, ...
CHECK_SAYS: dict[str, dict[str, float]] = {
    "vent_click=fail": {"vent_valve": 1.0, "wiring": 0.4},
    "vent_click=pass": {"vent_valve": -0.4},
    "purge_click=fail": {"purge_valve": 1.0, "wiring": 0.4},
    "purge_click=pass": {"wiring": -0.2},
    "circuit_load=fail": {"wiring": 2.0},
    "circuit_load=pass": {"wiring": -0.6},
    "cap_seal=fail": {"fuel_cap": 2.0},
    "cap_seal=pass": {"fuel_cap": -0.9},
    "sensor_reference=fail": {"tank_pressure_sensor": 2.0},
    "sensor_reference=pass": {"tank_pressure_sensor": -0.6},
}

_VENT_CIRCUIT = {"wiring": 0.6, "vent_valve": 0.6}
_PURGE_CIRCUIT = {"wiring": 0.6, "purge_valve": 0.6}
_SENSOR = {"tank_pressure_sensor": 0.6, "wiring": 0.3}
#: What a stored code (SAE J2012) says of components.
CODE_SAYS: dict[str, dict[str, float]] = {
    "P0457": {"fuel_cap": 0.8},
    "P0441": {"purge_valve": 0.4},
    "P0496": {"purge_valve": 0.6},
    "P0497": {"purge_valve": 0.4, "vapor_line": 0.2},
    "P2421": {"vent_valve": 0.8},
    "P2422": {"vent_valve": 0.8},
    **dict.fromkeys(("P0443", "P0444", "P0445", "P0458", "P0459"), _PURGE_CIRCUIT),
    **dict.fromkeys(("P0446", "P0447", "P0448", "P0449", "P0498", "P0499"), _VENT_CIRCUIT),
    **dict.fromkeys(("P0450", "P0451", "P0452", "P0453", "P0454"), _SENSOR),
}
#: What a code says instead where a check has answered it: a cap that seals on the tester may still not on its neck.
ANSWERED: dict[tuple[str, str], dict[str, float]] = {("P0457", "cap_seal=pass"): {"filler_neck": 0.4}}
#: What a recording has shown to be otherwise: a purge valve that drew the vacuum which the leak then let go does click.
CONTRADICTED = {("leak", "purge_click=fail")}
_LEAST_SCORE = 0.1
#: What lets a system stand wide open; a shut tank that creeps clears them.
OPENINGS = ("vent_valve", "fuel_cap")


@cache
def name_suspects(
    stories: tuple[tuple[str, float], ...],
    checks: tuple[str, ...] = (),
    trouble_codes: tuple[str, ...] = (),
    cleared: tuple[str, ...] = (),
) -> list[str]:
    """Return the components to look at, likeliest first; none where the system holds.

    Parameters
    ----------
    stories : the verdict and its probability, and others that compete with it; empty where nothing was judged. Their
        causes count by their weight. Checks and codes reorder the causes and add none that could not cause any of the
        stories; where nothing was judged they stand alone. None takes a cause of the verdict away: a valve that clicks
        may not seal.
    checks : `name=pass` or `name=fail`.
    trouble_codes : stored codes.
    cleared : components that the trace itself has shown to be in order.
    """
    verdict = stories[0][0] if stories else ""
    if verdict == "holds":
        return []
    score: dict[str, float] = {}
    for story, weight in stories:
        causes = [part for part in CAUSES.get(story, ()) if part not in cleared]
        for rank, part in enumerate(causes):
            score[part] = score.get(part, 0.0) + weight / (rank + 1)
    may_add = not score
    said = [CHECK_SAYS.get(check, {}) for check in checks if (verdict, check) not in CONTRADICTED]
    for code in trouble_codes:
        answers = [ANSWERED[code, check] for check in checks if (code, check) in ANSWERED]
        said += answers or [CODE_SAYS.get(code, {})]
    for says in said:
        for part, points in says.items():
            if may_add or part in score:
                score[part] = score.get(part, 0.0) + points
    can_cause = CAUSES.get(verdict, ())
    likely = [part for part in score if score[part] >= _LEAST_SCORE or part in can_cause]
    return sorted(likely, key=lambda part: (-score[part], COMPONENTS.index(part)))
