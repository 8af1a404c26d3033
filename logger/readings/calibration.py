"""From raw numbers to readings: scale and offset or a polynomial, a unit, a wrapping counter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.readings.block import Values

FULL_TURN_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """How a channel's raw values become SI values (degrees for angles).

    Attributes:
        coefficients: c0, c1, c2 … of value = Σ c_i · raw^i, in the channel's own unit.
        to_si: factor from that unit to SI.
        wraps_at: raw counts after which the sensor starts again at 0, or None.
    """

    coefficients: tuple[float, ...] = (0.0, 1.0)
    to_si: float = 1.0
    wraps_at: float | None = None

    def apply(self, raw: Values) -> Values:
        """Calibrates raw values, already unwrapped where the sensor wraps.

        Args:
            raw: raw values, shape (n,).

        Returns:
            SI values, shape (n,).
        """
        if len(self.coefficients) == 2:
            offset, scale = self.coefficients
            return np.asarray(raw * (scale * self.to_si) + offset * self.to_si)
        value = np.polynomial.polynomial.polyval(raw, np.asarray(self.coefficients))
        return np.asarray(value * self.to_si)

    @property
    def step(self) -> float:
        """Size of one raw count near zero, SI: the resolution of a counting sensor."""
        return abs(self.coefficients[1] * self.to_si) if len(self.coefficients) > 1 else 0.0

    @property
    def turn_deg(self) -> float:
        """By how much an angle has changed when the sensor's readings come again, deg.

        Less than a turn for an encoder that is geared up: it wraps several times in a turn.
        """
        if self.wraps_at is None or len(self.coefficients) > 2:
            return FULL_TURN_DEG
        return self.wraps_at * self.step or FULL_TURN_DEG

    @property
    def falling(self) -> bool:
        """Whether the value near zero falls where the raw value rises."""
        return len(self.coefficients) > 1 and self.coefficients[1] * self.to_si < 0
