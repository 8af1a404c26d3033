"""The law of propagation, degrees of freedom and coverage against the guide's own examples."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from dashboard.capacity.uncertainty.budget import (
    COVERAGE_PROBABILITY,
    Input,
    combine,
    coverage_factor,
    propagate,
)

GUM_H1 = Path(__file__).parent / "check_values" / "gum_h1.json"
"""JCGM 100:2008, annex H.1, as read in two public test suites that quote the clauses."""


@pytest.fixture(scope="module")
def end_gauge():
    """The guide's example H.1 with its published answers."""
    return json.loads(GUM_H1.read_text())["H1"]


def gauge_length(x):
    """Length: l = ls + d − ls·(δα·θ + αs·δθ), lengths in mm (H.1, eq. H.3)."""
    ls, d, alphas, theta, dalpha, dtheta = x
    return ls + d - ls * (dalpha * theta + alphas * dtheta)


def gauge_inputs(end_gauge):
    """The example's inputs, in the order of ``gauge_length``; u(d) before it is rounded."""
    u_of = {"d": 1e-6 * math.hypot(*end_gauge["inputs"]["d"]["made_of_nm"])}
    return [
        Input(
            name=name,
            value=i["x"],
            u=u_of.get(name, i["u"]),
            unit=i["unit"],
            dof=i.get("dof", math.inf),
        )
        for name, i in end_gauge["inputs"].items()
    ]


def test_the_end_gauge_of_the_guide_comes_out_as_published(end_gauge):
    """Length, combined uncertainty, degrees of freedom and 99 % uncertainty of GUM H.1."""
    budget = propagate(gauge_length, gauge_inputs(end_gauge), name="l", unit="mm")
    published, recomputed = end_gauge["published"], end_gauge["recomputed"]
    of_input = {c.input.name: c.u_y * 1e6 for c in budget.contributions}
    k99 = coverage_factor(budget.dof, 0.99)

    assert budget.value == pytest.approx(published["l_mm"], abs=5e-7)
    assert round(budget.u * 1e6) == published["uc_nm"]
    assert budget.u * 1e6 == pytest.approx(recomputed["uc_nm"], rel=1e-8)
    assert budget.dof == pytest.approx(recomputed["nu_eff_unrounded"], rel=1e-4)
    assert math.floor(budget.dof) == published["nu_used"]
    assert k99 == pytest.approx(recomputed["t99_16"], rel=1e-12)
    assert round(k99 * published["uc_nm"]) == published["U99_nm"]
    for name, u_nm in published["contributions_nm"].items():
        # The guide prints 16.6 for 16.675.
        assert of_input[name] == pytest.approx(u_nm, abs=0.08)


def test_the_comparators_three_parts_combine_as_published(end_gauge):
    """u(d) = 9.7 nm with 25.6 degrees of freedom from three parts (GUM H.1.3.2 and H.1.6)."""
    d = end_gauge["inputs"]["d"]
    parts = [
        (Input(name=f"part {u_nm}", u=u_nm, dof=dof), 1.0)
        for u_nm, dof in zip(d["made_of_nm"], d["made_of_dof"], strict=True)
    ]
    budget = combine(name="d", unit="nm", value=215, parts=parts)

    assert budget.u == pytest.approx(1e6 * d["u"], abs=0.05)
    # The guide puts the rounded 9.7 nm above the fraction line of Welch–Satterthwaite.
    assert budget.dof * (1e6 * d["u"] / budget.u) ** 4 == pytest.approx(d["dof"], abs=0.05)


def resistors(group):
    """Ten resistors of 1 kΩ in series, each calibrated against one standard with 100 mΩ."""
    return [
        (Input(name=f"R{n}", value=1000.0, u=0.1, unit="Ω", dof=9, group=group), 1.0)
        for n in range(10)
    ]


def test_ten_resistors_calibrated_against_one_standard_add_their_uncertainties():
    """1 Ω and not 0.32 Ω (JCGM 100:2008, 5.2.2, example; from memory)."""
    together = combine(name="R", unit="Ω", value=1e4, parts=resistors("standard"))
    alone = combine(name="R", unit="Ω", value=1e4, parts=resistors(""))

    assert together.u == pytest.approx(1.0, rel=1e-12)
    assert alone.u == pytest.approx(math.sqrt(10) * 0.1, rel=1e-12)
    assert [c.share for c in together.contributions] == pytest.approx([0.1] * 10)


