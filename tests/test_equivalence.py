"""Two one-sided tests against a practical limit, and E_n between kits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashboard.repeats.equivalence import (
    Difference,
    judged,
    paired_difference,
    welch_difference,
)
from dashboard.repeats.kits import KitValue, en_number
from dashboard.repeats.measurements import NotEnough

RNG = np.random.default_rng(5)
ONE, OTHER = RNG.normal(70, 1, 12), RNG.normal(70.4, 1.5, 12)


def test_paired_tests_as_statsmodels_has_them():
    """The greater of both probabilities."""
    from statsmodels.stats.weightstats import ttost_paired

    expected, *_ = ttost_paired(ONE, OTHER, -1.2, 1.2)

    assert judged(paired_difference(ONE, OTHER), 1.2).p == pytest.approx(expected)


def test_tests_of_independent_sets_as_statsmodels_has_them():
    """With unequal spreads (Welch)."""
    from statsmodels.stats.weightstats import ttost_ind

    expected, *_ = ttost_ind(ONE, OTHER[:7], -1.2, 1.2, usevar="unequal")

    assert judged(welch_difference(ONE, OTHER[:7]), 1.2).p == pytest.approx(expected)


@pytest.mark.parametrize("limit", [0.05, 0.6, 0.9, 1.0, 1.1, 1.3, 5])
def test_within_is_where_the_interval_of_the_tests_lies_inside(limit):
    """The 90 % interval and the two tests are one rule."""
    found = judged(welch_difference(ONE, OTHER), limit)
    inside = -limit < found.interval_of_tests.low and found.interval_of_tests.high < limit

    assert (found.answer == "within") is inside


def test_few_values_leave_the_question_open():
    """Two tests of each build, one degree apart: no difference is found, and none excluded."""
    found = judged(welch_difference([70.0, 71.0], [71.0, 72.0]), 2.0)

    assert found.difference.interval.holds(0)
    assert found.answer == "open"


def test_a_known_uncertainty_serves_as_well():
    """Infinite degrees of freedom make both tests normal."""
    found = judged(
        Difference(value=0.0, standard_error=1.0, dof=math.inf, n=(1, 1), method="budgets"), 1.96
    )

    assert found.p == pytest.approx(0.025, abs=1e-4)
    assert found.difference.interval.high == pytest.approx(1.96, abs=1e-3)


def test_differences_without_scatter_are_decided_by_the_limit():
    """All pairs differ by a tenth."""
    difference = paired_difference([1.1, 2.1, 3.1], [1.0, 2.0, 3.0])

    assert judged(difference, 0.2).answer == "within"
    assert judged(difference, 0.05).answer == "beyond"


@pytest.mark.parametrize("limit", [0, -1, math.inf, math.nan])
def test_a_limit_is_above_zero(limit):
    """Else the caller is told."""
    with pytest.raises(ValueError, match="practical limit"):
        judged(paired_difference([1, 2], [2, 4]), limit)


def test_differences_need_two_values():
    """On each side, or two pairs; pairs must pair."""
    with pytest.raises(NotEnough):
        paired_difference([1], [2])
    with pytest.raises(NotEnough):
        welch_difference([1, 2, 3], [2])
    with pytest.raises(ValueError, match="pair"):
        paired_difference([1, 2], [2])


def test_e_n_by_hand():
    """(74.6 − 73.9) / √(0.6² + 0.8²) = 0.7; three times that difference does not agree."""
    first = KitValue(kit="bay-1", value=74.6, expanded_u=0.6)
    near = en_number(first, KitValue(kit="bay-2", value=73.9, expanded_u=0.8))
    far = en_number(first, KitValue(kit="bay-2", value=72.5, expanded_u=0.8))

    assert near.e_n == pytest.approx(0.7)
    assert near.agree
    assert far.e_n == pytest.approx(2.1)
    assert not far.agree
    assert near.document()["difference_interval"] == pytest.approx([-0.3, 1.7])


@pytest.mark.parametrize(("first", "second"), [("bay-1", "bay-1"), ("bay-1", " bay-1"), ("", "b")])
def test_one_kit_has_no_e_n(first, second):
    """It shares its error with itself; and nobody knows what an unnamed kit shares."""
    with pytest.raises(NotEnough, match="kit"):
        en_number(
            KitValue(kit=first, value=74.6, expanded_u=0.6),
            KitValue(kit=second, value=73.9, expanded_u=0.8),
        )


def test_a_claim_without_uncertainty_is_none():
    """Zero, negative or no number."""
    for u in (0, -1, math.nan):
        with pytest.raises(ValueError, match="uncertainty"):
            KitValue(kit="a", value=1, expanded_u=u)
