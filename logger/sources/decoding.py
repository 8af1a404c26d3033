"""The decoder that a source of the rig file asks for: bytes of one frame in, a pack out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

from logger.readings.pack import Pack
from logger.readings.rig_file import Source as SourceTable
from logger.sources.frames import check_crc
from logger.sources.senml import decode_senml
from logger.sources.text_lines import TextDecoder

Decode: TypeAlias = Callable[[bytes], Pack]
"""Decodes a frame; raises FrameInvalid."""


def decoder_of(source: SourceTable) -> Decode:
    """The decoder of a source: SenML with or without a checksum, or its text lines."""
    if source.decode == "text":
        return TextDecoder(source.pattern or "").decode
    return _signed_senml


def _signed_senml(frame: bytes) -> Pack:
    return decode_senml(check_crc(frame))
