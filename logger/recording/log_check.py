"""What stands in a SQLite log beyond the place at which SQLite stops to read it.

Until a checkpoint all rows of a part stand in its write-ahead log. SQLite reads it up to the first
frame whose checksum fails and takes that for the end, in silence. After a kill or a power cut it
is the end: at most one transaction, which nobody acknowledged, was under way. Where more commits
of the same generation follow, acknowledged rows are lost to a damaged place.

Source of the format: sqlite.org/fileformat2.html, section "The WAL File". The checksum is linear
modulo 2^32, so that of a frame is one product of its words with fixed weights.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger.errors import StorageFailed
from logger.recording.parts import log_of

_HEADER_BYTES = 32
_FRAME_HEADER_BYTES = 24
_MAGIC = 0x377F0682
"""The lowest bit tells that the checksum takes words as big-endian."""

_SMALLEST_PAGE_BYTES, _LARGEST_PAGE_BYTES = 512, 65536
_FRAMES_AT_ONCE = 1024
_SALTS = slice(2, 4)
"""In a frame's header, of words: page number, size after a commit, two salts, two checksums."""

_UNDER_WAY = 1
"""Commits that may stand beyond the end without any row lost: one that nobody acknowledged."""

_Words = NDArray[np.uint32]


def lost_commits(part: Path) -> int:
    """How many commits in the log of a part SQLite can't reach, since a place before is damaged.

    Args:
        part: the part of a journal; nobody may be writing it.

    Returns:
        The count of commits that can be seen; 0 where there is no log, or it ends as the log of
        a killed recorder may: with one commit at most that is not whole.

    Raises:
        StorageFailed: where the disk refuses to read.
    """
    try:
        log = log_of(part).read_bytes()
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
        return 0
    except OSError as exc:
        raise StorageFailed(
            f"{part}: its -wal file can't be read ({exc.strerror}); nothing was changed"
        ) from exc
    beyond = _commits_beyond(log)
    return beyond if beyond > _UNDER_WAY else 0


def _commits_beyond(log: bytes) -> int:
    """Commit frames of the log's own generation after the last commit that is whole."""
    page_bytes = _page_bytes(log)
    frame_bytes = _FRAME_HEADER_BYTES + page_bytes
    count = (len(log) - _HEADER_BYTES) // frame_bytes
    if count < 1:
        return 0
    frames = np.frombuffer(log, dtype=np.uint8, count=count * frame_bytes, offset=_HEADER_BYTES)
    frames = frames.reshape(count, frame_bytes)
    heads: _Words = (
        np.ascontiguousarray(frames[:, :_FRAME_HEADER_BYTES])
        .view(">u4")
        .astype(np.uint32)
        .reshape(count, 6)
    )
    header: _Words = np.frombuffer(log, dtype=">u4", count=8).astype(np.uint32)
    start = _sums_after(log[:24], (0, 0), big_endian=bool(header[0] & 1))
    header_is_whole = header[0] & 0xFFFFFFFE == _MAGIC and tuple(header[6:8].tolist()) == start
    # SQLite writes an older generation over from the start, so the first frame is of the newest.
    salts = header[4:6] if header_is_whole else heads[0, _SALTS]
    own = (heads[:, _SALTS] == salts).all(axis=1)
    whole = 0
    if header_is_whole:
        whole = _whole_frames(frames, heads, own, start=start, big_endian=bool(header[0] & 1))
    commits = np.flatnonzero(own & (heads[:, 1] != 0))
    return int(np.count_nonzero(commits >= whole))


def _page_bytes(log: bytes) -> int:
    """The page's size as the header has it; the usual one where it can't be right."""
    size = int.from_bytes(log[8:12], "big")
    power = size & (size - 1) == 0
    return size if power and _SMALLEST_PAGE_BYTES <= size <= _LARGEST_PAGE_BYTES else 4096


def _whole_frames(
    frames: NDArray[np.uint8],
    heads: _Words,
    own: NDArray[np.bool_],
    *,
    start: tuple[int, int],
    big_endian: bool,
) -> int:
    """How many frames from the first on have the log's salts and the right checksum."""
    sums = start
    for first in range(0, len(frames), _FRAMES_AT_ONCE):
        some = frames[first : first + _FRAMES_AT_ONCE]
        checked = np.concatenate([some[:, :8], some[:, _FRAME_HEADER_BYTES:]], axis=1)
        pairs = checked.shape[1] // 8
        shares = checked.view(">u4" if big_endian else "<u4").astype(np.uint32) @ _weights(pairs)
        (a, b), (c, d) = _carry(pairs)
        for at, (x, y) in enumerate(shares.tolist(), start=first):
            s, t = sums
            sums = (a * s + b * t + x) & 0xFFFFFFFF, (c * s + d * t + y) & 0xFFFFFFFF
            if not own[at] or sums != (int(heads[at, 4]), int(heads[at, 5])):
                return at
    return len(frames)


def _sums_after(data: bytes, sums: tuple[int, int], *, big_endian: bool) -> tuple[int, int]:
    """The checksum as the format defines it, word by word."""
    s, t = sums
    words = np.frombuffer(data, dtype=">u4" if big_endian else "<u4").tolist()
    for x, y in zip(words[::2], words[1::2], strict=True):
        s = (s + x + t) & 0xFFFFFFFF
        t = (t + y + s) & 0xFFFFFFFF
    return s, t


@lru_cache(maxsize=4)
def _weights(pairs: int) -> _Words:
    """What each word of a frame adds to its checksum, shape (2 * pairs, 2)."""
    # A pair (x, y) makes (s, t) into (s + t + x, s + 2 t + x + y).
    weights: _Words = np.empty((2 * pairs, 2), dtype=np.uint32)
    rows = [(1, 1), (0, 1)]
    for pair in range(pairs - 1, -1, -1):
        weights[2 * pair : 2 * pair + 2] = rows
        rows = [((s + t) & 0xFFFFFFFF, (s + 2 * t) & 0xFFFFFFFF) for s, t in rows]
    return weights


@lru_cache(maxsize=4)
def _carry(pairs: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """What the checksum before a frame gives to that after it, as a matrix by rows."""
    one, other = (
        _sums_after(bytes(8 * pairs), sums, big_endian=False) for sums in ((1, 0), (0, 1))
    )
    return (one[0], other[0]), (one[1], other[1])
