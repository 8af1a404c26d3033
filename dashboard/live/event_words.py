"""Events of a recording in the words of the page: a wheel is named as people say it."""

from __future__ import annotations

import re
from typing import Any

from dashboard.figures.words import wheel_words
from logger.live.event_lines import describe
from logger.readings.rig_file import WHEEL

_NAMED_IN = ("wheel", "channel", "text")


def channel_words(channel: str) -> str:
    """A channel or a condition: ``wheel/rear_left`` as ``wheel rear left``."""
    if channel.startswith(WHEEL):
        return f"wheel {wheel_words(channel.removeprefix(WHEEL))}"
    return wheel_words(channel)


def event_words(event: dict[str, Any], wheels: tuple[str, ...]) -> str:
    """One line about an event.

    Args:
        event: what the recorder told.
        wheels: the truck's wheels, by their names in its file.
    """
    if event["event"] == "note" and event["kind"] != "acknowledge":  # a person's own words
        return describe(event).plain.strip()
    said = {key: _said(event[key], wheels) for key in _NAMED_IN if isinstance(event.get(key), str)}
    return describe(event | said).plain.strip()


def _said(text: str, wheels: tuple[str, ...]) -> str:
    """A text with its wheels as people say them; parts of longer names stay as they are."""
    for wheel in sorted(wheels, key=len, reverse=True):
        named = rf"(?<![\w/.-])({WHEEL})?{re.escape(wheel)}(?![\w/.-])"
        text = re.sub(named, lambda m: channel_words(m[0]), text)
    return text
