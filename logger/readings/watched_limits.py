"""The ``[watch]`` table of a test file: limits whose passing is alarmed while the test runs.

Nothing is watched but what is named. A limit is a quantity, or a table with its own dead band
and delays (words of OPC UA Part 9, from memory)::

    [watch]
    load_over = "50 kg"          # applied load beyond the test load
    radius = "3.97 m"            # an absolute radius: the planned one and what may be added
    level = "0.6 deg"            # pitch or roll, either way
    wind = { over = "9 m/s", dead_band = "1 m/s", on_delay = "3 s", off_delay = "10 s" }

The radius is absolute because the planned radius is a result of the plan, which the recorder
does not compute. The dead bands and delays where none are given are choices, no source: a load
that bounces on its rope for half a second is no overload, a gust of a second is no wind.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator

from logger.errors import FileInvalid
from logger.readings.quantity import Kind, parse_quantity
from logger.readings.rig_file import RigFile
from logger.readings.toml_file import Table

LONGEST_DELAY_S = 60.0
_KEYS = ("over", "dead_band", "on_delay", "off_delay")


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedLimit:
    """A limit, how far a reading must come back from it, and the delays.

    Attributes:
        over_si: the limit, in the SI unit of its kind (deg for an angle).
        dead_band_si: how far below the limit a reading must come to end the alarm, likewise.
        on_delay_s: how long it must stay beyond to be confirmed, s.
        off_delay_s: how long it must stay back to be cleared, s.
    """

    over_si: float
    dead_band_si: float
    on_delay_s: float
    off_delay_s: float

    def __post_init__(self) -> None:
        if not self.over_si > 0:
            raise ValueError("a limit is above zero")
        if not 0 <= self.dead_band_si < self.over_si:
            raise ValueError("a dead band is not negative and smaller than its limit")
        for delay_s in (self.on_delay_s, self.off_delay_s):
            if not 0 <= delay_s <= LONGEST_DELAY_S:
                raise ValueError(f"a delay is between 0 s and {LONGEST_DELAY_S:g} s")


def _reader(
    kind: Kind, *, dead_band: Callable[[float], float], on_delay_s: float, off_delay_s: float
) -> BeforeValidator:
    """Reads a limit from a quantity or a table of quantities."""

    def read(value: object) -> WatchedLimit:
        given = value if isinstance(value, Mapping) else {"over": value}
        for key in given:
            if key not in _KEYS:
                raise ValueError(f"unknown key {key!r}; known here: {', '.join(_KEYS)}")
        if "over" not in given:
            raise ValueError("'over', the limit itself, is missing")

        def si(key: str, what: Kind, usual: float) -> float:
            return _quantity(given[key], what, key) if key in given else usual

        over_si = si("over", kind, 0.0)
        return WatchedLimit(
            over_si=over_si,
            dead_band_si=si("dead_band", kind, dead_band(over_si)),
            on_delay_s=si("on_delay", Kind.TIME, on_delay_s),
            off_delay_s=si("off_delay", Kind.TIME, off_delay_s),
        )

    return BeforeValidator(read)


def _quantity(value: object, kind: Kind, key: str) -> float:
    if not isinstance(value, str):
        raise ValueError(f"'{key}' is text with its unit, in quotes")  # noqa: TRY004 - pydantic shows ValueErrors
    try:
        return parse_quantity(value, kind)
    except ValueError as exc:
        raise ValueError(f"'{key}': {exc}") from exc


def _fifth(limit: float) -> float:
    return limit / 5


_LoadLimit = Annotated[
    WatchedLimit, _reader(Kind.MASS, dead_band=_fifth, on_delay_s=0.5, off_delay_s=1.0)
]
_RadiusLimit = Annotated[
    WatchedLimit,
    # Two centimetres are more than a swinging hook moves a good sensor; a choice.
    _reader(Kind.LENGTH, dead_band=lambda r: min(0.02, r / 5), on_delay_s=0.5, off_delay_s=1.0),
]
_LevelLimit = Annotated[
    WatchedLimit, _reader(Kind.ANGLE, dead_band=_fifth, on_delay_s=0.5, off_delay_s=1.0)
]
_WindLimit = Annotated[
    WatchedLimit, _reader(Kind.SPEED, dead_band=_fifth, on_delay_s=3.0, off_delay_s=10.0)
]


class Watch(Table):
    """The ``[watch]`` table."""

    load_over: _LoadLimit | None = None
    """Applied load beyond the test load."""
    radius: _RadiusLimit | None = None
    """Test radius, absolute."""
    level: _LevelLimit | None = None
    """Pitch or roll, either way."""
    wind: _WindLimit | None = None


CHANNELS_OF = {
    "load_over": ("load",),
    "radius": ("radius",),
    "level": ("pitch", "roll"),
    "wind": ("wind",),
}
"""By key, the channels that it watches, as far as they are wired."""


def check_watched_channels_are_wired(rig: RigFile, watch: Watch) -> None:
    """Refuses a limit for which the rig has no channel: it would never be alarmed.

    Raises:
        FileInvalid: naming the limit and the channel.
    """
    for key, channels in CHANNELS_OF.items():
        if getattr(watch, key) is None or any(rig.wired(c) is not None for c in channels):
            continue
        needed = " or ".join(repr(c) for c in channels)
        raise FileInvalid(
            where=f"[watch] {key}",
            what=f"the rig {rig.rig.id!r} has no channel {needed}",
            would_do=f"wire it, or leave '{key}' out",
        )