def test_correlations_given_by_pairs_do_as_a_group_does():
    """Correlation 1 between all pairs is the same as one group, and −1 takes a pair away."""
    inputs = resistors("")
    pairs = {(f"R{i}", f"R{j}"): 1.0 for i in range(10) for j in range(i)}
    given = combine(name="R", unit="Ω", value=1e4, parts=inputs, correlations=pairs)
    opposed = combine(
        name="R", unit="Ω", value=2e3, parts=inputs[:2], correlations={("R0", "R1"): -1.0}
    )

    assert given.u == pytest.approx(1.0)
    assert given.dof == pytest.approx(9)
    assert opposed.u == pytest.approx(0.0, abs=1e-9)


def test_a_partial_correlation_adds_its_cross_term():
    """u² = 3² + 4² + 2·0.5·3·4 = 37 (JCGM 100:2008, eq. 16, worked by hand)."""
    parts = [(Input(name="a", u=3), 1.0), (Input(name="b", u=2), 2.0)]
    budget = combine(name="y", unit="", value=0, parts=parts, correlations={("b", "a"): 0.5})

    assert budget.u == pytest.approx(math.sqrt(37))
    assert {c.input.name: c.share for c in budget.contributions} == pytest.approx(
        {"a": 15 / 37, "b": 22 / 37}
    )


def test_inputs_of_one_group_keep_the_degrees_of_freedom_of_their_one_estimate():
    """Ten weights from one scale known from ten readings have 9 degrees of freedom, not 90."""
    together = combine(name="R", unit="Ω", value=1e4, parts=resistors("standard"))
    alone = combine(name="R", unit="Ω", value=1e4, parts=resistors(""))

    assert together.dof == pytest.approx(9)
    assert alone.dof == pytest.approx(90)


def test_a_group_is_known_no_better_than_its_least_known_input():
    """4, 20 and infinite degrees of freedom in one group count as 4; an input of no effect none."""
    dofs = {"a": 20.0, "b": 4.0, "c": math.inf}
    parts = [(Input(name=n, u=1, dof=dof, group="scale"), 1.0) for n, dof in dofs.items()]
    exact = (Input(name="d", u=0, dof=1, group="scale"), 1.0)
    budget = combine(name="y", unit="", value=0, parts=[*parts, exact])

    assert budget.u == pytest.approx(3)
    assert budget.dof == pytest.approx(4)


def test_effective_degrees_of_freedom_as_worked_by_hand():
    """1 with 4 and 2 with 10: ν = 25 / (1/4 + 16/10) = 13.51, so k is that of 13."""
    parts = [(Input(name="a", u=1, dof=4), 1.0), (Input(name="b", u=1, dof=10), -2.0)]
    budget = combine(name="y", unit="", value=0, parts=parts)

    assert budget.dof == pytest.approx(25 / 1.85)
    assert budget.k == coverage_factor(13)


def test_the_coverage_factor_is_two_exactly_where_nothing_was_estimated_from_few_readings():
    """Two for infinite degrees of freedom, and 95.45 % of table G.2 for few (from memory)."""
    assert coverage_factor(math.inf) == 2.0
    assert coverage_factor(math.inf, 0.95) == pytest.approx(1.959964, abs=1e-6)
    assert [round(coverage_factor(dof), 2) for dof in (1, 2, 5, 10, 20, 50)] == [
        13.97,
        4.53,
        2.65,
        2.28,
        2.13,
        2.05,
    ]
    assert coverage_factor(16.9) == coverage_factor(16)
    assert coverage_factor(16, 0.95) == pytest.approx(2.12, abs=0.005)


def test_the_coverage_factor_of_a_single_degree_of_freedom_is_the_least_told():
    """Less than one whole degree of freedom is read as one."""
    assert coverage_factor(0.4) == coverage_factor(1)
    assert coverage_factor(1) == pytest.approx(math.tan(math.pi * COVERAGE_PROBABILITY / 2))


