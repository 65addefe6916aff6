"""What one run of the simulated tank needs to know: its numbers by name, with a plain sound tank as default."""

from __future__ import annotations

from typing import Any

import numpy as np

#: Ways of running: a draw-down and hold, a drive without test, a filling from outside and hold.
TEST, DRIVE, FILL = 0, 1, 2
#: Gas spaces: the tank's main dome, the canister with its lines, the second dome of a saddle tank.
TANK, CANISTER, SADDLE = 0, 1, 2
WORKS, STUCK_OPEN, BLOCKED = 0, 1, 2

DEFAULTS: dict[str, float] = {
    "mode": TEST,
    # Outside.
    "ambient_pa": 101_325.0, "ambient_k": 295.0, "wind_pa": 0.0, "wind_s": 8.0,
    # Gas spaces and what joins them: volumes, line from tank to canister (length, bore), pipe to the second dome.
    "tank_m3": 0.03, "canister_m3": 0.002, "saddle_m3": 0.0, "line_long_m": 1.5, "line_m": 0.010, "cross_m": 0.016,
    "cross_long_m": 0.5,
    # Walls: heat, and how far they give at once and slowly.
    "wall_k": 295.0, "wall_k_s": 0.0, "wall_m2": 0.7, "heat_w_m2_k": 4.0, "gives_m3_pa": 0.0, "gives_late_m3_pa": 0.0,
    "late_s": 20.0,
    # Fuel: temperature, its drift, free surface, mole fractions of light and heavy, transfer, share of saturation.
    "fuel_k": 295.0, "fuel_k_s": 0.0, "surface_m2": 0.25, "light": 0.0, "heavy": 0.0, "transfer_m_s": 8e-5,
    "saturation": 1.0, "skin_m": 3e-3,
    # Carbon: most that it takes, Langmuir's constant, conductance, vapor that it stood under.
    "carbon_mol": 1.5, "carbon_per_pa": 5e-4, "carbon_mol_s_pa": 0.0, "carbon_pa": 500.0,
    # Vent: bore, carbon bed and filter [Pa s/m3], lag; what is wrong with it, and what is left of its bore.
    "vent_m": 0.011, "vent_creep": 6e4, "vent_s": 0.08, "vent_state": WORKS, "block_m": 0.0,
    # Purge: bore at full duty, pulses a second, duty and its ramp, manifold; bore when shut, share that still arrives.
    "purge_m": 0.002, "purge_hz": 10.0, "duty": 1.0, "ramp_s": 0.0, "manifold_pa": 35e3, "manifold_sd_pa": 0.0,
    "passes_m": 0.0, "arrives": 1.0,
    # Safety valve of the cap.
    "relief_vacuum_pa": 7e3, "relief_pa": 12e3,
    # Leak, and what even a sound system lets through.
    "leak_shape": 0, "leak_m": 0.0, "leak_gap_m": 0.0, "leak_long_m": 0.0, "leak_head": 0.61, "leak_at": TANK,
    "residual_m": 0.0,
    # What the tester's eye on the pressure is told.
    "sense_at": TANK, "sense_offset_pa": 0.0, "sense_gain": 1.0, "sense_is_stuck": 0, "watch_s": 0.1,
    # Procedure.
    "start_pa": 0.0, "rest_s": 6.0, "closed_s": 5.0, "draws": 1, "target_pa": 2500.0, "timeout_s": 30.0,
    "pause_s": 6.0, "hold_s": 60.0, "release_s": 8.0, "fill_mol_s": 0.0,
}  # fmt: skip

WHOLE = {
    "mode", "vent_state", "leak_shape", "leak_at", "sense_at", "sense_is_stuck", "draws"
}  # fmt: skip
PLAN = np.dtype([(name, np.int64 if name in WHOLE else np.float64) for name in DEFAULTS])


def plan_of(**numbers: float) -> Any:
    """Return one record of PLAN: the plain sound tank with these numbers changed."""
    plan = np.zeros(1, PLAN)
    for name, number in {**DEFAULTS, **numbers}.items():
        plan[name] = number
    return plan[0]
