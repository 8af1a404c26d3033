"""Lines of a ready-made shape: a number, if status, unit and length are as the rig file says."""

from __future__ import annotations

import numpy as np

from logger.errors import FrameInvalid
from logger.readings.pack import Pack
from logger.readings.rig_file import Source
from logger.readings.text_shapes import TEXT_SHAPES, VALUE, expression_of
from logger.sources.line_decoding import Decode

_SHOWN_CHARACTERS = 40


def shape_decoder(source: Source) -> Decode:
    """The decoder of a source with ``shape``.

    A line that does not fit, is of another length, names another unit, or comes with a status
    that is not among the good ones raises FrameInvalid, so that it is counted with its reason:
    a reading in motion, in overload or in another unit is never a sample.
    """
    expression = expression_of(TEXT_SHAPES[source.shape or ""], comma=source.decimal == "comma")
    good, unit, length = frozenset(source.good_status), source.line_unit, source.line_length

    def decode(line: bytes) -> Pack:
        text = line.decode("utf-8", errors="replace")
        if length is not None and len(text) != length:
            raise FrameInvalid(f"a line of {len(text)} characters, not {length}: {_shown(text)}")
        parts = expression.fullmatch(text)
        if parts is None:
            raise FrameInvalid(f"no line of shape {source.shape!r}: {_shown(text)}")
        found = parts.groupdict()
        if good and found["status"] not in good:
            raise FrameInvalid(f"status {found['status']!r} is not among the good ones")
        if unit is not None and found["unit"] != unit:
            raise FrameInvalid(f"unit {found['unit']!r}, not {unit!r}")
        number = float(found["value"].replace(",", "."))
        value = -number if found["sign"] in ("-", "−") else number
        return Pack(
            names=(VALUE,), t_ns=np.zeros(1, np.int64), absolute=False, value=np.array([value])
        )

    return decode


def _shown(text: str) -> str:
    return repr(text[:_SHOWN_CHARACTERS])
