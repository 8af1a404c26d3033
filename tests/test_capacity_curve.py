"""Capacity against slew angle by the truck model, and lifts foreseen from a fit."""

import json

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from dashboard.capacity.fit.capacity_curve import (
    MOST,
    capacity_curve,
    greatest_share,
)
from dashboard.capacity.fit.fit_parameters import FitLimits, changed, free_parameters
from dashboard.capacity.fit.fit_spread import possible_departures
from dashboard.capacity.fit.model_fit import fit_model
from dashboard.capacity.fit.predicted_lift import predict_lift
from dashboard.capacity.truck.truck_model import first_lift, stand_with
from dashboard.figures.capacity_curve import capacity_figure, capacity_summary
from dashboard.figures.palette import DARK, LIGHT
from tests.fitted_trucks import LOAD_KG, REQUIRED_NM, demo_truck, ideal_test, with_outriggers

RADIUS_M = 3.92
TASK = {"load_kg": LOAD_KG, "radius_m": RADIUS_M, "required_nm": REQUIRED_NM}


@pytest.fixture(scope="module")
def hidden_truck():
    """A fit to one of the demo's tests, its possible departures, and the truth behind it."""
    model = demo_truck()
    truth = changed(model, free_parameters(model, FitLimits()), np.array([0.04, -0.02, 0.15]))
    fit = fit_model(model, *ideal_test(truth))
    return fit, possible_departures(fit, count=80), truth


@settings(max_examples=30, deadline=None)
@given(
    slew_deg=st.floats(-180, 180),
    growing=st.sampled_from(["load", "radius"]),
    outriggers=st.booleans(),
)
def test_a_wheel_lifts_just_beyond_the_capacity_and_not_before(slew_deg, growing, outriggers):
    """A thousandth under the capacity all wheels press, a thousandth over it one does not."""
    model = with_outriggers(demo_truck()) if outriggers else demo_truck()
    share = greatest_share(model, [slew_deg], load_kg=LOAD_KG, radius_m=RADIUS_M, growing=growing)[
        0
    ]
    assume(0.01 < share < 0.999 * MOST)

    def pressed(part):
        load = LOAD_KG * (part if growing == "load" else 1)
        radius = RADIUS_M * (part if growing == "radius" else 1)
        closure = stand_with(model, [slew_deg], load, radius).closure_m[0, :4]
        return bool((closure > 0).all())

    assert all(pressed(share * part) for part in (0.2, 0.5, 0.9, 0.999))
    assert not pressed(share * 1.001)


def test_the_curve_passes_through_the_first_lift():
    """At the angle of the model's first lift its capacity is the moment of the test."""
    model = demo_truck()
    _, slew_deg = first_lift(model, "right", LOAD_KG, RADIUS_M)

    assert greatest_share(model, [slew_deg], load_kg=LOAD_KG, radius_m=RADIUS_M) == pytest.approx(
        [1.0], abs=1e-6
    )


def test_percent_is_of_the_required_moment():
    """Capacity in percent is load × radius × g over M_q."""
    curve = capacity_curve(demo_truck(), **TASK)
    at = int(np.flatnonzero(curve.slew_deg == 100)[0])

    assert curve.slew_deg.tolist() == list(range(-180, 181))
    assert curve.percent[at] == pytest.approx(
        100 * LOAD_KG * 9.80665 * RADIUS_M * curve.share[at] / REQUIRED_NM
    )
    assert curve.band_percent() is None


def test_capacity_without_end_is_not_a_number():
    """Where no load lifts a wheel the document says null, and the truck's own lift is 0 %."""
    model = demo_truck()
    near = capacity_curve(
        model, load_kg=LOAD_KG, radius_m=0.7, required_nm=REQUIRED_NM, growing="load"
    )
    light = model.model_copy(
        update={"masses": tuple(m.model_copy(update={"at_m": (-0.1, 0.0)}) for m in model.masses)}
    )
    tail = capacity_curve(light, **TASK)

    assert None in near.document()["percent"]
    assert tail.percent[180] == 0
    json.dumps(tail.document(), allow_nan=False)


@pytest.mark.parametrize("wrong", ["load_kg", "radius_m", "required_nm"])
def test_sizes_of_nothing_are_refused(wrong):
    """A load, radius or required moment of zero is a ValueError."""
    with pytest.raises(ValueError, match="above zero"):
        capacity_curve(demo_truck(), **(TASK | {wrong: 0.0}))


