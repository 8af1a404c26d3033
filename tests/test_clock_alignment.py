"""A device's clock tied to the run's: within the stated uncertainty, exact at any size."""

import itertools
import json
import math
import random
import time
from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.readings.causal_alignment import CausalAlignment
from logger.readings.clock_alignment import RATE_LIMIT, ClockFit, fit_clock
from logger.readings.clock_bounds import ClockBounds, middle_line
from logger.readings.pack import ClockPair

SECOND = 1_000_000_000
START_NS = 7_123_456_789


def simulated(*, drift_ppm, seconds, a_second=20, least_ms=0.2, jitter_ms=4.0, seed=1):
    """Pairs of a device whose clock drifts, over a line with random delays.

    Returns:
        The pairs, and a function from device time to true run time, ns.
    """
    rng = random.Random(seed)
    device_rate = 1 + drift_ppm * 1e-6

    def true_run_ns(device_ns):
        return START_NS + device_ns / device_rate

    pairs = []
    for i in range(seconds * a_second):
        device_ns = round(i * SECOND / a_second * device_rate)
        delay_ns = (least_ms + rng.expovariate(1 / jitter_ms)) * 1e6
        pairs.append(
            ClockPair(
                device_ns=device_ns,
                arrival_ns=round(true_run_ns(device_ns) + delay_ns) + 500_000,
                wire_ns=500_000,
            )
        )
    return pairs, true_run_ns


@pytest.mark.parametrize("drift_ppm", [-50, -5, 0, 20, 50])
@pytest.mark.parametrize("seconds", [15, 120, 1200])
@pytest.mark.parametrize("jitter_ms", [0.5, 4, 16])
def test_mapped_times_lie_within_the_stated_uncertainty(drift_ppm, seconds, jitter_ms):
    """With drift and jitter every mapped time is off by less than √3 u, its half-width."""
    pairs, true_run_ns = simulated(drift_ppm=drift_ppm, seconds=seconds, jitter_ms=jitter_ms)
    fit = fit_clock(pairs)
    device_ns = np.array([p.device_ns for p in pairs])
    error_s = np.abs(fit.to_run(device_ns) - true_run_ns(device_ns)) / 1e9

    assert error_s.max() <= sqrt(3) * fit.u_s
    assert fit.u_s < 0.001 + jitter_ms / 1000
    assert fit.pairs == len(pairs)


def test_drift_is_found_where_the_run_is_long_enough():
    """Over 20 min a drift of 50 ppm is found to a few ppm through 4 ms of jitter."""
    pairs, _ = simulated(drift_ppm=50, seconds=1200)

    assert fit_clock(pairs).rate == pytest.approx(1 - 50e-6, abs=1e-6)


def test_no_frame_is_mapped_after_it_was_sent():
    """The line never lies above a pair: no reading is dated later than it can have been."""
    pairs, _ = simulated(drift_ppm=30, seconds=300)
    fit = fit_clock(pairs)
    device_ns = np.array([p.device_ns for p in pairs])
    sent_ns = np.array([p.arrival_ns - p.wire_ns for p in pairs])

    assert (fit.to_run(device_ns) <= sent_ns).all()
    assert (sent_ns - fit.to_run(device_ns)).min() == 0


@pytest.mark.parametrize(("seconds", "a_second"), [(9, 50), (1, 5), (100, 0.08)])
def test_rate_is_held_where_the_pairs_tell_too_little(seconds, a_second):
    """Under 10 s, or under 10 pairs, the rate is 1 and the unknown drift is in u."""
    pairs = simulated(drift_ppm=80, seconds=1000, a_second=1)[0]
    step = max(1, round(1 / a_second))
    few = pairs[: seconds if a_second < 1 else 9 : step]
    fit = fit_clock(few)
    span_s = (few[-1].device_ns - few[0].device_ns) / 1e9

    assert fit.rate == 1
    assert fit.u_s >= (0.001 + 1e-4 * span_s) / sqrt(3)


def test_rate_is_bounded():
    """A clock that seems 1 % off is not followed beyond 1000 ppm, and u grows to show it."""
    pairs = [ClockPair(device_ns=i * SECOND, arrival_ns=i * 1_010_000_000) for i in range(100)]
    fit = fit_clock(pairs)

    assert fit.rate == 1 + RATE_LIMIT
    assert fit.u_s > 0.4


