"""Compiled physics of a held gas: flow through the hole, gas let in so far, and the heat it brings.

The formulas are those of `physics.orifice`, which the tests hold them to.
"""

from __future__ import annotations

import numpy as np

from pipeline.physics.orifice import HEAT_RATIO_AIR, hole_friction, nozzle_series
from pipeline.traces.compiled import Floats, fused

_K = HEAT_RATIO_AIR
_S0, _S1, _S2, _S3, _S4, _S5, _S6 = nozzle_series(7).tolist()
#: Beyond this the recording is no hold of a fuel tank, and the series above no longer close [Pa].
MOST_PA = 2e4
#: Thickness of the wall about a hole as a share of its diameter: sheet and hoses of 0.5 to 1 mm (judgement).
WALL_SHARE = 0.6
_FRICTION = hole_friction(WALL_SHARE)
#: A smaller hole is taken as this large when its Reynolds number is asked for [mm].
_LEAST_MM = 0.1
#: After so many time constants no heat is left.
_FADED = 40.0


@fused
def leak_speed(gauge: float, air: float, heat: float) -> float:
    """Return `physics.orifice.leak_speed` [Pa/s] per unit of Cd A / V, within 1e-6 of it up to MOST_PA.

    Parameters
    ----------
    gauge : tank pressure above ambient [Pa]. air : ambient [Pa]. heat : R T [J/kg].
    """
    size = min(abs(gauge), MOST_PA)
    upstream = air + (size if gauge > 0 else 0.0)
    drop = size / upstream
    speed = upstream * np.sqrt(heat * drop * _series(drop))
    return -speed if gauge > 0 else speed


@fused
def _series(drop: float) -> float:
    """Horner's scheme without a loop, so that several bins are computed at once."""
    return _S0 + drop * (_S1 + drop * (_S2 + drop * (_S3 + drop * (_S4 + drop * (_S5 + drop * _S6)))))


@fused
def viscous_pa(hole_mm: float, air: float, heat: float, viscosity: float, discharge: float) -> float:
    """Return the pressure [Pa] that `discharge_share` needs of a hole: where its friction matters as much as inertia.

    s = Cd friction mu / (d sqrt(2 rho p)) = sqrt(viscous_pa / p), see `physics.orifice.hole_friction`.
    """
    root = discharge * _FRICTION * viscosity / (max(hole_mm, _LEAST_MM) * 1e-3)
    return root * root * heat / (2 * air)


@fused
def discharge_share(gauge: float, viscous: float) -> float:
    """Return Cd(Re) / Cd of a sharp-edged hole, see `physics.orifice.discharge_at`; 0 where nothing flows."""
    s = np.sqrt(viscous / abs(gauge))
    return 1 / (np.sqrt(1 + s * s) + s)


@fused
def leak_flow(gauge: float, air: float, heat: float, viscous: float) -> float:
    """Return leak_speed times discharge_share [Pa/s] per unit of Cd A / V, in fewer roots."""
    size = min(abs(gauge), MOST_PA)
    upstream = air + (size if gauge > 0 else 0.0)
    squares = heat * upstream * _series(size / upstream) * size * abs(gauge)
    speed = np.sqrt(squares) / (np.sqrt(abs(gauge) + viscous) + np.sqrt(viscous))
    return -speed if gauge > 0 else speed


@fused
def let_in(
    t: Floats,
    curve: Floats,
    m: int,
    air: float,
    heat: float,
    viscous: float,
    scale: float,
    leak: float,
    speed: Floats,
    gas: Floats,
) -> None:
    """Fill gas[j] with what one unit of vapor, of leak (times `scale`) and of vapor under vacuum has let in until
    each bin: trapezoids along the curve; before the first bin the value is the first one's.

    Parameters
    ----------
    leak : so many units of leak have let air in since the first bin, which brings no vapor back: what draws vapor is
        the vacuum that there would be without it.
    speed : scratch. That of each bin does not depend on the others: several are computed at once.
    """
    of_time, of_leak, of_vacuum = gas[0], gas[1], gas[2]
    for i in range(m):
        speed[i] = scale * leak_flow(curve[i], air, heat, viscous)
    for i in range(m):
        of_time[i] = t[i]
    by_leak, by_vacuum = speed[0] * t[0], -curve[0] * t[0]
    of_leak[0], of_vacuum[0] = by_leak, by_vacuum
    first, draws = by_leak, -curve[0]
    for i in range(1, m):
        half = 0.5 * (t[i] - t[i - 1])
        by_leak += half * (speed[i - 1] + speed[i])
        drew, draws = draws, leak * (by_leak - first) - curve[i]
        by_vacuum += half * (drew + draws)
        of_leak[i], of_vacuum[i] = by_leak, by_vacuum


@fused
def fade(t: Floats, m: int, tau: float, kept: Floats, came: Floats) -> None:
    """Fill, for each bin: the share of heat kept since the bin before, and the share kept of what came in since then.

    exp(-x) is the 256th power of that of x / 256, within 1e-11 of it: several bins at once.
    """
    kept[0] = t[0] / tau
    for i in range(1, m):
        kept[i] = (t[i] - t[i - 1]) / tau
    for i in range(m):
        x = min(kept[i], _FADED)
        r = x / 256
        left = 1 - r * (1 - r / 2 * (1 - r / 3 * (1 - r / 4 * (1 - r / 5))))
        left *= left
        left *= left
        left *= left
        left *= left
        left *= left
        left *= left
        left *= left
        left *= left
        kept[i] = left
        came[i] = (1 - left) / x if x > 1e-9 else 1.0


@fused
def heat_of(
    gas: Floats, m: int, kept: Floats, came: Floats, cooling: float, inflow: Floats, felt: Floats
) -> None:
    """Fill felt[:3] with what the gas let in adds by its heat, per unknown, and felt[3] with all heat together.

    felt = (k - 1) int exp(-(t - s) / tau) d(gas), and `cooling` that fades, for a perfectly mixed gas.
    """
    by_vapor, by_leak, by_vacuum, together = felt[0], felt[1], felt[2], felt[3]
    vapor, leak, vacuum, left = 0.0, 0.0, 0.0, 1.0
    gas0, gas1, gas2 = 0.0, 0.0, 0.0
    for i in range(m):
        new = (_K - 1) * came[i]
        vapor = vapor * kept[i] + new * (gas[0, i] - gas0)
        leak = leak * kept[i] + new * (gas[1, i] - gas1)
        vacuum = vacuum * kept[i] + new * (gas[2, i] - gas2)
        left *= kept[i]
        gas0, gas1, gas2 = gas[0, i], gas[1, i], gas[2, i]
        by_vapor[i], by_leak[i], by_vacuum[i], together[i] = vapor, leak, vacuum, cooling * (1 - left)
    for i in range(m):
        together[i] += by_vapor[i] * inflow[0] + by_leak[i] * inflow[1] + by_vacuum[i] * inflow[2]


@fused
def heat_together(
    came_in: Floats, m: int, kept: Floats, came: Floats, cooling: float, together: Floats
) -> None:
    """Fill `together` with felt[3] of `heat_of`, by the gas [Pa] let in until each bin."""
    heat, gas = 0.0, 0.0
    for i in range(m):
        heat = heat * kept[i] + ((1 - kept[i]) * cooling + (_K - 1) * came[i] * (came_in[i] - gas))
        together[i] = heat
        gas = came_in[i]
