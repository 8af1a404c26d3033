"""A table of readings, line by line: what is right in it, and what is wrong with a line."""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from logger.errors import FileInvalid
from logger.readings.block import Nanoseconds, Values
from logger.readings.rig_file import Channel, RigFile

COLUMNS = ("t_s", "channel", "value")
LARGEST_T_S = 9.2e9
"""int64 holds 292 years of nanoseconds."""

_LONGEST_LINE_BYTES = 4096
_SHOWN_CHARACTERS = 40
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_WORDS = {"true": 1.0, "false": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvTable:
    """What the first line of a table and the rig file say about the rest.

    Attributes:
        name: the file's name, for errors.
        order: the columns in the file's order.
        channels: the rig file's channels by id.
    """

    name: str
    order: tuple[str, ...]
    channels: dict[str, Channel]

    @property
    def has_text_wheels(self) -> bool:
        """Whether some switch's raw value is text, so that even a number is one there."""
        return any(isinstance(c.closed_when, str) for c in self.channels.values())

    def read_lines(
        self, lines: BinaryIO, *, first_line: int
    ) -> dict[str, tuple[Nanoseconds, Values]]:
        """Reads lines with all care.

        Args:
            lines: the lines, none of them the table's first.
            first_line: number of the first of them in the file.

        Returns:
            Times (n,) and raw values (n,) of each channel, in the file's order.

        Raises:
            FileInvalid: naming the line at fault.
        """
        found: dict[str, tuple[list[int], list[float]]] = {}
        for number, raw in enumerate(lines, start=first_line):
            try:
                reading = self._reading(raw)
            except ValueError as exc:
                raise self.invalid(number, str(exc)) from exc
            if reading is not None:
                channel, t_ns, value = reading
                times, values = found.setdefault(channel, ([], []))
                times.append(t_ns)
                values.append(value)
        return {
            channel: (np.array(times, dtype=np.int64), np.array(values, dtype=np.float64))
            for channel, (times, values) in found.items()
        }

    def number(self, channel: str, text: str) -> float:
        """The raw number of a value as written.

        Args:
            channel: id of a channel of the rig file.
            text: the value; spaces around it don't count.

        Raises:
            ValueError: in words for the person who wrote it.
        """
        text = text.strip()
        wired = self.channels[channel]
        if isinstance(wired.closed_when, str):
            if not text:
                raise ValueError("has no value")
            return float(text == wired.closed_when)
        if wired.is_wheel and text.lower() in _WORDS:
            return _WORDS[text.lower()]
        also = ", true or false" if wired.is_wheel else ""
        return _finite(text, f"a value of {channel} is a number{also}")

    def invalid(self, line: int, what: str) -> FileInvalid:
        """The error for a line."""
        return FileInvalid(
            where=f"{self.name}, line {line}", what=what, would_do="mend it; nothing was written"
        )

    def _reading(self, raw: bytes) -> tuple[str, int, float] | None:
        """Channel, time and value of a line; None for a blank one."""
        if not raw.strip():
            return None
        fields = [f.strip() for f in _fields(raw)]
        if len(fields) != len(COLUMNS):
            raise ValueError(f"has {len(fields)} fields where {','.join(self.order)} are 3")
        named = dict(zip(self.order, fields, strict=True))
        t_s = _finite(named["t_s"], "t_s is a number of seconds")
        if abs(t_s) > LARGEST_T_S:
            raise ValueError(f"t_s = {_shown(named['t_s'])} is beyond any run")
        channel = named["channel"]
        if channel not in self.channels:
            raise ValueError(
                f"the rig file has no channel {_shown(channel)}; {self._near(channel)}"
            )
        return channel, int(np.rint(t_s * 1e9)), self.number(channel, named["value"])

    def _near(self, channel: str) -> str:
        near = difflib.get_close_matches(channel, self.channels, n=1)
        return f"did you mean {near[0]!r}?" if near else f"it has {', '.join(self.channels)}"


def read_header(file: BinaryIO, *, name: str, rig: RigFile) -> CsvTable:
    """Reads a table's first line, and leaves the file at the second.

    Args:
        file: the table, at its start.
        name: the file's name, for errors.
        rig: the rig file.

    Raises:
        FileInvalid: where it is empty, no text, or does not name the three columns.
    """
    channels = {c.id: c for c in rig.channel}
    raw = file.readline(_LONGEST_LINE_BYTES + 1)
    table = CsvTable(name=name, order=COLUMNS, channels=channels)
    if not raw:
        raise FileInvalid(
            where=name, what="is empty", would_do="begin with the line t_s,channel,value"
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileInvalid(where=name, what="is UTF-16 text", would_do="save it as CSV in UTF-8")
    try:
        order = tuple(f.strip() for f in _fields(raw.removeprefix(b"\xef\xbb\xbf")))
    except ValueError as exc:
        raise table.invalid(1, str(exc)) from exc
    if sorted(order) != sorted(COLUMNS):
        raise FileInvalid(
            where=f"{name}, line 1",
            what=f"names the columns {_shown(','.join(order))}",
            would_do="name t_s, channel and value, with commas between, and no others",
        )
    return CsvTable(name=name, order=order, channels=channels)


def _fields(raw: bytes) -> list[str]:
    if len(raw) > _LONGEST_LINE_BYTES:
        raise ValueError(f"is longer than {_LONGEST_LINE_BYTES} bytes")
    try:
        text = raw.decode()
    except UnicodeDecodeError as exc:
        raise ValueError(f"is no UTF-8 text (byte 0x{raw[exc.start]:02x})") from exc
    text = text.rstrip("\r\n")
    if not text.isprintable() and not text.replace("\t", "").isprintable():
        raise ValueError("holds control characters; a table is plain text")
    try:
        return next(csv.reader([text], strict=True, skipinitialspace=True))
    except (csv.Error, StopIteration) as exc:
        raise ValueError("has quotes that do not match") from exc


def _finite(text: str, rule: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{_shown(text)} won't do: {rule}" if text else f"has no number: {rule}")
    number = float(text)
    if not np.isfinite(number):
        raise ValueError(f"{_shown(text)} is too large a number")
    return number


def _shown(text: str) -> str:
    short = text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…"
    return repr(short)
