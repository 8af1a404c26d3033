"""Reading a run: the API for notebooks, and one clear line for whatever is no run."""

import json
import os
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.errors import RunUnreadable
from logger.readings.block import Block
from logger.recording import row_groups, sealed
from logger.recording import run as run_module
from logger.recording.header import Gap, Note, canonical_json
from logger.recording.run import open_run
from logger.recording.sealed import ROWS_IN_GROUP, write_sealed
from tests.rig_of_a_bay import RIG, header

POUND_KG = 0.45359237  # exact: NIST SP 811, B.8


def block(channel, t_ns, value):
    """A block from lists."""
    return Block(
        channel=channel,
        t_ns=np.asarray(t_ns, dtype=np.int64),
        value=np.asarray(value, dtype=np.float64),
    )


TURNING = (np.arange(3000) * 5) % 4096


@pytest.fixture
def run(tmp_path, monkeypatch):
    """A run with several row groups a channel."""
    monkeypatch.setattr(sealed, "ROWS_IN_GROUP", 700)
    path = tmp_path / "a.parquet"
    write_sealed(
        path,
        header(
            notes=(Note(t_ns=3, kind="text", text="wind rises"),),
            gaps=(Gap(t_ns=4, source="mast", kind="lost"),),
        ),
        [
            block("load", np.arange(1000) * 1_000_000 + 500, np.arange(1000)),
            block("slew", np.arange(3000) * 1_000_000, TURNING),
            block("wheel/front_left", [0, 10, 20], [1, 0, 1]),
            block("wheel/rear_left", [0, 10, 20], [1, 0, np.nan]),
            block("wheel/rear_right", [0, 10, 20], [1, 0, 0]),
        ],
    )
    return open_run(path)


def test_a_run_tells_what_it_holds(run):
    """Channels in the rig's order, notes, gaps and the span of all samples."""
    assert run.channels == (
        "slew",
        "load",
        "wheel/rear_left",
        "wheel/rear_right",
        "wheel/front_left",
    )
    assert run.span_ns == (0, 2_999_000_000)
    assert run.notes[0].text == "wind rises"
    assert run.gaps[0].kind == "lost"
    assert run.header.rig.rig.id == "bay-2"
    assert run.header.test.truck.wheels == ("rear_left", "rear_right")
    run.verify()


def test_load_is_calibrated_to_kilograms(run):
    """A raw count in pounds with scale and offset comes as kg."""
    load = run.calibrated("load")

    assert load.value[10] == pytest.approx((2.0 * 10 + 1.0) * POUND_KG, rel=1e-14)


@pytest.mark.parametrize(
    ("start_ns", "end_ns"),
    [
        (None, None),
        (0, 500),
        (500, 501),
        (501, 1_000_500),
        (650_000_500, 750_000_501),
        (None, 5),
        (10**12, None),
        (9, 3),
    ],
)
def test_a_range_is_half_open_over_row_groups(run, start_ns, end_ns):
    """A stretch holds every reading from its start up to, not including, its end."""
    whole = run.raw("load")
    part = run.raw("load", start_ns, end_ns)
    low = -1 if start_ns is None else start_ns
    high = 10**15 if end_ns is None else end_ns
    wanted = (whole.t_ns >= low) & (whole.t_ns < high)

    np.testing.assert_array_equal(part.t_ns, whole.t_ns[wanted])
    np.testing.assert_array_equal(part.value, whole.value[wanted])


def test_a_range_reads_only_its_row_groups(run, monkeypatch):
    """A short stretch is read from the row groups that hold it and no others."""
    asked = []
    read = run_module.read_samples

    def watch(path, *, groups, **rest):
        asked.append([g.number for g in groups])
        return read(path, groups=groups, **rest)

    monkeypatch.setattr(run_module, "read_samples", watch)
    run.raw("load", 0, 1_000_000)

    assert asked == [[0]]


def test_slew_is_continuous_and_the_same_in_a_stretch(run):
    """The angle runs on over wraps, and a stretch in the middle has the angles of the whole."""
    whole = run.calibrated("slew")
    part = run.calibrated("slew", 2_000_000_000, 2_100_000_000)

    np.testing.assert_allclose(whole.value, np.arange(3000) * 5 * 0.087890625, atol=1e-9)
    np.testing.assert_array_equal(part.value, whole.value[2000:2100])


def test_contact_is_true_with_the_tyre_on_the_ground(run):
    """Each switch by its own closed value; what is no reading counts as open."""
    assert run.contact("wheel/rear_left")[1].tolist() == [True, False, False]
    assert run.contact("wheel/rear_right")[1].tolist() == [False, True, True]
    assert run.contact("wheel/front_left", 10)[1].tolist() == [False, True]
    with pytest.raises(ValueError, match="'load' is no wheel; wheels: wheel/rear_left"):
        run.contact("load")


