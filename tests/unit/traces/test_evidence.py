"""Every sentence survives readings that are missing: a number nobody has is never written."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from pipeline.contract.vocabulary import VERDICTS
from pipeline.standards.pressure_test import PressureVerdict
from pipeline.traces.evidence import evidence_of
from pipeline.traces.quantities import pressure, pressures
from pipeline.traces.stories import NAMES
from pipeline.traces.verdict import REASONS
from pipeline.traces.written import written

FLAGS = (
    "creeps",
    "is_pressure_test",
    "is_opened",
    "is_at_end",
    "is_level_known",
    "is_by_purge",
    "is_flat_volts",
    "is_flat_pressure",
    "is_off_norm",
    "is_shifted",
    "is_parted",
    "is_risen_shut",
    "is_shut_at_rest",
    "is_stopped",
    "is_leak_told",
)
#: A size as words tell it, without the upper end of an interval.
SIZE = re.compile(r"(?<!\d to )(?<!\S)\S+ mm²?(?!\w)")
MISSING = re.compile(r"\b(nan|inf|None)\b", re.IGNORECASE)


class Readings(dict):
    """Readings of n recordings drawn as they are asked for: often missing, of either sign and of any size."""

    def __init__(self, verdict: str, rng: np.random.Generator, n: int = 1) -> None:
        def any_of(words) -> np.ndarray:
            return rng.choice(np.array(list(words), object), n)

        super().__init__(
            verdict=verdict,
            reason=any_of(REASONS),
            best=any_of(NAMES),
            second=any_of(NAMES),
            level=0.95,
            discharge=0.61,
            n_samples=rng.integers(0, 900, n),
            norm_n=rng.integers(0, 50, n),
            norm_rest_n=rng.integers(0, 50, n),
        )
        self.update({name: rng.random(n) < 0.5 for name in FLAGS})
        tested = any_of(
            [
                None,
                PressureVerdict("pass", "It passes.", 3487.0),
                PressureVerdict("fail", "It fails.", 3487.0),
            ]
        )
        self["pressure_test"] = np.where(self["is_pressure_test"], tested, np.array(None))
        self.rng, self.n = rng, n

    def __missing__(self, name: str) -> np.ndarray:
        kind = self.rng.random(self.n)
        size = self.rng.choice([-1, 1], self.n) * 10 ** self.rng.uniform(-3, 4, self.n)
        is_so = [kind < 0.4, kind < 0.45, kind < 0.5]
        self[name] = np.select(is_so, [math.nan, math.inf, 0.0], size)
        return self[name]


@pytest.mark.parametrize("verdict", VERDICTS)
def test_no_sentence_names_a_number_that_is_missing(verdict):
    n = 1500
    r = Readings(verdict, np.random.default_rng(20), n)
    texts = evidence_of(r, n).to_list()
    assert len(texts) == n
    for k, text in enumerate(texts):
        assert not MISSING.search(text), (text, k)
        assert text.endswith(".")
    asked = [name for name, some in r.items() if isinstance(some, np.ndarray) and some.dtype == float]
    assert any(np.isnan(r[name]).any() for name in asked), (
        "no reading was ever missing: the check checks nothing"
    )


@pytest.mark.parametrize("verdict", ["holds", "leak", "gross_leak", "not_judged", "sensor_offset"])
def test_the_discharge_coefficient_stands_beside_every_size(verdict):
    n = 600
    texts = evidence_of(Readings(verdict, np.random.default_rng(22), n), n).to_list()
    sizes = [len(SIZE.findall(text)) for text in texts]
    assert max(sizes) == (2 if verdict == "gross_leak" else 1)
    assert sizes == [text.count("discharge coefficient 0.61)") for text in texts]


@pytest.mark.parametrize("verdict", VERDICTS)
def test_a_recording_is_told_alike_alone_and_among_others(verdict):
    n = 60
    r = Readings(verdict, np.random.default_rng(21), n)
    together = evidence_of(r, n).to_list()
    alone = [
        evidence_of(
            {name: some[[k]] if isinstance(some, np.ndarray) else some for name, some in r.items()}, 1
        )[0]
        for k in range(n)
    ]
    assert together == alone


def one(r: Readings, **some: object) -> str:
    for name, value in some.items():
        r[name] = np.array([value], object if isinstance(value, str | None) else None)
    return evidence_of(r, 1)[0]


def test_vacuum_that_grew_without_a_late_reading_is_told_by_what_was_read():
    r = Readings("purge_passes_closed", np.random.default_rng(0))
    missing = dict.fromkeys(
        ("closed_rate", "closed_change", "hold_late_change", "hold_start_above"), math.nan
    )
    text = one(r, **missing, hold_change=-310.0, pressure_test=None)
    assert text.startswith("In the hold the vacuum grew by 310 Pa")


def test_a_verdict_that_is_not_sure_names_the_second_story():
    r = Readings("holds", np.random.default_rng(0))
    text = one(r, pressure_test=None, confidence=0.83, second="leak", second_confidence=0.16)
    assert text.endswith(". Less likely (16%): a leak.")
    assert "Less likely" not in one(r, confidence=0.95)


def test_a_pressure_is_told_alike_alone_and_among_others():
    r = Readings("sensor_offset", np.random.default_rng(0))
    for pa in (-310.4, -19.96, -3.0, 0.0, 20.0, 412.5):
        assert f"With the vent open the sensor read {pressure(pa)} (2.50 V)" in one(r, zero=pa, rest_v=2.5)


def test_a_pressure_that_is_rounded_to_nothing_has_no_sign():
    assert pressure(-0.04) == "0.0 Pa (0.0 in of water)"
    assert written(pressures(np.array([-0.04, -6.0])), 2).to_list() == [
        "0.0 Pa (0.0 in of water)",
        "-6.0 Pa (0.0 in of water)",
    ]


@pytest.mark.parametrize(("low", "is_told"), [(0.08, False), (0.508, True), (4.6, True)])
def test_a_gross_leak_is_not_said_to_be_larger_than_a_pinhole(low, is_told):
    text = one(Readings("gross_leak", np.random.default_rng(4)), gross_low=low)
    assert ("the hole is larger than" in text) == is_told


@pytest.mark.parametrize(("settled_high", "is_told"), [(5.0, True), (2.4, False)])
def test_a_hole_told_by_the_usual_purge_flow_is_none_that_the_time_denies(settled_high, is_told):
    """Of a draw that was no usual one a hole larger than 2.9 mm had been told as one of 1.7 mm."""
    r = Readings("gross_leak", np.random.default_rng(4))
    text = one(r, gross_low=2.9, settled=2.2, settled_low=2.0, settled_high=settled_high)
    assert ("vacuum settled as through 2.2 mm" in text) is is_told
    assert "larger than 2.9 mm" in text


def test_bounds_of_a_gross_leak_are_rounded_outward():
    r = Readings("gross_leak", np.random.default_rng(4))
    text = one(r, gross_low=0.567, settled=3.0, settled_low=2.07, settled_high=3.61)
    assert "larger than 0.5 mm" in text
    assert "as through 3.0 mm (2.0 to 3.7 mm" in text


@pytest.mark.parametrize(("rate", "is_told"), [(-8.3, True), (-2.2, False)])
def test_a_leak_and_a_valve_that_passes_may_both_be_there(rate, is_told):
    """A lead technician's vehicle had both: told "a leak, or the purge passes", as if one shut the other out."""
    r = Readings("not_judged", np.random.default_rng(4))
    closed = {"closed_rate": rate, "closed_rate_sd": 0.45, "closed_change": -150.0}
    text = one(r, reason="torn", best="purge_passes_closed", second="leak", confidence=0.6, **closed)
    assert "both may be so" in text
    assert ("the shut tank fell at 8.3 Pa/s" in text) is is_told
