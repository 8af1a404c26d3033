"""Exports read back by other programs: every value, every unit, and nothing half written."""

from __future__ import annotations

import csv
import io
import json
import signal
import subprocess
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb
import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest
import scipy.io

from dashboard.cli.export_progress import ExportProgress
from dashboard.export_request import read_asked
from dashboard.exporting import export_run
from dashboard.results import analyse
from logger.errors import BadInput, RunUnreadable, StorageFailed
from logger.readings.block import Block
from logger.recording.csv_import import import_csv
from logger.recording.export import xlsx_book
from logger.recording.export.mat_file import identifiers
from logger.recording.export.text_cells import LONGEST_CELL, quoted, safe_text
from logger.recording.header import Gap, Note, RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.files import digests, files_no_longer_than
from tests.sample_runs import seal_sample
from tests.warm_process import COMMAND, WarmProcess, run_warm

FORMULA = '=HYPERLINK("http://evil.example","x")'
NOTES = (
    Note(t_ns=1_000_000_000, kind="text", text=FORMULA),
    Note(t_ns=2_000_000_000, kind="radius", value_m=3.5, text="@tape"),
    Note(t_ns=3_000_000_000, kind="text", text="bell \x07 null \x00 " + "long " * 9000),
)
RATES = {"slew": 20, "load": 20, "radius": 10, "wheel": 50}
RIG = """
[rig]
id = "small"
[[source]]
id = "mast"
kind = "serial"
port = "/dev/ttyUSB0"
[[channel]]
id = "slew"
source = "mast"
name = "s"
unit = "deg"
scale = 0.087890625
wraps_at = 4096
[[channel]]
id = "load"
source = "mast"
name = "l"
unit = "lb"
scale = 0.1
offset = -12.5
stale_after = "0.5 s"
[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "w"
closed_when = "DOWN"
[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "r"
closed_when = true
"""
TEST = """
[test]
id = "small"
operator = "-2+3"
[truck]
id = "@SUM(1)"
wheels = ["rear_left", "rear_right"]
slew_limit_right = "170 deg"
slew_limit_left = "170 deg"
[crane]
id = "crane"
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1400 kg" }]
above_cell = "0 kg"
"""


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A simulated test with notes and a gap, its names hostile."""
    folder = tmp_path_factory.mktemp("export")
    sample = open_run(seal_sample(folder, scenario="one-side", truck='"+1-1"').path)
    gap = Gap(t_ns=5_000_000_000, source="mast", kind="missing_packs", missing=3, text="-cut")
    header = replace(sample.header, notes=NOTES, gaps=(gap,), run_id="one-side-noted")
    kept_ns = sample.span_ns[0] + 60_000_000_000
    blocks = [sample.raw(c, None, kept_ns) for c in sorted(sample.channels)]
    write_sealed(folder / "noted.parquet", header, blocks)
    return open_run(folder / "noted.parquet")


@pytest.fixture(scope="module")
def result(run):
    """What the run comes to."""
    return analyse(run)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A few readings whose values can be told by hand; the encoder wraps, the load falls silent."""
    t_ns = np.arange(8, dtype=np.int64) * 250_000_000 + 250_000_000
    slew = np.array([1000, 2000, 3000, 4000, 904, 1904, 1804, 1704], dtype=float)
    load = np.array([125.0, 0.0, 250.0, 0.1 + 0.2], dtype=float)
    wheel = np.array([1.0, 1.0, 0.0, 1.0])
    header = RunHeader(
        run_id="small",
        started_utc="2026-03-29T00:59:59Z",
        software="tests",
        rig_toml=RIG,
        test_toml=TEST,
    )
    path = tmp_path_factory.mktemp("small") / "small.parquet"
    blocks = [
        Block(channel="load", t_ns=t_ns[:4], value=load),
        Block(channel="slew", t_ns=t_ns, value=slew),
        Block(channel="wheel/rear_left", t_ns=t_ns[:4] * 3, value=wheel),
    ]
    write_sealed(path, header, blocks)
    return open_run(path)


def written(run, path, result=None, **words):
    """Exports a run; the paths."""
    asked = read_asked({k.rstrip("_"): v for k, v in words.items()}, path=path)
    return export_run(run, result, path, asked).paths


