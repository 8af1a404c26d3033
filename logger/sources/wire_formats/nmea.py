"""``decode = "nmea"``: sentences of NMEA 0183 for wind and inclination.

A sentence is ``$``, two letters of the talker (any will do), three of the sentence, fields
between commas, ``*`` and a checksum of two hexadecimal digits: the exclusive or of all
characters between ``$`` and ``*``. Without a right checksum nothing is believed. Understood are

``MWV``  wind: angle, ``R`` (relative) or ``T`` (theoretical), speed, its unit, ``A`` (valid).
         Readings ``wind_angle`` and ``wind_speed``, with ``_true`` after them where the sentence
         says ``T``; the speed always in m/s, whatever unit the sentence names.
``XDR``  transducers, four fields each: type, value, unit, name. Of type ``A`` (angular
         displacement) in ``D`` (degrees) each gives a reading by its own name.

(Both from memory of the public descriptions of the standard, which itself is sold.) Other
sentences are passed over. One that says of itself that it is not valid, an empty field, and a
unit nobody knows are refused, so that they are counted.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import reduce
from operator import xor

import numpy as np

from logger.errors import FrameInvalid
from logger.readings.pack import Pack
from logger.readings.rig_file import Source
from logger.sources.line_decoding import Decode

LONGEST_SENTENCE = 256
"""Bytes; the standard allows 82, and some devices send more transducers than fit."""

MPS_OF_UNIT = {"M": 1.0, "K": 1 / 3.6, "N": 1852 / 3600, "S": 1609.344 / 3600}
"""Metres a second in one metre a second, kilometre an hour, knot, statute mile an hour (exact by
the definitions of the international nautical mile and of the mile)."""

_SENTENCE = re.compile(r"\$([A-Z0-9]{2})([A-Z]{3})(,[^*$!]*)\*([0-9A-Fa-f]{2})")
_PROPRIETARY = re.compile(r"\$P[A-Z0-9]+[^*]*\*([0-9A-Fa-f]{2})")
_NUMBER = re.compile(r"-?\d{1,9}(?:\.\d{0,9})?|-?\.\d{1,9}", re.ASCII)


def decoder(source: Source) -> Decode:
    """Decodes a sentence."""
    del source  # sentences say all that is needed
    return decode_sentence


def decode_sentence(line: bytes) -> Pack:
    """Decodes one sentence.

    Args:
        line: its bytes without line end.

    Returns:
        Its readings, taken now; none where it is of a kind that we don't read.

    Raises:
        FrameInvalid: for what is no sentence, or not valid.
    """
    if len(line) > LONGEST_SENTENCE:
        raise FrameInvalid(f"a sentence of {len(line)} bytes; {LONGEST_SENTENCE} go")
    text = line.decode("ascii", errors="replace").strip()
    match = _SENTENCE.fullmatch(text) or _PROPRIETARY.fullmatch(text)
    if match is None:
        raise FrameInvalid(f"no NMEA 0183 sentence with a checksum: {text[:40]!r}")
    stated = int(match.groups()[-1], 16)
    found = checksum(text[1:-3])
    if stated != found:
        raise FrameInvalid(f"checksum says {stated:02X}, the sentence gives {found:02X}")
    if match.re is _PROPRIETARY:
        return _pack({})
    fields = match[3].split(",")[1:]
    read = {"MWV": _wind, "XDR": _angles}.get(match[2])
    return _pack({} if read is None else read(fields))


def checksum(text: str) -> int:
    """The exclusive or of all characters, as the standard takes it between ``$`` and ``*``."""
    return reduce(xor, text.encode("ascii", errors="replace"), 0)


def _wind(fields: Sequence[str]) -> dict[str, float]:
    if len(fields) != 5:
        raise FrameInvalid(f"MWV with {len(fields)} fields; it has 5")
    angle, reference, speed, unit, status = fields
    if status != "A":
        raise FrameInvalid(f"MWV with status {status!r}: the sensor says that it is not valid")
    if reference not in ("R", "T"):
        raise FrameInvalid(f"MWV with reference {reference!r}; it is R or T")
    if unit not in MPS_OF_UNIT:
        raise FrameInvalid(f"MWV with speed in {unit!r}; known are {', '.join(MPS_OF_UNIT)}")
    suffix = "_true" if reference == "T" else ""
    return {
        f"wind_angle{suffix}": _number(angle, "MWV's angle"),
        f"wind_speed{suffix}": _number(speed, "MWV's speed") * MPS_OF_UNIT[unit],
    }


def _angles(fields: Sequence[str]) -> dict[str, float]:
    if not fields or len(fields) % 4:
        raise FrameInvalid(f"XDR with {len(fields)} fields; four belong to each transducer")
    found: dict[str, float] = {}
    for kind, value, unit, name in zip(*[iter(fields)] * 4, strict=True):
        if kind != "A":
            continue
        if unit != "D":
            raise FrameInvalid(f"XDR gives an angle in {unit!r}; known is D, degrees")
        if not name:
            raise FrameInvalid("XDR gives an angle without a name")
        found[name] = _number(value, f"XDR's {name[:20]!r}")
    return found


def _number(text: str, what: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise FrameInvalid(f"{what} is {text[:20]!r}, no number")
    return float(text)


def _pack(readings: dict[str, float]) -> Pack:
    return Pack(
        names=tuple(readings),
        t_ns=np.zeros(len(readings), np.int64),
        absolute=False,
        value=np.array(list(readings.values()), dtype=np.float64),
    )
