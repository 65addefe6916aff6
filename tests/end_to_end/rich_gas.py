"""A fuel tank and its canister as two gas volumes: air and fuel vapor, heat, holes, lines and valves.

Written by somebody who has not read the project's estimator, its physics or its simulator. State: moles of air and of
vapor in the tank, gas temperature, absolute pressure in the canister. Pressures are stepped by a theta rule with
secant conductances at the step's middle (second order where slow, stiffly damped where a cap is off).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Plan = dict[str, np.ndarray]

STEP_S = 0.05
GAS_J_MOL_K = 8.314462
AIR_KG_MOL, VAPOR_KG_MOL = 0.028965, 0.065
CP_AIR, CV_AIR = 29.1, 20.8
CP_VAPOR, CV_VAPOR = 105.0, 96.7  # light gasoline vapor, about 65 g/mol: gamma 1.09 (from memory)
CHOKED = 0.528


def vapor_pressure(rvp_psi: Array, celsius: Array) -> Array:
    """Return the true vapor pressure of gasoline [Pa]: AP-42 chapter 7.1, slope 3 (standards.md 11)."""
    root = np.sqrt(3.0)
    log_rvp = np.log(rvp_psi)
    a = 15.64 - 1.854 * root - (0.8742 - 0.3280 * root) * log_rvp
    b = 8742 - 1042 * root - (1049 - 179.4 * root) * log_rvp
    return 6894.757 * np.exp(a - b / (celsius * 1.8 + 32 + 459.6))


def discharge(plan: Plan, reynolds: Array) -> Array:
    """Return the discharge coefficient; three forms that fall at low Reynolds number.

    0: saturating exponential; 1: short tube, 1/C^2 = 1/C0^2 + 64 (l/d) / Re; 2: hyperbola Re / (Re + c).
    """
    form, high, c = plan["cd_form"], plan["cd_high"], plan["cd_low"]
    tube = 1.0 / np.sqrt(1.0 / high**2 + 64.0 * c / 20.0 / reynolds)
    falls = np.where(
        form == 0, high * -np.expm1(-np.sqrt(reynolds / (2.0 * c))), high * reynolds / (reynolds + c)
    )
    return np.where(form == 1, tube, falls)


def hole_conductance(plan: Plan, gauge: Array) -> Array:
    """Return mol/(s Pa) of the leak at a gauge pressure: isentropic nozzle flow of air times the coefficient."""
    ambient, kelvin, mm = plan["ambient_pa"], plan["ambient_k"], plan["leak_mm"]
    size = np.maximum(np.abs(gauge), 0.05)
    high = np.where(gauge > 0, ambient + size, ambient)
    ratio = np.maximum(1.0 - size / high, CHOKED)
    root = ratio ** (1 / 1.4)
    speed2 = 7.0 * (1.0 - ratio / root)
    density = high * AIR_KG_MOL / (GAS_J_MOL_K * kelvin)
    reynolds = np.sqrt(2 * size * density) * mm * 1e-3 / plan["viscosity"] + 1e-9
    area = np.pi / 4 * (mm * 1e-3) ** 2 * plan["line_factor"]
    flow = (
        discharge(plan, reynolds) * area * high * root * np.sqrt(speed2 / (AIR_KG_MOL * GAS_J_MOL_K * kelvin))
    )
    return flow / size


def line_conductance(linear: Array, square: Array, gauge: Array, plan: Plan) -> Array:
    """Return mol/(s Pa) of a line whose drop is linear * q + square * q^2, q in m3/s."""
    q_per_pa = 2.0 / (linear + np.sqrt(linear**2 + 4.0 * square * np.abs(gauge)))
    return q_per_pa * plan["ambient_pa"] / (GAS_J_MOL_K * plan["ambient_k"])


class Tanks:
    """Many tanks at once, all vented at the beginning."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        n_total = plan["ambient_pa"] * plan["volume_l"] * 1e-3 / (GAS_J_MOL_K * plan["wall_k"])
        share = plan["vapor_share"] * plan["saturated_pa"] / plan["ambient_pa"]
        self.air, self.vapor = n_total * (1 - share), n_total * share
        self.kelvin = plan["wall_k"].astype(float).copy()
        self.canister_pa = plan["ambient_pa"].astype(float).copy()
        self.purge, self.vent = np.zeros(len(n_total)), plan["vent_open"].astype(float).copy()
        self.wall = self.kelvin

    def keep(self, chosen: NDArray[np.bool_], plan: Plan) -> None:
        """Go on with the chosen tanks alone."""
        self.plan = plan
        for name in ("air", "vapor", "kelvin", "canister_pa", "purge", "vent"):
            setattr(self, name, getattr(self, name)[chosen])

    @property
    def gauge(self) -> Array:
        """Tank pressure against the atmosphere [Pa]."""
        total = self.air + self.vapor
        return total * GAS_J_MOL_K * self.kelvin / (self.plan["volume_l"] * 1e-3) - self.plan["ambient_pa"]

    def advance(self, now: Array, duty: Array, is_shut: NDArray[np.bool_], fill_mol_s: Array) -> None:
        """Move all tanks by one step under the given commands."""
        plan = self.plan
        self._valves(duty, is_shut)
        p, q = self.gauge, self.canister_pa - plan["ambient_pa"]
        sources = self._sources(now, fill_mol_s)
        x, y, conductances, theta = self._solve(now, p, q, p, q, sources)
        x, y, conductances, theta = self._solve(now, p, q, x, y, sources)
        self.canister_pa = plan["ambient_pa"] + q + (y - q) / theta
        hole, line, _ = conductances
        self._exchange(-hole * x * plan["leak_at_tank"], line * (y - x), fill_mol_s, sources)

    def _valves(self, duty: Array, is_shut: NDArray[np.bool_]) -> None:
        plan = self.plan
        open_to = np.clip((duty - plan["dead_pct"]) / (100.0 - plan["dead_pct"]), 0.0, 1.0)
        self.purge += (open_to - self.purge) * plan["purge_step"]
        vent_to = np.where(is_shut, plan["vent_rest"], plan["vent_open"])
        self.vent += (vent_to - self.vent) * plan["vent_step"]
        self.vent = np.where(self.vent < 1e-3, 0.0, self.vent)

    def _sources(self, now: Array, fill_mol_s: Array) -> tuple[Array, Array, Array, Array]:
        """Return evaporation [mol/s], pressure rate without holes, and what a mole in or out does [Pa/mol]."""
        plan, total = self.plan, self.air + self.vapor
        volume = plan["volume_l"] * 1e-3
        pressure = total * GAS_J_MOL_K * self.kelvin / volume
        heat = self.air * CV_AIR + self.vapor * CV_VAPOR
        per_mol = GAS_J_MOL_K * self.kelvin / volume
        per_k = pressure / self.kelvin / heat
        coming = per_mol + per_k * (CP_AIR * plan["ambient_k"] - CV_AIR * self.kelvin)
        going = per_mol + per_k * GAS_J_MOL_K * self.kelvin
        warmer = plan["fuel_k_s"] * now
        saturated = plan["saturated_pa"] * (1.0 + 0.033 * warmer)
        partial = pressure * self.vapor / total
        vapor = plan["evaporation"] * (saturated - partial)
        by_vapor = per_mol + per_k * (CP_VAPOR * (plan["fuel_k"] + warmer) - CV_VAPOR * self.kelvin)
        wall = self.wall = plan["wall_k"] + plan["wall_k_s"] * now
        rate = (
            by_vapor * vapor
            + coming * fill_mol_s
            - pressure / self.kelvin * (self.kelvin - wall) / plan["wall_s"]
        )
        return vapor, rate, coming, going

    def _solve(
        self,
        now: Array,
        p: Array,
        q: Array,
        at_p: Array,
        at_q: Array,
        sources: tuple[Array, Array, Array, Array],
    ) -> tuple[Array, Array, tuple[Array, Array, Array], Array]:
        """Return both gauge pressures inside the step, with conductances taken at (`at_p`, `at_q`)."""
        plan, (_, rate, coming, going) = self.plan, sources
        at_tank = plan["leak_at_tank"]
        hole = hole_conductance(plan, np.where(at_tank > 0, at_p, at_q)) * self._of_tank_gas(at_p)
        line = line_conductance(plan["line_a"], plan["line_b"], at_q - at_p, plan)
        open_b = plan["bed_b"] + plan["vent_b"] / np.maximum(self.vent, 1e-4) ** 2
        vent = line_conductance(plan["bed_a"], open_b, at_q, plan) * (self.vent > 0)
        per_hole = np.where(at_p < 0, coming, going) * hole * at_tank
        per_line = np.where(at_q > at_p, coming, going) * line
        per_mol = GAS_J_MOL_K * plan["ambient_k"] / (plan["canister_l"] * 1e-3)
        out = per_mol * (vent + hole * (1 - at_tank))
        stiff = STEP_S * np.maximum(per_hole + per_line, out + per_mol * line)
        theta = np.clip(1.0 - 1.0 / np.maximum(stiff, 1e-9), 0.5, 1.0)
        inverse = 1.0 / (theta * STEP_S)
        a11, a22 = inverse + per_hole + per_line, inverse + out + per_mol * line
        b1 = p * inverse + rate
        b2 = q * inverse - per_mol * self._purge_flow(now, at_q)
        a12, a21 = -per_line, -per_mol * line
        whole = a11 * a22 - a12 * a21
        return (b1 * a22 - a12 * b2) / whole, (a11 * b2 - a21 * b1) / whole, (hole, line, vent), theta

    def _of_tank_gas(self, gauge: Array) -> Array:
        """Return what the tank's own gas flows out at, as a share of air [mol]: vapor makes it heavier. The author let
        air out (until November 2026), though his tanks lose their own mixture (`_exchange`)."""
        share = self.vapor / (self.air + self.vapor)
        lighter = AIR_KG_MOL / (AIR_KG_MOL * (1 - share) + VAPOR_KG_MOL * share)
        return np.where((gauge > 0) & (self.plan["leak_at_tank"] > 0), np.sqrt(lighter), 1.0)

    def _purge_flow(self, now: Array, canister_gauge: Array) -> Array:
        """Return mol/s to the manifold: choked below a pressure ratio of 0.528, an ellipse above it."""
        plan = self.plan
        pressure = plan["ambient_pa"] + canister_gauge
        raised = np.where(now > plan["load_from_s"], plan["load_pa"], 0.0)
        manifold = plan["manifold_pa"] + raised + plan["manifold_swing_pa"] * np.sin(now / plan["swing_s"])
        ratio = np.clip(manifold / pressure, 0.0, 1.0)
        share = np.sqrt(np.maximum(1.0 - (np.maximum(ratio - CHOKED, 0.0) / (1 - CHOKED)) ** 2, 0.0))
        opening = plan["purge_works"] * self.purge + plan["passing"]
        return plan["purge_mol_s"] * opening * pressure / 101_325.0 * share

    def _exchange(
        self, from_hole: Array, from_line: Array, fill: Array, sources: tuple[Array, Array, Array, Array]
    ) -> None:
        """Book moles and heat of one step; what leaves has the tank's own mixture, what enters is air."""
        plan, vapor, total = self.plan, sources[0], self.air + self.vapor
        incoming = np.maximum(from_hole, 0) + np.maximum(from_line, 0) + fill
        leaving = -np.minimum(from_hole, 0) - np.minimum(from_line, 0)
        heat = self.air * CV_AIR + self.vapor * CV_VAPOR
        gained = incoming * (CP_AIR * plan["ambient_k"] - CV_AIR * self.kelvin)
        gained = gained + vapor * (CP_VAPOR * plan["fuel_k"] - CV_VAPOR * self.kelvin)
        gained = gained - leaving * GAS_J_MOL_K * self.kelvin
        half = STEP_S / plan["wall_s"] / 2
        air = self.air + STEP_S * (incoming - leaving * self.air / total)
        self.vapor = self.vapor + STEP_S * (vapor - leaving * self.vapor / total)
        self.air = air
        self.kelvin = (self.kelvin * (1 - half) + STEP_S * gained / heat + 2 * half * self.wall) / (1 + half)
