"""Readings from the text lines of other instruments."""

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import FrameInvalid
from logger.sources.match_bound import WAYS_AT_MOST, longest_quick_line
from logger.sources.text_lines import MATCH_LIMIT_S, TEXT_LINE_LIMIT_BYTES, TextDecoder

WEIGHT = r"(?P<load>[-+]?\s*\d+\.?\d*)\s*kg(?:\s+(?P<state>\w+))?"


def test_named_groups_are_readings():
    """Each named group that matched is a reading of its name, taken now."""
    found = TextDecoder(WEIGHT).decode(b"GROSS  1402.5 kg  STABLE")

    assert found.names == ("load", "state")
    assert found.value[0] == 1402.5
    assert np.isnan(found.value[1])
    assert found.texts == {1: "STABLE"}
    assert (found.t_ns.tolist(), found.absolute, found.seq) == ([0, 0], False, None)


def test_a_group_without_a_part_in_the_match_is_no_reading():
    """An optional group that is not in the line gives nothing rather than a blank."""
    assert TextDecoder(WEIGHT).decode(b"12 kg").names == ("load",)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0),
        ("-0.5", -0.5),
        ("+.5", 0.5),
        ("7.", 7.0),
        ("1e3", 1000.0),
        ("-   12.5", -12.5),
        ("−3", -3.0),
        ("  8 ", 8.0),
        ("007", 7.0),
    ],
)
def test_decimal_numbers_as_instruments_print_them(text, value):
    """A sign set apart, leading zeros and a bare point are numbers."""
    assert TextDecoder("(?P<x>.+)").decode(text.encode()).value.tolist() == [value]


@pytest.mark.parametrize("text", ["nan", "inf", "1_000", "0x10", "12,5", "1 2", "--1", "٣", "OL"])
def test_everything_else_is_a_text(text):
    """What is no decimal number is kept as it stands, never guessed."""
    found = TextDecoder("(?P<x>.+)").decode(text.encode())

    assert np.isnan(found.value).all()
    assert found.texts == {0: text}


def test_a_line_that_does_not_match_is_invalid():
    """A line without a match is counted as bad, with its beginning shown."""
    with pytest.raises(FrameInvalid, match="no match in 'ERROR 3'"):
        TextDecoder(WEIGHT).decode(b"ERROR 3")


def test_a_line_beyond_the_bound_never_meets_the_expression():
    """An expression whose time grows steeply is not let loose on an endless line."""
    steep = TextDecoder(r"^(?P<x>(a+)+)$")
    begin = time.monotonic()

    with pytest.raises(FrameInvalid, match="bytes"):
        steep.decode(b"a" * TEXT_LINE_LIMIT_BYTES + b"ab")
    assert time.monotonic() - begin < 1


@pytest.mark.parametrize(("pattern", "cause"), [("(", "no regular"), (r"\d+", "no named group")])
def test_a_pattern_that_gives_no_reading_is_refused(pattern, cause):
    """A broken expression, or one without a named group, is a mistake to be told at once."""
    with pytest.raises(ValueError, match=cause):
        TextDecoder(pattern)


@given(st.binary(max_size=300))
def test_noise_decodes_or_is_invalid(noise):
    """Any bytes give readings or FrameInvalid, whatever their encoding."""
    decoder = TextDecoder(r"(?P<a>\d+)?(?P<b>[^,]+)?")
    try:
        found = decoder.decode(noise)
    except FrameInvalid:
        return

    assert len(found.names) == found.value.size > 0


@given(st.decimals(-(10**9), 10**9, allow_nan=False, places=4))
def test_numbers_come_out_as_they_went_in(number):
    """A printed decimal number is read as the nearest double."""
    found = TextDecoder(WEIGHT).decode(f"{number} kg".encode())

    assert found.value.tolist() == [float(number)]


