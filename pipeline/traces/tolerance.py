"""How far a reading lies from a limit, in units of its own tolerance.

Such a distance is positive where the limit is passed, 0 on the edge, and never beyond SUREST. Of several readings that
are needed together the least counts, of several that are enough alone the greatest.
"""

from __future__ import annotations

from functools import reduce

import numpy as np
from numpy.typing import ArrayLike

from pipeline.traces.compiled import Flags, Floats

#: No reading counts for more than a thousand to one (half the square of this, in nats): something may always be wrong
SUREST = 3.7
#: Tolerance of a reading against its limit [share]: of pressures, times and sizes that were measured, and of faint ones
#: (judgement: the limits themselves are no better known than this).
MEASURED, FAINT = 0.1, 0.25
#: Of a limit that stands well clear of what a sound system reads.
SHARP = 0.06


def above(value: ArrayLike, limit: ArrayLike, tolerance: ArrayLike = MEASURED) -> Floats:
    """Return how far a value lies above its limit (> 0), as a logarithm, in tolerances; a missing one lies below."""
    value, limit = np.asarray(value, float), np.asarray(limit, float)
    with np.errstate(all="ignore"):
        return bounded(np.log(np.where(value > 0, value, np.nan) / limit) / np.asarray(tolerance))


def below(value: ArrayLike, limit: ArrayLike, tolerance: ArrayLike = MEASURED) -> Floats:
    """Return how far a value >= 0 lies below its limit, as `above` does; a missing one lies above."""
    value, limit = np.asarray(value, float), np.asarray(limit, float)
    with np.errstate(all="ignore"):
        return bounded(np.log(limit / np.maximum(value, 1e-12)) / np.asarray(tolerance))


def bounded(distance: Floats) -> Floats:
    """Return a distance no surer than SUREST; a missing one counts as surely not."""
    return np.minimum(np.fmax(distance, -SUREST), SUREST)


def both(*signs: Floats) -> Floats:
    """Return the least of signs that are needed together."""
    return reduce(np.minimum, signs)


def either(*signs: Floats) -> Floats:
    """Return the greatest of signs of which each is enough alone."""
    return reduce(np.maximum, signs)


def fact(is_so: Flags) -> Floats:
    """Return what is known without error as a sign."""
    return np.where(is_so, SUREST, -SUREST)
