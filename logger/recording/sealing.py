"""From a journal to a sealed run, when recording ends and after a crash.

Every device clock is fitted over the whole run and its times mapped to the run's clock, then
samples are sorted within each channel. The journal's parts are removed only after the sealed
run has its name, was read back whole, and its folder entry is on the disk. So a crash at any
point leaves the journal, or the sealed run with some of the parts; and parts beside a sealed
run go only after every reading and every word in them was found in that run. Where a part's log
holds what SQLite does not read, since a place in it is damaged or its file is gone, the sealed
run says so in a gap, and no file is removed: all parts with their logs are kept, renamed to
``<run>.journal.damaged`` and so on (:func:`logger.recording.parts.set_parts_aside`), so that
nobody takes them for an unsealed run. One channel is in memory at a time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from logger.errors import RunUnreadable, StorageFailed
from logger.readings.block import Block
from logger.readings.clock_alignment import ClockFit
from logger.readings.polled_clock import fit_of_clock, source_of_clock
from logger.recording.channel_samples import channel_samples
from logger.recording.dating import dated_by
from logger.recording.header import Gap, RunHeader
from logger.recording.held_in_run import is_held
from logger.recording.in_use import run_in_hand
from logger.recording.journal import RUN_CLOCK
from logger.recording.journal_reading import NotBegun
from logger.recording.new_file import take_away
from logger.recording.parts import (
    first_part,
    partial_path,
    parts_of,
    remove_parts,
    sealed_path,
    set_parts_aside,
)
from logger.recording.run import Run, open_run
from logger.recording.run_reading import KEPT_ASIDE, ChannelPlaces, RunReader, clocks_of
from logger.recording.sealed import write_sealed

JOURNAL = "journal"
"""Source of the gap that tells of damage."""

_UNKNOWN_U_S = 1e6
"""Stands for a clock that nothing ties to the run's, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What recovering a journal came to.

    Attributes:
        path: the sealed run.
        run_id: the run's name.
        samples: how many samples it holds.
        already_sealed: whether it was sealed before.
        damage: what of the journal could not be read, in words, and whether its files are kept;
            empty where all could be read.
    """

    path: Path
    run_id: str
    samples: int
    already_sealed: bool
    damage: str = ""


def seal_journal(journal: Path) -> Path:
    """Seals the journal of a run that was closed, and removes it, or sets it aside if damaged.

    Args:
        journal: any part of it, by custom the first.

    Returns:
        The sealed run's path.

    Raises:
        RunUnreadable: where it is no journal, or in use; it is untouched.
        BadInput: where the sealed run's name is taken.
        StorageFailed: where the disk refuses; the journal is untouched.
    """
    first = first_part(journal)
    with run_in_hand(_any_part(first)):
        return _seal(first).path


def recover(journal: Path) -> Recovery:
    """Seals what a killed recorder left; done again it changes nothing.

    Files that hold what could not be read are kept, with ``.damaged`` after ``.journal``.

    Args:
        journal: any part of the journal, whether or not it is still there, or the sealed run.

    Raises:
        RunUnreadable: where neither a journal nor its sealed run can be read, or they differ;
            both are untouched.
        StorageFailed: where the disk refuses; the journal is untouched.
    """
    first = first_part(journal)
    sealed = sealed_path(first)
    with run_in_hand(_any_part(first)):
        if not sealed.exists():
            return _seal(first)
        run = open_run(sealed, corrected=False)
        run.verify()
        if parts_of(first):
            _refuse_other_content(run, first)
        _put_away(first, run)
        return _recovery(run, already_sealed=True)


def _seal(first: Path) -> Recovery:
    sealed = sealed_path(first)
    partial = partial_path(sealed)
    with RunReader(first) as reader:
        _mark_as_ending(partial)
        try:
            header, places = _prepared(reader)
            write_sealed(sealed, header, _blocks(reader, places, header.clock_fits))
        finally:
            take_away(partial)
    run = open_run(sealed, corrected=False)
    _put_away(first, run)
    return replace(
        _recovery(run, already_sealed=False),
        damage=str(reader.damage) if reader.damage else "",
    )


def _any_part(first: Path) -> Path:
    """The first part, or the next that is there."""
    return next((path for _, path in parts_of(first)), first)


def _mark_as_ending(partial: Path) -> None:
    """From now on nobody is told that a note of theirs is in the run."""
    try:
        partial.touch()
    except OSError as exc:
        raise StorageFailed(f"{partial}: the disk refused ({exc.strerror or exc})") from exc


def _refuse_other_content(run: Run, first: Path) -> None:
    """Refuses to remove parts of which anything is missing from the sealed run."""
    try:
        with RunReader(first) as reader:
            if is_held(run, reader):
                return
    except NotBegun:
        return
    except RunUnreadable:
        # The sealed run says so itself where a part could not be read when it was sealed.
        if any(gap.source == JOURNAL and gap.kind == "lost" for gap in run.gaps):
            return
        raise
    raise RunUnreadable(
        where=str(first),
        what=f"holds other readings than {run.path}",
        would_do="nothing was changed; move one of the two to another folder",
    )


def _prepared(reader: RunReader) -> tuple[RunHeader, dict[str, ChannelPlaces]]:
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
        dated_by=dated_by(header.rig, places, fits),
    )
    if reader.damage:
        gap = Gap(t_ns=0, source=JOURNAL, kind="lost", text=str(reader.damage))
        header = replace(header, gaps=(*header.gaps, gap))
    return header, places


def _fit_clocks(
    reader: RunReader, places: Mapping[str, ChannelPlaces], *, clock_rate: float
) -> tuple[dict[str, ClockFit], tuple[Gap, ...]]:
    fits = {
        clock: fit_of_clock(clock, pairs, clock_rate=clock_rate)
        for clock, pairs in reader.pairs().items()
    }
    gaps: list[Gap] = []
    for clock, first_ns in clocks_of(places).items():
        if clock != RUN_CLOCK and clock not in fits:
            # Kept, since readings without a sure time still show what the sensor saw.
            fits[clock] = ClockFit(
                offset_ns=-first_ns, rate=1.0, u_s=_UNKNOWN_U_S, residual_s=0.0, pairs=0
            )
            text = f"nothing ties clock {clock} to the run's; its times are not known"
            gaps.append(Gap(t_ns=0, source=source_of_clock(clock), kind="lost", text=text))
    return fits, tuple(gaps)


def _blocks(
    reader: RunReader, places: Mapping[str, ChannelPlaces], fits: Mapping[str, ClockFit]
) -> Iterator[Block]:
    """One block for each channel, on the run's clock, channels by code points."""
    for channel in sorted(places):
        t_ns, value = channel_samples(reader, places[channel], fits)
        yield Block(channel=channel, t_ns=t_ns, value=value)


def _recovery(run: Run, *, already_sealed: bool) -> Recovery:
    return Recovery(
        path=run.path,
        run_id=run.header.run_id,
        samples=run.sample_count,
        already_sealed=already_sealed,
    )


def _put_away(first: Path, run: Run) -> None:
    """Removes the parts, or sets them aside where the sealed run says that they are kept."""
    if not any(gap.source == JOURNAL and KEPT_ASIDE in gap.text for gap in run.gaps):
        _remove(first)
        return
    try:
        partial_path(sealed_path(first)).unlink(missing_ok=True)
        set_parts_aside(first)
    except OSError as exc:
        raise StorageFailed(
            f"{first}: the run is sealed, but its damaged journal can't be renamed ({exc.strerror})"
        ) from exc


def _remove(first: Path) -> None:
    try:
        partial_path(sealed_path(first)).unlink(missing_ok=True)
        remove_parts(first)
    except OSError as exc:
        raise StorageFailed(
            f"{first}: the run is sealed, but its journal can't be removed ({exc.strerror})"
        ) from exc