def expected(run, channel):
    """Times, calibrated and raw values of a channel, contacts as 1 and 0."""
    raw = run.raw(channel)
    if channel.startswith("wheel/"):
        return raw.t_ns, run.contact(channel)[1].astype(float), raw.value
    return raw.t_ns, run.calibrated(channel).value, raw.value


def test_csv_gives_every_reading_back_to_the_last_bit(run, result, tmp_path):
    """Times to the nanosecond, calibrated and raw values: pandas reads what the run holds."""
    written(run, tmp_path / "a.csv", result, zone="Europe/Oslo")
    table = pd.read_csv(tmp_path / "a.csv", dtype={"t_s": str})

    assert list(table) == ["channel", "t_s", "utc", "local", "value", "unit", "raw"]
    assert list(dict.fromkeys(table.channel)) == list(run.channels)
    for channel, rows in table.groupby("channel"):
        t_ns, value, raw = expected(run, channel)
        assert rows.t_s.str.replace(".", "").astype(np.int64).tolist() == t_ns.tolist()
        assert np.array_equal(rows.value.to_numpy(), value)
        assert np.array_equal(rows.raw.to_numpy(), raw)
    assert set(table[table.channel == "load"].unit) == {"kg"}
    start = pd.Timestamp(run.header.started_utc).tz_localize(None).value
    utc = pd.to_datetime(table.utc.str.removesuffix("Z")).astype("datetime64[ns]").astype(np.int64)
    assert (utc.to_numpy() - start == table.t_s.str.replace(".", "").astype(np.int64)).all()
    assert table.local.str.endswith("+02:00").all()


def test_what_goes_with_csv_stands_beside(run, result, tmp_path):
    """The JSON file has the result, events, notes, gaps, both files and the recording's hash."""
    paths = written(run, tmp_path / "a.csv", result)
    about = json.loads((tmp_path / "a.about.json").read_text())

    assert [p.name for p in paths] == ["a.csv", "a.about.json"]
    assert about["facts"]["sha256 of the recording"] == run.header.sha256
    assert about["result"] == json.loads(json.dumps(result))
    assert about["rig_toml"] == run.header.rig_toml
    assert [row[3] for row in about["tables"]["notes"]["rows"]] == [n.text for n in NOTES]
    assert about["tables"]["gaps"]["rows"][0][:4] == [5.0, "mast", "missing_packs", 3]
    assert about["tables"]["sectors"]["rows"]


def test_a_bare_table_is_imported_again_bit_for_bit(run, small, tmp_path):
    """What --raw writes makes the same samples again, wrapped encoder and text contacts too."""
    for source in (run, small):
        name = source.header.run_id
        written(source, tmp_path / f"{name}.csv", raw="yes")
        import_csv(
            tmp_path / f"{name}.csv",
            rig_text=source.header.rig_toml,
            test_text=source.header.test_toml,
            run=tmp_path / f"{name}.parquet",
            software="tests",
            started_utc=source.header.started_utc,
        )
        again = open_run(tmp_path / f"{name}.parquet")

        assert again.channels == source.channels
        for channel in source.channels:
            old, new = source.raw(channel), again.raw(channel)
            assert new.t_ns.tolist() == old.t_ns.tolist()
            assert new.value.tobytes() == old.value.tobytes()