def test_allowance_for_the_unseen_delay_scales():
    """A run clock k times as fast as the wall's has an allowance k times as large."""
    pairs, _ = simulated(drift_ppm=0, seconds=60)
    plain, fast = fit_clock(pairs), fit_clock(pairs, unseen_delay_ns=30_000_000)

    assert fast.u_s - plain.u_s == pytest.approx(0.029 / sqrt(3))


def test_one_pair_is_enough_to_begin():
    """A single pair gives a fit with rate 1 through it."""
    fit = fit_clock([ClockPair(device_ns=5 * SECOND, arrival_ns=9 * SECOND, wire_ns=SECOND)])

    assert fit.to_run(np.array([5 * SECOND, 6 * SECOND])).tolist() == [8 * SECOND, 9 * SECOND]


def test_without_a_pair_there_is_no_fit():
    """Nothing to fit is the caller's mistake."""
    with pytest.raises(ValueError, match="no clock pair"):
        fit_clock([])


def test_large_uptimes_keep_their_nanoseconds():
    """Mapping adds integers: uptimes of 50 years differ by 1 ns after it as before."""
    fit = ClockFit(offset_ns=-(10**18), rate=1.0, u_s=0, residual_s=0, pairs=1)
    device_ns = np.array([1_600_000_000_000_000_001, 1_600_000_000_000_000_002])

    assert fit.to_run(device_ns).tolist() == [600_000_000_000_000_001, 600_000_000_000_000_002]
    assert fit.to_run(device_ns).dtype == np.int64


@given(
    st.integers(0, 2**60),
    st.floats(-RATE_LIMIT, RATE_LIMIT),
    st.lists(st.integers(0, 10**13), min_size=2, max_size=30),
)
def test_mapping_keeps_the_order_of_times(begin_ns, departure, steps):
    """A mapped sequence never falls where the device's did not."""
    fit = ClockFit(offset_ns=-begin_ns, rate=1 + departure, u_s=0, residual_s=0, pairs=1)
    device_ns = begin_ns + np.sort(np.array(steps))

    assert (np.diff(fit.to_run(device_ns)) >= 0).all()


def test_a_fit_goes_through_json_unchanged():
    """What a run's header keeps gives the same fit back."""
    fit = fit_clock(simulated(drift_ppm=17, seconds=60)[0])

    assert ClockFit.from_json(json.loads(json.dumps(fit.to_json()))) == fit
    with pytest.raises(ValueError, match="without 'rate'"):
        ClockFit.from_json({"offset_ns": 0})


def slow_drift(device_ns, sent_ns):
    """What Moon, Skelly and Towsley's linear program finds, by trying all lines.

    Returns:
        Of the lines through two points that lie under all: the height of the highest at the
        points' centre, and its slope less 1.
    """
    n = len(device_ns)
    centre = sum(device_ns) / n
    best = None
    for i in range(n):
        for j in range(i + 1, n):
            if device_ns[i] == device_ns[j]:
                continue
            slope = (sent_ns[j] - sent_ns[i]) / (device_ns[j] - device_ns[i])
            line = [sent_ns[i] + slope * (x - device_ns[i]) for x in device_ns]
            if all(at <= y + 1e-3 for at, y in zip(line, sent_ns, strict=True)):
                height = sent_ns[i] + slope * (centre - device_ns[i])
                if best is None or height > best[0]:
                    best = (height, slope - 1)
    return best


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 20)), min_size=3, max_size=12, unique=True
    ).filter(lambda points: len({x for x, _ in points}) > 1)
)
def test_fit_is_the_highest_line_under_all_pairs(points):
    """The hull's edge is what trying all lines finds (its slow twin)."""
    device_ns = [x * SECOND for x, _ in points]
    sent_ns = [x * SECOND + y * 1_000_000 for x, y in points]
    fit = fit_clock(
        [ClockPair(device_ns=d, arrival_ns=s) for d, s in zip(device_ns, sent_ns, strict=True)],
        least_span_ns=0,
        least_pairs=1,
    )
    height, drift = slow_drift(device_ns, sent_ns)
    centre = sum(device_ns) / len(device_ns)
    if abs(drift) > RATE_LIMIT:
        assert abs(fit.rate - 1) == pytest.approx(RATE_LIMIT)
    else:
        assert fit.offset_ns + fit.rate * centre == pytest.approx(height, abs=10)


