"""From a journal to a sealed run, when recording ends and after a crash.

Every device clock is fitted over the whole run and its times mapped to the run's clock, then
samples are sorted within each channel. The journal is removed only after the sealed run has
its name, was read back whole, and its folder entry is on the disk. So a crash at any point
leaves the journal, the sealed run, or both with the same content: sealing again from the
journal must give the content hash that the sealed run states, and only then does the journal
go. One channel is in memory at a time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

from logger.errors import RunUnreadable, StorageFailed
from logger.readings.block import Block, Nanoseconds
from logger.readings.clock_alignment import UNSEEN_DELAY_NS, ClockFit, fit_clock
from logger.readings.pack import ClockPair
from logger.recording.content_hash import ContentHash
from logger.recording.header import Gap, RunHeader
from logger.recording.journal import RUN_CLOCK
from logger.recording.journal_reading import BlockPlace, JournalReader
from logger.recording.new_file import sync_folder
from logger.recording.run import Run, open_run
from logger.recording.sealed import write_sealed

_MOST_PAIRS = 20_000
"""Pairs that a clock is fitted to; of more, the promptest of each short stretch are kept."""

_MAPPED_AT_ONCE = 1 << 20
_UNKNOWN_U_S = 1e6
"""Stands for a clock that nothing ties to the run's, s."""

_SQLITE_SHARED_FIRST, _SQLITE_SHARED_SIZE = 0x40000002, 510
"""Bytes that every SQLite process with the file open holds a lock on (sqlite.org,
"File Locking And Concurrency In SQLite Version 3", and os_unix.c)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What recovering a journal came to.

    Attributes:
        path: the sealed run.
        run_id: the run's name.
        samples: how many samples it holds.
        already_sealed: whether it was sealed before.
        damage: what of the journal could not be read, in words; empty where all could.
    """

    path: Path
    run_id: str
    samples: int
    already_sealed: bool
    damage: str = ""


def seal_journal(journal: Path) -> Path:
    """Seals a journal that was closed, and removes it.

    Args:
        journal: the ``.journal`` file.

    Returns:
        The sealed run's path.

    Raises:
        RunUnreadable: where it is no journal, or in use; it is untouched.
        BadInput: where the sealed run's name is taken.
        StorageFailed: where the disk refuses; the journal is untouched.
    """
    return _seal(journal).path


def recover(journal: Path) -> Recovery:
    """Seals what a killed recorder left; done again it changes nothing.

    Args:
        journal: the ``.journal`` file, whether or not it is still there.

    Raises:
        RunUnreadable: where neither a journal nor its sealed run can be read, or they differ;
            both are untouched.
        StorageFailed: where the disk refuses; the journal is untouched.
    """
    sealed = journal.with_suffix(".parquet")
    if not sealed.exists():
        return _seal(journal)
    run = open_run(sealed)
    run.verify()
    if journal.exists() and journal != sealed:
        _refuse_in_use(journal)
        if _content_of(journal) != (run.header.run_id, run.header.sha256):
            raise RunUnreadable(
                where=str(journal),
                what=f"holds other readings than {sealed}",
                would_do="nothing was changed; move one of the two to another folder",
            )
    if journal != sealed:
        _remove(journal)
    return _recovery(run, already_sealed=True)


def _seal(journal: Path) -> Recovery:
    _refuse_in_use(journal)
    path = journal.with_suffix(".parquet")
    with JournalReader(journal) as reader:
        header, places = _prepared(reader)
        write_sealed(path, header, _blocks(reader, places, header.clock_fits))
        damage = str(reader.damage) if reader.damage else ""
    _remove(journal)
    return replace(_recovery(open_run(path), already_sealed=False), damage=damage)


def _content_of(journal: Path) -> tuple[str, str]:
    """Run id and content hash that sealing the journal would give."""
    with JournalReader(journal) as reader:
        header, places = _prepared(reader)
        content = ContentHash()
        for block in _blocks(reader, places, header.clock_fits):
            content.add(channel=block.channel, t_ns=block.t_ns, value=block.value)
        stated = replace(header, samples=content.samples)
        return header.run_id, content.of(stated.to_json())


def _prepared(reader: JournalReader) -> tuple[RunHeader, dict[str, list[BlockPlace]]]:
    """The whole header but for samples and hash, and where the samples stand."""
    header = reader.header()
    places = reader.places()
    fits, unfitted = _fit_clocks(reader, places, clock_rate=header.clock_rate)
    header = replace(
        header,
        notes=header.notes + reader.notes(),
        gaps=header.gaps + reader.gaps() + unfitted,
        alarms=header.alarms + reader.alarms(),
        wall_pairs=header.wall_pairs + reader.wall_pairs(),
        clock_fits=fits,
    )
    if reader.damage:
        gap = Gap(t_ns=0, source="journal", kind="lost", text=str(reader.damage))
        header = replace(header, gaps=(*header.gaps, gap))
    return header, places


