"""What a channel can measure: a line for each kind of sensor.

The recorder, the check, the live page, the export and the findings' rules take a channel by what
stands here, so a kind that is only to be recorded and judged needs no more than its line. What
the capacity is computed from (slew, load, radius, contacts) is named where it is computed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logger.readings.quantity import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelKind:
    """One kind of sensor.

    Attributes:
        measures: what it measures, which tells the unit that its values are kept in.
        plausible: least and greatest value that such a sensor on a truck crane can read, SI
            (deg): beyond it wiring or calibration is wrong (common practice, no source).
        stands_still: whether a value that never changes is no sign of a dead sensor.
    """

    measures: Kind
    plausible: tuple[float, float]
    stands_still: bool = False


CHANNEL_KINDS: Mapping[str, ChannelKind] = {
    "slew": ChannelKind(measures=Kind.ANGLE, plausible=(-1080.0, 1080.0), stands_still=True),
    "load": ChannelKind(measures=Kind.MASS, plausible=(-1_000.0, 200_000.0)),
    "radius": ChannelKind(measures=Kind.LENGTH, plausible=(0.0, 100.0)),
    "boom_angle": ChannelKind(measures=Kind.ANGLE, plausible=(-30.0, 100.0)),
    "boom_length": ChannelKind(measures=Kind.LENGTH, plausible=(0.0, 120.0)),
    "hook_height": ChannelKind(measures=Kind.LENGTH, plausible=(-100.0, 150.0)),
    "pitch": ChannelKind(measures=Kind.ANGLE, plausible=(-20.0, 20.0)),
    "roll": ChannelKind(measures=Kind.ANGLE, plausible=(-20.0, 20.0)),
    "wind": ChannelKind(measures=Kind.SPEED, plausible=(0.0, 60.0), stands_still=True),
}
"""By channel id, every kind but the wheels' contacts. An encoder counts whole steps and an
anemometer stands in calm air, so these may stand still."""
