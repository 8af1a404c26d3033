"""Limits: a calibrated reading goes beyond what was set for it, and stays there.

The words are those of OPC UA Part 9 (from memory). A reading is *beyond* once it is over the
limit, and stays so until it has come back by the dead band: a value that trembles on the limit
gives one alarm, not a hundred. The excess is *suspect* from its first reading beyond,
*confirmed* once readings have been beyond without a break for the on-delay, and *cleared* once
they have been back without a break for the off-delay. A reading that is no number tells nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Self

import numpy as np

from logger.readings.block import Nanoseconds, Values
from logger.readings.rig_file import RigFile
from logger.readings.test_file import TestFile
from logger.readings.watched_limits import CHANNELS_OF, WatchedLimit


class LimitState(StrEnum):
    """What is known of an excess."""

    SUSPECT = "suspect"
    CONFIRMED = "confirmed"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitEvent:
    """A step in the life of an excess.

    Attributes:
        condition: the condition it belongs to, such as ``radius`` or ``level``.
        channel: id of the channel.
        state: suspect, confirmed or cleared.
        t_ns: the excess's first reading beyond; for cleared, the first reading back.
        value: that reading, in the unit shown.
        text: one line for a person.
    """

    condition: str
    channel: str
    state: LimitState
    t_ns: int
    value: float
    text: str


class LimitDetector:
    """Finds the excesses of one channel, block by block.

    Args:
        condition: the condition that it tells of.
        channel: id of the channel.
        limit: the limit, SI (deg for an angle).
        dead_band: how far a reading must come back, likewise.
        on_delay_ns: how long it must stay beyond to be confirmed, ns.
        off_delay_ns: how long it must stay back to be cleared, ns.
        unit: the unit, for the text.
        magnitude: whether the sign is left out of account.
        offset: added to a reading before it is judged.
    """

    def __init__(
        self,
        *,
        condition: str,
        channel: str,
        limit: float,
        dead_band: float,
        on_delay_ns: int,
        off_delay_ns: int,
        unit: str,
        magnitude: bool = False,
        offset: float = 0.0,
    ) -> None:
        self._condition, self._channel, self._unit = condition, channel, unit
        self._limit, self._back = limit, limit - dead_band
        self._on_delay_ns, self._off_delay_ns = on_delay_ns, off_delay_ns
        self._magnitude, self._offset = magnitude, offset
        self._is_beyond = False
        self._since: tuple[int, float] = (0, 0.0)
        self._excess: tuple[int, float] | None = None
        self._confirmed = False

    def feed(self, t_ns: Nanoseconds, value: Values) -> list[LimitEvent]:
        """What the next readings tell.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            value: calibrated readings, shape (n,), SI (deg for an angle); NaN is no reading.
        """
        known = ~np.isnan(value)
        t_ns, shown = t_ns[known], value[known] + self._offset
        if t_ns.size == 0:
            return []
        judged = np.abs(shown) if self._magnitude else shown
        beyond = self._with_dead_band(judged)
        changes = np.flatnonzero(beyond[1:] != beyond[:-1]) + 1
        firsts = np.concatenate(([0], changes))
        lasts = np.concatenate((changes - 1, [beyond.size - 1]))
        events: list[LimitEvent] = []
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
            at = (int(t_ns[first]), float(shown[first]))
            events += self._take_run(at, is_beyond=bool(beyond[first]), last_ns=int(t_ns[last]))
        return events

    def _with_dead_band(self, judged: Values) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Whether each reading counts as beyond; inside the dead band as the one before."""
        says = np.flatnonzero((judged > self._limit) | (judged <= self._back))
        before = np.searchsorted(says, np.arange(judged.size), side="right") - 1
        decided = np.concatenate((judged[says] > self._limit, [self._is_beyond]))
        return decided[before]  # -1, none before in this block, is the state carried over

    def _take_run(
        self, first: tuple[int, float], *, is_beyond: bool, last_ns: int
    ) -> list[LimitEvent]:
        events: list[LimitEvent] = []
        if is_beyond is not self._is_beyond:
            self._is_beyond, self._since = is_beyond, first
        if is_beyond and self._excess is None:
            self._excess = self._since
            events.append(self._event(LimitState.SUSPECT, self._excess))
        if self._excess is None:
            return events
        lasted_ns = last_ns - self._since[0]
        if is_beyond and not self._confirmed and lasted_ns >= self._on_delay_ns:
            self._confirmed = True
            events.append(self._event(LimitState.CONFIRMED, self._excess))
        elif not is_beyond and lasted_ns >= self._off_delay_ns:
            self._excess, self._confirmed = None, False
            events.append(self._event(LimitState.CLEARED, self._since))
        return events

    def _event(self, state: LimitState, at: tuple[int, float]) -> LimitEvent:
        t_ns, value = at
        is_back = state is LimitState.CLEARED
        shown = f"{value:.2f} {self._unit}, {'back under' if is_back else 'over'}"
        return LimitEvent(
            condition=self._condition,
            channel=self._channel,
            state=state,
            t_ns=t_ns,
            value=value,
            text=f"{self._channel} {shown} its limit of {self._limit:.2f} {self._unit}",
        )


class LimitWatch:
    """The limits of a test, each on its channel.

    Args:
        detectors: by channel id.
    """

    def __init__(self, detectors: dict[str, LimitDetector]) -> None:
        self._detectors = detectors

    @classmethod
    def of(cls, rig: RigFile, test: TestFile) -> Self:
        """The limits of the test's ``[watch]`` table."""
        return cls(
            {
                channel: _detector(test, key, channel, limit)
                for key, limit in _limits(test).items()
                for channel in CHANNELS_OF[key]
                if rig.wired(channel) is not None
            }
        )

    def feed(self, channel: str, t_ns: Nanoseconds, value: Values) -> list[LimitEvent]:
        """What the next readings of a channel tell; nothing where it has no limit.

        Args:
            channel: its id.
            t_ns: times, shape (n,), ns, never falling.
            value: calibrated readings, shape (n,), SI (deg for an angle); for ``load``, the
                cell's, without what hangs above it.
        """
        detector = self._detectors.get(channel)
        return [] if detector is None else detector.feed(t_ns, value)


def watched_channels(test: TestFile, rig: RigFile) -> tuple[str, ...]:
    """The wired channels that have a limit."""
    return tuple(c for k in _limits(test) for c in CHANNELS_OF[k] if rig.wired(c) is not None)


def _limits(test: TestFile) -> dict[str, WatchedLimit]:
    return {k: v for k in CHANNELS_OF if (v := getattr(test.watch, k)) is not None}


_UNITS = {"load_over": "kg", "radius": "m", "level": "deg", "wind": "m/s"}


def _detector(test: TestFile, key: str, channel: str, limit: WatchedLimit) -> LimitDetector:
    is_load = key == "load_over"
    return LimitDetector(
        condition="load" if is_load else key,
        channel=channel,
        limit=limit.over_si + (test.load.mass_kg if is_load else 0.0),
        dead_band=limit.dead_band_si,
        on_delay_ns=round(limit.on_delay_s * 1e9),
        off_delay_ns=round(limit.off_delay_s * 1e9),
        unit=_UNITS[key],
        magnitude=key == "level",
        offset=test.load.above_cell_kg if is_load else 0.0,
    )
