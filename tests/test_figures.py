"""Figures: what a run and a result look like, as data."""

from __future__ import annotations

import base64
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.envelope import encode, envelope, stretches
from dashboard.figures.moments import moments_of
from dashboard.figures.overview import overview_of
from dashboard.figures.palette import DARK, LIGHT
from dashboard.figures.readings import Readings, Trace, Wheel, openings
from dashboard.figures.replay_copy import replay_copy
from dashboard.figures.sectors import sectors_figure
from dashboard.figures.sectors_of_result import sectors_summary
from dashboard.figures.trace_windows import window_of
from dashboard.figures.traces import traces_figure, traces_summary
from dashboard.figures.truck_outline import outline_of
from dashboard.figures.units import SI, US
from dashboard.figures.words import (
    angle_words,
    clock_words,
    drawn_name,
    duration_words,
    number_words,
)
from logger.readings.spans import Spans
from logger.readings.test_file import read_test
from logger.recording.header import Note

SECOND = 1_000_000_000
RESULT = {
    "plan": {
        "test_load_kg": 1400.0,
        "moment_factor": 1.18,
        "required_moment_nm": 53100.0,
        "test_radius_m": 3.87,
    },
    "sweeps": [
        {
            "side": "right",
            "start_s": 31.2,
            "end_s": 140.9,
            "reached_deg": 171.6,
            "first_lift": {
                "wheel": "rear_left",
                "t_s": 75.31,
                "slew_deg": 74.6,
                "slew_low_deg": 74.2,
                "slew_high_deg": 74.9,
            },
            "lifts": [],
            "radius_changes": [
                {
                    "t_s": 92.0,
                    "slew_deg": 74.9,
                    "from_m": 3.87,
                    "to_m": 3.49,
                    "by": "sensor",
                    "set_down": True,
                }
            ],
            "holds": [],
        }
    ],
    "sectors": [
        {"side": "right", "from_deg": 0, "to_deg": 74, "percent": 100, "basis": "proved"},
        {"side": "right", "from_deg": 74, "to_deg": 171, "percent": 90, "basis": "reduced"},
        {"side": "right", "from_deg": 171, "to_deg": 180, "percent": 0, "basis": "untested"},
        {"side": "left", "from_deg": 0, "to_deg": 180, "percent": 0, "basis": "untested"},
    ],
    "findings": [
        {"code": "load_not_hanging", "severity": "invalid", "t_s": 50.0, "text": "<b>bad</b>"},
        {"code": "sweep_incomplete", "severity": "caution", "t_s": None, "text": "left"},
    ],
}
NAMES = ("front_left", "front_right", "rear_left", "rear_right")
TEST_TOML = """
[test]
id = "t"
[truck]
id = "T"
wheels = [{wheels}]
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{{ name = "block", mass = "1400 kg" }}]
"""


def trace(t_s, value, *, stale_after_s=1.0):
    """A trace from seconds and values."""
    return Trace(
        t_ns=np.round(np.asarray(t_s) * SECOND).astype(np.int64),
        value=np.asarray(value, np.float64),
        stale_after_ns=round(stale_after_s * SECOND),
    )


def made_readings(*, open_ns=((75_310_000_000, 75_310_500_000),)):
    """A right sweep of 141 s in which one wheel opens."""
    t_s = np.arange(0, 141, 0.02)
    return Readings(
        span_ns=(0, 141 * SECOND),
        slew=trace(t_s, np.clip(t_s - 1, 0, 171)),
        load=trace(t_s, np.full(t_s.size, 1400.0)),
        radius=trace(t_s, np.where(t_s < 92, 3.87, 3.49)),
        wheels=tuple(
            Wheel(
                name=n,
                open_ns=np.array(open_ns if n == "rear_left" else (), np.int64).reshape(-1, 2),
                unknown=Spans.of([(10 * SECOND, 12 * SECOND)] if n == "front_left" else []),
            )
            for n in NAMES
        ),
        hanging=Spans.of([(5 * SECOND, 80 * SECOND), (95 * SECOND, 141 * SECOND)]),
        grounded=Spans.of([(0, 5 * SECOND), (80 * SECOND, 95 * SECOND)]),
        test_load_kg=1400.0,
    )


