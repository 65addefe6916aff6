"""Compiled fit of leak and vapor to one hold after the other.

The pressure q above the vented level of a rigid volume V follows from the gas that comes in, m, and from how much
it is colder than the walls, D (as a pressure), k being the ratio of specific heats:
    m' = a F(q) + r - b (q - s L),   D' = -c (k-1) m' - D/tau,   q = q0 + m - (D - D0).
a = Cd A / V [1/m] is the leak (F: `physics.orifice.leak_speed`, lowered as the discharge coefficient falls with the
Reynolds number), r [Pa/s] the vapor that comes without vacuum, b [1/s] what vacuum adds to it: it is the draw that took
vapor out, and what air the leak has let in since, L = int a F(q), brings none of it back (s: how much of it counts). D0
is what the draw left, computed from its pressures; c, 1 for a perfectly mixed gas, says how much of the heat exchange
is really seen.
Integrated once this is linear in q0, r, a, b and nearly so in c; the integrals are taken along the fitted curve
itself, so that where it settles it solves the equations. The first rounds have a usual time constant tau; from then on
it is fitted too. Each unknown but q0 and the leak has a stated belief (normal, mean and standard deviation), for a
hold alone cannot tell a small leak from vapor.

Source of the energy balance: any text on filling and emptying of vessels (first law for an open system).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from pipeline.traces.compiled import Floats, fused, put
from pipeline.traces.hold_believed import LEAK_SCALE, Around, believe, viscous_at
from pipeline.traces.hold_bins import N_BINS, WARMING_S
from pipeline.traces.hold_gas import (
    discharge_share,
    fade,
    heat_of,
    heat_together,
    let_in,
)
from pipeline.traces.hold_room import (
    ASKED,
    BIN_FLOOR_PA,
    CURVE,
    LATE,
    MEAN,
    MODEL,
    OLD,
    OTHER,
    PRESSURE,
    PULL,
    RIGHT,
    TARGET,
    THIRD,
    WEIGHT,
    FittedHold,
    N,
    Room,
    T,
    begin,
    mend,
    new_room,
    one_of,
    pack,
)
from pipeline.traces.hold_solve import (
    HEAT,
    LEAK,
    LEVEL,
    LOG_TAU,
    N_UNKNOWN,
    UNDER,
    VAPOR,
    add_rows,
    distance,
    moved,
    noise_of,
    normal_equations,
    shared_by,
    solve,
    spread_of,
    whiten,
)

#: Logarithm of the time constant tau of heat between gas and walls [s].
_LOG_TAUS = tuple(np.log(WARMING_S).tolist())
_LOG_TAU_LEAST, _LOG_TAU_MOST = 0.0, float(np.log(90.0))
#: The most of the heat exchange of dry air that a fit may see.
_HEAT_MOST = 1.3
_TAU_STEP = 0.1
#: Where the fit of the time constant starts if nothing is known: the third of those that the draw's cold was computed
#: for.
FIRST_LOG_TAU = _LOG_TAUS[2]
#: NumPy's numbers: of a function called with Python's own a version would be compiled for each of them.
_ONE_ROUND: Any = np.int64(1)
_FIRST_ROUNDS: Any = np.int64(2)
_ROUNDS: Any = np.int64(10)
#: A fit stands when its last round moved the curve by no more than this [squared standard errors]; one that only the
#: lake is told, roughly.
_STANDS, _STANDS_ROUGHLY = 0.001, 0.02
_FIXED: Any = np.bool_(False)
_FREE: Any = np.bool_(True)
#: So much of the air that a leak let into a vacuum is none that vapor could have filled. By the balance it would be all
#: of it; with all, small leaks hide behind vapor more than the bounds know (of leaks below 0.5 mm they held 97 % for
#: 98). The first rounds leave it out: the first leak is all that moved, and tight tanks with lively fuel would keep it.
_AIR_SHARE = 0.5
#: Gauss and Hermite's outer points lie so many standard deviations off; no point counts more than exp(this) times what
#: the normal law gives it.
_HERMITE = float(np.sqrt(3.0))
_MOST_GAIN = 3.0
_MIN_BINS = 3
#: No curve is ever known better than to this share of the pressure that the hold begins with, and to BIN_FLOOR_PA: gas
#: and walls have more than one time constant.
_CURVE_SHARE = 0.0005
#: Variance of a sample that the first round starts from [Pa2].
_FIRST_NOISE2 = 25.0


class Found(NamedTuple):
    """What a fit found: leak [1/m], vapor [Pa/s], vapor under vacuum [1/s], scatter of a sample [Pa], mean distance of
    the hold from zero [Pa], discharge coefficient there as a share, the share of the hold's time about which its clock
    and its pressure may disagree, by how much the clock's time was mended [s], the standard deviation of the vapor at
    that distance [Pa/s], and the leak's covariance with it [Pa/(m s)]; the share of the heat exchange that is seen and
    the logarithm of its time constant [s], each with its standard deviation; the standard deviation of the vapor under
    vacuum [1/s], its covariance with the leak, and the leak's standard deviation as the equations are linear; and over
    all time constants, nan where that is not asked [1/m]."""

    leak: Any
    vapor: Any
    under: Any
    residual: Any
    middle: Any
    discharge_share: Any
    doubt: Any
    mended_s: Any
    vapor_sd: Any
    leak_with_vapor: Any
    heat_share: Any
    heat_share_sd: Any
    log_tau: Any
    log_tau_sd: Any
    under_sd: Any
    leak_with_under: Any
    leak_linear_sd: Any
    leak_sd: Any


_LEAK_SD = Found._fields.index("leak_sd")


@fused
def fit_all(
    t: Floats,
    pressure: Floats,
    n: Floats,
    cooling: Floats,
    given: Floats,
    around: Around,
    first_log_tau: Floats,
    is_rough: bool,
    found: Floats,
    curve: Floats,
    curve_sd: Floats,
) -> None:
    """Fit the holds in `t`, `pressure` and `n` (traces x bins); fill `found` (traces x Found), and `curve` and
    `curve_sd` where they have rows.

    Parameters
    ----------
    cooling : traces x time constants, see `hold_bins`. given : traces x `beliefs.Beliefs.arrays` and the standard
        deviation of the leak about none.
    first_log_tau : where the time constant's fit starts. is_rough : the leak's standard deviation over all
        time constants is not asked.
    """
    stands = _STANDS_ROUGHLY if is_rough else _STANDS
    room = new_room()
    room.design[LEVEL] = 1.0
    for k in range(len(t)):
        m = pack(t[k], pressure[k], n[k], room)
        if m < _MIN_BINS:
            continue
        hold, start = FittedHold(m, cooling[k], given[k], one_of(around, k)), first_log_tau[k]
        doubt, mended_s = mend(hold, room)
        begin(hold, room)
        air_share = _AIR_SHARE if room.bins[PRESSURE, 0] < 0 else 0.0
        _, noise2 = _fit(hold, 0.0, start, _FIXED, stands, _FIRST_ROUNDS, _FIRST_NOISE2, room)
        cost, noise2 = _fit(hold, air_share, start, _FREE, stands, _ROUNDS, noise2, room)
        put(found, k, _report(hold, noise2, doubt, mended_s, room))
        if len(curve):
            _draw(n[k], room, curve[k], curve_sd[k])
        if not is_rough:
            found[k, _LEAK_SD] = _sd_over_taus(hold, air_share, cost, noise2, room)


@fused
def _sd_over_taus(hold: FittedHold, air_share: float, cost: float, noise2: float, room: Room) -> float:
    """Return the standard deviation of the leak [1/m], the time constant being anything that the fit allows.

    Gauss and Hermite's three points about the fitted one, each weighted anew by how well it fits: the equations are
    far from linear in the time constant where the hold is short.
    """
    middle = room.vectors[MEAN, LOG_TAU]
    wide = _sd_of_one(LOG_TAU, N_UNKNOWN, room)
    leak, sd = room.vectors[MEAN, LEAK], _sd_of_one(LEAK, LOG_TAU, room)
    total, mean, square = 2 / 3, 2 / 3 * leak, 2 / 3 * (sd * sd + leak * leak)
    for side in (-1.0, 1.0):
        log_tau = min(max(middle + side * _HERMITE * wide, _LOG_TAU_LEAST), _LOG_TAU_MOST)
        other, noise2 = _fit(hold, air_share, log_tau, _FIXED, _STANDS, _ONE_ROUND, noise2, room)
        off = (log_tau - middle) / wide
        weight = np.exp(min(0.5 * (off * off - other + cost), _MOST_GAIN)) / 6
        leak, sd = room.vectors[MEAN, LEAK], _sd_of_one(LEAK, LOG_TAU, room)
        total += weight
        mean += weight * leak
        square += weight * (sd * sd + leak * leak)
    mean /= total
    return np.sqrt(max(square / total - mean * mean, 0.0)) * LEAK_SCALE


@fused
def _sd_of_one(unknown: int, n: int, room: Room) -> float:
    """Return the standard deviation of one unknown, only the first n being free."""
    asked = room.vectors[ASKED]
    for j in range(N_UNKNOWN):
        asked[j] = 1.0 if j == unknown else 0.0
    return spread_of(room.normal, asked, n, room.vectors[OTHER])


@fused
def _report(hold: FittedHold, noise2: float, doubt: float, mended_s: float, room: Room) -> Found:
    """Return what was found; the unknowns' Cholesky factor is that of the last round. `leak_sd` is left out."""
    m, here, mean, total, samples = hold.m, hold.here, room.vectors[MEAN], 0.0, 0.0
    for i in range(m):
        total += room.bins[N, i] * room.bins[PRESSURE, i]
        samples += room.bins[N, i]
    middle = abs(total / samples)
    heat_sd, log_tau_sd = _sd_of_one(HEAT, N_UNKNOWN, room), _sd_of_one(LOG_TAU, N_UNKNOWN, room)
    vapor, leak, under = room.vectors[ASKED], room.vectors[OTHER], room.vectors[THIRD]
    vapor[:], leak[:], under[:] = 0.0, 0.0, 0.0
    vapor[VAPOR], vapor[UNDER], leak[LEAK], under[UNDER] = 1.0, middle, LEAK_SCALE, 1.0
    for row in (vapor, leak, under):
        whiten(room.normal, row, N_UNKNOWN)
    return Found(
        mean[LEAK] * LEAK_SCALE,
        mean[VAPOR],
        mean[UNDER],
        np.sqrt(noise2),
        middle,
        discharge_share(middle, viscous_at(mean[LEAK], here)),
        doubt,
        mended_s,
        np.sqrt(shared_by(vapor, vapor, N_UNKNOWN)),
        shared_by(vapor, leak, N_UNKNOWN),
        mean[HEAT],
        heat_sd,
        mean[LOG_TAU],
        log_tau_sd,
        np.sqrt(shared_by(under, under, N_UNKNOWN)),
        shared_by(under, leak, N_UNKNOWN),
        np.sqrt(shared_by(leak, leak, N_UNKNOWN)),
        np.nan,
    )


