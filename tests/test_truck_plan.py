"""The truck from above: what is drawn where. What a script moves is tested in a browser."""

from __future__ import annotations

from math import degrees, hypot
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from dashboard.figures.truck_plan import truck_plan_svg
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML

RING_M = 4.0
WHEEL_SHAPES = {"down", "opening", "lifted", "unknown"}


def drawn(toml=TEST_TOML, **more):
    """The drawing as elements."""
    svg = truck_plan_svg(read_test(toml), **({"ring_m": RING_M} | more))
    return ET.fromstring(svg)  # noqa: S314 - our own drawing


def centre_of(drawing):
    """Where the slew axis stands."""
    return float(drawing.get("data-x")), float(drawing.get("data-y"))


def angle_of(drawing, x, y):
    """Slew angle of a place, deg: 0 at the rear, which is drawn below, positive to the right."""
    x0, y0 = centre_of(drawing)
    return degrees(np.arctan2(x - x0, y - y0))


def place_of(text):
    """Where a word of the ring stands."""
    inner = text.get("transform").split("(", 1)[1].split(")", 1)[0]
    return tuple(float(part) for part in inner.split())


def classed(drawing, name):
    """Elements of a class."""
    return [e for e in drawing.iter() if name in (e.get("class") or "").split()]


@pytest.mark.parametrize(
    ("words", "slew_deg"),
    [("0°", 0), ("90° right", 90), ("90° left", -90)],
)
def test_angles_stand_where_they_are(words, slew_deg):
    """Seen from above with the cab up, +90° is on the right, as the design's frame has it."""
    drawing = drawn()
    (text,) = [t for t in classed(drawing, "angle") if t.text == words]
    off = angle_of(drawing, *place_of(text)) - slew_deg

    assert abs((off + 180) % 360 - 180) < 4  # letters stand below their line


def test_angles_are_not_hidden_by_the_truck():
    """180° would lie on the cab of a truck longer than the boom; beyond a short one it stands."""
    words = [
        {t.text for t in classed(drawn(ring_m=ring_m), "angle")} for ring_m in (RING_M, 2 * RING_M)
    ]

    assert [("180°" in w) for w in words] == [False, True]


def test_labels_say_which_end_is_the_cab():
    """Cab above, rear below: a mirrored drawing would swap right and left."""
    heights = {t.text: float(t.get("y")) for t in classed(drawn(), "side")}

    assert heights["CAB"] < heights["REAR"]


def test_wheels_stand_on_the_sides_of_their_names():
    """The left wheels on the left of the picture, the front ones at the top."""
    names = read_test(TEST_TOML).truck.wheels
    for name, wheel in zip(names, classed(drawn(), "wheel"), strict=True):
        x, y = place_of(wheel)
        assert (x < 0) == ("left" in name)
        assert (y < -100) == ("front" in name)


@pytest.mark.parametrize("begins", [False, True])
def test_limits_of_slewing_reach_the_ring(begins):
    """A line on each side at the angle that the test file gives: to the ring, or across it."""
    truck = read_test(TEST_TOML).truck
    drawing = drawn(begins=begins)
    x0, y0 = centre_of(drawing)
    bars = classed(drawing, "limit")
    angles = []
    for bar in bars:
        ends = [(float(bar.get(f"x{i}")), float(bar.get(f"y{i}"))) for i in (1, 2)]
        reach = [hypot(x - x0, y - y0) / 100 for x, y in ends]
        assert min(reach) < RING_M <= max(reach) + 0.002
        angles.append(angle_of(drawing, *ends[0]))

    assert angles == pytest.approx(
        [truck.slew_limit_right_deg, -truck.slew_limit_left_deg], abs=0.05
    )


def test_nothing_is_known_until_someone_says_so():
    """Without a word on the state every wheel and the load are unknown, and not down."""
    drawing = drawn()

    assert {w.get("data-state") for w in classed(drawing, "wheel")} == {"unknown"}
    assert classed(drawing, "boom")[0].get("data-load") == "unknown"


def test_a_test_begins_with_all_wheels_down_and_the_load_hanging():
    """The picture of a set-up: boom over the rear, load at the ring, its radius beside it."""
    drawing = drawn(begins=True, ring_words="4.00 m <b>")
    (beam,) = classed(drawing, "beam")

    assert {w.get("data-state") for w in classed(drawing, "wheel")} == {"down"}
    assert classed(drawing, "boom")[0].get("data-load") == "hanging"
    assert angle_of(drawing, float(beam.get("x2")), float(beam.get("y2"))) == 0
    assert classed(drawing, "of-ring")[0].text == "4.00 m <b>"


def test_hostile_names_are_drawn_as_text():
    """Markup in a wheel's name is text; every wheel has every shape, and the load too."""
    drawing = drawn(TEST_TOML.replace("rear_left", "<script>alert(1)</script>"))
    wheels = classed(drawing, "wheel")

    assert not [e for e in drawing.iter() if e.tag == "script"]
    assert any("<script>" in name.text for name in classed(drawing, "name"))
    assert all({e.get("class") for e in w} >= WHEEL_SHAPES for w in wheels)
    assert {e.get("class") for e in classed(drawing, "load")[0]} == {"hanging", "ground", "unknown"}


def test_a_truck_without_places_is_said_to_be_out_of_scale():
    """Where no model places the wheels, the picture says so; where one does, it does not."""
    assert [t.text for t in classed(drawn(), "of-scale")] == ["not to scale"]
