"""Calibration by least squares: the numbers, and the way back from a reading."""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from logger.readings.calibration_fit import fit_calibration, fit_zero
from logger.readings.calibration_inverse import invert
from logger.readings.calibration_points import Points, branches, read_points
from logger.readings.calibration_report import report_fit, report_slew
from logger.readings.calibration_table import rounded_up
from logger.readings.calibration_uncertainty import (
    curvature_significance,
    resolution,
    uncertainty_of_reading,
)
from logger.readings.load_cell_class import parse_class
from logger.readings.load_cell_series import creep, fitted_points, hysteresis, zero_return
from logger.readings.quantity import Kind
from logger.readings.slew import unwrap_slew

PONTIUS = json.loads((Path(__file__).parent / "check_values" / "pontius.json").read_text())
FACTS = json.loads((Path(__file__).parent / "check_values" / "facts.json").read_text())


def pontius():
    """The data set: load and reading."""
    reading, applied = np.array(PONTIUS["y_x_pairs"]).T
    return applied, reading


def points(rows, *, unit="kg", t_s=None):
    """Points out of (applied, reading) pairs."""
    applied, reading = np.array(rows, dtype=float).T
    return Points(
        name="points.csv",
        unit=unit,
        line=np.arange(2, 2 + applied.size),
        applied=applied,
        reading=reading,
        t_s=None if t_s is None else np.array(t_s, dtype=float),
    )


def test_the_certified_values_of_pontius_come_out_to_eleven_digits():
    """NIST StRD, Pontius: coefficients, standard errors and residual SD as certified."""
    fit = fit_calibration(*pontius(), degree=2)
    certified = PONTIUS["certified"]

    assert fit.coefficients == pytest.approx([certified[f"B{i}"] for i in range(3)], rel=1e-11)
    assert fit.standard_errors == pytest.approx([certified[f"sdB{i}"] for i in range(3)], rel=1e-11)
    assert fit.residual_sd == pytest.approx(certified["residual_sd"], rel=1e-11)
    assert fit.degrees_of_freedom == PONTIUS["residual_df"] == 37


def exactly(x, y, degree):
    """Normal equations solved in fractions: coefficients and inverse matrix, no rounding."""
    rows = [[Fraction(v) ** power for power in range(degree + 1)] for v in x.tolist()]
    size = degree + 1
    left = [
        [sum(r[i] * r[j] for r in rows) for j in range(size)]
        + [Fraction(i == j) for j in range(size)]
        for i in range(size)
    ]
    for i in range(size):
        left[i] = [v / left[i][i] for v in left[i]]
        for j in range(size):
            if j != i:
                left[j] = [a - left[j][i] * b for a, b in zip(left[j], left[i], strict=True)]
    inverse = [row[size:] for row in left]
    right = [
        sum(r[i] * Fraction(v) for r, v in zip(rows, y.tolist(), strict=True)) for i in range(size)
    ]
    found = [sum(a * b for a, b in zip(row, right, strict=True)) for row in inverse]
    rest = [
        Fraction(v) - sum(a * b for a, b in zip(r, found, strict=True))
        for r, v in zip(rows, y.tolist(), strict=True)
    ]
    return found, inverse, sum(v * v for v in rest) / (len(rows) - size)


def test_fractions_without_rounding_give_the_same_errors_and_significance():
    """An exact twin agrees in coefficients, errors, the fitted curve's u and in p."""
    rng = np.random.default_rng(3)
    x = np.repeat(np.linspace(0, 2000, 8), 2)
    y = 12 + 2.0 * x + 4e-6 * x**2 + rng.normal(0, 1.5, x.size)
    fit = fit_calibration(x, y, degree=2)
    found, inverse, variance = exactly(x, y, 2)
    errors = [math.sqrt(variance * inverse[i][i]) for i in range(3)]
    at = np.array([-100.0, 0, 700, 2100])
    u = [
        math.sqrt(
            variance
            * sum(Fraction(v) ** (i + j) * inverse[i][j] for i in range(3) for j in range(3))
        )
        for v in at.tolist()
    ]

    assert fit.coefficients == pytest.approx([float(c) for c in found], rel=1e-10)
    assert fit.standard_errors == pytest.approx(errors, rel=1e-10)
    assert fit.u_fit(at) == pytest.approx(u, rel=1e-10)
    assert curvature_significance(fit) == pytest.approx(
        2 * student.sf(abs(float(found[2])) / errors[2], df=13), rel=1e-8
    )


def test_a_range_far_from_zero_loses_no_digits():
    """Loads within a per mille of each other still give exact residuals."""
    x = 1e6 + np.arange(6.0)
    noise = np.array([1.0, -2, 1, 1, -2, 1]) * 1e-3
    fit = fit_calibration(x, 3.0 * (x - 1e6) + noise, degree=1)
    slope, middle = np.polyfit(x - 1e6, 3.0 * (x - 1e6) + noise, 1)

    assert fit.coefficients[1] == pytest.approx(slope, rel=1e-9)
    assert fit.fitted(np.array([1e6]))[0] == pytest.approx(middle, abs=1e-9)


