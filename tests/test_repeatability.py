"""Repeatability and reproducibility, their limits, intervals, h and k."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from dashboard.repeats.consistency import h_critical_value, k_critical_value
from dashboard.repeats.measurements import NotEnough
from dashboard.repeats.repeatability import repeatability
from tests.tables import PUBLISHED, of_cells, of_one_item, table


@pytest.fixture
def rng():
    """The same numbers for each test, whatever ran before it."""
    return np.random.default_rng(41)


@pytest.mark.parametrize("material", ["A", "B"])
def test_the_glucose_example_of_astm_e691_comes_out(material):
    """Eight laboratories, three results: mean, s_r and s_R to all published digits."""
    study = PUBLISHED["glucose"]
    expected = study["published"][material]
    (item,) = repeatability(of_one_item(study["values"][material])).by_item

    assert item.mean == pytest.approx(expected["mean"], abs=5e-5)
    assert item.precision.within.s == pytest.approx(expected["s_r"], abs=5e-5)
    assert item.precision.total.s == pytest.approx(expected["s_R"], abs=5e-5)


def test_h_and_k_of_the_glucose_example():
    """Critical values of eight laboratories with three results, and two of the statistics."""
    study = PUBLISHED["glucose"]
    expected = study["published"]
    (item,) = repeatability(of_one_item(study["values"]["A"])).by_item
    by_group = {g.group: g for g in item.consistency.by_group}

    assert item.consistency.h_critical == pytest.approx(expected["h_critical"], abs=5e-3)
    assert item.consistency.k_critical == pytest.approx(expected["k_critical"], abs=5e-3)
    assert by_group["1"].h == pytest.approx(expected["h_of_1_A"], abs=5e-3)
    assert by_group["4"].k == pytest.approx(expected["k_of_4_A"], abs=5e-3)
    assert not any(g.unusual for g in by_group.values())


@pytest.mark.parametrize("level", ["1", "3", "4"])
def test_groups_with_unequal_numbers_follow_iso_5725_2(level):
    """Sulfur in coal, three to five results a laboratory, as the standard's annex has it."""
    study = PUBLISHED["coal"]
    expected = study["published"][level]
    (item,) = repeatability(of_one_item(study["values"][level])).by_item

    assert item.mean == pytest.approx(expected["mean"], abs=5.1e-4)
    assert item.precision.within.s == pytest.approx(expected["s_r"], abs=5e-4)
    assert item.precision.total.s == pytest.approx(expected["s_R"], abs=5e-4)


@pytest.mark.parametrize(("n", "factor"), [(3, 6.1), (5, 3.9), (5000, 2.8)])
def test_few_values_have_a_wide_limit(n, factor, rng):
    """What two values may differ by: 6.1 s_r from three, 3.9 from five, 2.8 only from many."""
    values = rng.normal(70, 1, n)
    within = repeatability(of_one_item({"team": values})).together.within

    assert within.factor == pytest.approx(factor, abs=0.05)
    assert within.limit == pytest.approx(within.factor * values.std(ddof=1))


def test_the_interval_of_s_r_is_chi_square():
    """Against scipy's own quantiles, for six values."""
    values = [70.1, 70.9, 69.4, 70.3, 71.0, 70.2]
    within = repeatability(of_one_item({"team": values})).together.within
    low, high = np.std(values, ddof=1) * np.sqrt(5 / stats.chi2.ppf([0.975, 0.025], 5))

    assert within.interval.document() == pytest.approx([low, high])


def test_one_team_has_no_reproducibility_and_says_so():
    """The rest is there, and the line tells why."""
    found = repeatability(of_one_item({"team": [1.0, 2.0, 4.0]})).document()

    assert found["s_r"] == pytest.approx(np.std([1, 2, 4], ddof=1))
    assert found["s_R"] is None
    assert "one group" in found["why_not_all"]
    assert found["provisional"] is True


def test_single_values_of_several_teams_have_only_reproducibility():
    """Three teams, one test each: s_R is their standard deviation, s_r unknown."""
    found = repeatability(of_one_item({"a": [70.0], "b": [71.0], "c": [73.0]})).document()

    assert found["s_R"] == pytest.approx(np.std([70, 71, 73], ddof=1))
    assert found["s_r"] is None
    assert "twice" in found["why_not_all"]


def test_nothing_measured_twice_is_not_enough():
    """Two items, each once by its own team."""
    with pytest.raises(NotEnough, match="measured twice"):
        repeatability(table([("a", "x", 1), ("b", "y", 2)]))


