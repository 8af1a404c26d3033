"""Limits: what is beyond, what ends it, and what a person may write in ``[watch]``."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import FileInvalid
from logger.events.limit import LimitDetector, LimitState, LimitWatch, watched_channels
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test
from logger.readings.watched_limits import check_watched_channels_are_wired
from tests.blocks import cuts, pieces
from tests.rig_of_a_bay import RIG, TEST

MS = 1_000_000
LIMIT, BACK, ON_DELAY_NS, OFF_DELAY_NS = 10.0, 8.0, 50 * MS, 30 * MS


def detector(**changes):
    facts = {
        "condition": "wind",
        "channel": "wind",
        "limit": LIMIT,
        "dead_band": LIMIT - BACK,
        "on_delay_ns": ON_DELAY_NS,
        "off_delay_ns": OFF_DELAY_NS,
        "unit": "m/s",
    }
    return LimitDetector(**(facts | changes))


def found(t_ns, value, *, cut=None, **changes):
    watch, events = detector(**changes), []
    for first, last in pieces(cut or [0, len(t_ns)]):
        events += watch.feed(t_ns[first:last], value[first:last])
    return events


def twin(t_ns, value):
    """The same, reading by reading, in the words of the module: slow and plain."""
    told, beyond, since, excess, confirmed = [], False, None, None, False
    for t, v in zip(t_ns.tolist(), value.tolist(), strict=True):
        if np.isnan(v):
            continue
        now = True if v > LIMIT else False if v <= BACK else beyond
        if now != beyond:
            beyond, since = now, t
        if beyond and excess is None:
            excess = t
            told.append(("suspect", t))
        if beyond and not confirmed and t - since >= ON_DELAY_NS:
            confirmed = True
            told.append(("confirmed", excess))
        if not beyond and excess is not None and t - since >= OFF_DELAY_NS:
            told.append(("cleared", since))
            excess, confirmed = None, False
    return told


readings = st.lists(
    st.tuples(
        st.integers(0, 60),
        st.sampled_from([0.0, 7.9, 8.0, 8.1, 9.9, 10.0, 10.1, 50.0, np.inf, -np.inf, np.nan]),
    ),
    max_size=60,
).map(
    lambda rows: (
        np.cumsum([dt * MS for dt, _ in rows], dtype=np.int64),
        np.array([v for _, v in rows], dtype=float),
    )
)


@given(readings)
def test_finds_what_the_slow_twin_finds(stream):
    """The fast detector tells exactly what a plain loop over the readings tells."""
    assert [(str(e.state), e.t_ns) for e in found(*stream)] == twin(*stream)


@given(readings.flatmap(lambda s: st.tuples(st.just(s), cuts(len(s[0])))))
def test_no_cut_into_blocks_changes_what_is_found(stream_and_cut):
    """How a stream is cut into blocks never changes the events."""
    (t_ns, value), cut = stream_and_cut
    whole, cut_up = found(t_ns, value), found(t_ns, value, cut=cut)

    assert [(e.state, e.t_ns, e.text) for e in cut_up] == [(e.state, e.t_ns, e.text) for e in whole]


def test_a_value_that_trembles_on_its_limit_is_one_excess():
    """Up and down by less than the dead band around the limit: suspect once, confirmed once."""
    t_ns = np.arange(1000) * MS
    value = LIMIT + 0.5 * np.sin(np.arange(1000))

    assert [e.state for e in found(t_ns, value)] == [LimitState.SUSPECT, LimitState.CONFIRMED]
    assert len(found(t_ns, value, dead_band=0.0, off_delay_ns=0)) > 100


def test_a_lean_to_either_side_counts():
    """For level the sign is left out of account, and shown."""
    t_ns = np.arange(0, 200, 10) * MS
    (suspect, confirmed) = found(t_ns, np.full(20, -11.0), magnitude=True)

    assert (suspect.value, confirmed.value) == (-11.0, -11.0)
    assert found(t_ns, np.full(20, -11.0)) == []


def rig_with(*channels):
    return read_rig(
        RIG
        + "".join(
            f'[[channel]]\nid = "{c}"\nsource = "mast"\nname = "{c}"\nunit = "{u}"\n'
            for c, u in channels
        )
    )


ALL = (("radius", "m"), ("pitch", "deg"), ("roll", "deg"), ("wind", "m/s"))


def watch_test(*lines):
    return read_test("\n".join((TEST, "[watch]", *lines)))


def test_nothing_is_watched_but_what_is_named():
    """A test file without a ``[watch]`` table has no limit."""
    assert watched_channels(read_test(TEST), rig_with(*ALL)) == ()


def test_each_limit_watches_its_channels():
    """Load counts with what hangs above the cell, and beyond the test load; level takes both."""
    test = read_test(
        TEST.replace("[load]", '[load]\nabove_cell = "40 kg"')
        + '[watch]\nload_over = "50 kg"\nradius = "3.97 m"\nlevel = "0.6 deg"\n'
        'wind = { over = "9 m/s", on_delay = "0 s" }\n'
    )
    watch = LimitWatch.of(rig_with(*ALL), test)
    second = np.arange(0, 2_000, 100) * MS

    def told(channel, value):
        return [
            (e.condition, str(e.state)) for e in watch.feed(channel, second, np.full(20, value))
        ]

    # Test load 1360 kg, 40 kg of it above the cell: the limit is a cell reading of 1370 kg.
    assert told("load", 1369.9) == []
    assert told("load", 1370.1) == [("load", "suspect"), ("load", "confirmed")]
    assert told("radius", 3.98) == [("radius", "suspect"), ("radius", "confirmed")]
    assert told("pitch", -0.7) == [("level", "suspect"), ("level", "confirmed")]
    assert told("roll", 0.7) == [("level", "suspect"), ("level", "confirmed")]
    assert told("wind", 9.1) == [("wind", "suspect"), ("wind", "confirmed")]
    assert told("slew", 500.0) == []


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('wind = "9"', ("[watch] wind", "unit")),
        ('wind = "9 kg"', ("[watch] wind", "speed")),
        ("wind = 9", ("[watch] wind", "in quotes")),
        ('radius = "0 m"', ("[watch] radius", "above zero")),
        ('level = "-1 deg"', ("[watch] level", "above zero")),
        ('wind = { dead_band = "1 m/s" }', ("[watch] wind", "'over'")),
        ('wind = { over = "9 m/s", dead_bnd = "1 m/s" }', ("'dead_bnd'", "dead_band")),
        ('wind = { over = "9 m/s", dead_band = "9 m/s" }', ("dead band", "smaller")),
        ('wind = { over = "9 m/s", dead_band = "-1 m/s" }', ("dead band", "negative")),
        ('wind = { over = "9 m/s", on_delay = "-1 s" }', ("delay", "0 s")),
        ('wind = { over = "9 m/s", off_delay = "61 s" }', ("delay", "60 s")),
        ('wind = { over = "9 m/s", off_delay = 3 }', ("'off_delay'", "in quotes")),
        ('win = "9 m/s"', ("[watch] win", "did you mean 'wind'")),
    ],
)
def test_nonsense_is_refused_in_one_line(line, words):
    """Each mistake names the key and what would do."""
    with pytest.raises(FileInvalid) as error:
        watch_test(line)

    assert "\n" not in str(error.value)
    for word in words:
        assert word in str(error.value)


@pytest.mark.parametrize(
    ("line", "channel"), [('wind = "9 m/s"', "'wind'"), ('level = "1 deg"', "'pitch' or 'roll'")]
)
def test_a_limit_without_its_channel_is_refused(line, channel):
    """A limit that nothing can pass would never be alarmed: it is an error before the start."""
    with pytest.raises(FileInvalid, match=channel):
        check_watched_channels_are_wired(rig_with(), watch_test(line).watch)

    check_watched_channels_are_wired(
        rig_with(("roll", "deg"), ("wind", "m/s")), watch_test(line).watch
    )
