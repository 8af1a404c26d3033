"""SenML JSON (RFC 8428) in; readings out. Pure: nothing here knows what time it is.

A pack is an array of records. Base fields count for their record and all after it; each record
that is not base fields only gives one reading. Two ways out: ``decode_senml`` for the recorder,
made for speed, and ``resolve_senml`` for the resolved form of the RFC, made for reading.

What the RFC leaves open, and what we do:

- **Units** on the wire tell nothing here: the rig file says what a raw value means.
- **Versions** (``bver``): 10 and lower, and 26. RFC 9100 makes the version a sum of bits, 26
  being 10 plus "secondary units"; as units are not read, that feature is safe to take. Any
  other number above 10 announces a feature that we don't know, and the pack is refused (4.4).
- **Own labels** ``seq``, ``boot``, ``up`` count in a pack's first record only.
- **Sum without a value** (4.2) is no reading for the recorder; the resolved form keeps it.
- **Absolute and relative times in one pack** (4.5.3): a pack has one "now", and the only clue
  to it inside the pack is its newest absolute time, so relative times are counted from there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from math import floor, isinf, nan
from typing import TypeAlias

import msgspec
import numpy as np
from msgspec import UNSET, UnsetType

from logger.errors import FrameInvalid
from logger.readings.pack import Pack

DEFAULT_VERSION = 10
SECONDARY_UNITS_VERSION = 26
ABSOLUTE_FROM_NS = 2**28 * 10**9
"""From here on a time is UTC (RFC 8428 4.5.3)."""

_TIME_LIMIT_S = 4.6e9  # the sum of two such times still fits 64 bits of nanoseconds
_COUNTER_LIMIT = 2**63
_BOOT_LENGTH = 64
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")
_MUST_KNOW = re.compile(rb'_"\s*:')


class _Record(msgspec.Struct, gc=False):
    """One record as it stands on the wire; Raw where only some records' value counts."""

    bn: str | UnsetType = UNSET
    bt: msgspec.Raw | UnsetType = UNSET
    bu: str | UnsetType = UNSET
    bv: float | UnsetType = UNSET
    bs: float | UnsetType = UNSET
    bver: int | UnsetType = UNSET
    n: str | UnsetType = UNSET
    u: str | UnsetType = UNSET
    v: float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    vd: str | UnsetType = UNSET
    s: float | UnsetType = UNSET
    t: float | UnsetType = UNSET
    ut: float | UnsetType = UNSET
    seq: msgspec.Raw | UnsetType = UNSET
    boot: msgspec.Raw | UnsetType = UNSET
    up: msgspec.Raw | UnsetType = UNSET


_Value: TypeAlias = float | str | bool | None
_KNOWN_LABELS = frozenset(_Record.__struct_fields__)
_REGULAR_LABELS = ("n", "u", "v", "vs", "vb", "vd", "s", "t", "ut")
_pack_decoder = msgspec.json.Decoder(list[_Record])
_whole_number_decoder = msgspec.json.Decoder(int)
_number_decoder = msgspec.json.Decoder(float)
_text_decoder = msgspec.json.Decoder(str)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResolvedRecord:
    """A record that stands alone (RFC 8428 4.6).

    Attributes:
        name: base name and name together.
        unit: unit as sent, or None.
        t_ns: UTC since 1970 where ``absolute``, else relative to now, ns.
        absolute: whether ``t_ns`` is UTC.
        value: a number, a text, a truth value, or None where only a sum was sent.
        data: binary value, base64url as sent, or None.
        sum_value: integral over time in unit · s, or None.
        update_time_s: longest time until the next reading, or None.
        version: version of the pack where it is not 10, else None.
    """

    name: str
    unit: str | None
    t_ns: int
    absolute: bool
    value: float | str | bool | None
    data: str | None = None
    sum_value: float | None = None
    update_time_s: float | None = None
    version: int | None = None


