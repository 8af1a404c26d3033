"""What a run says about itself, kept as JSON beside its samples.

The header is all that ties bare numbers to a truck, a crane and a moment in UTC, so it is
read with suspicion: a size limit first, then every field by type. Both TOML files are kept
verbatim, and calibrations are repeated in a plain form for readers without this program.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

import msgspec

from logger.errors import FileInvalid
from logger.readings.chart_table import LARGEST_CHART_BYTES
from logger.readings.clock_alignment import ClockFit
from logger.readings.rig_file import RigFile, read_rig
from logger.readings.test_file import TestFile, read_test

FORMAT_NAME = "slewtrace.run"
FORMAT_VERSION = 1
LARGEST_HEADER_BYTES = 64 * 1024 * 1024
"""A header of a long run with many notes is under a megabyte; more is no header of ours."""

_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?Z", re.ASCII)
_KNOWN_RIGS, _KNOWN_TESTS = 64, 2048
"""Files that are kept as read: runs of one rig share its file, each run may have its own test."""
_read_rig = lru_cache(maxsize=_KNOWN_RIGS)(read_rig)
_read_test = lru_cache(maxsize=_KNOWN_TESTS)(read_test)


NoteKind = Literal["text", "radius", "mark", "acknowledge"]
GapKind = Literal[
    "missing_packs",
    "late_packs",
    "lost",
    "overflow",
    "bad_frames",
    "stale",
    "suspended",
    "clock_step",
    "storage",
    "restarted",
    "missed_polls",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something a person added while the run went on.

    Attributes:
        t_ns: when, ns on the run's clock.
        kind: ``text``, a tape reading of the ``radius``, a ``mark`` in time, or that someone did
            ``acknowledge`` the alarms that stood.
        text: the words.
        value_m: the radius read from the tape, m; None for other kinds.
    """

    t_ns: int
    kind: NoteKind
    text: str = ""
    value_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch in which readings are known to be missing.

    Attributes:
        t_ns: when it was noticed, ns on the run's clock.
        source: id of the source, or of the channel for ``stale``.
        missing: how many packs or frames, where that is known.
        kind: why. ``late_packs`` were counted among the ``missing_packs`` before and came after
            all. ``restarted``: the device has started again. ``missed_polls``: registers were
            asked for less often than the rig file says; nothing that came is missing.
        duration_ns: how long, where that is known, ns.
        text: details for a person.
    """

    t_ns: int
    source: str
    missing: int | None = None
    kind: GapKind
    duration_ns: int | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """The header of a run.

    Attributes:
        run_id: the run's name.
        started_utc: the run's start in UTC, ISO 8601 ending in Z; None where nobody knows.
        software: name and version of what recorded it.
        rig_toml: the rig file, verbatim.
        test_toml: the test file, verbatim.
        clock_rate: run seconds in a second of wall time; other than 1 only in a simulation.
        notes: by time.
        gaps: by time.
        alarms: as they were given, JSON objects.
        wall_pairs: (ns on the run's clock, ns of UTC since 1970) now and then.
        clock_fits: how each device clock was mapped to the run's clock, by clock id.
        dated_by: by source, how the times of its readings were made, see
            :mod:`logger.recording.dating`; empty where the run was not recorded by us.
        samples: how many samples each channel has, by channel id; only channels with any.
        monotonic_start_ns: the recording computer's monotonic clock at the run's start, by which
            another process there dates a note; None where nobody knows.
        check: the report of the check that went before, a JSON object, or None.
        load_chart_csv: the crane's load chart, verbatim; empty where the test named none.
        sha256: over header and samples, see :mod:`logger.recording.content_hash`; empty
            before sealing.

    Raises:
        ValueError: for a start that is no UTC time, a clock rate that is not positive, or a load
            chart that is far too large.
    """

    run_id: str
    started_utc: str | None
    software: str
    rig_toml: str
    test_toml: str
    clock_rate: float = 1.0
    notes: tuple[Note, ...] = ()
    gaps: tuple[Gap, ...] = ()
    alarms: tuple[dict[str, Any], ...] = ()
    wall_pairs: tuple[tuple[int, int], ...] = ()
    clock_fits: Mapping[str, ClockFit] = field(default_factory=dict)
    dated_by: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    samples: Mapping[str, int] = field(default_factory=dict)
    monotonic_start_ns: int | None = None
    check: dict[str, Any] | None = None
    load_chart_csv: str = ""
    sha256: str = ""

    def __post_init__(self) -> None:
        if self.started_utc is not None and not _UTC.fullmatch(self.started_utc):
            raise ValueError(f"start {self.started_utc!r} is not like 2026-05-04T09:30:00Z")
        if not (math.isfinite(self.clock_rate) and self.clock_rate > 0):
            raise ValueError(f"clock rate {self.clock_rate} is not positive")
        if len(self.load_chart_csv) > LARGEST_CHART_BYTES:
            raise ValueError(f"a load chart of {len(self.load_chart_csv)} characters")

    @property
    def rig(self) -> RigFile:
        """The rig file, parsed.

        Raises:
            FileInvalid: where it is none.
        """
        try:
            return _read_rig(self.rig_toml)
        except FileInvalid:
            return read_rig(self.rig_toml, name=f"rig file in run {self.run_id}")

    @property
    def test(self) -> TestFile:
        """The test file, parsed.

        Raises:
            FileInvalid: where it is none.
        """
        try:
            return _read_test(self.test_toml)
        except FileInvalid:
            return read_test(self.test_toml, name=f"test file in run {self.run_id}")

    def to_json(self) -> dict[str, Any]:
        """The header as a JSON object."""
        plain = {
            name: msgspec.to_builtins(getattr(self, name))
            for name in ("notes", "gaps", "wall_pairs", "clock_rate", "software", "run_id")
        }
        # What is not there is left out, as in runs that were sealed before there was any of it.
        chart = {"load_chart_csv": self.load_chart_csv} if self.load_chart_csv else {}
        dated = {s: list(ways) for s, ways in self.dated_by.items()}
        return plain | {
            "format": f"{FORMAT_NAME}/{FORMAT_VERSION}",
            "started_utc": self.started_utc,
            "rig_toml": self.rig_toml,
            "test_toml": self.test_toml,
            "calibrations": _plain_calibrations(self.rig),
            "alarms": [dict(alarm) for alarm in self.alarms],
            "clock_fits": {clock: fit.to_json() for clock, fit in self.clock_fits.items()},
            "samples": dict(self.samples),
            "monotonic_start_ns": self.monotonic_start_ns,
            "check": self.check,
            "sha256": self.sha256,
            **({"dated_by": dated} if dated else {}),
            **chart,
        }


def canonical_json(document: Any) -> str:
    """One spelling for one JSON value: keys sorted, no spaces, no escapes that aren't needed.

    Raises:
        ValueError: for a number that JSON has no word for (NaN, infinity).
    """
    return json.dumps(
        document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def parse_header(text: str | bytes) -> tuple[RunHeader, dict[str, Any]]:
    """Reads a header and checks every field.

    Args:
        text: the JSON, UTF-8.

    Returns:
        The header, and the JSON object it came from, which the content hash is over.

    Raises:
        ValueError: in a few words: too long, no JSON, a newer format, a field that won't do.
    """
    if len(text) > LARGEST_HEADER_BYTES:
        raise ValueError(f"its header has {len(text)} bytes, more than any run's")
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as exc:
        raise ValueError("its header is no JSON") from exc
    if not isinstance(document, dict):
        raise ValueError("its header is no JSON object")  # noqa: TRY004 - one error for one reaction
    _check_format(document.get("format"))
    wanted = {f: v for f, v in document.items() if f in RunHeader.__dataclass_fields__}
    fits = wanted.pop("clock_fits", {})
    try:
        clock_fits = {str(clock): ClockFit.from_json(fit) for clock, fit in dict(fits).items()}
        wanted = msgspec.convert(wanted, _Stored, strict=True).as_fields()
        header = RunHeader(**wanted, clock_fits=clock_fits)
        _ = (header.rig, header.test)
    except FileInvalid as exc:
        raise ValueError(f"its header won't do ({exc})") from exc
    except (msgspec.ValidationError, KeyError, TypeError, ValueError, OverflowError) as exc:
        raise ValueError(f"its header won't do ({exc or type(exc).__name__})") from exc
    return header, document


class _Stored(msgspec.Struct, kw_only=True):
    """The stored fields and their types, as msgspec checks them."""

    run_id: str
    started_utc: str | None
    software: str
    rig_toml: str
    test_toml: str
    clock_rate: float = 1.0
    notes: tuple[Note, ...] = ()
    gaps: tuple[Gap, ...] = ()
    alarms: tuple[dict[str, Any], ...] = ()
    wall_pairs: tuple[tuple[int, int], ...] = ()
    dated_by: dict[str, tuple[str, ...]] = {}
    samples: dict[str, int] = {}
    monotonic_start_ns: int | None = None
    check: dict[str, Any] | None = None
    load_chart_csv: str = ""
    sha256: str = ""

    def as_fields(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__struct_fields__}


def _check_format(stated: object) -> None:
    name, _, version = stated.partition("/") if isinstance(stated, str) else ("", "", "")
    if name != FORMAT_NAME or not (version.isascii() and version.isdigit()):
        raise ValueError(f"its header is not of format {FORMAT_NAME}")
    if int(version[:9]) != FORMAT_VERSION:
        raise ValueError(
            f"is of format {FORMAT_NAME}/{version[:9]} and this program "
            f"reads {FORMAT_NAME}/{FORMAT_VERSION}: use a newer Slewtrace"
        )


def _plain_calibrations(rig: RigFile) -> dict[str, Any]:
    """Calibrations for readers without this program: value = Σ coefficients[i] · raw^i."""
    return {
        channel.id: {"closed_when": channel.closed_when}
        if channel.is_wheel
        else {
            "unit": channel.unit,
            "coefficients": list(channel.calibration.coefficients),
            "to_si": channel.calibration.to_si,
            "si_unit": channel.kind.value,
            "wraps_at": channel.wraps_at,
        }
        for channel in rig.channel
    }
