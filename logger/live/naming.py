"""From the names in a pack to the channels of the rig, and from device time to the run's.

A pack comes in with the sender's names and the sender's time. It goes out as blocks of the
rig's channels, with the clock their times are on: the device's own where it tells its uptime,
so that the whole run can align it later, else the run's.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from logger.readings.block import Nanoseconds, Values
from logger.readings.pack import ClockPair, Pack
from logger.readings.polled_clock import exchange, polled_clock
from logger.readings.rig_file import Channel, RigFile
from logger.recording.journal import RUN_CLOCK

REMEMBERED_PLANS = 256
REMEMBERED_NAMES = 256
"""Packs of more readings than this are sorted anew: each may have another length."""

LONGEST_TEXT_SHOWN = 40
SET_BACK_NS = 1_000_000_000
"""An uptime that falls by more than this was set back, ns."""

Places: TypeAlias = slice | np.ndarray[tuple[int], np.dtype[np.intp]]
Plan: TypeAlias = list[tuple[Channel, Places]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PackClock:
    """The clock that a pack's times are on.

    Attributes:
        id: ``run``, source and boot of a device that tells its uptime, or the source's own
            where it is polled.
        pair: the device's uptime against our arrival, or the exchange; None on the run's clock.
        set_back: whether the device's uptime began again just now though its boot is the same.
    """

    id: str
    pair: ClockPair | None = None
    set_back: bool = False


@dataclass(slots=True, kw_only=True)
class _Uptime:
    """The highest uptime that a boot has told, with the count of its pack."""

    up_ns: int
    seq: int | None
    turn: int = 0

    def starts_again(self, up_ns: int, seq: int | None) -> bool:
        """Whether the uptime has been set back, which a device does that started anew.

        A pack that comes late tells an earlier uptime too, but has a lower count.
        """
        is_late = seq is not None and self.seq is not None and 1 < seq <= self.seq
        back = up_ns < self.up_ns - SET_BACK_NS and not is_late
        if back:
            self.turn += 1
        if back or up_ns > self.up_ns:
            self.up_ns, self.seq = up_ns, seq
        return back


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
        self._plans: dict[tuple[str, ...], Plan] = {}
        self._uptimes: dict[str, _Uptime] = {}
        self.not_numbers: Counter[str] = Counter()
        """By channel, readings that came as text and are no number; emptied by who tells them."""
        self.latest_text = ""
        """The last of them."""
        self.unknown: set[str] = set()
        """Names that came and that the rig file does not mention."""

    def clock_of(
        self, pack: Pack, *, arrival_ns: int, wire_ns: int, asked_ns: int | None = None
    ) -> PackClock:
        """The clock that :meth:`times_ns` gives a pack's times on."""
        if pack.up_ns is None and pack.reply is None and asked_ns is not None:
            pair = exchange(asked_ns=asked_ns, arrival_ns=arrival_ns)
            return PackClock(id=polled_clock(self._source_id), pair=pair)
        if pack.up_ns is None or (pack.absolute and self._true_clock):
            return PackClock(id=RUN_CLOCK)
        pair = ClockPair(
            device_ns=pack.up_ns, arrival_ns=arrival_ns, wire_ns=wire_ns, asked_ns=asked_ns
        )
        boot = pack.boot or ""
        uptime = self._uptimes.get(boot)
        if uptime is None:
            uptime = self._uptimes[boot] = _Uptime(up_ns=pack.up_ns, seq=pack.seq)
        again = uptime.starts_again(pack.up_ns, pack.seq)
        turn = f"~{uptime.turn}" if uptime.turn else ""
        return PackClock(id=f"{self._source_id}#{boot}{turn}", pair=pair, set_back=again)

    def base_of(self, pack: Pack, *, arrival_ns: int, wire_ns: int) -> tuple[int, bool]:
        """What makes a pack's times those of its clock.

        Returns:
            A time, ns, and whether it is that of the pack's newest reading; else it is to be
            added to the pack's times.
        """
        if pack.absolute and self._true_clock:
            return -self._utc_start_ns, False
        if pack.up_ns is not None:
            return pack.up_ns, True
        return arrival_ns - wire_ns, pack.absolute

    def times_ns(self, pack: Pack, *, arrival_ns: int, wire_ns: int) -> Nanoseconds:
        """Times of a pack's readings on its clock, shape (n,), ns."""
        base_ns, anchored = self.base_of(pack, arrival_ns=arrival_ns, wire_ns=wire_ns)
        if anchored and pack.t_ns.size:
            base_ns -= int(pack.t_ns.max())
        return np.asarray(pack.t_ns + base_ns)

    def by_channel(
        self, pack: Pack, t_ns: Nanoseconds
    ) -> list[tuple[Channel, Nanoseconds, Values]]:
        """Readings of a pack, sorted by channel and time.

        Args:
            pack: the pack.
            t_ns: times of its readings, shape (n,), ns.

        Returns:
            Channel, times (m,) and raw values (m,) of each channel in the pack; they may be
            views of the pack's arrays.
        """
        value = pack.value
        is_whole = not bool(np.isnan(value).any())
        is_sorted = t_ns.size < 2 or bool((t_ns[1:] >= t_ns[:-1]).all())
        found = []
        for channel, places in self._plan(pack.names):
            times, values = t_ns[places], value[places]
            if not is_whole:
                if pack.texts:
                    values = self._read_texts(channel, pack, places, values)
                kept = ~np.isnan(values)
                if not kept.all():
                    times, values = times[kept], values[kept]
            if not is_sorted and times.size > 1 and bool((times[1:] < times[:-1]).any()):
                order = np.argsort(times, kind="stable")
                times, values = times[order], values[order]
            if times.size:
                found.append((channel, times, values))
        return found

    def by_channel_of_all(
        self, packs: Sequence[Pack], bases_ns: Sequence[int], *, anchored: bool
    ) -> list[tuple[Channel, Nanoseconds, Values]]:
        """The same for several packs of the same names and without texts, all at once.

        Args:
            packs: k packs of n readings each, all of the same names.
            bases_ns: to be added to each pack's times, or with ``anchored`` the time of its
                newest reading, ns.
            anchored: which.

        Returns:
            Channel, times and raw values of each channel, by time within each pack.
        """
        shape = (len(packs), len(packs[0].names))
        t_ns = np.concatenate([pack.t_ns for pack in packs]).reshape(shape)
        value = np.concatenate([pack.value for pack in packs]).reshape(shape)
        shift_ns = np.array(bases_ns, dtype=np.int64)
        if anchored:
            shift_ns -= t_ns.max(axis=1)
        t_ns = t_ns + shift_ns[:, np.newaxis]
        missing = np.isnan(value)
        some_missing = bool(missing.any())
        found = []
        for channel, places in self._plan(packs[0].names):
            times, values = t_ns[:, places].ravel(), value[:, places].ravel()
            if some_missing:
                kept = ~missing[:, places].ravel()
                times, values = times[kept], values[kept]
            if times.size:
                found.append((channel, times, values))
        return found

    def _read_texts(self, channel: Channel, pack: Pack, places: Places, value: Values) -> Values:
        """Raw numbers of readings that came as text: 1 or 0 for a contact's word, else a number."""
        value = value.copy()  # the pack's own are another channel's too
        for place, index in enumerate(np.arange(len(pack.names))[places].tolist()):
            text = pack.texts.get(index)
            if text is None:
                continue
            if isinstance(channel.closed_when, str):
                value[place] = float(text.strip() == channel.closed_when)
                continue
            try:
                value[place] = float(text)
            except ValueError:
                value[place] = np.nan
                self.not_numbers[channel.id] += 1
                self.latest_text = text[:LONGEST_TEXT_SHOWN]
        return value

    def _plan(self, names: tuple[str, ...]) -> Plan:
        """Where each channel's readings stand in packs of these names."""
        if len(names) > REMEMBERED_NAMES:
            return self._new_plan(names)
        plan = self._plans.get(names)
        if plan is None:
            if len(self._plans) >= REMEMBERED_PLANS:
                self._plans.clear()
            plan = self._plans[names] = self._new_plan(names)
        return plan

    def _new_plan(self, names: tuple[str, ...]) -> Plan:
        plan = []
        for name, places in _places(names).items():
            channels = self._channels.get(name)
            if channels is None:
                self.unknown.add(name)
            else:
                plan += [(channel, places) for channel in channels]
        return plan


def _places(names: tuple[str, ...]) -> dict[str, Places]:
    """Where each name stands: a slice where it stands in one row, else its places."""
    found: dict[str, Places] = {}
    start = 0
    while start < len(names):
        name = names[start]
        end = start + names.count(name)
        if name in found or names[start:end] != (name,) * (end - start):
            return _scattered_places(names)
        found[name] = slice(start, end)
        start = end
    return found


def _scattered_places(names: tuple[str, ...]) -> dict[str, Places]:
    places: dict[str, list[int]] = defaultdict(list)
    for index, name in enumerate(names):
        places[name].append(index)
    return {name: np.array(indices, dtype=np.intp) for name, indices in places.items()}
