"""``[model]`` of a test file: what it may hold and what is told about a mistake."""

import json
from pathlib import Path

import numpy as np
import pytest

from dashboard.capacity.truck.truck_model import reactions_n
from logger.errors import FileInvalid
from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2, Kind, parse_quantity
from logger.readings.toml_file import read_toml

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parent / "check_values" / "statics.json").read_text(encoding="utf-8")
    )["cases"]
}
SUPPORTS = """
column = ["0.5 m", "-0.2 m"]
supports = [
  { name = "front_left", kind = "wheel", at = ["2.5 m", "0.7 m"], stiffness = "200 N/mm" },
  { name = "front_right", kind = "wheel", at = ["2.5 m", "-0.7 m"], stiffness = "200 N/mm" },
  { name = "rear_left", kind = "wheel", at = ["0 m", "0.7 m"], stiffness = "200 N/mm" },
  { name = "rear_right", kind = "wheel", at = ["0 m", "-0.7 m"], stiffness = "200 N/mm" },
]
"""
UNSPRUNG = SUPPORTS.replace('"200 N/mm"', '"200 N/mm", unsprung = "50 kg", droop = "20 mm"')
AXLES = """
axles = [{ at = "0 m", mass = "480 kg" }, { at = "2.5 m", mass = "520 kg" }]
centre_y = "0.03 m"
"""
SCALES = """
scales.front_left = "270 kg"
scales.front_right = "250 kg"
scales.rear_left = "250 kg"
scales.rear_right = "230 kg"
"""
BOOM = """
slewing = [{ name = "boom", mass = "100 kg", radius = "1.5 m" }]
"""


def read(text):
    return read_toml(text, model=TruckModel, name="test.toml")


def test_axle_scales_give_the_centre_of_gravity():
    """A car whose front axle carries 52 % has its centre of gravity 1.3 m ahead of the rear axle.

    Source: OpenStax University Physics vol. 1, ch. 12.1 worked example (statics.json).
    """
    case = CASES["openstax_car_cg"]
    base, front = case["given"]["wheelbase_m"], case["given"]["front_fraction"]
    (mass,) = read(
        SUPPORTS
        + f'axles = [{{ at = "0 m", mass = "{1000 * (1 - front):.9f} kg" }}, '
        + f'{{ at = "{base} m", mass = "{1000 * front:.9f} kg" }}]\ncentre_y = "0 m"'
    ).masses

    assert mass.mass_kg == pytest.approx(1000)
    assert mass.at_m == (
        pytest.approx(case["answer"]["cg_from_rear_axle_m"], abs=case["tolerance"]),
        0.0,
    )


def test_wheel_scales_give_both_coordinates():
    """Scales under the wheels give x and y; by hand 520 · 2.5 / 1000 and 40 · 0.7 / 1000."""
    (mass,) = read(SUPPORTS + SCALES).masses

    assert mass.name == "truck as weighed"
    assert mass.at_m == (pytest.approx(1.3), pytest.approx(0.028))


@pytest.mark.parametrize("supports", [SUPPORTS, UNSPRUNG], ids=["plain", "unsprung"])
def test_a_weighed_truck_stands_as_it_was_weighed(supports):
    """With the boom where it was, both axles carry again what their scales read.

    The boom's and the wheels' own masses are taken out of the weighed mass and put back by the
    model.
    """
    model = read(supports + BOOM + SCALES + 'weighed_at = "150 deg"')
    reactions = reactions_n(model, np.array([150.0]), 0.0, 0.0)[0] / STANDARD_GRAVITY_MPS2

    assert reactions.sum() == pytest.approx(1000)
    assert reactions[:2].sum() == pytest.approx(520)
    assert reactions[0] + reactions[2] == pytest.approx(520)
    # Elsewhere the boom's 100 kg at 1.5 m have moved: over the rear the front is lighter.
    turned = reactions_n(model, np.array([0.0]), 0.0, 0.0)[0] / STANDARD_GRAVITY_MPS2
    moved_m = 1.5 * (1 - np.cos(np.radians(150)))
    assert 520 - turned[:2].sum() == pytest.approx(100 * moved_m / 2.5)


def test_listed_masses_that_agree_with_the_scales_are_taken():
    """Masses within 2 % and 5 cm of the scales stand as listed."""
    listed = 'masses = [{ name = "truck", mass = "1010 kg", at = ["1.32 m", "0.03 m"] }]'
    (mass,) = read(SUPPORTS + SCALES + listed).masses

    assert mass.mass_kg == 1010