def test_a_workbook_has_numbers_as_numbers_and_text_as_text(run, result, tmp_path, monkeypatch):
    """Read by openpyxl: every reading, facts on sheets of their own, no formula anywhere."""
    monkeypatch.setattr(xlsx_book, "ROWS_IN_SHEET", 2000)
    written(run, tmp_path / "a.xlsx", result, channels="load,slew,wheel/rear_left")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]

    for channel, name in (
        ("load", "load"),
        ("slew", "slew"),
        ("wheel/rear_left", "wheel_rear_left"),
    ):
        sheets = [s for s in book if s.title == name or s.title.startswith(f"{name} ")]
        rows = [r for s in sheets for r in s.iter_rows(min_row=3, values_only=True)]
        t_ns, value, raw = expected(run, channel)
        assert len(sheets) == -(-t_ns.size // 1998)
        assert [r[0] for r in rows] == pytest.approx((t_ns / 1e9).tolist(), rel=1e-15)
        assert [r[3] for r in rows] == pytest.approx(value.tolist(), rel=1e-15)
        assert [r[4] for r in rows] == raw.tolist()
        assert [c.value for c in sheets[0][1]] == ["t_s", "utc", "local", "value", "raw"]
    assert [c.value for c in book["load"][2]] == ["s", "ISO 8601", "ISO 8601", "kg", "raw"]
    assert not [c for c in cells if c.data_type == "f"]
    orders = [c for c in cells if str(c.value or "").startswith(("=", "@"))]
    assert {c.value for c in orders} == {FORMULA, "@tape"}
    assert all(c.data_type == "s" and c.quotePrefix for c in orders)
    assert not [c for c in cells if str(c.value or "").startswith("'")]
    assert "%" in [c.value for c in book["sectors"][2]]
    assert "%" in [c.value for c in book["holds"][2]]
    notes = list(book["notes"].iter_rows(min_row=3, values_only=True))
    assert notes[0][3] == FORMULA
    assert notes[1][2:] == (3.5, "@tape")
    assert len(notes[2][3]) <= LONGEST_CELL
    assert {r[0]: r[1] for r in book["run"].iter_rows(values_only=True)}["truck"] == "+1-1"
    assert book["sectors"].max_row == 2 + len(result["sectors"])


def test_matlab_data_is_what_the_run_holds(run, result, tmp_path):
    """Read by scipy: a struct for each channel to the last bit, and the facts as structs."""
    written(run, tmp_path / "a.mat", result, zone="America/Chicago")
    held = scipy.io.loadmat(tmp_path / "a.mat", simplify_cells=True)

    for channel in run.channels:
        t_ns, value, raw = expected(run, channel)
        struct = held[channel.replace("/", "_")]
        assert np.array_equal(struct["t_s"], t_ns / 1e9)
        assert np.array_equal(struct["value"], value)
        assert np.array_equal(struct["raw"], raw)
        assert struct["local_s"][0] - struct["utc_s"][0] == -5 * 3600
    units = dict(zip(held["columns"]["channel"], held["columns"]["unit"], strict=True))
    assert set(units) == set(run.channels)
    assert held["facts"]["sectors"]["rating_percent"].tolist() == [
        s["percent"] for s in result["sectors"]
    ]
    assert json.loads(held["about_json"])["run_id"] == run.header.run_id


def test_parquet_is_typed_and_read_by_others(run, result, tmp_path):
    """Read by pyarrow and DuckDB: the same rows, times as times, the rest as metadata."""
    written(run, tmp_path / "a.parquet", result, units="us", zone="Asia/Kolkata")
    table = pq.read_table(tmp_path / "a.parquet")
    frame = table.to_pandas()
    counted = duckdb.sql(
        "select channel, count(*), sum(raw) from read_parquet(?) group by channel",
        params=[str(tmp_path / "a.parquet")],
    ).fetchall()

    for channel in run.channels:
        rows = frame[frame.channel == channel]
        t_ns, value, raw = expected(run, channel)
        one = {"load": 0.45359237, "radius": 0.3048}.get(channel, 1.0)
        assert rows.t_ns.tolist() == t_ns.tolist()
        assert np.array_equal(rows.value.to_numpy(), value / one)
        assert np.array_equal(rows.raw.to_numpy(), raw)
    assert {c: n for c, n, _ in counted} == dict(run.header.samples)
    assert str(frame.utc.dt.tz) == "UTC"
    assert (frame.local - frame.utc.dt.tz_localize(None)).unique().tolist() == [
        pd.Timedelta(hours=5, minutes=30)
    ]
    assert dict(zip(frame.channel, frame.unit, strict=True))["load"] == "lb"
    assert json.loads(pq.read_metadata(tmp_path / "a.parquet").metadata[b"slewtrace.export"])[
        "result"
    ]["sectors"]
    with pytest.raises(RunUnreadable, match="without this program's seal"):
        open_run(tmp_path / "a.parquet")


def wide(run, tmp_path, **words):
    """A table at common times: names, units, and cells by column."""
    path = tmp_path / f"w{len(list(tmp_path.iterdir()))}.csv"
    written(run, path, **words)
    names, units, *rows = csv.reader(io.StringIO(path.read_text()))
    return names, units, dict(zip(names, zip(*rows, strict=True), strict=True))


def test_common_times_hold_the_last_reading_and_nothing_when_it_is_old(small, tmp_path):
    """Told by hand: last at or before, empty once silent; the wrap counted, the contact held."""
    names, units, cells = wide(small, tmp_path, every="0.5 s")

    assert names == ["t_s", "utc", "local", "slew", "load", "wheel/rear_left"]
    assert units == ["s", "ISO 8601", "ISO 8601", "deg", "kg", "1 = on the ground"]
    assert cells["t_s"] == tuple(f"{t:.9f}" for t in np.arange(1, 7) / 2)
    degrees = np.array([2000, 4000, 6000, 5800, 5800, 5800]) * 360 / 4096
    assert [float(c) for c in cells["slew"]] == pytest.approx(degrees.tolist())
    pounds = [-12.5, -12.5 + 0.03]
    loads = [0.45359237 * p for p in (pounds[0], pounds[1], pounds[1])]
    assert [float(c) for c in cells["load"][:3]] == pytest.approx(loads)
    assert cells["load"][3:] == ("", "", "")
    assert cells["wheel/rear_left"] == ("", "1", "1", "1", "0", "1")


def test_values_are_put_on_a_line_only_where_it_is_asked(small, tmp_path):
    """Between two readings the straight line, not over a silence, and never for a contact."""
    _, _, cells = wide(small, tmp_path, every="0.125 s", interpolate="yes", to="1.2 s")
    at = dict(zip(cells["t_s"], cells["load"], strict=True))
    pounds = (0.1 * 125.0 - 12.5 + -12.5) / 2

    assert float(at["0.375000000"]) == pytest.approx(pounds * 0.45359237)
    assert {c for c in cells["wheel/rear_left"] if c} <= {"0", "1"}


def test_local_time_follows_the_zone_through_summer_time(small, tmp_path):
    """At 01:00 UTC of 29 March 2026 clocks in Oslo go from 2 to 3; the standard library agrees."""
    _, _, cells = wide(small, tmp_path, every="0.5 s", zone="Europe/Oslo")
    start = datetime(2026, 3, 29, 0, 59, 59, tzinfo=UTC)

    for t_s, utc, local in zip(cells["t_s"], cells["utc"], cells["local"], strict=True):
        moment = start + timedelta(seconds=float(t_s))
        assert datetime.fromisoformat(utc) == moment
        assert datetime.fromisoformat(local) == moment
        zoned = datetime.fromisoformat(local).utcoffset()
        assert zoned == moment.astimezone(ZoneInfo("Europe/Oslo")).utcoffset()
    assert {c[-6:] for c in cells["local"]} == {"+01:00", "+02:00"}


def test_a_stretch_is_half_open_and_keeps_the_turn(small, tmp_path):
    """Readings from 1 s on and before 1.75 s; the angle counts the wrap that came before."""
    written(small, tmp_path / "a.csv", channels="slew", from_="1.25 s", to="1.75 s")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "a.csv").read_text())))

    assert [r["t_s"] for r in rows] == ["1.250000000", "1.500000000"]
    degrees = np.array([5000, 6000]) * 360 / 4096
    assert [float(r["value"]) for r in rows] == pytest.approx(degrees.tolist())
    assert [float(r["raw"]) for r in rows] == [904.0, 1904.0]


