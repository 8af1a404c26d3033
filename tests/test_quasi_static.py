"""The load through its swing: a pendulum integrated by scipy is the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashboard.capacity.proof.quasi_static import (
    Swing,
    block_means,
    block_s,
    find_swing,
    mean_power,
    steady_value,
    swing_period_s,
)

G = 9.80665
LOAD_KG = 1400.0
STEP_S = 1 / 16


def times(seconds=120.0):
    return np.arange(0, seconds, STEP_S)


def ns(t_s):
    return np.round(t_s * 1e9).astype(np.int64)


def pull(rope_m, swing_deg, t_s, *, damping=0.0, sideways_deg=0.0):
    """Tension over weight of a spherical pendulum, by integration of its motion.

    The bob's position x, y on a sphere of radius L; seen from above as a plane pendulum in each
    direction, coupled by the tension (Goldstein, Classical Mechanics, ch. 1: constraint forces;
    from memory).
    """
    from scipy.integrate import solve_ivp

    def motion(_, state):
        x, y, z, u, v, w = state.tolist()
        held = (u * u + v * v + w * w - G * z) / rope_m**2
        return (
            *(u, v, w),
            *(-held * x - damping * u, -held * y - damping * v, -held * z - damping * w - G),
        )

    x, y = (rope_m * math.sin(math.radians(a)) for a in (swing_deg, sideways_deg))
    # Starting from the far end of the ellipse: at rest along, moving across.
    start = [x, 0.0, -math.sqrt(rope_m**2 - x * x), 0.0, y * math.sqrt(G / rope_m), 0.0]
    solved = solve_ivp(
        motion, (0, t_s[-1]), start, t_eval=t_s, rtol=1e-8, atol=1e-10, method="DOP853"
    )
    place, speed = solved.y[:3].T, solved.y[3:].T
    return ((speed**2).sum(axis=1) - G * place[:, 2]) / (rope_m * G)


def load_of(t_s, kg, swing):
    free_kg = kg - swing.added_kg(ns(t_s))
    return steady_value(block_means(ns(t_s), free_kg, block_s(swing.period_s))).value


@pytest.mark.parametrize("rope_m", [1.5, 3.0, 5.0, 12.0, 25.0])
@pytest.mark.parametrize("swing_deg", [3.0, 10.0])
def test_a_swing_is_found_and_its_load_is_right(rope_m, swing_deg):
    """Period within 1 %, amplitude within an eighth; a plane is the low end of what it may add."""
    t = times()
    kg = LOAD_KG * pull(rope_m, swing_deg, t) + np.random.default_rng(1).normal(0, 2, t.size)
    swing = find_swing(ns(t), kg)
    load_kg = load_of(t, kg, swing)

    assert swing.period_s == pytest.approx(swing_period_s(rope_m), rel=0.01)
    assert swing.angle_deg(LOAD_KG) == pytest.approx(swing_deg, rel=0.12)
    assert load_kg + half_width_kg(swing) == pytest.approx(LOAD_KG, abs=0.5)


def half_width_kg(swing):
    """Of the rectangle in which what the swing adds lies."""
    return math.sqrt(3) * swing.u_added_kg


def test_what_a_swing_adds_is_the_textbook_s():
    """Mean 1 + θ₀²/4 and wave ¾·θ₀² of the weight in the limit of small swings.

    T = m·g·(3·cos θ − 2·cos θ₀) by energy, with cos θ to second order (Landau and Lifshitz,
    Mechanics, § 21 to 28; from memory).
    """
    t = times(20 * swing_period_s(5.0))
    for swing_deg in (0.5, 1.0, 2.0):
        square = math.radians(swing_deg) ** 2
        felt = pull(5.0, swing_deg, t)
        wave = np.fft.rfft(felt - felt.mean())
        turns = np.abs(wave).argmax() / t[-1]
        amplitude = (felt.max() - felt.min()) / 2

        assert felt.mean() - 1 == pytest.approx(square / 4, rel=0.02)
        assert amplitude == pytest.approx(0.75 * square, rel=0.01)
        assert 1 / turns == pytest.approx(swing_period_s(5.0) / 2, rel=0.03)


@pytest.mark.parametrize("sideways_deg", [0.0, 1.0, 2.0])
def test_what_an_ellipse_adds_is_the_textbook_s(sideways_deg):
    """Mean 1 + (a² + b²)/4 and wave ¾·(a² − b²) of the weight, by a pendulum's own motion."""
    t = times(20 * swing_period_s(5.0))
    felt = pull(5.0, 3.0, t, sideways_deg=sideways_deg)
    along, across = (math.radians(a) ** 2 for a in (3.0, sideways_deg))

    assert felt.mean() - 1 == pytest.approx((along + across) / 4, rel=0.02)
    assert np.ptp(felt) / 2 == pytest.approx(0.75 * (along - across), rel=0.02)


