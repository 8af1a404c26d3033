"""How the times of each source's readings were made: kept in the sealed run, in a word each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, TypeAlias

from logger.readings.clock_alignment import ClockFit
from logger.readings.polled_clock import is_polled
from logger.readings.rig_file import RigFile
from logger.recording.journal import RUN_CLOCK
from logger.recording.run_reading import ChannelPlaces

Dating: TypeAlias = Literal[
    "exchange",
    "uptime_asked",
    "uptime",
    "unknown",
    "true_clock",
    "arrival",
]
"""``exchange``: the middle of question and answer. ``uptime``: the device's own clock, fitted to
the run's; ``uptime_asked``: and bounded by questions. ``unknown``: the device's own clock, which
nothing ties to the run's. ``true_clock``: the device's absolute times, believed by the rig file.
``arrival``: when the frame was in our hands."""


def dated_by(
    rig: RigFile, places: Mapping[str, ChannelPlaces], fits: Mapping[str, ClockFit]
) -> dict[str, tuple[Dating, ...]]:
    """By source, how its readings were dated; of sources with readings only.

    Args:
        rig: what was wired to what.
        places: by channel, where its readings stand, and on which clocks.
        fits: what ties each clock to the run's.

    Returns:
        By source id the ways, sorted; more than one where a device told its uptime only in part.
    """
    found: dict[str, set[Dating]] = {}
    for channel in rig.channel:
        place = places.get(channel.id)
        if place is None:
            continue
        source = next(s for s in rig.source if s.id == channel.source)
        of_run: Dating = "true_clock" if source.true_clock else "arrival"
        ways = found.setdefault(source.id, set())
        ways.update(
            of_run if clock == RUN_CLOCK else _of_fit(clock, fits[clock]) for clock in place.clocks
        )
    return {source: tuple(sorted(ways)) for source, ways in found.items()}


def _of_fit(clock: str, fit: ClockFit) -> Dating:
    if is_polled(clock):
        return "exchange"
    if not fit.pairs:
        return "unknown"
    return "uptime_asked" if fit.pairs_two_way else "uptime"