def test_an_unknown_start_leaves_times_of_day_empty(small, tmp_path):
    """Nobody knows when it was: no UTC is made up in any format."""
    path = tmp_path / "undated.parquet"
    header = replace(small.header, started_utc=None)
    write_sealed(path, header, [small.raw(c) for c in sorted(small.channels)])
    undated = open_run(path)
    for form in ("csv", "mat", "xlsx"):
        written(undated, tmp_path / f"u.{form}")
    written(undated, tmp_path / "u.pq", format="parquet")

    assert set(pd.read_csv(tmp_path / "u.csv").utc.isna()) == {True}
    assert np.isnan(
        scipy.io.loadmat(tmp_path / "u.mat", simplify_cells=True)["slew"]["utc_s"]
    ).all()
    assert openpyxl.load_workbook(tmp_path / "u.xlsx")["slew"]["B3"].value is None
    assert pq.read_table(tmp_path / "u.pq").column("local").null_count == 16


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-2+3", "'-2+3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", '"\'\t=1"'),
        ("\r=1", '"\'\r=1"'),
        ("  =1", "'  =1"),
        ("＝1", "'＝1"),
        ("%", "%"),
        ("a;=1", '"a;=1"'),
        ('say "a", b', '"say ""a"", b"'),
        ("plain", "plain"),
        ("a\x00b\ud800", "a\ufffdb\ufffd"),
    ],
)
def test_text_can_be_no_formula(text, cell):
    """Text that a spreadsheet would work out gets a sign in front; the rest is as it was."""
    assert quoted(text) == cell
    assert len(safe_text(text * LONGEST_CELL)) <= LONGEST_CELL