def test_an_ellipse_stays_within_what_is_said():
    """A swing half as wide across adds as much as is assumed at most; no load is made of it."""
    t = times()
    kg = LOAD_KG * pull(5.0, 6.0, t, sideways_deg=3.0)
    swing = find_swing(ns(t), kg)
    load_kg = load_of(t, kg, swing)

    assert load_kg - half_width_kg(swing) == pytest.approx(LOAD_KG, abs=0.1)
    assert load_kg - 2 * swing.u_added_kg < LOAD_KG


@pytest.mark.parametrize("sideways_deg", [0.0, 1.0, 2.0, 2.9])
def test_no_swing_up_to_the_ellipse_assumed_is_credited_as_load(sideways_deg):
    """Less two standard uncertainties of the swing, the load is at most what hung."""
    t = times()
    kg = LOAD_KG * pull(4.0, 6.0, t, sideways_deg=sideways_deg)
    swing = find_swing(ns(t), kg)

    assert load_of(t, kg, swing) - 2 * swing.u_added_kg <= LOAD_KG


def test_a_swing_that_dies_down_is_told_at_its_greatest():
    """Greatest amplitude near the first swings', and the load right all the same."""
    t = times()
    kg = LOAD_KG * pull(5.0, 8.0, t, damping=0.05)
    swing = find_swing(ns(t), kg)
    load_kg = load_of(t, kg, swing)

    assert 6.5 < swing.angle_deg(LOAD_KG) <= 8.0
    assert 9 / 4 * swing.mean_added_kg < 0.5 * swing.amplitude_kg
    assert load_kg + half_width_kg(swing) == pytest.approx(LOAD_KG, abs=0.4)


@pytest.mark.parametrize("bounce_hz", [1.0, 1.3, 2.0, 3.0, 3.75])
@pytest.mark.parametrize("expected_s", [None, 4.49])
def test_a_bounce_is_no_swing(bounce_hz, expected_s):
    """Rope and boom as a spring at 1 Hz and more: no amplitude, and the load right."""
    t = times()
    kg = LOAD_KG * (1 + 0.03 * np.sin(2 * np.pi * bounce_hz * t))
    kg += np.random.default_rng(2).normal(0, 2, t.size)
    swing = find_swing(ns(t), kg, expected_s=expected_s)
    load_kg = load_of(t, kg, swing)

    assert swing == Swing(period_s=expected_s)
    assert load_kg == pytest.approx(LOAD_KG, abs=0.5)


def test_a_swing_shows_beside_a_bounce_and_a_drift():
    """A bounce of 3 % and a cell that creeps by 2 kg do not hide a swing of 4°."""
    t = times()
    kg = LOAD_KG * (pull(5.0, 4.0, t) + 0.03 * np.sin(2 * np.pi * 1.7 * t)) + 2 * t / t[-1]
    swing = find_swing(ns(t), kg)

    assert swing.period_s == pytest.approx(swing_period_s(5.0), rel=0.01)
    assert swing.angle_deg(LOAD_KG) == pytest.approx(4.0, rel=0.15)


@pytest.mark.parametrize("number", range(20))
def test_noise_is_no_swing_to_speak_of(number):
    """White noise of 0.4 % reads as less than 1.2 kg of wave, nearly always as none."""
    t = times(60 + 5 * number)
    kg = LOAD_KG * (1 + np.random.default_rng(number).normal(0, 0.004, t.size))

    assert find_swing(ns(t), kg).mean_added_kg < 0.4


