"""How fast the fuel of a lake's tanks gives back the vapor that a draw took out, as its tight tanks show it.

In one hold vapor that comes back within minutes looks like a hole of a quarter of a millimeter. Among many it does not:
tanks without a hole lie together, and holes are of any size.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.traces.compiled import Floats

#: What a hole gives back is as likely on the logarithmic scale between these [times the usual vapor]: 0.2 mm in a large
#: tank, 1 mm in a small one.
_LEAST_HOLE, _MOST_HOLE = 3.0, 200.0
#: Of what is no tank without a hole, so large a share (sensors, valves) lies anywhere from here on.
_ODD_SHARE, _LEAST_ODD = 0.2, -50.0
#: However alike tanks are, one of them is known no better than this. Their mean is believed up to so many times the
#: usual: fuel that has its vapor back within three minutes.
_LEAST_SPREAD, _MOST_MEAN = 0.5, 12.0
_ROUNDS, _SETTLED = 100, 1e-4
#: Of more holds than these, every other, third, fourth ... in the order of their ratios is used.
_MOST_HOLDS = 4_000


class VaporLaw(NamedTuple):
    """Mean and standard deviation of one tank, in times of what is usual, and how many tanks without a hole told it.

    The standard deviation is taken larger by the standard error of its square, and holds that of the mean.
    """

    mean: float
    spread: float
    n: float


def law_of_tanks(ratio: Floats, sd: Floats, least_n: int) -> VaporLaw:
    """Return the law of the tanks without a hole among holds of which each tells `ratio` to `sd`; nan where fewer than
    `least_n` are, or their mean is beyond belief.

    A mixture of a normal law (tanks without a hole) and holes of any size, by expectation and maximization. Source:
    any text on finite mixtures.
    """
    is_told = np.isfinite(ratio) & np.isfinite(sd) & (ratio > _LEAST_ODD) & (ratio < _MOST_HOLE)
    x, error = ratio[is_told], sd[is_told]
    if len(x) < least_n:
        return VaporLaw(np.nan, np.nan, float(len(x)))
    # In an order of their own: whatever the order of the recordings, the law is the same to the last digit.
    order = np.lexsort((error, x))[:: 1 + len(x) // _MOST_HOLDS]
    x, error2 = x[order], error[order] ** 2
    of_hole = (x > _LEAST_HOLE) / (np.maximum(x, _LEAST_HOLE) * np.log(_MOST_HOLE / _LEAST_HOLE))
    other = (1 - _ODD_SHARE) * of_hole + _ODD_SHARE / (_MOST_HOLE - _LEAST_ODD)
    mean, spread2, share = float(np.quantile(x, 0.3)), 4.0, 0.7
    tight = variance = np.ones(len(x))
    for _ in range(_ROUNDS):
        variance = spread2 + error2
        normal = share * np.exp(-0.5 * (x - mean) ** 2 / variance) / np.sqrt(2 * np.pi * variance)
        tight = normal / np.maximum(normal + (1 - share) * other, 1e-300)
        share = float(tight.mean())
        mean = float(np.sum(tight * x / variance) / np.sum(tight / variance))
        own2 = 1 / (1 / spread2 + 1 / error2)
        own = own2 * (mean / spread2 + x / error2)
        was, spread2 = spread2, float(np.sum(tight * ((own - mean) ** 2 + own2)) / tight.sum())
        spread2 = max(spread2, _LEAST_SPREAD**2)
        if abs(spread2 - was) < _SETTLED * spread2:
            break
    n = float(tight.mean() * is_told.sum())
    if n < least_n or mean > _MOST_MEAN:
        return VaporLaw(np.nan, np.nan, n)
    doubt2 = np.sqrt(2 / np.sum(tight / variance**2)) + 1 / np.sum(tight / variance)
    return VaporLaw(max(mean, 0.0), float(np.sqrt(spread2 + doubt2)), n)
