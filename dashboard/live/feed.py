"""Follows what is being recorded on this machine, for one page that shows it.

The folder of live recordings is looked at now and then until there is something to watch; from
then on the recorder pushes. Something is passed on at least twice a second, so that a page that
hears nothing knows that this server is gone.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from pathlib import Path

from dashboard.live.picture import LivePicture, Phase
from logger.errors import SlewtraceError
from logger.live.live_recordings import LiveRecording, live_recordings
from logger.live.viewer_lines import Request
from logger.live.viewing import Told, View, viewed

LOOK_EVERY_S = 0.5
"""How often the folder is looked at, and the longest that nothing is passed on."""
STILL_AFTER_S = 1.3
"""Without a state from the recorder for so long, nothing that is shown is of now."""
ANSWERED_WITHIN_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Nothing is watched yet.

    Attributes:
        recordings: what could be, those of this dashboard's folder first.
        problem: why the one that was asked for is not watched; empty where none was.
        connecting: whether the only one is about to be watched.
    """

    recordings: tuple[LiveRecording, ...]
    problem: str = ""
    connecting: bool = False


def recordings_for(folder: Path) -> tuple[LiveRecording, ...]:
    """What is being recorded now, those into a folder first."""
    there = folder.absolute()
    found = live_recordings()
    return tuple(sorted(found, key=lambda r: (Path(r.journal).parent != there, r.run_id)))


class LiveFeed:
    """What one page follows.

    Args:
        folder: the dashboard's folder.
        run_id: the run to watch; empty for the only one there is.
    """

    def __init__(self, folder: Path, run_id: str) -> None:
        self._folder = folder
        self._run_id = run_id
        self._view: View | None = None
        self._asked: dict[int, asyncio.Future[Told]] = {}
        self.others = 0
        """How many others are being recorded, once the one that was watched has ended."""

    async def follow(self) -> AsyncGenerator[Choice | LivePicture]:
        """What is to be shown, again and again; without end."""
        while True:
            choice = await asyncio.to_thread(self._choose)
            if isinstance(choice, Choice):
                yield choice
                await asyncio.sleep(LOOK_EVERY_S)
                continue
            shown: Choice | LivePicture | None = None
            async with contextlib.aclosing(self._watch(choice)) as watched:
                async for shown in watched:
                    yield shown
            while isinstance(shown, LivePicture):  # never another truck without being asked
                await asyncio.sleep(LOOK_EVERY_S)
                self.others = len(await asyncio.to_thread(recordings_for, self._folder))
                yield shown
            await asyncio.sleep(LOOK_EVERY_S)

    async def ask(self, request: Request) -> str:
        """Asks the recorder for a note; why it was not made, or nothing."""
        view = self._view
        if view is None:
            return "There is no recorder to take it."
        answer = asyncio.get_running_loop().create_future()
        self._asked[request.number] = answer
        try:
            await view.ask(request)
            async with asyncio.timeout(ANSWERED_WITHIN_S):
                told: Told = await answer
        except (OSError, TimeoutError):
            return "The recorder does not answer: it was not noted."
        finally:
            self._asked.pop(request.number, None)
        return "" if told.ok else told.text

    def _choose(self) -> LiveRecording | Choice:
        found = recordings_for(self._folder)
        if not self._run_id:
            return found[0] if len(found) == 1 else Choice(recordings=found)
        asked = next((r for r in found if r.run_id == self._run_id), None)
        if asked is not None:
            return asked
        return Choice(recordings=found, problem=f"{self._run_id} is not being recorded now.")

    async def _watch(self, recording: LiveRecording) -> AsyncGenerator[Choice | LivePicture]:
        try:
            async with viewed(recording) as view:
                beginning = asyncio.create_task(asyncio.to_thread(LivePicture.begun, view.watched))
                while not (await asyncio.wait([beginning], timeout=LOOK_EVERY_S))[0]:
                    yield Choice(recordings=(recording,), connecting=True)
                picture = await beginning
                self._view = view
                changed = asyncio.Event()
                reading = asyncio.create_task(self._read(view, picture, changed), name="recorder")
                try:
                    async for shown in _shown(picture, changed):
                        yield shown
                finally:
                    self._view = None
                    reading.cancel()
                    await asyncio.gather(reading, return_exceptions=True)
        except SlewtraceError as exc:
            yield Choice(recordings=(recording,), problem=str(exc))

    async def _read(self, view: View, picture: LivePicture, changed: asyncio.Event) -> None:
        while (told := await view.next()) is not None:
            if told.kind == "answer":
                answer = self._asked.get(told.number)
                if answer is not None and not answer.done():
                    answer.set_result(told)
                continue
            picture.take(told)
            changed.set()
        picture.end()
        changed.set()


async def _shown(picture: LivePicture, changed: asyncio.Event) -> AsyncGenerator[LivePicture]:
    """The picture whenever it changes, and when it has not for too long."""
    loop = asyncio.get_running_loop()
    state_s, before = loop.time(), picture.view
    while True:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LOOK_EVERY_S):
                await changed.wait()
        changed.clear()
        if picture.view is not before:
            state_s, before = loop.time(), picture.view
        elif picture.phase is Phase.LIVE and loop.time() - state_s > STILL_AFTER_S:
            picture.phase = Phase.STILL
        yield picture
        if picture.phase in (Phase.SEALED, Phase.GONE):
            return
