"""The load chart: read with care, looked up and derated on the safe side.

The rules (next larger radius, the lesser of two boom lengths, nothing outside of the chart) are
common practice, no source; each is held to a twin that looks at every row.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plotly.utils import PlotlyJSONEncoder
from typer.testing import CliRunner

from dashboard.capacity.sectors.load_chart import (
    derated,
    derated_csv,
    derated_document,
    derated_kg,
    derated_table,
    derated_text,
)
from dashboard.capacity.sectors.sectors import Sector
from dashboard.cli import app
from dashboard.figures.derated_chart import derated_chart
from dashboard.figures.load_chart import load_chart_figure, load_chart_summary
from dashboard.figures.palette import LIGHT
from dashboard.figures.units import SI, US
from dashboard.load_charts import chart_of
from logger.errors import FileInvalid
from logger.events.sweep import Side
from logger.readings.chart_table import LARGEST_CHART_BYTES, read_load_chart
from logger.readings.load_chart import ChartRow, ChartUnit, LoadChart
from logger.recording.header import RunHeader, parse_header
from logger.recording.journal import ClockedBlock
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep

CHART = """boom_length m,radius m,load kg
6,2.0,4500
6,2.5,3600
6,4.0,1999
9,2.5,3000
9,4.0,1500
9,6.0,800
"""
SHORT = "radius m,load kg\n2,3000\n4,1500\n6,901\n"
POUNDS_KG = 0.45359237
"""The international pound, exact (NIST SP 811, appendix B)."""
FOOT_M = 0.3048
"""The international foot, exact (the same)."""


def sector(side, from_deg, to_deg, percent):
    basis = {0: "untested", 100: "proved"}.get(percent, "reduced")
    return Sector(side=Side(side), from_deg=from_deg, to_deg=to_deg, percent=percent, basis=basis)


SECTORS = (
    sector("right", 0, 74, 100),
    sector("right", 74, 171, 90),
    sector("right", 171, 180, 0),
    sector("left", 0, 180, 0),
)


def test_a_chart_is_read_in_any_order_of_columns_and_lines():
    """Columns and lines may stand in any order; what is read is the same."""
    lines = CHART.splitlines()
    turned = ["load kg,boom_length m,radius m"]
    for line in reversed(lines[1:]):
        boom, radius, load = line.split(",")
        turned.append(f"{load},{boom},{radius}")

    assert read_load_chart("\n".join(turned)).rows == read_load_chart(CHART).rows
    assert read_load_chart(CHART).boom_lengths_m == (6, 9)


@pytest.mark.parametrize(
    "head",
    ["radius ft,load lb", "Radius (ft),Load [lb]", "radius_ft;load_lb", "RADIUS ft\tload(lb)"],
)
def test_feet_and_pounds_are_understood(head):
    """12 ft and 1 500 lb are 3.6576 m and 680.388555 kg, however the header writes the units."""
    mark = next(m for m in ",;\t" if m in head)
    (row,) = read_load_chart(f"\ufeff{head}\r\n12{mark}1 500\r\n").rows

    assert row.radius_m == pytest.approx(12 * FOOT_M, rel=1e-12)
    assert row.load_kg == pytest.approx(1500 * POUNDS_KG, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ("c.csv, line 1", "no column radius")),
        ("radius m,load kg\n", ("c.csv", "no lines below")),
        ("radius m\n2\n", ("line 1", "no column load")),
        ("radius m,load kg,load kg\n2,3,3\n", ("line 1", "load twice")),
        ("radius m,lod kg\n2,3\n", ("line 1, column 2", "'lod kg'", "did you mean 'load'")),
        ("radius,load kg\n2,3\n", ("line 1, column 1", "no unit", "radius m")),
        ("radius kg,load kg\n2,3\n", ("line 1, column 1", "no unit of length")),
        ("radius m,load ton\n2,3\n", ("line 1, column 2", "three meanings")),
        ("radius m,load kg\n2,3\n\n4,x\n", ("line 4, column load", "'x' is no number")),
        ("radius m,load kg\n2,\n", ("line 2, column load", "is empty")),
        ("radius m,load kg\n0,3\n", ("line 2, column radius", "not above 0")),
        ("radius m,load kg\n2,-3\n", ("line 2, column load", "'-3'")),
        ("radius m,load kg\n2,1e3\n", ("line 2, column load", "'1e3'", "plain number")),
        ("radius m,load kg\n2,nan\n", ("line 2, column load", "'nan'")),
        ("radius m;load kg\n2,5;3\n", ("line 2, column radius", "'2,5'", "point")),
        ("radius m,load kg\n2,5,3\n", ("line 2", "3 columns", "point")),
        ("radius m,load kg\n2,=1+1\n", ("line 2, column load", "'=1+1'")),
        ('radius m,load kg\n"2,3\n', ("line 2", "no line of a table")),
        ("radius m,load kg\n2,3\n3,2\n2.0,4\n", ("line 4", "4 kg where line 2 gives 3 kg")),
        ("radius m,load kg\n2," + "9" * 400 + "\n", ("line 2, column load", "too large")),
        ("radius m,load kg\n" + "1,1\n" * 6000, ("c.csv", "more than 5000 lines")),
        ("radius m,load kg\n" + "1,1\n" * 60_000, ("c.csv", "200 kB")),
        ("radius m,load kg\n2,3\x00\n", ("line 2",)),
    ],
)
def test_a_mistake_is_told_with_its_place(text, told):
    """One line that names file, line and column, what stands there and what would do."""
    with pytest.raises(FileInvalid) as caught:
        read_load_chart(text, name="c.csv")

    assert all(words in str(caught.value) for words in told)
    assert "\n" not in str(caught.value)


@settings(max_examples=100, deadline=None)
@given(text=st.text(alphabet='radius load,kgm;\t\n"0123456789.-=é', max_size=200))
def test_any_text_is_a_chart_or_one_clear_line(text):
    """Whatever stands in the file, nothing but FileInvalid comes out of it."""
    try:
        chart = read_load_chart("radius m,load kg\n" + text)
    except FileInvalid:
        return

    assert all(row.radius_m > 0 and row.load_kg >= 0 for row in chart.rows)


def test_a_load_that_rises_with_the_radius_is_a_doubt_and_counts_at_its_least():
    """1 200 kg at 3 m and 1 500 kg at 4 m: told, and 1 200 kg between them."""
    chart = read_load_chart("radius m,load kg\n2,3000\n3,1200\n4,1500\n", name="c.csv")

    assert len(chart.doubts) == 1
    assert "line 4" in chart.doubts[0]
    assert "1200 to 1500 kg" in chart.doubts[0]
    assert chart.capacity_kg(3.5) == 1200
    assert not read_load_chart(CHART).doubts


@pytest.mark.parametrize(
    ("radius_m", "boom_m", "load_kg"),
    [
        (2.5, 6, 3600),
        (2.500001, 6, 3600),
        (2.51, 6, 1999),
        (4.0, 6, 1999),
        (4.01, 6, None),
        (1.99, 6, None),
        (2.5, 7.5, 3000),
        (3.0, 7.5, 1500),
        (2.2, 7.5, None),
        (5.0, 7.5, None),
        (3.0, 5.9, None),
        (3.0, 9.1, None),
        (3.0, None, 1500),
        (5.0, None, 800),
        (7.0, None, None),
    ],
)
def test_a_chart_is_looked_up_on_the_safe_side(radius_m, boom_m, load_kg):
    """Next larger radius, the lesser of two boom lengths, nothing outside of the chart."""
    assert read_load_chart(CHART).capacity_kg(radius_m, boom_m) == load_kg


@settings(max_examples=100, deadline=None)
@given(
    points=st.dictionaries(
        st.tuples(st.sampled_from([6.0, 9.0, 12.0]), st.integers(4, 20)),
        st.integers(0, 5000),
        min_size=1,
        max_size=20,
    ),
    radius=st.integers(0, 110),
    boom=st.one_of(st.none(), st.integers(50, 130)),
)
def test_no_look_up_is_more_than_the_chart_shows_around_it(points, radius, boom):
    """Held to a twin: never more than any straight line between neighbouring points gives."""
    lines = [f"{b},{r / 2},{load}" for (b, r), load in points.items()]
    chart = read_load_chart("\n".join(["boom_length m,radius m,load kg", *lines]))
    radius_m, boom_m = radius / 10, None if boom is None else boom / 10
    found = chart.capacity_kg(radius_m, boom_m)
    lengths = sorted({b for b, _ in points})
    if boom_m is not None:
        lengths = [
            b
            for b in lengths
            if b == max((x for x in lengths if x <= boom_m), default=-1)
            or b == min((x for x in lengths if x >= boom_m), default=-1)
        ]
    shown = [_straight(points, b, radius_m) for b in lengths]
    known = [s for s in shown if s is not None]

    if found is None:
        outside = boom_m is not None and not lengths[0] <= boom_m <= lengths[-1]
        assert outside or len(known) < len(shown) or not shown
    else:
        assert found <= min(known) + 1e-9
        assert found in points.values()


def _straight(points, boom_m, radius_m):
    row = sorted((r / 2, load) for (b, r), load in points.items() if b == boom_m)
    for r, load in row:
        if r == radius_m:
            return load
    for (r0, load0), (r1, load1) in pairwise(row):
        if r0 < radius_m < r1:
            return load0 + (load1 - load0) * (radius_m - r0) / (r1 - r0)
    return None


def test_each_sector_has_its_derated_chart():
    """100 % is the chart, 90 % of 901 kg is 810 kg (810.9 rounded down), untested is nothing."""
    rows = derated(read_load_chart(SHORT), SECTORS)

    assert [(r.percent, r.radius_m, r.load_kg) for r in rows[:6]] == [
        (100, 2, 3000),
        (100, 4, 1500),
        (100, 6, 901),
        (90, 2, 2700),
        (90, 4, 1350),
        (90, 6, 810),
    ]
    assert {r.load_kg for r in rows[6:]} == {0}
    assert len(rows) == 3 * len(SECTORS)


def test_a_chart_in_pounds_or_tonnes_is_rounded_in_its_own_unit():
    """90 % of 1 005 lb is 904 lb; of 1.25 t it is 1.12 t (1.125 rounded down)."""
    pounds = derated_table(read_load_chart("radius ft,load lb\n12,1005\n"), SECTORS)
    tonnes = derated_table(read_load_chart("radius m,load t\n4,1.25\n"), SECTORS)
    whole = derated_table(read_load_chart("radius m,load t\n4,9\n"), SECTORS)

    assert pounds[1] == ("12", "1005", "1005", "904")
    assert tonnes[1] == ("4", "1.25", "1.25", "1.12")
    assert whole[1] == ("4", "9.00", "9.00", "8.10")


@settings(max_examples=200, deadline=None)
@given(
    count=st.integers(0, 10**7),
    percent=st.floats(0, 120),
    step_kg=st.sampled_from([1.0, 0.1, 10.0, POUNDS_KG, POUNDS_KG / 10]),
)
def test_a_derated_load_is_never_rounded_up(count, percent, step_kg):
    """At most the share, at most the chart, and less than one step under the share."""
    chart_kg = count * step_kg
    load_kg = derated_kg(chart_kg, percent, step_kg=step_kg)
    share_kg = chart_kg * min(percent, 100) / 100

    assert load_kg <= chart_kg
    assert load_kg <= share_kg + 1e-8 * step_kg
    assert load_kg > share_kg - step_kg * (1 + 1e-8)


def test_an_untested_sector_allows_nothing_whatever_it_says():
    """A sector with a percentage but no proof has no load."""
    odd = (replace(SECTORS[0], basis="untested"),)

    assert {r.load_kg for r in derated(read_load_chart(SHORT), odd)} == {0}
    assert derated_table(read_load_chart(SHORT), odd)[0] == ("radius m", "chart kg")


def test_the_table_for_a_person_says_where_each_percentage_holds():
    """A column for each percentage, and which sectors have it, and where nothing may be lifted."""
    text = derated_text(read_load_chart(CHART), SECTORS)

    assert "boom m  radius m  chart kg  100 % kg  90 % kg" in text
    assert "     6       4.0      1999      1999     1799" in text
    assert "90 %: right 74° to 171°" in text
    assert "no lifting: right 171° to 180°, left 0° to 180°" in text


def test_the_csv_is_read_back_by_a_csv_reader_and_holds_no_formula():
    """Every sector and row, numbers as numbers; a text that a spreadsheet would run is quoted."""
    hostile = (
        *SECTORS,
        Sector(side='=HYPERLINK("x",1)', from_deg=0, to_deg=1, percent=50, basis="+a,b"),
    )
    lines = list(csv.reader(derated_csv(read_load_chart(SHORT), hostile).splitlines()))

    assert lines[0][-3:] == ["radius m", "chart kg", "load kg"]
    assert len(lines) == 1 + 3 * len(hostile)
    assert lines[4] == ["right", "74", "171", "90", "reduced", "2", "3000", "2700"]
    assert lines[-1][0] == '\'=HYPERLINK("x",1)'
    assert lines[-1][4] == "'+a,b"


def test_the_document_has_every_row():
    """What a program reads has the same rows as the table."""
    chart = read_load_chart(CHART)
    rows = derated_document(chart, SECTORS)["rows"]

    assert [r["load_kg"] for r in rows] == [r.load_kg for r in derated(chart, SECTORS)]
    assert rows[0]["boom_length_m"] == 6


def test_a_chart_cannot_be_built_wrong():
    """No rows, or one point twice, is refused."""
    unit = ChartUnit(name="m", factor=1.0, decimals=0)
    given = {"has_boom_lengths": False, "length_unit": unit, "radius_unit": unit, "load_unit": unit}

    with pytest.raises(ValueError, match="without rows"):
        LoadChart(rows=(), **given)
    with pytest.raises(ValueError, match="once"):
        LoadChart(rows=(ChartRow(0, 2, 5), ChartRow(0, 2, 4)), **given)


def _import(folder, test_toml):
    (folder / "rig.toml").write_text(RIG_TOML)
    (folder / "test.toml").write_text(test_toml)
    full_sweep(MadeRun(), 1, limit=30.0).write_csv(
        folder / "readings.csv", rates_hz=(10, 10, 10, 10)
    )
    words = ["import", str(folder / "readings.csv"), "-o", str(folder / "a.parquet")]
    words += ["--rig", str(folder / "rig.toml"), "--test", str(folder / "test.toml")]
    return CliRunner().invoke(app, words)


NAMED = TEST_TOML.replace(
    'rated_moment = "45 kN·m"', 'rated_moment = "45 kN·m"\nchart = "chart.csv"'
)


def test_a_run_keeps_the_chart_that_its_test_names(tmp_path):
    """Imported with a chart beside the test file: the run has it, verbatim, and gives it back."""
    (tmp_path / "chart.csv").write_text(CHART)
    done = _import(tmp_path, NAMED)
    run = open_run(tmp_path / "a.parquet")
    run.verify()

    assert done.exit_code == 0, done.output
    assert run.header.load_chart_csv == CHART
    assert chart_of(run).rows == read_load_chart(CHART).rows


def test_a_run_without_a_chart_has_none_and_no_key_for_it(tmp_path):
    """No chart named: nothing kept, and the header is as it was before there were charts."""
    done = _import(tmp_path, TEST_TOML)
    run = open_run(tmp_path / "a.parquet")

    assert done.exit_code == 0, done.output
    assert chart_of(run) is None
    assert "load_chart_csv" not in run.header.to_json()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (None, "there is no such file"),
        ("radius m\n2\n", "no column load"),
        ("x" * 300_000, "200 kB"),
    ],
)
def test_a_chart_that_is_missing_or_wrong_is_told_before_anything_is_written(
    tmp_path, content, told
):
    """One line that names the chart, and no run."""
    if content is not None:
        (tmp_path / "chart.csv").write_text(content)
    done = _import(tmp_path, NAMED)

    assert isinstance(done.exception, FileInvalid)
    assert str(tmp_path / "chart.csv") in str(done.exception)
    assert told in str(done.exception)
    assert not (tmp_path / "a.parquet").exists()


def test_the_header_of_a_run_gives_the_chart_back_and_refuses_a_huge_one():
    """Through JSON and back; a chart of more than 200 kB is no chart."""
    header = RunHeader(
        run_id="a",
        started_utc=None,
        software="test",
        rig_toml=RIG_TOML,
        test_toml=TEST_TOML,
        load_chart_csv=CHART,
    )
    again, _ = parse_header(json.dumps(header.to_json()))

    assert again.load_chart_csv == CHART
    with pytest.raises(ValueError, match="load chart"):
        replace(header, load_chart_csv="x" * (LARGEST_CHART_BYTES + 1))


def test_the_figure_has_the_chart_and_a_curve_for_each_lesser_percentage():
    """Stepped as the chart is read, none above the chart, each told apart without colour."""
    chart = read_load_chart(CHART)
    sectors = (*SECTORS, sector("left", 0, 90, 85))
    curves = load_chart_figure(chart, sectors, LIGHT, boom_length_m=9.0).data

    assert [c.name for c in curves] == ["chart = 100 %", "90 %", "85 %"]
    assert [list(c.x) for c in curves] == [[2.5, 4.0, 6.0]] * 3
    assert list(curves[1].y) == [2700, 1350, 720]
    assert {c.line.shape for c in curves} == {"vh"}
    assert len({(c.line.dash, c.marker.symbol) for c in curves}) == 3
    assert "right 74° to 171°" in curves[1].text[0]


def test_screen_and_placard_show_the_same_numbers_in_either_units():
    """1500 kg at 4 m and 90 %: 1350 kg are 2976.2 lb, and 4 m are 13.12 ft; both rounded down."""
    chart = derated_chart(read_load_chart("radius m,load kg\n4,1500\n"), SECTORS, US)
    own = derated_chart(read_load_chart("radius m,load kg\n4,1500\n"), SECTORS, SI)
    figure = load_chart_figure(
        read_load_chart("radius m,load kg\n4,1500\n"), SECTORS, LIGHT, units=US
    )

    assert chart.rows[0].loads[1] == "2\u202f976"
    assert (chart.rows[0].radius, chart.converted) == ("13.12", True)
    assert own.rows[0].loads[1] == "1\u202f350"
    assert not own.converted
    assert figure.layout.yaxis.title.text == "load, lb"
    assert "2\u202f976 lb up to 13.12 ft" in figure.data[1].text[0]


@pytest.mark.parametrize("narrow", [False, True])
def test_names_of_curves_that_end_close_together_do_not_overlap(narrow):
    """Ten percentages, 1 % apart: their names are 20 px apart, none below the axis."""
    sectors = [sector("right", 10 * i, 10 * i + 10, 99 - i) for i in range(10)]
    figure = load_chart_figure(read_load_chart(SHORT), sectors, LIGHT, narrow=narrow)
    plot_px = figure.layout.height - figure.layout.margin.t - figure.layout.margin.b
    most = figure.layout.yaxis.range[1]
    places = [plot_px * (1 - w.y / most) + w.ay for w in figure.layout.annotations]

    assert len(places) == 11
    assert all(b - a >= 19.99 for a, b in pairwise(places))
    assert places[-1] <= plot_px


def test_the_figure_in_sentences_says_what_is_left_and_where():
    """For those who don't see it."""
    assert "90 % right 74° to 171°" in load_chart_summary(SECTORS)
    assert "No lifting right 171° to 180°, left 0° to 180°" in load_chart_summary(SECTORS)
    assert "nothing" in load_chart_summary(SECTORS[2:])


