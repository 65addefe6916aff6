"""The gas of the fizzing tanks in time: filler neck, tank and canister as three rooms, for many vehicles at once.

Per step a linearly implicit step for the three pressures (the ways between them may be stiff), then moles of air and
vapor, warmth of the gas and air dissolved in the fuel of the tank go on by the flows found. SI units; shapes (n,).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.end_to_end.fizz_fuel import R, dissolved_mol, vapor_pressure_pa
from tests.end_to_end.fizz_holes import AIR_PA_S

CP_AIR, CP_VAPOR = 29.1, 95.0  # J/(mol K), from memory: air, and a vapor near butane and pentane
M_AIR, M_VAPOR = 0.02897, 0.066  # kg/mol; gasoline vapor 66, from memory of AP-42 table 7.1-2


@dataclass
class Cars:
    """What does not change during a recording, each an array of n."""

    ambient_pa: np.ndarray
    ambient_k: np.ndarray
    tank_m3: np.ndarray  # gas in the tank
    give_m3_pa: np.ndarray  # how much it gives with pressure
    neck_m3: np.ndarray
    canister_m3: np.ndarray
    fuel_m3: np.ndarray
    surface_m2: np.ndarray
    fuel_k: np.ndarray
    fuel_k_s: np.ndarray  # warming of the fuel
    wall_k_s: np.ndarray  # warming of the wall
    reid_psi: np.ndarray
    vapor_m_s: np.ndarray  # transfer of vapor through the gas above the fuel
    renewal_1_s: np.ndarray  # how fast the fuel's surface is renewed
    still_m_s: np.ndarray  # transfer of dissolved air out of a fuel at rest
    jet_1_s: np.ndarray  # what the pump's jet adds, per volume of fuel
    surplus: np.ndarray  # dissolved air above the balance, as a share
    lack: np.ndarray  # of saturation of the vapor above the fuel, as a share: the tank breathes while driven
    wall_w_k: np.ndarray
    leak_at: np.ndarray  # 0 neck, 1 tank, 2 canister
    leak: tuple[np.ndarray, np.ndarray]
    neck: tuple[np.ndarray, np.ndarray]
    line: tuple[np.ndarray, np.ndarray]
    vent: tuple[np.ndarray, np.ndarray]
    vent_when_shut: np.ndarray  # share of its opening
    vent_when_open: np.ndarray
    purge_mol_s: np.ndarray  # at full duty and one atmosphere
    purge_dead: np.ndarray  # duty [share] below which the valve does not lift
    seat: np.ndarray  # share of the full flow that passes the shut valve
    is_pump_on: np.ndarray


@dataclass
class State:
    """What changes: three pressures, two kinds of moles, warmth, dissolved air, freshness of the surface."""

    neck_pa: np.ndarray
    canister_pa: np.ndarray
    air: np.ndarray
    vapor: np.ndarray
    gas_k: np.ndarray
    dissolved: np.ndarray
    fresh: np.ndarray
    elapsed: float = 0.0
    leaked: np.ndarray = field(default_factory=lambda: np.zeros(1))

    def tank_pa(self, car: Cars) -> np.ndarray:
        """Solve P (V + give (P - ambient)) = n R T for P."""
        moles = (self.air + self.vapor) * R * self.gas_k
        rigid = car.tank_m3 - car.give_m3_pa * car.ambient_pa
        give = np.maximum(car.give_m3_pa, 1e-12)
        return 2 * moles / (rigid + np.sqrt(rigid**2 + 4 * give * moles))


def at_rest(car: Cars) -> State:
    """Return vented tanks whose gas is in balance with wall, fuel and outside, or nearly with the fuel."""
    vapor_pa = np.minimum(vapor_pressure_pa(car.fuel_k - 273.15, car.reid_psi), 0.85 * car.ambient_pa)
    vapor_pa = vapor_pa * (1 - car.lack)
    air_pa = car.ambient_pa - vapor_pa
    moles = car.tank_m3 / (R * car.ambient_k)
    return State(
        neck_pa=car.ambient_pa.copy(),
        canister_pa=car.ambient_pa.copy(),
        air=air_pa * moles,
        vapor=vapor_pa * moles,
        gas_k=car.ambient_k.copy(),
        dissolved=dissolved_mol(air_pa, car.fuel_m3, car.fuel_k) * (1 + car.surplus),
        fresh=np.ones_like(moles),
        leaked=np.zeros_like(moles),
    )


def _way(
    from_pa: np.ndarray,
    to_pa: np.ndarray,
    way: tuple[np.ndarray, np.ndarray],
    opening: np.ndarray | float,
    kg_m3: np.ndarray | float,
    kelvin: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return moles a second from one room to another, and what each pascal of the drop carries of them.

    Of a root's slope a step would go beyond the balance by as much as it was away, and back, for ever; and each time
    air would be changed for vapor. So the share of the whole drop is taken, with which a step ends at the balance.
    """
    area, drag = way
    drop = from_pa - to_pa
    inertia, creep = kg_m3 / (2 * area**2), AIR_PA_S * drag + 1.0
    root = np.sqrt(creep**2 + 4 * inertia * np.abs(drop))
    upstream = np.maximum(from_pa, to_pa)
    # Isentropic expansion, first order: 1 - 3 / (4 kappa) of the drop's share (reference_checks section 12: 0.9868).
    moles = opening * upstream / (R * kelvin) * (1 - 0.536 * np.abs(drop) / upstream)
    carried = 2 * moles / (root + creep)
    return carried * drop, carried


