"""Figures of the printed sheet: they say the same in black and white, and lose nothing short."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from dashboard.figures.load_chart_svg import load_chart_svg
from dashboard.figures.readings import Readings, Trace, Wheel
from dashboard.figures.sectors_of_result import sectors_of
from dashboard.figures.sectors_svg import PLACARD_INK, RECORD_INK, sectors_svg
from dashboard.figures.traces_svg import traces_svg
from dashboard.figures.units import SI, US
from logger.readings.chart_table import read_load_chart
from logger.readings.spans import Spans

SVG = "{http://www.w3.org/2000/svg}"
SECOND_NS = 10**9


def result(*sectors, lift_deg=None):
    """A result with sectors (side, from, to, percent, basis)."""
    keys = ("side", "from_deg", "to_deg", "percent", "basis")
    lift = None if lift_deg is None else {"wheel": "rear_left", "slew_deg": lift_deg}
    return {
        "sectors": [dict(zip(keys, s, strict=True)) for s in sectors],
        "sweeps": [{"side": "right", "counts": True, "first_lift": lift}],
    }


USUAL = (
    ("right", 0, 74, 100, "proved"),
    ("right", 74, 80, 90, "reduced"),
    ("right", 80, 171, 85.5, "reduced"),
    ("right", 171, 180, 0, "untested"),
    ("left", 0, 167, 100, "proved"),
    ("left", 167, 180, 0, "untested"),
)


def texts(svg):
    return [t.text for t in ET.fromstring(svg).iter(f"{SVG}text")]  # noqa: S314 - our own


def places(svg, words):
    """Where a text stands: x and y."""
    return [
        (float(t.get("x")), float(t.get("y")))
        for t in ET.fromstring(svg).iter(f"{SVG}text")  # noqa: S314 - our own
        if t.text == words
    ]


@pytest.mark.parametrize("ink", [RECORD_INK, PLACARD_INK], ids=["record", "placard"])
def test_the_plan_says_every_sector_in_words(ink):
    """Percentage and basis of each, narrow ones beside the ring, no lifting over the cab."""
    said = texts(sectors_svg(result(*USUAL), ink))

    assert said.count("100 %") == 2
    assert "85.5 %" in said
    assert "90 % reduced" in said
    assert "74° to 80°" in said
    assert {"NO LIFTING", "over the cab, untested", "171°", "167°", "0° over the rear"} <= set(said)


def test_right_is_right_and_the_cab_is_at_the_top():
    """Bounds stand on their own side; the rear is below the cab."""
    svg = sectors_svg(
        result(
            ("right", 0, 90, 100, "proved"),
            ("right", 90, 180, 80, "reduced"),
            ("left", 0, 45, 100, "proved"),
            ("left", 45, 180, 80, "reduced"),
        )
    )
    ((right_x, right_y),) = places(svg, "90°")
    ((left_x, left_y),) = places(svg, "45°")

    assert right_x > 100
    assert abs(right_y) < 10
    assert left_x < -60
    assert left_y > 60
    assert places(svg, "CAB")[0][1] < places(svg, "rear")[0][1]


def test_the_placard_has_no_colour_and_tells_bases_apart_by_hatch():
    """Black and white only; each basis is filled in its own way; no mark of a lift."""
    svg = sectors_svg(result(*USUAL, lift_deg=74.2), PLACARD_INK)
    filled = [
        (p.get("fill"), p.get("stroke"))
        for p in ET.fromstring(svg).iter(f"{SVG}path")  # noqa: S314 - our own
    ]

    assert set(re.findall(r"#[0-9a-f]{3,6}\b", svg)) <= {"#000000", "#ffffff", "#fff"}
    assert filled.count(("#ffffff", "#000000")) == 4
    assert filled.count(("#000000", "#000000")) == 2
    assert filled.count(("url(#reduced)", None)) == 2
    assert "<polygon" not in svg
    assert "<polygon" in sectors_svg(result(*USUAL, lift_deg=74.2), RECORD_INK)


def test_many_narrow_sectors_keep_their_words_apart():
    """Words beside the ring do not touch, nor leave the picture."""
    steps = [("right", 8 * i, 8 * i + 8, 100 - i, "reduced") for i in range(11)]
    svg = sectors_svg(result(*steps, ("right", 88, 180, 0, "untested")))
    heights = sorted(y for i in range(11) for _, y in places(svg, f"{100 - i} % reduced"))

    assert len(heights) == 11
    assert min(np.diff(heights)) > 17
    assert -138 < heights[0] < heights[-1] < 118


def test_a_run_without_sectors_says_no_lifting():
    """An empty ring is never left to be guessed at."""
    assert "NO LIFTING" in texts(sectors_svg(result()))


def trace(value, *, stale_after_ns=2 * SECOND_NS):
    value = np.asarray(value, np.float64)
    t_ns = np.arange(value.size, dtype=np.int64) * (100 * SECOND_NS // value.size)
    return Trace(t_ns=t_ns, value=value, stale_after_ns=stale_after_ns)


def readings(load, **wheel):
    """100 s with one wheel."""
    told = {"open_ns": np.empty((0, 2), np.int64), "unknown": Spans.of([])} | wheel
    return Readings(
        span_ns=(0, 100 * SECOND_NS),
        slew=None,
        load=load,
        radius=None,
        wheels=(Wheel(name="rear_left", **told),),
        hanging=Spans.of([(10 * SECOND_NS, 90 * SECOND_NS)]),
        grounded=Spans.of([]),
        test_load_kg=1400.0,
    )


def test_traces_keep_a_spike_and_a_short_opening():
    """One reading of 100,000 that stands out is drawn; an opening of 1 ms is as wide as a hair."""
    load = np.full(100_000, 1400.0)
    load[43_210] = 900.0
    opened = np.array([[50 * SECOND_NS, 50 * SECOND_NS + 10**6]], np.int64)
    svg = traces_svg(readings(trace(load), open_ns=opened), SI, said="all & more")
    root = ET.fromstring(svg)  # noqa: S314 - our own
    (line,) = root.iter(f"{SVG}polyline")
    heights = [float(p.split(",")[1]) for p in line.get("points").split()]
    bars = [r for r in root.iter(f"{SVG}rect") if r.get("fill") == "#b3201a"]

    assert max(heights) - min(heights) > 70
    assert len(heights) < 1300
    assert [float(b.get("width")) for b in bars] == [1.2]
    assert root.find(f"{SVG}title").text == "all & more"


def test_traces_show_silence_and_units():
    """A silent stretch breaks the line; an unknown contact has a broken line; lb are lb."""
    load = trace(np.full(1000, 453.59237))
    load = Trace(
        t_ns=np.concatenate((load.t_ns[:500], load.t_ns[600:])),
        value=load.value[100:],
        stale_after_ns=SECOND_NS,
    )
    unknown = Spans.of([(20 * SECOND_NS, 30 * SECOND_NS)])
    svg = traces_svg(readings(load, unknown=unknown), US, said="x")

    assert svg.count("<polyline") == 2
    assert 'stroke-dasharray="3 3"' in svg
    assert {"lb", "rear left", "load hanging"} <= set(texts(svg))
    assert "1000" in texts(svg)


def test_the_chart_steps_down_at_the_nearer_radius():
    """Between two radii the curve is that of the next larger one, derated and rounded down."""
    chart = read_load_chart("radius m,load kg\n2,1000\n3,801\n4,500\n", name="c")
    svg = load_chart_svg(chart, sectors_of(result(("right", 0, 180, 50, "reduced"))), SI)
    (path,) = re.findall(r'<path d="M([\d.]+) ([\d.]+) (.*?)"', svg)
    steps = re.findall(r"V([\d.]+) H([\d.]+)", path[2])
    heights = [250.0 - float(path[1])] + [250.0 - float(y) for y, _ in steps]

    assert [h / heights[0] for h in heights] == pytest.approx([1, 400 / 500, 250 / 500], abs=1e-3)
    assert "50 %" in texts(svg)
    assert "radius, m" in texts(svg)