def test_an_hour_at_100_packs_a_second_fits_in_a_few_seconds():
    """360,000 pairs are fitted while the person waits for the run to be sealed."""
    pairs, _ = simulated(drift_ppm=20, seconds=3600, a_second=100)
    begin = time.perf_counter()
    fit = fit_clock(pairs)

    assert time.perf_counter() - begin < 20
    assert fit.pairs == 360_000


def slow_causal(pairs, device_ns, window_ns):
    """The lowest delay among the pairs of the window, found by looking at all."""
    newest = pairs[-1].arrival_ns
    return device_ns + min(
        p.arrival_ns - p.wire_ns - p.device_ns for p in pairs if p.arrival_ns > newest - window_ns
    )


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 50)), min_size=1, max_size=60),
    st.integers(1, 100),
)
def test_causal_alignment_agrees_with_its_slow_twin(steps, window_ns):
    """After each pair the sliding lowest delay is the one that looking at all pairs finds."""
    alignment = CausalAlignment(window_ns=window_ns)
    pairs, arrival_ns = [], 0
    for step, delay in steps:
        arrival_ns += step
        pairs.append(ClockPair(device_ns=arrival_ns - delay, arrival_ns=arrival_ns, wire_ns=1))
        alignment.add(pairs[-1])

        found = alignment.to_run(np.array([1000]))
        assert found.tolist() == [slow_causal(pairs, 1000, window_ns)]


@pytest.mark.parametrize("drift_ppm", [-50, 50])
def test_causal_alignment_follows_a_drifting_clock(drift_ppm):
    """While running, a clock 50 ppm off is followed to the window's drift plus its floor."""
    pairs, true_run_ns = simulated(drift_ppm=drift_ppm, seconds=600)
    alignment = CausalAlignment()
    errors_ns = []
    for pair in pairs:
        alignment.add(pair)
        device_ns = np.array([pair.device_ns])
        errors_ns.append(float((alignment.to_run(device_ns) - true_run_ns(device_ns))[0]))
    settled = np.array(errors_ns[100:])

    assert np.abs(settled).max() < 50e-6 * 20e9 + 2_000_000


def test_causal_alignment_never_dates_a_frame_after_its_arrival():
    """A frame's newest reading is never dated later than its sending."""
    alignment = CausalAlignment()
    for pair in simulated(drift_ppm=40, seconds=30)[0]:
        alignment.add(pair)

        sent_ns = pair.arrival_ns - pair.wire_ns
        assert alignment.to_run(np.array([pair.device_ns]))[0] <= sent_ns


def test_causal_alignment_needs_a_pair_and_a_window():
    """Before the first pair nothing can be mapped; a window of nothing is refused."""
    alignment = CausalAlignment()

    assert not alignment.ready
    with pytest.raises(ValueError, match="no clock pair"):
        alignment.to_run(np.array([1]))
    with pytest.raises(ValueError, match="remembers nothing"):
        CausalAlignment(window_ns=0)


def test_a_stall_in_one_stretch_says_nothing_against_the_clock():
    """Five seconds in which every frame is late leave line and uncertainty as they were."""
    rng = np.random.default_rng(4)
    device_ns = np.arange(0, 300_000_000_000, 100_000_000)
    delay_ns = rng.integers(2_000_000, 9_000_000, device_ns.size)
    stalled_ns = delay_ns + np.where((device_ns > 100e9) & (device_ns < 118e9), 6_000_000_000, 0)
    calm, stalled = (
        fit_clock(
            [
                ClockPair(device_ns=int(d), arrival_ns=int(d + x))
                for d, x in zip(device_ns, delay, strict=True)
            ]
        )
        for delay in (delay_ns, stalled_ns)
    )

    assert stalled.u_s < 2 * calm.u_s
    assert stalled.offset_ns == pytest.approx(calm.offset_ns, abs=1_000_000)