class _Bases:
    """The base fields in force while a pack's records are gone through (RFC 8428 4.1)."""

    __slots__ = ("name", "sum_value", "time_ns", "unit", "value")

    def __init__(self) -> None:
        self.name = ""
        self.time_ns = 0
        self.unit: str | None = None
        self.value: float | None = None
        self.sum_value: float | None = None

    def take(self, r: _Record) -> None:
        """Puts a record's base fields in force, from this record on."""
        if r.bn is not UNSET:
            self.name = r.bn
        if r.bt is not UNSET:
            self.time_ns = _seconds_to_ns(r.bt, "bt")
        if r.bu is not UNSET:
            self.unit = r.bu
        if r.bv is not UNSET:
            self.value = r.bv
        if r.bs is not UNSET:
            self.sum_value = r.bs

    def value_of(self, r: _Record) -> _Value:
        """The value of a record, base value added; None where it has only a sum.

        Raises:
            FrameInvalid: where a record has no value or more than one (RFC 8428 4.2).
        """
        if r.v is not UNSET and r.vs is UNSET and r.vb is UNSET and r.vd is UNSET:
            return r.v if self.value is None else _sum(self.value, r.v)
        given = [x for x in (r.v, r.vs, r.vb, r.vd) if x is not UNSET]
        if len(given) > 1:
            raise FrameInvalid("a record has more than one of v, vs, vb, vd")
        if given:
            if r.vd is not UNSET and not _is_base64url(r.vd):
                raise FrameInvalid("vd is no base64url text without padding")
            return given[0]
        if r.s is not UNSET or self.sum_value is not None:
            return None
        if self.value is not None:
            return self.value  # 4.5.4: a missing value counts as zero
        raise FrameInvalid("a record has no value and no sum")


def decode_senml(frame: bytes) -> Pack:
    """Decodes a pack.

    Args:
        frame: the pack's bytes, without a checksum.

    Returns:
        Its readings in the order they were sent. Times are exact to the nanosecond where they
        are relative, and to 0.12 µs where a record's own ``t`` is absolute (a double).

    Raises:
        FrameInvalid: where it is no valid SenML or a pack that must not be used.
    """
    records = _records(frame)
    base = _Bases()
    names: list[str] = []
    times_ns: list[int] = []
    values: list[_Value] = []
    for r in records:
        if r.bn is not UNSET or r.bt is not UNSET or r.bv is not UNSET or r.bs is not UNSET:
            base.take(r)
            if r.v is UNSET and _has_base_fields_only(r):
                continue
        value = base.value_of(r)
        name = _full_name(base.name, "" if r.n is UNSET else r.n)
        if value is not None:
            names.append(name)
            times_ns.append(base.time_ns if r.t is UNSET else base.time_ns + _float_to_ns(r.t))
            values.append(value)
    absolute = bool(times_ns) and max(times_ns) >= ABSOLUTE_FROM_NS
    if absolute and min(times_ns) < ABSOLUTE_FROM_NS:
        times_ns = _made_absolute(times_ns)
    texts = {i: v for i, v in enumerate(values) if isinstance(v, str)}
    numbers = [nan if i in texts else v for i, v in enumerate(values)] if texts else values
    seq, boot, up_ns = _own_labels(records[0])
    return Pack(
        names=tuple(names),
        t_ns=np.array(times_ns, dtype=np.int64),
        absolute=absolute,
        value=np.array(numbers, dtype=np.float64),
        texts=texts,
        seq=seq,
        boot=boot,
        up_ns=up_ns,
    )


def resolve_senml(frame: bytes, *, now_ns: int | None = None) -> list[ResolvedRecord]:
    """Resolves a pack to records that stand alone, in order of time (RFC 8428 4.6).

    Args:
        frame: the pack's bytes, without a checksum.
        now_ns: the current time, UTC ns since 1970, to which relative times are added. Without
            it they stay relative, and come after the absolute ones.

    Raises:
        FrameInvalid: where it is no valid SenML or a pack that must not be used.
    """
    records = _records(frame)
    version = DEFAULT_VERSION if records[0].bver is UNSET else records[0].bver
    base = _Bases()
    resolved = []
    for r in records:
        base.take(r)
        if not _has_base_fields_only(r):
            resolved.append(_resolved(r, base, version=version, now_ns=now_ns))
    return sorted(resolved, key=lambda r: (not r.absolute, r.t_ns))


def _resolved(r: _Record, base: _Bases, *, version: int, now_ns: int | None) -> ResolvedRecord:
    value = base.value_of(r)
    sums = [x for x in (base.sum_value, r.s) if x is not None and x is not UNSET]
    t_ns = base.time_ns + (0 if r.t is UNSET else _float_to_ns(r.t))
    if t_ns < ABSOLUTE_FROM_NS and now_ns is not None:
        t_ns += now_ns
    return ResolvedRecord(
        name=_full_name(base.name, "" if r.n is UNSET else r.n),
        unit=base.unit if r.u is UNSET else r.u,
        t_ns=t_ns,
        absolute=t_ns >= ABSOLUTE_FROM_NS,
        value=None if r.vd is not UNSET else value,
        data=None if r.vd is UNSET else r.vd,
        sum_value=_sum(*sums) if sums else None,
        update_time_s=None if r.ut is UNSET else r.ut,
        version=None if version == DEFAULT_VERSION else version,
    )


