"""What passes a purge valve that is shut: gas drawn out of a volume at a steady flow, q = (v - p') V / P (Boyle)."""

import numpy as np
import pytest
from drawing import AIR_PA, VOLUME_L, Drawing, bench, judged

#: Usual vapor of a tank [Pa/s].
VAPOR_PA_S = 1.5


def rate_of(flow_l_min: float) -> float:
    """How fast the pressure of VOLUME_L changes [Pa/s] while so much is drawn out of it."""
    return VAPOR_PA_S - flow_l_min / 60 / VOLUME_L * AIR_PA


def passing(flow_l_min: float, hold_s: float = 40.0, closed_s: float = 10.0, **hold: float) -> Drawing:
    """A test during which so much passes the shut purge valve all the time."""
    rate = rate_of(flow_l_min)
    drawing = Drawing().rest().closed(closed_s, rate).draw(-2000.0)
    return drawing.hold(hold_s, **{"vapor": max(rate, -30.0)} | hold).release()


@pytest.mark.parametrize("flow", [0.25, 0.6, 2.0, 5.0])
def test_a_valve_that_passes_is_told_with_its_flow(flow):
    row = judged(passing(flow).samples(noise=2))
    assert row["verdict"] == "purge_passes_closed"
    assert row["purge_leak_l_min"] == pytest.approx(flow, abs=0.03 + 0.02 * flow)
    assert row["purge_leak_low_l_min"] < flow < row["purge_leak_high_l_min"]
    assert (
        f"about {row['purge_leak_l_min']:.{1 if row['purge_leak_l_min'] >= 1 else 2}f} l/min ("
        in row["evidence"]
    )


def test_a_flow_is_smaller_at_lower_ambient_pressure():
    """The same fall of a thinner gas is more liters of it: q goes with 1 / P."""
    low, high = (
        judged(passing(1.0).samples(noise=2), barometric_kpa=kpa)["purge_leak_l_min"]
        for kpa in (80.0, 101.325)
    )
    assert low / high == pytest.approx(101.325 / 80.0, rel=1e-6)


def test_beside_a_leak_only_the_least_is_told():
    """What a leak lets in nobody sees pass the valve; the hold, which rises, shows that something comes in."""
    row = judged(passing(1.0, hole_mm=0.6, vapor=rate_of(1.0)).samples(noise=2))
    assert row["verdict"] == "purge_passes_closed"
    assert row["purge_leak_l_min"] is None
    assert row["purge_leak_high_l_min"] is None
    assert 0 < row["purge_leak_low_l_min"] < 1.0
    assert "at least" in row["evidence"]


def test_a_fall_that_came_to_rest_tells_the_least():
    """A large flow out of a small tank reaches the relief valve within seconds: the mean of that fall is no rate."""
    flow = 6.0
    drawing = Drawing().rest()
    drawing.add(15, lambda s: (rate_of(flow) * s).clip(-2500.0), True, 0.0)
    row = judged(drawing.draw(-2500.0).hold(40, vapor=0.0).release().samples(noise=2))
    assert row["verdict"] == "purge_passes_closed"
    assert row["purge_leak_l_min"] is None
    assert row["purge_leak_low_l_min"] < flow


def test_seen_in_the_hold_alone_only_the_least_is_told():
    drawing = Drawing().rest().draw(-1500.0, seconds=10.0).hold(40, vapor=rate_of(0.8)).release()
    row = judged(drawing.samples(noise=2))
    assert row["verdict"] == "purge_passes_closed"
    assert row["purge_leak_l_min"] is None
    assert 0.3 < row["purge_leak_low_l_min"] < 0.8


def test_a_system_that_holds_tells_what_its_valve_may_pass_unseen():
    """And a valve that passes a quarter more is found in the same tank."""
    row = judged(passing(0.0).samples(noise=2))
    assert (row["verdict"], row["purge_leak_l_min"], row["purge_leak_low_l_min"]) == ("holds", None, 0.0)
    most = row["purge_leak_high_l_min"]
    assert f"a purge valve that passes more than {most:.2f} l/min when shut" in row["evidence"]
    assert 0.03 < most < 0.3
    assert judged(passing(1.25 * most).samples(noise=2))["verdict"] == "purge_passes_closed"


def test_lively_vapor_hides_no_less_than_usual():
    usual, lively = (
        judged(Drawing().rest().closed(15, v).draw(-2000.0).hold(60, vapor=v).release().samples(noise=2))
        for v in (2.0, 9.0)
    )
    assert lively["verdict"] == "holds"
    assert lively["purge_leak_high_l_min"] > 0.7 * usual["purge_leak_high_l_min"]


def test_without_a_tank_size_no_flow_is_told():
    row = judged(passing(1.0).samples(noise=2), fuel_tank_l=None)
    assert row["verdict"] == "purge_passes_closed"
    assert [row[f"purge_leak{end}_l_min"] for end in ("", "_low", "_high")] == [None] * 3


def test_under_pressure_nobody_knows_what_the_engine_draws():
    t = np.arange(0, 150, 0.2)
    pa = np.interp(t, [10, 14, 150], [0, 3500, 3300])
    row = judged(bench(t, pa))
    assert row["verdict"] == "holds"
    assert row["purge_leak_high_l_min"] is None
