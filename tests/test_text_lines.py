"""Readings from the text lines of other instruments."""

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import FrameInvalid
from logger.sources.text_lines import TEXT_LINE_LIMIT_BYTES, TextDecoder

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