def test_a_document_holds_a_budget_for_any_reader_of_json():
    """Keys, None for infinite degrees of freedom, the greatest contribution first."""
    parts = [
        (Input(name="cell", value=1400, u=1, unit="kg", source="rig file"), 38.0),
        (Input(name="tape", u=0.003, unit="m", shape="rectangular", dof=12), 14000.0),
    ]
    document = combine(name="moment", unit="N·m", value=53544.0, parts=parts).document()
    first = document["contributions"][0]

    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert list(document) == ["name", "unit", "value", "u", "dof", "k", "expanded", "contributions"]
    assert document["expanded"] == document["k"] * document["u"]
    assert (first["name"], first["u_y"], first["dof"]) == ("tape", pytest.approx(42.0), 12)
    assert document["contributions"][1]["dof"] is None
    assert document["contributions"][1] == {
        "name": "cell",
        "value": 1400,
        "u": 1,
        "unit": "kg",
        "dof": None,
        "shape": "normal",
        "source": "rig file",
        "sensitivity": 38.0,
        "u_y": 38.0,
        "share": pytest.approx(38**2 / (38**2 + 42**2)),
    }


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        ({("a", "b"): 1.5}, "−1 to 1"),
        ({("a", "z"): 0.5}, "two inputs of the budget"),
        ({("a", "a"): 0.5}, "two inputs of the budget"),
        ({("a", "b"): 1.0, ("b", "c"): 1.0, ("a", "c"): -1.0}, "contradict"),
    ],
)
def test_correlations_that_cannot_be_are_refused(pairs, said):
    """Beyond ±1, of an unknown input, of one with itself, or contradicting one another."""
    parts = [(Input(name=n, u=1), 1.0) for n in "abc"]

    with pytest.raises(ValueError, match=said):
        combine(name="y", unit="", value=0, parts=parts, correlations=pairs)


@pytest.mark.parametrize(("u", "dof"), [(-1, 5), (math.nan, 5), (math.inf, 5), (1, 0), (1, -3)])
def test_an_uncertainty_that_cannot_be_is_refused(u, dof):
    """Standard uncertainties are 0 or more and finite; degrees of freedom are above 0."""
    with pytest.raises(ValueError, match="won't do"):
        Input(name="x", u=u, dof=dof)


def test_an_exact_result_has_no_shares_and_k_two():
    """Nothing uncertain: u = 0, every share 0, and no division by zero."""
    budget = combine(name="y", unit="", value=3, parts=[(Input(name="a", u=0, dof=3), 1.0)])

    assert (budget.u, budget.k, budget.expanded) == (0.0, 2.0, 0.0)
    assert budget.contributions[0].share == 0.0


def test_a_second_opinion_agrees_on_the_end_gauge(end_gauge):
    """GTC, the library of a national metrology institute, has the same u and dof for H.1."""
    gtc = pytest.importorskip("GTC")
    x = [
        gtc.ureal(i.value, i.u, df=i.dof, label=i.name) if i.u else i.value
        for i in gauge_inputs(end_gauge)
    ]
    theirs = gauge_length(x)
    ours = propagate(gauge_length, gauge_inputs(end_gauge), name="l", unit="mm")

    assert ours.value == pytest.approx(gtc.value(theirs), rel=1e-12)
    assert ours.u == pytest.approx(gtc.uncertainty(theirs), rel=1e-9)
    assert ours.dof == pytest.approx(gtc.dof(theirs), rel=1e-6)


def test_a_second_opinion_agrees_on_a_moment_with_correlated_parts():
    """GTC has the same u for (m1 + m2)·g·R where both masses come from one scale."""
    gtc = pytest.importorskip("GTC")
    m1 = gtc.ureal(1360.0, 1.5, independent=False)
    m2 = gtc.ureal(40.0, 0.2, independent=False)
    gtc.set_correlation(0.999999, m1, m2)
    theirs = (m1 + m2) * 9.80665 * gtc.ureal(3.9, 0.003)
    ours = propagate(
        lambda x: (x[0] + x[1]) * 9.80665 * x[2],
        [
            Input(name="m1", value=1360.0, u=1.5, group="scale"),
            Input(name="m2", value=40.0, u=0.2, group="scale"),
            Input(name="R", value=3.9, u=0.003),
        ],
        name="M",
        unit="N·m",
    )

    assert ours.u == pytest.approx(gtc.uncertainty(theirs), rel=1e-5)


def test_a_nonlinear_function_is_propagated_as_by_monte_carlo():
    """The u of R = L·cos φ + a by 400,000 draws (JCGM 101:2008) agrees to 1 %."""
    inputs = [
        Input(name="L", value=6.0, u=0.01, unit="m"),
        Input(name="φ", value=math.radians(50), u=math.radians(0.2), unit="rad"),
        Input(name="a", value=-0.3, u=0.004, unit="m", shape="rectangular"),
    ]
    budget = propagate(lambda x: x[0] * math.cos(x[1]) + x[2], inputs, name="R", unit="m")
    rng = np.random.default_rng(7)
    length = rng.normal(6.0, 0.01, 400_000)
    angle = rng.normal(math.radians(50), math.radians(0.2), 400_000)
    drawn = length * np.cos(angle) - 0.3 + rng.uniform(-1, 1, 400_000) * 0.004 * math.sqrt(3)

    assert budget.value == pytest.approx(drawn.mean(), abs=1e-4)
    assert budget.u == pytest.approx(drawn.std(), rel=0.01)
