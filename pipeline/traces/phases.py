"""Cut recordings into their phases, from the commands and never from the clock."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.traces.compiled import Flags, Floats, Ints, compiled
from pipeline.traces.ranges import are_lost

#: Phase codes of a sample, as NumPy's numbers (see `compiled.ZERO`). FLOWING is purge open with the vent open: no phase
#: of a test.
_CODES: Any = np.arange(6)
FLOWING, REST, CLOSED, DRAW, HOLD, RELEASE = _CODES
PHASE_NAMES = ("", "rest", "closed", "draw", "hold", "release")
#: Purge counts as open above this duty. Modules command 0 when shut; the smallest duties that move vapor are
#: several percent. One count of SAE J1979 PID 2E is 0.39 %.
PURGE_OPEN_PCT = 2.0
#: Valves and lines take so long to answer a command [s]; what is read right after one is not yet the new state.
SETTLING_S = 0.5
#: A valve that is driven in pulses is open all along: it shuts for no longer than this between two of them [s]. Such
#: valves take five to twenty pulses a second (common practice); a recorder sees some of them.
PULSE_S = 1.0
#: Samples were lost, and the pressure of the shut tank is lower by more than this [Pa] afterwards: a draw went on.
_DRAWN_PA = 300.0
#: So does a draw of a second or two: the pressure fell so many times as fast meanwhile as before and after.
_BRIEF_S, _BRIEF_TIMES, _BRIEF_FALL_TIMES = 1.0, 2.0, 10.0
#: And one that no sample of the purge shows, while a vacuum was held: for so long [s] on either side the pressure moved
#: by less than this share of what it fell by within _AT_ONCE_S. It is looked for where the pressure fell by _FALLS_PA
#: from one sample to the next.
_STOOD_S, _STOOD_SHARE, _AT_ONCE_S, _FALLS_PA = 2.0, 0.2, 1.5, 25.0


@compiled
def cut_phases(
    t: Floats, p: Floats, is_vent_closed: Flags, duty: Floats, a: int, b: int, phase: Ints, first: Ints
) -> int:
    """Cut rows a to b of one recording into stretches of one command state; return how many there are.

    A hold needs a draw since the vent last opened, a release a vent that was shut. A draw whose samples were all lost
    is the last one before them; one that fell between two samples is those that the pressure fell in.

    Parameters
    ----------
    t, p, duty : times [s], pressures [Pa], and duty of the purge [%].
    phase, first : filled with each stretch's phase code and first row; `first` gets b behind the last one.
    """
    n, drawn, was_shut = 0, False, False
    vents, duties = is_vent_closed[a:b], duty[a:b]
    vent, purge, seen = False, False, 0
    for i in range(len(vents)):
        open_now = duties[i] > PURGE_OPEN_PCT or (purge and _opens_again(t[a:b], vents, duties, i))
        if n > 0 and vents[i] == vent and open_now == purge:
            # Any other sample is done with here: no draw fell before it.
            if not vent or purge or p[a + i - 1] - p[a + i] < _FALLS_PA:
                continue
            if not drawn and _lost_a_draw(t, p, a + i, a, b):
                drawn = True
                n -= first[n - 1] == a + i - 1
                n = _add_unseen(phase, first, n, a + i - 1, a + i)
            elif drawn and a + i > seen:
                came = _drawn_unseen(t, p, is_vent_closed, duty, a + i, first[n - 1], b)
                if came >= 0:
                    seen = came
                    n = _add_unseen(phase, first, n, a + i - 1, came)
            continue
        vent, purge = vents[i], open_now
        if not vent:
            drawn = False
            phase[n] = FLOWING if purge else (RELEASE if was_shut else REST)
        elif purge:
            drawn, was_shut = True, True
            phase[n] = DRAW
        else:
            was_shut = True
            phase[n] = HOLD if drawn else CLOSED
        first[n] = a + i
        n += 1
    first[n] = b
    return n


@compiled
def _add_unseen(phase: Ints, first: Ints, n: int, draw: int, hold: int) -> int:
    """Add to n stretches a draw that no sample shows, and its hold, by their first rows; return how many there are."""
    phase[n], first[n] = DRAW, draw
    phase[n + 1], first[n + 1] = HOLD, hold
    return n + 2


@compiled
def _opens_again(t: Floats, vents: Flags, duties: Floats, i: int) -> bool:
    """Say whether the purge, shut at row i, opens again before a pulse is over, and the vent stays as it is."""
    j = i
    while j < len(t) and t[j] - t[i] <= PULSE_S and vents[j] == vents[i]:
        if duties[j] > PURGE_OPEN_PCT:
            return True
        j += 1
    return False


@compiled
def _drawn_unseen(t: Floats, p: Floats, is_vent_closed: Flags, duty: Floats, i: int, a: int, b: int) -> int:
    """Return the row at which the vacuum had come of a draw that no sample of the purge shows and that was on before
    row i; -1 where none came, or where a command changes beside it: that one brought it. A hold goes on from row a,
    to b at the most."""
    before, end = i - 1, i
    while before > a and t[i - 1] - t[before] < _STOOD_S:
        before -= 1
    while end + 1 < b and t[end + 1] - t[i - 1] <= _AT_ONCE_S:
        end += 1
    after = end
    while after + 1 < b and t[after] - t[end] < _STOOD_S:
        after += 1
    for j in range(i, after + 1):
        if not is_vent_closed[j] or duty[j] > PURGE_OPEN_PCT:
            return -1
    fell = p[i - 1] - p[end]
    stood = max(abs(p[before] - p[i - 1]), abs(p[after] - p[end])) < _STOOD_SHARE * fell
    is_whole = min(t[i - 1] - t[before], t[after] - t[end]) >= _STOOD_S
    return end if is_whole and stood and fell > _DRAWN_PA else -1


@compiled
def _lost_a_draw(t: Floats, p: Floats, i: int, a: int, b: int) -> bool:
    """Say whether the samples just before row i were lost, and a vacuum came meanwhile."""
    if p[i - 1] - p[i] < _DRAWN_PA or i - 2 < a or i + 1 >= b:
        return False
    lost, usual = t[i] - t[i - 1], t[i - 1] - t[i - 2]
    is_lost = are_lost(lost, usual)
    if not is_lost and lost > _BRIEF_S and lost > _BRIEF_TIMES * usual:
        beside = max((p[i - 2] - p[i - 1]) / usual, (p[i] - p[i + 1]) / (t[i + 1] - t[i]))
        is_lost = (p[i - 1] - p[i]) / lost > _BRIEF_FALL_TIMES * beside
    return is_lost and min(p[i - 1], p[i - 2]) - max(p[i], p[i + 1]) > _DRAWN_PA
