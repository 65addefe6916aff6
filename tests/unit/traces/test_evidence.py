"""Every sentence survives readings that are missing: a number nobody has is never written."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from pipeline.contract.vocabulary import VERDICTS
from pipeline.traces.evidence import say
from pipeline.traces.stories import NAMES
from pipeline.traces.verdict import REASONS

FLAGS = (
    "creeps",
    "is_pressure_test",
    "is_opened",
    "is_level_known",
    "is_by_purge",
    "is_flat_volts",
    "is_flat_pressure",
    "is_off_norm",
    "is_shifted",
)
MISSING = re.compile(r"\b(nan|inf|None)\b", re.IGNORECASE)


class Readings(dict):
    """A row of readings drawn as they are asked for: often missing, of either sign and of any size."""

    def __init__(self, verdict: str, rng: np.random.Generator) -> None:
        super().__init__(
            verdict=verdict,
            reason=str(rng.choice(list(REASONS))),
            best=str(rng.choice(NAMES)),
            second=str(rng.choice(NAMES)),
            pressure_test=rng.choice(np.array([None, "pass", "fail", "invalid", "no_verdict"], object)),
            level=0.95,
            discharge=0.61,
            n_samples=int(rng.integers(0, 900)),
            norm_n=int(rng.integers(0, 50)),
        )
        self.update({name: bool(rng.random() < 0.5) for name in FLAGS})
        self.rng = rng

    def __missing__(self, name: str) -> float:
        kind = self.rng.random()
        size = float(self.rng.choice([-1, 1]) * 10 ** self.rng.uniform(-3, 4))
        self[name] = math.nan if kind < 0.4 else math.inf if kind < 0.45 else 0.0 if kind < 0.5 else size
        return self[name]


@pytest.mark.parametrize("verdict", VERDICTS)
def test_no_sentence_names_a_number_that_is_missing(verdict):
    rng = np.random.default_rng(20)
    asked = set()
    for _ in range(1500):
        row = Readings(verdict, rng)
        text = say(row)
        assert not MISSING.search(text), (text, dict(row))
        assert text.endswith(".")
        asked |= {name for name, value in row.items() if isinstance(value, float) and math.isnan(value)}
    assert asked, "no reading was ever missing: the check checks nothing"


def test_vacuum_that_grew_without_a_late_reading_is_told_by_what_was_read():
    row = Readings("purge_passes_closed", np.random.default_rng(0))
    row |= {"closed_rate": math.nan, "closed_change": math.nan, "hold_late_change": math.nan}
    row |= {"hold_change": -310.0, "hold_start_above": math.nan, "pressure_test": None}
    assert say(row).startswith("In the hold the vacuum grew by 310 Pa")


def test_a_verdict_that_is_not_sure_names_the_second_story():
    row = Readings("holds", np.random.default_rng(0))
    row |= {"pressure_test": None, "confidence": 0.83, "second": "leak", "second_confidence": 0.16}
    assert say(row).endswith(". Less likely (16%): a leak.")
    row["confidence"] = 0.95
    assert "Less likely" not in say(row)
