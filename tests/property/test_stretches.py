"""Stretches of any commands over any pressures: whatever the samples say, they share the rows out among them.

Kernels take this for granted: a stretch that reached back over another one's rows would make them write beyond their
arrays.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.traces.compiled import ZERO
from pipeline.traces.phases import cut_phases

#: One command state: seconds, vent shut, purge [%], pressure from there on [Pa], and by how long [s] the pressure is
#: ahead of the command: a recorder polls one after the other.
STATE = st.tuples(
    st.floats(0.1, 12.0),
    st.booleans(),
    st.sampled_from([0.0, 0.0, 1.5, 40.0, 100.0]),
    st.sampled_from([0.0, -150.0, -600.0, -1200.0, -2500.0, 3500.0]),
    st.sampled_from([0.0, 0.0, 0.3, 0.8, 1.4]),
)


@settings(max_examples=1500)
@given(st.lists(STATE, min_size=1, max_size=8), st.sampled_from([0.5, 2.0, 10.0, 20.0]), st.integers(0, 9))
def test_stretches_follow_one_another(states, rate_hz, lost):
    t, shut, duty, pressure = _recorded(states, rate_hz, lost)
    n = len(t)
    phase, first = np.full(n + 1, -1), np.full(n + 1, -1)
    count = cut_phases(t, pressure, shut, duty, ZERO, n, phase, first)
    assert 1 <= count <= n
    assert first[0] == 0
    assert first[count] == n
    assert (np.diff(first[: count + 1]) > 0).all()
    assert (phase[:count] >= 0).all()


def _recorded(
    states: list[tuple[float, bool, float, float, float]], rate_hz: float, lost: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return times, vent, duty and pressure of a recording, each `lost`-th of ten samples of it gone."""
    seconds, shut, duty, level, ahead = (np.array(column) for column in zip(*states, strict=True))
    ends = np.cumsum(seconds)
    t = np.arange(0, ends[-1], 1 / rate_hz)
    keep = np.arange(len(t)) % 10 != lost
    keep[0] = True
    t = t[keep]
    commanded = np.minimum(np.searchsorted(ends, t, side="right"), len(ends) - 1)
    come = np.minimum(np.searchsorted(ends - np.append(ahead[1:], 0), t, side="right"), len(ends) - 1)
    columns = t, shut[commanded], duty[commanded], level[come]
    for column in columns:
        column.flags.writeable = False
    return columns