def exchanged(
    *, drift_ppm, seconds, least_out_ms, least_back_ms, jitter_ms=4.0, wander_ms=0.0, seed=1
):
    """Frames twice a second and an answered question each second, with delays of their own.

    Returns:
        The pairs in order of arrival, and a function from device time to true run time, ns.
    """
    rng = random.Random(seed)
    device_rate = 1 + drift_ppm * 1e-6

    def true_run_ns(device_ns):
        wander_ns = wander_ms * 1e6 * np.sin(device_ns * 1e-9 / 40)
        return START_NS + device_ns / device_rate + wander_ns

    def delay_ns(least_ms):
        return (least_ms + rng.expovariate(1 / jitter_ms)) * 1e6

    pairs = []
    for i in range(seconds * 2):
        device_ns = round(i * SECOND / 2 * device_rate)
        taken_ns = float(true_run_ns(device_ns))
        pairs.append(
            ClockPair(
                device_ns=device_ns,
                arrival_ns=math.ceil(taken_ns + delay_ns(least_back_ms)) + 500_000,
                wire_ns=500_000,
                asked_ns=math.floor(taken_ns - delay_ns(least_out_ms)) if i % 2 else None,
            )
        )
    return sorted(pairs, key=lambda p: p.arrival_ns), true_run_ns


ASYMMETRIC = [(0.1, 0.1), (0.1, 12.0), (12.0, 0.1), (3.0, 1.0)]


@pytest.mark.parametrize("drift_ppm", [-80, 0, 40])
@pytest.mark.parametrize("seconds", [3, 9, 60, 600])
@pytest.mark.parametrize(("out_ms", "back_ms"), ASYMMETRIC)
def test_the_truth_lies_between_question_and_answer(drift_ppm, seconds, out_ms, back_ms):
    """However delays are shared out and back, no time is off by more than √3 u, the half-width."""
    for seed in range(3):
        pairs, true_run_ns = exchanged(
            drift_ppm=drift_ppm,
            seconds=seconds,
            least_out_ms=out_ms,
            least_back_ms=back_ms,
            seed=seed,
        )
        fit = fit_clock(pairs)
        device_ns = np.array([p.device_ns for p in pairs])
        error_s = np.abs(fit.to_run(device_ns) - true_run_ns(device_ns)) / 1e9

        assert fit.pairs_two_way == seconds
        assert error_s.max() <= sqrt(3) * fit.u_s
        assert (error_s <= 2 * fit.u_s).mean() >= 0.95
        assert fit.u_s < 1e-3 * ((out_ms + back_ms) / 2 + {3: 16, 9: 16, 60: 2, 600: 1}[seconds])


def test_one_way_the_same_delays_would_deceive():
    """Without the questions a constant 12 ms on the way back goes unseen: why they are asked."""
    pairs, true_run_ns = exchanged(drift_ppm=0, seconds=600, least_out_ms=0.1, least_back_ms=12)
    deaf = fit_clock([replace(p, asked_ns=None) for p in pairs])
    device_ns = np.array([p.device_ns for p in pairs])
    error_s = np.abs(deaf.to_run(device_ns) - true_run_ns(device_ns)) / 1e9

    assert deaf.pairs_two_way == 0
    assert error_s.min() > sqrt(3) * deaf.u_s


