"""What a person asks of an export, on the command line or in an address: words made checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Literal, get_args

from dashboard.figures.units import SI, Units, units_of
from logger.errors import BadInput
from logger.readings.quantity import Kind, parse_quantity
from logger.recording.export.channel_pieces import WHOLE_RUN, Stretch
from logger.recording.export.export import Form, form_of
from logger.recording.export.wall_time import read_zone

Values = Literal["both", "calibrated", "raw"]
_LONGEST_S = 9e9
_SHOWN = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person asked of an export.

    Attributes:
        form: the format.
        units: the units of calibrated values.
        values: which values; None for both at their own times, calibrated ones at common times.
        channels: ids of channels; none for all that have readings.
        stretch: from when to when.
        every_ns: interval of common times, ns; None for each channel's own.
        on_a_line: whether values at common times are worked out between readings.
        zone: the zone of local times; None takes this machine's.
        bare: only the table of raw readings that an import takes back.

    Raises:
        BadInput: for wishes that say nothing together.
    """

    form: Form
    units: Units = SI
    values: Values | None = None
    channels: tuple[str, ...] = ()
    stretch: Stretch = WHOLE_RUN
    every_ns: int | None = None
    on_a_line: bool = False
    zone: tzinfo | None = None
    bare: bool = False

    def __post_init__(self) -> None:
        if self.bare and (self.form != "csv" or self.every_ns is not None or self.values):
            raise BadInput(
                where="raw",
                what="is a CSV table of raw readings at their own times",
                would_do="name a .csv file and leave out every and values",
            )
        if self.on_a_line and self.every_ns is None:
            raise BadInput(
                where="interpolate",
                what="goes with common times only",
                would_do='give every, such as "0.1 s"',
            )
        start_ns, end_ns = self.stretch.start_ns, self.stretch.end_ns
        if start_ns is not None and end_ns is not None and start_ns >= end_ns:
            raise BadInput(where="to", what="is not later than from", would_do="swap the two")


def read_asked(words: Mapping[str, str], *, path: Path | None = None) -> Asked:
    """Reads what was asked.

    Args:
        words: by name: ``format``, ``units``, ``values``, ``channels``, ``from``, ``to``,
            ``every``, ``zone``; ``interpolate`` and ``raw`` are asked for by any value.
        path: the file to make, which may say the format.

    Raises:
        BadInput: naming the word.
    """
    zone = words.get("zone")
    channels = words.get("channels")
    return Asked(
        form=form_of(path or Path(), words.get("format")),
        units=units_of(words.get("units")),
        values=_values(words.get("values")),
        channels=tuple(c.strip() for c in channels.split(",")) if channels is not None else (),
        stretch=Stretch(start_ns=_ns(words, "from"), end_ns=_ns(words, "to")),
        every_ns=_interval_ns(words),
        on_a_line="interpolate" in words,
        zone=None if zone is None else read_zone(zone),
        bare="raw" in words,
    )


def _values(word: str | None) -> Values | None:
    known: tuple[Values, ...] = get_args(Values)
    found = next((v for v in known if v == word), None)
    if word is not None and found is None:
        raise BadInput(
            where="values",
            what=f"{word[:_SHOWN]!r} won't do",
            would_do=f"take one of {', '.join(known)}",
        )
    return found


def _ns(words: Mapping[str, str], name: str) -> int | None:
    text = words.get(name)
    if text is None:
        return None
    try:
        seconds = parse_quantity(text[:_SHOWN], Kind.TIME)
    except ValueError as exc:
        raise BadInput(where=name, what=f"{text[:_SHOWN]!r} won't do", would_do=str(exc)) from exc
    if abs(seconds) > _LONGEST_S:
        raise BadInput(where=name, what=f"{text!r} is beyond any run", would_do="give less")
    return round(seconds * 1e9)


def _interval_ns(words: Mapping[str, str]) -> int | None:
    interval_ns = _ns(words, "every")
    if interval_ns is not None and interval_ns < 1:
        raise BadInput(
            where="every",
            what=f"{words['every'][:_SHOWN]!r} is no interval",
            would_do='give one, such as "0.1 s"',
        )
    return interval_ns
