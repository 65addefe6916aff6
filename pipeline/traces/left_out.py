"""What of a recording was left out, and which clock its times are by, in words."""

from __future__ import annotations

import numpy as np
from numpy import isfinite

from pipeline.traces.quantities import seconds
from pipeline.traces.written import Readings, Text, choose, say, where_known

#: A mended clock is told of from here on [s].
MENDED_S = 0.5


def left_out(r: Readings) -> Text:
    """Return what was left out of each recording, and by how much its clock was mended; nothing where all was used."""
    return say("{}{}{}", _opened(r), _stood(r), _mended(r))


def _opened(r: Readings) -> Text | str:
    """Say where the hold was cut: what followed is no hold."""
    is_lost = isfinite(r["hold_lost_s"])
    # Of a supply that a gross leak outran what followed tells the leak.
    is_cut = (r["is_opened"] | is_lost) & isfinite(r["hold_s"]) & (r["verdict"] != "gross_leak")
    if not is_cut.any():
        return ""
    after = seconds(r["hold_s"])
    let_go = say(
        " After {} it was let go, otherwise than by the vent valve: what followed was left out.",
        after,
    )
    opened = say(
        " After {} of the hold something opened, though the vent was commanded shut: the pressure went at once, and "
        "what followed was left out.",
        after,
    )
    lost = say(
        " After {} of the hold the clock leapt by {}, or samples of that time were lost: what followed was left out.",
        after,
        seconds(r["hold_lost_s"]),
    )
    return choose(
        (is_cut & is_lost, where_known(lost)), (is_cut & r["is_pressure_test"], let_go), (is_cut, opened)
    )


def _stood(r: Readings) -> Text | str:
    """Say how long the reading stood dead still in the end."""
    is_dead = isfinite(r["stood_s"])
    if not is_dead.any():
        return ""
    still = say(
        " In the last {} the reading stood dead still, through the commands: that was left out.",
        seconds(r["stood_s"]),
    )
    return choose((is_dead, where_known(still)))


def _mended(r: Readings) -> Text | str:
    """Say where the times that are told are not those that passed."""
    is_sized = r["verdict"] in ("holds", "leak")
    is_mended = is_sized & (np.abs(r["mended_s"]) >= MENDED_S) & isfinite(r["hold_s"])
    if not is_mended.any():
        return ""
    did = choose((r["mended_s"] < 0, "leapt ahead"), otherwise="stood still")
    told = say(
        " Times are the clock's, which {} by about {} in the hold: the size goes by the time that passed.",
        *(did, seconds(np.abs(r["mended_s"]))),
    )
    return choose((is_mended, where_known(told)))
