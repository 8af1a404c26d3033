"""``slewtrace calibrate`` by hand: what it prints, writes and refuses."""

from __future__ import annotations

import json
import re
import stat
import tomllib
from datetime import date, datetime
from pathlib import Path

import pytest

from logger.readings.rig_file import read_rig
from tests.made_run import RIG_TOML
from tests.test_cli import in_its_own_process, slewtrace

PONTIUS = json.loads((Path(__file__).parent / "check_values" / "pontius.json").read_text())
WEIGHTS = "applied,reading\n0,20\n500,1020.4\n1000,2019.7\n1500,3020.3\n0,20.6\n"
TAPE = "tape,reading\n3.00,3010\n11 ft,3361\n3.90,3911\n"
SIGHTED = "sighted_deg,reading\n0,4090\n90,1018\n-90,3066\n45,507\n"
TABLES = {"load": WEIGHTS, "radius": TAPE, "slew": SIGHTED}

RIG = (
    RIG_TOML.replace(
        '\n[[channel]]\nid = "load"',
        '\n# --- the cell, new in May ---\n[[channel]]   # hung in\nid = "load"',
    )
    .replace("scale = 0.5\n", "scale = 0.5          # from the data sheet\n")
    .replace(
        '\n[[channel]]\nid = "radius"', '\n# --- tape on the boom ---\n[[channel]]\nid = "radius"'
    )
)
RECORD = ("--reference", 'block "set" 2, certificate 123')


@pytest.fixture
def bench(tmp_path):
    """A folder with a rig file and a table for each sensor."""
    (tmp_path / "rig.toml").write_text(RIG)
    for name, text in TABLES.items():
        (tmp_path / f"{name}.csv").write_text(text)
    return tmp_path


def calibrate(bench, quantity, *words, code=0, table=None, **kwargs):
    """Runs the command on the folder's table of a sensor."""
    path = bench / f"{quantity}.csv"
    if table is not None:
        path.write_bytes(table.encode() if isinstance(table, str) else table)
    return slewtrace("calibrate", quantity, "--points", path, *words, code=code, **kwargs)


def found(bench, quantity, *words, **kwargs):
    """The JSON document."""
    return json.loads(calibrate(bench, quantity, *words, "--json", **kwargs).stdout)


def test_pontius_through_the_command_line_has_nine_certified_digits(bench):
    """NIST StRD, Pontius, as a person would give it; the keys are those of the design."""
    rows = "".join(f"{x!r},{y!r}\n" for y, x in PONTIUS["y_x_pairs"])
    told = found(bench, "load", "--degree", 2, table=f"applied,reading\n{rows}")
    certified = PONTIUS["certified"]

    assert told["coefficients"] == pytest.approx([certified[f"B{i}"] for i in range(3)], rel=1e-9)
    assert told["standard_errors"] == pytest.approx(
        [certified[f"sdB{i}"] for i in range(3)], rel=1e-9
    )
    assert told["residual_sd"] == pytest.approx(certified["residual_sd"], rel=1e-9)
    assert told["degrees_of_freedom"] == 37
    assert told["inverse"]["largest_deviation"] < 0.01 * told["u"]["value"]


def test_the_report_is_read_by_a_person(bench):
    """In its own process: equation, residuals, uncertainty, zero return, snippet, 80 columns."""
    text = calibrate(bench, "load", "--reference-u", "0.4 kg", run=in_its_own_process).stdout

    assert "reading = 20.2" in text
    assert "Calibrated from 0 to 1500 kg" in text
    assert re.search(r"^ +3 +500 +1020.4 ", text, re.MULTILINE)
    assert "Standard uncertainty of a reading: 0.4" in text
    assert "Zero return: 20 before, 20.6 after: +0.3 kg" in text
    assert "Copy this into the rig file" in text
    assert all(len(line) <= 80 for line in text.splitlines() if str(bench) not in line)


