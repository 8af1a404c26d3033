"""The truck model's answer as text and figures, and the command that shows them."""

import json
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings

from dashboard.capacity.truck.truck_model import model_result
from dashboard.cli.model_text import model_text
from dashboard.figures.model import model_summary, reactions_figure, tipping_figure
from dashboard.figures.model_lines import DASHES, reaction_lines, stretches, tipping_lines
from dashboard.figures.model_svg import model_svg
from dashboard.figures.palette import DARK, LIGHT
from logger.readings.test_file import read_test
from tests.made_trucks import loads, radii, trucks
from tests.test_cli import in_this_process

TEST_TOML = """
[test]
id = "t-7"
[truck]
id = "Invented <truck> & Co"
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
[crane]
rated_moment = "10 kN·m"
[load]
parts = [{ name = "block", mass = "500 kg" }]
[model]
column = ["0 m", "0 m"]
masses = [{ mass = "1000 kg", at = ["0 m", "-0.1 m"] }]
supports = [
  { name = "front_left", kind = "wheel", at = ["2 m", "1 m"], stiffness = "100 N/mm" },
  { name = "front_right", kind = "wheel", at = ["2 m", "-1 m"], stiffness = "100 N/mm" },
  { name = "rear_left", kind = "wheel", at = ["-2 m", "1 m"], stiffness = "100 N/mm" },
  { name = "rear_right", kind = "wheel", at = ["-2 m", "-1 m"], stiffness = "100 N/mm" },
]
"""
SVG = "{http://www.w3.org/2000/svg}"


def document(*, load_kg=440.0, radius_m=3.0, toml=TEST_TOML, step_deg=1.0):
    return model_result(read_test(toml), radius_m=radius_m, load_kg=load_kg, step_deg=step_deg)


# ------------------------------------------------------------------ the document


def test_edges_and_the_least_of_them():
    """The document names each edge's supports; their least is the tipping load.

    By hand: over the side 1,000 kg with 1 m of lever hold 500 kg with 2 m; the mass stands 0.1 m
    to the right, so it is 0.9 m and 450 kg.
    """
    found = document()
    at = found["slew_deg"].index(90.0)
    edge = next(
        e for e in found["tipping_edges"] if set(e["supports"]) == {"front_right", "rear_right"}
    )

    assert len(found["tipping_edges"]) == 4
    assert edge["load_kg"][at] == pytest.approx(450.0)
    assert found["tipping_load_kg"][at] == pytest.approx(450.0)
    assert found["least_tipping"]["load_kg"] == pytest.approx(450.0)
    assert found["least_tipping"]["times_test_load"] == pytest.approx(450 / 440)
    assert edge["load_kg"][found["slew_deg"].index(-90.0)] is None
    assert found["truck_kg"] == 1000.0
    assert found["overturns"] == []
    assert found["twist_deg"] is None


def test_where_it_overturns_is_said():
    """Stretches without balance are listed, and their reactions are null.

    By hand: with 500 kg at 3 m the centre of masses is beyond 1 m to the right where
    100 + 1,500 sin ψ > 1,500, from 69.0° on.
    """
    found = document(load_kg=500.0)
    (stretch,) = found["overturns"]

    assert stretch == [69.0, 111.0]
    assert found["reactions_n"][found["slew_deg"].index(69.0)] == [None] * 4
    assert None not in found["reactions_n"][found["slew_deg"].index(68.0)]


def test_the_twist_is_in_the_document():
    """A frame with a stiffness against twist says how far it twists, to the load's side."""
    toml = TEST_TOML.replace("masses = [{ mass", 'twist = "1 kN·m/deg"\nmasses = [{ mass')
    twist = document(toml=toml, load_kg=100.0)["twist_deg"]

    assert len(twist) == 361
    assert twist[180] == pytest.approx(0, abs=1e-9)
    # The column stands in the middle: what it does to the rear it does to the front.
    assert max(abs(t) for t in twist) == pytest.approx(0, abs=1e-9)


# ------------------------------------------------------------------ text