LOADS = st.lists(st.integers(0, 400), min_size=4, max_size=12, unique=True)


@settings(max_examples=60)
@given(LOADS, st.floats(-1e4, 1e4), st.floats(0.01, 100), st.floats(-0.2, 0.2), st.booleans())
def test_exact_points_give_back_their_coefficients(loads, zero, slope, bend, falls):
    """Points on a curve have it as their fit, and nothing is left over."""
    x = 5.0 * np.array(sorted(loads))
    span = float(np.ptp(x))
    assume(span > 50)
    slope = -slope if falls else slope
    c = (zero, slope, slope * bend / x.max())
    fit = fit_calibration(x, c[0] + c[1] * x + c[2] * x**2, degree=2)
    scale = abs(zero) + abs(slope) * x.max()
    far = (x.max() / span) ** 2

    for found, true, power in zip(fit.coefficients, c, range(3), strict=True):
        assert found * span**power == pytest.approx(true * span**power, abs=1e-12 * scale * far)
    assert np.abs(fit.residuals).max() <= 1e-12 * scale


@settings(max_examples=60)
@given(LOADS, st.floats(-1e4, 1e4), st.floats(0.01, 100), st.floats(-0.2, 0.2), st.booleans())
def test_the_inverse_leads_back_within_the_range(loads, zero, slope, bend, falls):
    """A reading of a load gives the load again, as near as the inverse says of itself."""
    x = 5.0 * np.array(sorted(loads))
    assume(np.ptp(x) > 50)
    slope = -slope if falls else slope
    c = (zero, slope, slope * bend / x.max())
    # A zero many spans away leaves a polynomial in powers of the reading few digits.
    assume(abs(zero) <= 20 * abs(slope) * np.ptp(x))
    fit = fit_calibration(x, c[0] + c[1] * x + c[2] * x**2, degree=2)
    inverse = invert(fit)
    at = np.linspace(x.min(), x.max(), 777)
    back = inverse.apply(fit.fitted(at))

    assert np.abs(fit.value_of(fit.fitted(at)) - at).max() <= 1e-9 * x.max()
    assert np.abs(back - at).max() <= inverse.deviation * 1.01 + 1e-9 * x.max()
    assert inverse.deviation <= 1e-4 * np.ptp(x)


@settings(max_examples=60)
@given(LOADS, st.floats(-1e4, 1e4), st.floats(0.01, 100))
def test_a_line_turns_round_exactly(loads, zero, slope):
    """Degree 1: offset and scale are those of the line, to rounding."""
    x = 5.0 * np.array(loads)
    fit = fit_calibration(x, zero + slope * x, degree=1)
    offset, scale = invert(fit).coefficients

    assert scale == pytest.approx(1 / slope, rel=1e-9)
    assert offset == pytest.approx(-zero / slope, abs=1e-9 * (abs(zero / slope) + x.max()))


def test_the_inverse_of_pontius_is_the_square_root():
    """Against numpy's roots of the certified polynomial, at every point."""
    applied, reading = pontius()
    fit = fit_calibration(applied, reading, degree=2)
    inverse = invert(fit)
    b0, b1, b2 = (PONTIUS["certified"][f"B{i}"] for i in range(3))
    exact = np.array([min(np.roots([b2, b1, b0 - y]).real) for y in fit.fitted(applied)])

    assert exact == pytest.approx(applied, rel=1e-9)
    assert len(inverse.coefficients) == 4
    assert 0.05 < np.abs(inverse.apply(fit.fitted(applied)) - exact).max() <= inverse.deviation


def test_the_uncertainty_of_a_reading_covers_new_readings():
    """Simulated: of 1,000 cells calibrated anew, a further reading errs by u (rms) at the end."""
    rng = np.random.default_rng(11)
    x, sd, u_set = np.linspace(0, 2000, 6), 2.0, 0.8
    errors, stated = [], []
    for _ in range(1000):
        common = rng.normal(0, u_set)
        fit = fit_calibration(x, 20 + 2 * (x + common) + rng.normal(0, sd, x.size), degree=1)
        reading = 20 + 2 * 2000 + rng.normal(0, sd)
        errors.append(fit.value_of(np.array([reading]))[0] - 2000)
        stated.append(uncertainty_of_reading(fit, u_reference=u_set).u ** 2)

    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.sqrt(np.mean(stated)), rel=0.05)


