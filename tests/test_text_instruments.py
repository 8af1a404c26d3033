"""Ready-made shapes of text lines, and NMEA 0183: what is taken, and what is refused in words."""

from __future__ import annotations

import contextlib
import os
import re
import threading

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import FileInvalid, FrameInvalid
from logger.live.check.listening import SourceTally
from logger.live.check.source_check import Surroundings, judge_source
from logger.live.record import record, run_clock
from logger.readings import text_shapes
from logger.readings.rig_file import Source, read_rig
from logger.readings.source_keys import SOURCE_KINDS, WIRE_FORMATS
from logger.readings.test_file import read_test
from logger.readings.text_shapes import TEXT_SHAPES
from logger.recording.run import open_run
from logger.sources import opening
from logger.sources.decoding import decoder_of, line_decoder_of
from logger.sources.serial_characters import set_characters
from logger.sources.wire_formats.nmea import checksum
from tests.rig_of_a_bay import TEST
from tests.terminal import Terminal


def table(**keys):
    """A source's table in a rig file."""
    return Source(**{"id": "cell", "kind": "serial", "port": "COM3", "decode": "text", **keys})


def read(line, **keys):
    """The readings of one line."""
    pack = decoder_of(table(**keys))(line if isinstance(line, bytes) else line.encode())
    return dict(zip(pack.names, pack.value.tolist(), strict=True))


BOTH = {"shape": "status_value_unit", "good_status": ["ok", "S1"], "line_unit": "kg"}
STATUS = {"shape": "status_value", "good_status": ["ok"]}
UNIT = {"shape": "value_unit", "line_unit": "kg"}
TAKEN = [
    ("+  1402.5", {"shape": "value"}, 1402.5),
    ("-12", {"shape": "value"}, -12.0),
    ("   000.0  ", {"shape": "value"}, 0.0),
    ("−7.", {"shape": "value"}, -7.0),
    ("1402,5", {"shape": "value", "decimal": "comma"}, 1402.5),
    ("1402.5 kg", UNIT, 1402.5),
    ("-   12.0kg", UNIT, -12.0),
    ("\x02 12 kg\x03", UNIT, 12.0),
    ("ok;+1402.5", STATUS, 1402.5),
    ("ok  1402.5", STATUS, 1402.5),
    ("ok; -3,25", STATUS | {"decimal": "comma"}, -3.25),
    ("ok, +001402.5 kg", BOTH, 1402.5),
    ("S1,-  0.5 kg", BOTH, -0.5),
    ("ok\t12\tkg", BOTH, 12.0),
    ("-  12.0 kg", UNIT | {"line_length": 10}, -12.0),
]


@pytest.mark.parametrize(("line", "keys", "value"), TAKEN)
def test_lines_of_a_shape_are_taken(line, keys, value):
    """Sign apart, zeros before, comma or point, status and unit: the number is the reading."""
    assert read(line, **keys) == {"value": value}


def test_every_example_of_the_table_fits_its_shape():
    """The lines that stand in the module's own table are lines of those shapes."""
    rows = [r for r in text_shapes.__doc__.splitlines() if r.startswith("``")]
    keys = {"value": {}, "value_unit": UNIT, "status_value": STATUS, "status_value_unit": BOTH}
    shapes = []
    for row in rows:
        name, *quoted = row.split("``")[1::2]
        lines = [x for x in quoted if any(c.isdigit() for c in x)]
        shapes.append(name)

        assert lines
        for line in lines:
            assert read(line, **{"shape": name} | keys[name])
    assert shapes == list(TEXT_SHAPES)


REFUSED = [
    ("mv, +1402.5 kg", BOTH, "status 'mv' is not among the good ones"),
    ("ok, +1402.5 lb", BOTH, "unit 'lb', not 'kg'"),
    ("ok, ------ kg", BOTH, "no line of shape 'status_value_unit'"),
    ("ok, 1402.5", BOTH, "no line of shape"),
    ("ok, 14O2.5 kg", BOTH, "no line of shape"),
    ("ok, 1402.5 kg 3", BOTH, "no line of shape"),
    ("1,402.5 kg", UNIT, "no line of shape"),
    ("1402.5 kg", UNIT | {"decimal": "comma"}, "no line of shape"),
    ("12.0 kg", UNIT | {"line_length": 10}, "a line of 7 characters, not 10"),
    ("1e5", {"shape": "value"}, "no line of shape"),
    ("", {"shape": "value"}, "no line of shape"),
    ("nan", {"shape": "value"}, "no line of shape"),
    (b"\xff\xfe12", {"shape": "value"}, "no line of shape"),
    ("9" * 400, {"shape": "value"}, "no line of shape"),
]


@pytest.mark.parametrize(("line", "keys", "words"), REFUSED)
def test_lines_that_the_instrument_does_not_vouch_for_are_refused_in_words(line, keys, words):
    """In motion, overloaded, in another unit, cut short: counted with its reason, never taken."""
    with pytest.raises(FrameInvalid) as caught:
        read(line, **keys)
    assert words in str(caught.value)


