"""The radius from boom angle and length: formula, derivatives, and the fitted deflection."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import FileInvalid
from logger.readings.boom_geometry import (
    BoomGeometry,
    BoomPose,
    fit_deflection,
    moments_nm,
    sensitivities,
    stiff_radius_m,
    tip_height_m,
)
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML

DRAWN = {
    "foot_pin_offset": "-0.4 m",
    "foot_pin_height": "2.1 m",
    "tip_along": "0.15 m",
    "tip_perpendicular": "0.2 m",
    "sheave_radius": "0.1 m",
}


def geometry(**keys):
    return BoomGeometry.model_validate(DRAWN | keys)


def pose(angle_deg, length_m, tilt_deg=0.0):
    one = np.ones(1)
    return BoomPose(angle_deg=angle_deg * one, length_m=length_m * one, tilt_deg=tilt_deg * one)


def radius(table, at):
    return float(stiff_radius_m(table, at)[0])


def with_geometry(text):
    return read_test(TEST_TOML.replace("[load]", f"[crane.geometry]\n{text}\n[load]"))


@pytest.mark.parametrize(
    ("angle_deg", "radius_m", "height_m"),
    [
        # Flat: −0.4 + 5 + 0.15 + 0.1 out, 2.1 + 0.2 up. Upright: −0.4 − 0.2 + 0.1 and 2.1 + 5.15.
        (0.0, 4.85, 2.3),
        (90.0, -0.5, 7.25),
        # 60°: −0.4 + 5.15 / 2 − 0.2 · √3 / 2 + 0.1; 2.1 + 5.15 · √3 / 2 + 0.2 / 2.
        (60.0, 2.275 - 0.1 * math.sqrt(3), 2.2 + 2.575 * math.sqrt(3)),
    ],
)
def test_the_radius_is_what_a_drawing_gives(angle_deg, radius_m, height_m):
    """Flat, upright and at 60° radius and tip height are those that a ruler gives."""
    at = pose(angle_deg, 5.0)

    assert radius(geometry(), at) == pytest.approx(radius_m, abs=1e-12)
    assert float(tip_height_m(geometry(), at)[0]) == pytest.approx(height_m, abs=1e-12)


@given(
    angle=st.floats(-10, 85), length=st.floats(2, 40), tilt=st.floats(-6, 6), scale=st.floats(-3, 3)
)
def test_the_formula_is_a_rotation_of_the_boom_s_corners(angle, length, tilt, scale):
    """Against complex numbers turned by the angles: foot pin by the tilt, boom by its own."""
    table = geometry(foot_pin_offset=f"{scale!r} m", angle_from="frame")
    pin = complex(scale, 2.1) * np.exp(1j * np.radians(tilt))
    tip = pin + complex(length + 0.15, 0.2) * np.exp(1j * np.radians(angle + tilt))

    assert radius(table, pose(angle, length, tilt)) == pytest.approx(tip.real + 0.1, abs=1e-9)
    assert float(tip_height_m(table, pose(angle, length, tilt))[0]) == pytest.approx(tip.imag)


@pytest.mark.parametrize("angle_from", ["horizontal", "frame"])
def test_sensitivities_are_the_formula_s_derivatives(angle_from):
    """Each is what central differences of the radius give."""
    keys = {
        "foot pin offset": "foot_pin_offset_m",
        "foot pin height": "foot_pin_height_m",
        "tip along the boom": "tip_along_m",
        "tip off the boom": "tip_perpendicular_m",
        "sheave radius": "sheave_radius_m",
    }
    at = {"boom angle": 38.0, "boom length": 6.3, "tilt of the truck": 1.7}
    table = geometry(angle_from=angle_from)

    def at_values(**changed):
        values = at | {k.replace("_", " "): v for k, v in changed.items()}
        return pose(values["boom angle"], values["boom length"], values["tilt of the truck"])

    numeric = {}
    for name, value in at.items():
        key = name.replace(" ", "_")
        up, down = (radius(table, at_values(**{key: value + d})) for d in (1e-5, -1e-5))
        numeric[name] = (up - down) / 2e-5
    for name, key in keys.items():
        value = getattr(table, key)
        up, down = (
            radius(table.model_copy(update={key: value + d}), at_values()) for d in (1e-5, -1e-5)
        )
        numeric[name] = (up - down) / 2e-5

    found = sensitivities(table, at_values())
    assert {k: float(v[0]) for k, v in found.items()} == pytest.approx(numeric, abs=1e-8)


def test_the_level_matters_to_an_angle_against_the_frame():
    """A tilt of 1° up lifts a flat boom of 10 m as its own angle would; the pin moves in."""
    flat = BoomGeometry.model_validate({"foot_pin_offset": "0 m", "angle_from": "frame"})
    high = BoomGeometry.model_validate({"foot_pin_offset": "0 m", "foot_pin_height": "2 m"})
    tilt = math.radians(1.0)

    assert radius(flat, pose(40.0, 10.0, 1.0)) == pytest.approx(10 * math.cos(math.radians(41)))
    assert radius(high, pose(40.0, 10.0, 1.0)) == pytest.approx(
        10 * math.cos(math.radians(40)) - 2 * math.sin(tilt)
    )


def test_a_given_deflection_grows_with_its_load_or_its_moment():
    """12 mm under 1200 kg are 6 mm under half of it; under a moment likewise."""
    half, r = np.array([600.0]), np.array([4.0])
    by_load = geometry(deflection="12 mm", deflection_load="1200 kg")
    by_test = geometry(deflection="12 mm")
    by_moment = geometry(deflection="12 mm", deflection_moment=f"{1200 * 9.80665 * 4} N·m")

    for table in (by_load, by_test, by_moment):
        given_m = table.given_deflection_m(half, r, test_load_kg=1200.0)
        assert float(given_m[0]) == pytest.approx(0.006)
    assert float(by_load.given_deflection_m(half, r, test_load_kg=600.0)[0]) == pytest.approx(0.006)
    assert float(by_test.given_deflection_m(half, r, test_load_kg=600.0)[0]) == pytest.approx(0.012)


def test_a_deflection_is_fitted_to_tape_readings():
    """Exact readings give back the slope; noisy ones give scipy's slope and standard error."""
    from scipy.optimize import curve_fit

    table, n = geometry(), 7
    poses = BoomPose(
        angle_deg=np.linspace(25, 65, n), length_m=np.full(n, 6.0), tilt_deg=np.zeros(n)
    )
    stiff, load = stiff_radius_m(table, poses), np.full(n, 1400.0)
    # A taped radius r = stiff + c·m·g·r holds the deflection on both sides.
    exact = stiff / (1 - 4e-7 * 1400 * 9.80665)
    noisy = exact + np.random.default_rng(3).normal(0, 0.004, n)
    fits = [
        fit_deflection(table, tape_m=tape, load_kg=load, pose=poses, u_tape_m=0.001)
        for tape in (exact, noisy)
    ]
    (slope,), covariance = curve_fit(lambda m, c: c * m, moments_nm(load, noisy), noisy - stiff)

    assert fits[0].m_per_nm == pytest.approx(4e-7, rel=1e-9)
    assert fits[0].dof == math.inf
    assert fits[0].u_m_per_nm == pytest.approx(0.001 / np.linalg.norm(moments_nm(load, exact)))
    assert fits[1].m_per_nm == pytest.approx(slope, rel=1e-6)
    assert fits[1].u_m_per_nm == pytest.approx(float(np.sqrt(covariance[0, 0])), rel=1e-4)
    assert fits[1].dof == n - 1


