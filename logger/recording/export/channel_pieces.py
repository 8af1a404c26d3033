"""A channel's readings as they are exported: raw, and calibrated in the unit that was asked.

Pieces follow one another, so that neither the channel nor the stretch need fit into memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.readings.block import Block, Values
from logger.readings.rig_file import Channel
from logger.readings.slew import SlewUnwrapper
from logger.recording.export.tables import Column, Piece, ReadingTable, in_pieces
from logger.recording.run import Run

WHEEL_UNIT = "1 = on the ground"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of a run's time, half open.

    Attributes:
        start_ns: from when on, ns on the run's clock; None from the first reading on.
        end_ns: before when; None to the last reading.
    """

    start_ns: int | None = None
    end_ns: int | None = None


WHOLE_RUN = Stretch()


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportedChannel:
    """A channel and how it is written.

    Attributes:
        wired: the channel, as the rig file wires it.
        unit: the unit of the calibrated value.
        si_in_one: SI units in one of it.
        calibrated: whether the calibrated value is written.
        raw: whether the raw value is written.
    """

    wired: Channel
    unit: str
    si_in_one: float = 1.0
    calibrated: bool = True
    raw: bool = True

    def columns(self, *, named: bool = False) -> tuple[Column, ...]:
        """What is written of it.

        Args:
            named: whether the channel's name goes into the columns' names.
        """
        value = self.wired.id if named else "value"
        raw = f"{self.wired.id} raw" if named else "raw"
        return (
            *((Column(name=value, unit=self.unit),) if self.calibrated else ()),
            *((Column(name=raw, unit="raw"),) if self.raw else ()),
        )

    def pieces(self, run: Run, stretch: Stretch) -> Iterator[Piece]:
        """Its readings in a stretch, by time.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        for block, value in self._calibrated(run, stretch):
            columns = (
                *((value,) if self.calibrated else ()),
                *((block.value,) if self.raw else ()),
            )
            yield from in_pieces(block.t_ns, columns)

    def _calibrated(self, run: Run, stretch: Stretch) -> Iterator[tuple[Block, Values]]:
        wired = self.wired
        start_ns, end_ns = stretch.start_ns, stretch.end_ns
        if wired.id != "slew" or not self.calibrated:
            for block in run.raw_pieces(wired.id, start_ns, end_ns):
                yield block, self._value(block.value)
            return
        # Which turn a reading lies in follows from every wrap before it, back to the start.
        unwrapper = SlewUnwrapper(wired.calibration)
        for block in run.raw_pieces(wired.id, None, end_ns):
            angle = unwrapper.feed(block.value)
            first = 0 if start_ns is None else int(np.searchsorted(block.t_ns, start_ns))
            if first < len(block):
                rest = Block(channel=wired.id, t_ns=block.t_ns[first:], value=block.value[first:])
                yield rest, angle[first:] / self.si_in_one

    def _value(self, raw: Values) -> Values:
        if self.wired.is_wheel:
            return np.asarray(raw == self.wired.closed_value, dtype=np.float64)
        value = self.wired.calibration.apply(raw)
        return value if self.si_in_one == 1.0 else value / self.si_in_one


def native_table(run: Run, channel: ExportedChannel, stretch: Stretch) -> ReadingTable:
    """A channel at its own times.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    return ReadingTable(
        name=channel.wired.id,
        columns=channel.columns(),
        rows=_count(run, channel.wired.id, stretch),
        pieces=lambda: channel.pieces(run, stretch),
    )


def _count(run: Run, channel: str, stretch: Stretch) -> int:
    if stretch.start_ns is None and stretch.end_ns is None:
        return run.header.samples.get(channel, 0)
    return sum(len(b) for b in run.raw_pieces(channel, stretch.start_ns, stretch.end_ns))