@pytest.mark.parametrize("quantity", ["load", "radius", "slew"])
def test_the_snippet_is_what_the_rig_file_takes(bench, quantity):
    """The printed lines, put into the channel by hand, read back as the command would write."""
    wrap = ("--wraps-at", "4096") if quantity == "slew" else ()
    text = calibrate(bench, quantity, *wrap).stdout
    snippet = "\n".join(text.split("Copy this")[1].splitlines()[1:])
    told = found(bench, quantity, *wrap)
    channel = f'id = "{quantity}"\nsource = "mast"\nname = "x"\n'
    rig = read_rig(
        '[rig]\nid = "a"\n[[source]]\nid = "mast"\nkind = "serial"\nport = "x"\n'
        f"[[channel]]\n{channel}{snippet}\n"
    )
    wired = rig.wired(quantity)

    assert list(wired.calibration.coefficients) == told["inverse"]["coefficients"]
    assert wired.calibrated.points == len(told["points"])
    assert wired.u == wired.calibrated.u
    assert wired.wraps_at == (4096 if quantity == "slew" else None)


def test_a_rig_file_keeps_its_comments_and_gets_the_record(bench):
    """Only lines of the channel change; date, reference, range and u stand in it."""
    rig = bench / "rig.toml"
    rig.chmod(0o640)
    done = calibrate(
        bench, "load", "--rig", rig, *RECORD, "--by", "Zoë", "--on", "2026-05-04", "--due",
        "2027-05-04", "--reference-u", "0.4 kg",
    )  # fmt: skip
    text = rig.read_text()
    wired = read_rig(text).wired("load")
    kept = [
        line
        for line in RIG.splitlines()
        if line and not line.startswith(("scale = 0.5 ", "offset = -10", 'u = "1 kg'))
    ]

    assert [line for line in text.splitlines() if line in kept] == kept
    assert "# from the data sheet" in text
    assert text.index("[channel.calibrated]") < text.index("# --- tape on the boom")
    assert wired.calibrated.on == "2026-05-04"
    assert wired.calibrated.reference == RECORD[1]
    assert wired.calibrated.range == ("0 kg", "1500 kg")
    assert wired.calibrated.range_si(wired.kind) == (0, 1500)
    assert wired.u_si == pytest.approx(0.5, abs=0.15)
    assert wired.calibration.coefficients[1] == pytest.approx(0.5, rel=1e-3)
    assert "- scale = 0.5" in done.stdout
    assert '+ by = "Zoë"' in done.stdout
    assert stat.S_IMODE(rig.stat().st_mode) == 0o640
    assert sorted(p.name for p in bench.iterdir()) == sorted(
        ["rig.toml", *(f"{q}.csv" for q in TABLES)]
    )


def test_writing_again_replaces_and_changes_nothing_more(bench):
    """A second calibration takes the first one's place; the same one again changes nothing."""
    rig = bench / "rig.toml"
    calibrate(bench, "load", "--rig", rig, *RECORD, "--on", "2026-05-04", "--due", "2027-01-01")
    calibrate(bench, "load", "--rig", rig, "--reference", "other", "--degree", 2, "--unit", "lb")
    once = rig.read_text()
    done = calibrate(
        bench, "load", "--rig", rig, "--reference", "other", "--degree", 2, "--unit", "lb"
    )
    wired = read_rig(once).wired("load")

    assert wired.unit == "lb"
    assert wired.polynomial is not None
    assert wired.calibrated.due is None
    assert wired.calibrated.on == datetime.now().astimezone().date().isoformat()
    assert once.count("calibrated]") == 1
    assert rig.read_text() == once
    assert "as it was" in " ".join(done.stdout.split())
    calibrate(bench, "load", "--rig", rig, *RECORD)
    assert read_rig(rig.read_text()).wired("load").polynomial is None


