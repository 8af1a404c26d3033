"""From a run to the frames of one source, each with the moment at which it is due.

A run does not keep where one pack ended and the next began, so packs are cut anew: all that was
read in a stretch of the run's clock goes into one, and none reaches over a hole in the device's
count or a new start of it. Little of the run is in memory at a time.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.errors import BadInput
from logger.live.play.recorded_source import RecordedSource, Start, WireName
from logger.readings.block import Block, Nanoseconds
from logger.recording.run import Run
from logger.sources.frames import sign
from logger.sources.line_writing import LineWriter
from logger.sources.pack_writing import LONGEST_BOOT, NamedReadings, write_pack

MOST_READINGS = 1000
"""More than so many do not go into one pack, so that a line stays far below its limit."""

READ_AT_ONCE_NS = 20_000_000_000
"""So much of the run is in memory at a time, ns of the run's clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What goes out at once.

    Attributes:
        due_ns: when, ns on the run's clock: when its newest reading was taken.
        payload: its bytes; on a serial line with checksum and line end.
        readings: how many are in it.
        left_out: packs that the device had counted before it and that were never recorded.
    """

    due_ns: int
    payload: bytes
    readings: int
    left_out: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """The part of a run that is played, ns on the run's clock.

    Attributes:
        start_ns: readings from here on.
        end_ns: readings before this.
        pack_ns: how long a device gathers readings before it sends them.
    """

    start_ns: int
    end_ns: int
    pack_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What is new each time that a run is played.

    Attributes:
        play: mark of this playing, put behind each boot, so that a receiver that heard the run
            before does not take it for repeats; empty to keep the boots as they were.
        utc_ns: for devices that send absolute times, UTC at the stretch's start.
    """

    play: str
    utc_ns: int = 0

    @classmethod
    def new(cls, *, keep_boot: bool, utc_ns: int) -> Marks:
        """Marks of a new playing."""
        return cls(play="" if keep_boot else f".{secrets.token_hex(3)}", utc_ns=utc_ns)

    def boot(self, start: Start) -> str:
        """The boot that a pack carries."""
        return start.boot[: LONGEST_BOOT - len(self.play)] + self.play


