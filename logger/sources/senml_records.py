"""The records of a SenML pack as they stand on the wire, checked, and the base fields in force."""

from __future__ import annotations

import re
from decimal import Decimal
from functools import lru_cache
from math import floor, isinf
from typing import TypeAlias

import msgspec
from msgspec import UNSET, UnsetType

from logger.errors import FrameInvalid

DEFAULT_VERSION = 10
SECONDARY_UNITS_VERSION = 26
_TIME_LIMIT_S = 4.6e9  # the sum of two such times still fits 64 bits of nanoseconds
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")
_MUST_KNOW = re.compile(rb'_"\s*:')


class Record(msgspec.Struct, gc=False):
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
    reply: msgspec.Raw | UnsetType = UNSET


Value: TypeAlias = float | str | bool | None
_REGULAR_LABELS = ("n", "u", "v", "vs", "vb", "vd", "s", "t", "ut")
_pack_decoder = msgspec.json.Decoder(list[Record])
_number_decoder = msgspec.json.Decoder(float)


class Bases:
    """The base fields in force while a pack's records are gone through (RFC 8428 4.1)."""

    __slots__ = ("name", "sum_value", "time_ns", "unit", "value")

    def __init__(self) -> None:
        self.name = ""
        self.time_ns = 0
        self.unit: str | None = None
        self.value: float | None = None
        self.sum_value: float | None = None

    def take(self, r: Record) -> None:
        """Puts a record's base fields in force, from this record on."""
        if r.bn is not UNSET:
            self.name = r.bn
        if r.bt is not UNSET:
            self.time_ns = seconds_to_ns(r.bt, "bt")
        if r.bu is not UNSET:
            self.unit = r.bu
        if r.bv is not UNSET:
            self.value = r.bv
        if r.bs is not UNSET:
            self.sum_value = r.bs

    def value_of(self, r: Record) -> Value:
        """The value of a record, base value added; None where it has only a sum.

        Raises:
            FrameInvalid: where a record has no value or more than one (RFC 8428 4.2).
        """
        if r.v is not UNSET and r.vs is UNSET and r.vb is UNSET and r.vd is UNSET:
            return r.v if self.value is None else checked_sum(self.value, r.v)
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


def read_records(frame: bytes) -> list[Record]:
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
    if all(_says_nothing(r) for r in records):
        raise FrameInvalid("no SenML pack: no label in it is known")
    _check_version(records)
    return records


def _says_nothing(r: Record) -> bool:
    """Whether a record has no label that SenML or we know: noise that happens to be JSON."""
    return all(getattr(r, label) is UNSET for label in r.__struct_fields__)


def _refuse_labels_we_must_know(frame: bytes) -> None:
    """RFC 8428 4.4: an unknown label that ends in ``_`` changes what the others mean."""
    if _MUST_KNOW.search(frame) is None and b"\\" not in frame:
        return
    for labels in msgspec.json.decode(frame, type=list[dict[str, msgspec.Raw]]):
        for label in labels:
            if label.endswith("_"):
                raise FrameInvalid(f"the label {label!r} must be understood, and is not known")


def _check_version(records: list[Record]) -> None:
    """RFC 8428 4.4: one version in all records, and none that we don't understand."""
    version = DEFAULT_VERSION if records[0].bver is UNSET else records[0].bver
    if version < 1:
        raise FrameInvalid(f"version {version} is no positive integer")
    if version > DEFAULT_VERSION and version != SECONDARY_UNITS_VERSION:
        raise FrameInvalid(f"version {version} may mean what we don't know; 10, lower and 26 go")
    for r in records:
        if r.bver is not UNSET and r.bver != version:
            raise FrameInvalid(f"versions {version} and {r.bver} in one pack")


def has_base_fields_only(r: Record) -> bool:
    """Whether a record gives no reading, as the first of the example in RFC 8428 5.1.7."""
    return all(getattr(r, label) is UNSET for label in _REGULAR_LABELS)


@lru_cache(maxsize=4096)
def full_name(base_name: str, name: str) -> str:
    """Base name and name together (RFC 8428 4.5.1)."""
    full = base_name + name
    if _NAME.fullmatch(full) is None:
        raise FrameInvalid(f"{full[:80]!r} is no name of letters, digits and - : . / _")
    return full


def _is_base64url(text: str) -> bool:
    return _BASE64URL.fullmatch(text) is not None and len(text) % 4 != 1


def checked_sum(*parts: float) -> float:
    """A base value and a value, or sums, added.

    Raises:
        FrameInvalid: where the sum leaves the range of a double.
    """
    total = sum(parts)
    if isinf(total):
        raise FrameInvalid("a value and its base value together leave the range of a double")
    return total


def float_to_ns(t_s: float) -> int:
    """Seconds to ns; large times whole seconds first, so that no digit of the double is lost."""
    if -1e6 < t_s < 1e6:
        return round(t_s * 1e9)
    if not abs(t_s) < _TIME_LIMIT_S:
        raise FrameInvalid("a time is beyond the year 2112")
    whole_s = floor(t_s)
    return whole_s * 10**9 + round((t_s - whole_s) * 1e9)


def seconds_to_ns(raw: msgspec.Raw, label: str) -> int:
    """Seconds as they stand on the wire to ns, by their decimal digits."""
    try:
        if abs(_number_decoder.decode(raw)) < _TIME_LIMIT_S:
            return round(Decimal(bytes(raw).decode()) * 10**9)
    except msgspec.DecodeError as exc:
        raise FrameInvalid(f"{label} is no number: {exc}") from exc
    raise FrameInvalid(f"{label} is beyond the year 2112")
