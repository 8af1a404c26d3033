"""Medians over slices of the run's clock, and a continuous slew angle."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.readings.bins import BinMedian
from logger.readings.calibration import Calibration
from logger.readings.slew import SlewUnwrapper, unwrap_slew
from tests.blocks import cuts, pieces

WIDTH_NS = 100

streams = st.lists(
    st.tuples(st.integers(0, 180), st.floats(-1e6, 1e6) | st.just(math.nan)), max_size=80
).map(
    lambda rows: (
        np.cumsum([dt for dt, _ in rows], dtype=np.int64),
        np.array([v for _, v in rows], dtype=np.float64),
    )
)


def binned(t_ns, value, cut):
    binner, parts = BinMedian(WIDTH_NS), []
    for first, last in pieces(cut):
        parts.append(binner.feed(t_ns[first:last], value[first:last]))
    parts.append(binner.finish())
    return [
        row
        for b in parts
        for row in zip(b.first_ns.tolist(), b.last_ns.tolist(), b.median.tolist(), strict=True)
    ]


def slow_bins(t_ns, value):
    slices = defaultdict(list)
    for t, v in zip(t_ns.tolist(), value.tolist(), strict=True):
        if not math.isnan(v):
            slices[t // WIDTH_NS].append((t, v))
    return [
        (rows[0][0], rows[-1][0], float(np.median([v for _, v in rows])))
        for _, rows in sorted(slices.items())
    ]


@given(streams.flatmap(lambda s: st.tuples(st.just(s), cuts(len(s[0])))))
def test_slices_are_those_of_the_slow_twin_however_the_stream_is_cut(stream_and_cut):
    """Medians over slices equal a plain loop's, for every cut into blocks."""
    (t_ns, value), cut = stream_and_cut

    assert binned(t_ns, value, cut) == slow_bins(t_ns, value)


@given(st.data())
def test_a_wrapping_encoder_gives_the_angle_that_was_turned(data):
    """Any motion under half a turn a reading comes back from a wrapping counter, for every cut."""
    counts = 4096
    steps = data.draw(st.lists(st.integers(-2000, 2000), min_size=1, max_size=60))
    start = data.draw(st.integers(-2047, 2047))
    turned = start + np.concatenate(([0], np.cumsum(steps)))
    raw = (turned % counts).astype(float)
    cut = data.draw(cuts(raw.size))
    calibration = Calibration(coefficients=(0.0, 360 / counts), wraps_at=counts)
    unwrapper = SlewUnwrapper(calibration)
    angle = np.concatenate([unwrapper.feed(raw[a:b]) for a, b in pieces(cut)])

    np.testing.assert_allclose(angle, turned * 360 / counts, atol=1e-9)


def test_an_angle_that_restarts_at_360_is_made_continuous_without_wraps_at():
    """An instrument that sends 359.5° left of the rear gives −0.5°."""
    angle = unwrap_slew(np.array([359.0, 0.5, 1.0, 359.5]), Calibration())

    assert angle.tolist() == [-1.0, 0.5, 1.0, -0.5]


def test_a_reading_that_is_no_number_stays_so_and_spoils_nothing():
    """NaN stays NaN, and the count of turns goes on behind it."""
    calibration = Calibration(coefficients=(0.0, 1.0), wraps_at=360)
    angle = unwrap_slew(np.array([358.0, math.nan, 3.0, 357.0]), calibration)

    assert angle[[0, 2, 3]].tolist() == [-2.0, 3.0, -3.0]
    assert math.isnan(angle[1])


def test_a_geared_encoder_starts_in_the_turn_nearest_to_over_the_rear():
    """An encoder that turns five times a slew turn is placed by its own turns of 72°."""
    calibration = Calibration(coefficients=(0.0, 72 / 1000), wraps_at=1000)

    assert unwrap_slew(np.array([990.0, 10.0]), calibration) == pytest.approx([-0.72, 0.72])
