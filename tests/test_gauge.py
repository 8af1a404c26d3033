"""The gauge study: analysis of variance, parts of the spread, intervals, marks."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from dashboard.repeats.gauge import gauge
from dashboard.repeats.gauge_components import weights
from dashboard.repeats.intervals import MeanSquare, variance_interval
from dashboard.repeats.measurements import NotEnough
from tests.tables import AIAG, PUBLISHED, crossed, of_cells


@pytest.fixture
def rng():
    """The same numbers for each test, whatever ran before it."""
    return np.random.default_rng(90)


@pytest.fixture(scope="module")
def aiag():
    """The study of the AIAG manual."""
    return gauge(crossed(AIAG["data"]))


def test_the_study_of_the_aiag_manual_comes_out(aiag):
    """EV, AV, GRR, PV, TV, contributions, per cent of TV and categories as published."""
    published = AIAG["published"]["anova"]

    for name in ("EV", "AV", "GRR", "PV"):
        assert aiag.parts[name.lower()].s == pytest.approx(published[name], abs=5e-6)
    assert aiag.parts["tv"].s == pytest.approx(published["TV"], abs=5e-4)
    assert [
        round(aiag.percent_contribution[n], 1) for n in ("ev", "av", "grr", "pv")
    ] == pytest.approx(published["pct_contribution"])
    assert aiag.percent_of_tv["grr"] == pytest.approx(published["pct_grr"], abs=0.05)
    assert aiag.ndc == pytest.approx(published["ndc"], abs=1e-3)


def test_the_analysis_of_variance_of_the_aiag_manual(aiag):
    """Sums of squares, the interaction's test and the pooled error, recomputed elsewhere."""
    expected = AIAG["recomputed"]["anova"]
    rows = {row.term: row for row in aiag.anova}

    assert rows["items"].ss == pytest.approx(expected["SS_part"])
    assert rows["groups"].ss == pytest.approx(expected["SS_appraiser"])
    assert rows["interaction"].ss == pytest.approx(expected["SS_interaction"])
    assert rows["error"].ss == pytest.approx(expected["SS_equipment"])
    assert rows["total"].ss == pytest.approx(expected["SS_total"])
    assert rows["interaction"].f == pytest.approx(expected["F_interaction"])
    assert rows["interaction"].p == pytest.approx(expected["p_interaction"])
    assert rows["pooled error"].ms == pytest.approx(expected["pooled_error_MS"])
    assert aiag.pooled


def test_averages_and_ranges_of_the_aiag_manual(aiag):
    """The method by hand, with factors computed here where the manual prints four digits."""
    expected = AIAG["recomputed"]["average_range"]

    for name in ("EV", "AV", "GRR", "PV", "TV"):
        assert getattr(aiag.ranges, name.lower()) == pytest.approx(expected[name], abs=2e-4)
    assert aiag.ranges.document()["ndc"] == pytest.approx(expected["ndc"], abs=2e-3)


def test_an_interaction_is_kept_where_there_is_one():
    """Thermal impedance of a power module: the published mean squares, and no pooling."""
    study = PUBLISHED["impedance"]
    found = gauge(crossed(study["values"]))
    rows = {row.term: row for row in found.anova}

    for term in ("items", "groups", "interaction", "error"):
        assert rows[term].ms == pytest.approx(study["published"][f"ms_{term}"], abs=5e-3)
    assert not found.pooled
    assert found.parts["interaction"].s > 0
    assert "pooled error" not in rows


def test_statsmodels_finds_the_same_table(rng):
    """Sums of squares, F and p of the full model, on made numbers."""
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    cells = rng.normal(0, 1, (4, 3, 2)) + rng.normal(0, 5, (4, 1, 1)) + rng.normal(0, 3, (4, 3, 1))
    long = pd.DataFrame(
        [(i, g, cells[i, g, k]) for i in range(4) for g in range(3) for k in range(2)],
        columns=["item", "group", "value"],
    )
    expected = anova_lm(ols("value ~ C(item) * C(group)", long).fit())
    found = {row.term: row for row in gauge(of_cells(cells.tolist())).anova}

    assert [found[t].ss for t in ("items", "groups", "interaction", "error")] == pytest.approx(
        expected["sum_sq"].to_list()
    )
    assert found["interaction"].p == pytest.approx(expected["PR(>F)"]["C(item):C(group)"])


def test_intervals_do_not_lean_on_pooling(aiag):
    """They are those of the full model: ev from 60 degrees of freedom, though 78 were pooled."""
    error = next(row for row in aiag.anova if row.term == "error")
    low, high = aiag.parts["ev"].interval.document()

    assert low == pytest.approx(math.sqrt(error.ss / 83.2977), rel=1e-5)  # χ²(0.975, 60), tables
    assert high == pytest.approx(math.sqrt(error.ss / 40.4817), rel=1e-5)  # χ²(0.025, 60)


