"""``decode = "senml"``: SenML packs in JSON (RFC 8428), with or without a checksum."""

from __future__ import annotations

from collections.abc import Sequence

from logger.errors import FrameInvalid
from logger.readings.pack import Pack
from logger.readings.rig_file import Source
from logger.sources.frames import CrcCheck, check_crc
from logger.sources.line_decoding import Decode, Decoded, LineDecoder, aged
from logger.sources.senml import decode_senml
from logger.sources.senml_plain import decode_plain


def decoder(source: Source) -> Decode:
    """Decodes a broker's message."""
    del source  # the checksum is the device's choice, message by message
    return _signed


def line_decoder(source: Source, *, crc_demanded: bool) -> LineDecoder:
    """Decodes the lines of a connection; once signed, always signed."""
    del source  # 'crc' is asked of whoever opens the line
    return _SenmlLines(CrcCheck(demanded=crc_demanded))


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
            decoded.packs.append((aged(pack, ages_ns[number]), number))
        return decoded


def _signed(frame: bytes) -> Pack:
    return decode_senml(check_crc(frame))
