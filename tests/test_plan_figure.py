"""The plan's figure: weight against radius, on a page and on paper."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from dashboard.capacity.planning.plan_document import plan_document
from dashboard.figures.palette import DARK, LIGHT
from dashboard.figures.plan import plan_load_figure, plan_load_summary
from dashboard.figures.plan_curve import inside, plan_curve, ticks
from dashboard.figures.plan_svg import plan_svg
from logger.readings.chart_table import read_load_chart
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML
from tests.test_cli import slewtrace

CHART = "radius m,load kg\n2,2200\n3,1500\n4,1190\n4.5,1250\n5,900\n"
REACH_TOML = TEST_TOML.replace(
    'rated_moment = "45 kN·m"', 'rated_moment = "45 kN·m"\nreach = "5.4 m"'
)
FACTS = Path(__file__).parent / "check_values" / "facts.json"
SVG = "{http://www.w3.org/2000/svg}"


def document(text=REACH_TOML, chart=CHART):
    """The plan of a test file."""
    return plan_document(read_test(text), chart=read_load_chart(chart) if chart else None)


DOCUMENT = document()


def parsed(drawing):
    """The drawing's root element."""
    return ET.fromstring(drawing)  # noqa: S314 - it was drawn a line before


def contrast(one, other):
    """Contrast ratio of two hex colours (WCAG 2.2, as in facts.json)."""

    def luminance(colour):
        shares = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_of_contrast_is_the_published_one():
    """The vectors of facts.json (formula read on pages quoting WCAG 2.2)."""
    for vector in json.loads(FACTS.read_text())["display"]["wcag"]["vectors"]:
        assert contrast(vector["fg"], vector["bg"]) == pytest.approx(vector["ratio"], rel=1e-3)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_the_drawing_is_xml_whose_words_are_text_and_can_be_read(palette):
    """Title, axes, both radii, chart and reach stand in it as text, at 4.5 to 1 or better."""
    root = parsed(plan_svg(document(), palette))
    texts = list(root.iter(f"{SVG}text"))
    said = " | ".join(t.text for t in texts)

    for words in ("radius, m", "load, kg", "1400 kg at 3.88 m", "3.87 m", "crane's chart"):
        assert words in said
    assert "needs 53.10\u202fkN·m" in said
    assert "chart × 1.18" in said
    assert "beyond the reach, 5.40 m" in said
    for text in texts:
        fill = text.get("fill", root.get("fill"))
        assert contrast(fill, palette.ground) >= 4.5, text.text


def test_no_line_of_the_drawing_leaves_its_paper():
    """Curves and chart end at the axes; every place lies on the sheet."""
    root = parsed(plan_svg(document()))
    _, _, width, height = map(float, root.get("viewBox").split())

    drawn = 0
    for line in root.iter(f"{SVG}polyline"):
        for x, y in re.findall(r"([-\d.]+),([-\d.]+)", line.get("points")):
            assert 74 <= float(x) <= 796
            assert 104 <= float(y) <= 480
            drawn += 1
    for text in root.iter(f"{SVG}text"):
        assert 0 < float(text.get("x")) < width
        assert 0 < float(text.get("y")) < height
    assert drawn > 100


def test_a_plan_with_a_hostile_name_draws_no_element():
    """What a person writes is text in the drawing, whatever it holds."""
    text = TEST_TOML.replace('id = "Bench truck"', 'id = "<script>alert(1)</script>&\\u001b"')
    root = parsed(plan_svg(document(text, chart="")))

    assert not [e for e in root.iter() if "script" in e.tag]
    assert any("<script>" in (t.text or "") for t in root.iter(f"{SVG}text"))


def test_the_curve_is_the_required_moment():
    """Load times radius times g is M_q all along it; the planned point lies just above."""
    plan = document()
    curve = plan_curve(plan)

    for radius_m, load_kg in curve.bare:
        assert load_kg * 9.80665 * radius_m == pytest.approx(53_100, rel=1e-5)
    (bare, guarded) = curve.window.bare, curve.window.guarded
    assert all(g[1] > b[1] for g, b in zip(guarded, bare, strict=True))
    assert curve.planned == curve.window.planned == (3.88, 1400.0)
    assert curve.window.tested == (3.87, 1400.0)
    at_planned = min(guarded, key=lambda p: abs(p[0] - 3.88))
    assert at_planned[1] <= 1400.0 * (1 + 0.002)


@given(st.floats(2.0, 5.0))
def test_the_charts_steps_are_read_as_the_chart_is(radius_m):
    """Between two lines the drawn step is the lesser load, as the chart's own reading."""
    chart = read_load_chart(CHART)
    corners = plan_curve(DOCUMENT).chart
    level = [min(a[1], b[1]) for a, b in pairwise(corners) if a[0] < radius_m < b[0]]

    # On a line itself the chart reads that line, a hair to either side included.
    assume(all(abs(radius_m - row.radius_m) > 1e-5 for row in chart.rows))
    assert level == [chart.capacity_kg(radius_m)]


