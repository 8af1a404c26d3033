"""One watch over all channels of a running test.

The watch calibrates what comes in, hands it to the detector of its kind and keeps the latest
value of each channel, so that an event can say at which slew angle it happened. The detectors
are those that read a recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.events.alarm import load_hangs
from logger.events.limit import LimitEvent, LimitWatch
from logger.events.load_phase import LoadPhase, LoadPhaseDetector, LoadState
from logger.events.radius_change import RadiusChange, RadiusChangeDetector
from logger.events.silence import DEFAULT_STALE_NS, SilenceDetector
from logger.events.sweep import Excursion, SweepDetector
from logger.events.wheel_lift import ContactEvent, WheelLiftDetector
from logger.readings.block import Block
from logger.readings.rig_file import Channel, RigFile
from logger.readings.slew import SlewUnwrapper
from logger.readings.test_file import TestFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Stale:
    """A channel has become stale (or fresh again).

    Attributes:
        channel: id of the channel.
        t_ns: when, ns.
        stale: True where it became stale, False where it speaks again.
    """

    channel: str
    t_ns: int
    stale: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadOnHook:
    """Whether a load hangs that could lift a wheel has changed.

    Attributes:
        hanging: whether one hangs; None where nobody knows.
        t_ns: since when, ns.
    """

    hanging: bool | None
    t_ns: int


Observation = ContactEvent | LoadPhase | RadiusChange | Excursion | Stale | LimitEvent | LoadOnHook


def to_ns(seconds: float) -> int:
    """Seconds as whole nanoseconds."""
    return round(seconds * 1e9)


class RunWatch:
    """Watches a running test.

    Args:
        rig: what is wired to what.
        test: what is tested.
    """

    def __init__(self, rig: RigFile, test: TestFile) -> None:
        self._channels = {c.id: c for c in rig.channel}
        self._above_cell_kg = test.load.above_cell_kg
        self._wheels = {
            c.id: WheelLiftDetector(
                c.wheel, on_delay_ns=to_ns(c.on_delay_s), off_delay_ns=to_ns(c.off_delay_s)
            )
            for c in rig.wheels
        }
        self._load = LoadPhaseDetector(test.load.mass_kg)
        self._test_load_kg = test.load.mass_kg
        self._limits = LimitWatch.of(rig, test)
        self.load_hangs: bool | None = None
        """Whether a load hangs that could lift a wheel; None where nobody knows."""
        self._radius = RadiusChangeDetector()
        self._sweep = SweepDetector()
        self._slew = (
            SlewUnwrapper(self._channels["slew"].calibration) if self._has("slew") else None
        )
        self._silences = {
            c.id: SilenceDetector(
                DEFAULT_STALE_NS if c.stale_after_s is None else to_ns(c.stale_after_s)
            )
            for c in rig.channel
        }
        self._stale: set[str] = set()
        self.latest: dict[str, float] = {}
        """Latest calibrated value of each channel, SI (deg for slew; a wheel: 1 closed, 0 open)."""
        self.latest_ns: dict[str, int] = {}
        """Time of the latest reading of each channel, ns."""

    def _has(self, channel_id: str) -> bool:
        return channel_id in self._channels

    @property
    def load_state(self) -> LoadState:
        """Where the load is, by the latest readings."""
        return self._load.state

    @property
    def an_opening_lasts(self) -> bool:
        """Whether a contact is open now, or has been a moment ago."""
        return any(wheel.opening_lasts for wheel in self._wheels.values())

    @property
    def stale_channels(self) -> frozenset[str]:
        """The channels that are stale now."""
        return frozenset(self._stale)

    def feed(self, block: Block) -> list[Observation]:
        """What the next readings of a channel tell.

        Args:
            block: raw readings of one channel, after those fed before.
        """
        channel = self._channels.get(block.channel)
        if channel is None or not len(block):
            return []
        self._silences[channel.id].feed(block.t_ns)
        self.latest_ns[channel.id] = int(block.t_ns[-1])
        # First what was seen, then that it is seen again: a wheel that comes back open was not
        # on the ground in between.
        seen = self._detect(channel, block)
        if channel.id in self._stale:
            self._stale.discard(channel.id)
            seen.append(Stale(channel=channel.id, t_ns=int(block.t_ns[0]), stale=False))
        return seen + self._look_at_hook(channel.id, int(block.t_ns[-1]))

    def _detect(self, channel: Channel, block: Block) -> list[Observation]:
        if channel.is_wheel:
            closed = block.value == channel.closed_value
            self.latest[channel.id] = float(closed[-1])
            return [*self._wheels[channel.id].feed(block.t_ns, closed)]
        if channel.id == "slew" and self._slew is not None:
            value = self._slew.feed(block.value)
        else:
            value = channel.calibration.apply(block.value)
        if np.isnan(value[-1]):
            self.latest.pop(channel.id, None)  # a reading that is no number is no older one either
        else:
            self.latest[channel.id] = float(value[-1])
        seen: list[Observation] = [*self._limits.feed(channel.id, block.t_ns, value)]
        match channel.id:
            case "slew":
                seen += self._sweep.feed(block.t_ns, value)
            case "load":
                seen += self._load.feed(block.t_ns, value + self._above_cell_kg)
            case "radius":
                seen += self._radius.feed(block.t_ns, value)
        return seen

    def _look_at_hook(self, channel_id: str, t_ns: int) -> list[Observation]:
        if channel_id != "load":
            return []
        hanging = load_hangs(
            self.latest.get("load"),
            stale="load" in self._stale,
            above_cell_kg=self._above_cell_kg,
            test_load_kg=self._test_load_kg,
        )
        if hanging is self.load_hangs:
            return []
        self.load_hangs = hanging
        return [LoadOnHook(hanging=hanging, t_ns=t_ns)]

    def advance(self, now_ns: int, *, delay_ns: int = 0) -> list[Observation]:
        """What the passing of time alone tells.

        Args:
            now_ns: the present on the run's clock, ns.
            delay_ns: how long a reading may be on its way, ns.
        """
        seen: list[Observation] = []
        for wheel in self._wheels.values():
            seen += wheel.advance(now_ns - delay_ns)
        for channel_id, silence in self._silences.items():
            if channel_id not in self._stale and silence.is_stale(now_ns):
                self._stale.add(channel_id)
                seen.append(Stale(channel=channel_id, t_ns=now_ns, stale=True))
                seen += self._look_at_hook(channel_id, now_ns)
        return seen

    def finish(self) -> list[Observation]:
        """What is left at the end of the run."""
        seen: list[Observation] = []
        for wheel in self._wheels.values():
            seen += wheel.finish()
        return [*seen, *self._load.finish(), *self._radius.finish(), *self._sweep.finish()]
