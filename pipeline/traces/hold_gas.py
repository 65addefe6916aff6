"""Compiled physics of a held gas: flow through the hole, gas let in so far, and the heat it brings.

The formulas are those of `physics.orifice`, which the tests hold them to.
"""

from __future__ import annotations

import numpy as np

from pipeline.physics.orifice import HEAT_RATIO_AIR, hole_friction, nozzle_series
from pipeline.traces.compiled import Floats, compiled

_K = HEAT_RATIO_AIR
_SERIES = tuple(nozzle_series(7).tolist())
#: Beyond this the recording is no hold of a fuel tank, and the series above no longer close [Pa].
MOST_PA = 2e4
#: Thickness of the wall about a hole as a share of its diameter: sheet and hoses of 0.5 to 1 mm (judgement).
WALL_SHARE = 0.6
_FRICTION = hole_friction(WALL_SHARE)
#: A smaller hole is taken as this large when its Reynolds number is asked for [mm].
_LEAST_MM = 0.1


@compiled
def leak_speed(gauge: float, air: float, heat: float) -> float:
    """Return `physics.orifice.leak_speed` [Pa/s] per unit of Cd A / V, within 1e-6 of it up to MOST_PA.

    Parameters
    ----------
    gauge : tank pressure above ambient [Pa]. air : ambient [Pa]. heat : R T [J/kg].
    """
    size = min(abs(gauge), MOST_PA)
    upstream = air + (size if gauge > 0 else 0.0)
    drop = size / upstream
    series = _SERIES[6]
    for i in range(5, -1, -1):
        series = series * drop + _SERIES[i]
    speed = upstream * np.sqrt(heat * drop * series)
    return -speed if gauge > 0 else speed


@compiled
def viscous_pa(hole_mm: float, air: float, heat: float, viscosity: float, discharge: float) -> float:
    """Return the pressure [Pa] that `discharge_share` needs of a hole: where its friction matters as much as inertia.

    s = Cd friction mu / (d sqrt(2 rho p)) = sqrt(viscous_pa / p), see `physics.orifice.hole_friction`.
    """
    root = discharge * _FRICTION * viscosity / (max(hole_mm, _LEAST_MM) * 1e-3)
    return root * root * heat / (2 * air)


@compiled
def discharge_share(gauge: float, viscous: float) -> float:
    """Return Cd(Re) / Cd of a sharp-edged hole, see `physics.orifice.discharge_at`."""
    if gauge == 0:
        return 0.0
    s = np.sqrt(viscous / abs(gauge))
    return 1 / (np.sqrt(1 + s * s) + s)


@compiled
def let_in(
    t: Floats,
    curve: Floats,
    m: int,
    air: float,
    heat: float,
    viscous: float,
    scale: float,
    speed: Floats,
    gas: Floats,
) -> None:
    """Fill gas[:, j] with what one unit of vapor, of leak (times `scale`) and of vapor under vacuum has let in until
    each bin: trapezoids along the curve; before the first bin the value is the first one's.

    Parameters
    ----------
    speed : scratch. That of each bin does not depend on the others: several are computed at once.
    """
    for i in range(m):
        speed[i] = leak_speed(curve[i], air, heat) * discharge_share(curve[i], viscous)
    by_leak, by_vacuum = speed[0] * t[0], -curve[0] * t[0]
    gas[0, 0], gas[0, 1], gas[0, 2] = t[0], by_leak * scale, by_vacuum
    for i in range(1, m):
        half = 0.5 * (t[i] - t[i - 1])
        by_leak += half * (speed[i - 1] + speed[i])
        by_vacuum -= half * (curve[i - 1] + curve[i])
        gas[i, 0], gas[i, 1], gas[i, 2] = t[i], by_leak * scale, by_vacuum


@compiled
def fade(t: Floats, m: int, tau: float, kept: Floats, came: Floats, faded: Floats) -> None:
    """Fill, for each bin: the share of heat kept since the bin before, the share kept of what came in since then, and
    the share of the heat at the start that is gone."""
    before, left = 0.0, 1.0
    for i in range(m):
        span = t[i] - before
        kept[i] = np.exp(-span / tau)
        came[i] = (1 - kept[i]) * tau / span if span > 1e-9 else 1.0
        left *= kept[i]
        faded[i] = 1 - left
        before = t[i]


@compiled
def heat_of(
    gas: Floats,
    m: int,
    kept: Floats,
    came: Floats,
    faded: Floats,
    cooling: float,
    inflow: Floats,
    felt: Floats,
) -> None:
    """Fill felt[:, :3] with what the gas let in adds by its heat, per unknown, and felt[:, 3] with all heat together.

    felt = (k - 1) int exp(-(t - s) / tau) d(gas), and `cooling` that fades, for a perfectly mixed gas.
    """
    vapor, leak, vacuum = 0.0, 0.0, 0.0
    gas0, gas1, gas2 = 0.0, 0.0, 0.0
    for i in range(m):
        vapor = vapor * kept[i] + (_K - 1) * (gas[i, 0] - gas0) * came[i]
        leak = leak * kept[i] + (_K - 1) * (gas[i, 1] - gas1) * came[i]
        vacuum = vacuum * kept[i] + (_K - 1) * (gas[i, 2] - gas2) * came[i]
        gas0, gas1, gas2 = gas[i, 0], gas[i, 1], gas[i, 2]
        felt[i, 0], felt[i, 1], felt[i, 2] = vapor, leak, vacuum
        felt[i, 3] = cooling * faded[i] + vapor * inflow[0] + leak * inflow[1] + vacuum * inflow[2]