def test_an_exchange_finds_rate_and_middle():
    """Over 20 min, equal delays both ways: 50 ppm found to a part in a million, offset to 1 ms."""
    pairs, true_run_ns = exchanged(drift_ppm=50, seconds=1200, least_out_ms=2, least_back_ms=2)
    fit = fit_clock(pairs)
    middle_ns = np.array([pairs[len(pairs) // 2].device_ns])

    assert fit.rate == pytest.approx(1 - 50e-6, abs=1e-6)
    assert fit.to_run(middle_ns)[0] == pytest.approx(true_run_ns(middle_ns)[0], abs=1_000_000)


def test_no_answer_is_mapped_out_of_its_bounds():
    """The line passes after every question and before every answer was sent."""
    pairs, _ = exchanged(drift_ppm=30, seconds=300, least_out_ms=1, least_back_ms=3)
    fit = fit_clock(pairs)
    for pair in pairs:
        at_ns = int(fit.to_run(np.array([pair.device_ns]))[0])

        assert at_ns <= pair.arrival_ns - pair.wire_ns + 1
        assert pair.asked_ns is None or at_ns >= pair.asked_ns - 1


@pytest.mark.parametrize("wander_ms", [0.2, 1.0, 5.0])
def test_a_wandering_clock_is_less_sure(wander_ms):
    """A clock that no line fits is told by its bounds: what they lack is in the uncertainty."""
    pairs, true_run_ns = exchanged(
        drift_ppm=10, seconds=600, least_out_ms=0.3, least_back_ms=0.3, wander_ms=wander_ms
    )
    fit = fit_clock(pairs)
    device_ns = np.array([p.device_ns for p in pairs])
    error_s = np.abs(fit.to_run(device_ns) - true_run_ns(device_ns)) / 1e9

    assert (error_s <= 2 * fit.u_s).mean() >= 0.95


def bounded_by_trying(bounds, at):
    """Least and greatest offset at x of any line between the bounds, corners tried one by one."""
    corners = [(x, low) for x, low, _ in bounds] + [(x, high) for x, _, high in bounds]
    values = []
    for (x0, y0), (x1, y1) in itertools.combinations(corners, 2):
        if x0 == x1:
            continue
        slope = (y1 - y0) / (x1 - x0)
        line = [y0 + slope * (x - x0) for x, _, _ in bounds]
        inside = zip(line, bounds, strict=True)
        if all(low - 1e-3 <= y <= high + 1e-3 for y, (_, low, high) in inside):
            values.append(y0 + slope * (at - x0))
    return min(values), max(values)


@given(
    st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 9), st.integers(0, 9)),
        min_size=2,
        max_size=8,
        unique_by=lambda b: b[0],
    )
)
@settings(max_examples=60, deadline=None)
def test_the_middle_line_is_what_trying_all_lines_finds(exchanges):
    """Offset and half-width at both ends agree with the slow twin's."""
    exchanges = sorted(exchanges)
    bounds = [(x * SECOND, -low * 1_000_000, high * 1_000_000) for x, low, high in exchanges]
    pairs = [ClockPair(device_ns=x, arrival_ns=x + h, asked_ns=x + low) for x, low, h in bounds]
    line = middle_line(ClockBounds.of(pairs), slope_limit=1.0)
    ends = [bounded_by_trying(bounds, bounds[i][0]) for i in (0, -1)]

    assert line.excess_ns < 1
    assert line.first_ns == pytest.approx(sum(ends[0]) / 2, abs=10)
    assert line.last_ns == pytest.approx(sum(ends[1]) / 2, abs=10)
    assert line.half_ns == pytest.approx(max(b - a for a, b in ends) / 2, abs=10)


def test_bounds_that_contradict_a_line_are_moved_apart_and_counted():
    """Where no line passes, the excess is the least by which one does."""
    pairs = [
        ClockPair(device_ns=x * SECOND, arrival_ns=x * SECOND + y + 1000, asked_ns=x * SECOND + y)
        for x, y in ((0, 0), (50, 9000), (100, 0))
    ]
    line = middle_line(ClockBounds.of(pairs), slope_limit=1e-3)

    assert line.excess_ns == pytest.approx(4000, abs=2)
    with pytest.raises(ValueError, match="from below"):
        middle_line(ClockBounds.of([ClockPair(device_ns=1, arrival_ns=2)]), slope_limit=1e-3)


def test_answers_in_a_corner_of_the_run_leave_it_one_way():
    """A rate from the first minute would be drawn out over an hour: then nobody asked."""
    pairs, _ = exchanged(drift_ppm=0, seconds=600, least_out_ms=1, least_back_ms=1)
    early = [p if p.device_ns < 60 * SECOND else replace(p, asked_ns=None) for p in pairs]

    assert fit_clock(early).pairs_two_way == 0
    assert fit_clock(pairs).pairs_two_way == 600


def test_a_wire_faster_than_declared_is_not_believed():
    """An answer on the wire before it was asked for shows a wire time that is none (native USB)."""
    pairs, true_run_ns = exchanged(drift_ppm=0, seconds=60, least_out_ms=0.1, least_back_ms=0.1)
    claimed = [replace(p, wire_ns=40_000_000) for p in pairs]
    fit, alignment = fit_clock(claimed), CausalAlignment()
    device_ns = np.array([p.device_ns for p in pairs])
    for pair in claimed:
        alignment.add(pair)

    assert fit.pairs_two_way == 60
    assert np.abs(fit.to_run(device_ns) - true_run_ns(device_ns)).max() <= sqrt(3e18) * fit.u_s
    newest_ns = device_ns[-1:]
    error_ns = abs(int(alignment.to_run(newest_ns)[0]) - true_run_ns(newest_ns)[0])
    assert error_ns <= sqrt(3) * alignment.u_ns