def test_a_fit_takes_up_an_error_of_the_geometry():
    """A pin drawn 10 mm too far out: what the fit leaves of it is as its sensitivity says."""
    true, wrong = geometry(), geometry(foot_pin_offset="-0.39 m")
    poses = BoomPose(
        angle_deg=np.array([30.0, 45.0]), length_m=np.full(2, 6.0), tilt_deg=np.zeros(2)
    )
    tape = stiff_radius_m(true, poses) / (1 - 4e-7 * 1400 * 9.80665)
    here = pose(36.0, 6.0)

    def fitted(table):
        fit = fit_deflection(
            table, tape_m=tape, load_kg=np.full(2, 1400.0), pose=poses, u_tape_m=0.001
        )
        moment = float(moments_nm(np.array([1400.0]), stiff_radius_m(true, here))[0])
        return radius(table, here) + fit.m_per_nm * moment, fit, moment

    (right_m, fit, moment_nm), (off_m, _, _) = fitted(true), fitted(wrong)
    left = fit.left_of(sensitivities(true, poses)["foot pin offset"], here=1.0, moment_nm=moment_nm)

    assert off_m - right_m == pytest.approx(0.010 * left, abs=1e-9)
    assert abs(left) < 0.1


def test_one_tape_reading_fits_no_deflection():
    """With fewer than two there is no standard error, so there is no fit."""
    one = fit_deflection(
        geometry(), tape_m=[4.0], load_kg=np.array([1400.0]), pose=pose(40, 6), u_tape_m=0.001
    )

    assert one is None


def test_the_test_file_names_the_geometry():
    """Lengths are text with units, the rest keeps its defaults."""
    text = 'foot_pin_offset = "-16 in"\nlength = "4.2 m"\ndeflection = "12 mm"'
    table = with_geometry(text).crane.geometry

    assert table.foot_pin_offset_m == pytest.approx(-0.4064)
    assert (table.length_m, table.angle_deg, table.angle_from) == (4.2, None, "horizontal")
    assert table.deflection_m == 0.012


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('foot_pin_offset = "0.4 kg"', "[crane] [geometry] foot_pin_offset"),
        ('tip_along = "0.2 m"', "is missing"),
        ('foot_pin_offset = "0 m"\nfoot_pin_hight = "2 m"', "did you mean 'foot_pin_height'?"),
        ('foot_pin_offset = "0 m"\nangle_from = "boom"', "'horizontal' or 'frame'"),
        (
            'foot_pin_offset = "0 m"\ndeflection_load = "1 t"\ndeflection_moment = "4 kN·m"',
            "not both",
        ),
        (
            'foot_pin_offset = "0 m"\ndeflection = "9 mm"\ndeflection_by_tape = true',
            "leave its size out",
        ),
    ],
)
def test_a_wrong_geometry_is_told_in_one_line(text, says):
    """The error names the key, what stands there and what would do."""
    with pytest.raises(FileInvalid) as told:
        with_geometry(text)

    assert says in str(told.value)
    assert "\n" not in str(told.value)