def test_scatter_is_never_less_than_the_last_digit_allows():
    """Whole counts that happen to lie on a line are still only whole counts (F.2.2.1)."""
    fit = fit_calibration(np.array([0.0, 90, 180]), np.array([0.0, 1024, 2048]), degree=1)
    found = uncertainty_of_reading(fit, u_reference=0.0)

    assert found.scatter == pytest.approx(360 / 4096 / np.sqrt(12))
    assert [resolution(np.array(v)) for v in ([3.0, 20], [0.5, 2], [1.25, 0.1])] == [1, 0.1, 0.01]


def test_points_that_no_fit_can_use_are_refused():
    """One load, a dead sensor, too few loads, a curve that turns back."""
    for x, y, degree, words in (
        ([5, 5, 5], [1, 2, 3], 1, "all points are at one value, 5"),
        ([0, 5, 9], [2, 2, 2], 1, "is the sensor alive"),
        ([0, 5, 5, 0], [1, 2, 3, 4], 2, "2 different values"),
        ([0, 1, 2, 3], [0, 5, 5.5, 1], 2, "turns back"),
        ([0, 1, np.nan], [0, 1, 2], 1, "finite"),
        ([0, 1, 0, 1], [1, 2, 2, 1], 1, "does not follow"),
        ([0, 1, 2, 3], [5.1, 5.0, 5.2, 5.1], 1, "does not follow"),
        ([0, 1, 2, 3], [1, 2, 3, 4], 3, "degree 3"),
    ):
        with pytest.raises(ValueError, match=words):
            fit_calibration(np.array(x, float), np.array(y, float), degree=degree)


def test_a_scale_that_is_known_leaves_the_zero_to_find():
    """The offset is the mean of what is left, its standard error the scatter's by √n."""
    x = np.array([-90.0, 0, 45, 90])
    off = np.array([0.2, -0.1, -0.2, 0.1])
    fit = fit_zero(x, (x + off) / 0.25, scale=0.25)
    offset, scale = invert(fit).coefficients

    assert (offset, scale) == pytest.approx((-off.mean(), 0.25), abs=1e-12)
    assert fit.degrees_of_freedom == 3
    assert fit.residual_sd == pytest.approx(np.std(off, ddof=1) / 0.25)
    assert fit.standard_errors == pytest.approx((fit.residual_sd / 2, 0.0))


def test_zero_creep_and_hysteresis_follow_from_the_order():
    """Known shifts at 2 counts a kg come out in kg; of a creep watch only its start is fitted."""
    rows = [(0, 20), (500, 1020), (1000, 2020), (1000, 2021), (1000, 2023), (500, 1022), (0, 20.6)]
    t_s = [0, 60, 120, 120 + 1200, 120 + 1800, 2000, 2100]
    given_points = points(rows, t_s=t_s)
    taken = fitted_points(given_points)
    fit = fit_calibration(given_points.applied[taken], given_points.reading[taken], degree=1)
    (seen,) = creep(given_points, fit)
    slope = fit.coefficients[1]

    assert taken.tolist() == [True, True, True, False, False, True, True]
    assert zero_return(given_points, fit).change == pytest.approx(0.6 / slope)
    assert (seen.at, seen.duration_s) == (1000, 1800)
    assert (seen.change, seen.late_change) == pytest.approx((3 / slope, 2 / slope))
    down = hysteresis(given_points, fit)
    assert (down.at, down.loads) == (500, 1)
    assert down.difference == pytest.approx(2 / slope)


def test_repeats_and_short_watches_are_no_creep_and_new_starts_no_way_down():
    """Three readings a minute apart stay in the fit; two series up have no way down."""
    repeats = points([(0, 0), (5, 10), (5, 10.1), (5, 9.9)], t_s=[0, 60, 120, 180])
    applied, _ = pontius()

    assert fitted_points(repeats).all()
    assert {way for _, way in branches(applied)} == {"up"}
    assert [way for _, way in branches(np.array([0.0, 5, 5, 9, 5, 5, 0, 9]))] == [
        "up", "up", "up", "up", "down", "down", "down", "up",
    ]  # fmt: skip
    assert zero_return(repeats, fit_calibration(repeats.applied, repeats.reading, degree=1)) is None


def test_class_limits_are_those_of_the_recommendation():
    """OIML R 60-1:2021 as read in facts.json: steps, creep example of a C3 cell, zero return."""
    facts = FACTS["load_cell"]["oiml_r60"]
    cell = parse_class("C3", capacity=3000.0)

    assert cell.interval == 1.0
    for load, step in zip((500, 2000, 2001), facts["mpe_steps_v"], strict=True):
        assert cell.largest_error(load) == pytest.approx(facts["p_LC_default"] * step)
    assert facts["limits_v"]["C"][:2] == [500, 2000]
    assert cell.largest_creep(2900, late=False) == pytest.approx(0.735)
    assert cell.largest_creep(2900, late=True) == pytest.approx(0.1575)
    assert cell.largest_zero_return == 0.5
    assert "0.735" in facts["creep"]
    assert "0.5 v" in facts["zero_return"]
    with pytest.raises(ValueError, match="500 to 10000"):
        parse_class("C20", capacity=100)