def _records(frame: bytes) -> list[_Record]:
    """The pack's records, its labels and versions checked."""
    try:
        if not frame.isascii():
            frame.decode("utf-8")  # unknown fields are skipped unread, so their text is not checked
        records = _pack_decoder.decode(frame)
        if b'_"' in frame or b"\\" in frame:
            _refuse_labels_we_must_know(frame)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
        raise FrameInvalid(f"no SenML pack: {exc}") from exc
    if not records:
        raise FrameInvalid("no SenML pack: no record in it")
    _check_version(records)
    return records


def _refuse_labels_we_must_know(frame: bytes) -> None:
    """RFC 8428 4.4: an unknown label that ends in ``_`` changes what the others mean."""
    if _MUST_KNOW.search(frame) is None and b"\\" not in frame:
        return
    for labels in msgspec.json.decode(frame, type=list[dict[str, msgspec.Raw]]):
        for label in labels:
            if label.endswith("_"):
                raise FrameInvalid(f"the label {label!r} must be understood, and is not known")


def _check_version(records: list[_Record]) -> None:
    """RFC 8428 4.4: one version in all records, and none that we don't understand."""
    version = DEFAULT_VERSION if records[0].bver is UNSET else records[0].bver
    if version < 1:
        raise FrameInvalid(f"version {version} is no positive integer")
    if version > DEFAULT_VERSION and version != SECONDARY_UNITS_VERSION:
        raise FrameInvalid(f"version {version} may mean what we don't know; 10, lower and 26 go")
    for r in records:
        if r.bver is not UNSET and r.bver != version:
            raise FrameInvalid(f"versions {version} and {r.bver} in one pack")


def _has_base_fields_only(r: _Record) -> bool:
    return all(getattr(r, label) is UNSET for label in _REGULAR_LABELS)


@lru_cache(maxsize=4096)
def _full_name(base_name: str, name: str) -> str:
    """Base name and name together (RFC 8428 4.5.1)."""
    full = base_name + name
    if _NAME.fullmatch(full) is None:
        raise FrameInvalid(f"{full[:80]!r} is no name of letters, digits and - : . / _")
    return full


def _is_base64url(text: str) -> bool:
    return _BASE64URL.fullmatch(text) is not None and len(text) % 4 != 1


def _sum(*parts: float) -> float:
    total = sum(parts)
    if isinf(total):
        raise FrameInvalid("a value and its base value together leave the range of a double")
    return total


def _float_to_ns(t_s: float) -> int:
    """Seconds to ns; large times whole seconds first, so that no digit of the double is lost."""
    if -1e6 < t_s < 1e6:
        return round(t_s * 1e9)
    if not abs(t_s) < _TIME_LIMIT_S:
        raise FrameInvalid("a time is beyond the year 2112")
    whole_s = floor(t_s)
    return whole_s * 10**9 + round((t_s - whole_s) * 1e9)


def _made_absolute(times_ns: list[int]) -> list[int]:
    """A mix of absolute and relative times, all absolute (see the module)."""
    now_ns = max(times_ns)
    return [t if t >= ABSOLUTE_FROM_NS else now_ns + t for t in times_ns]


def _own_labels(r: _Record) -> tuple[int | None, str | None, int | None]:
    """``seq``, ``boot`` and ``up`` of a pack's first record, ``up`` in ns."""
    try:
        seq = None if r.seq is UNSET else _whole_number_decoder.decode(r.seq)
        boot = None if r.boot is UNSET else _text_decoder.decode(r.boot)
    except msgspec.DecodeError as exc:
        raise FrameInvalid(f"seq must be a whole number and boot a text: {exc}") from exc
    if seq is not None and not 0 <= seq < _COUNTER_LIMIT:
        raise FrameInvalid(f"seq {seq} is no count")
    if boot is not None and not (boot.isprintable() and 0 < len(boot) <= _BOOT_LENGTH):
        raise FrameInvalid(f"boot must be 1 to {_BOOT_LENGTH} printable characters")
    up_ns = None if r.up is UNSET else _seconds_to_ns(r.up, "up")
    if up_ns is not None and up_ns < 0:
        raise FrameInvalid("up is negative")
    return seq, boot, up_ns


def _seconds_to_ns(raw: msgspec.Raw, label: str) -> int:
    """Seconds as they stand on the wire to ns, by their decimal digits."""
    try:
        if abs(_number_decoder.decode(raw)) < _TIME_LIMIT_S:
            return round(Decimal(bytes(raw).decode()) * 10**9)
    except msgspec.DecodeError as exc:
        raise FrameInvalid(f"{label} is no number: {exc}") from exc
    raise FrameInvalid(f"{label} is beyond the year 2112")
