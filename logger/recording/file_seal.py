"""A seal inside the file, so that any changed bit anywhere in it is found.

Parquet's page checksums guard the data pages only. A flipped bit in the footer can send a
reader to other pages, change a statistic that a range read relies on, or change the header,
and no checksum of Parquet's would show it. So 72 bytes stand between the last row group and
the footer, where Parquet readers never look, because they find everything by offsets that
the footer holds::

    b"SLEWSEAL" | SHA-256 of every byte before this seal | SHA-256 of the 40 bytes so far,
                                                           the footer and the 8 bytes after it

The second hash is checked whenever a run is opened (the footer is small), the first by
``verify``; page checksums guard what is read in between.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from logger.recording.header import LARGEST_HEADER_BYTES

PARQUET_MAGIC = b"PAR1"
SEAL_MAGIC = b"SLEWSEAL"
SEAL_BYTES = len(SEAL_MAGIC) + 32 + 32
_TAIL_BYTES = 8
"""Footer length (4 bytes) and end mark."""

_LARGEST_FOOTER_BYTES = LARGEST_HEADER_BYTES + 256 * 1024 * 1024
_CHUNK_BYTES = 1 << 20


class SealBroken(ValueError):
    """The file is not as it was sealed; the text says in what."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSeal:
    """A seal that its footer agrees with.

    Attributes:
        body_bytes: how many bytes stand before the seal.
        body_sha256: the hash that those bytes had when they were sealed.
    """

    body_bytes: int
    body_sha256: bytes

    def check_body(self, path: Path) -> None:
        """Compares every byte before the seal with what was sealed.

        Raises:
            SealBroken: where they differ.
            OSError: where the file can't be read.
        """
        with path.open("rb") as file:
            if _hash_start(file, self.body_bytes) != self.body_sha256:
                raise SealBroken("has changed since it was sealed")


def add_seal(path: Path) -> None:
    """Puts the seal into a Parquet file that was just written, and syncs it to the disk.

    Raises:
        SealBroken: where it is no whole Parquet file.
        OSError: where the disk refuses.
    """
    with path.open("r+b") as file:
        start, footer = _read_footer(file)
        head = SEAL_MAGIC + _hash_start(file, start)
        file.seek(start)
        file.write(head + hashlib.sha256(head + footer).digest() + footer)
        file.flush()
        os.fsync(file.fileno())


def read_seal(path: Path) -> FileSeal:
    """Reads the seal and checks that the footer is the one that was sealed.

    Raises:
        SealBroken: in words for the person who opened the file.
        OSError: where the file can't be read.
    """
    with path.open("rb") as file:
        start, footer = _read_footer(file)
        file.seek(max(0, start - SEAL_BYTES))
        seal = file.read(SEAL_BYTES)
    head, footer_sha256 = seal[:-32], seal[-32:]
    if not head.startswith(SEAL_MAGIC):
        raise SealBroken("is a Parquet file without this program's seal")
    if hashlib.sha256(head + footer).digest() != footer_sha256:
        raise SealBroken("has a damaged footer")
    return FileSeal(body_bytes=start - SEAL_BYTES, body_sha256=head[len(SEAL_MAGIC) :])


def bears_a_seal(path: Path) -> bool:
    """Whether a file with a broken seal was once sealed, as far as what is left of it tells.

    It was where the seal's mark stands anywhere in it, or where it begins
    like a Parquet file and does not end like one: so does a run that was cut short.
    """
    kept = b""
    with contextlib.suppress(OSError), path.open("rb") as file:
        begins = file.read(len(PARQUET_MAGIC)) == PARQUET_MAGIC
        while chunk := file.read(_CHUNK_BYTES):
            looked_at = kept + chunk
            if SEAL_MAGIC in looked_at:
                return True
            kept = looked_at[-len(SEAL_MAGIC) :]
        return begins and not kept.endswith(PARQUET_MAGIC)
    return False


def _read_footer(file: BinaryIO) -> tuple[int, bytes]:
    """Start of the footer, and the footer with the 8 bytes after it."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    if size < len(PARQUET_MAGIC) + _TAIL_BYTES or file.read(4) != PARQUET_MAGIC:
        raise SealBroken("is no Parquet file" if size else "is empty")
    file.seek(size - _TAIL_BYTES)
    tail = file.read(_TAIL_BYTES)
    length = int.from_bytes(tail[:4], "little")
    if tail[4:] != PARQUET_MAGIC or length > min(size - 12, _LARGEST_FOOTER_BYTES):
        raise SealBroken("is a Parquet file cut short or overwritten at its end")
    start = size - _TAIL_BYTES - length
    file.seek(start)
    return start, file.read(length + _TAIL_BYTES)


def _hash_start(file: BinaryIO, size: int) -> bytes:
    """SHA-256 of the first ``size`` bytes."""
    digest = hashlib.sha256()
    file.seek(0)
    while size > 0 and (chunk := file.read(min(size, _CHUNK_BYTES))):
        digest.update(chunk)
        size -= len(chunk)
    return digest.digest()
