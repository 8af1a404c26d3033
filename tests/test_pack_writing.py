"""What is written as a pack or a line is read again as it was, bit for bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.readings.clock_alignment import RATE_LIMIT, ClockFit
from logger.sources.line_writing import LineImpossible, LineWriter
from logger.sources.pack_writing import NamedReadings, number, seconds, write_answer, write_pack
from logger.sources.senml import decode_senml, resolve_senml
from logger.sources.senml_plain import decode_plain
from logger.sources.text_lines import TextDecoder

NAMES = ("enc", "cell/1", "a:b-c.d_e", "rear_left")
DAY_NS = 86_400 * 10**9
doubles = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def readings(draw):
    """Readings of a few names with times up to a day apart."""
    found = []
    for name in draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=3, unique=True)):
        form = draw(st.sampled_from(("number", "truth", "word")))
        values = {"number": doubles, "truth": doubles | st.sampled_from((0.0, 1.0))}.get(
            form, st.sampled_from((0.0, 1.0))
        )
        rows = draw(st.lists(st.tuples(st.integers(0, DAY_NS), values), min_size=1, max_size=5))
        rows.sort(key=lambda r: r[0])
        found.append(
            NamedReadings(
                name=name,
                t_ns=np.array([r[0] for r in rows], dtype=np.int64),
                value=np.array([r[1] for r in rows]),
                form=form,
                closed_word=draw(st.sampled_from(("shut", "-", 'a "b" \\'))),
            )
        )
    return found


def bits(values):
    return np.asarray(values, dtype=np.float64).tobytes()


@settings(max_examples=30)
@given(
    readings=readings(),
    seq=st.integers(0, 2**40),
    boot=st.text(min_size=1, max_size=20).filter(str.isprintable),
    up_ns=st.none() | st.integers(0, 10**18),
)
def test_a_pack_is_read_as_it_was_written(readings, seq, boot, up_ns):
    """Names, values bit for bit, times to the nanosecond, count, boot and uptime come back."""
    frame = write_pack(readings, seq=seq, boot=boot, up_ns=up_ns)
    pack = decode_senml(frame)
    plain = decode_plain(frame)

    newest_ns = max(int(r.t_ns[-1]) for r in readings)
    assert (pack.seq, pack.boot, pack.up_ns, pack.absolute) == (seq, boot, up_ns, False)
    assert pack.names == tuple(r.name for r in readings for _ in r.value)
    assert pack.t_ns.tolist() == [int(t) - newest_ns for r in readings for t in r.t_ns]
    if plain is not None:
        assert plain.value.tobytes() == pack.value.tobytes()
    place = 0
    for r in readings:
        got = slice(place, place + len(r))
        place += len(r)
        if r.form == "word":
            texts = [pack.texts[i] for i in range(got.start, got.stop)]
            assert [t == r.closed_word for t in texts] == [v == 1 for v in r.value]
        else:
            assert bits(pack.value[got] + 0.0) == bits(r.value + 0.0)
            assert r.form == "truth" or bits(pack.value[got]) == bits(r.value)


@settings(max_examples=30)
@given(readings=readings(), utc_ns=st.integers(1_700_000_000 * 10**9, 4_000_000_000 * 10**9))
def test_absolute_times_are_exact(readings, utc_ns):
    """With UTC a pack's times are the newest reading's and those before it, to the nanosecond."""
    records = resolve_senml(write_pack(readings, seq=0, boot="b", utc_ns=utc_ns))

    newest_ns = max(int(r.t_ns[-1]) for r in readings)
    wanted = sorted(int(t) - newest_ns + utc_ns for r in readings for t in r.t_ns)
    assert [r.t_ns for r in records] == wanted
    assert all(r.absolute for r in records)


@settings(max_examples=30)
@given(value=doubles)
def test_a_number_is_the_shortest_that_is_the_same_double(value):
    """Its bits come back, and no word of a number is longer than Python's shortest."""
    text = number(value)

    assert bits(float(text)) == bits(value)
    assert len(text) <= len(repr(value))


@settings(max_examples=30)
@given(t_ns=st.integers(-(10**19), 10**19))
def test_seconds_are_exact(t_ns):
    """Whole and part, without a double in between."""
    whole, _, part = seconds(abs(t_ns)).partition(".")

    assert int(whole) * 10**9 + int(part.ljust(9, "0") or 0) == abs(t_ns)
    assert seconds(t_ns).startswith("-") == (t_ns < 0)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_json_has_no_word_for_is_refused(value):
    """Neither NaN nor infinity is written as something else; an empty pack is none."""
    named = NamedReadings(name="a", t_ns=np.zeros(1, dtype=np.int64), value=np.array([value]))

    with pytest.raises(ValueError, match="JSON has no word"):
        write_pack([named], seq=0, boot="b")
    with pytest.raises(ValueError, match="without a reading"):
        write_pack([named.between(0, 0)], seq=0, boot="b")


