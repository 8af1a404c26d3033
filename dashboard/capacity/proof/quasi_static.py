"""The quasi-static load: what hangs, read through its swing.

A load on a rope of length L swings with the period T = 2π√(L/g). By energy the rope's tension is
m·g·(3·cos θ − 2·cos θ₀); for a swing in one plane with a small amplitude θ₀ that is

    m·g·(1 + θ₀²/4 − ¾·θ₀²·cos(4πt/T)).

So a cell in the rope reads the load plus θ₀²/4 of it, and a wave of amplitude A = ¾·m·g·θ₀² at
twice the pendulum's frequency. From the wave follow the swing, θ₀ = √(4A/(3·m·g)), and what it
adds to the mean, A/3.

A load that swings in an ellipse with half-axes a ≥ b makes a lesser wave, A = ¾·m·g·(a² − b²), and
adds m·g·(a² + b²)/4 to the mean: A/3 times (a² + b²)/(a² − b²), which is 1 in a plane. The cell
can't tell b. A boom sets its load swinging one way at a time; so it is **assumed** that b is at
most half of a (no source). The factor then lies between 1 and 5/3, anywhere as likely: its middle
is taken off, and half its width is a rectangular part of the budget (JCGM 100:2008, 4.3.7). Less
two standard uncertainties of that, no swing is credited as load. A load that circles makes no wave
and adds up to a²/2, which only the comparison with the weighed parts shows.

Means over whole periods leave the wave out, whatever its size. Their scatter gives the standard
uncertainty; where neighbours resemble each other, fewer of them count as independent.

A load also bounces, rope and boom being a spring: 1 to 3 Hz (common practice, no source). A swing
is therefore looked for only where a rope between 1.1 m and 30 m would have it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.readings.block import Nanoseconds, Values
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

QUICK_NS = 62_500_000
"""Width of the slices in which a swing is looked for: a bounce of 3 Hz stays one in them."""
SLOWEST_HZ, FASTEST_HZ = 0.18, 0.95
"""Waves of the tension of a pendulum of 30 m and of 1.1 m."""
NEAR_EXPECTED = 0.2
"""A swing of a rope of known length lies this near its period: the load is no point."""
SEGMENT_S = 48.0
"""Stretches of which the power is averaged."""
ABOVE_NOISE = 12.0
"""A wave has this many times the power that its neighbours have in the middle."""
LEAST_WAVES = 3.0
WINDOW_WAVES = 8.0
"""In so many waves the amplitude is taken as constant: a swing dies down."""
LEAST_BLOCK_S = 2.5
USUAL_BLOCK_S = 5.0
"""Where nothing tells the period: longer than the swing of a load on 5 m of rope, 4.5 s."""
LEAST_BLOCKS = 3
OUTLYING = 8.0
"""Means farther off than so many standard deviations, as their median deviation tells it, are
hoisting and touching …"""
LEAST_TO_JUDGE = 8
"""… where so many means tell that deviation well enough."""
MOST_DEG = 45.0
LEAST_ADDED, MOST_ADDED = 1.0, 5 / 3
"""What a swing adds to the mean, in thirds of its wave: in a plane, in an ellipse of 2 to 1."""
_MIDDLE_ADDED = (LEAST_ADDED + MOST_ADDED) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """How a load swings.

    Attributes:
        period_s: of the pendulum, s; None where nothing tells it.
        waves: (middle of a stretch of time, ns; amplitude of the tension's wave in it, kg), in
            order; empty where none shows.
    """

    period_s: float | None
    waves: tuple[tuple[int, float], ...] = ()

    @property
    def amplitude_kg(self) -> float:
        """Amplitude of the wave where it is greatest, kg."""
        return max((kg for _, kg in self.waves), default=0.0)

    @property
    def mean_added_kg(self) -> float:
        """What the swing adds to the cell's readings over the whole time, as a middle, kg."""
        return _MIDDLE_ADDED / 3 * self._mean_kg

    @property
    def u_added_kg(self) -> float:
        """Standard uncertainty of that, for the ellipse that nobody sees, kg."""
        return (MOST_ADDED - LEAST_ADDED) / math.sqrt(12) / 3 * self._mean_kg

    @property
    def _mean_kg(self) -> float:
        """Amplitude of the wave, mean over the whole time, kg."""
        return sum(kg for _, kg in self.waves) / len(self.waves) if self.waves else 0.0

    def added_kg(self, t_ns: Nanoseconds) -> Values:
        """What the swing adds to the readings at times, wave aside, as a middle, shape (n,), kg."""
        if not self.waves:
            return np.zeros(t_ns.size)
        middle_ns, kg = np.array(self.waves).T
        return np.asarray(_MIDDLE_ADDED / 3 * np.interp(t_ns.astype(np.float64), middle_ns, kg))

    def angle_deg(self, load_kg: float) -> float:
        """Greatest swing out of the vertical of a load of this mass, in a plane, deg."""
        if load_kg <= 0:
            return 0.0
        return min(MOST_DEG, math.degrees(math.sqrt(4 * self.amplitude_kg / (3 * load_kg))))


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyValue:
    """A mean over whole periods.

    Attributes:
        value: the mean.
        u: standard uncertainty of it, by the scatter of the periods' means.
        dof: degrees of freedom of that.
        blocks: how many means it is made of.
    """

    value: float
    u: float
    dof: float
    blocks: int


def swing_period_s(rope_m: float) -> float:
    """Period of a pendulum, s: 2π√(L/g)."""
    return 2 * math.pi * math.sqrt(rope_m / STANDARD_GRAVITY_MPS2)


def find_swing(t_ns: Nanoseconds, load_kg: Values, *, expected_s: float | None = None) -> Swing:
    """The swing that a cell's readings show.

    Args:
        t_ns: times of quick slices, shape (n,), ns, rising.
        load_kg: load in them, shape (n,), kg.
        expected_s: period that a known length of rope gives, s; or None.

    Returns:
        A swing of no amplitude where none stands out from the noise.
    """
    t_s, even_kg, step_s = _evenly(t_ns, load_kg)
    low_hz, high_hz = SLOWEST_HZ, FASTEST_HZ
    if expected_s is not None:
        low_hz, high_hz = 2 / expected_s * (1 - NEAR_EXPECTED), 2 / expected_s * (1 + NEAR_EXPECTED)
    if t_s.size < 2 or (t_s[-1] - t_s[0]) * low_hz < LEAST_WAVES or high_hz * step_s > 0.4:
        return Swing(period_s=expected_s)
    wave_hz = _wave_hz(even_kg, step_s, low_hz, high_hz)
    if wave_hz is None:
        return Swing(period_s=expected_s)
    waves = _waves(t_s, even_kg, wave_hz)
    return Swing(
        period_s=2 / wave_hz,
        waves=tuple((int(t_ns[0]) + round(at_s * 1e9), kg) for at_s, kg in waves),
    )


def block_s(period_s: float | None, *, of_s: float = math.inf) -> float:
    """Length of the stretches that are averaged, s: whole periods of a swing.

    Args:
        period_s: of the pendulum, s; None where nothing tells it. Then there is no wave to leave
            out that anyone saw, and a short time may be cut into shorter stretches.
        of_s: how long the load hung, s.
    """
    if period_s is None:
        return min(USUAL_BLOCK_S, max(LEAST_BLOCK_S, of_s / (LEAST_BLOCKS + 1)))
    return math.ceil(LEAST_BLOCK_S / period_s) * period_s


def block_means(t_ns: Nanoseconds, value: Values, length_s: float) -> Values:
    """Means over stretches of one length, from the first reading on; a rest is left out.

    A stretch that lacks more than a tenth of its readings gives no mean.

    Args:
        t_ns: times of slices, shape (n,), ns, rising.
        value: values, shape (n,).
        length_s: length of a stretch, s.
    """
    if t_ns.size < 2:
        return np.empty(0)
    step_ns = float(np.median(np.diff(t_ns)))
    block = ((t_ns - t_ns[0]) / (length_s * 1e9)).astype(np.intp)
    whole = int((float(t_ns[-1] - t_ns[0]) + step_ns) // (length_s * 1e9))
    counts = np.bincount(block, minlength=whole)[:whole]
    sums = np.bincount(block, weights=value, minlength=whole)[:whole]
    full = counts >= 0.9 * length_s * 1e9 / step_ns - 1
    return np.asarray(sums[full] / counts[full])


def steady_value(means: Values) -> SteadyValue | None:
    """The mean of block means and its standard uncertainty.

    u = s/√m, m = n·(1 − ρ)/(1 + ρ) with ρ the correlation of neighbours where it stands out from
    chance; m − 1 degrees of freedom, at least 1.

    Args:
        means: of stretches in order of time, shape (n,).

    Returns:
        The mean; None with fewer than three.
    """
    if means.size < LEAST_BLOCKS:
        return None
    kept = _without_outliers(means)
    rest = kept - kept.mean()
    squares = float(rest @ rest)
    if squares <= 0:
        return SteadyValue(value=float(kept.mean()), u=0.0, dof=math.inf, blocks=kept.size)
    rho = float(rest[1:] @ rest[:-1]) / squares
    if rho < 1.645 / math.sqrt(kept.size):
        rho = 0.0
    independent = max(2.0, kept.size * (1 - rho) / (1 + rho))
    sd = math.sqrt(squares / (kept.size - 1))
    return SteadyValue(
        value=float(kept.mean()),
        u=sd / math.sqrt(independent),
        dof=max(1.0, independent - 1),
        blocks=kept.size,
    )


def _without_outliers(means: Values) -> Values:
    off = np.abs(means - np.median(means))
    deviation = 1.4826 * float(np.median(off))
    if means.size < LEAST_TO_JUDGE or deviation <= 0:
        return means
    return np.asarray(means[off <= OUTLYING * deviation])


def mean_power(value: Values, step_s: float) -> tuple[Values, Values]:
    """Power at each frequency, averaged over stretches that overlap by half (Welch, 1967).

    Each stretch less its straight line, under a Hann window, filled up with zeros to four times
    its length. scipy.signal.welch does the same, but takes a second to be imported.

    Args:
        value: values at even times, shape (n,).
        step_s: the step of these, s.

    Returns:
        Frequencies, Hz, and powers up to a factor, shape (k,) each.
    """
    length = min(value.size, round(SEGMENT_S / step_s))
    stretches = np.lib.stride_tricks.sliding_window_view(value, length)[:: max(1, length // 2)]
    along = np.linspace(-1.0, 1.0, length)
    level, slope = stretches.mean(axis=1), stretches @ along / (along @ along)
    rest = stretches - level[:, None] - slope[:, None] * along
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    waves = np.fft.rfft(rest * window, 4 * length, axis=1)
    hz = np.arange(waves.shape[1]) / (4 * length * step_s)
    return hz, np.asarray((np.abs(waves) ** 2).mean(axis=0))


def _evenly(t_ns: Nanoseconds, value: Values) -> tuple[Values, Values, float]:
    """The readings on even times, by straight lines; and the step of these, s."""
    if t_ns.size < 2:
        return np.empty(0), np.empty(0), math.inf
    t_s = (t_ns - t_ns[0]) * 1e-9
    step_s = float(np.median(np.diff(t_s)))
    even_s = np.arange(0.0, float(t_s[-1]), step_s)
    return even_s, np.interp(even_s, t_s, value), step_s


def _wave_hz(value: Values, step_s: float, low_hz: float, high_hz: float) -> float | None:
    """Frequency at which the power stands out, with less on both sides; None where none does."""
    hz, power = mean_power(value, step_s)
    inside = np.flatnonzero((hz >= low_hz) & (hz <= high_hz))
    if inside.size < 3:
        return None
    peak = int(inside[power[inside].argmax()])
    # The greatest power at an edge belongs to a wave beyond it: a drift, or a bounce.
    if power[peak] <= max(power[peak - 1], power[peak + 1]):
        return None
    around = (hz >= SLOWEST_HZ / 2) & (hz <= 2 * FASTEST_HZ)
    if power[peak] < ABOVE_NOISE * float(np.median(power[around])):
        return None
    before, at, after = np.log(power[peak - 1 : peak + 2])
    return float(hz[peak] + (hz[1] - hz[0]) * (before - after) / (2 * (before - 2 * at + after)))


def _waves(t_s: Values, value: Values, wave_hz: float) -> Iterator[tuple[float, float]]:
    """Middle of each stretch of a few waves, s, and the amplitude, less what noise adds to it."""
    step_s = float(t_s[1] - t_s[0])
    length = round(WINDOW_WAVES / wave_hz / step_s)
    count = max(1, t_s.size // length)
    for part in range(count):
        here = slice(part * length, (part + 1) * length if part + 1 < count else None)
        turn = 2 * np.pi * wave_hz * t_s[here]
        along = np.linspace(-1.0, 1.0, turn.size)
        model = np.column_stack((np.ones_like(turn), along, np.cos(turn), np.sin(turn)))
        fitted, *_ = np.linalg.lstsq(model, value[here], rcond=None)
        noise = float(np.var(value[here] - model @ fitted))
        squared = float(fitted[2] ** 2 + fitted[3] ** 2) - 4 * noise / turn.size
        yield float(t_s[here].mean()), math.sqrt(max(0.0, squared))
