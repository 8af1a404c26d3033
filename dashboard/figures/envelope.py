"""Long traces in few points, without losing a peak.

A screen has some 2,000 columns; a run may have millions of readings. For each column the
smallest and the largest reading are kept, so that what is drawn touches every extreme that was
recorded. Where the readings stop for too long the line is broken. Openings of a contact are no
trace: they are kept as stretches, and joined only when they are closer than a column is wide.
"""

from __future__ import annotations

import base64

import numpy as np
from numpy.typing import NDArray
from tsdownsample import MinMaxDownsampler

from dashboard.figures.readings import Trace
from logger.readings.block import Nanoseconds, Values

POINTS = 2_000
"""Points drawn of a trace, and stretches of a wheel."""


def envelope(
    trace: Trace, *, start_ns: int, end_ns: int, points: int = POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """A trace between two times, in at most so many points.

    Args:
        trace: the whole trace.
        start_ns: left edge of what is seen, ns; the reading before it is kept too, so that the
            line enters from outside.
        end_ns: right edge, ns; the reading after it is kept too.
        points: the most points, breaks not counted; even.

    Returns:
        Times in s (float64: in float32 a run of 15 min would step by 60 µs) and values
        (float32), same shape, NaN at breaks.
    """
    first = max(int(np.searchsorted(trace.t_ns, start_ns, side="left")) - 1, 0)
    last = int(np.searchsorted(trace.t_ns, end_ns, side="right")) + 1
    t_ns, value = trace.t_ns[first:last], trace.value[first:last]
    if trace.whole:
        ends = np.searchsorted(trace.breaks, (first, first + t_ns.size - 1))
        breaks = trace.breaks[slice(*ends)] - first
    else:
        finite = np.isfinite(value)
        t_ns, value = t_ns[finite], value[finite]
        breaks = np.flatnonzero(np.diff(t_ns) > trace.stale_after_ns)
    t_ns, value = _with_breaks(t_ns, value, breaks, points)
    return t_ns.astype(np.float64) / 1e9, value.astype(np.float32)


def _with_breaks(
    t_ns: Nanoseconds, value: Values, breaks: NDArray[np.intp], points: int
) -> tuple[Nanoseconds, Values]:
    kept = _extremes(t_ns, value, points)
    # A break stays one if the readings at both its ends are drawn.
    if breaks.size > points:
        breaks = breaks[:: -(-breaks.size // points)]
    kept = np.union1d(kept, np.concatenate((breaks, breaks + 1)))
    where = np.searchsorted(kept, breaks, side="right")
    middles = t_ns[breaks] + (t_ns[breaks + 1] - t_ns[breaks]) // 2
    return (
        np.insert(t_ns[kept], where, middles),
        np.insert(value[kept], where, np.nan),
    )


def _extremes(t_ns: Nanoseconds, value: Values, points: int) -> NDArray[np.int64]:
    if t_ns.size <= points:
        return np.arange(t_ns.size)
    kept = MinMaxDownsampler().downsample(  # type: ignore[no-untyped-call]
        np.ascontiguousarray(t_ns), np.ascontiguousarray(value), n_out=points
    )
    return np.union1d(kept.astype(np.int64), [0, t_ns.size - 1])


def stretches(
    spans_ns: Nanoseconds, *, start_ns: int, end_ns: int, most: int = POINTS
) -> Nanoseconds:
    """The stretches that are seen between two times, none lost.

    Args:
        spans_ns: shape (n, 2), ns, in order.
        start_ns: left edge of what is seen, ns.
        end_ns: right edge, ns.
        most: how many columns the view has; stretches within one column are joined.

    Returns:
        Shape (k, 2), ns, k at most ``most`` + 1.
    """
    seen = spans_ns[(spans_ns[:, 1] > start_ns) & (spans_ns[:, 0] < end_ns)]
    if seen.shape[0] <= most:
        return seen
    column_ns = (end_ns - start_ns) // most + 1
    column = (seen[:, 0] - start_ns) // column_ns
    firsts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    lasts = np.append(firsts[1:], seen.shape[0]) - 1
    return np.column_stack((seen[firsts, 0], seen[lasts, 1]))


def encode(values: NDArray[np.generic]) -> dict[str, str]:
    """An array as plotly.js takes it: its type, and its bytes in base64.

    Args:
        values: shape (n,), float32 or float64.
    """
    little = np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<"))
    return {
        "dtype": f"{values.dtype.kind}{values.dtype.itemsize}",
        "bdata": base64.b64encode(little.tobytes()).decode("ascii"),
    }