def _fit_clocks(
    reader: JournalReader, places: Mapping[str, list[BlockPlace]], *, clock_rate: float
) -> tuple[dict[str, ClockFit], tuple[Gap, ...]]:
    pairs = reader.pairs()
    fits = {
        clock: fit_clock(
            _promptest(held), unseen_delay_ns=max(1, round(UNSEEN_DELAY_NS * clock_rate))
        )
        for clock, held in sorted(pairs.items())
    }
    gaps: list[Gap] = []
    for place in (p for held in places.values() for p in held):
        if place.clock != RUN_CLOCK and place.clock not in fits:
            # Kept, since readings without a sure time still show what the sensor saw.
            first_ns = int(reader.block(place)[0][0])
            fits[place.clock] = ClockFit(
                offset_ns=-first_ns, rate=1.0, u_s=_UNKNOWN_U_S, residual_s=0.0, pairs=0
            )
            text = f"nothing ties clock {place.clock} to the run's; its times are not known"
            gaps.append(Gap(t_ns=0, source=place.clock.split("#")[0], kind="lost", text=text))
    return fits, tuple(gaps)


def _promptest(held: list[tuple[int, int, int]]) -> list[ClockPair]:
    """Pairs for the fit; of very many, the one with the least delay in each short stretch."""
    rows = np.asarray(held, dtype=np.int64)
    if len(rows) > _MOST_PAIRS:
        device_ns = rows[:, 0] - rows[:, 0].min()
        stretch = device_ns // (int(device_ns.max()) // _MOST_PAIRS + 1)
        order = np.lexsort((rows[:, 1] - rows[:, 2] - rows[:, 0], stretch))
        rows = rows[order[np.unique(stretch[order], return_index=True)[1]]]
    return [ClockPair(device_ns=d, arrival_ns=a, wire_ns=w) for d, a, w in rows.tolist()]


def _blocks(
    reader: JournalReader, places: Mapping[str, list[BlockPlace]], fits: Mapping[str, ClockFit]
) -> Iterator[Block]:
    """One block for each channel, on the run's clock, channels by code points."""
    for channel in sorted(places):
        count = sum(p.count for p in places[channel])
        t_ns, value = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.float64)
        start = 0
        for place in places[channel]:
            end = start + place.count
            t_ns[start:end], value[start:end] = reader.block(place)
            start = end
        _map_to_run(t_ns, places[channel], fits)
        if bool(np.any(t_ns[1:] < t_ns[:-1])):
            order = np.argsort(t_ns, kind="stable")
            t_ns, value = t_ns[order], value[order]
            del order
        yield Block(channel=channel, t_ns=t_ns, value=value)


def _map_to_run(t_ns: Nanoseconds, places: list[BlockPlace], fits: Mapping[str, ClockFit]) -> None:
    """Maps times in place, a stretch of one clock at a time, and no stretch too long."""
    start = end = 0
    for place, following in zip(places, [*places[1:], None], strict=True):
        end += place.count
        if following and following.clock == place.clock and end - start < _MAPPED_AT_ONCE:
            continue
        if place.clock != RUN_CLOCK:
            t_ns[start:end] = fits[place.clock].to_run(t_ns[start:end])
        start = end


def _recovery(run: Run, *, already_sealed: bool) -> Recovery:
    return Recovery(
        path=run.path,
        run_id=run.header.run_id,
        samples=sum(run.header.samples.values()),
        already_sealed=already_sealed,
    )


def _remove(journal: Path) -> None:
    """Removes a journal whose samples are safe; the file itself first, so that no half stays."""
    try:
        for suffix in ("", "-wal", "-shm"):
            journal.with_name(journal.name + suffix).unlink(missing_ok=True)
        sync_folder(journal.parent)
    except OSError as exc:
        raise StorageFailed(
            f"{journal}: the run is sealed, but its journal can't be removed ({exc.strerror})"
        ) from exc


def _refuse_in_use(journal: Path) -> None:
    """Refuses a journal that another process has open, such as its living recorder."""
    if fcntl is None or not journal.is_file():
        return  # where there is no fcntl (Windows), a file in use can't be removed
    try:
        with journal.open("r+b") as file:
            fcntl.lockf(
                file, fcntl.LOCK_EX | fcntl.LOCK_NB, _SQLITE_SHARED_SIZE, _SQLITE_SHARED_FIRST
            )
    except (BlockingIOError, PermissionError) as exc:
        raise RunUnreadable(
            where=str(journal),
            what="is in use, perhaps it is being recorded now",
            would_do="stop the recorder first; it seals the run itself",
        ) from exc
    except OSError as exc:
        raise RunUnreadable(where=str(journal), what=f"can't be opened ({exc.strerror})") from exc