def test_a_rope_s_length_finds_a_swing_that_another_wave_outshines():
    """With the rope known, the greater wave at another frequency is not taken for the swing."""
    t = times()
    kg = LOAD_KG * (pull(3.0, 3.0, t) + 0.01 * np.sin(2 * np.pi * 0.3 * t))
    named = find_swing(ns(t), kg, expected_s=swing_period_s(3.0))

    assert find_swing(ns(t), kg).period_s == pytest.approx(2 / 0.3, rel=0.02)
    assert named.period_s == pytest.approx(swing_period_s(3.0), rel=0.01)
    assert named.angle_deg(LOAD_KG) == pytest.approx(3.0, rel=0.15)


def test_the_mean_power_is_scipy_s():
    """Up to one factor it is that of scipy.signal.welch, at the same frequencies."""
    from scipy.signal import welch

    value = np.random.default_rng(8).normal(0, 1, 3000) + 0.01 * np.arange(3000)
    hz, power = mean_power(value, STEP_S)
    expected_hz, expected = welch(
        value, fs=16, nperseg=768, noverlap=384, nfft=3072, detrend="linear", window="hann"
    )
    # scipy doubles all but the ends for the negative frequencies.
    ratio = power[1:-1] / expected[1:-1]

    assert hz == pytest.approx(expected_hz)
    assert ratio == pytest.approx(np.full(ratio.size, ratio[0]), rel=1e-6)


def test_too_short_or_too_slow_a_record_tells_no_swing():
    """Three seconds, or a reading each two seconds: nothing but what was expected."""
    short, slow = times(3.0), np.arange(0, 120, 2.0)
    for t in (short, slow, short[:1], short[:0]):
        kg = LOAD_KG * (1 + 0.01 * np.sin(2.8 * t))

        assert find_swing(ns(t), kg) == Swing(period_s=None)
        assert find_swing(ns(t), kg, expected_s=4.5) == Swing(period_s=4.5)


def test_means_over_whole_periods_leave_the_wave_out():
    """A wave of 2 % averages to nothing over its periods, and not over other lengths."""
    t = times()
    kg = LOAD_KG * (1 + 0.02 * np.sin(4 * np.pi * t / 4.5))
    whole, other = (block_means(ns(t), kg, s) for s in (4.5, 5.6))

    assert np.abs(whole - LOAD_KG).max() < 0.15
    assert np.abs(other - LOAD_KG).max() > 1.0
    assert block_s(1.0) == 3.0
    assert block_s(4.5) == 4.5
    assert block_s(None) == 5.0
    assert block_s(None, of_s=14.0) == 3.5
    assert block_s(4.5, of_s=14.0) == 4.5


def test_a_stretch_with_a_gap_gives_no_mean():
    """Readings missing for 2 s: the stretches that they belong to are left out, no other."""
    t = times(50.0)
    kept = (t < 12.0) | (t >= 14.0)

    assert block_means(ns(t), t, 5.0).size == 10
    assert block_means(ns(t[kept]), t[kept], 5.0).size == 9


def test_the_standard_uncertainty_of_a_mean_is_honest():
    """Over 1,000 draws k·u holds the truth in 95 %, for white noise and for noise with a memory.

    k from Student's t; neighbours of the second kind correlate by 0.5.
    """
    from scipy.stats import t as student

    rng = np.random.default_rng(11)
    for memory, blocks, least in ((0, 3, 0.93), (0, 8, 0.93), (0, 25, 0.94), (0.5, 60, 0.9)):
        noise = rng.normal(0, 1, (1000, blocks + 50))
        for i in range(1, noise.shape[1]):
            noise[:, i] += memory * noise[:, i - 1]
        held = 0
        for row in noise[:, 50:]:
            found = steady_value(row)
            held += abs(found.value) <= student.ppf(0.97725, found.dof) * found.u

        assert least < held / 1000 < 0.98


def test_hoisting_in_the_middle_does_not_move_the_mean():
    """Two stretches of twenty that are 30 kg off are left out; two of three are not."""
    means = LOAD_KG + np.random.default_rng(4).normal(0, 0.2, 20)
    disturbed = means.copy()
    disturbed[[3, 11]] += 30

    assert steady_value(disturbed).value == pytest.approx(LOAD_KG, abs=0.2)
    assert steady_value(disturbed).blocks == 18
    assert steady_value(means[:2]) is None
