"""The tap test: what one knock, dated by two sources, tells of their clocks."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.events.tap import (
    Departure,
    analogue_departures,
    contact_departures,
    paired,
    robust_sd,
    tap_bias,
)

MS = 1_000_000
S = 1_000_000_000
KNOCKS_S = (3.0, 5.1, 7.0, 9.3, 11.0)


def times_ns(rate_hz, *, seconds=14.0, phase_s=0.0):
    return ((np.arange(int(seconds * rate_hz)) / rate_hz + phase_s) * 1e9).astype(np.int64)


def cell(t_ns, *, knocks_s=KNOCKS_S, noise=1.0, drift_per_s=0.0, seed=1):
    """A load cell: noise, drift, and a decaying swing at each knock."""
    chance = np.random.default_rng(seed)
    t_s = t_ns * 1e-9
    value = 1000.0 + drift_per_s * t_s + chance.normal(0, noise, t_s.size)
    for knock_s in knocks_s:
        after_s = t_s - knock_s
        swing = 80 * np.exp(-after_s / 0.05) * np.cos(after_s * 60)
        value += np.where((after_s >= 0) & (after_s < 0.3), swing, 0)
    return value


def switch(t_ns, *, knocks_s=KNOCKS_S, held_s=0.2):
    """A contact, open for a while from each knock on, with a chatter of 12 ms."""
    closed = np.ones(t_ns.size, dtype=bool)
    for knock_s in knocks_s:
        after_s = t_ns * 1e-9 - knock_s
        closed &= ~((after_s >= 0) & (after_s < held_s) & ~((after_s > 0.004) & (after_s < 0.012)))
    return closed


def at(*t_s, half_width_ms=0.0):
    return [Departure(t_ns=round(t * 1e9), half_width_ns=round(half_width_ms * MS)) for t in t_s]


def test_each_knock_is_found_once_and_dated_at_its_first_reading():
    """Five knocks in noise, drift and chatter: five departures, within one reading of the truth."""
    t_ns = times_ns(200)
    for found, rate_hz in (
        (analogue_departures(t_ns, cell(t_ns, drift_per_s=5.0)), 200),
        (contact_departures(times_ns(500), switch(times_ns(500))), 500),
    ):
        off_s = np.array([d.t_ns for d in found]) * 1e-9 - KNOCKS_S

        assert len(found) == len(KNOCKS_S)
        assert np.abs(off_s).max() <= 1 / rate_hz
        assert all(d.half_width_ns == pytest.approx(S / rate_hz / 2, abs=2) for d in found)


def test_noise_alone_is_no_knock():
    """A minute of plain noise and a contact at rest hold no departure."""
    t_ns = times_ns(100, seconds=60)
    noise = np.random.default_rng(3).normal(0, 2, t_ns.size)

    assert analogue_departures(t_ns, noise) == []
    assert contact_departures(t_ns, np.ones(t_ns.size, dtype=bool)) == []
    assert analogue_departures(t_ns, np.full(t_ns.size, 5.0)) == []


def test_a_step_that_stays_is_one_departure():
    """A load set on the cell departs once, and is then the new baseline."""
    t_ns = times_ns(100, seconds=12)
    value = cell(t_ns, knocks_s=()) + np.where(t_ns >= 5 * S, 300, 0)
    found = analogue_departures(t_ns, value)

    assert [round(d.t_ns / S, 2) for d in found] == [pytest.approx(5.0, abs=0.011)]


def test_a_knock_without_a_rest_before_it_does_not_count():
    """Two knocks 0.3 s apart are one: the second begins while the first still rings."""
    t_ns = times_ns(500)
    closed = switch(t_ns, knocks_s=(3.0, 3.3, 6.0))

    assert [round(d.t_ns / S, 1) for d in contact_departures(t_ns, closed)] == [3.0, 6.0]


@settings(max_examples=30)
@given(bias_ms=st.integers(-400, 400), seed=st.integers(0, 50))
def test_the_bias_put_between_two_sources_is_found(bias_ms, seed):
    """Whatever the bias, the truth lies within three standard uncertainties of what is found."""
    t_ns, other_ns = times_ns(200), times_ns(100, phase_s=0.0037)
    chance = np.random.default_rng(seed)
    hand_s = chance.normal(0, 0.01, len(KNOCKS_S))
    second = contact_departures(
        other_ns + bias_ms * MS, switch(other_ns, knocks_s=np.array(KNOCKS_S) + hand_s)
    )
    bias = tap_bias(analogue_departures(t_ns, cell(t_ns, seed=seed)), second)

    assert bias is not None
    assert bias.taps == len(KNOCKS_S)
    assert abs(bias.bias_s - bias_ms / 1000) < 3 * bias.u_s + 0.01
    assert bias.spread_s < 0.05


def test_scatter_alone_is_not_significant_and_a_true_bias_is():
    """Differences about zero are told as scatter; the same scatter about 0.2 s is a bias."""
    first = at(1, 3, 5, 7, 9)
    scatter = (0.02, -0.03, 0.01, 0.03, -0.02)
    about_zero = tap_bias(
        first, at(*(t + s for t, s in zip((1, 3, 5, 7, 9), scatter, strict=True)))
    )
    late = tap_bias(
        first, at(*(t + s + 0.2 for t, s in zip((1, 3, 5, 7, 9), scatter, strict=True)))
    )

    assert not about_zero.significant
    assert late.significant
    assert late.bias_s == pytest.approx(0.21)


def test_the_uncertainty_of_a_median_by_hand():
    """Spread, and u = 1.2533 · s / √n, worked out by hand (normal scatter: √(π/2), from memory)."""
    bias = tap_bias(at(0, 2, 4), at(0.1, 2.2, 4.3))

    assert bias.bias_s == pytest.approx(0.2)
    assert bias.spread_s == pytest.approx(0.1)
    assert bias.u_s == pytest.approx(1.2533 * 0.1 / sqrt(3))
    # Student's t, 2 degrees of freedom, 95 % both sides: 4.303 (any table): 4.303 · 0.0724 > 0.2.
    assert not bias.significant


def test_equal_differences_are_no_surer_than_the_readings_allow():
    """Knocks that agree by chance keep the uncertainty of readings 20 ms apart."""
    bias = tap_bias(at(0, 2, 4, half_width_ms=10), at(0, 2, 4, half_width_ms=10))

    assert bias.spread_s == 0
    assert bias.u_s == pytest.approx(1.2533 * 0.01 * sqrt(2 / 3) / sqrt(3))


def test_only_knocks_within_a_second_that_both_saw_are_paired():
    """Each departure has at most one partner, the nearest, and none beyond a second."""
    first, second = at(1, 4, 8), at(1.2, 4.9, 5.2, 9.1)
    pairs = [(a.t_ns / S, b.t_ns / S) for a, b in paired(first, second)]

    assert pairs == [(1.0, 1.2), (4.0, 4.9)]
    assert tap_bias(first, second) is None
    assert paired(first, []) == []


def test_robust_sd_is_that_of_the_noise_whatever_trend_and_outliers():
    """Normal noise of 2 on a steep trend with some wild readings gives 2 within 10 %."""
    value = np.random.default_rng(5).normal(0, 2, 4000) + np.linspace(0, 500, 4000)
    value[::200] += 1e4

    assert robust_sd(value) == pytest.approx(2, rel=0.1)
    assert robust_sd(np.array([1.0])) == 0
