"""What goes wrong with a component: how it shows in a test, which codes it stores, which checks find it."""

from __future__ import annotations

import numpy as np

from pipeline.contract.vocabulary import VERDICTS
from pipeline.simulate import world

#: a fault is named by the verdict it must get
FAULTS = VERDICTS
FAULT = {name: i for i, name in enumerate(FAULTS)}

#: component -> how it fails, with shares
WAYS: dict[str, dict[str, float]] = {
    "fuel_cap": {"leak": 0.65, "gross_leak": 0.35},
    "filler_neck": {"leak": 1.0},
    "vapor_line": {"leak": 0.75, "gross_leak": 0.10, "no_vacuum": 0.15},
    "purge_valve": {"no_vacuum": 0.40, "purge_passes_closed": 0.60},
    "vent_valve": {"gross_leak": 0.45, "vent_restricted": 0.40, "leak": 0.15},
    "canister": {"vent_restricted": 0.5, "leak": 0.5},
    "tank_pressure_sensor": {"sensor_flat": 0.35, "sensor_offset": 0.35, "sensor_disagrees": 0.30},
    "tank_seal": {"leak": 1.0},
    "fuel_tank": {"leak": 1.0},
    "wiring": {"no_vacuum": 0.35, "gross_leak": 0.35, "sensor_flat": 0.30},
    "control_module": {"no_vacuum": 0.5, "gross_leak": 0.5},
    "other": {"leak": 1.0},
}
#: a wrong guess lands on one of these instead
MISTAKEN_FOR: dict[str, tuple[str, ...]] = {
    "leak": ("fuel_cap", "vapor_line", "tank_seal", "filler_neck", "canister"),
    "gross_leak": ("fuel_cap", "vent_valve", "wiring", "filler_neck"),
    "no_vacuum": ("purge_valve", "wiring", "vapor_line", "tank_pressure_sensor"),
    "purge_passes_closed": ("purge_valve", "vapor_line", "canister"),
    "vent_restricted": ("vent_valve", "canister", "purge_valve"),
    "sensor_flat": ("tank_pressure_sensor", "wiring", "control_module"),
    "sensor_offset": ("tank_pressure_sensor", "wiring"),
    "sensor_disagrees": ("tank_pressure_sensor", "wiring"),
}
_CODES: dict[str, tuple[str, ...]] = {
    "gross_leak": ("P0455",),
    "no_vacuum": ("P0441", "P0497"),
    "purge_passes_closed": ("P0496", "P0441"),
    "vent_restricted": ("P0446", "P2422"),
    "sensor_flat": ("P0452", "P0453", "P0450"),
    "sensor_offset": ("P0451",),
    "sensor_disagrees": ("P0451", "P0454"),
}
_SPECIAL_CODES: dict[tuple[str, str], tuple[str, ...]] = {
    ("fuel_cap", "gross_leak"): ("P0457", "P0455"),
    ("fuel_cap", "leak"): ("P0457", "P0442"),
    ("vent_valve", "gross_leak"): ("P0455", "P0446;P0455", "P2421"),
    ("wiring", "no_vacuum"): ("P0443", "P0444", "P0458"),
    ("wiring", "gross_leak"): ("P0447", "P0498", "P0449"),
    ("control_module", "no_vacuum"): ("P0443", "P0445"),
    ("control_module", "gross_leak"): ("P0449", "P0448"),
    ("other", "leak"): ("P0440", "P0442"),
}
_OTHER_CODES = ("P0420", "P0171", "P0128", "P0300")
_CHECKS: dict[str, str] = {
    "fuel_cap": "cap_seal=fail",
    "filler_neck": "smoke=fail;visual=fail",
    "vapor_line": "smoke=fail;visual=fail",
    "canister": "visual=fail;vent_click=pass",
    "tank_pressure_sensor": "sensor_reference=fail;circuit_load=pass",
    "tank_seal": "smoke=fail;cap_seal=pass",
    "fuel_tank": "smoke=fail;visual=fail",
    "wiring": "circuit_load=fail",
    "control_module": "circuit_load=fail;visual=pass",
    "none_found": "smoke=pass;visual=pass;vent_click=pass;purge_click=pass",
    "other": "visual=fail",
}
_CHECKS_OF_WAY: dict[tuple[str, str], str] = {
    ("vent_valve", "gross_leak"): "vent_click=fail;circuit_load=pass",
    ("vent_valve", "vent_restricted"): "vent_click=fail;circuit_load=pass",
    ("vent_valve", "leak"): "vent_click=pass;smoke=fail",
    ("purge_valve", "no_vacuum"): "purge_click=fail;circuit_load=pass",
    ("purge_valve", "purge_passes_closed"): "purge_click=pass;visual=pass",
}


def draw_faults(rng: np.random.Generator, component: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Draw how each failed component shows: index into `FAULTS`, and the hole [mm] (nan where none is meant)."""
    fault = np.zeros(len(component), dtype=int)
    for index, name in enumerate(world.COMPONENT_NAMES):
        here = component == index
        ways = WAYS[name]
        fault[here] = rng.choice([FAULT[w] for w in ways], here.sum(), p=list(ways.values()))
    diameter = np.exp(rng.uniform(np.log(0.25), np.log(3.0), len(component)))
    return fault, np.where(fault == FAULT["leak"], diameter, np.nan)


def draw_codes(
    rng: np.random.Generator, component: list[str], fault: np.ndarray, diameter_mm: np.ndarray
) -> list[str | None]:
    """Draw the stored codes of each job, separated by `;`; none in one job of twenty."""
    pick, extra, silent = rng.random(len(fault)), rng.random(len(fault)), rng.random(len(fault))
    codes: list[str | None] = []
    for i, name in enumerate(component):
        menu = _code_menu(name, FAULTS[fault[i]], diameter_mm[i])
        code = menu[int(pick[i] ** 1.6 * len(menu))]
        more = f";{_OTHER_CODES[int(extra[i] * 57)]}" if extra[i] < 0.07 else ""
        codes.append(None if silent[i] < 0.05 else code + more)
    return codes


def _code_menu(component: str, fault: str, diameter_mm: float) -> tuple[str, ...]:
    if (component, fault) in _SPECIAL_CODES:
        return _SPECIAL_CODES[component, fault]
    if fault == "leak":
        return ("P0456",) if diameter_mm < 0.6 else ("P0442",) if diameter_mm < 1.6 else ("P0455", "P0442")
    return _CODES.get(fault, ("P0440",))


def draw_checks(rng: np.random.Generator, component: list[str], fault: np.ndarray) -> list[str | None]:
    """Draw the checks that were written down with each job; none in one job of four."""
    written = rng.random(len(component)) < 0.75
    return [
        (_CHECKS_OF_WAY.get((name, FAULTS[f])) or _CHECKS.get(name)) if w else None
        for name, f, w in zip(component, fault, written, strict=True)
    ]
