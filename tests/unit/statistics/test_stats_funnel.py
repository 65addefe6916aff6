"""Standardization and funnel: nobody accused by chance or by a harder mix, and the bad shop found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contract.vocabulary import FUNNEL
from pipeline.statistics.funnel import as_survival, funnel, over_dispersion
from pipeline.statistics.grouping import group_rows
from pipeline.statistics.standardization import expected_counts, expected_of_units


def shops(rng, n_shops, spread=0.0, bad=0, times=1.0):
    """Observed and expected comebacks of shops that differ by `spread`, the first `bad` of them truly worse."""
    work = rng.uniform(5, 60, n_shops)
    rate = rng.gamma(1 / spread**2, spread**2, n_shops) if spread else np.ones(n_shops)
    rate[:bad] *= times
    observed = rng.poisson(work * rate)
    return observed, work * observed.sum() / work.sum()


def accused(position):
    return np.array([str(word).startswith("beyond") for word in position])


def test_words_are_the_contracts():
    """Whatever is said of a group is a word of the contract."""
    said = funnel([0, 5, 9, 14, 40, 3], [9, 9, 9, 9, 9, 0])
    assert {word for word in said.position if word is not None} <= set(FUNNEL)
    assert said.position[5] is None


@pytest.mark.parametrize("n_shops", [4, 10, 30])
def test_chance_accuses_nobody(n_shops):
    """Shops that differ by chance alone: beyond the 99.8 % limits lies at most 0.2 %, outside 95 % at most 5 %."""
    rng = np.random.default_rng(41)
    said = [funnel(*shops(rng, n_shops)).position for _ in range(1200 // n_shops)]
    assert np.mean([accused(p) for p in said]) <= 0.002
    assert np.mean([p != "inside" for p in said]) <= 0.05


def test_ordinary_differences_accuse_few():
    """Thirty shops whose rates differ by 30 % for reasons of their own: limits widen to what they promise,
    where limits for chance alone would accuse many times as many."""
    rng = np.random.default_rng(43)
    fleets = [shops(rng, 30, spread=0.3) for _ in range(60)]
    widened = np.mean([accused(funnel(o, e).position) for o, e in fleets])
    plain = np.mean([accused(funnel(o, e, allows_dispersion=False).position) for o, e in fleets])
    assert widened <= 0.012
    assert plain > 5 * widened


@pytest.mark.parametrize("n_shops", [5, 10, 20])
def test_one_truly_bad_shop_among_few_is_found(n_shops):
    """A shop with three times the comebacks among few does not hide behind its own effect on the limits."""
    rng = np.random.default_rng(47)
    said = np.array([accused(funnel(*shops(rng, n_shops, bad=1, times=3.0)).position) for _ in range(60)])
    assert said[:, 0].mean() > 0.85
    assert said[:, 1:].mean() <= 0.005


def test_a_handful_of_events_accuses_nobody():
    """Three comebacks where 0.9 were expected are within what a Poisson count does."""
    said = funnel([3, 0, 0, 1], [0.9, 1.0, 1.1, 1.0])
    assert not accused(said.position).any()


def test_fewer_than_three_groups_are_not_placed():
    """Two shops cannot tell how much ordinary shops differ: no position, no accusation."""
    assert funnel([30, 2], [16, 16]).position.tolist() == [None, None]
    assert funnel([5], [5]).position.tolist() == [None]
    assert funnel([], []).position.tolist() == []


@settings(max_examples=50)
@given(
    st.lists(
        st.tuples(st.integers(0, 80), st.one_of(st.just(0.0), st.floats(0.001, 60))), min_size=3, max_size=14
    ),
    st.floats(0.05, 0.999),
)
def test_position_agrees_with_the_limits_in_both_languages(rows, share):
    """A group lies where its limits say, on events and, mirrored, on the share without the event."""
    observed, expected = np.array(rows).T
    said = funnel(observed, expected)
    fix = as_survival(said, np.full(len(rows), share))
    for k, word in enumerate(said.position):
        if word is None:
            continue
        assert said.outer.low[k] <= said.inner.low[k] <= 1 <= said.inner.high[k] <= said.outer.high[k]
        assert 0 <= fix.outer.low[k] <= fix.inner.low[k] <= share + 1e-12
        assert share - 1e-12 <= fix.inner.high[k] <= fix.outer.high[k] <= 1
        assert (word == "inside") == (said.inner.low[k] <= said.ratio[k] <= said.inner.high[k])
        assert (word == "beyond_above") == (said.ratio[k] > said.outer.high[k])
        assert fix.position[k].replace("below", "above") == word.replace("below", "above")
        assert (fix.position[k] == word) == (word == "inside")
        assert 0 <= said.p_value[k] <= 1


def test_p_values_of_ordinary_groups_are_not_too_small():
    """Among shops that differ by chance alone at most 5 % have p < 0.05 and at most 1 % p < 0.01."""
    rng = np.random.default_rng(53)
    p = np.concatenate([funnel(*shops(rng, 12)).p_value for _ in range(150)])
    assert np.mean(p < 0.05) <= 0.05
    assert np.mean(p < 0.01) <= 0.01


@pytest.mark.parametrize("n", [2, 3, 5, 8, 10, 14, 40])
def test_correction_for_winsorising_is_right(n):
    """phi of groups that differ by chance alone averages 1 once winsorising is allowed for."""
    z = np.random.default_rng(59).standard_normal((3000, n))
    phi = [over_dispersion(row, np.ones(n), is_consistent=True).phi for row in z]
    assert np.mean(phi) == pytest.approx(1, abs=0.035)


def test_a_harder_mix_is_allowed_for():
    """Two shops, one with the hard work only: each is expected to have what its own mix has."""
    rng = np.random.default_rng(61)
    stratum = np.repeat(["easy", "hard"], 4000)
    shop = np.where(
        rng.random(8000) < np.where(stratum == "hard", 0.9, 0.1), "takes the hard", "takes the easy"
    )
    time = rng.exponential(np.where(stratum == "hard", 150, 1500))
    follow = rng.uniform(10, 300, 8000)
    units = expected_of_units(np.minimum(time, follow), time <= follow, stratum, 90)
    fit = units.in_groups(group_rows(shop, len(shop)))
    assert fit.observed / fit.expected == pytest.approx(np.ones(2), abs=0.08)
    assert fit.observed.sum() == pytest.approx(fit.expected.sum(), rel=1e-12)
    hard, easy = np.exp(-90 / 150), np.exp(-90 / 1500)
    assert fit.expected_survival == pytest.approx(
        np.array([0.9 * easy + 0.1 * hard, 0.1 * easy + 0.9 * hard]), abs=0.02
    )


def test_events_after_the_horizon_do_not_count():
    """A comeback on day 90 counts, one on day 91 is a unit followed for the whole window."""
    fit = expected_of_units([90, 91, 200], [1, 1, 1], ["s"] * 3, 90).in_groups(group_rows(["g"] * 3, 3))
    assert (fit.observed[0], fit.expected[0]) == (1.0, pytest.approx(1.0))
    assert fit.expected_survival[0] == pytest.approx(2 / 3)


def test_missing_labels_and_empty_input():
    """A repair without a technician belongs to no group and still shapes what its stratum leads to expect."""
    units = expected_of_units([5, 9, 30], [1, 0, 0], ["s"] * 3, 90)
    fit = units.in_groups(group_rows(np.array(["a", None, "b"], object), 3))
    assert fit.groups.tolist() == ["a", "b"]
    assert fit.n.tolist() == [1, 1]
    assert fit.expected == pytest.approx([1 / 3, 1 / 3])
    assert len(expected_of_units([], [], [], 90).in_groups(group_rows([], 0)).n) == 0
    assert len(expected_counts([], [], [], []).n) == 0