@given(
    st.lists(st.tuples(st.floats(-5, 15), st.floats(-500, 5000)), min_size=2, max_size=9),
)
def test_a_line_is_cut_at_the_frame(points):
    """Whatever the line, what is drawn lies inside; a line wholly inside stays as it is."""
    curve = plan_curve(DOCUMENT)
    line = tuple(dict.fromkeys(sorted(points)))
    drawn = inside(line, curve)
    (left, right), (low, high) = curve.x_m, curve.y_kg

    for x, y in drawn:
        assert left - 1e-6 <= x <= right + 1e-6
        assert low - 1e-6 <= y <= high + 1e-6
    whole = all(left <= x <= right and low <= y <= high for x, y in line)
    if whole and len(line) > 1:
        assert np.array(drawn) == pytest.approx(np.array(line), abs=1e-9)


@given(st.floats(0.1, 50), st.floats(0.05, 1e5), st.integers(3, 10))
def test_ticks_are_round_few_and_inside(start, length, about):
    """Between the ends, evenly apart, about as many as asked for."""
    found = ticks((start, start + length), about=about)
    gaps = {round((b - a) / length, 6) for a, b in pairwise(found)}

    assert all(start - 1e-6 <= t <= start + length + 1e-6 for t in found)
    assert len(found) <= about + 1
    assert len(gaps) <= 1 or max(gaps) - min(gaps) < 1e-4


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_the_figure_of_a_page_holds_curve_chart_reach_and_point(palette, narrow):
    """All of it is there by name, as plain JSON, in the colours of the scheme."""
    figure = plan_load_figure(document(), palette, narrow=narrow)
    names = [t["name"] for t in json.loads(figure.to_json())["data"]]

    assert {"crane's chart", "chart × 1.18", "guard", "other loads", "planned"} <= set(names)
    assert "beyond the reach, 5.40 m" in names
    planned = next(t for t in figure.data if t.name == "planned")
    assert (planned.x, planned.y) == ((3.88,), (1400.0,))
    assert figure.layout.font.color == palette.ink
    said = " ".join(a.text for a in figure.layout.annotations)
    assert "1400 kg at 3.88 m" in said
    bare = plan_load_figure(document(TEST_TOML, chart=""), palette)
    assert not any("chart" in t.name or "reach" in t.name for t in bare.data)


def test_the_summary_says_it_without_the_picture():
    """Required moment, load, radius and reach in words."""
    assert plan_load_summary(document()) == (
        "Load against radius for a moment of 53.10\u202fkN·m: 1\u202f400\u202fkg at 3.88\u202fm "
        "is planned. The crane reaches 5.40 m."
    )


@pytest.fixture
def yard(tmp_path):
    """A folder with a test file that names its chart."""
    text = REACH_TOML.replace('reach = "5.4 m"', 'reach = "5.4 m"\nchart = "chart.csv"')
    (tmp_path / "test.toml").write_text(text)
    (tmp_path / "chart.csv").write_text(CHART)
    return tmp_path


def test_the_command_draws_and_finds_the_chart_beside_the_test_file(yard):
    """--figure writes the drawing; [crane] chart is looked for where the test file lies."""
    done = slewtrace("plan", "--test", yard / "test.toml", "--figure", yard / "plan.svg", "--json")
    plan = json.loads(done.stdout)

    assert (yard / "plan.svg").read_text() == plan_svg(plan)
    assert [c["value"] for c in plan["checks"] if c["code"] == "chart"] == [
        pytest.approx(100 * 1400 / 1190)
    ]
    assert plan["table"][2]["chart_kg"] == 1190


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--figure", "plan.png"), "ends in .svg"),
        (("--figure", "nowhere/plan.svg"), "can't be written"),
        (("--chart", "none.csv"), "none.csv: there is no such file"),
        (("--resolution", "0 deg"), "above 0"),
        (("--resolution", "1 m"), "an angle above 0"),
    ],
)
def test_a_wrong_option_of_the_plan_is_one_line(yard, words, says):
    """A wrong ending, folder, chart or angle: one line, exit 2, nothing on standard output."""
    name, value = words
    value = yard / value if name != "--resolution" else value
    done = slewtrace("plan", "--test", yard / "test.toml", name, value, code=2)

    (line,) = done.stderr.strip().splitlines()
    assert says in line
    assert done.stdout == ""


def test_options_of_the_slew_rate_reach_the_plan(yard):
    """--contact-hz and --resolution are what the rate is reckoned from."""
    words = ("--contact-hz", "50", "--resolution", "0.05 deg", "--json")
    plan = json.loads(slewtrace("plan", "--test", yard / "test.toml", *words).stdout)

    (pace,) = plan["slewing"]["by_contacts"]
    assert pace["advised_dps"] == pytest.approx(0.05 / (1 / 50 + 0.005))
