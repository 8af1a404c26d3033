"""Importing a table: any order, any rate, and one clear line for what is wrong in it."""

import io
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import BadInput, FileInvalid
from logger.readings.rig_file import read_rig
from logger.recording import csv_import
from logger.recording.csv_import import import_csv
from logger.recording.csv_lines import read_header
from logger.recording.run import open_run
from tests.rig_of_a_bay import RIG, TEST


def imported(folder, text, **options):
    """A run made from a table's text."""
    table = folder / "a.csv"
    table.write_bytes(text if isinstance(text, bytes) else text.encode())
    rest = {"rig_text": RIG, "test_text": TEST, "software": "tests"} | options
    import_csv(table, run=folder / "a.parquet", **rest)
    return open_run(folder / "a.parquet")


def test_rows_and_columns_may_stand_in_any_order(tmp_path):
    """The first line names the columns; rows are sorted by channel and time, ties as they stand."""
    run = imported(
        tmp_path,
        "value,t_s,channel\n3,0.25,load\n1.5,-0.1,load\n0,7,slew\n4,0.25,load\n2e1,0.1,load\n",
    )
    load = run.raw("load")

    assert load.t_ns.tolist() == [-100_000_000, 100_000_000, 250_000_000, 250_000_000]
    assert load.value.tolist() == [1.5, 20.0, 3.0, 4.0]
    assert run.channels == ("slew", "load")
    assert run.header.run_id == "a"
    assert run.header.rig_toml == RIG
    run.verify()


def test_times_are_rounded_to_the_nearest_nanosecond(tmp_path):
    """t_s is kept as given, in ns: 75.31 s is 75 310 000 000 ns and not a few less."""
    run = imported(tmp_path, "t_s,channel,value\n75.31,load,1\n0.0000000014,load,2\n")

    assert run.raw("load").t_ns.tolist() == [1, 75_310_000_000]


def test_switches_are_numbers_words_or_text(tmp_path):
    """Wheels take 1 and 0, true and false in any case, or the text that the rig file names."""
    run = imported(
        tmp_path,
        "t_s,channel,value\n"
        "0,wheel/rear_left,true\n1,wheel/rear_left,FALSE\n2,wheel/rear_left,1\n"
        "0,wheel/rear_right,True\n1,wheel/rear_right,0\n"
        "0,wheel/front_left,ON\n1,wheel/front_left,OFF\n2,wheel/front_left,1\n0,load,5\n",
    )

    assert run.contact("wheel/rear_left")[1].tolist() == [True, False, True]
    assert run.contact("wheel/rear_right")[1].tolist() == [False, True]
    assert run.raw("wheel/front_left").value.tolist() == [1.0, 0.0, 0.0]


def test_spreadsheet_habits_are_understood(tmp_path):
    """A byte order mark, CRLF, quotes, spaces and blank lines at the end do no harm."""
    run = imported(
        tmp_path,
        b'\xef\xbb\xbf"t_s", "channel","value"\r\n'
        b' 0.5 , load ,"+1.0"\r\n"1.5",load, 2 \r\n\r\n  \r\n',
    )

    assert run.raw("load").value.tolist() == [1.0, 2.0]


def test_the_start_in_utc_is_kept(tmp_path):
    """Who knows the start gives it; else the run says that nobody knows."""
    text = "t_s,channel,value\n0,load,1\n"
    (tmp_path / "b").mkdir()

    assert imported(tmp_path, text).header.started_utc is None
    with_start = imported(tmp_path / "b", text, started_utc="2026-05-04T09:30:00Z")
    assert with_start.header.started_utc == "2026-05-04T09:30:00Z"


