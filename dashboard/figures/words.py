"""How numbers and names of the trade are written for people."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

SEVERITIES = ("invalid", "caution", "note")
SIGN_OF_SEVERITY = {"invalid": "✖", "caution": "▲", "note": "●"}
_LONGEST_DRAWN = 26
"""Characters of a name in a figure."""
_ENDS_OF_IDS = 16
"""Those of a run's id that are kept from its end: day and time of its start."""
SIGN_OF_BASIS = {"proved": "■", "reduced": "◪", "untested": "□"}
_TURNING = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))
"""Characters that set the direction of what follows: a name with them would be read reversed."""


def shown_name(name: str) -> str:
    """A name as it is shown: its own direction stays, characters that force another go."""
    return name.translate(_TURNING)


def wheel_words(name: str) -> str:
    """``rear_left`` as ``rear left``."""
    return shown_name(name).replace("_", " ")


def short_name(name: str) -> str:
    """A name from a file so that it fits into a figure: on one line, cut with an ellipsis."""
    plain = "".join(c for c in wheel_words(name) if c.isprintable())
    return plain if len(plain) <= _LONGEST_DRAWN else plain[: _LONGEST_DRAWN - 1].rstrip() + "…"


def telling_names(runs: Sequence[Mapping[str, Any]]) -> list[str]:
    """What tells runs apart in a figure: the test's name, or the run's where another has the same.

    Args:
        runs: each with ``test`` and ``run_id``, as in a ``slewtrace.compare/1`` document.
    """
    tests = Counter(run["test"] for run in runs)
    return [
        short_name(run["test"]) if tests[run["test"]] == 1 else _short_id(run["run_id"])
        for run in runs
    ]


def _short_id(run_id: str) -> str:
    """Cut in the middle: runs are told apart by the end of their ids, where their start stands."""
    plain = "".join(c for c in run_id if c.isprintable())
    kept = _LONGEST_DRAWN - 1 - _ENDS_OF_IDS
    return plain if len(plain) <= _LONGEST_DRAWN else f"{plain[:kept]}…{plain[-_ENDS_OF_IDS:]}"


def drawn_name(name: str) -> str:
    """The same for plotly, which would take ``<b>`` in it for an order."""
    return escape(short_name(name), quote=False)


def angle_words(slew_deg: float | None, *, digits: int = 1) -> str:
    """A signed slew angle as a size and a side: ``74.6° right``."""
    if slew_deg is None or not math.isfinite(slew_deg):
        return "—"
    size = f"{abs(slew_deg):.{digits}f}°"
    if float(size[:-1]) == 0:
        return f"{size} rear"
    return f"{size} {'right' if slew_deg > 0 else 'left'}"


def clock_words(t_s: float) -> str:
    """Seconds since the run's start as minutes and seconds: ``2:05.3``."""
    tenths = round(abs(t_s) * 10)
    minutes, rest = divmod(tenths, 600)
    sign = "−" if t_s < 0 and tenths else ""
    return f"{sign}{minutes}:{rest / 10:04.1f}"


def duration_words(duration_s: float) -> str:
    """A duration for a table: ``3 min 24 s``."""
    seconds = round(duration_s)
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"


def number_words(value: float | None, unit: str, *, digits: int = 0) -> str:
    """A number with its unit, thousands set off by a thin space; a dash where unknown."""
    if value is None or not math.isfinite(value):
        return "—"
    text = f"{value:,.{digits}f}".replace(",", "\u202f").replace("-", "−")
    return f"{text}\u202f{unit}" if unit else text


def moment_words(moment_nm: float | None) -> str:
    """A moment in kN·m; a dash where unknown."""
    return number_words(None if moment_nm is None else moment_nm / 1000, "kN·m", digits=2)


def plain_number(value: float) -> str:
    """A number without needless zeros: ``74``, ``74.5``."""
    return f"{value:g}".replace("-", "−")
