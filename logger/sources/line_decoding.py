"""Lines that came together, decoded: what a wire format must be able to do on a serial line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeAlias

from logger.errors import FrameInvalid
from logger.readings.pack import Pack

Decode: TypeAlias = Callable[[bytes], Pack]
"""Decodes a frame; raises FrameInvalid. A pack without readings is no error: the frame was
whole and said nothing that concerns us."""


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


class EachLine:
    """Decodes lines one by one; the first of a connection is never believed.

    Args:
        decode: decodes one line.
    """

    def __init__(self, decode: Decode) -> None:
        self._decode = decode

    def whole_from_its_start(self, line: bytes) -> bool:
        """Nothing is known of a line that would tell its beginning."""
        del line
        return False

    def decode_lines(self, lines: Sequence[bytes], ages_ns: Sequence[int]) -> Decoded:
        """Decodes lines that came together, each into a pack of its own."""
        decoded = Decoded()
        for number, line in enumerate(lines):
            try:
                pack = self._decode(line)
            except FrameInvalid as exc:
                decoded.refused.append(str(exc))
            else:
                decoded.packs.append((aged(pack, ages_ns[number]), number))
        return decoded


def aged(pack: Pack, age_ns: int) -> Pack:
    """A pack that came some time ago; only where it is dated by its arrival."""
    if not age_ns or pack.absolute or pack.up_ns is not None:
        return pack
    return replace(pack, t_ns=pack.t_ns - age_ns)
