"""Budgets of load, radius, moment and percentage, decision rules, intervals and lift angles."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashboard.capacity.uncertainty import budgets
from dashboard.capacity.uncertainty.budget import Input, combine
from dashboard.capacity.uncertainty.interval import Spread, half_width, interval
from logger.errors import FileInvalid
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML

PARTS = """parts = [
  { name = "block a", mass = "700 kg", u = "0.6 kg", scale = "S-1", certificate = "C 12" },
  { name = "block b", mass = "660 kg", u = "0.4 kg", scale = "S-1" },
  { name = "hook block", mass = "40 kg", u = "0.5 kg" },
]"""
RNG_DRAWS = 400_000
LOAD_INPUTS = (
    Input(name="cell", u=1.0, unit="kg"),
    Input(name="scatter", u=0.6, unit="kg", dof=6),
)
RADIUS_INPUTS = (
    Input(name="sensor", u=0.002, unit="m"),
    Input(name="tape", u=0.01 / math.sqrt(12), unit="m", shape="rectangular"),
)


def load_of(parts):
    """The load of a test file with these parts."""
    lines = TEST_TOML.splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("parts"))
    return read_test("\n".join([*lines[:at], parts, *lines[at + 1 :]])).load


@pytest.fixture(scope="module")
def moment():
    """1400 kg at 3.9 m with two inputs each."""
    return budgets.moment_budget(
        load_kg=1400.0, load_inputs=LOAD_INPUTS, radius_m=3.9, radius_inputs=RADIUS_INPUTS
    )


def test_parts_of_one_scale_err_together():
    """(0.6 + 0.4)² + 0.5² = 1.118 kg², in the budget and in the load itself."""
    load = load_of(PARTS)
    budget = budgets.test_load_budget(load)

    assert budget.u == pytest.approx(math.sqrt(1.25))
    assert load.u_kg == pytest.approx(math.sqrt(1.25))
    assert budget.value == load.mass_kg == 1400.0


def test_parts_without_a_scale_err_each_by_itself():
    """Two parts without a scale, or of two scales, add as squares."""
    apart = PARTS.replace(', scale = "S-1" }', ', scale = "S-2" }')
    nowhere = PARTS.replace(', scale = "S-1"', "")

    assert load_of(apart).u_kg == pytest.approx(math.sqrt(0.36 + 0.16 + 0.25))
    assert load_of(nowhere).u_kg == pytest.approx(math.sqrt(0.36 + 0.16 + 0.25))
    assert budgets.test_load_budget(load_of(nowhere)).u == pytest.approx(load_of(nowhere).u_kg)


def test_a_part_says_where_its_mass_comes_from():
    """Scale and certificate are the source of an input, the test file where none is named."""
    first, second, third = budgets.test_load_inputs(load_of(PARTS))

    assert first.source == "scale S-1, C 12"
    assert second.source == "scale S-1"
    assert third.source == "test file"
    assert first.group == second.group != third.group == ""


def test_a_moment_has_the_sensitivities_of_a_product(moment):
    """∂(m·g·R)/∂m = g·R and ∂/∂R = m·g, checked by numbers worked by hand."""
    g = STANDARD_GRAVITY_MPS2
    by_name = {c.input.name: c.sensitivity for c in moment.contributions}

    assert moment.value == pytest.approx(1400 * g * 3.9)
    assert (moment.name, moment.unit) == ("moment", "N·m")
    assert by_name["cell"] == by_name["scatter"] == pytest.approx(g * 3.9)
    assert by_name["sensor"] == by_name["tape"] == pytest.approx(1400 * g)
    assert moment.u == pytest.approx(
        g * math.hypot(3.9 * math.hypot(1.0, 0.6), 1400 * math.hypot(0.002, 0.01 / math.sqrt(12)))
    )


def test_an_error_shared_by_load_and_radius_adds_before_it_is_squared():
    """One group across load and radius: the contributions add."""
    budget = budgets.moment_budget(
        load_kg=1000.0,
        load_inputs=[Input(name="angle in the load", u=1.0, group="angle")],
        radius_m=4.0,
        radius_inputs=[Input(name="angle in the radius", u=0.002, group="angle")],
    )

    assert budget.u == pytest.approx(STANDARD_GRAVITY_MPS2 * (4.0 * 1.0 + 1000 * 0.002))


def test_a_percentage_is_the_moment_in_another_unit(moment):
    """Value, u and contributions × 100 / M_q; shares, k and degrees of freedom as they were."""
    percentage = budgets.percentage_budget(moment, 53_100.0)

    assert percentage.value == pytest.approx(100 * moment.value / 53_100)
    assert percentage.u == pytest.approx(100 * moment.u / 53_100)
    assert (percentage.k, percentage.dof, percentage.unit) == (moment.k, moment.dof, "%")
    for ours, theirs in zip(percentage.contributions, moment.contributions, strict=True):
        assert ours.u_y == pytest.approx(abs(ours.sensitivity) * ours.input.u)
        assert ours.share == theirs.share


@pytest.mark.parametrize("required_nm", [None, 53_100.0])
def test_moment_and_percentage_are_what_monte_carlo_finds(moment, required_nm):
    """400,000 draws (JCGM 101:2008): mean, u (the scatter's t is wider by ν/(ν−2)), interval."""
    rng = np.random.default_rng(101)
    load_kg = 1400 + rng.normal(0, 1.0, RNG_DRAWS) + 0.6 * rng.standard_t(6, RNG_DRAWS)
    radius_m = 3.9 + rng.normal(0, 0.002, RNG_DRAWS) + rng.uniform(-0.005, 0.005, RNG_DRAWS)
    drawn = load_kg * STANDARD_GRAVITY_MPS2 * radius_m
    budget = moment
    if required_nm is not None:
        drawn, budget = 100 * drawn / required_nm, budgets.percentage_budget(moment, required_nm)
    t_wider = next(c.u_y for c in budget.contributions if c.input.name == "scatter") ** 2 * 0.5
    low, high = np.quantile(drawn, (0.025, 0.975))

    assert budget.value == pytest.approx(drawn.mean(), rel=1e-5)
    assert math.sqrt(budget.u**2 + t_wider) == pytest.approx(drawn.std(), rel=0.005)
    assert interval(budget) == pytest.approx((low, high), abs=0.02 * budget.u)


def test_the_test_load_is_what_monte_carlo_finds():
    """One draw for both parts of a scale, one for the other: the spread of their sum."""
    rng = np.random.default_rng(3)
    scale, hook = rng.normal(0, 1, RNG_DRAWS), rng.normal(0, 1, RNG_DRAWS)
    drawn = (700 + 0.6 * scale) + (660 + 0.4 * scale) + (40 + 0.5 * hook)
    budget = budgets.test_load_budget(load_of(PARTS))

    assert budget.u == pytest.approx(drawn.std(), rel=0.005)
    assert interval(budget) == pytest.approx(np.quantile(drawn, (0.025, 0.975)), abs=0.02)


def test_the_guarded_rule_takes_the_expanded_uncertainty_off(moment):
    """Guarded: value − k·u; simple: the value; neither ever below 0."""
    nothing = combine(name="m", unit="N·m", value=1.0, parts=[(Input(name="a", u=5.0), 1.0)])

    assert budgets.decided(moment, "guarded") == moment.value - moment.k * moment.u
    assert budgets.decided(moment, "simple") == moment.value
    assert budgets.decided(nothing, "guarded") == 0.0


def test_each_rule_names_its_guard_band_and_its_risk():
    """A reader learns the rule's name, what is taken off, the risk, and the guide it is from."""
    guarded, simple = budgets.rule_sentence("guarded"), budgets.rule_sentence("simple")

    assert "guarded acceptance" in guarded
    assert "2.3 %" in guarded
    assert "simple acceptance" in simple
    assert "no guard band" in simple
    assert "50 %" in simple
    assert all("JCGM 106:2012" in sentence for sentence in (guarded, simple))


def test_two_equal_rectangles_make_a_triangle():
    """Of half width 1 each: 95 % within 2 − 2·√0.05 (closed form), as one triangle says too."""
    one = Spread(shape="rectangular", u=1 / math.sqrt(3))
    triangle = Spread(shape="triangular", u=2 / math.sqrt(6))

    assert half_width([one, one]) == pytest.approx(2 - 2 * math.sqrt(0.05), rel=1e-5)
    assert half_width([triangle]) == pytest.approx(2 - 2 * math.sqrt(0.05), rel=1e-12)
    assert half_width([one]) == pytest.approx(0.95, rel=1e-12)


@pytest.mark.parametrize("probability", [0.5, 0.9, 0.95, 0.99])
def test_sums_of_one_family_have_their_closed_forms(probability):
    """Normal + normal, Cauchy + Cauchy (t of one degree), one of two values ± a rectangle."""
    z = half_width([Spread(shape="normal", u=1)], probability)
    almost = Spread(shape="normal", u=3, dof=1e9)
    cauchy = Spread(shape="normal", u=1, dof=1)
    either = Spread(shape="two-point", u=0.5)
    step = Spread(shape="rectangular", u=1 / math.sqrt(3))
    # Density ½ between ±½, and half of that from there to ±1½.
    inner = probability if probability <= 0.5 else 0.5 + (probability - 0.5) * 2

    assert half_width([Spread(shape="normal", u=4), almost], probability) == pytest.approx(
        5 * z, rel=1e-5
    )
    assert half_width([cauchy, cauchy], probability) == pytest.approx(
        2 * math.tan(math.pi * probability / 2), rel=2e-3
    )
    assert half_width([either, step], probability) == pytest.approx(inner, rel=1e-3)


def test_a_sum_of_every_shape_is_what_monte_carlo_finds():
    """A t of 3, a rectangle, a triangle, a normal and a two-point part: 400,000 draws."""
    rng = np.random.default_rng(11)
    drawn = (
        0.5 * rng.standard_t(3, RNG_DRAWS)
        + rng.uniform(-1, 1, RNG_DRAWS)
        + rng.triangular(-1, 0, 1, RNG_DRAWS)
        + rng.normal(0, 0.3, RNG_DRAWS)
        + 0.2 * rng.choice([-1, 1], RNG_DRAWS)
    )
    spreads = [
        Spread(shape="normal", u=0.5, dof=3),
        Spread(shape="rectangular", u=1 / math.sqrt(3)),
        Spread(shape="triangular", u=1 / math.sqrt(6)),
        Spread(shape="normal", u=0.3),
        Spread(shape="two-point", u=0.2),
    ]

    for probability in (0.5, 0.95, 0.99):
        expected = np.quantile(np.abs(drawn), probability)
        assert half_width(spreads, probability) == pytest.approx(expected, rel=0.01)


def test_a_rectangle_that_dominates_is_not_widened_to_twice_its_u():
    """2·u of a rectangle reaches 15 % beyond its ends; the interval stays inside them."""
    parts = [
        (Input(name="step", u=1 / math.sqrt(3), shape="rectangular"), 1.0),
        (Input(name="noise", u=0.01), 1.0),
    ]
    budget = combine(name="y", unit="deg", value=7.0, parts=parts)
    low, high = interval(budget)

    assert budget.expanded > 1.15
    assert (low, high) == pytest.approx((6.05, 7.95), abs=0.001)


def test_inputs_of_one_group_are_one_part_of_an_interval():
    """Two rectangles of one error are one rectangle twice as wide, not a triangle."""
    rectangle = {"u": 1 / math.sqrt(3), "shape": "rectangular", "group": "step"}
    parts = [(Input(name=n, **rectangle), 1.0) for n in "ab"]
    budget = combine(name="y", unit="", value=0.0, parts=parts)
    opposed = combine(name="y", unit="", value=0.0, parts=[parts[0], (parts[1][0], -1.0)])

    assert interval(budget) == pytest.approx((-1.9, 1.9))
    assert interval(opposed) == (0.0, 0.0)


def test_an_interval_refuses_what_it_cannot_know():
    """Correlations by pairs are not in a budget's inputs; a probability lies between 0 and 1."""
    parts = [(Input(name=n, u=1.0), 1.0) for n in "ab"]
    budget = combine(name="y", unit="", value=0, parts=parts, correlations={("a", "b"): 0.5})

    with pytest.raises(ValueError, match="correlations other than"):
        interval(budget)
    with pytest.raises(ValueError, match="probability"):
        half_width([Spread(shape="normal", u=1.0)], 1.0)


def test_a_scale_with_a_name_too_long_is_refused_in_one_line():
    """Bad input names its key."""
    with pytest.raises(FileInvalid, match="scale"):
        load_of(PARTS.replace("S-1", "S" * 300))
