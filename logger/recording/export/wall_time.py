"""From the run's clock to the time of day, in UTC and in a zone, written as ISO 8601 asks.

A reading's UTC is the run's start and the time on the run's own clock since then, so that the
steps of a wall clock never tear readings apart. In a simulation, which runs faster than the
wall clock, the elapsed time is divided by its rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from logger.errors import BadInput
from logger.readings.block import Nanoseconds, Values

_SECOND_NS = 1_000_000_000
_SLOT_S = 900
"""Zones change their offset at full quarters of an hour (common practice of the tz database)."""
_MOST_NS = 9_200_000_000_000_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FRACTION_DIGITS = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class WallTime:
    """When the run's clock said what.

    Attributes:
        start_utc_ns: UTC at 0 on the run's clock, ns since 1970; None where nobody knows.
        clock_rate: run seconds in a second of wall time.
        zone: the zone of local times; None takes this machine's.
    """

    start_utc_ns: int | None
    clock_rate: float = 1.0
    zone: tzinfo | None = None

    @property
    def known(self) -> bool:
        """Whether the run's start is known."""
        return self.start_utc_ns is not None

    @property
    def zone_words(self) -> str:
        """What the zone is called."""
        return "this machine's zone" if self.zone is None else str(self.zone)

    def utc_ns(self, t_ns: Nanoseconds) -> Nanoseconds:
        """UTC of times, ns since 1970, shape (n,).

        Args:
            t_ns: times on the run's clock, shape (n,), ns.

        Raises:
            ValueError: where the run's start is not known.
        """
        if self.start_utc_ns is None:
            raise ValueError("nobody knows when this run started")
        since = t_ns if self.clock_rate == 1.0 else np.rint(t_ns / self.clock_rate)
        return np.asarray(since, dtype=np.int64) + self.start_utc_ns

    def offset_s(self, utc_ns: Nanoseconds) -> NDArray[np.int64]:
        """How far local time is ahead of UTC, s, shape (n,).

        Args:
            utc_ns: UTC, shape (n,), ns since 1970.
        """
        slots, which = np.unique(utc_ns // (_SLOT_S * _SECOND_NS), return_inverse=True)
        ahead = np.array([self._offset_s(int(slot) * _SLOT_S) for slot in slots], dtype=np.int64)
        return ahead[which] if slots.size else np.empty(0, dtype=np.int64)

    def utc_seconds(self, t_ns: Nanoseconds) -> Values:
        """UTC in seconds since 1970, shape (n,); NaN where the start is not known."""
        if not self.known:
            return np.full(t_ns.size, np.nan)
        return self.utc_ns(t_ns) / 1e9

    def local_seconds(self, t_ns: Nanoseconds) -> Values:
        """What local clocks showed, counted as if it were UTC; NaN where nobody knows."""
        if not self.known:
            return np.full(t_ns.size, np.nan)
        utc_ns = self.utc_ns(t_ns)
        return (utc_ns + self.offset_s(utc_ns) * _SECOND_NS) / 1e9

    def texts(self, t_ns: Nanoseconds) -> tuple[pa.StringArray, pa.StringArray]:
        """UTC and local time of each reading to the nanosecond; empty where nobody knows.

        Args:
            t_ns: times on the run's clock, shape (n,), ns.
        """
        if not self.known:
            empty = pa.array([""] * t_ns.size, pa.string())
            return empty, empty
        utc_ns = self.utc_ns(t_ns)
        # A second's date and time are written once, however many readings lie in it.
        seconds, which = np.unique(utc_ns // _SECOND_NS, return_inverse=True)
        ahead = self.offset_s(seconds * _SECOND_NS)
        part = _fraction(utc_ns % _SECOND_NS)
        index = pa.array(which)
        utc = pa.array(_date_times(seconds), pa.string()).take(index)
        local = pa.array(_date_times(seconds + ahead), pa.string()).take(index)
        offset = pa.array([offset_text(int(s)) for s in ahead], pa.string()).take(index)
        return _joined(utc, part, "Z"), _joined(local, part, offset)

    def _offset_s(self, utc_s: int) -> int:
        try:
            moment = (_EPOCH + timedelta(seconds=utc_s)).astimezone(self.zone)
        except (OverflowError, ValueError, OSError):
            return 0
        return round((moment.utcoffset() or timedelta()).total_seconds())


def read_start(started_utc: str | None) -> int | None:
    """A run's start, ns since 1970; None where it is not known or no date that counts.

    Args:
        started_utc: ISO 8601 ending in Z.
    """
    if started_utc is None:
        return None
    whole, _, part = started_utc.removesuffix("Z").partition(".")
    try:
        since = datetime.fromisoformat(whole).replace(tzinfo=UTC) - _EPOCH
    except ValueError:
        return None
    start_ns = (since.days * 86_400 + since.seconds) * _SECOND_NS + int(
        part.ljust(_FRACTION_DIGITS, "0") or "0"
    )
    return start_ns if abs(start_ns) < _MOST_NS else None


def read_zone(name: str) -> ZoneInfo:
    """A zone by its name in the tz database.

    Raises:
        BadInput: where there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        raise BadInput(
            where="zone",
            what=f"there is no time zone {name[:60]!r}",
            would_do="name one like Europe/Oslo or America/Chicago, or UTC",
        ) from exc


def offset_text(ahead_s: int) -> str:
    """``+02:00``; seconds only where a zone of old has them."""
    sign, size = ("-", -ahead_s) if ahead_s < 0 else ("+", ahead_s)
    minutes, seconds = divmod(size, 60)
    text = f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"
    return f"{text}:{seconds:02d}" if seconds else text


def elapsed_text(t_ns: Nanoseconds) -> pa.StringArray:
    """Seconds on the run's clock with nine decimals, exactly the nanoseconds."""
    size = np.abs(t_ns)
    whole = pa.array(size // _SECOND_NS).cast(pa.string())
    text = pc.binary_join_element_wise(whole, _fraction(size % _SECOND_NS), ".")
    if t_ns.size and t_ns.min() < 0:
        sign = pa.array(np.where(t_ns < 0, "-", ""), pa.string())
        text = pc.binary_join_element_wise(sign, text, "")
    return text


def _fraction(ns: Nanoseconds) -> pa.StringArray:
    return pc.utf8_lpad(pa.array(ns).cast(pa.string()), _FRACTION_DIGITS, "0")


def _date_times(seconds: Nanoseconds) -> list[str]:
    return [str(text) for text in np.datetime_as_string(seconds.astype("datetime64[s]"))]


def _joined(
    date_time: pa.StringArray, part: pa.StringArray, ending: pa.StringArray | str
) -> pa.StringArray:
    with_part = pc.binary_join_element_wise(date_time, part, ".")
    return pc.binary_join_element_wise(with_part, ending, "")
