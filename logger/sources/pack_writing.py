"""Readings in, a SenML pack out: the bytes that a device sends (RFC 8428, with our labels).

The reverse of :mod:`logger.sources.senml`, exact where that is: a value comes back bit for bit
from the shortest decimal that names it, and a time to the nanosecond. Each name is a base name,
given once with its first reading; times count back from the newest reading, to whose moment ``up``
belongs. Pure.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final, Literal, TypeAlias

from logger.readings.block import Nanoseconds, Values

Form: TypeAlias = Literal["number", "truth", "word"]
"""How a value stands on the wire: ``v``, ``vb`` or ``vs``."""

OTHER_WORD: Final = "-"
"""Stands for the word of an open contact, which no run keeps."""

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""What RFC 8428 (4.5.1) allows as a whole name."""

LONGEST_BOOT = 64
_TRUTHS: Final = {1.0: '"vb":true', 0.0: '"vb":false'}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NamedReadings:
    """Readings of one name, at least one.

    Attributes:
        name: as it stands on the wire.
        t_ns: shape (n,), ns, never falling, on any clock that a pack's readings share.
        value: shape (n,), raw; no NaN and no infinity, for which JSON has no word.
        form: how a value is written.
        closed_word: the text that means 1, with ``form`` "word".
    """

    name: str
    t_ns: Nanoseconds
    value: Values
    form: Form = "number"
    closed_word: str = ""

    def __len__(self) -> int:
        return int(self.t_ns.size)

    def between(self, start: int, end: int) -> NamedReadings:
        """The readings from one place to before another."""
        return NamedReadings(
            name=self.name,
            t_ns=self.t_ns[start:end],
            value=self.value[start:end],
            form=self.form,
            closed_word=self.closed_word,
        )


def write_pack(
    readings: Sequence[NamedReadings],
    *,
    seq: int,
    boot: str,
    up_ns: int | None = None,
    utc_ns: int | None = None,
) -> bytes:
    """Writes a pack.

    Args:
        readings: of one or more names; together at least one reading.
        seq: pack counter.
        boot: mark of the device's start.
        up_ns: device uptime when the newest reading was taken, ns; None where it tells none.
        utc_ns: UTC of the newest reading, ns since 1970, where the device sends absolute times.

    Raises:
        ValueError: without a reading, or for a value that is no number.
    """
    if not any(len(r) for r in readings):
        raise ValueError("a pack without a reading")
    newest_ns = max(int(r.t_ns[-1]) for r in readings if len(r))
    head = f'"seq":{seq},"boot":{json.dumps(boot)},'
    if up_ns is not None:
        head += f'"up":{seconds(up_ns)},'
    if utc_ns is not None:
        head += f'"bt":{seconds(utc_ns)},'
    records: list[str] = []
    for named in readings:
        if len(named):
            head += f'"bn":{json.dumps(named.name)},'
            first, *others = _records(named, newest_ns)
            records += [head + first, *others]
            head = ""
    return f"[{{{'},{'.join(records)}}}]".encode()


def write_answer(*, number: int, boot: str, up_ns: int) -> bytes:
    """Writes the answer to the recorder's question for the uptime.

    Args:
        number: the question's number.
        boot: mark of the device's start.
        up_ns: device uptime now, ns.
    """
    return b'[{"up":%b,"boot":%b,"reply":%d}]' % (
        seconds(up_ns).encode(),
        json.dumps(boot).encode(),
        number,
    )


def seconds(t_ns: int) -> str:
    """A time in seconds as exact decimal digits, without needless ones."""
    sign = "-" if t_ns < 0 else ""
    whole, part = divmod(abs(t_ns), 1_000_000_000)
    return f"{sign}{whole}.{part:09d}".rstrip("0").rstrip(".") if part else f"{sign}{whole}"


def number(value: float) -> str:
    """The shortest JSON number that is read as the same double.

    Raises:
        ValueError: for NaN and infinity.
    """
    if not isfinite(value):
        raise ValueError(f"JSON has no word for {value}")
    text = repr(value)
    # The sign of a zero would be lost with its fraction.
    return text[:-2] if text.endswith(".0") and text != "-0.0" else text


def _records(named: NamedReadings, newest_ns: int) -> list[str]:
    """Value and time of each record."""
    # A double holds a pack's times to the nanosecond, and repr names it exactly.
    ago_s = ((named.t_ns - newest_ns) / 1e9).tolist()
    return [
        f'{value},"t":{ago!r}' if ago else value
        for value, ago in zip(_values(named), ago_s, strict=True)
    ]


def _values(named: NamedReadings) -> list[str]:
    """The value of each record with its label."""
    values = named.value.tolist()
    if named.form == "word":
        words = {True: json.dumps(named.closed_word), False: json.dumps(other_word(named))}
        return [f'"vs":{words[value == 1.0]}' for value in values]
    if named.form == "truth":
        return [_TRUTHS.get(value) or f'"v":{number(value)}' for value in values]
    return [f'"v":{number(value)}' for value in values]


def other_word(named: NamedReadings) -> str:
    """What stands for every word but the closed contact's."""
    return OTHER_WORD if named.closed_word != OTHER_WORD else OTHER_WORD * 2
