"""The decoder that a source of the rig file asks for: bytes of one frame in, a pack out.

A broker's message is a frame by itself. A serial line gives what a chunk ended: all its lines
go in together. SenML packs stay apart, each with its own count and uptime; text lines come out
as one pack.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeAlias

from logger.errors import FrameInvalid
from logger.readings.pack import Pack
from logger.readings.rig_file import Source as SourceTable
from logger.sources.frames import CrcCheck, check_crc
from logger.sources.senml import decode_senml
from logger.sources.senml_plain import decode_plain
from logger.sources.text_lines import TextDecoder

Decode: TypeAlias = Callable[[bytes], Pack]
"""Decodes a frame; raises FrameInvalid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """What came out of the lines of one chunk.

    Attributes:
        packs: each pack, with the number of the line that ended it.
        refused: why each line that gave nothing was refused.
    """

    packs: list[tuple[Pack, int]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


class LineDecoder(Protocol):
    """Decodes the lines of one connection; may learn from them."""

    def whole_from_its_start(self, line: bytes) -> bool:
        """Whether a connection's first line can be no rest of one that began before."""

    def decode_lines(self, lines: Sequence[bytes], ages_ns: Sequence[int]) -> Decoded:
        """Decodes lines that came together.

        Args:
            lines: their bytes, without line ends.
            ages_ns: how long ago each came, ns.
        """


def decoder_of(source: SourceTable) -> Decode:
    """The decoder of a source: SenML with or without a checksum, or its text lines."""
    if source.decode == "text":
        return TextDecoder(source.pattern or "").decode
    return _signed_senml


def line_decoder_of(source: SourceTable, *, crc_demanded: bool = False) -> LineDecoder:
    """The decoder of one connection of a serial line.

    Args:
        source: its table in the rig file.
        crc_demanded: whether each pack must carry a checksum from the first on.
    """
    if source.decode == "text":
        return _TextLines(TextDecoder(source.pattern or ""))
    return _SenmlLines(CrcCheck(demanded=crc_demanded))


class _TextLines:
    def __init__(self, decoder: TextDecoder) -> None:
        self._decoder = decoder

    def whole_from_its_start(self, line: bytes) -> bool:
        del line  # nothing in a text line tells its beginning
        return False

    def decode_lines(self, lines: Sequence[bytes], ages_ns: Sequence[int]) -> Decoded:
        pack, refused = self._decoder.decode_lines(lines, ages_ns)
        return Decoded(packs=[] if pack is None else [(pack, len(lines) - 1)], refused=refused)


class _SenmlLines:
    def __init__(self, crc: CrcCheck) -> None:
        self._crc = crc

    def whole_from_its_start(self, line: bytes) -> bool:
        return line.startswith(b"[")

    def decode_lines(self, lines: Sequence[bytes], ages_ns: Sequence[int]) -> Decoded:
        decoded = Decoded()
        for number, line in enumerate(lines):
            try:
                frame = self._crc.take_off(line)
                pack = decode_plain(frame) or decode_senml(frame)
            except FrameInvalid as exc:
                decoded.refused.append(str(exc))
                continue
            decoded.packs.append((_aged(pack, ages_ns[number]), number))
        return decoded


def _aged(pack: Pack, age_ns: int) -> Pack:
    """A pack that came some time ago; only where it is dated by its arrival."""
    if not age_ns or pack.absolute or pack.up_ns is not None:
        return pack
    return replace(pack, t_ns=pack.t_ns - age_ns)


def _signed_senml(frame: bytes) -> Pack:
    return decode_senml(check_crc(frame))
