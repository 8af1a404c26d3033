"""What one frame from a device said: the pack, and the pairing of its clock with ours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.readings.block import Nanoseconds, Values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pack:
    """The readings of one frame, decoded; nothing in it is stamped by us.

    Attributes:
        names: resolved name of each reading, n of them.
        t_ns: shape (n,), ns: UTC since 1970 where ``absolute``, else relative to the moment
            of sending (RFC 8428 4.5.3), so that 0 is now and −5e9 five seconds ago.
        absolute: whether ``t_ns`` is UTC.
        value: shape (n,); a boolean is 1 or 0, a text is NaN and stands in ``texts``.
        texts: text values by their index.
        seq: pack counter of the device, or None.
        boot: mark that is new at each start of the device, or None.
        up_ns: device uptime when the newest reading was taken, ns, or None.
        reply: number of the recorder's question that this pack answers, or None.
    """

    names: tuple[str, ...]
    t_ns: Nanoseconds
    absolute: bool
    value: Values
    texts: Mapping[int, str] = field(default_factory=dict)
    seq: int | None = None
    boot: str | None = None
    up_ns: int | None = None
    reply: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockPair:
    """One moment on a device's clock and on the run's.

    Attributes:
        device_ns: device uptime of the newest reading in a frame, ns.
        arrival_ns: when the frame's last byte was in our hands, ns on the run's clock.
        wire_ns: how long the frame was on the wire (bytes × 10 / baud), ns.
        asked_ns: where the frame answers a question of ours, when its last byte had left, ns on
            the run's clock: the device took its uptime after that. None where nobody asked.
    """

    device_ns: int
    arrival_ns: int
    wire_ns: int = 0
    asked_ns: int | None = None