def _solve(
    neck: np.ndarray,
    tank: np.ndarray,
    can: np.ndarray,
    g_nt: np.ndarray,
    g_tc: np.ndarray,
    right: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the three changes of a chain neck - tank - canister whose diagonal is given without the ties."""
    a, b, c = neck + g_nt, tank + g_nt + g_tc, can + g_tc
    r_n, r_t, r_c = right
    middle = (r_t + g_nt * r_n / a + g_tc * r_c / c) / (b - g_nt**2 / a - g_tc**2 / c)
    return (r_n + g_nt * middle) / a, middle, (r_c + g_tc * middle) / c


def step(
    car: Cars,
    now: State,
    dt: float,
    ambient_pa: np.ndarray,
    is_shut: np.ndarray,
    duty: np.ndarray,
    feed_mol_s: np.ndarray,
) -> None:
    """Go on by `dt` [s] under commands: vent shut, purge duty [share], moles fed at the neck."""
    tank_pa = now.tank_pa(car)
    room = car.tank_m3 + car.give_m3_pa * (2 * tank_pa - ambient_pa)
    mixed = now.air + now.vapor
    share = now.vapor / mixed
    kg = (M_AIR + (M_VAPOR - M_AIR) * share) * tank_pa / (R * now.gas_k)
    kg_out = ambient_pa / (R * car.ambient_k) * M_AIR
    t_out = car.ambient_k
    # Ways. Gas that leaves the tank is heavier than air.
    n_nt, g_nt = _way(now.neck_pa, tank_pa, car.neck, 1.0, np.where(tank_pa > now.neck_pa, kg, kg_out), t_out)
    n_tc, g_tc = _way(tank_pa, now.canister_pa, car.line, 1.0, kg, now.gas_k)
    leak_pa = np.choose(car.leak_at, (now.neck_pa, tank_pa, now.canister_pa))
    heavy = np.where((leak_pa > ambient_pa) & (car.leak_at < 2), kg, kg_out)
    n_leak, g_leak = _way(leak_pa, ambient_pa, car.leak, 1.0, heavy, t_out)
    opening = np.where(is_shut, car.vent_when_shut, car.vent_when_open)
    n_vent, g_vent = _way(now.canister_pa, ambient_pa, car.vent, opening, kg_out, t_out)
    lift = np.maximum((duty - car.purge_dead) / (1 - car.purge_dead), 0)
    n_purge = car.purge_mol_s * np.maximum(lift, car.seat) * now.canister_pa / 101325
    # What the fuel gives.
    fuel_k = car.fuel_k + car.fuel_k_s * now.elapsed
    vapor_pa = share * tank_pa
    pull = vapor_pressure_pa(fuel_k - 273.15, car.reid_psi) * now.fresh - vapor_pa
    stirred = np.where(car.is_pump_on, 1.5, 1.0)
    n_vapor = car.vapor_m_s * stirred * car.surface_m2 * pull / (R * fuel_k)
    held = dissolved_mol(tank_pa - vapor_pa, car.fuel_m3, fuel_k)
    out = (car.still_m_s * car.surface_m2 / car.fuel_m3 + car.jet_1_s * car.is_pump_on) * (
        now.dissolved - held
    )
    wall_k = car.ambient_k + car.wall_k_s * now.elapsed
    heat_j_k = now.air * (CP_AIR - R) + now.vapor * (CP_VAPOR - R)
    at = [np.where(car.leak_at == place, g_leak, 0) for place in range(3)]
    through = [np.where(car.leak_at == place, n_leak, 0) for place in range(3)]
    cap_n = car.neck_m3 / (R * t_out) / dt
    cap_t = room / (R * now.gas_k) / dt
    cap_c = car.canister_m3 / (R * t_out) / dt
    right = (
        feed_mol_s - n_nt - through[0],
        n_nt - n_tc - through[1] + n_vapor + out,
        n_tc - n_vent - n_purge - through[2],
    )
    change = _solve(
        cap_n + at[0], cap_t + at[1], cap_c + at[2] + np.where(opening > 0, g_vent, 0), g_nt, g_tc, right
    )
    n_nt, n_tc = n_nt + g_nt * (change[0] - change[1]), n_tc + g_tc * (change[1] - change[2])
    n_leak = n_leak + g_leak * np.choose(car.leak_at, change)
    now.leaked -= n_leak * dt
    in_tank = np.where(car.leak_at == 1, n_leak, 0)
    come = np.maximum(n_nt, 0) + np.maximum(-n_tc, 0) + np.maximum(-in_tank, 0)  # air
    go = np.maximum(-n_nt, 0) + np.maximum(n_tc, 0) + np.maximum(in_tank, 0)  # as mixed
    warmth = (
        come * (CP_AIR * t_out - (CP_AIR - R) * now.gas_k)
        + out * (CP_AIR * fuel_k - (CP_AIR - R) * now.gas_k)
        + n_vapor * (CP_VAPOR * fuel_k - (CP_VAPOR - R) * now.gas_k)
        - go * R * now.gas_k
    )
    now.air = now.air + dt * (come + out - go * (1 - share))
    now.vapor = now.vapor + dt * (n_vapor - go * share)
    walls = dt * car.wall_w_k / heat_j_k
    now.gas_k = (now.gas_k + dt * warmth / heat_j_k + walls * wall_k) / (1 + walls)
    now.dissolved = now.dissolved - dt * out
    layer_mol = 0.6 * car.surface_m2  # light ends in the top third of a millimeter
    now.fresh = now.fresh + dt * (car.renewal_1_s * stirred * (1 - now.fresh) - n_vapor / layer_mol)
    now.neck_pa = now.neck_pa + change[0]
    now.canister_pa = now.canister_pa + change[2]
    now.elapsed += dt
