"""The pressure test: a recording that says nothing, or nonsense, gets no verdict by guess."""

import numpy as np
import pytest

from pipeline.standards.pressure_test import PressureCriterion, cap_passes, judge_pressure_test
from pipeline.standards.units import convert


def decay(start, end, seconds=120):
    t = np.linspace(0, seconds, 25)
    return t, convert(start + (end - start) * t / seconds, "pressure", "inH2O")


@pytest.mark.parametrize(
    ("t", "p", "says"),
    [
        ([], [], "non-empty"),
        ([0, 1], [3487.0], "equally long"),
        ([0, 1], [3487.0, np.nan], "missing"),
        ([1, 1], [3487.0, 3487.0], "increase"),
    ],
)
def test_what_is_no_recording_is_refused(t, p, says):
    with pytest.raises(ValueError, match=says):
        judge_pressure_test(np.array(t), np.array(p))


def test_a_fail_stands_before_the_time_is_over():
    assert judge_pressure_test(*decay(14, 7, seconds=30)).verdict == "fail"


def test_what_happens_after_the_two_minutes_does_not_count():
    t, p = decay(14, 8.5)
    assert judge_pressure_test(np.append(t, 125), np.append(p, 0.0)).verdict == "pass"


def test_a_recording_that_starts_at_another_clock_time_is_judged_alike():
    t, p = decay(14, 8.5)
    assert judge_pressure_test(t + 1000, p).verdict == "pass"


def test_every_number_of_the_criterion_is_a_parameter():
    rule = PressureCriterion(start_inh2o=10, floor_inh2o=5, hold_s=60)
    assert judge_pressure_test(*decay(10, 5.1, seconds=60), rule).verdict == "pass"


def test_a_missing_cap_flow_does_not_pass():
    assert cap_passes([np.nan, 1.0]).tolist() == [False, True]
