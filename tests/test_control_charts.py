"""Individuals and moving ranges, their signals, and phases at a change of build."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dashboard.repeats.individuals import chart, moving_range_interval
from dashboard.repeats.measurements import NotEnough
from dashboard.repeats.trend import trend
from tests.tables import PUBLISHED


@pytest.fixture
def rng():
    """The same numbers for each test, whatever ran before it."""
    return np.random.default_rng(7)


def rules(values):
    """The signals of a chart as (rule, first index, index after the last)."""
    return [(s.rule, s.start, s.stop) for s in chart(values).signals]


def test_the_flowrate_example_of_the_nist_handbook_comes_out():
    """Mean 50.81, mean moving range 1.8778, limits 45.816 and 55.804 but for 2.66 as rounded."""
    study = PUBLISHED["flowrate"]
    expected = study["published"]
    found = chart(study["values"])

    assert found.mean == pytest.approx(expected["mean"])
    assert found.moving_range_mean == pytest.approx(expected["moving_range_mean"], abs=5e-5)
    assert found.upper_limit == pytest.approx(expected["upper_limit"], abs=1e-3)
    assert found.lower_limit == pytest.approx(expected["lower_limit"], abs=1e-3)
    assert found.moving_range_limit == pytest.approx(
        3.267 * expected["moving_range_mean"], abs=1e-3
    )
    assert found.signals == ()
    assert found.provisional


def test_twenty_values_are_no_longer_provisional():
    """Nineteen are."""
    assert chart(range(19)).provisional
    assert not chart(range(20)).provisional


def test_a_value_beyond_a_limit_is_a_signal_and_so_is_the_step_to_it():
    """One far value in twenty calm ones: the value, and the steps there and back."""
    values = [10.0, 10.4] * 10
    values[9] = 14.0

    assert rules(values) == [
        ("beyond_limit", 9, 10),
        ("range_beyond_limit", 8, 10),
        ("range_beyond_limit", 9, 11),
    ]


def test_seven_in_a_row_on_one_side_are_a_signal_and_six_are_not():
    """Values in two halves that scatter widely about their means."""
    low, high = [0.0, 2.0], [2.4, 4.4]

    assert rules([*low * 3, *high * 3]) == []
    assert ("one_side", 0, 7) in rules([*low * 3, 0.0, *high * 3, 4.4])


def test_seven_rising_are_a_signal_and_six_are_not():
    """Small rises among large swings, so that nothing else is a signal."""
    swings = [5.0, -5.0] * 6

    assert rules([*swings, -2.0, -1.0, 0.0, 1.0, 2.0, *swings[::-1]]) == []
    rising = [*swings, -2.0, -1.2, -0.4, 0.4, 1.2, 2.0, *swings[::-1]]

    assert [s[0] for s in rules(rising)] == ["rising"]
    assert [s[0] for s in rules([-v for v in rising])] == ["falling"]


def test_equal_values_make_no_run():
    """Seven equal values neither rise nor fall nor lie on a side."""
    assert rules([0.1] * 9) == []


def test_an_interval_from_two_values_is_exact():
    """One moving range is √2 σ |z|: its interval has normal quantiles."""
    interval = moving_range_interval(1.0, 2)
    expected = 1.128 / np.sqrt(2) / stats.norm.ppf([0.9875, 0.5125])

    assert interval.document() == pytest.approx(expected, rel=1e-3)


def test_a_chart_needs_two_values():
    """One has no range."""
    with pytest.raises(NotEnough, match="there is 1"):
        chart([1.0])


def test_a_phase_begins_where_the_build_changes():
    """Also where an earlier build comes back; each phase has its own limits."""
    found = trend([1, 2, 3, 7, 8, 1, 3], ["a", "a", "a", "b", "b", "a", "a"])

    assert [(p.build, p.start, p.stop) for p in found.phases] == [
        ("a", 0, 3),
        ("b", 3, 5),
        ("a", 5, 7),
    ]
    assert found.phases[1].chart.mean == 7.5
    assert found.steps[0].difference.value == 5.5


def test_a_step_has_the_interval_of_welch(rng):
    """Against scipy's, for unequal numbers and spreads."""
    earlier, later = rng.normal(70, 1, 9), rng.normal(72, 3, 6)
    (step,) = trend([*earlier, *later], [*"a" * 9, *"b" * 6]).steps
    expected = stats.ttest_ind(later, earlier, equal_var=False).confidence_interval(0.95)

    assert step.difference.interval.document() == pytest.approx([expected.low, expected.high])


def test_a_step_is_judged_by_the_practical_limit():
    """Phases a tenth apart are the same within one degree, phases three apart are not."""
    calm = [70.0, 70.1, 69.9, 70.05, 69.95]
    builds = [*"a" * 5, *"b" * 5]

    near = trend([*calm, *(v + 0.1 for v in calm)], builds, limit=1.0).steps[0]
    far = trend([*calm, *(v + 3 for v in calm)], builds, limit=1.0).steps[0]

    assert near.equivalence.answer == "within"
    assert far.equivalence.answer == "beyond"


def test_signals_of_a_phase_are_counted_over_all_tests():
    """The document of the second phase points at the test in the whole series."""
    calm = [10.0, 10.4] * 10
    late = [*calm[:9], 14.0, *calm[10:]]
    document = trend([*calm, *late], [*"a" * 20, *"b" * 20]).document()

    assert document["phases"][0]["signals"] == []
    assert document["phases"][1]["signals"][0]["at"] == [30]


def test_a_single_test_of_a_build_has_no_limits_and_no_step():
    """It is shown, with the reason in the place of numbers."""
    found = trend([1, 2, 9], ["a", "a", "b"])

    assert found.phases[1].chart is None
    assert "two values" in found.steps[0].why_not
    assert found.document()["steps"][0]["why_not"]


def test_a_build_for_each_value():
    """Columns of unequal length are a mistake of the caller."""
    with pytest.raises(ValueError, match="one each"):
        trend([1, 2], ["a"])
    with pytest.raises(NotEnough):
        trend([], [])
