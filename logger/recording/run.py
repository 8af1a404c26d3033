"""A recorded run, to read: the way in for notebooks and for every part of this program.

A run is opened in milliseconds: only the footer is read, its seal checked, its header
validated. Samples are read when they are asked for, one channel and one stretch of time at a
time, raw or calibrated with the rig file that was in force.

    >>> run = open_run("runs/demo-a-1.parquet")          # doctest: +SKIP
    >>> run.series("slew").loc["75s":"76s"]              # doctest: +SKIP
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from logger.errors import RunUnreadable
from logger.readings.block import Block, Nanoseconds, Values
from logger.readings.calibration import Calibration
from logger.readings.rig_file import Channel
from logger.readings.slew import SlewUnwrapper
from logger.recording.content_hash import ContentHash
from logger.recording.correction_layers import Correction
from logger.recording.corrections import correct_header, read_corrections
from logger.recording.file_seal import FileSeal, SealBroken, read_seal
from logger.recording.header import Gap, Note, RunHeader, parse_header
from logger.recording.row_groups import (
    ColumnsUnreadable,
    RowGroup,
    check_channel_column,
    check_schema,
    index_row_groups,
    read_samples,
    stream_samples,
)

if TYPE_CHECKING:
    import pandas as pd

HEADER_KEY = b"slewtrace"
_SQLITE_MAGIC = b"SQLite format 3\x00"


class Run:
    """A sealed run; made by :func:`open_run`. Safe to use from several threads.

    Attributes:
        path: the file.
        header: what the run says about itself.
        channels: ids of the channels that have samples, in the rig file's order.
        corrections: layers that lie on the run, oldest first; ``header.rig`` has them in it.
        span_ns: (first, last) time of any sample, ns on the run's clock; (0, 0) without any.
    """

    def __init__(
        self,
        *,
        path: Path,
        header: RunHeader,
        header_json: dict[str, object],
        metadata: pq.FileMetaData,
        index: dict[str, tuple[RowGroup, ...]],
        seal: FileSeal,
        corrections: tuple[Correction, ...] = (),
    ) -> None:
        self.path = path
        self.corrections = corrections
        self.header = header
        self._header_json = header_json
        self._metadata = metadata
        self._index = index
        self._seal = seal
        wired = [c.id for c in header.rig.channel]
        self.channels: tuple[str, ...] = tuple(c for c in wired if c in index)
        groups = [g for held in index.values() for g in held]
        self.span_ns: tuple[int, int] = (
            min((g.first_ns for g in groups), default=0),
            max((g.last_ns for g in groups), default=0),
        )

    def __repr__(self) -> str:
        return f"<Run {self.header.run_id}: {self.sample_count} samples>"

    @property
    def sample_count(self) -> int:
        """How many samples it holds, of all channels."""
        return sum(self.header.samples.values())

    @property
    def notes(self) -> tuple[Note, ...]:
        """What people added, by time."""
        return self.header.notes

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """Where readings are missing, by time."""
        return self.header.gaps

    def raw(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Block:
        """Raw readings of a channel, as the sensor sent them.

        Args:
            channel: a channel of the rig file; one without samples gives an empty block.
            start_ns: only readings at or after this time, ns on the run's clock.
            end_ns: only readings before this time.

        Raises:
            ValueError: for a channel that the rig file does not have.
            RunUnreadable: where the samples are damaged.
        """
        self._wired(channel)
        t_ns, value = self._read(channel, self._groups(channel, start_ns, end_ns))
        part = _between(t_ns, start_ns, end_ns)
        return self._block(channel, t_ns[part], value[part])

    def raw_pieces(
        self, channel: str, start_ns: int | None = None, end_ns: int | None = None
    ) -> Iterator[Block]:
        """The same as :meth:`raw`, one row group at a time, so that little is in memory.

        Args:
            channel: a channel of the rig file.
            start_ns: only readings at or after this time, ns on the run's clock.
            end_ns: only readings before this time.

        Raises:
            ValueError: for a channel that the rig file does not have.
            RunUnreadable: where the samples are damaged.
        """
        self._wired(channel)
        for group in self._groups(channel, start_ns, end_ns):
            t_ns, value = self._read(channel, (group,))
            part = _between(t_ns, start_ns, end_ns)
            yield self._block(channel, t_ns[part], value[part])

    def calibrated(
        self, channel: str, start_ns: int | None = None, end_ns: int | None = None
    ) -> Block:
        """Calibrated readings of a channel.

        Args:
            channel: a channel of the rig file.
            start_ns: only readings at or after this time, ns on the run's clock.
            end_ns: only readings before this time.

        Returns:
            Values in the SI unit of the channel's kind: deg for angles (slew continuous over
            wraps, in the turn that the run's first reading gives it), kg for load as the cell
            feels it, m for lengths. A wheel's raw value passes unchanged: see :meth:`contact`.

        Raises:
            ValueError: for a channel that the rig file does not have.
            RunUnreadable: where the samples are damaged.
        """
        wired = self._wired(channel)
        if channel == "slew":
            return self._slew(wired.calibration, start_ns, end_ns)
        block = self.raw(channel, start_ns, end_ns)
        if wired.is_wheel:
            return block
        value = wired.calibration.apply(block.value)
        return Block(channel=channel, t_ns=block.t_ns, value=value)

    def contact(
        self, channel: str, start_ns: int | None = None, end_ns: int | None = None
    ) -> tuple[Nanoseconds, NDArray[np.bool_]]:
        """Readings of a wheel's contact switch.

        Args:
            channel: a wheel's channel, such as ``wheel/rear_left``.
            start_ns: only readings at or after this time, ns on the run's clock.
            end_ns: only readings before this time.

        Returns:
            Times, shape (n,), ns, and True where the tyre is on the ground, shape (n,). A
            value that is neither counts as open, the safe side.

        Raises:
            ValueError: for a channel that is no wheel of the rig file.
            RunUnreadable: where the samples are damaged.
        """
        wired = self._wired(channel)
        if not wired.is_wheel:
            raise ValueError(f"{channel!r} is no wheel; wheels: {self._names(wheels=True)}")
        block = self.raw(channel, start_ns, end_ns)
        return block.t_ns, block.value == wired.closed_value

    def series(
        self, channel: str, start_ns: int | None = None, end_ns: int | None = None
    ) -> pd.Series:
        """Calibrated readings as a pandas series.

        Args:
            channel: a channel of the rig file.
            start_ns: only readings at or after this time, ns on the run's clock.
            end_ns: only readings before this time.

        Returns:
            A series named by the channel, on a ``TimedeltaIndex`` named "time since start".
            Values as :meth:`calibrated` gives them, the unit in ``attrs["unit"]``; for wheels
            booleans, True with the tyre on the ground, and "on the ground" as unit.

        Raises:
            ValueError: for a channel that the rig file does not have.
            RunUnreadable: where the samples are damaged.
        """
        import pandas as pd  # noqa: PLC0415 - seconds of import that only notebooks need pay

        wired = self._wired(channel)
        if wired.is_wheel:
            t_ns, closed = self.contact(channel, start_ns, end_ns)
            values: NDArray[np.bool_ | np.float64] = closed
        else:
            block = self.calibrated(channel, start_ns, end_ns)
            t_ns, values = block.t_ns, block.value
        index = pd.TimedeltaIndex(t_ns.view("timedelta64[ns]"), name="time since start")
        series = pd.Series(values, index=index, name=channel, copy=False)
        series.attrs["unit"] = "on the ground" if wired.is_wheel else wired.kind.value
        return series

    def verify(self) -> None:
        """Proves that the file is as it was sealed, bit for bit.

        Compares the hash of the whole file and the content hash over header and samples with
        what was stated when the run was sealed. Reads everything, one row group at a time.

        Raises:
            RunUnreadable: where anything differs.
        """
        try:
            self._seal.check_body(self.path)
            check_channel_column(self.path, metadata=self._metadata, index=self._index)
            content = ContentHash()
            for channel, groups in self._index.items():
                for t_ns, value in stream_samples(
                    self.path, metadata=self._metadata, channel=channel, groups=groups
                ):
                    content.add(channel=channel, t_ns=t_ns, value=value)
        except (SealBroken, ColumnsUnreadable, OSError) as exc:
            raise _unreadable(self.path, exc) from exc
        if content.of(self._header_json) != self.header.sha256:
            raise _unreadable(self.path, ValueError("does not have the SHA-256 that it states"))

    def _slew(self, calibration: Calibration, start_ns: int | None, end_ns: int | None) -> Block:
        # Which turn a reading lies in follows from every wrap before it, back to the start.
        unwrapper = SlewUnwrapper(calibration)
        for groups in self._before("slew", start_ns):
            unwrapper.feed(self._read("slew", groups)[1])
        t_ns, raw = self._read("slew", self._groups("slew", start_ns, end_ns))
        part = _between(t_ns, start_ns, end_ns)
        return self._block("slew", t_ns[part], unwrapper.feed(raw)[part])

    def _block(self, channel: str, t_ns: Nanoseconds, value: Values) -> Block:
        try:
            return Block(channel=channel, t_ns=t_ns, value=value)
        except ValueError as exc:
            raise _unreadable(self.path, exc) from exc

    def _wired(self, channel: str) -> Channel:
        wired = self.header.rig.wired(channel)
        if wired is None:
            raise ValueError(f"no channel {channel!r} in this run; channels: {self._names()}")
        return wired

    def _names(self, *, wheels: bool = False) -> str:
        return ", ".join(c.id for c in self.header.rig.channel if c.is_wheel or not wheels)

    def _groups(
        self, channel: str, start_ns: int | None, end_ns: int | None
    ) -> tuple[RowGroup, ...]:
        return tuple(
            g
            for g in self._index.get(channel, ())
            if (start_ns is None or g.last_ns >= start_ns)
            and (end_ns is None or g.first_ns < end_ns)
        )

    def _before(self, channel: str, start_ns: int | None) -> list[tuple[RowGroup, ...]]:
        """Row groups that end before a time, one at a time."""
        if start_ns is None:
            return []
        return [(g,) for g in self._index.get(channel, ()) if g.last_ns < start_ns]

    def _read(self, channel: str, groups: tuple[RowGroup, ...]) -> tuple[Nanoseconds, Values]:
        try:
            return read_samples(self.path, metadata=self._metadata, channel=channel, groups=groups)
        except (ColumnsUnreadable, OSError, pa.ArrowException) as exc:
            raise _unreadable(self.path, exc) from exc


def open_run(path: str | Path, *, corrected: bool = True) -> Run:
    """Opens a sealed run.

    Args:
        path: the ``.parquet`` file.
        corrected: whether later calibrations that lie beside it count; else the run is read
            as it was recorded, and no file beside it is looked at.

    Raises:
        RunUnreadable: in one line, for a file that is missing, empty, cut short, damaged, a
            journal, something else, or from a newer version; and for corrections beside it that
            can't be used.
    """
    path = Path(path)
    try:
        _check_kind(path)
        seal = read_seal(path)
        metadata = pq.read_metadata(path)
        check_schema(metadata)
        header, header_json = parse_header(_header_bytes(metadata))
        index = index_row_groups(metadata)
        _check_counts(header, index)
    except (SealBroken, ColumnsUnreadable, ValueError, OSError, pa.ArrowException) as exc:
        raise _unreadable(path, exc) from exc
    corrections = read_corrections(path, header) if corrected else ()
    return Run(
        path=path,
        header=correct_header(header, corrections, path),
        header_json=header_json,
        metadata=metadata,
        index=index,
        seal=seal,
        corrections=corrections,
    )


def _check_kind(path: Path) -> None:
    if path.is_dir():
        raise RunUnreadable(where=str(path), what="is a folder", would_do="name a run in it")
    if not path.exists():
        raise RunUnreadable(where=str(path), what="is not there", would_do=_nearby(path))
    if not path.is_file():
        raise RunUnreadable(where=str(path), what="is no file", would_do="name a .parquet run")
    with path.open("rb") as file:
        if file.read(len(_SQLITE_MAGIC)) == _SQLITE_MAGIC:
            raise RunUnreadable(
                where=str(path),
                what="is the journal of a run that was not sealed",
                would_do=f"run `slewtrace recover {path}`",
            )


def _nearby(path: Path) -> str:
    journal = path.with_suffix(".journal")
    if journal.exists():
        return f"its journal is: run `slewtrace recover {journal}`"
    return "name a .parquet run"


def _header_bytes(metadata: pq.FileMetaData) -> bytes:
    header: bytes | None = (metadata.metadata or {}).get(HEADER_KEY)
    if header is None:
        raise ColumnsUnreadable("is a Parquet file, but no run: it has no header")
    return header


def _check_counts(header: RunHeader, index: dict[str, tuple[RowGroup, ...]]) -> None:
    if {c: sum(g.rows for g in held) for c, held in index.items()} != dict(header.samples):
        raise ColumnsUnreadable("has another number of samples than its header states")
    unknown = next((c for c in index if header.rig.wired(c) is None), None)
    if unknown is not None:
        raise ColumnsUnreadable(f"has samples of {unknown!r}, which its rig file does not have")


def _unreadable(path: Path, exc: BaseException) -> RunUnreadable:
    if isinstance(exc, RunUnreadable):
        return exc
    if isinstance(exc, OSError) and not isinstance(exc, pa.ArrowException):
        what = f"can't be read ({exc.strerror or exc})"
    elif isinstance(exc, pa.ArrowException):
        what = "has a footer that no Parquet reader understands"
    else:
        what = str(exc)
    return RunUnreadable(
        where=str(path), what=what, would_do="name a whole run, or take it from a copy"
    )


def _between(t_ns: Nanoseconds, start_ns: int | None, end_ns: int | None) -> slice:
    first = 0 if start_ns is None else int(np.searchsorted(t_ns, start_ns, side="left"))
    last = t_ns.size if end_ns is None else int(np.searchsorted(t_ns, end_ns, side="left"))
    return slice(first, max(first, last))