def test_text_says_what_a_person_needs():
    """Load, reactions, lifts, the least margin and that first lift is not tipping."""
    text = model_text(document(load_kg=440.0))
    flat = " ".join(text.split())

    assert "440 kg at 3.00 m" in flat
    assert "right front left, at 38.7°" in flat
    assert "left no wheel lifts, to 180°" in flat
    assert "tips at 450 kg, 1.02 × the test load, at 90° right, over the edge from" in flat
    assert "rear right and front right" in flat
    assert "First lift is not tipping: it comes well before." in flat
    assert "Advisory instrument" in flat
    # By hand over the rear: 1,440 kg, 1,320 kg·m to the rear, 100 kg·m to the right, so
    # g · (360 − 165 − 25) under the front left, g · (360 + 165 + 25) under the rear right; the
    # lift is where 330 cos ψ + 660 sin ψ + 50 = 720.
    assert "front left wheel 1.7 open" in flat
    assert "rear right wheel 5.4" in flat


def test_text_tells_of_overturning_and_of_no_lift():
    """The text warns where nothing balances, and says where no wheel lifts and nothing tips."""
    over = " ".join(model_text(document(load_kg=500.0)).split())
    near = model_text(document(load_kg=400.0, radius_m=0.5))

    assert "OVERTURNS from 69° right to 111° right" in over
    assert "do not hang it" in over
    assert near.count("no wheel lifts, to 180°") == 2
    assert "no load at this radius can tip the truck" in near
    assert "OVERTURNS" not in near


def test_three_supports_have_no_reserve():
    """On three supports the text does not claim that first lift comes before tipping."""
    lines = [line for line in TEST_TOML.splitlines() if 'name = "front_right"' not in line]
    toml = "\n".join(lines)
    text = model_text(document(toml=toml, load_kg=10.0, radius_m=0.1))

    assert "On three supports there is no reserve" in text
    assert "First lift is not tipping" not in text


@settings(max_examples=30, deadline=None)
@given(model=trucks(whole=True), load=loads, radius=radii)
def test_any_truck_can_be_shown(model, load, radius):
    """Text stays within 80 columns and figures are whole, whatever the truck."""
    test = read_test(TEST_TOML).model_copy(update={"model": model})
    found = model_result(test, radius_m=radius, load_kg=load, step_deg=15)
    svg = model_svg(found)
    back = json.loads(json.dumps(found, allow_nan=False))

    assert max(map(len, model_text(found).splitlines())) <= 80
    assert ET.fromstring(svg).tag == f"{SVG}svg"  # noqa: S314 - our own text
    assert "nan" not in svg
    assert back == found


# ------------------------------------------------------------------ figures


def texts(svg):
    root = ET.fromstring(svg)  # noqa: S314 - our own text
    return [t.text for t in root.iter(f"{SVG}text")]


def test_the_svg_holds_its_words_as_text():
    """Supports, lifts, axes and the title can be read in the file; nothing breaks its markup."""
    svg = model_svg(document(), title="Invented <truck> & Co")
    words = texts(svg)

    assert {"front left", "front right", "rear left", "rear right"} <= set(words)
    assert "Invented <truck> & Co" in words
    assert {"reaction, kN", "load, kg", "0° rear", "90° right", "test load 440 kg"} <= set(words)
    assert "front left lifts, 38.7° right" in words
    assert "First lift is not tipping" in words[-1]


def test_the_curves_are_where_the_numbers_are():
    """A reaction's polyline runs through its values on the paper's scale."""
    found = document(load_kg=0.0, radius_m=0.0)
    root = ET.fromstring(model_svg(found))  # noqa: S314 - our own text
    lines = list(root.iter(f"{SVG}polyline"))[:4]
    heights = [{float(p.split(",")[1]) for p in line.get("points").split()} for line in lines]
    # 250 kg ± 25 on each corner; the top of the panel, 112 of 490, is 1.12 times the greatest.
    right, left = 490 - 378 / 1.12, 490 - 378 / 1.12 * 225 / 275

    assert [h for one in heights for h in one] == pytest.approx([left, right] * 2, abs=0.011)


