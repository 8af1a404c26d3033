"""Packs of the usual shape, read several times faster than by ``senml``, with the same outcome.

A flood of readings comes in packs that use little of SenML: base name and the device's own
labels in the first record, then name, number or truth value, and relative time. Such a pack is
read here. Whatever else stands in it, a mistake too, makes ``decode_plain`` give it back, and
``senml.decode_senml``, which knows all of RFC 8428, takes it. A property test holds the one to
the other.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import msgspec
import numpy as np
from msgspec import UNSET, UnsetType

from logger.errors import FrameInvalid
from logger.readings.block import Nanoseconds
from logger.readings.pack import Pack
from logger.sources.senml_records import full_name, seconds_to_ns

_RELATIVE_WITHIN_S = 1e6
_COUNTER_LIMIT = 2**63
_BOOT_LENGTH = 64
_NANO_DIGITS = 9
LONG_BYTES = 512
"""From here on a pack is first tried as one of many alike readings."""

_NOW: Final[Nanoseconds] = np.zeros(1, dtype=np.int64)
_NOW.setflags(write=False)


class PlainRecord(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    """One record of a pack of the usual shape, as it stands on the wire."""

    bn: str | UnsetType = UNSET
    bu: str | UnsetType = UNSET
    n: str | UnsetType = UNSET
    u: str | UnsetType = UNSET
    v: float | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    t: float | UnsetType = UNSET
    seq: int | UnsetType = UNSET
    boot: str | UnsetType = UNSET
    up: msgspec.Raw | UnsetType = UNSET


class Reading(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    """A record of a long pack after its first: name, number and time, and nothing else."""

    n: str
    v: float
    t: float


_decode = msgspec.json.Decoder(list[PlainRecord]).decode
_decode_first = msgspec.json.Decoder(PlainRecord).decode
_decode_readings = msgspec.json.Decoder(list[Reading]).decode


def decode_plain(frame: bytes) -> Pack | None:
    """Decodes a pack of the usual shape.

    Args:
        frame: the pack's bytes, without a checksum.

    Returns:
        Its readings, just as ``decode_senml`` gives them, or None where it is of another shape
        or no pack at all.
    """
    if len(frame) > LONG_BYTES and (pack := _long_pack(frame)) is not None:
        return pack
    records = read_plain(frame)
    return None if records is None else plain_pack(records)


def _long_pack(frame: bytes) -> Pack | None:
    """A pack whose records but the first are all name, number and time; None for any other."""
    end = frame.find(b"}") + 1
    if not frame.startswith(b"[{") or frame[end : end + 1] != b"," or b"\\" in frame:
        return None
    try:
        first = _decode_first(frame[1:end])
        readings = _decode_readings(b"[" + frame[end + 1 :])
        if not frame.isascii() or not readings:
            return None
        names = [r.n for r in readings]
        values = [r.v for r in readings]
        times_s = [r.t for r in readings]
        if not _says_nothing(first):
            if first.v is UNSET or first.vb is not UNSET or first.t is UNSET:
                return None
            names.insert(0, "" if first.n is UNSET else first.n)
            values.insert(0, first.v)
            times_s.insert(0, first.t)
        return _pack_of(first, names, values, times_s)
    except (msgspec.DecodeError, RecursionError, FrameInvalid):
        return None


def read_plain(frame: bytes) -> list[PlainRecord] | None:
    """The records of a pack of the usual shape, at least one; None where it is another."""
    if b"\\" in frame or not frame.isascii():
        return None
    try:
        return _decode(frame) or None
    except (msgspec.DecodeError, RecursionError):
        return None


def bare_reading(records: list[PlainRecord]) -> tuple[str, float] | None:
    """Name and value of a pack that is one reading taken now and has no label of the device's."""
    if len(records) != 1:
        return None
    r = records[0]
    if r.seq is not UNSET or r.up is not UNSET or r.boot is not UNSET or (r.t is not UNSET and r.t):
        return None
    value = r.v if r.vb is UNSET else r.vb
    if value is UNSET or (r.vb is not UNSET and r.v is not UNSET):
        return None
    try:
        name = full_name("" if r.bn is UNSET else r.bn, "" if r.n is UNSET else r.n)
    except FrameInvalid:
        return None
    return name, value


