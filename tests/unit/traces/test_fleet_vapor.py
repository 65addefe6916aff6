"""Which vapor tanks without a hole give back, told among holes of any size."""

import numpy as np
import pytest

from pipeline.traces.fleet_vapor import law_of_tanks


def a_lake(rng, n_tight, mean, spread, n_holes, n_odd=0):
    """Tanks of a normal law, holes of 0.25 to 1 mm in 45 l (0.3 mm gives as much as 16 times the usual vapor), and
    sensors that tell anything; each told to its own error."""
    mm = np.exp(rng.uniform(np.log(0.25), np.log(1.0), n_holes))
    true = [rng.normal(mean, spread, n_tight), 16 * (mm / 0.3) ** 2, rng.uniform(-45, 100, n_odd)]
    sd = rng.uniform(0.4, 3.5, n_tight + n_holes + n_odd)
    return np.concatenate(true) + rng.normal(0, 1, len(sd)) * sd, sd


@pytest.mark.parametrize(("mean", "spread"), [(1.0, 0.7), (2.0, 1.5), (6.0, 3.0)])
@pytest.mark.parametrize("n_holes", [60, 200])
def test_the_law_is_that_of_the_tanks_that_have_no_hole(mean, spread, n_holes):
    law = law_of_tanks(*a_lake(np.random.default_rng(7), 200, mean, spread, n_holes, n_odd=12), 20)
    assert law.mean == pytest.approx(mean, abs=0.15 * mean + 3 * spread / np.sqrt(200))
    # Of a wide law the upper end is taken for holes.
    assert 0.65 * spread < law.spread < 1.6 * spread
    assert 150 < law.n < 260


def test_holes_alone_and_few_tanks_tell_nothing():
    rng = np.random.default_rng(3)
    for few in (
        a_lake(rng, 0, 1.0, 1.0, 150),
        a_lake(rng, 12, 1.0, 1.0, 4),
        (np.full(50, np.nan), np.ones(50)),
    ):
        law = law_of_tanks(*few, 20)
        assert np.isnan(law.mean)
        assert np.isnan(law.spread)


def test_vapor_that_fades_is_none_and_never_a_hole_that_closes():
    law = law_of_tanks(*a_lake(np.random.default_rng(5), 100, -1.5, 1.0, 30), 20)
    assert law.mean == 0.0


def test_the_law_is_the_same_in_whatever_order_the_holds_come_and_of_a_part_of_many():
    rng = np.random.default_rng(9)
    ratio, sd = a_lake(rng, 18_000, 2.0, 1.0, 6_000)
    mixed = rng.permutation(len(ratio))
    law = law_of_tanks(ratio, sd, 20)
    assert law == law_of_tanks(ratio[mixed], sd[mixed], 20)
    assert law.mean == pytest.approx(2.0, abs=0.25)
    assert 15_000 < law.n < 20_000
