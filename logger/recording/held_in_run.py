"""Whether a sealed run holds all that stands in the parts of a journal beside it.

Parts stand beside their sealed run when the one who sealed it was stopped before all of them
were removed. Some may be gone already, so what is left need not be the whole run, but it must
all be in it, each reading as often as in the journal, before it may go.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec
import numpy as np

from logger.readings.block import Nanoseconds, Values
from logger.recording.channel_samples import channel_samples
from logger.recording.header import canonical_json
from logger.recording.run import Run
from logger.recording.run_reading import RunReader, clocks_of


def is_held(run: Run, reader: RunReader) -> bool:
    """Whether the run holds everything that can be read of the parts.

    Raises:
        RunUnreadable: where either can't be read.
    """
    header = run.header
    told = (
        (reader.notes(), header.notes),
        (reader.gaps(), header.gaps),
        (reader.alarms(), header.alarms),
        (reader.wall_pairs(), header.wall_pairs),
    )
    if reader.header().run_id != header.run_id:
        return False
    if any(_texts(part) - _texts(whole) for part, whole in told):
        return False
    return _holds_samples(run, reader)


def _texts(things: Iterable[Any]) -> set[str]:
    return {canonical_json(msgspec.to_builtins(thing)) for thing in things}


def _holds_samples(run: Run, reader: RunReader) -> bool:
    places = reader.places()
    fits = run.header.clock_fits
    if not set(places) <= set(run.channels) or not {"run", *fits} >= set(clocks_of(places)):
        return False
    for channel, place in places.items():
        t_ns, value = channel_samples(reader, place, fits)
        whole = run.raw(channel)
        if not _is_part_of((t_ns, value), (whole.t_ns, whole.value)):
            return False
    return True


def _is_part_of(part: tuple[Nanoseconds, Values], whole: tuple[Nanoseconds, Values]) -> bool:
    """Whether each sample, bit for bit, stands in ``whole`` at least as often."""
    t_ns = np.concatenate([part[0], whole[0]])
    bits = np.concatenate([part[1], whole[1]]).view(np.uint64)
    balance = np.ones(t_ns.size, dtype=np.int64)
    balance[: part[0].size] = -1
    order = np.lexsort((bits, t_ns))
    t_ns, bits, balance = t_ns[order], bits[order], balance[order]
    differs = (t_ns[1:] != t_ns[:-1]) | (bits[1:] != bits[:-1])
    starts = np.concatenate([[0], np.flatnonzero(differs) + 1])
    return bool(np.all(np.add.reduceat(balance, starts) >= 0))