HEAD = "t_s,channel,value\n"
WRONG = {
    "empty": ("", "a.csv: is empty"),
    "header only": (HEAD, "no readings below"),
    "blank": (HEAD + "\n\n", "no readings below"),
    "noise": (bytes(range(256)) * 40, "line 1: is no UTF-8|line 1: is longer|control"),
    "png": (b"\x89PNG\r\n\x1a\n" + bytes(500), r"line 1: is no UTF-8 text \(byte 0x89\)"),
    "nuls": (bytes(5000), "line 1"),
    "utf-16": ("\ufefft_s,channel,value\n".encode("utf-16-le"), "UTF-16"),
    "semicolons": ("t_s;channel;value\n0;load;1\n", "line 1: names the columns"),
    "column missing": ("t_s,value\n0,1\n", "line 1: names the columns"),
    "column twice": ("t_s,t_s,channel,value\n0,0,load,1\n", "line 1: names the columns"),
    "column more": ("t_s,channel,value,unit\n0,load,1,kg\n", "and no others"),
    "no header": ("0,load,1\n", "line 1: names the columns"),
    "cut": (HEAD + "0,load,1\n1,loa", "line 3: has 2 fields"),
    "cut in the channel": (HEAD + "0,load,1\n1,lo,", "line 3"),
    "field more": (HEAD + "0,load,1\n0,load,1,2\n", "line 3: has 4 fields"),
    "channel": (
        HEAD + "0,laod,1\n",
        "line 2: the rig file has no channel 'laod'; did you mean 'load'",
    ),
    "wheel": (HEAD + "0,rear_left,1\n", "did you mean 'wheel/rear_left'"),
    "case": (HEAD + "0,Load,1\n", "did you mean 'load'"),
    "not wired": (HEAD + "0,radius,1\n", "no channel 'radius'"),
    "no number": (HEAD + "0,load,1\n1,load,heavy\n", "line 3: 'heavy' won't do"),
    "unit": (HEAD + "0,load,1400 kg\n", "line 2: '1400 kg' won't do: a value of load is a number"),
    "decimal comma": (HEAD + '"0,5",load,1\n', "line 2: '0,5' won't do: t_s"),
    "true load": (HEAD + "0,load,true\n", "line 2: 'true' won't do"),
    "nan": (HEAD + "0,load,1\n0,load,nan\n", "line 3: 'nan' won't do"),
    "inf": (HEAD + "0,load,inf\n", "line 2: 'inf' won't do"),
    "too large": (HEAD + "0,load,1e999\n", "line 2: '1e999' is too large"),
    "time nan": (HEAD + "nan,load,1\n", "line 2: 'nan' won't do: t_s"),
    "time too large": (HEAD + "1e10,load,1\n", "line 2: t_s = '1e10' is beyond"),
    "no value": (HEAD + "0,load,\n", "line 2: has no number"),
    "no wheel value": (HEAD + "0,wheel/front_left,\n", "line 2: has no value"),
    "no time": (HEAD + ",load,1\n", "line 2: has no number: t_s"),
    "switch": (HEAD + "0,wheel/rear_left,closed\n", "is a number, true or false"),
    "quotes": (HEAD + '0,"load,1\n', "line 2"),
    "bytes": (
        HEAD.encode() + b"0,load,1\n0,lo\xffd,1\n",
        r"line 3: is no UTF-8 text \(byte 0xff\)",
    ),
    "long line": (HEAD + "0,load," + "1" * 5000 + "x\n", "line 2: is longer than"),
    "python number": (HEAD + "0,load,1_000\n", "line 2: '1_000' won't do"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_in_a_table_is_one_line(tmp_path, case):
    """Each fault is told in one line with file and line number, and nothing is written."""
    text, said = WRONG[case]

    with pytest.raises(FileInvalid, match=said) as info:
        imported(tmp_path, text)
    assert "\n" not in str(info.value)
    assert str(info.value).startswith(str(tmp_path / "a.csv"))
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_a_fault_far_down_has_its_line_number(tmp_path, monkeypatch):
    """The line number is right also when the table was read in many pieces."""
    monkeypatch.setattr(csv_import, "_PIECE_BYTES", 1000)
    rows = [f"{i / 1000},load,{i}" for i in range(5000)]
    rows[4321] = "4.321,load,4.3.2.1"

    with pytest.raises(FileInvalid, match=r"line 4323: '4\.3\.2\.1' won't do"):
        imported(tmp_path, HEAD + "\n".join(rows) + "\n")


def test_a_line_without_end_is_refused_without_reading_it_all(tmp_path, monkeypatch):
    """A huge file without line ends is refused at the first piece."""
    monkeypatch.setattr(csv_import, "_PIECE_BYTES", 100_000)

    with pytest.raises(FileInvalid, match="line 3: has 100000 bytes in one line"):
        imported(tmp_path, HEAD + "0,load,1\n" + "1" * 400_000)
    with (tmp_path / "huge.csv").open("wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(FileInvalid, match="line 1: is longer than"):
        import_csv(
            tmp_path / "huge.csv",
            rig_text=RIG,
            test_text=TEST,
            run=tmp_path / "h.parquet",
            software="tests",
        )


@pytest.mark.parametrize(
    ("name", "said"),
    [("no.csv", "is not there"), (".", "is a folder"), ("/dev/zero", "is no file")],
)
def test_what_is_no_table_is_one_line(tmp_path, name, said):
    """A missing file, a folder and a device are told apart."""
    with pytest.raises(FileInvalid, match=said):
        import_csv(
            tmp_path / name,
            rig_text=RIG,
            test_text=TEST,
            run=tmp_path / "a.parquet",
            software="tests",
        )


def test_a_run_that_is_there_is_not_overwritten(tmp_path):
    """Importing onto a run that exists is refused and leaves it as it is."""
    imported(tmp_path, HEAD + "0,load,1\n")
    before = (tmp_path / "a.parquet").read_bytes()

    with pytest.raises(BadInput, match="never overwritten"):
        imported(tmp_path, HEAD + "0,load,2\n")
    assert (tmp_path / "a.parquet").read_bytes() == before


def test_wrong_files_beside_the_table_are_one_line(tmp_path):
    """A rig or test file that won't do, a wheel that is not wired, a start that is no time."""
    text = HEAD + "0,load,1\n"

    with pytest.raises(FileInvalid, match=r"bay\.toml"):
        imported(tmp_path, text, rig_text="[rig", rig_name="bay.toml")
    with pytest.raises(FileInvalid, match="has no channel 'wheel/rear_middle'"):
        imported(tmp_path, text, test_text=TEST.replace("rear_left", "rear_middle"))
    with pytest.raises(FileInvalid, match="start in UTC: start 'noon' is not like"):
        imported(tmp_path, text, started_utc="noon")
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


CELLS = st.one_of(
    st.floats(-1e6, 1e6).map(repr),
    st.integers(-99, 99).map(str),
    st.sampled_from(
        ["true", "FALSE", "ON", "OFF", " 1.5 ", "+2", "1.", ".5", "1e3", "nan", "", "x"]
    ),
)
ROWS = st.lists(
    st.tuples(
        st.one_of(st.floats(-1e5, 1e5).map(repr), st.sampled_from(["0", " 1", "1e99", "y"])),
        st.sampled_from(["load", "slew", "wheel/rear_left", "wheel/front_left", " load", "lod"]),
        CELLS,
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=300)
@given(rows=ROWS, plain_rig=st.booleans())
def test_the_fast_way_never_differs_from_the_careful_one(rows, plain_rig):
    """Whatever pyarrow's way reads, the line-by-line way reads the same."""
    rig = read_rig(RIG.replace('"ON"', "1.0") if plain_rig else RIG)
    table = read_header(io.BytesIO(HEAD.encode()), name="a.csv", rig=rig)
    piece = "".join(f"{','.join(row)}\n" for row in rows).encode()
    fast = csv_import._BulkReader(table).read(piece)
    if fast is None:
        return
    careful = table.read_lines(io.BytesIO(piece), first_line=2)

    assert set(fast) == set(careful)
    for channel, (t_ns, value) in fast.items():
        np.testing.assert_array_equal(t_ns, careful[channel][0])
        np.testing.assert_array_equal(value, careful[channel][1])


@pytest.mark.parametrize("words", [False, True])
def test_the_fast_way_is_taken_for_plain_tables(words):
    """Numbers, and switches written as words, do not need the careful way."""
    table = read_header(io.BytesIO(HEAD.encode()), name="a.csv", rig=read_rig(RIG))
    closed = "true" if words else "1"
    piece = f"0,load,1.5\n0,slew,7\n0,wheel/rear_left,{closed}\n0,wheel/front_left,ON\n".encode()

    assert csv_import._BulkReader(table).read(piece) is not None


def test_importing_a_million_readings_is_quick_and_lean(tmp_path):
    """Two million readings take little more memory than 2.5 times their size, besides a base."""
    count = 2_000_000
    with (tmp_path / "a.csv").open("w") as file:
        file.write(HEAD)
        for start in range(0, count, 100_000):
            file.write(
                "".join(f"{i / 1000},load,{i % 977}\n" for i in range(start, start + 100_000))
            )
    (tmp_path / "w.csv").write_text(HEAD + "0,load,1\n" * 100_000)
    program = (
        "import resource, sys, time\n"
        "from pathlib import Path\n"
        "from logger.recording.csv_import import import_csv\n"
        "from tests.rig_of_a_bay import RIG, TEST\n"
        "folder = Path(sys.argv[1])\n"
        "def go(name):\n"
        "    import_csv(folder / f'{name}.csv', rig_text=RIG, test_text=TEST,\n"
        "        run=folder / f'{name}.parquet', software='tests')\n"
        "go('w')\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "go('a')\n"
        "sys.stdout.write(str(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )
    pieces_kib = 6 * 16 * 1024  # a piece of text and its parsed columns

    assert open_run(tmp_path / "a.parquet").header.samples == {"load": count}
    assert int(done.stdout) < 2.5 * count * 16 / 1024 + pieces_kib
    assert (tmp_path / "a.parquet").stat().st_size < count * 4