def pack_frames(
    run: Run, source: RecordedSource, stretch: Stretch, marks: Marks, *, signed: bool
) -> Iterator[Frame]:
    """A source's frames as SenML packs.

    Args:
        run: the run.
        source: the source.
        stretch: what is played.
        marks: what is new in them.
        signed: whether each is a line with its CRC-32, as on a serial line.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    cuts = [s.from_ns for s in source.starts[1:]] + [h.end_ns for h in source.holes]
    holes = [h for h in source.holes if h.end_ns >= stretch.start_ns]
    seq, boot = 0, ""
    for pack in _packs(run, source, stretch, sorted(cuts)):
        oldest_ns = min(int(piece.run_ns[0]) for piece in pack)
        newest_ns = max(int(piece.run_ns[-1]) for piece in pack)
        left_out = 0
        while holes and holes[0].end_ns <= oldest_ns:
            left_out += holes.pop(0).packs
        start = source.start_at(newest_ns)
        seq = 0 if boot != marks.boot(start) else seq + 1 + left_out
        boot = marks.boot(start)
        readings = [piece.readings for piece in pack]
        is_absolute = source.timing == "absolute"
        payload = write_pack(
            readings,
            seq=seq,
            boot=boot,
            up_ns=None if start.clock is None else max(int(r.t_ns[-1]) for r in readings),
            utc_ns=marks.utc_ns + newest_ns - stretch.start_ns if is_absolute else None,
        )
        yield Frame(
            due_ns=newest_ns,
            payload=sign(payload) + b"\r\n" if signed else payload,
            readings=sum(map(len, readings)),
            left_out=left_out,
        )


def line_frames(
    run: Run, source: RecordedSource, stretch: Stretch, writer: LineWriter, *, ended: bool
) -> Iterator[Frame]:
    """A source's frames as text lines, one for each moment.

    Args:
        run: the run.
        source: the source; all its names have readings at the same moments.
        stretch: what is played.
        writer: writes a line.
        ended: whether a line end follows, as on a serial line.

    Raises:
        BadInput: where a line can't be rebuilt from what was recorded.
        RunUnreadable: where the samples are damaged.
    """
    end = b"\r\n" if ended else b""
    for start_ns in range(stretch.start_ns, stretch.end_ns, READ_AT_ONCE_NS):
        end_ns = min(start_ns + READ_AT_ONCE_NS, stretch.end_ns)
        blocks = [run.raw(n.channel, start_ns, end_ns) for n in source.names]
        _refuse_torn_lines(source, blocks)
        names = [n.name for n in source.names]
        for row, t_ns in enumerate(blocks[0].t_ns.tolist()):
            values = {n: float(b.value[row]) for n, b in zip(names, blocks, strict=True)}
            yield Frame(due_ns=t_ns, payload=writer.line(values) + end, readings=len(values))


def _refuse_torn_lines(source: RecordedSource, blocks: list[Block]) -> None:
    first = blocks[0]
    for name, block in zip(source.names, blocks, strict=True):
        if not np.array_equal(block.t_ns, first.t_ns):
            raise BadInput(
                where=f"source {source.table.id!r}",
                what=f"its lines can't be rebuilt: {source.names[0].name!r} and {name.name!r} "
                "were not always read together",
                would_do=f"send it as packs: --senml {source.table.id}",
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Piece:
    """Readings of one name, on the device's clock where it told one, and when on the run's."""

    readings: NamedReadings
    run_ns: Nanoseconds

    def between(self, start: int, end: int) -> _Piece:
        return _Piece(readings=self.readings.between(start, end), run_ns=self.run_ns[start:end])


def _packs(
    run: Run, source: RecordedSource, stretch: Stretch, cuts: list[int]
) -> Iterator[list[_Piece]]:
    """Cuts all names into stretches of a pack's length; empty ones are left out."""
    step_ns = stretch.pack_ns * max(1, READ_AT_ONCE_NS // stretch.pack_ns)
    for start_ns in range(stretch.start_ns, stretch.end_ns, step_ns):
        end_ns = min(start_ns + step_ns, stretch.end_ns)
        pieces = [_read(run, source, name, start_ns, end_ns) for name in source.names]
        inner = [c for c in cuts if start_ns < c < end_ns]
        bounds_ns = np.unique([*range(start_ns, end_ns, stretch.pack_ns), *inner, end_ns])
        places = [np.searchsorted(piece.run_ns, bounds_ns).tolist() for piece in pieces]
        for i in range(bounds_ns.size - 1):
            pack = [
                piece.between(at[i], at[i + 1])
                for piece, at in zip(pieces, places, strict=True)
                if at[i + 1] > at[i]
            ]
            if pack:
                yield from _halved(pack)


def _read(run: Run, source: RecordedSource, name: WireName, start_ns: int, end_ns: int) -> _Piece:
    block = run.raw(name.channel, start_ns, end_ns)
    kept = np.isfinite(block.value)  # JSON has no word for what is no number
    run_ns = block.t_ns[kept]
    readings = NamedReadings(
        name=name.name,
        t_ns=source.to_device(run_ns),
        value=block.value[kept],
        form=name.form,
        closed_word=name.closed_word,
    )
    return _Piece(readings=readings, run_ns=run_ns)


def _halved(pack: list[_Piece]) -> Iterator[list[_Piece]]:
    """A pack, or several that follow each other where it is too long for one."""
    if sum(piece.run_ns.size for piece in pack) > MOST_READINGS:
        run_ns = np.sort(np.concatenate([piece.run_ns for piece in pack]))
        middle_ns = run_ns[run_ns.size // 2]
        places = [int(np.searchsorted(piece.run_ns, middle_ns)) for piece in pack]
        if any(places):  # else all were taken at one moment
            pairs = list(zip(pack, places, strict=True))
            yield from _halved([piece.between(0, i) for piece, i in pairs if i])
            rests = [piece.between(i, piece.run_ns.size) for piece, i in pairs]
            yield from _halved([rest for rest in rests if rest.run_ns.size])
            return
    yield pack
