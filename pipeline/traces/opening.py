"""Where in a hold something opened, though the vent was commanded shut."""

from __future__ import annotations

from pipeline.traces.compiled import Floats, compiled
from pipeline.traces.ranges import most, row_from

#: Something opened in a hold where the pressure lost no more than _STILL_SHARE in _STILL_S [s], and then went within
#: _OPENS_WITHIN_S [s] to less than _GONE_SHARE of the whole, for good; as long after that at most _LEFT_SHARE of what
#: it was before is left, for which a decay takes longer. It takes _TELLS_OPENING_PA [Pa] to tell (_TELLS_BOX_PA
#: of what was put in), and so many steps of the sensor: of a coarse one every step comes at once.
_STILL_SHARE, _STILL_S = 0.15, 4.0
_OPENS_WITHIN_S, _GONE_SHARE, _LEFT_SHARE = 2.5, 0.15, 0.5
_TELLS_OPENING_PA, _TELLS_BOX_PA, _TELLS_OPENING_STEPS = 300.0, 80.0, 3.0
#: So large a share of a vacuum, and of a pressure that was applied, must be kept until then.
_KEPT_SHARE, _LET_GO_SHARE = 0.5, 0.15
#: Whether it is let go is asked from where it first comes as near as this to the greatest pressure [share].
_NEAR_SHARE = 0.97
#: A hold of fewer rows is not asked.
LEAST_ROWS = 8


@compiled
def opened(t: Floats, smooth: Floats, a: int, b: int, step: float) -> int:
    """Return the row of rows a to b, a hold under vacuum, at which something opened; b where nothing did.

    Parameters
    ----------
    step : smallest difference between two readings [Pa].
    """
    return _opening(t, smooth, a, b, _KEPT_SHARE, max(_TELLS_OPENING_PA, _TELLS_OPENING_STEPS * step))


@compiled
def let_go(t: Floats, smooth: Floats, a: int, b: int, step: float) -> int:
    """Return the row of rows a to b at which a pressure that was applied was let go, as `opened` does."""
    return _opening(t, smooth, a, b, _LET_GO_SHARE, max(_TELLS_BOX_PA, _TELLS_OPENING_STEPS * step))


@compiled
def _opening(t: Floats, smooth: Floats, a: int, b: int, kept_share: float, tells_pa: float) -> int:
    """Return the row of a hold at which something opened, b where nothing did.

    Through a hole a vacuum, or a pressure, goes ever more slowly. One that first keeps still and is then gone within
    seconds, for good, found another way. The hold's last reading stands for the level outside; so much of the first one
    (`kept_share`) must have been kept until then, and no less than `tells_pa`.
    """
    if b - a < LEAST_ROWS:
        return b
    outside = smooth[b - 1]
    whole = abs(smooth[a] - outside)
    gone = a
    while gone < b and abs(smooth[gone] - outside) > _GONE_SHARE * whole:
        gone += 1
    kept = row_from(t, a, b, t[min(gone, b - 1)] - _OPENS_WITHIN_S) - 1
    before = row_from(t, a, b, t[max(kept, a)] - _STILL_S)
    if kept <= before or t[kept] - t[a] < _STILL_S:
        return b
    left = abs(smooth[kept] - outside)
    if left < max(kept_share * whole, tells_pa) or abs(smooth[before] - outside) - left > _STILL_SHARE * left:
        return b
    settled = min(row_from(t, gone, b, t[min(gone, b - 1)] + _OPENS_WITHIN_S), b - 1)
    if abs(smooth[settled] - outside) > _LEFT_SHARE * left:
        return b
    for i in range(gone, b):
        if abs(smooth[i] - outside) > 2 * _GONE_SHARE * whole:
            return b
    while abs(smooth[kept + 1] - outside) > (1 - _STILL_SHARE) * left:
        kept += 1
    return kept + 1


@compiled
def full_from(smooth: Floats, a: int, b: int) -> int:
    """Return the first of rows a to b that comes near the greatest pressure: where it stands, noise picks that."""
    enough = _NEAR_SHARE * most(smooth, a, b)
    while smooth[a] < enough:
        a += 1
    return a
