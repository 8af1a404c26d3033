"""Change detection: a series known from the literature, an independent program, and simulation."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.datasets import nile

from logger.events.radius_change import RadiusChangeDetector
from logger.events.step_change import StepWatch, best_split, find_steps
from logger.events.touch import TouchDetector
from tests.blocks import cuts, pieces
from tests.campaigns.change_detection import delay_s, false_changes

S = 1_000_000_000


@pytest.fixture(scope="module")
def flow():
    """The Nile's yearly flow at Aswan, 1871 to 1970 (statsmodels ``datasets.nile``)."""
    return nile.load_pandas().data["volume"].to_numpy().astype(np.float64)


def slow_split(values):
    """The best split by trying all: sums of squares as plain loops."""

    def sse(part):
        return float(((part - part.mean()) ** 2).sum())

    return min(range(1, values.size), key=lambda k: sse(values[:k]) + sse(values[k:]))


def test_the_best_split_of_the_nile_is_the_published_one(flow):
    """After 1898, n = 28: means 1097.75 and 849.9722, squares 2835156.75 to 1597457.194.

    The figures are those of the project's check values for the series; the year of the change is
    Cobb's (Biometrika 65, 1978; from memory).
    """
    split = best_split(flow)

    assert (flow.size, flow.sum()) == (100, 91935)
    assert split.index == 28
    assert (split.before, split.after) == pytest.approx((1097.75, 849.9722), abs=5e-5)
    assert split.sse_whole == pytest.approx(2835156.75, abs=5e-3)
    assert split.sse_split == pytest.approx(1597457.194, abs=5e-4)


def test_the_code_that_finds_radius_changes_finds_the_niles(flow):
    """Value by value the step watch finds one change, dates it after 1898, and no other."""
    (step,) = find_steps(flow)

    assert step.index == 28
    assert (step.before, step.after) == pytest.approx((1097.75, 849.9722), abs=5e-5)
    assert step.noticed < 60


def test_the_radius_detector_watches_with_that_code(monkeypatch):
    """Nothing but the step watch decides that a radius has left its place."""
    t_ns = np.arange(0, 40 * S, S // 20)
    radius_m = np.where(t_ns < 20 * S, 3.9, 3.5)
    found = RadiusChangeDetector()
    blind = RadiusChangeDetector()
    monkeypatch.setattr(StepWatch, "take", lambda *_: False)

    assert blind.feed(t_ns, radius_m) + blind.finish() == []
    monkeypatch.undo()
    assert len(found.feed(t_ns, radius_m) + found.finish()) == 1


def test_ruptures_splits_the_nile_and_simulated_steps_at_the_same_place(flow):
    """Its exact search by least squares (Dynp, one break) agrees on the Nile and on ten series."""
    rng = np.random.default_rng(3)
    series = [flow]
    for _ in range(10):
        before, after = (int(n) for n in rng.integers(10, 60, 2))
        levels = np.repeat([0.0, rng.uniform(1, 4)], [before, after])
        series.append(levels + rng.normal(0, 1, levels.size))
    for values in series:
        search = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(values)

        assert search.predict(n_bkps=1) == [best_split(values).index, values.size]


def test_ruptures_finds_the_same_steps_of_a_staircase():
    """Four levels, three breaks: PELT with a penalty of 36 variances (six errors) agrees."""
    rng = np.random.default_rng(8)
    values = np.repeat([3.9, 3.5, 3.7, 3.2], [60, 40, 70, 50]) + rng.normal(0, 0.02, 220)
    search = ruptures.Pelt(model="l2", min_size=5, jump=1).fit(values)
    found = [s.index for s in find_steps(values)]

    assert [*found, 220] == search.predict(pen=36 * 0.02**2)
    assert found == [60, 100, 170]


@given(st.lists(st.integers(-50, 50), min_size=2, max_size=40))
def test_the_best_split_is_what_trying_all_finds(numbers):
    """The fast split has the least sum of squares that any split has."""
    values = np.array(numbers, dtype=np.float64)
    split, slow = best_split(values), slow_split(values)
    parts = values[:slow], values[slow:]
    least = sum(((part - part.mean()) ** 2).sum() for part in parts)

    assert split.sse_split == pytest.approx(least, abs=1e-6)
    assert split.before == values[: split.index].mean()
    assert split.after == values[split.index :].mean()


@pytest.mark.parametrize("values", [[], [1.0]])
def test_fewer_than_two_values_cannot_be_divided(values):
    """An empty series or a single value is an error that says so."""
    with pytest.raises(ValueError, match="fewer than two"):
        best_split(np.array(values))


@pytest.mark.parametrize("span", [0, 2, 4])
def test_a_median_needs_an_odd_number_of_values(span):
    """Zero or an even number has no middle one."""
    with pytest.raises(ValueError, match="no middle one"):
        StepWatch(median_span=span)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e6])
def test_the_unit_of_a_series_changes_nothing(flow, scale):
    """Scaled and shifted, the same steps are found: the noise is the series' own."""
    steps = find_steps(flow * scale + 7 * scale)

    assert [s.index for s in steps] == [28]