def _page_of(folder, content):
    from dashboard.pages.load_chart import load_chart_card

    if content is not None:
        (folder / "chart.csv").write_text(content)
    assert _import(folder, TEST_TOML if content is None else NAMED).exit_code == 0
    run = open_run(folder / "a.parquet")
    return json.dumps(load_chart_card(run, {"sectors": []}).to_plotly_json(), cls=PlotlyJSONEncoder)


def test_the_page_shows_the_chart_or_how_to_add_one(tmp_path):
    """With a chart its table can be saved; without one a hint says where to name it."""
    shown = _page_of(tmp_path, CHART)
    (tmp_path / "a.parquet").unlink()
    hint = _page_of(tmp_path, None)

    assert "data:text/csv" in shown
    assert "9 m" in shown
    assert "[crane] chart" in hint
    assert "data:text/csv" not in hint


def test_a_recovered_run_has_its_chart(tmp_path):
    """The chart travels in the journal: what a killed recorder left has it too."""
    path = tmp_path / "b.journal"
    header = RunHeader(
        run_id="b",
        started_utc=None,
        software="test",
        rig_toml=RIG_TOML,
        test_toml=NAMED,
        load_chart_csv=CHART,
    )
    with RunJournal.create(path, header) as journal:
        journal.append(
            [ClockedBlock(channel="load", clock="run", t_ns=np.array([1]), value=np.array([2.0]))]
        )
        journal.commit()
    run = open_run(recover(path).path)
    run.verify()

    assert run.header.load_chart_csv == CHART
    assert chart_of(run).capacity_kg(2.5, 6) == 3600