def test_an_answer_is_one():
    """The decoder takes it for the answer to that question, with its uptime."""
    pack = decode_senml(write_answer(number=7, boot="m", up_ns=12_000_000_001))

    assert (pack.reply, pack.boot, pack.up_ns, pack.names) == (7, "m", 12_000_000_001, ())


@settings(max_examples=30)
@given(
    device_ns=st.lists(st.integers(0, 10**17), min_size=1, max_size=20),
    offset_ns=st.integers(-(10**15), 10**15),
    rate=st.floats(1 - RATE_LIMIT, 1 + RATE_LIMIT) | st.floats(0.6, 1.4),
)
def test_a_clock_fit_turned_round_gives_times_that_map_back(device_ns, offset_ns, rate):
    """Every time that a fit gave comes back to the same nanosecond through its inverse."""
    fit = ClockFit(offset_ns=offset_ns, rate=rate, u_s=0.0, residual_s=0.0, pairs=2)
    run_ns = fit.to_run(np.array(device_ns, dtype=np.int64))

    assert fit.to_run(fit.to_device(run_ns)).tolist() == run_ns.tolist()


def test_a_clock_that_stands_still_has_no_inverse():
    """A rate that no clock has is refused, not looped over."""
    fit = ClockFit(offset_ns=0, rate=0.0, u_s=0.0, residual_s=0.0, pairs=2)

    with pytest.raises(ValueError, match="can't be inverted"):
        fit.to_device(np.zeros(1, dtype=np.int64))


PATTERNS = [
    (r"(?P<load>[-+]?\d+\.\d+) kg", "load", 1),
    (r"^(?:ST|US),(?:GS|NT),(?P<load>[+-]\d{6}\.\d) *kg$", "load", 1),
    (r"\x02(?P<load>[ 0-9]{7})[a-z]?\s+\w{2}\x03", "load", 0),
    (r"A=(?P<load>\s*-?\d+(\.\d*)?)(?:;B=(?P<b>\d+))?", "load", 2),
    (r"(?P<state>OK|ERR)\t+(?P<load>[^,]+),", "load", 3),
]


@pytest.mark.parametrize(("pattern", "name", "decimals"), PATTERNS)
@settings(max_examples=30)
@given(count=st.integers(0, 999_999))
def test_a_line_gives_its_reading_back(pattern, name, decimals, count):
    """Lines of common shapes are rebuilt for any value, and the decoder reads it bit for bit."""
    decoder = TextDecoder(pattern)
    value = float(f"{count / 10**decimals:.{decimals}f}")
    writer = LineWriter(pattern, names=(name,), words={}, decode=decoder.decode)
    pack = decoder.decode(writer.line({name: value}))

    got = dict(zip(pack.names, pack.value.tolist(), strict=True))
    assert bits(got[name]) == bits(value)


def test_what_was_not_recorded_is_filled_and_named():
    """A status that no channel has gets the first text that matches, and the writer says so."""
    pattern = PATTERNS[4][0]
    writer = LineWriter(pattern, names=("load",), words={}, decode=TextDecoder(pattern).decode)

    assert writer.line({"load": 12.5}) == b"OK\t12.5,"
    assert writer.filled == {"state": "OK"}


def test_a_contact_is_told_in_its_words():
    """A closed contact is its word, an open one another."""
    pattern = r"SW(?P<wheel>\w+)"
    writer = LineWriter(
        pattern,
        names=("wheel",),
        words={"wheel": ("OPEN", "SHUT")},
        decode=TextDecoder(pattern).decode,
    )

    assert [writer.line({"wheel": v}) for v in (0.0, 1.0)] == [b"SWOPEN", b"SWSHUT"]


@pytest.mark.parametrize(
    ("pattern", "value", "why"),
    [
        (r"(?P<load>\d+) kg", -1.0, "takes no text"),
        (r"(?P<load>\d+) kg", 0.5, "takes no text"),
        (r"(?P<load>\d{2}) kg", 100.0, "takes no text"),
        (r"(?=x)(?P<load>\d+)", 1.0, "only for reading"),
        (r"(\d)\1(?P<load>\d+)", 1.0, "only for reading"),
        (r"a\Bb(?P<load>\d+)\b8", 1.0, "refused"),
        (r"(?P<other>\d+)", 1.0, "no place for 'load'"),
    ],
)
def test_what_can_not_be_rebuilt_is_refused(pattern, value, why):
    """No line goes out that would be read as anything else."""
    with pytest.raises(LineImpossible, match=why):
        LineWriter(pattern, names=("load",), words={}, decode=TextDecoder(pattern).decode).line(
            {"load": value}
        )
