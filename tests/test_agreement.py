"""Bland and Altman: bias, limits of agreement, their intervals, repeats, trend."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dashboard.repeats.agreement import agreement, limit_factors
from dashboard.repeats.measurements import NotEnough
from tests.tables import PUBLISHED, table

FLOW = PUBLISHED["peak_flow"]


@pytest.fixture
def rng():
    """The same numbers for each test, whatever ran before it."""
    return np.random.default_rng(17)


def paired(first, second):
    """Measurements of two groups, an item a pair."""
    rows = [(f"item {n}", "first", v) for n, v in enumerate(first)]
    return table(rows + [(f"item {n}", "second", v) for n, v in enumerate(second)])


def repeated(first, second):
    """Measurements of two groups, each with several readings of each item."""
    return table(
        [
            (f"item {n}", group, v)
            for group, readings in (("first", first), ("second", second))
            for reading in readings
            for n, v in enumerate(reading)
        ]
    )


def test_the_peak_flow_example_comes_out():
    """Bland and Altman 1986: mean difference −2.1, SD 38.8, interval of the bias −22.0 to 17.8."""
    expected = FLOW["published"]["first_readings"]
    found = agreement(paired(FLOW["wright"][0], FLOW["mini"][0]))

    assert found.bias.value == pytest.approx(expected["bias"], abs=0.05)
    assert found.spread.value == pytest.approx(expected["sd"], abs=0.05)
    assert found.bias.interval.document() == pytest.approx(expected["bias_interval"], abs=0.05)
    assert found.upper.value == pytest.approx(73.8606, abs=1e-4)  # read in a public test suite
    assert found.lower.value == pytest.approx(-78.0959, abs=1e-4)


def test_repeats_of_the_peak_flow_example_are_counted_right():
    """Means of two readings scatter by 33.2; single ones by 37.7, as the paper corrects it."""
    expected = FLOW["published"]["both_readings"]
    found = agreement(repeated(FLOW["wright"], FLOW["mini"]))
    of_means = np.std([p.difference for p in found.pairs], ddof=1)

    assert of_means == pytest.approx(expected["sd_of_mean_differences"], abs=0.05)
    assert found.spread.value == pytest.approx(expected["sd"], abs=0.05)
    assert found.repeated
    assert "Zou" in found.document()["source"]


def test_limits_have_exact_intervals():
    """Against scipy.stats' noncentral t: the upper limit's ends, in standard deviations."""
    for n in (2, 5, 17, 300):
        root = np.sqrt(n)
        expected = stats.nct.ppf([0.025, 0.975], n - 1, stats.norm.ppf(0.975) * root) / root

        assert limit_factors(n) == pytest.approx(expected)


def test_the_lower_limit_mirrors_the_upper():
    """Groups exchanged, the limits change places and sign."""
    one = agreement(repeated(FLOW["wright"], FLOW["mini"]))
    other = agreement(repeated(FLOW["mini"], FLOW["wright"]))

    assert other.bias.value == pytest.approx(-one.bias.value)
    assert other.upper.value == pytest.approx(-one.lower.value)
    assert other.upper.interval.high == pytest.approx(-one.lower.interval.low)


def test_a_difference_that_grows_has_a_slope(rng):
    """Slope, interval and probability as scipy's linregress has them."""
    size = np.linspace(20, 90, 12)
    first, second = size + 0.1 * size + rng.normal(0, 0.5, 12), size
    found = agreement(paired(first, second)).trend
    fit = stats.linregress((first + second) / 2, first - second)
    reach = stats.t.ppf(0.975, 10) * fit.stderr

    assert found.slope.value == pytest.approx(fit.slope)
    assert found.slope.interval.high == pytest.approx(fit.slope + reach)
    assert found.p == pytest.approx(fit.pvalue)


def test_what_only_one_group_measured_is_left_out_and_named():
    """Three items of both, one of the first only."""
    rows = [("a", "x", 1), ("b", "x", 2), ("c", "x", 4), ("d", "x", 9)]
    found = agreement(table([*rows, ("a", "y", 1), ("b", "y", 3), ("c", "y", 4)]))

    assert [p.item for p in found.pairs] == ["a", "b", "c"]
    assert found.unpaired == ("d",)
    assert found.document()["n"] == 3


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        ([("a", "x", 1), ("b", "x", 2)], "there is 1"),
        ([("a", "x", 1), ("a", "y", 2), ("a", "z", 2)], "there are 3"),
        ([("a", "x", 1), ("a", "y", 2), ("b", "y", 2)], "both groups measured; there is 1"),
    ],
)
def test_what_is_no_pair_of_groups_is_refused(rows, why):
    """One group, three, or a single pair."""
    with pytest.raises(NotEnough, match=why):
        agreement(table(rows))


def test_groups_that_differ_by_a_constant_agree_exactly():
    """No spread, limits at the bias, no slope; rounding of the values makes none."""
    found = agreement(paired([0.1, 0.2, 0.3], [1.1, 1.2, 1.3]))

    assert found.spread.value == 0
    assert found.upper.value == pytest.approx(-1)
    assert (found.trend.slope.value, found.trend.p) == (0, 1)
