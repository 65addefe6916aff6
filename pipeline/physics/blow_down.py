"""How the pressure of a rigid volume runs back through an orifice, with vapor coming in beside it.

The equation, p being gauge pressure: dp/dt = r - K sign(p) sqrt(|p|). K [sqrt(Pa)/s] is the leak, r [Pa/s]
the vapor. It is the small-pressure limit of `orifice.leak_speed`: good to 2 % of the flow for |p| up to 3 kPa.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import lambertw, wrightomega

from pipeline.physics.orifice import Array, hole_area_m2, hole_diameter_mm

_LITRE_M3 = 1e-3


def leak_coefficient(
    diameter_mm: ArrayLike,
    volume_l: ArrayLike,
    density: ArrayLike,
    barometric_pa: ArrayLike,
    discharge: float = 0.61,
) -> Array:
    """Return K = (P / V) Cd A sqrt(2 / rho) [sqrt(Pa)/s] of an isothermal volume.

    Parameters
    ----------
    diameter_mm : hole diameter [mm].
    volume_l : gas volume [l], > 0.
    density : density of the gas that flows in [kg/m3].
    barometric_pa : ambient pressure [Pa].
    discharge : discharge coefficient [1].
    """
    volume = np.asarray(volume_l, float) * _LITRE_M3
    area = hole_area_m2(diameter_mm)
    return np.asarray(barometric_pa) / volume * discharge * area * np.sqrt(2 / np.asarray(density, float))


def leak_diameter_mm(
    coefficient: ArrayLike,
    volume_l: ArrayLike,
    density: ArrayLike,
    barometric_pa: ArrayLike,
    discharge: float = 0.61,
) -> Array:
    """Return the diameter [mm] whose `leak_coefficient` is `coefficient` [sqrt(Pa)/s]; nan where it is negative."""
    unit = leak_coefficient(1.0, volume_l, density, barometric_pa, discharge)
    return hole_diameter_mm(np.asarray(coefficient, float) / unit * hole_area_m2(1.0))


def decay_time_s(start_pa: ArrayLike, end_pa: ArrayLike, coefficient: ArrayLike, vapor_pa_s: ArrayLike = 0.0):
    """Return the time [s] from gauge pressure `start_pa` to `end_pa`, nan where it is never reached.

    Without vapor t = 2 (sqrt(p0) - sqrt(p1)) / K, on either side of zero. With it, s = sqrt(|p|) and
    q = -r sign(p): t = (2/K) (s0 - s1 - (q/K) ln((K s0 + q)/(K s1 + q))), both pressures on one side of zero.
    """
    start, end, k, r = np.broadcast_arrays(
        *(np.asarray(x, float) for x in (start_pa, end_pa, coefficient, vapor_pa_s))
    )
    s0, s1 = np.sqrt(np.abs(start)), np.sqrt(np.abs(end))
    q = -r * np.sign(np.where(start == 0, end, start))
    with np.errstate(all="ignore"):
        log = np.where(q == 0, 0.0, q / k * np.log((k * s0 + q) / (k * s1 + q)))
        time = 2 / k * (s0 - s1 - log)
    reached = (start * end >= 0) & (time >= 0) & np.isfinite(time)
    return np.where(reached, time, np.nan)


def pressure_after(
    start_pa: ArrayLike, time_s: ArrayLike, coefficient: ArrayLike, vapor_pa_s: ArrayLike = 0.0
) -> Array:
    """Return the gauge pressure [Pa] `time_s` after `start_pa`, through zero and out on the other side.

    Closed form. The vapor drives p toward (r/K)^2 on its own side of zero. With u = K sqrt(|p|) / |r| and
    x = K^2 t / (2 |r|): u - ln(1 + u) falls by x on the other side, and u + ln|1 - u| falls by x on its own.
    r = 0: sqrt(|p|) falls by K t / 2. K = 0: p changes by r t.

    Parameters
    ----------
    start_pa : gauge pressure at time 0 [Pa].
    time_s : time [s], >= 0.
    coefficient : K [sqrt(Pa)/s], >= 0.
    vapor_pa_s : r [Pa/s], either sign.
    """
    start, time, k, r = np.broadcast_arrays(
        *(np.asarray(x, float) for x in (start_pa, time_s, coefficient, vapor_pa_s))
    )
    side = np.where(r < 0, -1.0, 1.0)
    p, r = start * side, np.abs(r)
    with np.errstate(all="ignore"):
        root = np.maximum(np.sqrt(np.abs(p)) - k * time / 2, 0)
        out = np.where(r == 0, np.sign(p) * root**2, _with_vapor(p, time, k, r))
    # Below this share of the vapor's rate the leak changes the pressure less than rounding does.
    no_leak = k * np.sqrt(np.abs(p) + r * time) <= 1e-7 * r
    return np.where(no_leak, p + r * time, out) * side


def _with_vapor(p: Array, time: Array, k: Array, r: Array) -> Array:
    """Run p forward with r > 0, K > 0: first back to zero where it starts below, then on above it."""
    u0 = k * np.sqrt(np.abs(p)) / r
    pace = k**2 / (2 * r)
    to_zero = np.where(p < 0, (u0 - np.log1p(u0)) / pace, 0.0)
    under = _root_of_fall(pace * np.maximum(to_zero - time, 0))
    over = _own_side(np.where(p > 0, u0, 0.0), pace * np.maximum(time - to_zero, 0))
    return np.where(time < to_zero, -(under**2), over**2) * (r / k) ** 2


def _root_of_fall(fall: Array) -> Array:
    """Solve u - ln(1 + u) = fall for u >= 0: Newton's steps from above, where they cannot overshoot."""
    u = np.sqrt(2 * fall) + fall
    for _ in range(12):
        u = np.where(u > 0, u - (u - np.log1p(u) - fall) * (1 + u) / u, 0.0)
    return u


def _own_side(u0: Array, passed: Array) -> Array:
    """Let u + ln|1 - u| fall by `passed` from u0: toward 1 from either side."""
    z = u0 - 1
    from_above = 1 + wrightomega(z + np.log(z) - passed)
    from_below = 1 + np.real(lambertw(z * np.exp(z - passed)))
    return np.where(passed == 0, u0, np.where(z > 0, from_above, np.where(z < 0, from_below, 1.0)))
