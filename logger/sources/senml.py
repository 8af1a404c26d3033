"""SenML JSON (RFC 8428) in; readings out. Pure: nothing here knows what time it is.

A pack is an array of records. Base fields count for their record and all after it; each record
that is not base fields only gives one reading. Two ways out: ``decode_senml`` for the recorder,
made for speed, and ``resolve_senml`` for the resolved form of the RFC, made for reading.

What the RFC leaves open, and what we do:

- **Units** on the wire tell nothing here: the rig file says what a raw value means.
- **Versions** (``bver``): 10 and lower, and 26. RFC 9100 makes the version a sum of bits, 26
  being 10 plus "secondary units"; as units are not read, that feature is safe to take. Any
  other number above 10 announces a feature that we don't know, and the pack is refused (4.4).
- **Own labels** ``seq``, ``boot``, ``up``, ``reply`` count in a pack's first record only. A pack
  with ``reply`` answers the recorder's question of that number, and its ``up`` was taken then.
- **Sum without a value** (4.2) is no reading for the recorder; the resolved form keeps it.
- **Absolute and relative times in one pack** (4.5.3): a pack has one "now", and the only clue
  to it inside the pack is its newest absolute time, so relative times are counted from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import msgspec
import numpy as np
from msgspec import UNSET, UnsetType

from logger.errors import FrameInvalid
from logger.readings.pack import Pack
from logger.sources.senml_records import (
    DEFAULT_VERSION,
    Bases,
    Record,
    Value,
    checked_sum,
    float_to_ns,
    full_name,
    has_base_fields_only,
    read_records,
    seconds_to_ns,
)

ABSOLUTE_FROM_NS = 2**28 * 10**9
"""From here on a time is UTC (RFC 8428 4.5.3)."""

_COUNTER_LIMIT = 2**63
_BOOT_LENGTH = 64
_whole_number_decoder = msgspec.json.Decoder(int)
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
    records = read_records(frame)
    base = Bases()
    names: list[str] = []
    times_ns: list[int] = []
    values: list[Value] = []
    for r in records:
        if r.bn is not UNSET or r.bt is not UNSET or r.bv is not UNSET or r.bs is not UNSET:
            base.take(r)
        if r.v is UNSET and has_base_fields_only(r):
            continue
        value = base.value_of(r)
        name = full_name(base.name, "" if r.n is UNSET else r.n)
        if value is not None:
            names.append(name)
            times_ns.append(base.time_ns if r.t is UNSET else base.time_ns + float_to_ns(r.t))
            values.append(value)
    absolute = bool(times_ns) and max(times_ns) >= ABSOLUTE_FROM_NS
    if absolute and min(times_ns) < ABSOLUTE_FROM_NS:
        times_ns = _made_absolute(times_ns)
    texts = {i: v for i, v in enumerate(values) if isinstance(v, str)}
    numbers = [nan if i in texts else v for i, v in enumerate(values)] if texts else values
    seq, boot, up_ns, reply = _own_labels(records[0])
    return Pack(
        names=tuple(names),
        t_ns=np.array(times_ns, dtype=np.int64),
        absolute=absolute,
        value=np.array(numbers, dtype=np.float64),
        texts=texts,
        seq=seq,
        boot=boot,
        up_ns=up_ns,
        reply=reply,
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
    records = read_records(frame)
    version = DEFAULT_VERSION if records[0].bver is UNSET else records[0].bver
    base = Bases()
    resolved = []
    for r in records:
        base.take(r)
        if not has_base_fields_only(r):
            resolved.append(_resolved(r, base, version=version, now_ns=now_ns))
    return sorted(resolved, key=lambda r: (not r.absolute, r.t_ns))


def _resolved(r: Record, base: Bases, *, version: int, now_ns: int | None) -> ResolvedRecord:
    value = base.value_of(r)
    sums = [x for x in (base.sum_value, r.s) if x is not None and x is not UNSET]
    t_ns = base.time_ns + (0 if r.t is UNSET else float_to_ns(r.t))
    if t_ns < ABSOLUTE_FROM_NS and now_ns is not None:
        t_ns += now_ns
    return ResolvedRecord(
        name=full_name(base.name, "" if r.n is UNSET else r.n),
        unit=base.unit if r.u is UNSET else r.u,
        t_ns=t_ns,
        absolute=t_ns >= ABSOLUTE_FROM_NS,
        value=None if r.vd is not UNSET else value,
        data=None if r.vd is UNSET else r.vd,
        sum_value=checked_sum(*sums) if sums else None,
        update_time_s=None if r.ut is UNSET else r.ut,
        version=None if version == DEFAULT_VERSION else version,
    )


def _made_absolute(times_ns: list[int]) -> list[int]:
    """A mix of absolute and relative times, all absolute (see the module)."""
    now_ns = max(times_ns)
    return [t if t >= ABSOLUTE_FROM_NS else now_ns + t for t in times_ns]


def _own_labels(r: Record) -> tuple[int | None, str | None, int | None, int | None]:
    """``seq``, ``boot``, ``up`` and ``reply`` of a pack's first record, ``up`` in ns."""
    seq, reply = _count_of(r.seq, "seq"), _count_of(r.reply, "reply")
    try:
        boot = None if r.boot is UNSET else _text_decoder.decode(r.boot)
    except msgspec.DecodeError as exc:
        raise FrameInvalid(f"boot must be a text: {exc}") from exc
    if boot is not None and not (boot.isprintable() and 0 < len(boot) <= _BOOT_LENGTH):
        raise FrameInvalid(f"boot must be 1 to {_BOOT_LENGTH} printable characters")
    up_ns = None if r.up is UNSET else seconds_to_ns(r.up, "up")
    if up_ns is not None and up_ns < 0:
        raise FrameInvalid("up is negative")
    return seq, boot, up_ns, reply


def _count_of(raw: msgspec.Raw | UnsetType, label: str) -> int | None:
    if raw is UNSET:
        return None
    try:
        count = _whole_number_decoder.decode(raw)
    except msgspec.DecodeError as exc:
        raise FrameInvalid(f"{label} must be a whole number: {exc}") from exc
    if not 0 <= count < _COUNTER_LIMIT:
        raise FrameInvalid(f"{label} {count} is no count")
    return count