def drawn(readings):
    """What the traces of a run are drawn from."""
    overview = overview_of(readings)
    return overview, moments_of(RESULT, overview)


@pytest.mark.parametrize(
    "wheels",
    [
        ("front_left", "front_right", "rear_left", "rear_right"),
        ("axle1_left", "axle1_right", "axle2_left", "axle2_right", "axle3_left", "axle3_right"),
        ("rear_left_inner", "rear_left_outer", "front_left", "front_right"),
        ("a", "b", "c"),
        ("p1", "p2"),
    ],
)
def test_a_truck_without_a_model_is_drawn_with_every_wheel_apart(wheels):
    """Any set of wheel names gives a drawing in which no wheel hides another."""
    names = ", ".join(f'"{w}"' for w in wheels)
    outline = outline_of(read_test(TEST_TOML.format(wheels=names)))

    assert len(set(outline.wheels)) == len(wheels)
    assert not outline.to_scale
    for name, (_, y) in zip(wheels, outline.wheels, strict=True):
        if "left" in name:
            assert y > 0
        if "right" in name:
            assert y < 0


@given(
    st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=400),
    st.sampled_from([10, 20, 50]),
)
def test_no_extreme_is_lost_in_the_envelope(values, points):
    """However few points are drawn, the smallest and the largest reading are among them."""
    whole = trace(np.arange(len(values)), values)
    _, y = envelope(whole, start_ns=0, end_ns=len(values) * SECOND, points=points)

    assert np.nanmin(y) == np.float32(min(values))
    assert np.nanmax(y) == np.float32(max(values))
    assert np.isfinite(y).sum() <= points + 2


def test_the_line_breaks_where_the_readings_stop():
    """A silence longer than stale_after is no straight line between its ends."""
    t_s = np.concatenate((np.arange(0, 100, 0.01), np.arange(130, 200, 0.01)))
    x, y = envelope(trace(t_s, np.sin(t_s)), start_ns=0, end_ns=200 * SECOND, points=100)

    (breaks,) = np.nonzero(np.isnan(y))
    assert breaks.size == 1
    assert x[breaks[0] - 1] == pytest.approx(99.99)
    assert x[breaks[0] + 1] == pytest.approx(130)


def test_zooming_in_shows_every_reading():
    """A stretch with fewer readings than points is drawn reading by reading, at its own times."""
    t_s = np.arange(0, 1000, 0.001)
    x, y = envelope(trace(t_s, t_s), start_ns=500 * SECOND, end_ns=501 * SECOND)

    assert np.diff(x) == pytest.approx(0.001)
    assert x[0] <= 500
    assert x[-1] >= 501
    assert y[1] == pytest.approx(500.0)


@given(st.lists(st.booleans(), max_size=60))
def test_openings_match_a_slow_twin(closed):
    """Every run of open readings gives one stretch, from its first to the next closed reading."""
    t_ns = np.arange(len(closed), dtype=np.int64) * 10
    slow, start = [], None
    for t, is_closed in zip(t_ns.tolist(), closed, strict=True):
        if not is_closed and start is None:
            start = t
        elif is_closed and start is not None:
            slow.append((start, t))
            start = None
    if start is not None:
        slow.append((start, int(t_ns[-1]) + 1))

    assert openings(t_ns, np.array(closed, bool)).tolist() == [list(s) for s in slow]


def test_an_opening_of_one_reading_is_drawn_at_every_zoom():
    """Half a millisecond in 141 s gets a bar at its own time and a tick of fixed width."""
    readings = made_readings()
    *_, bars, ticks = window_of(readings, 0, 141, SI)

    assert bars[0][:2].tolist() == [75.31, 75.3105]
    assert ticks[0].tolist() == [75.31]
    assert ticks[1].tolist() == [2.0]