def test_a_team_that_missed_an_item_keeps_items_apart():
    """The items have their own s_R; together there is none, and the line names the gap."""
    rows = [
        ("a", "x", 1),
        ("a", "x", 2),
        ("a", "y", 3),
        ("a", "y", 5),
        ("b", "x", 7),
        ("b", "x", 9),
    ]
    found = repeatability(table(rows))

    assert found.together.total is None
    assert "'y' has not measured item 'b'" in found.together.why_not
    assert found.together.within.dof == 3
    assert found.by_item[0].precision.total is not None


def test_one_item_matches_restricted_likelihood(rng):
    """Balanced: s_r and s_L are what statsmodels' mixed model finds by REML."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    groups = np.repeat(np.arange(9), 4)
    values = 70 + rng.normal(0, 2, 9)[groups] + rng.normal(0, 1, 36)
    fit = MixedLM(values, np.ones(36), groups).fit(reml=True)
    found = repeatability(of_one_item({str(g): values[groups == g] for g in range(9)})).together

    assert found.within.s == pytest.approx(math.sqrt(fit.scale), rel=1e-4)
    assert found.between.s == pytest.approx(math.sqrt(fit.cov_re[0, 0]), rel=1e-3)


def test_items_together_are_the_mean_of_their_variances(rng):
    """s_R² over a full table is the mean of the items' own, before any is cut at zero."""
    cells = rng.normal(0, 1, (4, 5, 3)) + rng.normal(0, 3, (1, 5, 1)) + rng.normal(0, 9, (4, 1, 1))
    found = repeatability(of_cells(cells.tolist()))
    variances = [item.precision.total.s**2 for item in found.by_item]

    assert found.together.total.s == pytest.approx(math.sqrt(np.mean(variances)))


def test_teams_that_read_high_everywhere_count_once(rng):
    """Three teams on ten items are three teams: the interval is as wide as for one item."""
    shift = np.array([-1.0, 0.2, 1.1]).reshape(1, 3, 1)
    cells = rng.normal(0, 0.01, (10, 3, 2)) + 10 * shift
    together = repeatability(of_cells(cells.tolist())).together.total

    assert together.dof == pytest.approx(2, abs=0.01)
    assert together.interval.high / together.s == pytest.approx(6.28, abs=0.02)  # √(2/χ²(0.025, 2))


def test_groups_alike_have_s_l_zero_and_an_interval():
    """Where the groups differ less than chance would have it, s_R is s_r and s_L reaches up."""
    found = repeatability(of_one_item({"a": [1, 5, 9], "b": [2, 5, 8], "c": [3, 5, 7]})).together

    assert found.between.s == 0
    assert found.between.interval.low == 0 < found.between.interval.high
    assert found.total.s == found.within.s


def test_items_of_unlike_spread_are_told(rng):
    """Bartlett's test, against scipy's, on two items of which one scatters ten times more."""
    calm, wild = rng.normal(0, 1, 12), rng.normal(0, 10, 12)
    found = repeatability(table([*(("a", "x", v) for v in calm), *(("b", "x", v) for v in wild)]))

    assert found.alike_p == pytest.approx(stats.bartlett(calm, wild).pvalue)
    assert found.alike_p < 0.01


def test_a_team_that_stands_off_is_unusual():
    """Seven teams alike and one far off: its h is beyond the critical value, the others' not."""
    by_group = {f"team {n}": [70 + 0.1 * n, 70.3 - 0.1 * n] for n in range(7)} | {"far": [80, 80.2]}
    (item,) = repeatability(of_one_item(by_group)).by_item

    assert [g.group for g in item.consistency.by_group if g.unusual] == ["far"]


def test_critical_values_need_groups_and_repeats():
    """Two groups have no h, one group or single values no k."""
    assert h_critical_value(2) is None
    assert k_critical_value(1, 3) is None
    assert k_critical_value(3, 1) is None


def test_the_levels_of_iso_5725_2_come_out_too():
    """Mandel's h of eight laboratories at 1 % and 5 %: 2.06 and 1.75 (its table, from memory)."""
    assert h_critical_value(8, 0.01) == pytest.approx(2.06, abs=5e-3)
    assert h_critical_value(8, 0.05) == pytest.approx(1.75, abs=5e-3)


def test_equal_values_say_that_they_tell_nothing():
    """No spread, no h, no k, and a line about the resolution."""
    found = repeatability(of_cells([[[0.1] * 3] * 3] * 2)).document()

    assert found["s_r"] == found["s_R"] == 0
    assert "resolution" in found["note"]
    assert all(g["h"] is g["k"] is None for i in found["by_item"] for g in i["by_group"])