def test_steps_too_small_to_matter_are_not_told(flow):
    """With a tolerance above the step, the Nile does not change."""
    assert find_steps(flow, tolerance=300.0) == ()


def test_white_noise_gives_no_step():
    """Ten series of 1,000 values of pure noise: no step (measured at length by the campaign)."""
    rng = np.random.default_rng(5)

    assert [find_steps(rng.normal(0, 1, 1000)) for _ in range(10)] == [()] * 10


def test_a_spike_shorter_than_half_the_median_is_outvoted():
    """Two of five values off by 50 standard deviations are no step; ten are."""
    rng = np.random.default_rng(2)
    values = rng.normal(0, 1, 300)
    short, long = values.copy(), values.copy()
    short[150:152] += 50
    long[150:160] += 50

    assert find_steps(short, median_span=5) == ()
    assert find_steps(long, median_span=5)


def test_a_quiet_radius_does_not_change():
    """An hour each of 4 mm and 10 mm of noise at 20 Hz: none; the campaign runs hundreds."""
    rng = np.random.default_rng(1)

    assert [false_changes(noise_m, 20, 1, rng) for noise_m in (0.004, 0.010)] == [0, 0]


def test_a_step_of_40_mm_is_known_within_three_seconds():
    """Made in a second, at 4 mm of noise: always found, 3 s after it began at the latest."""
    rng = np.random.default_rng(4)
    delays = [delay_s(0.04, 0.004, 20, rng) for _ in range(8)]

    assert None not in delays
    assert max(delays) <= 3.0


def test_a_noisy_radius_is_watched_longer_for_a_small_step():
    """At 40 mm of noise a step of 0.1 m is found, later than at 4 mm."""
    rng = np.random.default_rng(4)
    noisy = [delay_s(0.1, 0.04, 20, rng) for _ in range(5)]
    calm = [delay_s(0.1, 0.004, 20, rng) for _ in range(5)]

    assert None not in noisy
    assert np.median(noisy) > np.median(calm)


@settings(max_examples=25)
@given(data=st.data())
def test_no_cut_into_blocks_changes_the_touches_that_are_found(data):
    """A load with dips of all depths and lengths, cut anywhere: the same touches."""
    rng = np.random.default_rng(data.draw(st.integers(0, 9)))
    t_ns = np.arange(0, 20 * S, S // 20)
    load_kg = 1000 + rng.normal(0, 5, t_ns.size)
    for start_s, seconds, off in data.draw(
        st.lists(
            st.tuples(st.integers(4, 18), st.floats(0.05, 3.0), st.floats(0.02, 0.9)), max_size=4
        )
    ):
        inside = (t_ns >= start_s * S) & (t_ns < (start_s + seconds) * S)
        load_kg[inside] *= 1 - off
    whole, piecewise = TouchDetector(1000.0), TouchDetector(1000.0)
    expected = whole.feed(t_ns, load_kg) + whole.finish()
    found = [
        touch
        for a, b in pieces(data.draw(cuts(t_ns.size)))
        for touch in piecewise.feed(t_ns[a:b], load_kg[a:b])
    ]

    assert found + piecewise.finish() == expected


def test_touches_are_dated_and_measured():
    """Dips of 0.2 to 2 s and 8 to 60 %: start, end and depth within a slice and the noise."""
    cases = list(itertools.product((0.2, 0.5, 2.0), (0.08, 0.3, 0.6)))
    rng = np.random.default_rng(6)
    t_ns = np.arange(0, 20 * S, S // 50)
    for seconds, off in cases:
        load_kg = 1000 + rng.normal(0, 4, t_ns.size)
        load_kg[(t_ns >= 8 * S) & (t_ns < (8 + seconds) * S)] *= 1 - off
        detector = TouchDetector(1000.0)
        (touch,) = detector.feed(t_ns, load_kg) + detector.finish()

        assert touch.t_ns == pytest.approx(8 * S, abs=S // 20)
        assert touch.end_ns == pytest.approx((8 + seconds) * S, abs=S // 20)
        assert touch.off_kg == pytest.approx(1000 * off, abs=20)


@pytest.mark.parametrize(("share", "period_s"), [(0.05, 4.2), (0.1, 1.0), (0.04, 8.0)])
def test_a_wave_is_no_touch(share, period_s):
    """What rises as far as it falls is the load's own movement."""
    rng = np.random.default_rng(7)
    t_ns = np.arange(0, 60 * S, S // 50)
    load_kg = 1000 * (1 + share * np.sin(2e-9 * np.pi * t_ns / period_s))
    detector = TouchDetector(1000.0)

    assert detector.feed(t_ns, load_kg + rng.normal(0, 4, t_ns.size)) + detector.finish() == []


def test_a_load_that_was_set_down_did_not_touch():
    """Down for longer than five seconds, and a stream that ends while it is down: no touch."""
    t_ns = np.arange(0, 40 * S, S // 20)
    load_kg = np.where((t_ns > 10 * S) & (t_ns < 20 * S) | (t_ns > 35 * S), 0.0, 1000.0)
    detector = TouchDetector(1000.0)

    assert detector.feed(t_ns, load_kg) + detector.finish() == []
