"""The decoder that a source of the rig file asks for: bytes of one frame in, a pack out.

A broker's message is a frame by itself. A serial line gives what a chunk ended: all its lines
go in together. The formats themselves are modules of :mod:`logger.sources.wire_formats`, found
by the name that stands in the rig file.
"""

from __future__ import annotations

from importlib import import_module
from typing import Protocol, cast

from logger.readings.rig_file import Source as SourceTable
from logger.sources.line_decoding import Decode, EachLine, LineDecoder


class _Format(Protocol):
    def decoder(self, source: SourceTable) -> Decode: ...


def decoder_of(source: SourceTable) -> Decode:
    """The decoder of a source's messages."""
    return _format_of(source).decoder(source)


def line_decoder_of(source: SourceTable, *, crc_demanded: bool = False) -> LineDecoder:
    """The decoder of one connection of a serial line.

    Args:
        source: its table in the rig file.
        crc_demanded: whether each pack must carry a checksum from the first on.
    """
    wire_format = _format_of(source)
    of_lines = getattr(wire_format, "line_decoder", None)
    if of_lines is None:
        return EachLine(wire_format.decoder(source))
    return cast("LineDecoder", of_lines(source, crc_demanded=crc_demanded))


def _format_of(source: SourceTable) -> _Format:
    # The rig file has been read, so the name is one of its table, never a stranger's module.
    return cast("_Format", import_module(f"logger.sources.wire_formats.{source.decode}"))