def one_by_one(decoder, lines, ages_ns):
    """The slow twin: each line by itself, readings by name, and how many lines gave none."""
    found, refused = {}, 0
    for line, age_ns in zip(lines, ages_ns, strict=True):
        try:
            pack = decoder.decode(line)
        except FrameInvalid:
            refused += 1
            continue
        for i, name in enumerate(pack.names):
            value = pack.texts.get(i, float(pack.value[i]))
            found.setdefault(name, []).append((-age_ns, value))
    return found, refused


def together(decoder, lines, ages_ns):
    """The same of lines that are decoded together."""
    pack, refused = decoder.decode_lines(lines, ages_ns)
    found = {}
    for i, name in enumerate(pack.names if pack else ()):
        value = pack.texts.get(i, float(pack.value[i]))
        found.setdefault(name, []).append((int(pack.t_ns[i]), value))
    return found, len(refused)


LINES = st.lists(
    st.one_of(
        st.binary(max_size=30).filter(lambda b: not set(b) & {10, 13}),
        st.from_regex(rb"\A(ST )?[-+]? ?[0-9]{1,4}(\.[0-9]+)? kg( (OK|OL|1e3))?\Z"),
        st.sampled_from(
            [b"9" * 400 + b" kg", b"x" * 5000, b"kg", b"\xe2\x88\x923 kg", b"1e999 kg"]
        ),
    ),
    max_size=12,
)


@given(LINES, st.sampled_from([WEIGHT, r"(?P<a>\d+)?(?P<b>[^,]+)?", r"(\w+ )?(?P<x>.+) kg"]))
def test_lines_that_came_together_give_what_each_gives_alone(lines, pattern):
    """However many lines are decoded together, each gives what it gives by itself, in order."""
    decoder = TextDecoder(pattern)
    ages_ns = [1000 - 10 * i for i in range(len(lines))]

    assert together(decoder, lines, ages_ns) == one_by_one(decoder, lines, ages_ns)


HOSTILE = [
    (r"^(?P<x>(a+)+)$", b"a" * 40 + b"b"),
    (r"^(?P<x>(a|a)*)$", b"a" * 60 + b"b"),
    (r"^(?P<x>(?:\w+\s?)*)$", b"a" * 4000 + b"!"),
    (r"^(?P<x>a*)a*a*a*a*a*$", b"a" * 4000 + b"b"),
    (r"(?P<x>.*).*.*,", b"a" * 4000),
    (r"(?P<x>a{0,99}a{0,99}a{0,99}a{0,99}a{0,99}b)", b"a" * 4000),
]


@pytest.mark.parametrize(("pattern", "line"), HOSTILE)
def test_a_hostile_line_keeps_the_expression_busy_for_a_bounded_time(pattern, line):
    """An expression that backs up without end gives up in time, and the line is bad."""
    decoder = TextDecoder(pattern)
    begin_s = time.thread_time()
    pack, refused = decoder.decode_lines([line])

    assert pack is None
    assert len(refused) == 1
    assert time.thread_time() - begin_s < 20 * MATCH_LIMIT_S


def test_lines_around_a_hostile_one_are_taken():
    """A line that the expression finds no end in costs no other line."""
    decoder = TextDecoder(r"^(?P<x>\d|(?:a|a)*)$")
    pack, [refused] = decoder.decode_lines([b"1", b"a" * 60 + b"!", b"2"])

    assert pack.value.tolist() == [1, 2]
    assert "finds no end" in refused


@pytest.mark.parametrize(
    ("pattern", "longest"),
    [
        (r"(?P<load>[-+]\d+) kg", 1000),  # n to begin at, n to reach
        (r"(?P<load>\d+\.\d+) kg", 100),
        (r"(?P<load>\d+)(?: kg| lb)", 707),
        (r"(?P<load>[*+?{]\+\*) kg", WAYS_AT_MOST),
        (r"(?P<load>(?:\d,)+)", 0),
        (r"(?P<load>\d{1,9})", 0),
        (r"(?P<load>a|b)(?=c)", 0),
        (r"(?P<a>.)(?P=a)", 0),
    ],
)
def test_the_quick_limit_counts_what_can_be_repeated(pattern, longest):
    """A line is quick up to where starts, repeats and choices make a million ways together."""
    assert longest_quick_line(pattern) == longest