def pack_of_bare(names: list[str], values: list[float]) -> Pack:
    """A pack of bare readings that came together."""
    t_ns = _NOW if len(names) == 1 else np.zeros(len(names), dtype=np.int64)
    value = np.array(values, dtype=np.float64)
    return Pack(names=tuple(names), t_ns=t_ns, absolute=False, value=value, texts={})


def plain_pack(records: list[PlainRecord]) -> Pack | None:
    """The pack of records that ``read_plain`` gave; None where they need a closer look."""
    first = records[0]
    if len(records) > 1 and _says_nothing(first):
        records = records[1:]
    try:
        return _pack(first, records)
    except FrameInvalid:
        return None


def _says_nothing(r: PlainRecord) -> bool:
    return r.v is UNSET and r.vb is UNSET and r.n is UNSET and r.u is UNSET and r.t is UNSET


def _pack(first: PlainRecord, records: list[PlainRecord]) -> Pack | None:
    names: list[str] = []
    values: list[float] = []
    times_s: list[float] = []
    for r in records:
        if (r.v is UNSET) is (r.vb is UNSET) or (r.bn is not UNSET and r is not first):
            return None
        names.append("" if r.n is UNSET else r.n)
        values.append(r.v if r.vb is UNSET else r.vb)  # type: ignore[arg-type]  # one is set
        times_s.append(0.0 if r.t is UNSET else r.t)
    return _pack_of(first, names, values, times_s)


def _pack_of(
    first: PlainRecord, names: list[str], values: list[float], times_s: list[float]
) -> Pack | None:
    """The pack of its readings and the first record's labels; None where it needs care."""
    t_ns = _relative_ns(times_s)
    seq = None if first.seq is UNSET else first.seq
    boot = None if first.boot is UNSET else first.boot
    if t_ns is None or (seq is not None and not 0 <= seq < _COUNTER_LIMIT):
        return None
    if boot is not None and not (boot.isprintable() and 0 < len(boot) <= _BOOT_LENGTH):
        return None
    up_ns = None if first.up is UNSET else _exact_ns(bytes(first.up), first.up)
    if up_ns is not None and up_ns < 0:
        return None
    return Pack(
        names=_full_names("" if first.bn is UNSET else first.bn, tuple(names)),
        t_ns=t_ns,
        absolute=False,
        value=np.array(values, dtype=np.float64),
        texts={},
        seq=seq,
        boot=boot,
        up_ns=up_ns,
    )


@lru_cache(maxsize=1024)
def _full_names(base_name: str, names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(full_name(base_name, name) for name in names)


def _relative_ns(times_s: list[float]) -> Nanoseconds | None:
    """Relative times in ns; None where one is so far from now that it needs care."""
    if len(times_s) == 1:
        if not times_s[0]:
            return _NOW
        if not abs(times_s[0]) < _RELATIVE_WITHIN_S:
            return None
        return np.array([round(times_s[0] * 1e9)], dtype=np.int64)
    t_s = np.array(times_s)
    if not np.abs(t_s).max() < _RELATIVE_WITHIN_S:
        return None
    return np.rint(t_s * 1e9).astype(np.int64)


def _exact_ns(digits: bytes, raw: msgspec.Raw) -> int:
    """Seconds as they stand on the wire to ns, by their decimal digits."""
    whole, _, part = digits.partition(b".")
    if whole.isdigit() and len(whole) <= _NANO_DIGITS and len(part) <= _NANO_DIGITS:
        if not part:
            return int(whole) * 10**9
        if part.isdigit():
            return int(whole) * 10**9 + int(part.ljust(_NANO_DIGITS, b"0"))
    return seconds_to_ns(raw, "up")
