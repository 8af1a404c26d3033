"""From a stream of bytes to whole lines, and from a line to a pack that its checksum vouches for.

A line has a bound: noise without line ends would fill the memory. A line that passes the bound
is dropped whole, and the next one begins after its end. Line feed, carriage return and both
together end a line; empty lines are no frames.

A checksum is optional, and noise that takes it off leaves what looks like a pack without one.
So a line that has carried a checksum once must carry one always.
"""

from __future__ import annotations

import re
import zlib

from logger.errors import FrameInvalid

LINE_LIMIT_BYTES = 64 * 1024

_CRC = re.compile(rb" ([0-9a-f]{8})")
_CRC_BYTES = 9


class LineSplitter:
    """Cuts chunks of bytes into lines, however the chunks were cut.

    Attributes:
        limit: longest line taken, bytes without its end.
        discarded: how many lines were too long so far.
    """

    def __init__(self, limit: int = LINE_LIMIT_BYTES) -> None:
        if limit < 1:
            raise ValueError(f"a line limit of {limit} bytes takes nothing")
        self.limit = limit
        self.discarded = 0
        self._rest = bytearray()
        self._skipping = False

    def feed(self, chunk: bytes) -> list[bytes]:
        """Takes the next bytes of the stream.

        Args:
            chunk: any number of bytes.

        Returns:
            The lines that end in this chunk, without their line ends, empty ones left out.
        """
        if b"\n" not in chunk and b"\r" not in chunk:
            self._keep(chunk)
            return []
        first, *others = chunk.splitlines(keepends=True)
        whole = bytes(self._rest) + first.rstrip(b"\r\n")
        lines = [] if self._skipping else [whole]
        self._rest.clear()
        self._skipping = False
        if others and not others[-1].endswith((b"\n", b"\r")):
            self._keep(others.pop())
        lines += [line.rstrip(b"\r\n") for line in others]
        return [line for line in lines if line and self._short_enough(line)]

    @property
    def waiting_bytes(self) -> int:
        """How many bytes of a line without its end are kept."""
        return len(self._rest)

    def _keep(self, part: bytes) -> None:
        if self._skipping:
            return
        self._rest += part
        if len(self._rest) > self.limit:
            self.discarded += 1
            self._rest.clear()
            self._skipping = True

    def _short_enough(self, line: bytes) -> bool:
        if len(line) <= self.limit:
            return True
        self.discarded += 1
        return False


def check_crc(line: bytes) -> bytes:
    """Checks the CRC-32 that may follow a pack, and takes it off.

    Args:
        line: a pack, or a pack, one space and zlib's CRC-32 of the pack's bytes as 8
            lower-case hex digits.

    Returns:
        The pack's bytes.

    Raises:
        FrameInvalid: where the checksum is there and wrong.
    """
    signed = _CRC.fullmatch(line, max(0, len(line) - _CRC_BYTES))
    if signed is None:
        return line
    pack, digits = line[:-_CRC_BYTES], signed[1]
    found = zlib.crc32(pack)
    if int(digits, 16) != found:
        raise FrameInvalid(f"CRC says {digits.decode()}, the {len(pack)} bytes give {found:08x}")
    return pack


class CrcCheck:
    """Checks the lines of one connection: once signed, always signed.

    Attributes:
        demanded: whether a line without a checksum is refused.

    Args:
        demanded: whether that is so from the first line on.
    """

    def __init__(self, *, demanded: bool = False) -> None:
        self.demanded = demanded

    def take_off(self, line: bytes) -> bytes:
        """The pack's bytes of a line.

        Raises:
            FrameInvalid: where the checksum is wrong, or missing where it is demanded.
        """
        pack = check_crc(line)
        if len(pack) < len(line):
            self.demanded = True
        elif self.demanded:
            raise FrameInvalid("a line without a CRC where lines carry one")
        return pack


def sign(pack: bytes) -> bytes:
    """The line that carries a pack with its CRC-32, without a line end."""
    return b"%b %08x" % (pack, zlib.crc32(pack))