def test_names_become_variables_that_differ():
    """Whatever a wheel is called, its variable's name is one that MATLAB takes."""
    names = identifiers(["wheel/a", "wheel.a", "wheel/Ä", "9", "columns", "x" * 200])

    assert names == ["wheel_a", "wheel_a_2", "wheel__", "x9", "columns_2", "x" * 59]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ({"format": "ods"}, "csv, xlsx, mat, parquet"),
        ({"every": "0 s"}, "no interval"),
        ({"every": "1 kg"}, "every"),
        ({"every": "1 ns"}, "longer interval"),
        ({"zone": "Mars/Base"}, "no time zone"),
        ({"zone": "../../etc/passwd"}, "no time zone"),
        ({"channels": "load,=x"}, "no readings of"),
        ({"from": "2 s", "to": "1 s"}, "not later"),
        ({"from": "9999 s"}, "from: 9999 s is beyond the run's end; it has readings from"),
        ({"to": "-3 s"}, "to: -3 s is before the run's first reading"),
        ({"raw": "y", "every": "1 s"}, "raw"),
        ({"interpolate": "y"}, "every"),
        ({"values": "none"}, "calibrated"),
    ],
)
def test_what_makes_no_sense_is_told_in_one_line(small, tmp_path, words, told):
    """The word, what is wrong with it and what would do; nothing is written."""
    with pytest.raises(BadInput, match=told) as caught:
        export_run(small, None, tmp_path / "a.csv", read_asked(words, path=tmp_path / "a.csv"))

    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_what_a_format_cannot_hold_is_refused(small, tmp_path, monkeypatch):
    """Too many rows for a workbook and too many bytes for a MAT file: one line, no file."""
    monkeypatch.setattr(xlsx_book, "MOST_ROWS", 10)
    monkeypatch.setattr("logger.recording.export.mat_file.LARGEST_BYTES", 100)

    for form in ("xlsx", "mat"):
        with pytest.raises(BadInput, match="parquet"):
            written(small, tmp_path / f"a.{form}")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx", "a.mat", "a.parquet", "a.about.json"])
def test_a_file_that_is_there_is_never_overwritten(small, tmp_path, name):
    """The export refuses, and what stands there stays; so does what would stand beside a CSV."""
    (tmp_path / name).write_text("mine")
    path = tmp_path / name.replace(".about.json", ".csv")

    with pytest.raises(BadInput, match="an export is never overwritten"):
        written(small, path)
    assert [p.read_text() for p in tmp_path.iterdir()] == ["mine"]