def test_no_opening_is_lost_where_many_are_joined():
    """Openings nearer than a column are joined, never dropped."""
    start = np.arange(0, 50_000, 1, dtype=np.int64) * 1_000_000
    spans = np.column_stack((start, start + 10))
    seen = stretches(spans, start_ns=0, end_ns=int(start[-1]) + 100, most=500)

    assert seen.shape[0] <= 501
    assert seen[0, 0] == 0
    assert seen[-1, 1] == spans[-1, 1]
    inside = [np.any((seen[:, 0] <= a) & (b <= seen[:, 1])) for a, b in spans[::997]]
    assert all(inside)


def test_encoded_arrays_are_little_endian_and_typed():
    """plotly.js reads the bytes as they are: type and order must be right."""
    packed = encode(np.array([1.5, -2.0], np.float32))

    assert packed["dtype"] == "f4"
    assert np.frombuffer(base64.b64decode(packed["bdata"]), "<f4").tolist() == [1.5, -2.0]


def test_traces_have_a_row_for_each_channel_and_lanes_with_words():
    """Lanes of moments and contacts are named; nothing is told by colour alone."""
    readings = made_readings()
    figure = traces_figure(*drawn(readings), LIGHT)
    lanes = [axis.ticktext for axis in figure.select_yaxes() if axis.ticktext]

    assert [s.name for s in figure.data[:3]] == ["slew", "load", "radius"]
    assert lanes[0] == ("Lifts", "Load", "Radius", "Notes")
    assert lanes[-1] == ("front left", "front right", "rear left", "rear right")


def test_words_from_files_stay_out_of_figures():
    """Plotly reads markup in labels: a finding's text is shown beside the figure instead."""
    readings = made_readings()
    figure = traces_figure(*drawn(readings), LIGHT)

    assert "<b>bad</b>" not in figure.to_json()


def test_a_run_without_load_radius_or_moments_still_has_traces():
    """Missing channels leave rows out and break nothing."""
    whole = made_readings()
    bare = Readings(
        span_ns=whole.span_ns,
        slew=whole.slew,
        load=None,
        radius=None,
        wheels=(),
        hanging=Spans(),
        grounded=Spans(),
        test_load_kg=1400.0,
    )
    figure = traces_figure(overview_of(bare), (), DARK)

    assert [s.name for s in figure.data if s.name not in ("Lifts", "Load", "Radius", "Notes")] == [
        "slew",
        "other slew",
    ]
    assert "slew from 0.0\u202f° to 140.0\u202f°" in traces_summary(overview_of(bare), ())


def test_figures_of_long_runs_stay_small():
    """2 million readings give a figure and a copy to replay of some 100 kB each."""
    t_s = np.arange(0, 2000, 0.001)
    whole = made_readings()
    long = Readings(
        span_ns=(0, 2000 * SECOND),
        slew=trace(t_s, np.sin(t_s)),
        load=trace(t_s, np.cos(t_s * 30)),
        radius=None,
        wheels=whole.wheels,
        hanging=whole.hanging,
        grounded=whole.grounded,
        test_load_kg=1400.0,
    )

    overview = overview_of(long)
    assert len(traces_figure(overview, (), LIGHT).to_json()) < 120_000
    assert len(json.dumps(replay_copy(overview, SI))) < 120_000


def test_percentage_and_basis_are_written_for_every_sector():
    """The figure says everything in words: percentages, bases, bounds, and no lifting."""
    words = [a.text for a in sectors_figure(RESULT, LIGHT).layout.annotations]
    text = " ".join(words)

    assert sum("proved" in w for w in words) == 1
    assert sum("reduced" in w for w in words) == 1
    assert sum("no lifting" in w and "untested" in w for w in words) == 2
    assert "100 %" in text
    assert "90 %" in text
    assert {"74°", "171°"} <= set(words)


def test_bases_differ_by_hatch_not_only_by_colour():
    """Printed in black and white, proved, reduced and untested still look different."""
    wedges = {s.name: s.fillpattern.shape for s in sectors_figure(RESULT, LIGHT).data[:4]}

    assert wedges["right proved"] is None
    assert wedges["right reduced"] == "/"
    assert wedges["right untested"] == "x"