def test_a_mass_put_on_after_weighing_is_added():
    """Ballast that was not on the scales comes on top of the weighed truck."""
    ballast = (
        'masses = [{ name = "ballast", mass = "300 kg", at = ["1 m", "0 m"], on_scales = false }]'
    )
    masses = read(SUPPORTS + SCALES + ballast).masses

    assert [m.name for m in masses] == ["truck as weighed", "ballast"]
    assert sum(m.mass_kg for m in masses) == pytest.approx(1300)


LISTED = 'masses = [{{ mass = "{kg} kg", at = ["{x} m", "0.02 m"] }}]'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SUPPORTS, r"masses: is missing"),
        (SUPPORTS + "masses = []", r"masses: is missing"),
        (
            SUPPORTS + SCALES + LISTED.format(kg=1100, x=1.3),
            r"masses: .* won't do; together they are 1100 kg, but the scales leave 1000 kg",
        ),
        (
            SUPPORTS + SCALES + LISTED.format(kg=1000, x=1.4),
            r"balanced at x 1\.400 m, y 0\.020 m, but by the scales at x 1\.300 m, y 0\.028 m",
        ),
        (SUPPORTS + 'scales = { front_left = "3 kg" }', r"scales: .*'front_right' is missing"),
        (
            SUPPORTS + LISTED.format(kg=900, x=1.3) + '\nweighed_at = "0 deg"',
            r"masses: .*weighed_at and centre_y belong to scales or axles",
        ),
        (
            SUPPORTS + SCALES.replace("front_left", "front_lift"),
            r"scales: .*no support is called 'front_lift'; known: front_left",
        ),
        (SUPPORTS + SCALES.replace("270", "-270"), r"scales: .*does not read below zero"),
        (SUPPORTS + SCALES + 'centre_y = "0 m"', r"scales: .*leave centre_y out"),
        (SUPPORTS + AXLES.replace('centre_y = "0.03 m"', "") + SCALES, r"axles: .*leave axles out"),
        (SUPPORTS + AXLES.replace('centre_y = "0.03 m"', ""), r"axles: .*add centre_y"),
        (
            SUPPORTS + AXLES.replace('"2.5 m", mass', '"0 m", mass'),
            r"axles: .*two axles at least, at different places",
        ),
        (SUPPORTS + BOOM + SCALES, r"scales: .*add weighed_at"),
        (SUPPORTS + BOOM + AXLES, r"axles: .*add weighed_at"),
        (
            SUPPORTS + SCALES + BOOM.replace("100 kg", "1200 kg") + 'weighed_at = "180 deg"',
            r"scales: .*read 1000 kg, and the slewing and unsprung masses alone come to 1200 kg",
        ),
        (SUPPORTS + 'twist = "12 kN·m"', r"twist: '12 kN·m' won't do; a moment for each angle"),
        (SUPPORTS + "twist = 12", r"twist: 12 won't do; a quantity is text"),
        (SUPPORTS + 'twist = "0 kN·m/deg"', r"twist: .*above zero; leave it out"),
        (
            SUPPORTS.replace('"200 N/mm"', '"200 N/mm", droop = "20 mm"', 1),
            r"droop: .*give unsprung too",
        ),
        (SUPPORTS.replace('"200 N/mm"', '"200 N/mm", unsprung = "-1 kg"', 1), r"unsprung: "),
    ],
)
def test_a_mistake_is_told_in_one_line(text, words):
    """Each mistake names its key and says what would do."""
    with pytest.raises(FileInvalid, match=words) as told:
        read(text)

    assert "\n" not in str(told.value)


def test_twist_stiffness_for_each_angle():
    """A stiffness against twist is a moment for each degree or radian.

    Source: a radian is 180/π degrees.
    """
    mass = 'masses = [{ mass = "900 kg", at = ["1.2 m", "0 m"] }]\n'
    model = read(SUPPORTS + mass + 'twist = "12 kN·m/deg"')

    assert model.twist_nmprad == pytest.approx(12_000 * 180 / np.pi)
    assert parse_quantity("5 kN·m/rad", Kind.TWIST) == pytest.approx(5_000)
    assert parse_quantity("1 ft·lbf/deg", Kind.TWIST) == pytest.approx(1.3558179483 * 180 / np.pi)


def test_a_plain_table_stays_as_it_was_read():
    """Without the new keys the masses are those that stand in the file, and the frame is rigid."""
    model = read(SUPPORTS + 'masses = [{ name = "t", mass = "900 kg", at = ["1.2 m", "0 m"] }]')

    assert [(m.name, m.mass_kg, m.at_m) for m in model.masses] == [("t", 900.0, (1.2, 0.0))]
    assert model.twist_nmprad is None
    assert {(s.unsprung_kg, s.droop_m) for s in model.supports} == {(0.0, 0.0)}