def test_intervals_are_near_those_drawn_from_the_pivots(rng):
    """Generalised intervals by simulation (Hamada and Weerahandi 2000), an independent way."""
    found = gauge(crossed(PUBLISHED["impedance"]["values"]))
    squares = {row.term: row for row in found.anova}
    drawn = [
        squares[t].ss / rng.chisquare(squares[t].dof, 100_000)
        for t in ("items", "groups", "interaction", "error")
    ]
    rows = weights(10, 3, 3)
    variance = {
        name: np.maximum(0, sum(w * d for w, d in zip(row, drawn, strict=True)))
        for name, row in rows.items()
    }
    for name in ("ev", "av", "grr", "pv", "tv"):
        expected = np.sqrt(np.quantile(variance[name], [0.025, 0.975]))

        assert found.parts[name].interval.document() == pytest.approx(expected, rel=0.1)
    ratio = np.quantile(np.sqrt(variance["pv"] / variance["grr"]), [0.025, 0.975])

    assert found.ratio_interval.document() == pytest.approx(ratio, rel=0.1)


def test_an_interval_of_one_mean_square_is_exact():
    """Alone, the modified large sample method is chi-square; of equal squares it turns at F."""
    alone = variance_interval([2.0], [MeanSquare(value=3.0, dof=60)])
    f = stats.f.ppf(0.975, 9, 60)
    turning = variance_interval(
        [1.0, -1.0], [MeanSquare(value=f, dof=9), MeanSquare(value=1.0, dof=60)]
    )

    assert alone.low == pytest.approx(2 * 3 * 60 / 83.2977, rel=1e-5)
    assert turning.low == pytest.approx(0, abs=1e-9)


def test_the_share_and_the_categories_tell_one_story(aiag):
    """Categories and per cent of TV are one ratio, so their intervals have the same ends."""
    document = aiag.document()
    low, high = document["ndc_interval"]
    shares = [100 / math.hypot(1, n / 1.41) for n in (high, low)]

    assert document["percent_grr_interval"] == pytest.approx(shares)
    assert document["ndc_whole"] == 4
    assert not document["enough_categories"]


@pytest.mark.parametrize(
    ("noise", "mark"), [(0.01, "below 10 %"), (5.0, "10 to 30 %"), (20.0, "above 30 %")]
)
def test_the_marks_at_ten_and_thirty_per_cent(noise, mark, rng):
    """Items ten apart, measured with more and more noise."""
    cells = 10.0 * np.arange(8).reshape(8, 1, 1) + rng.normal(0, noise, (8, 6, 3))
    found = gauge(of_cells(cells.tolist()))

    assert found.mark == mark
    assert found.parts["grr"].interval.holds(found.parts["grr"].s)


def test_a_mark_that_the_interval_crosses_is_not_certain(aiag):
    """27.9 % lies between the marks, its interval from 15 to 81 % does not."""
    assert aiag.mark == "10 to 30 %"
    assert not aiag.mark_is_certain


@pytest.mark.parametrize(
    ("cells", "why"),
    [
        ([[[1, 2], [3, 4]]], "two items"),
        ([[[1, 2]], [[3, 4]]], "two groups"),
        ([[[1], [2]], [[3], [4]]], "two values in each cell"),
        ([[[1, 2], [3, 4]], [[5, 6], [7]]], "'group 1' measured item 'item 1' 1 times"),
        ([[[1, 1], [1, 1]], [[1, 1], [1, 1]]], "all values are equal"),
    ],
)
def test_what_is_no_crossed_study_is_refused(cells, why):
    """One item, one group, no repeats, unequal cells, no spread: one line each."""
    with pytest.raises(NotEnough, match=why):
        gauge(of_cells(cells))


def test_a_perfect_gauge_has_no_number_of_categories():
    """Repeats and groups alike to the last digit: grr is zero and ndc has no bound."""
    document = gauge(of_cells([[[v, v], [v, v]] for v in (1.0, 2.0, 4.0)])).document()

    assert document["grr"] == 0
    assert document["ndc"] is document["ndc_whole"] is None
    assert document["ndc_interval"][1] is None
    assert document["mark"] == "below 10 %"


def test_an_interaction_counts_where_repeats_do_not_scatter():
    """Groups differ by item, repeats are equal: no F, and nothing is pooled."""
    found = gauge(of_cells([[[1, 1], [2, 2]], [[5, 5], [4, 4]], [[8, 8], [9, 9]]]))

    assert found.interaction_p is None
    assert not found.pooled
    assert found.parts["interaction"].s > 0


def test_items_that_differ_less_than_chance_leave_the_share_open():
    """The items' own spread is zero, grr is all of tv; the interval does not claim to know that."""
    found = gauge(
        of_cells([[[1, 5, 9], [2, 5, 8]], [[2, 5, 8], [1, 5, 9]], [[3, 5, 7], [3, 5, 7]]])
    )
    document = found.document()

    assert document["pv"] == 0
    assert document["percent_grr"] == document["percent_grr_interval"][1] == 100
    assert document["percent_grr_interval"][0] < 95
