"""Tables of item, group and value: what is checked, what is told, what must not matter."""

from __future__ import annotations

import json
import math

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from dashboard.repeats.measurements import Measurements, NotEnough, balanced_cells
from dashboard.repeats.table_statistics import table_statistics
from tests.tables import AIAG, crossed, of_cells, table

STATISTICS = ("repeatability", "agreement", "gauge", "individuals")
NUMBERS = st.integers(-1000, 1000).map(lambda n: n / 8)


def told(document, path=""):
    """Every number in a document with the way to it."""
    if isinstance(document, dict):
        return [pair for key, part in document.items() for pair in told(part, f"{path}.{key}")]
    if isinstance(document, list):
        return [pair for n, part in enumerate(document) for pair in told(part, f"{path}[{n}]")]
    return [(path, document)] if isinstance(document, int | float) else []


def test_each_statistic_has_its_key_and_plain_json():
    """The gauge study of the manual: three statistics and a reason for the fourth, no NaN."""
    document = table_statistics(crossed(AIAG["data"]))

    assert tuple(document) == STATISTICS
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["agreement"] == {"why_not": "agreement is of two groups; there are 3"}
    assert document["gauge"]["grr"] == pytest.approx(0.302373, abs=5e-6)


def test_each_statistic_tells_source_number_level_and_whether_it_is_provisional():
    """Two teams, three trucks, two tests each."""
    document = table_statistics(of_cells([[[1, 2], [2, 4]], [[5, 6], [6, 6]], [[8, 9], [9, 9]]]))

    for name in STATISTICS:
        part = document[name]
        assert part["source"]
        assert part["n"] > 0
        assert part["level"] == 0.95
        assert part["provisional"] is True


@pytest.mark.parametrize(
    ("name", "estimates"),
    [
        ("repeatability", ("s_r", "s_L", "s_R")),
        ("agreement", ("bias", "sd", "lower_limit", "upper_limit")),
        ("gauge", ("ev", "av", "interaction", "reproducibility", "grr", "pv", "tv", "ndc")),
        ("individuals", ("mean", "sigma")),
    ],
)
def test_each_estimate_lies_in_its_interval(name, estimates):
    """And each has one."""
    part = table_statistics(of_cells([[[1, 2], [2, 4]], [[5, 6], [6, 6]], [[8, 9], [9, 9]]]))[name]

    for estimate in estimates:
        low, high = part[f"{estimate}_interval"]
        assert low <= part[estimate] <= (math.inf if high is None else high)


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from("abc"), st.sampled_from("xyz"), NUMBERS), min_size=1, max_size=14
    )
)
def test_any_table_is_answered(rows):
    """Whatever is missing, unequal or constant: a document without NaN, or a reason."""
    document = table_statistics(table(rows))

    assert json.dumps(document, allow_nan=False)
    for name in STATISTICS:
        assert document[name].get("why_not") or document[name]["n"] > 0
    assert all(low <= high for low, high in intervals(document))


def intervals(document):
    """Every interval in a document that has both ends."""
    if isinstance(document, list):
        return [pair for part in document for pair in intervals(part)]
    if not isinstance(document, dict):
        return []
    own = [v for k, v in document.items() if k.endswith("_interval") and v and None not in v]
    return own + [pair for part in document.values() for pair in intervals(part)]


@settings(max_examples=6, deadline=None)
@given(st.data())
def test_the_order_of_rows_matters_to_charts_alone(data):
    """Shuffled within their cells and names kept in order, all but the chart stays as it was."""
    cells = data.draw(
        st.lists(
            st.lists(st.lists(NUMBERS, min_size=2, max_size=2), min_size=2, max_size=2),
            min_size=3,
            max_size=3,
        )
    )
    turned = [[repeats[::-1] for repeats in groups] for groups in cells]
    before, after = table_statistics(of_cells(cells)), table_statistics(of_cells(turned))

    for name in ("repeatability", "agreement", "gauge"):
        assert dict(told(after[name])) == pytest.approx(dict(told(before[name])), nan_ok=False)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.001, 3.0, 1e6]), st.sampled_from([0.0, 250.0]))
def test_another_unit_changes_numbers_and_no_answer(seed, factor, shift):
    """Values times a factor: spreads times it; per cents, probabilities and answers stay."""
    import numpy as np

    cells = np.random.default_rng(seed).normal(0, 1, (4, 3, 2)) + np.arange(4).reshape(4, 1, 1)
    before = table_statistics(of_cells(cells.tolist()))
    after = table_statistics(of_cells((shift + factor * cells).tolist()))

    for key in ("ev", "grr", "pv", "tv"):
        assert after["gauge"][key] == pytest.approx(factor * before["gauge"][key], rel=1e-6)
    for key in ("percent_grr", "ndc", "interaction_p", "percent_grr_interval"):
        assert after["gauge"][key] == pytest.approx(before["gauge"][key], rel=1e-5)
    assert after["repeatability"]["s_R_interval"] == pytest.approx(
        [factor * end for end in before["repeatability"]["s_R_interval"]], rel=1e-6
    )
    signals = [[s["rule"] for s in d["individuals"]["signals"]] for d in (before, after)]
    assert signals[0] == signals[1]


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({"items": ("a",), "groups": (), "values": (1.0,)}, "1 items, 0 groups, 1 values"),
        ({"items": (), "groups": (), "values": ()}, "no measurements"),
        ({"items": ("a", "a"), "groups": ("x", "x"), "values": (1.0, math.nan)}, "row 2"),
        ({"items": ("a",), "groups": ("x",), "values": (math.inf,)}, "row 1"),
        ({"items": ("a",), "groups": ("x",), "values": (-1e300,)}, "row 1: -1e\\+300"),
    ],
)
def test_a_table_that_is_none_is_refused(columns, why):
    """Unequal columns, no rows, values that are no numbers; the row is named."""
    with pytest.raises(ValueError, match=why):
        Measurements(**columns)


def test_the_largest_and_smallest_values_are_answered():
    """Nothing overflows into a NaN or a traceback on the way."""
    for size in (9e59, 1e-150):
        cells = [[[size, -size], [0.0, size]], [[0.0, size], [size, size]]]

        assert json.dumps(table_statistics(of_cells(cells)), allow_nan=False)


def test_a_missing_cell_is_named():
    """What would have made the table full."""
    with pytest.raises(NotEnough, match="'y' has not measured item 'b'"):
        balanced_cells(table([("a", "x", 1), ("a", "y", 2), ("b", "x", 3)]))


def test_several_items_have_charts_of_their_own():
    """Beside the chart of all rows, and a line that says where to look."""
    found = table_statistics(table([("a", "x", 1), ("b", "x", 50), ("a", "x", 2), ("b", "x", 51)]))
    charts = found["individuals"]["by_item"]

    assert [(c["item"], c["n"], c["mean"]) for c in charts] == [("a", 2, 1.5), ("b", 2, 50.5)]
    assert "by_item" in found["individuals"]["note"]


def test_the_campaign_of_coverage_runs():
    """Small: one case, near 95 %; in full size it has its pass line."""
    from tests.campaigns.repeat_coverage import broken, shares_of

    shares = shares_of("phases: 5 and 5", 60)

    assert shares["difference"] > 0.8
    assert broken("", {"ev": 0.93, "pv": 0.99, "same_by_mistake": 0.07}) == [
        ": ev",
        ": same_by_mistake",
    ]