def test_series_are_pandas_on_elapsed_time(run):
    """A series has a named index of elapsed time, the channel's name and its unit."""
    load = run.series("load")
    wheel = run.series("wheel/rear_left")

    assert isinstance(load.index, pd.TimedeltaIndex)
    assert (load.name, load.attrs["unit"], load.index.name) == ("load", "kg", "time since start")
    assert load.loc[pd.Timedelta("0.5s") : pd.Timedelta("0.6s")].size == 100
    assert load.index[1] == pd.Timedelta(1_000_500, unit="ns")
    assert wheel.dtype == bool
    assert wheel.attrs["unit"] == "on the ground"
    assert run.series("slew").attrs["unit"] == "deg"


def test_a_channel_without_samples_is_empty_and_an_unknown_one_an_error(tmp_path):
    """Asking for what the rig has but nothing was recorded of gives an empty block."""
    path = tmp_path / "a.parquet"
    write_sealed(path, header(), [])
    empty = open_run(path)

    assert empty.channels == ()
    assert empty.span_ns == (0, 0)
    assert len(empty.raw("load")) == len(empty.calibrated("slew")) == empty.series("load").size == 0
    empty.verify()
    with pytest.raises(ValueError, match="no channel 'wind' in this run"):
        empty.raw("wind")


def sealed_with(path, document, *, table=None):
    """A sealed Parquet file with any header and columns."""
    table = (
        table
        if table is not None
        else pa.table(
            {
                "channel": pa.array([], pa.string()),
                "t_ns": pa.array([], pa.int64()),
                "value": pa.array([], pa.float64()),
            }
        )
    )
    with pq.ParquetWriter(path, table.schema) as writer:
        if table.num_rows:
            writer.write_table(table)
        if document is not None:
            text = document if isinstance(document, str) else canonical_json(document)
            writer.add_key_value_metadata({"slewtrace": text})
    sealed.add_seal(path)
    return path


def equal_samples(path, count):
    """A sealed run of one row group with so many equal samples, which make a small file."""
    document = header().to_json() | {"samples": {"load": count}}
    columns = {"channel": ["load"] * count, "t_ns": [0] * count, "value": [1.0] * count}
    return sealed_with(path, document, table=pa.table(columns))


def test_a_row_group_larger_than_any_of_ours_is_refused_unread(tmp_path, monkeypatch):
    """One sample more than the most is refused on opening, by its footer, and the most is read."""
    monkeypatch.setattr(row_groups, "MOST_ROWS", 1000)
    most = open_run(equal_samples(tmp_path / "most.parquet", 1000))
    monkeypatch.setattr(pq.ParquetFile, "read_row_group", None)

    assert most.sample_count == 1000
    with pytest.raises(RunUnreadable, match="has 1001 samples in row group 0") as info:
        open_run(equal_samples(tmp_path / "more.parquet", 1001))
    assert "name a whole run" in str(info.value)


def test_whatever_we_write_is_far_from_the_most():
    """Row groups of ours are a sixteenth of what is read."""
    assert row_groups.MOST_ROWS == 16 * ROWS_IN_GROUP


def test_a_column_longer_than_its_row_group_is_refused():
    """A footer whose column states more values than the row group has rows is refused."""
    columns = [SimpleNamespace(num_values=n) for n in (3, 3, 40_000_000)]
    group = SimpleNamespace(num_rows=3, column=columns.__getitem__)
    metadata = SimpleNamespace(num_row_groups=1, row_group=lambda _: group)

    with pytest.raises(row_groups.ColumnsUnreadable, match="unequal length in row group 0"):
        row_groups.index_row_groups(metadata)


def headers():
    """Headers that will not do, and what is said of each."""
    whole = header().to_json()
    return {
        "newer format": (whole | {"format": "slewtrace.run/2"}, "use a newer Slewtrace"),
        "other format": (whole | {"format": "something/1"}, "not of format"),
        "no JSON": ("{", "no JSON"),
        "a list": ([], "no JSON object"),
        "deep": ("[" * 100_000, "no JSON"),
        "no rig": ({k: v for k, v in whole.items() if k != "rig_toml"}, "rig_toml"),
        "rig spoilt": (whole | {"rig_toml": "[rig"}, "no valid TOML"),
        "notes": (whole | {"notes": [{"t_ns": "x", "kind": "text"}]}, "notes"),
        "rate": (whole | {"clock_rate": -1.0}, "not positive"),
        "start": (whole | {"started_utc": "yesterday"}, "is not like"),
        "fits": (whole | {"clock_fits": {"a": {}}}, "clock fit"),
        "fits no object": (whole | {"clock_fits": 5}, "won't do"),
        "samples": (whole | {"samples": {"load": 3}}, "another number of samples"),
    }


