"""One number that stands for a run's header and every sample in it.

The content hash does not depend on how the samples are stored: the same readings compressed
in another way have the same hash, one bit changed in one of them gives another. It is the
SHA-256 (FIPS 180-4) of a short text, the *manifest*, in UTF-8::

    <header>
    <channel> <count> <SHA-256 of times> <SHA-256 of values>
    …

Line 1 is the header's JSON object without its key ``sha256``, in canonical form: keys sorted
by code point at every level, no white space between tokens, characters outside ASCII not
escaped, numbers as Python's ``json`` writes them. Then one line for each channel that has
samples, channels sorted by code point: its id, the number of samples in decimal, and the
SHA-256 of all its times (int64, little-endian, one after the other, in order) and of all its
values (IEEE 754 float64, little-endian), as 64 lower-case hex digits; single spaces between.
Every line ends with one line feed. The first characters of the hash, printed on the record,
let a signature on paper stand for the file.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from logger.readings.block import Nanoseconds, Values
from logger.recording.header import canonical_json


class ContentHash:
    """Takes samples as they stream by, then the header."""

    def __init__(self) -> None:
        self._channels: dict[str, list[Any]] = {}

    def add(self, *, channel: str, t_ns: Nanoseconds, value: Values) -> None:
        """Takes the next samples of a channel.

        Args:
            channel: the channel's id.
            t_ns: shape (n,), ns.
            value: raw values, shape (n,).
        """
        state = self._channels.setdefault(channel, [0, hashlib.sha256(), hashlib.sha256()])
        state[0] += t_ns.size
        state[1].update(np.ascontiguousarray(t_ns, dtype="<i8"))
        state[2].update(np.ascontiguousarray(value, dtype="<f8"))

    @property
    def samples(self) -> dict[str, int]:
        """How many samples of each channel were taken."""
        return {channel: count for channel, (count, _, _) in sorted(self._channels.items())}

    def of(self, header_json: dict[str, Any]) -> str:
        """The content hash of these samples under a header.

        Args:
            header_json: the header's JSON object; a key ``sha256`` in it does not count.

        Returns:
            64 lower-case hex digits.
        """
        stated = {key: value for key, value in header_json.items() if key != "sha256"}
        lines = [canonical_json(stated)]
        lines += [
            f"{channel} {count} {times.hexdigest()} {values.hexdigest()}"
            for channel, (count, times, values) in sorted(self._channels.items())
        ]
        return hashlib.sha256("".join(f"{line}\n" for line in lines).encode()).hexdigest()