@given(st.binary(max_size=200))
def test_no_bytes_break_a_shape_or_a_sentence(data):
    """Whatever comes is a reading or refused."""
    for keys in (BOTH, {"shape": "value"}, {"decode": "nmea"}):
        with contextlib.suppress(FrameInvalid):
            read(data, **keys)


MISTAKES = [
    ({"shape": "values"}, "no shape 'values'; shapes are value, value_unit"),
    ({"shape": "value", "pattern": "(?P<x>1)"}, "needs 'pattern' or 'shape', and only one"),
    ({}, "needs 'pattern' or 'shape'"),
    ({"shape": "status_value"}, "needs 'good_status', like good_status = [\"ok\"]"),
    ({"shape": "value_unit"}, "needs 'line_unit', like line_unit = \"kg\""),
    ({"shape": "value", "line_unit": "kg"}, "'line_unit' does not go with shape 'value'"),
    ({"shape": "value", "decode": "senml"}, "'shape' goes with decode = \"text\""),
    ({"decode": "nmea2000"}, "senml, text, nmea"),
]


@pytest.mark.parametrize(("keys", "words"), MISTAKES)
def test_a_mistake_about_a_shape_is_told_in_words(keys, words):
    """What is missing, what does not go together, what there is."""
    with pytest.raises(ValueError, match=re.escape(words)):
        table(**keys)


def test_a_text_instruments_characters_may_have_seven_bits_and_parity():
    """As many old indicators have; what is not said is eight bits, no parity, one stop bit."""
    for keys, wanted in (
        ({}, (8, "N", 1)),
        ({"data_bits": 7, "parity": "even"}, (7, "E", 1)),
        ({"parity": "odd", "stop_bits": 2}, (8, "O", 2)),
    ):
        line = serial.serial_for_url("loop://")
        set_characters(line, table(shape="value", **keys))
        found = (line.bytesize, line.parity, line.stopbits)
        line.close()

        assert found == wanted
    with pytest.raises(ValueError, match="'parity' goes with kind = \"serial\""):
        Source(id="a", kind="mqtt", url="mqtt://h", topic="t", parity="even")


# NMEA 0183. The first two sentences are examples of gpsd's "NMEA Revealed"
# (gpsd.gitlab.io/gpsd/NMEA.html, as quoted by others); the third is one widely quoted for MWV,
# the others are made, their checksums by another way of reckoning below.