@pytest.mark.parametrize("case", headers())
def test_a_header_that_will_not_do_is_one_line(tmp_path, case):
    """A header of a newer format, or with any field wrong, is refused in one line."""
    document, said = headers()[case]
    path = sealed_with(tmp_path / "a.parquet", document)

    with pytest.raises(RunUnreadable, match=said) as info:
        open_run(path)
    assert "\n" not in str(info.value)
    assert str(info.value).startswith(str(path))
    assert len(str(info.value)) < 600


def odd_files(folder):
    """What is no run, and what is said of each."""
    whole = folder / "whole.parquet"
    write_sealed(whole, header(), [block("load", range(9), range(9))])
    data = whole.read_bytes()
    foreign = folder / "foreign.parquet"
    pq.write_table(pa.table({"a": [1, 2]}), foreign)
    journal = folder / "started.journal"
    journal.write_bytes(b"SQLite format 3\x00" + bytes(4080))
    files = {
        "missing": (folder / "no.parquet", "is not there"),
        "missing with journal": (folder / "started.parquet", "slewtrace recover"),
        "folder": (folder, "is a folder"),
        "device": ("/dev/zero", "is no file"),
        "journal": (journal, "slewtrace recover"),
        "foreign": (foreign, "without this program's seal"),
    }
    contents = {
        "empty": (b"", "is empty"),
        "one byte": (b"P", "is no Parquet file"),
        "noise": (os.urandom(5000), "is no Parquet file"),
        "text": (b"t_s,channel,value\n0,load,1\n" * 10, "is no Parquet file"),
        "cut": (data[:-40], "cut short"),
        "half": (data[: len(data) // 2], "cut short"),
        "head and tail": (data[:4] + data[-8:], "cut short"),
        "false length": (data[:-8] + b"\xff\xff\xff\x7fPAR1", "cut short"),
    }
    for name, (content, said) in contents.items():
        path = folder / f"{name}.parquet"
        path.write_bytes(content)
        files[name] = (path, said)
    return files


@pytest.mark.parametrize(
    "case",
    [
        "missing",
        "missing with journal",
        "folder",
        "device",
        "journal",
        "foreign",
        "empty",
        "one byte",
        "noise",
        "text",
        "cut",
        "half",
        "head and tail",
        "false length",
    ],
)
def test_what_is_no_run_is_one_line(tmp_path, case):
    """Empty, cut, binary, foreign and missing files are told apart, each in one line."""
    path, said = odd_files(tmp_path)[case]

    with pytest.raises(RunUnreadable, match=said) as info:
        open_run(path)
    assert "\n" not in str(info.value)
    assert str(info.value).startswith(str(path))
    assert info.value.would_do


def test_a_huge_file_is_refused_at_once(tmp_path):
    """A file of a terabyte that is no run is refused without reading it."""
    path = tmp_path / "huge.parquet"
    with path.open("wb") as file:
        file.write(b"PAR1")
        file.truncate(1 << 40)

    with pytest.raises(RunUnreadable, match="cut short"):
        open_run(path)


def test_columns_that_are_not_plain_are_refused(tmp_path):
    """Other types, extension types among them, are refused whatever the header says."""
    wrong = {
        "types": pa.table({"channel": ["load"], "t_ns": [1], "value": ["x"]}),
        "stamps": pa.table(
            {"channel": ["load"], "t_ns": pa.array([1], pa.timestamp("ns")), "value": [1.0]}
        ),
        "names": pa.table({"channel": ["load"], "time": [1], "value": [1.0]}),
        "more": pa.table({"channel": ["load"], "t_ns": [1], "value": [1.0], "x": [1]}),
        "list": pa.table({"channel": ["load"], "t_ns": [1], "value": [[1.0]]}),
        "extension": pa.table(
            {
                "channel": ["load"],
                "t_ns": [1],
                "value": pa.ExtensionArray.from_storage(
                    pa.uuid(), pa.array([b"0" * 16], pa.binary(16))
                ),
            }
        ),
    }
    for name, table in wrong.items():
        path = sealed_with(tmp_path / f"{name}.parquet", header().to_json(), table=table)

        with pytest.raises(RunUnreadable, match=r"does not have the columns|no plain number"):
            open_run(path)


def test_a_parquet_file_without_our_header_is_no_run(tmp_path):
    """The right columns alone do not make a run."""
    path = sealed_with(tmp_path / "a.parquet", None)

    with pytest.raises(RunUnreadable, match="it has no header"):
        open_run(path)


def test_the_header_repeats_calibrations_for_other_readers(run):
    """Who reads the file without this program finds each channel's coefficients and units."""
    document = json.loads(pq.read_metadata(run.path).metadata[b"slewtrace"])

    assert document["calibrations"]["load"]["coefficients"] == [1.0, 2.0]
    assert document["calibrations"]["load"]["to_si"] == pytest.approx(POUND_KG, rel=1e-12)
    assert document["calibrations"]["wheel/front_left"] == {"closed_when": "ON"}
    assert document["rig_toml"] == RIG
