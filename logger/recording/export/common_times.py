"""Channels brought to common times by a rule that is declared in the export.

The rule is the last reading at or before each time: a number that was measured, not made.
Where that reading is older than the channel may be silent, nothing is known and the cell stays
empty. Only where it is asked for, a value is put on the straight line between its neighbours;
contacts are never in between.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from logger.errors import BadInput
from logger.events.silence import reports_only_changes, usual_stale_after_ns
from logger.readings.block import Nanoseconds, Values
from logger.recording.export.channel_pieces import ExportedChannel, Stretch
from logger.recording.export.tables import Piece, ReadingTable, in_pieces
from logger.recording.run import Run

MOST_CELLS = 40_000_000
"""Such a table is held whole: 320 MB."""
_FOR_EVER_NS = 1 << 62

LAST_RULE = (
    "each value is the last reading at or before its time; it is empty where that reading is "
    "older than the channel may be silent"
)
LINE_RULE = (
    "each value lies on the straight line between the readings before and after its time "
    "(contacts and raw values: the last reading at or before it); it is empty where the "
    "reading before is older than the channel may be silent"
)


def common_table(
    run: Run,
    channels: Sequence[ExportedChannel],
    stretch: Stretch,
    *,
    every_ns: int,
    on_a_line: bool = False,
) -> ReadingTable:
    """All channels at common times, which are the multiples of an interval.

    Args:
        run: the run.
        channels: what is written.
        stretch: from when to when.
        every_ns: the interval, ns.
        on_a_line: whether values in between are worked out.

    Raises:
        BadInput: where there would be more cells than are held.
        RunUnreadable: where the samples are damaged.
    """
    columns = tuple(c for channel in channels for c in channel.columns(named=True))
    t_ns = _times(run, stretch, every_ns, len(columns))
    values = [v for channel in channels for v in _at(run, channel, t_ns, on_a_line=on_a_line)]
    return ReadingTable(
        name="readings",
        columns=columns,
        rows=t_ns.size,
        pieces=lambda: in_pieces(t_ns, values),
    )


def _times(run: Run, stretch: Stretch, every_ns: int, columns: int) -> Nanoseconds:
    first_ns, last_ns = run.span_ns
    start_ns = first_ns if stretch.start_ns is None else stretch.start_ns
    end_ns = last_ns + 1 if stretch.end_ns is None else stretch.end_ns
    start_ns, end_ns = max(start_ns, first_ns), min(end_ns, last_ns + 1)
    first, end = -(-start_ns // every_ns), -(-end_ns // every_ns)
    rows = max(0, end - first)
    if rows * max(columns, 1) > MOST_CELLS:
        raise BadInput(
            where="every",
            what=f"makes {rows} rows of {columns} columns, more than are held",
            would_do="take a longer interval, fewer channels or a shorter stretch",
        )
    return np.arange(rows, dtype=np.int64) * every_ns + first * every_ns


def _at(run: Run, channel: ExportedChannel, t_ns: Nanoseconds, *, on_a_line: bool) -> list[Values]:
    """A channel's columns at given times."""
    filled = [np.full(t_ns.size, np.nan) for _ in channel.columns()]
    if not t_ns.size:
        return filled
    limit_ns = _silence_ns(run, channel)
    lines = [
        on_a_line and column == 0 and channel.calibrated and not channel.wired.is_wheel
        for column in range(len(filled))
    ]
    # Readings from before the first time count too, and one after the last.
    stretch = Stretch(start_ns=None if limit_ns >= _FOR_EVER_NS else int(t_ns[0]) - limit_ns)
    for held, following_ns in _with_following(channel.pieces(run, stretch)):
        if held.t_ns[0] > t_ns[-1]:
            break
        first, end = np.searchsorted(t_ns, (held.t_ns[0], following_ns))
        asked = t_ns[first:end]
        last = np.searchsorted(held.t_ns, asked, side="right") - 1
        fresh = asked - held.t_ns[last] <= limit_ns
        spanned = fresh & (held.t_ns[np.minimum(last + 1, held.t_ns.size - 1)] - asked <= limit_ns)
        for line, target, value in zip(lines, filled, held.values, strict=True):
            found = np.interp(asked, held.t_ns, value) if line else value[last]
            target[first:end] = np.where(spanned if line else fresh, found, np.nan)
    return filled


def _with_following(pieces: Iterator[Piece]) -> Iterator[tuple[Piece, int]]:
    """Each piece with the first reading of the next, and when that was."""
    before: Piece | None = None
    for piece in pieces:
        if before is not None:
            yield _and_first(before, piece), int(piece.t_ns[0])
        before = piece
    if before is not None:
        yield before, _FOR_EVER_NS


def _and_first(piece: Piece, following: Piece) -> Piece:
    return Piece(
        t_ns=np.append(piece.t_ns, following.t_ns[0]),
        values=tuple(
            np.append(mine, theirs[0])
            for mine, theirs in zip(piece.values, following.values, strict=True)
        ),
    )


def _silence_ns(run: Run, channel: ExportedChannel) -> int:
    """How old a reading may be and still count, ns."""
    wired = channel.wired
    if wired.stale_after_s is not None:
        return round(wired.stale_after_s * 1e9)
    first = next(run.raw_pieces(wired.id), None)
    if first is None or not len(first):
        return 0
    if wired.is_wheel:
        changes, readings = _changes(run, channel)
        if reports_only_changes(changes, readings):
            return _FOR_EVER_NS
    return usual_stale_after_ns(first.t_ns)


def _changes(run: Run, channel: ExportedChannel) -> tuple[int, int]:
    changes = readings = 0
    for block in run.raw_pieces(channel.wired.id):
        closed = block.value == channel.wired.closed_value
        changes += int(np.count_nonzero(closed[1:] != closed[:-1]))
        readings += len(block)
    return changes, readings