def sentence(body):
    """A sentence with its checksum, reckoned byte by byte."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}"


SENTENCES = [
    ("$WIMWV,041.1,R,01.0,N,A*16", {"wind_angle": 41.1, "wind_speed": 1852 / 3600}),
    (
        "$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
        {"PITCH": 171.0, "ROLL": -37.0},
    ),
    ("$WIMWV,214.8,R,0.1,K,A*28", {"wind_angle": 214.8, "wind_speed": 0.1 / 3.6}),
    (sentence("WIMWV,10,T,9.0,M,A"), {"wind_angle_true": 10.0, "wind_speed_true": 9.0}),
    (sentence("YXXDR,A,-0.35,D,frame,P,1.01,B,air"), {"frame": -0.35}),
    (sentence("IIXDR,C,21.5,C,air"), {}),
    ("$GPGLL,4916.45,N,12311.12,W,225444,A*31", {}),
    (sentence("PABC,1,2"), {}),
]


@pytest.mark.parametrize(("text", "readings"), SENTENCES)
def test_sentences_give_wind_and_angles(text, readings):
    """Any talker; speed in m/s from any unit; angles by name; other sentences are passed over."""
    assert read(text, decode="nmea") == pytest.approx(readings)


BAD_SENTENCES = [
    ("$WIMWV,041.1,R,01.0,N,A*17", "checksum says 17, the sentence gives 16"),
    ("$WIMWV,041.1,R,01.0,N,A", "no NMEA 0183 sentence with a checksum"),
    ("WIMWV,041.1,R,01.0,N,A*16", "no NMEA 0183 sentence"),
    (sentence("WIMWV,041.1,R,01.0,N,V"), "the sensor says that it is not valid"),
    (sentence("WIMWV,,R,01.0,N,A"), "MWV's angle is '', no number"),
    (sentence("WIMWV,041.1,R,01.0,X,A"), "speed in 'X'"),
    (sentence("WIMWV,041.1,Q,01.0,N,A"), "reference 'Q'"),
    (sentence("WIMWV,041.1,R,01.0,N"), "with 4 fields"),
    (sentence("IIXDR,A,0.5,D"), "with 3 fields"),
    (sentence("IIXDR,A,0.5,R,PITCH"), "angle in 'R'"),
    (sentence("IIXDR,A,,D,PITCH"), "XDR's 'PITCH' is '', no number"),
    (sentence("IIXDR,A,1,D,"), "without a name"),
    (sentence("IIXDR" + ",A,1,D,X" * 60), "bytes; 256 go"),
]


@pytest.mark.parametrize(("text", "words"), BAD_SENTENCES)
def test_sentences_that_can_not_be_believed_are_refused_in_words(text, words):
    """A wrong checksum, no checksum, not valid by its own word, an unknown unit, an empty field."""
    with pytest.raises(FrameInvalid) as caught:
        read(text, decode="nmea")
    assert words in str(caught.value)


def test_any_single_wrong_character_of_a_sentence_is_noticed():
    """An exclusive or sees each change of one character."""
    good = "$WIMWV,041.1,R,01.0,N,A*16"
    for place in range(1, len(good) - 3):
        for other in "0A,":
            if other != good[place]:
                spoilt = good[:place] + other + good[place + 1 :]
                with pytest.raises(FrameInvalid):
                    read(spoilt, decode="nmea")
    assert checksum("WIMWV,041.1,R,01.0,N,A") == 0x16


# Tables and modules


def test_what_stands_in_the_tables_is_there():
    """Each wire format has its module, each kind of source its opener, and the other way round."""
    for name in WIRE_FORMATS:
        keys = {"shape": "value"} if name == "text" else {}
        assert line_decoder_of(table(decode=name, **keys))
    assert set(opening._OPENERS) == set(SOURCE_KINDS)


# A whole recording

RIG = """
[rig]
id = "bay-2"
[[source]]
id = "cell"
kind = "serial"
port = "{cell}"
decode = "text"
shape = "status_value_unit"
good_status = ["ok"]
line_unit = "kg"
[[source]]
id = "mast"
kind = "serial"
port = "{mast}"
baud = 4800
decode = "nmea"
[[channel]]
id = "load"
source = "cell"
name = "value"
unit = "kg"
[[channel]]
id = "wind"
source = "mast"
name = "wind_speed"
unit = "m/s"
[[channel]]
id = "roll"
source = "mast"
name = "ROLL"
unit = "deg"
[[channel]]
id = "wheel/rear_left"
source = "cell"
name = "none"
closed_when = true
[[channel]]
id = "wheel/rear_right"
source = "cell"
name = "none"
closed_when = true
"""


def test_a_reading_in_motion_is_told_and_never_recorded(tmp_path):
    """Through the whole recorder: good lines are samples, the others a gap with words."""
    cell, mast = Terminal(tmp_path / "cell"), Terminal(tmp_path / "mast")
    rig_toml = RIG.format(cell=cell.link, mast=mast.link)
    stop, events = threading.Event(), []
    lines = ["rest of a line", "ok, + 1400.0 kg", "mv, + 1390.0 kg", "ok, + 1401.0 kg"]
    winds = ["$", SENTENCES[0][0], "$WIMWV,041.1,R,99.0,N,A*16", sentence("IIXDR,A,1.5,D,ROLL")]

    def happened(event):
        events.append(event)
        if event["event"] == "recording":
            os.write(cell.master, "\r\n".join([*lines, ""]).encode())
            os.write(mast.master, "\r\n".join([*winds, ""]).encode())
        told = {e["source"] for e in events if e["event"] == "gap"}
        if told >= {"cell", "mast"}:
            threading.Timer(0.3, stop.set).start()

    late = threading.Timer(20, stop.set)
    late.start()
    path = record(
        read_rig(rig_toml),
        read_test(TEST),
        rig_toml,
        TEST,
        tmp_path / "runs",
        clock=run_clock(),
        stop=stop,
        on_event=happened,
    )
    late.cancel()
    cell.close()
    mast.close()
    run = open_run(path)
    gaps = {g.source: (g.kind, g.text, g.missing) for g in run.gaps}

    assert run.raw("load").value.tolist() == [1400.0, 1401.0]
    assert gaps["cell"] == ("bad_frames", "status 'mv' is not among the good ones", 1)
    assert gaps["mast"][0] == "bad_frames"
    assert "checksum" in gaps["mast"][1]
    assert run.raw("wind").value.tolist() == pytest.approx([1852 / 3600])
    assert run.raw("roll").value.tolist() == [1.5]
    assert run.header.dated_by == {"cell": ("arrival",), "mast": ("arrival",)}


def test_the_check_asks_for_the_status_before_the_cable():
    """Where an instrument's own word is refused, the hint begins with the keys that say so."""
    source = read_rig(RIG).source[0]
    tally = SourceTally(id="cell", packs=90, bad_frames=10, bad_text="status 'mv' is not …")
    (finding,) = (
        f
        for f in judge_source(source, read_rig(RIG), tally, Surroundings()).findings
        if f.code == "bad_frames"
    )

    assert finding.text == "10 bad frames, 10 % of all: status 'mv' is not …"
    assert finding.would_do.startswith("see 'good_status', 'line_unit'")


def test_a_rig_file_with_a_shape_is_refused_with_its_line():
    """The same words with file and source before them."""
    with pytest.raises(FileInvalid, match=r'rig.toml, \[source "cell"\]|rig.toml, source "cell"'):
        read_rig(RIG.replace('good_status = ["ok"]\n', ""))
