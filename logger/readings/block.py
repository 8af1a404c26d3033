"""A block of samples: the unit in which readings travel through the whole program."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Nanoseconds = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Samples of one channel, in order of time.

    Attributes:
        channel: id of the channel in the rig file, such as ``wheel/rear_left``.
        t_ns: times, shape (n,), ns on the run's monotonic clock (0 at the run's start),
            never falling.
        value: raw values, shape (n,), as the sensor sent them.

    Raises:
        ValueError: when the shapes differ or the times fall.
    """

    channel: str
    t_ns: Nanoseconds
    value: Values

    def __post_init__(self) -> None:
        if self.t_ns.shape != self.value.shape or self.t_ns.ndim != 1:
            raise ValueError(
                f"block of {self.channel}: {self.t_ns.shape} times for {self.value.shape} values"
            )
        if self.t_ns.size > 1 and bool(np.any(self.t_ns[1:] < self.t_ns[:-1])):
            raise ValueError(f"block of {self.channel}: times fall")

    def __len__(self) -> int:
        return int(self.t_ns.size)
