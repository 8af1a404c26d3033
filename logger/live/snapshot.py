"""The state of a running recording at one moment, for a panel in another thread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from logger.events.alarm import AlarmChange
from logger.events.load_phase import LoadState


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What the recorder knows now; nothing in it changes later.

    Attributes:
        t_ns: when, ns on the run's clock.
        latest: latest calibrated value of each channel, SI (deg for angles; a wheel: 1 closed).
        stale: channels without fresh data.
        load_state: where the load is.
        alarms: what stands, active or not acknowledged, the gravest first.
        rates_hz: readings a second of each channel.
        missing_packs: by source, packs that are missing so far.
        other_gaps: how many gaps of other kinds were recorded.
        clock_u_s: by source, standard uncertainty of its times now, s; None where it has not
            spoken yet.
        kept_samples: how many samples are durable.
        waiting_s: for how long the oldest readings that are not durable have waited, s.
        room_left_s: how long the disk's room lasts, s; None where that is unknown.
        latest_ns: time of the latest reading of each channel, ns.
        load_hangs: whether a load hangs that could lift a wheel; None where nobody knows.
    """

    t_ns: int
    latest: Mapping[str, float]
    stale: frozenset[str]
    load_state: LoadState
    alarms: tuple[AlarmChange, ...]
    rates_hz: Mapping[str, float]
    missing_packs: Mapping[str, int]
    other_gaps: int
    clock_u_s: Mapping[str, float | None]
    kept_samples: int
    waiting_s: float
    room_left_s: float | None
    latest_ns: Mapping[str, int] = field(default_factory=dict)
    load_hangs: bool | None = None