@fused
def _draw(n: Floats, room: Room, curve: Floats, curve_sd: Floats) -> None:
    """Fill the fitted curve and its standard deviation [Pa] in the bins that have samples."""
    i = 0
    for cell in range(N_BINS):
        if n[cell] > 0:
            curve[cell] = room.bins[CURVE, i]
            room.vectors[ASKED] = room.design[:, i]
            curve_sd[cell] = spread_of(room.normal, room.vectors[ASKED], N_UNKNOWN, room.vectors[OTHER])
            i += 1


@fused
def _fit(
    hold: FittedHold,
    air_share: float,
    log_tau: float,
    is_tau_free: bool,
    stands: float,
    rounds: int,
    noise2: float,
    room: Room,
) -> tuple[float, float]:
    """Fit the bins in `room` from its unknowns and curve on.

    Leaves unknowns, curve, design and the normal equations' Cholesky factor in `room`.

    Parameters
    ----------
    air_share : see _AIR_SHARE. log_tau : where the time constant's logarithm starts; it stays there unless
        `is_tau_free`. stands, rounds : it ends with a round that moves the curve by less than `stands`, or with the
        last of so many. noise2 : the variance of a sample that the first round takes [Pa2].

    Returns
    -------
    How badly it fits (up to a constant), and the variance of a sample [Pa2].
    """
    # By index: of rows that are unpacked the compiler does not know that their bins lie side by side.
    bins, vectors, design = room.bins, room.vectors, room.design
    t, target, n, pressure = bins[T], bins[TARGET], bins[N], bins[PRESSURE]
    model, curve, weight, late = bins[MODEL], bins[CURVE], bins[WEIGHT], bins[LATE]
    mean, old, pull, right = vectors[MEAN], vectors[OLD], vectors[PULL], vectors[RIGHT]
    m, here = hold.m, hold.here
    mean[LOG_TAU] = log_tau
    if not is_tau_free:
        fade(t, m, np.exp(log_tau), room.fading[0], room.fading[1])
    for _ in range(rounds):
        viscous, leak = viscous_at(mean[LEAK], here), air_share * max(mean[LEAK], 0.0)
        let_in(t, curve, m, here.air, here.heat, viscous, LEAK_SCALE, leak, weight, room.gas)
        _linearize(t, m, hold.cooling, mean, is_tau_free, room, model)
        turn = 2 * abs(curve[1] - curve[0]) / max(t[1] - t[0], 1e-9)
        # A mean over readings that move by more than a step is rounded less.
        steps = (curve[m - 1] - curve[0]) / m / (3.5 * here.rounding + 1e-9)
        floor2 = BIN_FLOOR_PA**2 + (_CURVE_SHARE * pressure[0]) ** 2 + here.rounding**2 / (1 + steps * steps)
        for i in range(m):
            weight[i] = n[i] / (noise2 + n[i] * (floor2 + (turn * late[i]) ** 2))
        for i in range(m):
            target[i] = pressure[i] - model[i]
        add_rows(design, mean, m, target)
        believe(hold.given, here, mean, room.precision, pull)
        for j in range(N_UNKNOWN):
            old[j] = mean[j]
        normal_equations(design, target, weight, m, room.precision, pull, room.normal, right)
        solve(room.normal, right, mean)
        if not is_tau_free:
            mean[LOG_TAU] = log_tau
        for j in range(N_UNKNOWN):
            old[j] = mean[j] - old[j]
        add_rows(design, old, m, model)
        length2 = moved(model, curve, weight, m)
        for i in range(m):
            curve[i] = model[i]
        for i in range(m):
            target[i] = pressure[i] - model[i]
        mean[HEAT] = min(max(mean[HEAT], 0.0), _HEAT_MOST)
        mean[LOG_TAU] = min(max(mean[LOG_TAU], _LOG_TAU_LEAST), _LOG_TAU_MOST)
        noise2 = max(noise_of(target, n, m), here.noise2)
        if length2 < stands:
            break
    return m * np.log(noise2) + distance(mean, room.precision, pull), noise2