def test_right_sectors_lie_on_the_right():
    """The right side of the truck, cab up, is the right of the figure."""
    figure = sectors_figure(RESULT, LIGHT)

    assert np.mean(figure.data[1].x) > 0
    assert np.mean(figure.data[3].x) < 0


def test_nothing_swept_is_said_in_words():
    """No sectors at all still gives a figure and a sentence."""
    empty = {**RESULT, "sectors": [], "sweeps": []}

    assert any("no lifting" in a.text for a in sectors_figure(empty, LIGHT).layout.annotations)
    assert "no lifting" in sectors_summary(empty)


def test_moments_come_in_order_and_name_the_wheel():
    """First lift, radius change, set-downs and findings, by time."""
    moments = moments_of(RESULT, overview_of(made_readings()))

    assert [m.t_s for m in moments] == sorted(m.t_s for m in moments)
    assert [m.kind for m in moments if m.t_s in (75.31, 92.0, 50.0)] == [
        "finding",
        "first_lift",
        "radius_change",
    ]
    assert "rear left lifted at 74.6° right" in [m.words for m in moments]


def test_notes_are_moments_but_their_words_stay_out_of_figures():
    """A tape reading and a remark are listed at their time; markup in them is never drawn."""
    notes = (
        Note(t_ns=20 * SECOND, kind="radius", value_m=3.9, text="<b>tape</b>"),
        Note(t_ns=30 * SECOND, kind="text", text="<i>gust</i>"),
    )
    overview = overview_of(made_readings())
    moments = moments_of(RESULT, overview, notes)

    assert [m.words for m in moments if m.kind == "note"] == [
        "radius 3.90\u202fm by tape <b>tape</b>",
        "<i>gust</i>",
    ]
    assert "gust" not in traces_figure(overview, moments, LIGHT).to_json()
    us = [m.words for m in moments_of(RESULT, overview, notes, US) if m.kind == "note"]
    assert (
        us[0] == "radius 12.80\u202fft by tape <b>tape</b>"
    )  # 3.9 m / 0.3048, exact by NIST SP 811


def test_names_from_files_are_drawn_as_text_and_short():
    """Markup is no markup, marks that turn the writing round go, and a long name is cut."""
    assert drawn_name("rear_left") == "rear left"
    assert drawn_name("<b>x</b>") == "&lt;b&gt;x&lt;/b&gt;"
    assert drawn_name("\u202ea_b\n") == "a b"
    assert len(drawn_name("L" * 200)) < 30


def luminance(colour):
    """Relative luminance, WCAG 2.2 (from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio, WCAG 2.2 (from memory)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_stands_out_from_its_ground(palette):
    """Contrast of text is 4.5 or better in both schemes, 7 for the words that decide."""
    assert contrast("#ffffff", "#767676") == pytest.approx(
        4.54, abs=0.01
    )  # WebAIM's well-known pair
    assert contrast(palette.ink, palette.ground) >= 7
    assert contrast(palette.muted, palette.ground) >= 4.5
    assert contrast(palette.act, palette.ground) >= 4.5
    for ink, fill in (
        (palette.safe_ink, palette.safe),
        (palette.abnormal_ink, palette.abnormal),
        (palette.barred_ink, palette.barred),
    ):
        assert contrast(ink, fill) >= 7


@pytest.mark.parametrize(
    ("written", "wanted"),
    [
        (angle_words(74.64), "74.6° right"),
        (angle_words(-96.06), "96.1° left"),
        (angle_words(-0.04), "0.0° rear"),
        (angle_words(float("nan")), "—"),
        (clock_words(125.34), "2:05.3"),
        (clock_words(59.96), "1:00.0"),
        (duration_words(204), "3 min 24 s"),
        (duration_words(3725), "1 h 02 min"),
        (number_words(1399.6, "kg"), "1\u202f400\u202fkg"),
        (number_words(None, "kg"), "—"),
    ],
)
def test_numbers_are_written_for_people(written, wanted):
    """Sides instead of signs, minutes and seconds, thousands set off, a dash for unknown."""
    assert written == wanted
