"""How numbers and names of the trade are written for people."""

from __future__ import annotations

import math
from html import escape

SEVERITIES = ("invalid", "caution", "note")
SIGN_OF_SEVERITY = {"invalid": "✖", "caution": "▲", "note": "●"}
_LONGEST_DRAWN = 26
"""Characters of a name in a figure."""
SIGN_OF_BASIS = {"proved": "■", "reduced": "◪", "untested": "□"}


def wheel_words(name: str) -> str:
    """``rear_left`` as ``rear left``."""
    return name.replace("_", " ")


def short_name(name: str) -> str:
    """A name from a file so that it fits into a figure: on one line, cut with an ellipsis."""
    plain = "".join(c for c in wheel_words(name) if c.isprintable())
    return plain if len(plain) <= _LONGEST_DRAWN else plain[: _LONGEST_DRAWN - 1].rstrip() + "…"


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