@fused
def _linearize(
    t: Floats, m: int, cooling: Floats, mean: Floats, is_tau_free: bool, room: Room, model: Floats
) -> None:
    """Fill `room.design` with the model's slopes in its unknowns and `model` with its value, at `mean`."""
    gas, felt, design, kept, came = room.gas, room.felt, room.design, room.fading[0], room.fading[1]
    inflow = mean[VAPOR : UNDER + 1]
    if is_tau_free:
        fade(t, m, np.exp(mean[LOG_TAU]), kept, came)
    heat_of(gas, m, kept, came, _between(cooling, mean[LOG_TAU]), inflow, felt)
    level, share = mean[LEVEL], mean[HEAT]
    vapor, leak, vacuum, heat = gas[0], gas[1], gas[2], felt[3]
    for i in range(m):
        model[i] = vapor[i] * inflow[0] + leak[i] * inflow[1] + vacuum[i] * inflow[2]
    by_tau = design[LOG_TAU]
    by_tau[:m] = 0.0
    if is_tau_free:
        later = mean[LOG_TAU] + _TAU_STEP
        fade(t, m, np.exp(later), kept, came)
        heat_together(model, m, kept, came, _between(cooling, later), by_tau)
        for i in range(m):
            by_tau[i] = share * (by_tau[i] - heat[i]) / _TAU_STEP
    for i in range(m):
        model[i] += level + share * heat[i]
    design[HEAT, :m] = heat[:m]
    for j in range(3):
        by_gas, of_gas, of_heat = design[VAPOR + j], gas[j], felt[j]
        for i in range(m):
            by_gas[i] = of_gas[i] + share * of_heat[i]


@fused
def _between(cooling: Floats, log_tau: float) -> float:
    """Return the cooling at a time constant between (or beyond) those that it was computed for."""
    k = 0
    while k < len(_LOG_TAUS) - 2 and log_tau > _LOG_TAUS[k + 1]:
        k += 1
    part = (log_tau - _LOG_TAUS[k]) / (_LOG_TAUS[k + 1] - _LOG_TAUS[k])
    value = cooling[k] * (1 - part) + cooling[k + 1] * part
    # Faster walls than those tried leave nothing, never the opposite.
    return value if value * cooling[k + 1] > 0 else 0.0
