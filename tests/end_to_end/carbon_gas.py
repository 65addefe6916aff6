"""The ninth author's gas: a tank's air and vapor joined to a bed of carbon, in books of moles and heat.

One pressure P [Pa] reigns in the tank and in the canister; the flow between the two is what keeps it one. The tank
has a temperature of its own, heated by wall and fuel; the canister keeps that of its carbon. Fuel evaporates
through the air above it (Stefan's law) from a film that cools; air dissolved in fuel comes out; the bed takes up
vapor and gives it back toward the partial pressure that its load has. Every path loses a Q + b Q^2 of pressure.
The step is exponential in P: flows are taken at their mean over the step, so that the books close at any stiffness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.end_to_end.carbon_fleet import AIR_KG_MOL, AIR_PA_S, GAS, Bench, saturated_pa
from tests.end_to_end.carbon_truth import Array

AIR_CV, VAPOR_CV = 2.5 * GAS, 11.0 * GAS
LATENT_J_MOL = 27e3
RELIEF_PA, RELIEF_M3_S_PA = 6500.0, 2e-7
"""The filler cap lets air in beyond this vacuum, so that no tank is crushed."""
FILM_J_M2_K = 740 * 2100 * 0.0015
"""Heat held by a film of 1.5 mm of fuel."""


def through(a: Array, b: Array, drop_pa: Array) -> tuple[Array, Array]:
    """Return the flow [m3/s] that loses `drop_pa`, with its sign, and its slope [m3/(s Pa)]."""
    root = np.sqrt(a * a + 4 * b * np.abs(drop_pa))
    return 2 * drop_pa / (a + root), 1 / root


@dataclass
class Flows:
    """What passed in one step: moles a second, the hole's volume flow, and where the hole's gas came from."""

    hole_mol_s: Array
    hole_m3_s: Array
    density: Array
    viscosity: Array
    vent_mol_s: Array
    purge_mol_s: Array
    fumes_mol_s: Array
    feed_mol_s: Array


class Gas:
    """The state of every recording's gas; `step` moves it on."""

    def __init__(self, bench: Bench, rng: np.random.Generator) -> None:
        b = self.bench = bench
        self.p = b.ambient_pa.copy()
        self.t = 0.5 * (b.wall_k + b.fuel_k)
        self.film = b.fuel_k.copy()
        self.fuel = b.fuel_k.copy()
        share = b.saturation * saturated_pa(b.reid_pa, b.clausius_k, b.fuel_k) / b.ambient_pa
        moles = self.p * b.tank_m3 / (GAS * self.t)
        self.air, self.vapor = moles * (1 - share), moles * share
        self.share = b.bed_pa / b.ambient_pa
        self.bed_k = b.ambient_k + 2 * rng.random(len(self.p))
        self.load = np.ones(len(self.p))
        self.dissolved_pa = b.ambient_pa - self.vapor / moles * b.ambient_pa
        self.vent, self.duty = np.ones(len(self.p)), np.zeros(len(self.p))
        self.manifold = b.manifold_pa.copy()
        self.line, self.mixed = np.zeros(len(self.p)), self.share.copy()
        self.rng = rng

    def volume(self) -> Array:
        """Vapor volume of the tank [m3]: its shell gives with the pressure."""
        return self.bench.tank_m3 + self.bench.give_m3_pa * (self.p - self.bench.ambient_pa)

    def _move_valves(self, dt: float, duty_pct: Array, is_shut: Array) -> None:
        self.vent += (1.0 - is_shut - self.vent) * (1 - np.exp(-dt / 0.08))
        self.duty += (duty_pct / 100 - self.duty) * (1 - np.exp(-dt / 0.12))
        pull = (self.bench.manifold_pa - self.manifold) * dt / 4
        self.manifold += pull + 1800 * np.sqrt(dt / 4) * self.rng.standard_normal(len(self.p))

    def _purge(self, mass: Array) -> Array:
        b = self.bench
        opening = np.clip((self.duty - b.purge_dead) / (1 - b.purge_dead), 0, 1)
        area = b.purge_m2 * opening + b.purge_idle
        ratio = np.clip(self.manifold / self.p, 0.528, 1.0)
        choke = np.sqrt(np.maximum(1 - ((ratio - 0.528) / 0.472) ** 2, 0))
        return 0.685 * area * self.p * choke / np.sqrt(mass * GAS * self.bed_k)

    def step(self, dt: float, duty_pct: Array, is_shut: Array, feed: Array, is_feed_at_line: Array) -> Flows:
        """Move on by `dt` [s] under the commands; `feed` is the gas put in [mol/s]."""
        b = self.bench
        self._move_valves(dt, duty_pct, is_shut)
        volume, over = self.volume(), self.p - b.ambient_pa
        moles = self.air + self.vapor
        y = self.vapor / moles
        at_hole = np.select([b.hole_place == 0, b.hole_place == 1], [y, self.mixed], self.share)
        mass = AIR_KG_MOL + (b.vapor_kg_mol - AIR_KG_MOL) * at_hole
        is_out = over > 0
        up_pa, up_k = np.where(is_out, self.p, b.ambient_pa), np.where(is_out, self.t, b.ambient_k)
        density = up_pa * np.where(is_out, mass, AIR_KG_MOL) / (GAS * up_k)
        thin = 1 - 0.55 * at_hole
        viscosity = AIR_PA_S * (up_k / 293) ** 0.7 * np.where(is_out, thin, 1.0)
        opens = np.clip(1 + b.hole_opens * over / 1000, 0.3, 3)
        behind = b.hole_place == 2
        q_hole, slope_hole = through(
            b.hole_a * viscosity / opens + np.where(behind, b.bed_a, 0.0),
            b.hole_b * density / opens**2 + np.where(behind, b.bed_b, 0.0),
            over,
        )
        q_vent, slope_vent = through(b.bed_a, b.bed_b, over)
        opened = np.maximum(self.vent, b.vent_leaks) * b.vent_share
        expansion = 1 - 0.25 * np.abs(over) / up_pa
        c = up_pa / (GAS * up_k)
        hole, vent = c * q_hole * expansion, c * q_vent * opened
        steep_hole, steep_vent = c * slope_hole * expansion, c * slope_vent * opened
        purge = self._purge(AIR_KG_MOL + (b.vapor_kg_mol - AIR_KG_MOL) * self.mixed)

        saturated = np.minimum(saturated_pa(b.reid_pa, b.clausius_k, self.film), 0.9 * self.p)
        stefan = np.log((self.p - y * self.p) / (self.p - saturated))
        fumes = b.transfer_m_s * b.surface_m2 * self.p / (GAS * self.t) * stefan
        fizz = b.solved_m3_s * (self.dissolved_pa - (1 - y) * self.p) / (GAS * self.fuel)
        in_canister = self.p * b.canister_m3 / (GAS * self.bed_k)
        bed = b.bed_per_s * in_canister * (b.bed_pa * self.load**4 / self.p - self.share)

        at_tank = b.hole_place == 0
        relief = b.ambient_pa / (GAS * b.ambient_k) * RELIEF_M3_S_PA * np.maximum(-over - RELIEF_PA, 0)
        feed_tank, feed_line = (
            np.where(is_feed_at_line, 0.0, feed) + relief,
            np.where(is_feed_at_line, feed, 0.0),
        )
        cv = AIR_CV * (1 - y) + VAPOR_CV * y
        gamma = 1 + GAS / cv
        heat = b.gas_w_k * (self.wall_k() - self.t)
        to_tank = np.where(self.line > 0, self.t, self.bed_k)
        room = volume + gamma * self.p * b.give_m3_pa + gamma * b.canister_m3 * to_tank / self.bed_k
        warm = (gamma - 1) * heat + gamma * GAS * (
            self.film * fumes + self.fuel * fizz + b.ambient_k * feed_tank - np.where(at_tank, up_k * hole, 0)
        )
        drawn = feed_line + bed - purge - vent - np.where(at_tank, 0, hole)
        rate = (warm + gamma * GAS * to_tank * drawn) / room
        stiff = gamma * GAS * self.t * (steep_hole + steep_vent) / room * dt
        stiff = np.maximum(stiff, 1e-9)
        mean = -np.expm1(-stiff) / stiff
        shift = rate * dt * np.where(stiff > 1e-4, (1 - mean) / stiff, 0.5)
        hole, vent = hole + steep_hole * shift, vent + steep_vent * shift
        rate = rate * mean
        drawn = feed_line + bed - purge - vent - np.where(at_tank, 0, hole)
        self.line = b.canister_m3 * rate / (GAS * self.bed_k) - drawn

        self._carry(dt, hole, vent, purge, feed_tank, feed_line, fumes, fizz, bed)
        self.load = np.clip(self.load - dt * bed / b.bed_mol, 0.05, 3)
        self.p = self.p + dt * rate
        self.t = self.p * self.volume() / (GAS * (self.air + self.vapor))
        supply = FILM_J_M2_K / b.film_s * (self.fuel - self.film) - LATENT_J_MOL * fumes / b.surface_m2
        self.film += dt * supply / FILM_J_M2_K
        self.fuel = self.fuel + dt * b.fuel_k_s
        is_vent = b.vent_leaks > 0
        q_mean = np.where(
            is_vent, q_vent * b.vent_leaks + slope_vent * b.vent_leaks * shift, q_hole + slope_hole * shift
        )
        return Flows(hole, q_mean, density, viscosity, vent, purge, fumes + fizz + bed, feed)

    def _carry(
        self, dt: float, hole: Array, vent: Array, purge: Array, feed_tank: Array, feed_line: Array,
        fumes: Array, fizz: Array, bed: Array,
    ) -> None:  # fmt: skip
        """Carry air and vapor between tank, plenum and bed.

        Tank, purge and service port meet in a plenum without volume before the bed: what the purge draws from the
        tank does not pass the carbon; the bed breathes in the plenum's mixture, or breathes out its own gas.
        """
        place, moles = self.bench.hole_place, self.air + self.vapor
        y = self.vapor / moles
        hole_tank, hole_line, hole_bed = (np.where(place == k, hole, 0.0) for k in range(3))
        breath = self.line + feed_line - hole_line - purge
        fresh = feed_line + np.maximum(-hole_line, 0)
        from_tank, from_bed = np.maximum(self.line, 0), np.maximum(-breath, 0)
        into = np.maximum(from_tank + from_bed + fresh, 1e-15)
        mixed = (from_tank * y + from_bed * self.share) / into
        between = np.where(self.line > 0, y, mixed)
        leaves = np.maximum(hole_tank, 0)
        self.air += dt * (
            fizz + feed_tank - np.minimum(hole_tank, 0) - leaves * (1 - y) - self.line * (1 - between)
        )
        self.vapor += dt * (fumes - leaves * y - self.line * between)
        in_bed = self.p * self.bench.canister_m3 / (GAS * self.bed_k)
        swept, equal = np.maximum(-vent, 0), self.bench.bed_pa * self.load**4 / self.p
        gain = np.maximum(breath, 0) * (mixed - self.share) - np.maximum(-hole_bed, 0) * self.share
        self.share += dt / in_bed * (gain + swept * (0.5 * equal - self.share) + bed * (1 - self.share))
        self.mixed = np.where(into > 1e-12, mixed, self.share)

    def wall_k(self) -> Array:
        """Temperature [K] that the gas tends to: wall and fuel, half and half."""
        return 0.5 * (self.bench.wall_k + self.film)