@pytest.mark.parametrize("form", ["csv", "mat", "xlsx", "parquet"])
def test_a_full_disk_and_damaged_samples_leave_nothing(run, tmp_path, form):
    """Neither a refused write nor a damaged run leaves part of a file."""
    (tmp_path / "out").mkdir()
    (tmp_path / "bad").mkdir()
    with files_no_longer_than(20_000), pytest.raises(StorageFailed, match="can't be written"):
        written(run, tmp_path / "out" / f"a.{form}")
    damaged = bytearray(run.path.read_bytes())
    middle = len(damaged) // 3
    damaged[middle : middle + 64] = bytes(64)
    (tmp_path / "bad" / "run.parquet").write_bytes(damaged)
    before = digests(tmp_path / "bad")
    with pytest.raises(RunUnreadable):
        written(
            open_run(tmp_path / "bad" / "run.parquet"), tmp_path / "bad" / f"a.{form}x", format=form
        )

    assert list((tmp_path / "out").iterdir()) == []
    assert digests(tmp_path / "bad") == before


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_export_leaves_nothing(run, tmp_path, sent):
    """A signal while rows are being written: no file of any name is left."""
    command = [*COMMAND, "export", run.path]
    process = WarmProcess([*command, "-o", tmp_path / "a.xlsx"], stderr=subprocess.PIPE)
    deadline = time.monotonic() + 60
    while not list(tmp_path.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.01)
    process.send_signal(sent)
    _, errors = process.communicate(timeout=60)

    assert process.returncode in (130, 143)
    assert b"Traceback" not in errors
    assert list(tmp_path.iterdir()) == []


def test_the_command_says_what_it_wrote(small, tmp_path):
    """JSON for programs: files, rows and the rule of the times."""
    command = [*COMMAND, "export", small.path, "--json"]
    done = run_warm(
        [*command, "-o", tmp_path / "a.csv", "--every", "0.5 s", "--units", "us"],
        capture_output=True,
        text=True,
        check=True,
    )
    told = json.loads(done.stdout)

    assert told["rows"] == 6
    assert told["paths"] == [str(tmp_path / "a.csv"), str(tmp_path / "a.about.json")]
    assert "last reading at or before" in told["times"]


@pytest.mark.parametrize("form", ["csv", "xlsx", "mat", "parquet"])
@pytest.mark.parametrize("every", [{}, {"every": "0.1 s"}])
def test_an_export_tells_how_far_it_is(run, tmp_path, form, every):
    """Shares of the readings rise to the whole, in every format."""
    shares = []
    path = tmp_path / f"a.{form}"
    export_run(run, None, path, read_asked(every, path=path), on_share=shares.append)

    assert shares == sorted(shares)
    assert shares[0] > 0
    assert shares[-1] == 1


def test_a_workbook_tells_it_while_a_long_channel_is_written(run, tmp_path, monkeypatch):
    """Rows go to the writer in small parts, so that tenths are told and no reading is lost."""
    monkeypatch.setattr("dashboard.exporting._ROWS_OF_SHEET_AT_A_TIME", 100)
    shares = []
    path = tmp_path / "a.xlsx"
    asked = read_asked({"channels": "load"}, path=path)
    rows = export_run(run, None, path, asked, on_share=shares.append).rows
    sheet = openpyxl.load_workbook(path)["load"]

    assert len(shares) == -(-rows // 100)
    assert [r[0] for r in sheet.iter_rows(min_row=3, values_only=True)] == pytest.approx(
        (run.raw("load").t_ns / 1e9).tolist()
    )


def test_a_long_export_tells_tenths_and_a_short_one_nothing(capsys):
    """Plain lines, each once, and only when the time is up."""
    now = [0.0]
    with ExportProgress(quiet_s=1000, clock_s=lambda: now[0]) as progress:
        progress.doing("analysing")
        progress.doing("writing a.xlsx")
        progress.share(0.05)
        silent = capsys.readouterr().err
        now[0] = 1000.0
        for share in (0.11, 0.12, 0.35, 1.0):
            progress.share(share)

    assert silent == ""
    assert capsys.readouterr().err.splitlines() == [
        "writing a.xlsx: 10 %", "writing a.xlsx: 30 %", "writing a.xlsx: 100 %",
    ]  # fmt: skip


def test_a_long_export_draws_a_bar_in_a_terminal(monkeypatch):
    """And takes it away when it ends."""

    class Screen(io.StringIO):
        def isatty(self):
            return True

    screen = Screen()
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    with ExportProgress(quiet_s=0) as progress:
        progress.doing("writing a.xlsx")
        progress.share(0.5)

    assert "writing a.xlsx" in screen.getvalue()
    assert "\x1b[2K" in screen.getvalue()
