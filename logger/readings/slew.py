"""A continuous slew angle from an encoder that starts again at zero.

A sensor that wraps gives one angle many names. The jump between two neighbouring readings
tells which: a boom never turns half a turn between readings, so a larger jump is a wrap. The
first reading is placed in the turn nearest to over the rear, where every test starts.
"""

from __future__ import annotations

import numpy as np

from logger.readings.block import Values
from logger.readings.calibration import FULL_TURN_DEG, Calibration


class SlewUnwrapper:
    """Turns raw slew readings into a continuous angle, block by block.

    Args:
        calibration: the slew channel's calibration; without ``wraps_at`` the calibrated angle
            itself is taken to repeat after 360°.
    """

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self._last_raw: float | None = None
        self._turns = 0
        self._origin_deg: float | None = None

    def feed(self, raw: Values) -> Values:
        """Continuous angles of the next readings.

        Args:
            raw: raw values, shape (n,), in order of time; NaN stays NaN.

        Returns:
            Slew angles, shape (n,), deg.
        """
        period = self._calibration.wraps_at
        if period is None:
            return self._placed(self._unwrapped(self._calibration.apply(raw), FULL_TURN_DEG))
        return self._placed(self._calibration.apply(self._unwrapped(raw, period)))

    def _unwrapped(self, value: Values, period: float) -> Values:
        good = value if not np.isnan(value).any() else value[~np.isnan(value)]
        if good.size == 0:
            return value
        first_step = 0.0 if self._last_raw is None else float(good[0]) - self._last_raw
        self._last_raw = float(good[-1])
        self._turns -= round(first_step / period)
        # Most blocks hold no wrap: one pass decides, and only wraps cost more.
        step = good[1:] - good[:-1]
        if step.size == 0 or max(step.max(), -step.min()) <= period / 2:
            return value if self._turns == 0 else value + self._turns * period
        wraps = np.flatnonzero(np.abs(step) > period / 2)
        turns = np.zeros(good.size)
        turns[0] = self._turns
        turns[wraps + 1] = -np.rint(step[wraps] / period)
        np.cumsum(turns, out=turns)
        self._turns = int(turns[-1])
        whole = good + turns * period
        if whole.size == value.size:
            return whole
        spread = np.array(value, copy=True)
        spread[~np.isnan(value)] = whole
        return spread

    def _placed(self, angle_deg: Values) -> Values:
        if self._origin_deg is None:
            good = angle_deg[~np.isnan(angle_deg)][:1]
            if good.size == 0:
                return angle_deg
            turn_deg = self._calibration.turn_deg
            self._origin_deg = -float(np.rint(good[0] / turn_deg)) * turn_deg
        return angle_deg if self._origin_deg == 0.0 else angle_deg + self._origin_deg


def unwrap_slew(raw: Values, calibration: Calibration) -> Values:
    """Continuous slew angles of a whole channel.

    Args:
        raw: raw values, shape (n,), from the run's first reading on.
        calibration: the slew channel's calibration.

    Returns:
        Slew angles, shape (n,), deg, the first in the turn nearest to 0.
    """
    return SlewUnwrapper(calibration).feed(raw)