def test_windows_lines_marks_links_and_inline_tables_are_kept(bench):
    """CRLF stays CRLF, a byte order mark stays, a link stays one, inline tables work."""
    real = bench / "real.toml"
    real.write_bytes(b"\xef\xbb\xbf" + RIG.replace("\n", "\r\n").encode())
    link = bench / "link.toml"
    link.symlink_to(real)
    calibrate(bench, "radius", "--rig", link, *RECORD)
    data = real.read_bytes()
    inline = bench / "inline.toml"
    inline.write_text(
        '[rig]\nid = "a"\n[alarm]\ncommand = ["true"]\n[[source]]\nid = "m"\nkind = "serial"\n'
        'port = "x"\n'
    )
    head = 'channel = [\n  { id = "load", source = "m", name = "c", unit = "kg" },  # cell\n]\n'
    inline.write_text(head + inline.read_text())
    calibrate(bench, "load", "--rig", inline, *RECORD)

    assert link.is_symlink()
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.count(b"\n") == data.count(b"\r\n")
    assert read_rig(data.decode("utf-8-sig")).wired("radius").calibrated is not None
    assert "# cell" in inline.read_text()
    assert read_rig(inline.read_text()).wired("load").calibrated is not None


def test_slew_takes_wrap_and_scale_from_the_rig(bench):
    """The rig's wrap is used; --zero-only keeps its scale and moves the offset alone."""
    rig = bench / "rig.toml"
    told = found(bench, "slew", "--rig", rig, *RECORD, "--zero-only")
    wired = read_rig(rig.read_text()).wired("slew")

    assert wired.scale == 0.087890625
    assert wired.offset == pytest.approx(0.5, abs=0.1)
    assert told["standard_errors"][1] == 0
    assert wired.calibrated.degree == 0
    assert "rises as the boom turns to the truck's right" in " ".join(
        calibrate(bench, "slew", "--rig", rig, *RECORD).stdout.split()
    )
    flipped = "sighted_deg,reading\n0,4090\n-90,1018\n90,3066\n"
    text = " ".join(calibrate(bench, "slew", "--wraps-at", "4096", table=flipped).stdout.split())
    assert "scale is negative" in text


def test_two_points_say_that_nothing_tells_how_good_they_are(bench):
    """Without residuals u is unknown, unless the reference gives one; the rig's u then stays."""
    rig = bench / "rig.toml"
    two = "tape,reading\n3,3000\n4,4000\n"
    told = found(bench, "radius", "--rig", rig, *RECORD, table=two)

    assert told["standard_errors"] is None
    assert told["residual_sd"] is None
    assert told["u"]["value"] is None
    assert read_rig(rig.read_text()).wired("radius").u == "2 mm"
    assert found(bench, "radius", "--reference-u", "3 mm")["u"]["value"] == pytest.approx(0.003)
    assert "unknown" in calibrate(bench, "radius").stdout


def test_creep_and_class_are_set_beside_each_other(bench):
    """A watch of half an hour is told with what a C3 cell may do, as information."""
    rows = "0,20,0\n1000,2020,60\n2000,4020,120\n2000,4021,1320\n2000,4022,1920\n0,20.5,2000\n"
    text = calibrate(
        bench, "load", "--class", "C3", "--capacity", "2 t", table=f"applied,reading,t_s\n{rows}"
    ).stdout

    assert "Creep at 2000 kg: +1 kg in 30 min" in text
    assert "x beyond: creep in 30 min" in text
    assert "OIML R 60-1:2021" in text
    assert "as information" in text


