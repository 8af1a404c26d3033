"""Load phases, radius changes, sweeps and silence: the same for every cut, and as plain loops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.events.load_phase import LoadPhaseDetector, LoadState, hanging_spans
from logger.events.radius_change import RadiusChangeDetector
from logger.events.silence import (
    SilenceDetector,
    reports_only_changes,
    stale_spans,
    usual_stale_after_ns,
)
from logger.events.sweep import Side, SweepDetector
from logger.events.watch import RunWatch
from logger.readings.block import Block
from logger.readings.rig_file import read_rig
from logger.readings.spans import Spans
from logger.readings.test_file import read_test
from tests.blocks import cuts, pieces
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep, reduced_sweep

S = 1_000_000_000


def stream(levels, *, rate_hz=20, noise=0.0, seed=0):
    """Readings that hold each (seconds, value) in turn, with straight lines between."""
    times, values = [0.0], [levels[0][1]]
    for seconds, value in levels:
        times += [times[-1] + 0.5, times[-1] + 0.5 + seconds]
        values += [value, value]
    t_s = np.arange(0, times[-1], 1 / rate_hz)
    rng = np.random.default_rng(seed)
    return np.round(t_s * S).astype(np.int64), np.interp(t_s, times, values) + rng.normal(
        0, noise, t_s.size
    )


levels = st.lists(st.tuples(st.integers(1, 8), st.integers(0, 12)), min_size=1, max_size=6)


@pytest.mark.parametrize(
    ("make", "scale"),
    [
        (lambda: LoadPhaseDetector(1000.0), 100.0),
        (RadiusChangeDetector, 0.02),
        (SweepDetector, 15.0),
    ],
    ids=["load phases", "radius changes", "sweeps"],
)
@given(data=st.data())
def test_no_cut_into_blocks_changes_what_is_found(make, scale, data):
    """How a stream is cut into blocks never changes load phases, radius changes or sweeps."""
    t_ns, value = stream(data.draw(levels), seed=data.draw(st.integers(0, 9)), noise=0.3)
    value = (value - 4) * scale
    cut = data.draw(cuts(t_ns.size))
    whole, piecewise = make(), make()
    expected = whole.feed(t_ns, value) + whole.finish()
    found = [e for a, b in pieces(cut) for e in piecewise.feed(t_ns[a:b], value[a:b])]

    assert found + piecewise.finish() == expected


@given(st.lists(st.integers(0, 5 * S), min_size=1, max_size=50), st.integers(1, 3 * S))
def test_silence_is_what_a_plain_loop_finds(gaps_ns, limit_ns):
    """A channel is stale from its last reading plus the limit until it speaks again."""
    t_ns = np.cumsum(gaps_ns, dtype=np.int64)
    expected = [
        (a + limit_ns, b)
        for a, b in zip(t_ns[:-1].tolist(), t_ns[1:].tolist(), strict=True)
        if b - a > limit_ns
    ]
    detector = SilenceDetector(limit_ns)
    found = [s for i in range(t_ns.size) for s in detector.feed(t_ns[i : i + 1])]

    assert found == expected
    assert SilenceDetector(limit_ns).feed(t_ns) == expected


def test_a_silent_beginning_and_end_are_stale_too():
    """A switch that speaks only from 10 to 20 s of a minute is stale before and after."""
    t_ns = np.arange(10 * S, 20 * S, S // 10)
    stale = stale_spans(t_ns, stale_after_ns=S, run_ns=(0, 60 * S))

    assert stale.pairs == ((0, 10 * S), (int(t_ns[-1]) + 1, 60 * S + 1))
    assert stale_spans(np.empty(0, np.int64), stale_after_ns=S, run_ns=(0, 9)).pairs == ((0, 10),)


def test_a_slow_sensor_gets_a_longer_limit_and_a_contact_that_sends_changes_none():
    """Without stale_after: 1 s, five intervals of a slow sensor; changes only are no silence."""
    assert usual_stale_after_ns(np.arange(0, S * 10, S // 100)) == S
    assert usual_stale_after_ns(np.arange(0, S * 60, S)) == 5 * S
    assert reports_only_changes(value_changes=9, readings=10)
    assert reports_only_changes(value_changes=0, readings=1)
    assert not reports_only_changes(value_changes=0, readings=0)
    assert not reports_only_changes(value_changes=30, readings=1000)


def test_load_phases_name_hanging_and_ground_and_the_end():
    """Up at 5 s, down at 25 s: hanging in between, on the ground around, unknown at the end."""
    t_ns, load = stream([(5, 0.0), (20, 1000.0), (5, 0.0)], noise=5.0)
    detector = LoadPhaseDetector(1000.0)
    phases = detector.feed(t_ns, load) + detector.finish()

    assert [p.state for p in phases] == [
        LoadState.GROUNDED,
        LoadState.HANGING,
        LoadState.GROUNDED,
        LoadState.UNKNOWN,
    ]
    ((start_ns, end_ns),) = hanging_spans(phases)
    assert start_ns == pytest.approx(6.0 * S, abs=0.3 * S)
    assert end_ns == pytest.approx(26.0 * S, abs=0.3 * S)


def test_a_silent_cell_means_nobody_knows_whether_the_load_hangs():
    """Three seconds without the cell end the hanging at its last reading."""
    t_ns, load = stream([(30, 1000.0)])
    kept = (t_ns < 10 * S) | (t_ns > 13 * S)
    detector = LoadPhaseDetector(1000.0)
    phases = detector.feed(t_ns[kept], load[kept]) + detector.finish()

    assert [p.state for p in phases[:2]] == [LoadState.HANGING, LoadState.UNKNOWN]
    assert phases[1].t_ns <= 10 * S


def test_a_radius_step_that_stays_is_a_change_and_a_spike_is_none():
    """A step of 0.4 m is found with both radii; a spike of half a second is not."""
    t_ns, radius = stream([(10, 3.9), (10, 3.5)], noise=0.004)
    radius[(t_ns > 4 * S) & (t_ns < 4.3 * S)] += 0.2
    detector = RadiusChangeDetector()
    (change,) = detector.feed(t_ns, radius) + detector.finish()

    assert (change.from_m, change.to_m) == pytest.approx((3.9, 3.5), abs=0.004)
    assert change.start_ns == pytest.approx(10.5 * S, abs=0.3 * S)
    assert change.end_ns == pytest.approx(11.0 * S, abs=0.5 * S)


def test_nile_river_flow_changes_once_where_statisticians_say():
    """The Nile's yearly flow, a step known from the literature, is one step of our detector.

    Data from statsmodels (``datasets.nile``; Cobb 1978, from memory): the best single split is
    after 1898 (n = 28), means 1097.75 and 849.97. Scaled so that the step is 0.4 m and a year a
    second, the detector must date it within the slice or two around it. The noise is half the
    step, far more than a radius has, so slices are averaged over years first.
    """
    from statsmodels.datasets import nile

    flow = nile.load_pandas().data["volume"].to_numpy()

    assert (flow.size, flow.sum()) == (100, 91935)

    smooth = np.convolve(flow, np.ones(9) / 9, mode="valid")
    radius = np.repeat(smooth, 40) * 0.4 / (1097.75 - 849.9722)
    t_ns = np.arange(radius.size) * (S // 20)
    detector = RadiusChangeDetector()
    changes = detector.feed(t_ns, radius) + detector.finish()
    largest = max(changes, key=lambda c: c.from_m - c.to_m)
    year = 1871 + 4 + (largest.start_ns + largest.end_ns) / 2 / (2 * S)

    assert year == pytest.approx(1898.5, abs=4)


def test_sweeps_are_ways_out_to_one_side():
    """Right to 120°, back, left to −95°: two excursions with their ends."""
    t_ns, slew = stream([(5, 0.0), (1, 120.0), (5, 0.1), (2, -95.0), (3, 0.0)])
    detector = SweepDetector()
    right, left = detector.feed(t_ns, slew) + detector.finish()

    assert (right.side, left.side) == (Side.RIGHT, Side.LEFT)
    assert (right.reached_deg, left.reached_deg) == pytest.approx((120.0, -95.0))
    assert right.start_ns == pytest.approx(5.5 * S, abs=0.3 * S)
    assert left.end_ns == pytest.approx(15.0 * S, abs=0.3 * S)


spans = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=5).map(
    lambda pairs: Spans.of((min(p), max(p)) for p in pairs)
)


@given(spans, spans)
def test_spans_are_sets_of_moments(a, b):
    """Union, overlap and difference are those of the sets of moments that the spans hold."""

    def moments(s):
        return {t for start, end in s for t in range(start, end)}

    assert moments(a | b) == moments(a) | moments(b)
    assert moments(a & b) == moments(a) & moments(b)
    assert moments(a - b) == moments(a) - moments(b)
    assert {t for t in range(41) if t in a} == moments(a)
    assert (a | b).total_ns == len(moments(a) | moments(b))


def test_the_watch_of_a_running_test_sees_what_the_recording_shows():
    """Fed second by second, the live watch reports the lifts of the recording, and no others."""
    made = reduced_sweep(MadeRun(), 1, lift_at=80.3, wheel="rear_left", radius_m=3.5, limit=171.5)
    full_sweep(made, -1, limit=160.0)
    signals = made.signals()
    watch = RunWatch(read_rig(RIG_TOML), read_test(TEST_TOML))
    seen = []
    for second in range(int(made.now_s) + 1):
        for channel, (t_s, raw) in signals.items():
            inside = (t_s >= second) & (t_s < second + 1)
            t_ns = np.round(t_s[inside] * 1e9).astype(np.int64)
            seen += watch.feed(Block(channel=channel, t_ns=t_ns, value=raw[inside]))
        seen += watch.advance((second + 1) * S)
    seen += watch.finish()
    contacts = [(e.wheel, e.state.value) for e in seen if hasattr(e, "wheel")]

    assert contacts == [("rear_left", s) for s in ("suspect", "confirmed", "cleared")]
    assert [e.side.value for e in seen if hasattr(e, "reached_deg")] == ["right", "left"]
    assert not [e for e in seen if hasattr(e, "stale")]
