"""``decode = "text"``: lines of instruments, by a ready-made shape or a pattern of one's own."""

from __future__ import annotations

from collections.abc import Sequence

from logger.readings.rig_file import Source
from logger.sources.line_decoding import Decode, Decoded, EachLine, LineDecoder
from logger.sources.shaped_lines import shape_decoder
from logger.sources.text_lines import TextDecoder


def decoder(source: Source) -> Decode:
    """Decodes a broker's message as one line."""
    if source.shape is not None:
        return shape_decoder(source)
    return TextDecoder(source.pattern or "").decode


def line_decoder(source: Source, *, crc_demanded: bool) -> LineDecoder:
    """Decodes the lines of a connection."""
    del crc_demanded  # text lines carry none
    if source.shape is not None:
        return EachLine(shape_decoder(source))
    return _PatternLines(TextDecoder(source.pattern or ""))


class _PatternLines:
    """All lines that came together in one go: it costs far less than one by one."""

    def __init__(self, decoder: TextDecoder) -> None:
        self._decoder = decoder

    def whole_from_its_start(self, line: bytes) -> bool:
        del line  # nothing in a text line tells its beginning
        return False

    def decode_lines(self, lines: Sequence[bytes], ages_ns: Sequence[int]) -> Decoded:
        pack, refused = self._decoder.decode_lines(lines, ages_ns)
        return Decoded(packs=[] if pack is None else [(pack, len(lines) - 1)], refused=refused)