@pytest.mark.parametrize(
    ("quantity", "table", "words", "told"),
    [
        ("load", "applied,reading\n0,1\n5,2\n", (), "has 2 points, and a fit of degree 1 needs 3"),
        ("load", "applied,reading\n0,1\n5,2\n9,3\n", ("--degree", 2), "degree 2 needs 4"),
        ("load", "applied,reading\n0,1\n5,nan\n9,3\n", (), "line 3: reading = 'nan' won't do"),
        ("load", "applied,reading\n0,1\n5,1e999\n9,3\n", (), "line 3: reading = '1e999'"),
        ("load", "applied,reading\n0,1\n5,\n9,3\n", (), "line 3: reading = '' won't do"),
        ("load", "applied,reading\n0,1\n5;2\n9,3\n", (), "line 3: has 1 fields"),
        ("load", 'applied,reading\n0,1\n"5,2\n9,3\n', (), "line 3: has quotes"),
        ("load", "applied,reading\n0,1\n5 m,2\n9,3\n", (), "line 3: applied = '5 m' won't do"),
        ("load", "applied,reading,u\n0,1,0\n5,2,-1\n9,3,0\n", (), "line 3: u = '-1' is negative"),
        ("load", "applied,reading,t_s\n0,1,9\n5,2,3\n9,3,10\n", (), "line 3: t_s = 3 is before"),
        ("load", "load,reading\n0,1\n", (), "line 1: names the columns 'load,reading'"),
        ("load", "applied,reading,note\n0,1,x\n", (), "line 1: names the columns"),
        ("load", "applied,applied,reading\n", (), "line 1: names the columns"),
        ("load", "applied,reading\n5,1\n5,2\n5,3\n", (), "all points are at one value, 5"),
        ("load", "applied,reading\n0,2\n5,2\n9,2\n", (), "is the sensor alive"),
        ("load", "", (), "is empty"),
        ("load", b"\xff\xfe\x00\x01", (), "is no text; name a CSV file in UTF-8"),
        ("load", None, ("--degree", 3), "--degree: 3 won't do"),
        ("load", None, ("--unit", "deg"), "--unit: 'deg' won't do"),
        ("load", None, ("--reference-u", "2"), "--reference-u: '2' won't do"),
        ("load", None, ("--reference-u", "-2 kg"), "--reference-u: '-2 kg' is negative"),
        ("load", None, ("--class", "C3"), "--capacity: is missing"),
        ("load", None, ("--class", "Q3", "--capacity", "2 t"), "--class: 'Q3' won't do"),
        ("load", None, ("--on", "2026-02-30"), "--on: '2026-02-30' is no day"),
        ("load", None, ("--due", "2027-02-29"), "--due: '2027-02-29' is no day"),
        ("load", None, ("--reason", "x"), "--reason: belongs to --run"),
        ("load", None, ("--rig", "rig.toml"), "--reference: is missing"),
        ("load", None, ("--rig", "none.toml", *RECORD), "there is no such file"),
        ("load", None, ("--rig", "rig.toml", *RECORD, "--by", "a\nb"), "control characters"),
        ("load", None, ("--rig", "a", "--run", "b"), "--run: and --rig are two places"),
        ("load", None, ("--run", "a.parquet", "--by", "A"), "--reason: is missing"),
        ("load", None, ("--run", "a.parquet", "--reason", "A"), "--by: is missing"),
        ("slew", None, ("--wraps-at", 4000), "reads 0 to 4000"),
        ("slew", None, ("--rig", "rig.toml", *RECORD, "--wraps-at", 1024), "wraps_at = 4096"),
        ("slew", None, ("--zero-only",), "the scale is not known"),
        ("slew", "sighted_deg,reading\n0,0\n180,2048\n", ("--wraps-at", 4096), "which way"),
        ("slew", "sighted_deg,reading\n0,0\n", ("--wraps-at", 4096), "has 1 point,"),
        ("radius", "tape,reading\n3,1\n", (), "has 1 point, and a line needs 2"),
    ],
)
def test_what_won_t_do_is_one_line(bench, monkeypatch, quantity, table, words, told):  # noqa: PLR0917 - pytest names them
    """Exit code 2, one line that names the place, and the rig file as it was."""
    monkeypatch.chdir(bench)
    done = calibrate(bench, quantity, *words, table=table, code=2)

    assert told in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert done.stdout == ""
    assert (bench / "rig.toml").read_text() == RIG


def test_a_rig_file_that_would_not_read_back_is_left_alone(bench):
    """A channel that is missing, a file that is broken: one line, nothing written."""
    rig = bench / "rig.toml"
    for text, told in (
        (
            RIG.replace('id = "load"', 'id = "wind"')
            .replace('unit = "kg"', 'unit = "m/s"')
            .replace('u = "1 kg"', ""),
            "no channel 'load'",
        ),
        (RIG + "[oops", "is no valid TOML"),
    ):
        rig.write_text(text)
        done = calibrate(bench, "load", "--rig", rig, *RECORD, code=2)

        assert told in done.stderr
        assert rig.read_text() == text


