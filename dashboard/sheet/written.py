"""How the sheet writes quantities, times and names.

A bound is rounded to its safe side in either system of units: what was proved down, what is
required up. Names come from files, so they are cleaned: no control characters, nothing that
turns the direction of the words around them, and long words may break anywhere.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime, timedelta
from typing import Any

from dashboard.figures.words import wheel_words

_LONG_WORD = re.compile(r"[^\s\-–/\u200b]{19,}")
_PIECE = 6
_BREAK = "\u200b"
_RIGHT_TO_LEFT = ("R", "AL", "AN")
_BASIC_SCRIPTS = ("LATIN", "GREEK", "CYRILLIC")
_MOST_SPELLED = 12
_HASH_GROUP = 8


def size_words(angle_deg: float | None, *, digits: int = 1) -> str:
    """An angle's size, from over the rear."""
    return "—" if angle_deg is None else f"{abs(angle_deg):.{digits}f}°"


def utc_words(utc: str | None) -> str:
    """``2026-05-04T09:30:00.25Z`` as ``2026-05-04 09:30:00 UTC``; empty where unknown."""
    return "" if not utc else f"{utc[:10]} {utc[11:19]} UTC"


def later_utc(utc: str, seconds: float) -> str:
    """A moment some seconds after another, both ISO 8601 ending in Z."""
    start = datetime.fromisoformat(utc[:19])
    fraction = float(f"0{utc[19:-1]}") if utc[19:-1] else 0.0
    return (start + timedelta(seconds=seconds + fraction)).isoformat()[:19] + "Z"


def hash_words(sha256: str, *, groups: int) -> str:
    """The first characters of a hash, in groups of eight."""
    shown = sha256[: groups * _HASH_GROUP]
    return " ".join(shown[i : i + _HASH_GROUP] for i in range(0, len(shown), _HASH_GROUP))


def name_in_words(name: str) -> str:
    """A name from a file inside a sentence: its direction stays its own."""
    return _isolated(wheel_words(name))


def spelled(name: str) -> str:
    """A name, and the code points of letters for which this computer may have no font.

    Paper must tell two trucks apart also where their names come out as boxes.
    """
    strange = [c for c in dict.fromkeys(name) if _is_strange(c)]
    if not strange:
        return name
    told = " ".join(f"U+{ord(c):04X}" for c in strange[:_MOST_SPELLED])
    more = " …" if len(strange) > _MOST_SPELLED else ""
    return f"{_isolated(name)} (with {told}{more})"


def _isolated(name: str) -> str:
    if any(unicodedata.bidirectional(c) in _RIGHT_TO_LEFT for c in name):
        return f"\u2068{name}\u2069"
    return name


def _is_strange(letter: str) -> bool:
    category = unicodedata.category(letter)
    if category[0] == "L":
        return not unicodedata.name(letter, "").startswith(_BASIC_SCRIPTS)
    return category in ("So", "Co", "Cn") and ord(letter) > 0x2FFF


def printable(value: Any) -> Any:
    """Texts of a document, at any depth, as they may be set."""
    if isinstance(value, str):
        return _printable_text(value)
    if isinstance(value, dict):
        return {key: printable(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [printable(v) for v in value]
    return value


def _printable_text(text: str) -> str:
    kept = "".join(_kept(c) for c in text)
    # An isolate that is never closed would reach to the paragraph's end.
    if kept.count("\u2068") != kept.count("\u2069"):
        kept = kept.replace("\u2068", "").replace("\u2069", "")
    return _LONG_WORD.sub(_with_breaks, kept)


def _kept(letter: str) -> str:
    if letter in "\n\u2068\u2069\u200b\u00a0\u2009\u202f":
        # The sheet's fonts know no narrow space that may not break.
        return "\u00a0" if letter == "\u202f" else letter
    if letter in "\t\r\v\f\u2028\u2029":
        return " "
    category = unicodedata.category(letter)
    return letter if category not in ("Cc", "Cf", "Cs") else ""


def _with_breaks(match: re.Match[str]) -> str:
    pieces: list[str] = []
    for letter in match.group():
        starts_piece = not pieces or len(pieces[-1]) >= _PIECE
        if starts_piece and not unicodedata.combining(letter):
            pieces.append(letter)
        else:
            pieces[-1] += letter
    return _BREAK.join(pieces)