def test_accelerated_time_scales_what_belongs_to_the_wall():
    """A test in 20-fold time has 20-fold delays: fit and uncertainty are 20 times as large."""
    pairs, _ = simulated(drift_ppm=0, seconds=60)
    fast = [
        ClockPair(device_ns=p.device_ns * 20, arrival_ns=p.arrival_ns * 20, wire_ns=p.wire_ns * 20)
        for p in pairs
    ]
    plain_live, fast_live = CausalAlignment(), CausalAlignment(clock_rate=20)
    for ours, theirs in zip(pairs, fast, strict=True):
        plain_live.add(ours)
        fast_live.add(theirs)

    assert fit_clock(fast, clock_rate=20).u_s == pytest.approx(20 * fit_clock(pairs).u_s)
    assert fit_clock(fast[:150], clock_rate=20).rate == 1
    assert fast_live.u_ns == pytest.approx(20 * plain_live.u_ns, rel=1e-3)
    at_ns = plain_live.to_run(np.array([pairs[-1].device_ns]))[0]
    assert fast_live.to_run(np.array([fast[-1].device_ns]))[0] == 20 * at_ns


@pytest.mark.parametrize("drift_ppm", [-90, 0, 90])
@pytest.mark.parametrize(("out_ms", "back_ms"), ASYMMETRIC)
def test_live_the_truth_lies_within_the_uncertainty_at_every_moment(drift_ppm, out_ms, back_ms):
    """Once the device answers, no newest time is off by more than √3 u at drifts up to 90 ppm."""
    pairs, true_run_ns = exchanged(
        drift_ppm=drift_ppm, seconds=300, least_out_ms=out_ms, least_back_ms=back_ms
    )
    alignment, u_s = CausalAlignment(), []
    for pair in pairs:
        alignment.add(pair)
        newest_ns = np.array([max(p.device_ns for p in pairs if p.arrival_ns <= pair.arrival_ns)])
        if not alignment.two_way:
            continue
        error_ns = abs(float((alignment.to_run(newest_ns) - true_run_ns(newest_ns))[0]))
        u_s.append(alignment.u_ns / 1e9)

        assert error_ns <= sqrt(3) * alignment.u_ns + 90e-6 * 1e9
    assert np.median(u_s) < 1e-3 * ((out_ms + back_ms) / 2 + 2.5)


def test_live_uncertainty_one_way_covers_and_falls():
    """One-way: 95 % of errors lie within 2 u, which falls as frames come."""
    covered, first, last = 0, 0, 0
    for seed in range(100):
        pairs, true_run_ns = simulated(drift_ppm=20, seconds=10, seed=seed)
        alignment = CausalAlignment()
        with pytest.raises(ValueError, match="no clock pair"):
            _ = alignment.u_ns
        for count in (1, len(pairs) - 1):
            for pair in pairs[:count]:
                alignment.add(pair)
            newest_ns = np.array([pairs[count - 1].device_ns])
            error_ns = abs(float((alignment.to_run(newest_ns) - true_run_ns(newest_ns))[0]))
            covered += error_ns <= 2 * alignment.u_ns
            first, last = last, alignment.u_ns

    assert covered >= 0.95 * 200
    assert last < first / 3


def test_a_fit_from_before_two_way_exchange_is_read():
    """A header without ``pairs_two_way`` holds a one-way fit."""
    fit = ClockFit(offset_ns=1, rate=1.0, u_s=1e-3, residual_s=0, pairs=3)
    document = fit.to_json()
    del document["pairs_two_way"]

    assert ClockFit.from_json(document) == fit


@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**60),
            st.integers(0, 2**45),
            st.integers(0, 10**9),
            st.none() | st.integers(0, 2**45),
        ),
        min_size=1,
        max_size=30,
    )
)
@settings(max_examples=60)
def test_whatever_devices_claim_a_fit_comes_out(rows):
    """Clocks that jump, answers before questions: a run is sealed all the same, with its doubt."""
    pairs = [
        ClockPair(device_ns=d, arrival_ns=a, wire_ns=w, asked_ns=asked) for d, a, w, asked in rows
    ]
    fit, alignment = fit_clock(pairs), CausalAlignment()
    for pair in sorted(pairs, key=lambda p: p.arrival_ns):
        alignment.add(pair)

        assert alignment.u_ns > 0
    assert math.isfinite(fit.u_s)
    assert fit.u_s > 0
    assert abs(fit.rate - 1) <= RATE_LIMIT * 1.001
