"""Sweeps: one slow slew from over the rear towards the cab.

The boom is *over the rear* within 2° of the vehicle's centre line; further out it is on an
excursion to the right or to the left, until it comes back over the rear or passes the front.
The outward leg of an excursion runs from where the boom last rested nearest to the rear up to
where it first came to its farthest angle. Whether the load hung is another detector's matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logger.readings.bins import SLICE_NS, BinMedian, Bins
from logger.readings.block import Nanoseconds, Values

OVER_REAR_DEG = 2.0
REST_DEG = 0.2
ARRIVED_DEG = 0.25
FRONT_DEG = 180.0


class Side(StrEnum):
    """A side of the truck, as the driver sees it."""

    RIGHT = "right"
    LEFT = "left"

    @property
    def sign(self) -> int:
        """Sign of the slew angle on this side."""
        return 1 if self is Side.RIGHT else -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """The boom went out to one side.

    Attributes:
        side: the side.
        start_ns: when it last rested nearest to over the rear, ns.
        end_ns: when it turned back from its farthest angle, ns.
        reached_deg: that angle, deg, signed.
    """

    side: Side
    start_ns: int
    end_ns: int
    reached_deg: float


@dataclass(slots=True)
class _Outward:
    """An excursion in the making."""

    side: Side
    start_ns: int
    end_ns: int = 0
    reached_deg: float = 0.0


class SweepDetector:
    """Finds excursions of the boom, block by block."""

    def __init__(self) -> None:
        self._bins = BinMedian(SLICE_NS)
        self._rest: tuple[int, float] | None = None
        self._outward: _Outward | None = None

    def feed(self, t_ns: Nanoseconds, slew_deg: Values) -> list[Excursion]:
        """The excursions that the next readings complete.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            slew_deg: continuous slew angle, shape (n,), deg.
        """
        return self.take(self._bins.feed(t_ns, slew_deg))

    def finish(self) -> list[Excursion]:
        """The excursion that the end of the stream cuts short."""
        done = self.take(self._bins.finish())
        return done + self._come_back()

    def take(self, bins: Bins) -> list[Excursion]:
        """The same from slices that are complete already, as ``feed`` cuts them."""
        done: list[Excursion] = []
        for first_ns, last_ns, slew_deg in zip(
            bins.first_ns.tolist(), bins.last_ns.tolist(), bins.median.tolist(), strict=True
        ):
            if abs(slew_deg) <= OVER_REAR_DEG:
                done += self._come_back()
                self._rest_at(last_ns, abs(slew_deg))
                continue
            side = Side.RIGHT if slew_deg > 0 else Side.LEFT
            if self._outward is not None and self._outward.side is not side:
                done += self._come_back()
            if self._outward is None:
                start_ns = self._rest[0] if self._rest is not None else first_ns
                self._outward, self._rest = _Outward(side, start_ns), None
            self._go_out(last_ns, min(abs(slew_deg), FRONT_DEG))
        return done

    def _rest_at(self, t_ns: int, off_rear_deg: float) -> None:
        if self._rest is None or off_rear_deg <= self._rest[1] + REST_DEG:
            nearest_deg = off_rear_deg if self._rest is None else min(off_rear_deg, self._rest[1])
            self._rest = (t_ns, nearest_deg)

    def _go_out(self, t_ns: int, out_deg: float) -> None:
        outward = self._outward
        if outward is not None and out_deg >= outward.reached_deg - ARRIVED_DEG:
            outward.end_ns = t_ns
            outward.reached_deg = max(outward.reached_deg, out_deg)

    def _come_back(self) -> list[Excursion]:
        outward, self._outward = self._outward, None
        if outward is None:
            return []
        return [
            Excursion(
                side=outward.side,
                start_ns=outward.start_ns,
                end_ns=outward.end_ns,
                reached_deg=outward.side.sign * outward.reached_deg,
            )
        ]
