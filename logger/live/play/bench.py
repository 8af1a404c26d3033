"""A bench without hardware: pseudo-terminals in place of sensors, and the rig file that fits them.

Each played source gets a pseudo-terminal and a link to it in a folder, so that its name stays the
same from one playing to the next. Beside them lie a rig file, which is the run's own but for where
its sources are, the run's test file and its load chart: a recorder started on these two hears the
truck again. What the run's rig told others ([alarm], [republish]) is left out, so that no horn
sounds in the yard for an old test.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from logger.errors import BadInput, SourceUnavailable, StorageFailed
from logger.live.play.destinations import on_a_bench
from logger.live.play.serial_sender import TerminalEnd
from logger.readings.quantity import Kind, parse_quantity
from logger.readings.rig_file import RigFile, read_rig
from logger.readings.rig_file import Source as SourceTable
from logger.recording.header import RunHeader
from logger.recording.new_file import make_folder

RIG, TEST = "rig.toml", "test.toml"
STALL_S = 2.0
"""A busy computer may stand still for so long without a sensor being at fault, wall time, s."""
_TOLD_OTHERS = ("alarm", "republish")


@contextmanager
def pseudo_terminals(
    folder: Path, sources: Sequence[SourceTable], *, senml: frozenset[str]
) -> Iterator[dict[str, tuple[SourceTable, TerminalEnd]]]:
    """Makes a pseudo-terminal for each source, with a link ``<source>.port`` in a folder.

    Args:
        folder: where the links go; made where it is missing.
        sources: the sources.
        senml: ids of those that are sent as packs whatever they spoke.

    Yields:
        By source, its destination and our end of its line.

    Raises:
        BadInput: where a source can't be sent so, or a name is taken.
        SourceUnavailable: on systems without pseudo-terminals.
    """
    tables = {
        s.id: on_a_bench(s, str(_link_of(folder, s.id)), as_packs=s.id in senml) for s in sources
    }
    make_folder(folder)
    with ExitStack() as ends:
        yield {
            source_id: (table, ends.enter_context(_terminal(Path(table.port or ""))))
            for source_id, table in tables.items()
        }


def write_bench(
    folder: Path, header: RunHeader, tables: Mapping[str, SourceTable], *, speed: float
) -> tuple[Path, Path]:
    """Writes the rig and test files that fit what is played.

    Args:
        folder: where to; it is there.
        header: the run's.
        tables: by source, where it goes.
        speed: seconds of the run in a second of wall time.

    Returns:
        The rig file and the test file.

    Raises:
        BadInput: where one is there already and holds something else.
        StorageFailed: where the disk refuses.
    """
    files = {RIG: bench_rig(header, tables, speed=speed), TEST: header.test_toml}
    chart = header.test.crane.chart
    if chart and header.load_chart_csv and Path(chart).name == chart:
        files[chart] = header.load_chart_csv
    for name, text in files.items():
        _write(folder / name, text)
    return folder / RIG, folder / TEST


def bench_rig(header: RunHeader, tables: Mapping[str, SourceTable], *, speed: float) -> str:
    """A run's rig file with its sources elsewhere.

    Args:
        header: the run's.
        tables: by source, where it goes; sources that are not here are taken out.
        speed: seconds of the run in a second of wall time.

    Raises:
        BadInput: where the run's rig file can't be changed so.
    """
    try:
        document = tomlkit.parse(header.rig_toml)
        for key in _TOLD_OTHERS:
            document.pop(key, None)
        document["source"] = _sources(tables)
        channels: Any = document["channel"]
        kept = [c for c in channels if c["source"] in tables]
        for channel in kept:
            _let_stall(channel, speed)
        document["channel"] = AoT(kept)
        head = (
            f"# The rig of run {header.run_id}, as `slewtrace play` sends it again.\n"
            "# Its sources are elsewhere, and it tells no others: [alarm] and [republish] are out."
            f"\n{_stall_words(speed)}"
        )
        text = head + tomlkit.dumps(document)
    except (TOMLKitError, KeyError, TypeError) as exc:
        raise _no_rig(header, str(exc)) from exc
    _check(header, read_rig(text, name="the bench's rig file"), tables)
    return text


def _sources(tables: Mapping[str, SourceTable]) -> AoT:
    sources = tomlkit.aot()
    for table in tables.values():
        item = tomlkit.table()
        for key, value in table.model_dump(
            mode="json", by_alias=True, exclude_unset=True, exclude_none=True
        ).items():
            item.add(key, value)
        sources.append(item)
    return sources


def _let_stall(channel: Any, speed: float) -> None:
    stall_s = STALL_S * speed
    if speed <= 1:
        return
    was = _stale_after_s(channel)
    if was is None or was < stall_s:
        channel["stale_after"] = f"{stall_s:g} s"


def _stale_after_s(channel: Any) -> float | None:
    """The ``stale_after`` of a channel's table, s; None where it has none."""
    text = channel.get("stale_after")
    return None if text is None else parse_quantity(str(text), Kind.TIME)


def _stall_words(speed: float) -> str:
    if speed <= 1:
        return ""
    return (
        f"# stale_after is at least {STALL_S:g} s of wall time, played {speed:g} times faster:\n"
        "# a busy computer must not look like a dead switch.\n"
    )


def _check(header: RunHeader, rig: RigFile, tables: Mapping[str, SourceTable]) -> None:
    """Every channel must be the run's own but for ``stale_after``."""
    own = {"stale_after_s"}
    before = [c.model_dump(exclude=own) for c in header.rig.channel if c.source in tables]
    if [c.model_dump(exclude=own) for c in rig.channel] != before:
        raise _no_rig(header, "its channels would change")


def _no_rig(header: RunHeader, why: str) -> BadInput:
    return BadInput(
        where=f"run {header.run_id}",
        what=f"its rig file can't be written anew ({why})",
        would_do="write one by hand and name it with --rig",
    )


def _write(path: Path, text: str) -> None:
    """Writes a file; one that holds the same already is left as it is."""
    try:
        if path.exists():
            if path.read_bytes() == text.encode():
                return
            raise BadInput(
                where=str(path),
                what="is there already and holds something else",
                would_do="name another folder",
            )
        path.write_bytes(text.encode())
    except OSError as exc:
        raise StorageFailed(f"{path}: can't be written ({exc.strerror or exc})") from exc


def _link_of(folder: Path, source_id: str) -> Path:
    return folder.absolute() / f"{source_id}.port"


@contextmanager
def _terminal(link: Path) -> Iterator[TerminalEnd]:
    if sys.platform == "win32":
        raise SourceUnavailable(
            where="--bench",
            what="needs pseudo-terminals, which Windows does not have",
            would_do="name two joined ports with --serial, or a broker with --mqtt",
        )
    import pty  # noqa: PLC0415 - not there on Windows
    import tty  # noqa: PLC0415 - as above

    ours, theirs = pty.openpty()
    end = TerminalEnd(ours)
    try:
        tty.setraw(theirs)
        name = os.ttyname(theirs)
        os.close(theirs)  # so that it can be seen when somebody opens it
        _make_link(link, name)
        try:
            yield end
        finally:
            with suppress(OSError):
                link.unlink()
    finally:
        end.close()


def _make_link(link: Path, name: str) -> None:
    try:
        if link.is_symlink():
            link.unlink()  # left by a playing that was killed
        link.symlink_to(name)
    except OSError as exc:
        raise BadInput(
            where=str(link),
            what=f"the link to a pseudo-terminal can't be made ({exc.strerror})",
            would_do="name another folder",
        ) from exc