def sighted(angles, *, offset, scale, wraps_at):
    """What an encoder reads at angles, whole counts."""
    raw = np.floor((np.array(angles) - offset) / scale + 0.5) % wraps_at
    return points(list(zip(angles, raw.tolist(), strict=True)), unit="deg")


@settings(max_examples=60)
@given(
    st.lists(st.integers(-175, 175), min_size=3, max_size=7, unique=True),
    st.floats(-180, 180),
    st.sampled_from([1, -1]),
    st.sampled_from([1.0, 4.0]),
)
def test_a_slew_sensor_is_found_wherever_it_wraps(angles, offset, sign, turns):
    """Any zero, direction and gearing: each sighted angle comes out again through the wraps."""
    scale = sign * 360 / 4096 / turns
    steps = np.abs(np.array(angles) - angles[0]) % (180 / turns)
    assume(np.minimum(steps, 180 / turns - steps).max() > 5)
    report = report_slew(
        sighted(angles, offset=offset, scale=scale, wraps_at=4096),
        wraps_at=4096,
        nominal=360 / 4096 / turns,
        sign_known=False,
        zero_only=False,
    )

    assert report.values == pytest.approx(np.array(angles, float), abs=2 * abs(scale))
    assert report.inverse.coefficients[1] == pytest.approx(scale, rel=0.02)
    assert abs(report.inverse.coefficients[0]) <= 180 / turns * 1.02 + 0.1


def test_a_found_calibration_reads_a_sweep():
    """The offset and scale go through the unwrapper that runs are read with."""
    report = report_slew(
        sighted([0, 90, -90, 45], offset=-200.3, scale=-360 / 4096, wraps_at=4096),
        wraps_at=4096,
        nominal=360 / 4096,
        sign_known=False,
        zero_only=False,
    )
    true = np.linspace(0, 172, 400)
    raw = np.floor((true + 200.3) / (-360 / 4096) + 0.5) % 4096
    from logger.readings.calibration import Calibration

    calibration = Calibration(coefficients=report.inverse.coefficients, wraps_at=4096)

    assert np.abs(unwrap_slew(raw, calibration) - true).max() < 0.2


def test_two_angles_half_a_turn_apart_ask_for_a_third():
    """Neither direction fits better, so none is guessed."""
    half = sighted([0, 180], offset=0, scale=360 / 4096, wraps_at=4096)
    with pytest.raises(ValueError, match="which way"):
        report_slew(half, wraps_at=4096, nominal=360 / 4096, sign_known=False, zero_only=False)


def test_uncertainties_are_rounded_up():
    """Two digits stay, and none makes it smaller."""
    assert rounded_up(0.8012) == 0.81
    assert rounded_up(0.8) == 0.8
    assert rounded_up(123.4) == 130
    assert rounded_up(0.0) == 0.0


@settings(max_examples=60)
@given(st.floats(1e-9, 1e9))
def test_rounding_up_never_makes_smaller_nor_much_greater(value):
    """Between the value and a tenth more."""
    assert value * (1 - 1e-5) <= rounded_up(value) <= value * 1.1001


def test_curvature_and_outliers_are_told():
    """A line through a curve, a curve through a line, and a wrong point each give a caution."""
    x = np.linspace(0, 2000, 9)
    wave = np.array([1, -1, 0, 1, -1, 1, 0, -1, 0.5])
    curved = points(list(zip(x, 2 * x + 1e-4 * x**2 + wave, strict=True)))
    straight = points(list(zip(x, 2 * x + wave, strict=True)))
    many = np.linspace(0, 2000, 25)
    slip = np.where(np.arange(25) == 7, 60.0, np.tile([1, -1, 0, 1, -1], 5))
    wrong = points(list(zip(many, 2 * many + slip, strict=True)))

    assert "curved beyond chance" in report_fit(curved, quantity="load").cautions[0]
    assert "straight line" in report_fit(straight, quantity="load", degree=2).cautions[0]
    assert report_fit(straight, quantity="load").cautions == ()
    assert "Line 9 is" in report_fit(wrong, quantity="load").cautions[0]


def test_a_table_takes_units_any_order_and_blank_lines():
    """Quantities of their own unit come in the table's; a mark and spaces don't matter."""
    text = '\ufeffreading, applied ,u\n\n 20, 0,0.5\r\n1020,"1 102.3113 lb",0.5 kg\n'
    found = read_points(text, name="p.csv", applied="applied", kind=Kind.MASS, unit="kg")

    assert found.applied == pytest.approx([0, 500], abs=1e-4)
    assert found.line.tolist() == [3, 4]
    assert found.u.tolist() == [0.5, 0.5]
