"""Wheel lift: what confirms, what never does, and when it is dated."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.events.wheel_lift import (
    CHATTER_NS,
    SILENCE_NS,
    ContactState,
    WheelLiftDetector,
    wheel_lifts,
)
from tests.blocks import cuts, pieces

MS = 1_000_000
ON_DELAY_NS, OFF_DELAY_NS = 50 * MS, 20 * MS


def detector():
    return WheelLiftDetector("rear_left", on_delay_ns=ON_DELAY_NS, off_delay_ns=OFF_DELAY_NS)


def found(t_ns, closed, *, cut=None):
    watch, events = detector(), []
    for first, last in pieces(cut or [0, len(t_ns)]):
        events += watch.feed(t_ns[first:last], closed[first:last])
    return events + watch.finish()


def twin(t_ns, closed):  # noqa: C901 - one loop, said whole
    """The same, reading by reading, in the words of the module: slow and plain."""
    confirmed, bursts = [], []
    opened = run_open_since = last_open = closed_since = None
    is_confirmed, open_ns, more_open = False, 0, 0
    for t, is_closed in zip(t_ns.tolist(), closed.tolist(), strict=True):
        if last_open is not None and run_open_since is not None:
            silent = t - last_open > max(SILENCE_NS, ON_DELAY_NS)
            lasted = not is_closed and t - run_open_since >= ON_DELAY_NS
            if silent or lasted:
                is_confirmed = True
        if is_closed:
            if closed_since is None:
                closed_since = t
            run_open_since, more_open = None, more_open - 1
        else:
            if opened is not None and closed_since is not None and t - closed_since >= OFF_DELAY_NS:
                bursts.append((opened, closed_since, is_confirmed))
                opened, is_confirmed = None, False
            if opened is None:
                opened, is_confirmed = t, False
                if closed_since is None or t - closed_since > CHATTER_NS:
                    open_ns = more_open = 0
            open_ns, more_open = open_ns + (t - last_open if run_open_since else 0), more_open + 1
            is_confirmed = is_confirmed or (open_ns >= 2 * ON_DELAY_NS and more_open >= 0)
            if run_open_since is None:
                run_open_since = t
            closed_since, last_open = None, t
    if opened is not None:
        bursts.append((opened, closed_since, is_confirmed))
    confirmed = [(a, b) for a, b, sure in bursts if sure]
    return confirmed, [a for a, _, _ in bursts]


readings = st.lists(
    st.tuples(st.integers(1, 60) | st.sampled_from([240, 260, 400]), st.booleans()),
    min_size=1,
    max_size=60,
).map(
    lambda rows: (
        np.cumsum([dt * MS for dt, _ in rows], dtype=np.int64),
        np.array([c for _, c in rows]),
    )
)


@given(readings)
def test_finds_what_the_slow_twin_finds(stream):
    """The fast detector confirms exactly the openings that a plain loop confirms."""
    t_ns, closed = stream
    events = found(t_ns, closed)
    lifts, suspects = twin(t_ns, closed)

    assert [(x.t_ns, x.end_ns) for x in wheel_lifts(events)] == lifts
    assert [e.t_ns for e in events if e.state is ContactState.SUSPECT] == suspects


@given(readings.flatmap(lambda s: st.tuples(st.just(s), cuts(len(s[0])))))
def test_no_cut_into_blocks_changes_what_is_found(stream_and_cut):
    """How a stream is cut into blocks never changes the events."""
    (t_ns, closed), cut = stream_and_cut

    assert found(t_ns, closed, cut=cut) == found(t_ns, closed)


@pytest.mark.parametrize("rate_hz", [20, 50, 100, 200, 1000, 5000])
def test_a_single_false_reading_never_confirms(rate_hz):
    """One open reading among closed ones is suspect, and cleared, at any rate."""
    t_ns = np.arange(0, 2_000_000_000, 1_000_000_000 // rate_hz)
    closed = np.ones(t_ns.size, bool)
    closed[t_ns.size // 2] = False
    events = found(t_ns, closed)

    assert [e.state for e in events] == [ContactState.SUSPECT, ContactState.CLEARED]


def test_chatter_of_ten_milliseconds_never_confirms():
    """A burst of chatter 10 ms long, at every millisecond of a second, is never a lift."""
    t_ns = np.arange(0, 1000) * MS
    rng = np.random.default_rng(3)
    for start in range(0, 990, 7):
        closed = np.ones(t_ns.size, bool)
        closed[start : start + 10] = rng.random(10) < 0.4

        assert not wheel_lifts(found(t_ns, closed))


@pytest.mark.parametrize("rate_hz", [50, 100, 1000])
def test_a_contact_that_chatters_mostly_open_has_lifted(rate_hz):
    """Open 40 ms, closed 20 ms, again and again, no run as long as the on-delay: off the ground."""
    t_ns = np.arange(0, 2_000_000_000, 1_000_000_000 // rate_hz)
    closed = (t_ns % (60 * MS) >= 40 * MS) | (t_ns < 600 * MS)
    lifts = wheel_lifts(found(t_ns, closed))

    assert 600 * MS <= lifts[0].t_ns <= 900 * MS
    assert lifts[-1].t_ns >= 1_860 * MS


@pytest.mark.parametrize("rate_hz", [20, 100, 1000])
def test_false_readings_one_by_one_never_confirm(rate_hz):
    """Every third reading false, for a second: each alone, so none of them lasts."""
    t_ns = np.arange(0, 2_000_000_000, 1_000_000_000 // rate_hz)
    closed = np.arange(t_ns.size) % 3 > 0

    assert not wheel_lifts(found(t_ns, closed))


def test_a_lift_is_dated_by_its_first_open_reading():
    """Chatter at the opening: dated by the first open reading, the last closed one kept."""
    t_ns = np.arange(0, 400) * MS
    closed = t_ns < 100 * MS
    closed[104] = closed[107] = True
    (lift,) = wheel_lifts(found(t_ns, closed))

    assert lift.t_ns == 100 * MS
    assert lift.last_closed_ns == 99 * MS
    assert lift.end_ns is None


def test_a_contact_that_reports_only_changes_is_confirmed_by_its_silence():
    """Two messages, open and closed a second later, are a lift; live, before the second came."""
    watch = detector()
    events = watch.feed(np.array([0, 10**9]), np.array([True, False]))
    events += watch.advance(10**9 + SILENCE_NS + 1)

    assert [e.state for e in events] == [ContactState.SUSPECT, ContactState.CONFIRMED]

    events += watch.feed(np.array([2 * 10**9, 3 * 10**9]), np.array([True, True]))
    (lift,) = wheel_lifts(events)

    assert (lift.t_ns, lift.end_ns) == (10**9, 2 * 10**9)


def test_the_silence_between_two_packs_confirms_nothing():
    """Packs of a second at 100 Hz: a glitch that comes last in its pack is no lift, live."""
    watch, events = detector(), []
    for pack in range(4):
        t_ns = (np.arange(100) * 10 + pack * 1000) * MS
        events += watch.feed(t_ns, np.arange(100) != 99)
        for now_ms in range((pack + 1) * 1000, (pack + 2) * 1000, 20):
            events += watch.advance(now_ms * MS)

    assert [e.state for e in events] == [ContactState.SUSPECT, ContactState.CLEARED] * 3 + [
        ContactState.SUSPECT
    ]

    events = watch.advance(5300 * MS)

    assert [e.state for e in events] == [ContactState.CONFIRMED]


def test_each_opening_gives_its_own_events():
    """Two lifts of one wheel give two full lives of suspect, confirmed, cleared."""
    t_ns = np.arange(0, 1000) * MS
    closed = ~(((t_ns >= 100 * MS) & (t_ns < 300 * MS)) | ((t_ns >= 500 * MS) & (t_ns < 700 * MS)))
    states = [e.state.value for e in found(t_ns, closed)]

    assert states == ["suspect", "confirmed", "cleared"] * 2
