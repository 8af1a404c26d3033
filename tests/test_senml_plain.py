"""The fast reading of usual packs gives what the whole reading of RFC 8428 gives, or nothing."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import FrameInvalid
from logger.sources.senml import decode_senml
from logger.sources.senml_plain import decode_plain

names = st.sampled_from(["cell", "enc", "rear_left", "", "a/b", "_bad", "Ä", "w:"])
numbers = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(2**70), 2**70),
    st.floats(-10, 10).map(lambda x: round(x, 4)),
)
times = st.one_of(
    st.floats(-100, 0), st.floats(-2e6, 2e6), st.sampled_from([0, -0.0, 1.7e9, 2**28, -1e6, 1e6])
)
odd = st.one_of(st.none(), st.booleans(), st.text(max_size=3), st.just([]), numbers)
ups = st.one_of(
    st.floats(0, 1e5), st.floats(-1, 1e10), st.integers(0, 10**10),
    st.floats(0, 1e5).map(lambda x: round(x, 9)), odd,
)  # fmt: skip
usual = st.fixed_dictionaries(
    {},
    optional={"n": names, "u": st.just("kg"), "v": numbers, "vb": st.booleans(), "t": times},
)
unusual = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.one_of(names, odd),
        "bt": times,
        "bv": numbers,
        "bs": numbers,
        "bver": st.integers(0, 30),
        "bu": st.just("kg"),
        "vs": st.text(max_size=3),
        "vd": st.text(max_size=3),
        "s": numbers,
        "ut": numbers,
        "odd_": odd,
        "other": odd,
        "n": odd,
        "v": odd,
    },
)
alike = st.fixed_dictionaries({"n": names, "v": numbers, "t": times})
labels = st.fixed_dictionaries(
    {},
    optional={
        "bn": names,
        "seq": st.one_of(st.integers(-2, 2**64), st.floats(0, 9).map(round).map(float), odd),
        "boot": st.one_of(st.sampled_from(["b1", "", "x" * 65, "\n"]), odd),
        "up": ups,
    },
)


@st.composite
def packs(draw):
    """A pack, mostly of the usual shape, as bytes."""
    records = draw(st.lists(usual, max_size=5))
    if draw(st.integers(0, 3)) == 0:
        records += draw(st.lists(unusual, max_size=2))
    if draw(st.booleans()):  # a long one, of many alike
        records += draw(st.lists(alike, min_size=1, max_size=4)) * 15
    records = [draw(labels) | (records[0] if records else {}), *records[1:]]
    return json.dumps(records, ensure_ascii=draw(st.booleans())).encode()


def same(fast, whole):
    """Whether two packs say the same."""
    arrays = np.array_equal(fast.t_ns, whole.t_ns) and np.array_equal(fast.value, whole.value)
    fields = ("names", "absolute", "seq", "boot", "up_ns", "texts", "reply")
    return arrays and all(getattr(fast, f) == getattr(whole, f) for f in fields)


@settings(max_examples=500, deadline=None)
@given(packs())
def test_the_fast_reading_is_the_whole_reading(frame):
    """Whatever the fast reading takes, the whole one reads the same; it takes no bad pack."""
    fast = decode_plain(frame)
    if fast is not None:
        assert same(fast, decode_senml(frame)), frame


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=40).map(lambda b: b'[{"n":"a","v":1' + b))
def test_no_noise_gets_through_the_fast_reading(frame):
    """Noise that the whole reading refuses is not taken by the fast one, and raises nothing."""
    fast = decode_plain(frame)
    try:
        whole = decode_senml(frame)
    except FrameInvalid:
        whole = None
    if whole is None:
        assert fast is None
    elif fast is not None:
        assert same(fast, whole)


@pytest.mark.parametrize(
    "frame",
    [
        b'[{"n":"cell","v":1402.5}]',
        b'[{"bn":"w:","seq":3,"boot":"b","up":12.5,"n":"rear_left","vb":true}]',
        b'[{"bn":"m:","seq":3,"boot":"b","up":12.5},{"n":"cell","v":1,"t":-0.01},{"n":"enc","v":2}]',
    ],
)
def test_usual_packs_are_read_fast(frame):
    """The shapes that come in floods are read by the fast reading."""
    fast = decode_plain(frame)

    assert fast is not None
    assert same(fast, decode_senml(frame))