def test_the_band_holds_the_hidden_truck(hidden_truck):
    """The hidden truck's curve lies in the band of the fit, nearly everywhere by 95 %."""
    fit, possible, truth = hidden_truck
    curve = capacity_curve(fit, **TASK, possible=possible)
    low, high = curve.band_percent()
    true = capacity_curve(truth, **TASK).percent
    inside = (low - 0.1 <= true) & (true <= high + 0.1)

    assert (low <= curve.percent + 1e-6).mean() > 0.9
    assert inside.mean() > 0.9
    # Narrow where the test was, wide where no wheel lifted.
    assert (high - low)[260:280].max() < 5
    assert (high - low)[:90].max() > 10


def test_the_band_is_the_same_each_time(hidden_truck):
    """Nothing in the band is random."""
    fit, possible, _ = hidden_truck

    assert (possible_departures(fit, count=80) == possible).all()


def test_possible_trucks_lift_where_the_test_did(hidden_truck):
    """Each possible truck lifts the measured wheels within some four uncertainties."""
    fit, possible, _ = hidden_truck
    for departure in possible[::10]:
        truck = changed(fit.given, fit.free, departure)
        for measured in fit.lifts:
            wheel, slew_deg = first_lift(truck, measured.side, measured.load_kg, measured.radius_m)
            assert wheel == measured.wheel
            assert slew_deg == pytest.approx(measured.slew_deg, abs=1.6)


def test_a_lift_at_another_load_is_foreseen(hidden_truck):
    """The interval holds the hidden truck's lift with a load and radius never tested."""
    fit, possible, truth = hidden_truck
    told = predict_lift(fit, "right", load_kg=1250, radius_m=4.5, possible=possible)
    wheel, slew_deg = first_lift(truth, "right", 1250, 4.5)

    assert told.wheel == wheel
    assert told.low_deg <= slew_deg <= told.high_deg
    assert told.high_deg - told.low_deg < 8
    assert 0 < told.u_deg < 3
    assert told.probability == 1


def test_no_lift_is_foreseen_where_there_is_none(hidden_truck):
    """With a light load near the column no possible truck lifts a wheel."""
    fit, possible, _ = hidden_truck
    told = predict_lift(fit, "left", load_kg=500, radius_m=2.0, possible=possible)

    assert (told.wheel, told.slew_deg, told.low_deg, told.probability) == (None, None, None, 0)


# ------------------------------------------------------------------ the figure

RESULT = {
    "sectors": [
        {"side": "right", "from_deg": 0, "to_deg": 88, "percent": 100, "basis": "proved"},
        {"side": "right", "from_deg": 88, "to_deg": 171, "percent": 89, "basis": "reduced"},
        {"side": "right", "from_deg": 171, "to_deg": 180, "percent": 0, "basis": "untested"},
        {"side": "left", "from_deg": 0, "to_deg": 167, "percent": 100, "basis": "proved"},
    ]
}


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_the_figure_shows_model_band_steps_and_lifts(hidden_truck, palette):
    """Steps lie under the band, the band under the line, the marks with error bars on top."""
    fit, possible, _ = hidden_truck
    curve = capacity_curve(fit, **TASK, possible=possible)
    figure = capacity_figure(curve, palette, lifts=fit.lifts, result=RESULT)
    names = [t.name for t in figure.data]
    marks = figure.data[-1]

    assert names == [
        "proved by the test",
        "reduced by the test",
        "proved by the test",
        "95 % band of the model",
        "first lift by the model, radius growing",
        "measured lifts (± 2 u)",
    ]
    assert list(figure.data[2].x) == [0, 0, -167, -167]
    assert [t.showlegend for t in figure.data[:3]] == [True, True, False]
    assert list(marks.x) == [m.slew_deg for m in fit.lifts]
    assert list(marks.error_x.array) == [2 * m.u_deg for m in fit.lifts]
    assert marks.y[0] == pytest.approx(100 * 1400 * 9.80665 * 3.92 / REQUIRED_NM)
    assert figure.layout.yaxis.range[1] >= 120


def test_the_figure_without_a_fit_is_the_line_alone():
    """An unfitted model has no band and no marks, and the summary says so in words."""
    curve = capacity_curve(demo_truck(), **TASK)

    assert [t.name for t in capacity_figure(curve, LIGHT, narrow=True).data] == [
        "first lift by the model, radius growing"
    ]
    assert capacity_summary(curve).startswith("By the model the least is 89 % of")
    assert "No lift measured" in capacity_summary(curve)
