"""The polygon that a truck stands on: the convex hull of its supports, seen from above.

A rigid truck stands while the centre of all masses lies inside, and begins to tip over the edge
that it reaches.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Place: TypeAlias = tuple[float, float]


def corners(places_m: Sequence[Place]) -> list[int]:
    """Which supports stand at the polygon's corners, counter-clockwise.

    Args:
        places_m: where the supports stand; three at least, not on one line.

    Returns:
        Indices into ``places_m``; of several at one place the first. A support on an edge
        between two corners is none.
    """
    first = {place: index for index, place in reversed(list(enumerate(places_m)))}
    return [first[place] for place in _convex_hull(sorted(first))]


def edges(places_m: Sequence[Place]) -> tuple[Numbers, Numbers]:
    """The polygon's edges.

    Args:
        places_m: where the supports stand; three at least, not on one line.

    Returns:
        A corner on each edge, in the order of ``corners``, each edge going on to the next
        corner, and the edge's unit normal that points inward, both of shape (edges, 2),
        counter-clockwise.
    """
    start = np.array([places_m[index] for index in corners(places_m)])
    along = np.roll(start, -1, axis=0) - start
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    return start, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def _convex_hull(points: list[Place]) -> list[Place]:
    """Corners counter-clockwise, by Andrew's monotone chain."""

    def chain(ordered: list[Place]) -> list[Place]:
        kept: list[Place] = []
        for x, y in ordered:
            while len(kept) > 1:
                (x0, y0), (x1, y1) = kept[-2:]
                if (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) > 0:
                    break
                kept.pop()
            kept.append((x, y))
        return kept[:-1]

    return chain(points) + chain(points[::-1])


def margin_m(places_m: Sequence[Place], centre_m: Numbers) -> Numbers:
    """How far inside the polygon points lie.

    Args:
        places_m: where the supports stand.
        centre_m: points, shape (n, 2), m.

    Returns:
        Distance to the nearest edge's line, shape (n,), m; negative outside.
    """
    start, normal = edges(places_m)
    inward = ((centre_m[:, np.newaxis, :] - start) * normal).sum(axis=2)
    return np.asarray(inward.min(axis=1))
