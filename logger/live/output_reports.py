"""What an alarm output says of itself: it is lost, it is back, it failed."""

from __future__ import annotations

from typing import Literal

from logger.live.announcing import OnEvent


class OutputReports:
    """Events about one output, each told once until things change.

    Args:
        output: its key in the rig file's ``[alarm]`` table.
        tell: told each event, from the output's thread; it must not wait.
    """

    def __init__(self, output: str, tell: OnEvent) -> None:
        self._output = output
        self._tell = tell
        self._is_lost = False

    def lost(self, text: str) -> None:
        """The output can't be reached; told once until it is back."""
        if not self._is_lost:
            self._is_lost = True
            self._event("lost", text)

    def back(self, text: str) -> None:
        """The output is reached again."""
        if self._is_lost:
            self._is_lost = False
            self._event("back", text)

    def _event(self, state: Literal["lost", "back"], text: str) -> None:
        self._tell({"event": "alarm_output", "output": self._output, "state": state, "text": text})