def test_a_folder_that_takes_no_file_leaves_the_rig_file_as_it_was(bench, monkeypatch):
    """The disk refuses: said in one line, nothing lost, nothing left behind."""
    from logger.recording import replacing

    def refuse(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(replacing.os, "fsync", refuse)
    done = calibrate(bench, "load", "--rig", bench / "rig.toml", *RECORD, code=2)

    assert "No space left on device" in done.stderr
    assert (bench / "rig.toml").read_text() == RIG
    assert not [p for p in bench.iterdir() if p.name.startswith(".")]


def test_a_change_by_someone_else_is_not_lost(bench):
    """What stands there now is not what was read: refused, and left."""
    from logger.errors import BadInput
    from logger.recording.replacing import replace_file

    path = bench / "rig.toml"
    with pytest.raises(BadInput, match="changed by someone else"):
        replace_file(path, b"new", was=b"old")
    with pytest.raises(BadInput, match="changed by someone else"):
        replace_file(path, b"new", was=None)

    assert path.read_text() == RIG


@pytest.mark.parametrize(
    ("record", "told"),
    [
        ('on = "yesterday"\nreference = "x"', "no day"),
        ('on = 2026-05-04\nreference = ""', "reference"),
        ('on = 2026-05-04\nreference = "x"\nu = "1 m"', "'1 m' won't do"),
        ('on = 2026-05-04\nreference = "x"\nrange = ["5 kg", "1 kg"]', "does not rise"),
        ('on = 2026-05-04\nreference = "x"\ndue = 2026-05-03', "is before"),
        ('on = 2026-05-04\nreference = "x"\nreferenze = "x"', "did you mean"),
    ],
)
def test_a_record_that_no_one_can_believe_is_refused(record, told):
    """The calibrated table is checked whenever a rig file is read."""
    from logger.errors import FileInvalid

    text = RIG.replace('u = "1 kg"\n', f'u = "1 kg"\n[channel.calibrated]\n{record}\n')
    with pytest.raises(FileInvalid, match=re.escape(told)):
        read_rig(text)


def test_a_record_takes_toml_dates_and_belongs_to_no_wheel():
    """``on = 2026-05-04`` without quotes is a day; a contact is not calibrated."""
    from logger.errors import FileInvalid

    record = '[channel.calibrated]\non = 2026-05-04\nreference = "x"\n'
    text = RIG.replace('u = "1 kg"\n', f'u = "1 kg"\n{record}')

    assert read_rig(text).wired("load").calibrated.on == "2026-05-04"
    assert isinstance(tomllib.loads(record)["channel"]["calibrated"]["on"], date)
    with pytest.raises(FileInvalid, match="wheel is not calibrated"):
        read_rig(RIG + record)


def test_check_shows_calibrations_and_tells_the_overdue_one():
    """Day, reference, u and range in one line; past its due day it is a caution."""
    from logger.live.check.calibration_check import (
        calibration_document,
        calibration_words,
        overdue_calibrations,
    )

    record = '[channel.calibrated]\non = 2026-05-04\nreference = "set 2"\ndue = 2027-05-04\n'
    rig = read_rig(RIG.replace('u = "1 kg"\n', f'u = "1 kg"\n{record}'))
    words = calibration_words(calibration_document(rig.wired("load")))
    (overdue,) = overdue_calibrations(rig, today="2027-05-05")

    assert words == "calibrated 2026-05-04 against set 2, due 2027-05-04"
    assert overdue.code == "calibration_overdue"
    assert overdue_calibrations(rig, today="2027-05-04") == []
    assert calibration_document(rig.wired("radius")) is None


@pytest.mark.parametrize("words", [(), ("load",), ("slew",), ("radius",)])
def test_help_has_an_example(words):
    """Each of the commands shows how it is called."""
    text = slewtrace("calibrate", *words, "--help").stdout

    assert f"Example: slewtrace calibrate {words[0] if words else ''}" in re.sub(r"\s+", " ", text)
