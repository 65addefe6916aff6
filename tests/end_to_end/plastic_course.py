"""What happens to a planned recording: rows of pressure and commands, 20 ms apart."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.end_to_end.plastic_gas import ROW_S, ROW_TICKS, run

#: Of one tank and its test; names bear their unit.
NAMES = """
    tank_pa canister_pa sensed_pa gas_k surface_k fuel_k wall_k volume_m3 late_m3 canister_mol adsorbed_mol booked_mol
    vent manifold_noise_pa phase spent_s draws duty vent_command is_pumping is_cap_off
"""
STATE = np.dtype([(name, "f8") for name in NAMES.split()])
LONGEST_S = 330


def simulate(plan: Any, seed: int, calm_ticks: int = ROW_TICKS) -> tuple[np.ndarray, float]:
    """Return what happens to a planned recording, and the moles that its books do not explain.

    Rows are `ROW_S` apart: gauge pressure at the sensor [Pa], duty (0 to 1), vent command, phase, gauge pressure of
    the tank [Pa]. Steps are of 5 ms while the purge valve pulses and for 2 s after each command, else of `calm_ticks`
    times that, four times as long from 10 s on, and of 0.1 s while the tank settles before the recording. With
    `calm_ticks=1`, as the author had it, all are of 5 ms.
    """
    state = np.zeros(1, STATE)[0]
    rows = np.zeros((int(LONGEST_S / ROW_S), 5))
    n = run(plan, state, rows, seed, calm_ticks)
    return rows[:n].copy(), float(state["booked_mol"])
