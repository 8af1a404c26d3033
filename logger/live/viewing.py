"""Watching a recording from another process: the other end of the link in ``viewer_link``."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import msgspec

from logger.errors import SourceUnavailable
from logger.live.live_recordings import LiveRecording
from logger.live.viewer_lines import LONGEST_LINE_BYTES, VIEW_FORMAT, Hello, LiveView, Request

ADDRESS = "127.0.0.1"
GREETED_WITHIN_S = 3.0
"""How long a recorder may take to answer the token."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What a recording says of itself to a viewer.

    Attributes:
        run_id: the run's name.
        started_utc: its start in UTC, ISO 8601, or None.
        rig_toml: the rig file, verbatim.
        test_toml: the test file, verbatim.
        clock_rate: run seconds in a second of wall time.
        journal: the journal's first part, absolute.
    """

    run_id: str
    started_utc: str | None
    rig_toml: str
    test_toml: str
    clock_rate: float
    journal: str


class Told(msgspec.Struct, kw_only=True):
    """One line from the recorder; which fields count depends on its kind.

    Attributes:
        kind: ``state``, ``event``, ``missed``, ``sealing`` or ``answer``.
        state: the whole state, of a ``state``.
        event: the event, of an ``event``.
        before: whether that event was before this viewer came.
        count: how many events were missed.
        number: the request that is answered.
        ok: whether it was done.
        text: why not.
    """

    kind: str
    state: LiveView | None = None
    event: dict[str, Any] = {}
    before: bool = False
    count: int = 0
    number: int = 0
    ok: bool = True
    text: str = ""


class View:
    """A recording that is watched.

    Args:
        watched: what it said of itself.
        reader, writer: the connection.
    """

    def __init__(
        self, watched: Watched, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.watched = watched
        self._reader = reader
        self._writer = writer

    async def next(self) -> Told | None:
        """What the recorder says next; None once it has gone, or says what makes no sense."""
        try:
            line = await self._reader.readline()
            return _told.decode(line) if line.endswith(b"\n") else None
        except (OSError, ValueError, msgspec.DecodeError):
            return None

    async def ask(self, request: Request) -> None:
        """Asks for a note; the answer comes among what the recorder says.

        Raises:
            OSError: where the recorder has gone.
        """
        self._writer.write(msgspec.json.encode(request) + b"\n")
        await self._writer.drain()


_told = msgspec.json.Decoder(Told)


@contextlib.asynccontextmanager
async def viewed(recording: LiveRecording) -> AsyncIterator[View]:
    """Watches a recording until this is left.

    Args:
        recording: its entry.

    Raises:
        SourceUnavailable: where it can't be watched; in one line.
    """
    if not recording.port:
        raise SourceUnavailable(where=recording.run_id, what="lets nobody watch")
    try:
        reader, writer = await asyncio.open_connection(
            ADDRESS, recording.port, limit=LONGEST_LINE_BYTES
        )
    except OSError as exc:
        raise _unreachable(recording, exc.strerror or str(exc)) from exc
    try:
        yield View(await _greeted(recording, reader, writer), reader, writer)
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def _greeted(
    recording: LiveRecording, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> Watched:
    try:
        writer.write(msgspec.json.encode(Hello(token=recording.token)) + b"\n")
        async with asyncio.timeout(GREETED_WITHIN_S):
            header = msgspec.json.decode(await reader.readline())
            if header["format"] != VIEW_FORMAT:
                raise _unreachable(recording, f"it speaks {header['format']}: another version")
            return msgspec.convert({k: header[k] for k in Watched.__slots__}, Watched)
    except (OSError, ValueError, KeyError, TypeError, msgspec.DecodeError) as exc:
        raise _unreachable(recording, str(exc) or "it does not answer") from exc


def _unreachable(recording: LiveRecording, why: str) -> SourceUnavailable:
    return SourceUnavailable(where=recording.run_id, what=f"can't be watched ({why})")