def test_lines_differ_without_colour():
    """Supports of one kind have different dashes, and each visible line has its name on it."""
    lines = reaction_lines(document())

    assert len({(line.group, line.dash) for line in lines.lines}) == 4
    assert all(line.label is not None for line in lines.lines)
    assert len(set(DASHES)) == len(DASHES)


def test_labels_stand_on_their_lines():
    """Where a name is written its line has a value; an edge's name is at its least load."""
    lines = tipping_lines(document())
    for line in lines.lines:
        if line.label is not None:
            assert line.values[line.label] == np.nanmin(line.values)

    names = {line.name for line in lines.lines}
    assert "over rear right – front right" in names


def test_gaps_are_not_bridged():
    """A line is drawn in stretches; numbers beside nothing are none."""
    values = np.array([1.0, 2.0, np.nan, 3.0, np.nan, 4.0, 5.0, 6.0])

    assert stretches(values) == [slice(0, 2), slice(5, 8)]
    assert stretches(np.full(3, np.nan)) == []


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("narrow", [False, True], ids=["wide", "narrow"])
def test_figures_for_a_page(palette, narrow):
    """Figures hold a trace a support with its dash, lifts marked, overturning barred in words."""
    found = document(load_kg=500.0)
    reactions = json.loads(reactions_figure(found, palette, narrow=narrow).to_json())
    tipping = json.loads(tipping_figure(found, palette, narrow=narrow).to_json())
    words = " ".join(a["text"] for a in reactions["layout"]["annotations"])
    dashes = [t["line"]["dash"] for t in reactions["data"][:4]]
    marks = reactions["data"][-1]

    assert len(set(dashes)) == 4
    assert marks["name"] == "first lift"
    assert sorted(marks["x"]) == pytest.approx(
        sorted(lift["slew_deg"] for lift in found["first_lift"].values() if lift)
    )
    assert words.count("overturns") == 1
    assert words.count("lifts") == len(marks["x"])
    assert ("front left" in words.replace("front left lifts", "")) is not narrow
    assert "test load" in " ".join(a["text"] for a in tipping["layout"]["annotations"])


def test_the_figures_in_sentences():
    """The summary says what the figures show."""
    words = model_summary(document(load_kg=500.0))

    assert "front left lifts first" in words
    assert "overturns between" in words
    assert "over rear right – front right" in words
    assert "No load at this radius" in model_summary(document(radius_m=0.5))


# ------------------------------------------------------------------ the command


@pytest.fixture
def toml(tmp_path):
    path = tmp_path / "test.toml"
    path.write_text(TEST_TOML, encoding="utf-8")
    return path


def test_the_command_prints_and_draws(toml, tmp_path):
    """The command prints the text and writes the figure."""
    figure = tmp_path / "model.svg"
    words = ["model", "--test", str(toml), "--radius", "3 m", "--load", "430 kg"]
    done = in_this_process([*words, "--figure", str(figure)])

    assert done.returncode == 0
    assert "tips at 450 kg" in done.stdout
    assert "Truck model: Invented <truck> & Co, test t-7" in texts(figure.read_text("utf-8"))


def test_the_command_prints_json(toml):
    """With --json the command prints the document and nothing else."""
    done = in_this_process(["model", "--test", str(toml), "--radius", "3 m", "--json"])

    assert json.loads(done.stdout)["format"] == "slewtrace.model/1"
    assert json.loads(done.stdout)["load_kg"] == 500.0


def test_a_figure_that_cannot_be_written(toml, tmp_path):
    """A folder that is not there is told in one line, exit 2, before anything is printed."""
    figure = tmp_path / "nowhere" / "model.svg"
    done = in_this_process(
        ["model", "--test", str(toml), "--radius", "3 m", "--figure", str(figure)]
    )

    assert done.returncode == 2
    assert "--figure" in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_a_control_character_in_a_name_leaves_the_picture_readable():
    """XML knows no control characters: a name with one still gives a picture that opens."""
    picture = model_svg(document(), title="Truck\x07 7")

    assert ET.fromstring(picture).tag == f"{SVG}svg"  # noqa: S314 - our own picture
