"""From the names in a pack to the channels of the rig, and from device time to the run's.

A pack comes in with the sender's names and the sender's time. It goes out as blocks of the
rig's channels, with the clock their times are on: the device's own where it tells its uptime,
so that the whole run can align it later, else the run's.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from logger.readings.block import Nanoseconds
from logger.readings.pack import ClockPair, Pack
from logger.readings.rig_file import Channel, RigFile
from logger.recording.journal import RUN_CLOCK


@dataclass(frozen=True, slots=True, kw_only=True)
class PackClock:
    """The clock that a pack's times are on.

    Attributes:
        id: ``run``, or source and boot of a device that tells its uptime.
        pair: the device's uptime against our arrival, or None on the run's clock.
    """

    id: str
    pair: ClockPair | None = None


class PackNaming:
    """Sorts the readings of one source's packs by channel.

    Args:
        rig: the rig file.
        source_id: which source.
        utc_start_ns: UTC at the run's start, ns since 1970.
    """

    def __init__(self, rig: RigFile, source_id: str, *, utc_start_ns: int) -> None:
        source = next(s for s in rig.source if s.id == source_id)
        self._source_id = source_id
        self._true_clock = source.true_clock
        self._utc_start_ns = utc_start_ns
        self._channels: dict[str, list[Channel]] = defaultdict(list)
        for channel in rig.channel:
            if channel.source == source_id:
                self._channels[channel.name].append(channel)
        self.unknown: set[str] = set()
        """Names that came and that the rig file does not mention."""

    def clock_of(self, pack: Pack, *, arrival_ns: int, wire_ns: int) -> PackClock:
        """The clock that :meth:`times_ns` gives a pack's times on."""
        if pack.up_ns is None or (pack.absolute and self._true_clock):
            return PackClock(id=RUN_CLOCK)
        pair = ClockPair(device_ns=pack.up_ns, arrival_ns=arrival_ns, wire_ns=wire_ns)
        return PackClock(id=f"{self._source_id}#{pack.boot or ''}", pair=pair)

    def times_ns(self, pack: Pack, *, arrival_ns: int, wire_ns: int) -> Nanoseconds:
        """Times of a pack's readings on its clock, shape (n,), ns."""
        if pack.absolute and self._true_clock:
            return np.asarray(pack.t_ns - self._utc_start_ns)
        newest_ns = int(pack.t_ns.max()) if pack.t_ns.size else 0
        if pack.up_ns is not None:
            return np.asarray(pack.up_ns + (pack.t_ns - newest_ns))
        if pack.absolute:
            return np.asarray(arrival_ns - wire_ns + (pack.t_ns - newest_ns))
        return np.asarray(arrival_ns - wire_ns + pack.t_ns)

    def by_channel(
        self, pack: Pack, t_ns: Nanoseconds
    ) -> list[tuple[Channel, Nanoseconds, np.ndarray[tuple[int], np.dtype[np.float64]]]]:
        """Readings of a pack, sorted by channel and time.

        Args:
            pack: the pack.
            t_ns: times of its readings, shape (n,), ns.

        Returns:
            Channel, times (m,) and raw values (m,) of each channel in the pack.
        """
        places: dict[str, list[int]] = defaultdict(list)
        for index, name in enumerate(pack.names):
            places[name].append(index)
        found = []
        for name, indices in places.items():
            channels = self._channels.get(name)
            if channels is None:
                self.unknown.add(name)
                continue
            for channel in channels:
                times, value = t_ns[indices], pack.value[indices].copy()
                if pack.texts:
                    value = _read_texts(channel, pack, indices, value)
                kept = ~np.isnan(value)
                if not kept.all():
                    times, value = times[kept], value[kept]
                if times.size > 1 and bool((times[1:] < times[:-1]).any()):
                    order = np.argsort(times, kind="stable")
                    times, value = times[order], value[order]
                if times.size:
                    found.append((channel, times, value))
        return found


def _read_texts(
    channel: Channel,
    pack: Pack,
    indices: list[int],
    value: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Raw numbers of readings that came as text: 1 or 0 for a contact's word, else a number."""
    for place, index in enumerate(indices):
        text = pack.texts.get(index)
        if text is None:
            continue
        if isinstance(channel.closed_when, str):
            value[place] = float(text.strip() == channel.closed_when)
        else:
            try:
                value[place] = float(text)
            except ValueError:
                value[place] = np.nan
    return value
