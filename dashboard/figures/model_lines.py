"""What the figures of the truck model show, before anybody draws them.

One line a support and one an edge of the polygon, each with a dash of its own and its name
written on it where it runs farthest from the others, so that colour is not needed to tell them
apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.units import SI, Units
from dashboard.figures.words import angle_words, short_name

ModelDocument = dict[str, Any]
Numbers = NDArray[np.float64]

DASHES = ("", "10 4", "2 3", "12 4 2 4", "18 5", "6 3 2 3 2 3")
"""Lengths of strokes and gaps, px; a solid line first."""
SLEW_TICKS_DEG = tuple(range(-180, 181, 45))
_MOST_POINTS = 1441
_LABEL_WIDTH_DEG = 62.0
_LABEL_HEIGHT = 0.055
"""Of the figure's height."""
_TOP_OF_TIPPING = 2.5
"""Top of the tipping figure, as a multiple of the greater of test load and least tipping load."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelLine:
    """A line of a figure.

    Attributes:
        name: what it is, in words.
        group: ``wheel``, ``outrigger``, ``edge`` or ``least``.
        values: shape (angles,), NaN where there is none.
        dash: one of ``DASHES``.
        label: index of the angle to write the name at; None where it has no place.
    """

    name: str
    group: str
    values: Numbers
    dash: str
    label: int | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelLines:
    """The lines of one figure.

    Attributes:
        slew_deg: angles, shape (angles,), deg.
        lines: what is drawn over them.
        top: upper end of the figure; the lower one is zero.
    """

    slew_deg: Numbers
    lines: tuple[ModelLine, ...]
    top: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A first lift: where, in words, and which way the words run from it."""

    slew_deg: float
    words: str
    anchor: Literal["start", "middle", "end"]


def reaction_lines(document: ModelDocument, units: Units = SI) -> ModelLines:
    """Reactions at each support against slew angle, in the units' force.

    Args:
        document: a ``slewtrace.model/1`` document.
        units: what the figure is read in.
    """
    slew_deg = np.array(document["slew_deg"], dtype=np.float64)
    values = np.array(document["reactions_n"], dtype=np.float64).T / units.force.si_in_one
    slew_deg, values = _thinned(slew_deg, values)
    top = 1.12 * _greatest(values)
    kinds = document["kinds"]
    dash = [DASHES[kinds[:i].count(kind) % len(DASHES)] for i, kind in enumerate(kinds)]
    labels = _label_places(slew_deg, values, top)
    lines = tuple(
        ModelLine(name=short_name(name), group=kinds[i], values=v, dash=dash[i], label=labels[i])
        for i, (name, v) in enumerate(zip(document["supports"], values, strict=True))
    )
    return ModelLines(slew_deg=slew_deg, lines=lines, top=top)


def tipping_lines(document: ModelDocument, units: Units = SI) -> ModelLines:
    """Loads that tip the truck against slew angle: over each edge, and the least of them.

    Args:
        document: a ``slewtrace.model/1`` document.
        units: what the figure is read in; values are in their mass.
    """
    edges = document["tipping_edges"]
    slew_deg = np.array(document["slew_deg"], dtype=np.float64)
    values = np.array([*(e["load_kg"] for e in edges), document["tipping_load_kg"]], dtype=float)
    values /= units.mass.si_in_one
    slew_deg, values = _thinned(slew_deg, values)
    least = document["least_tipping"]
    most_kg = max(document["load_kg"], least["load_kg"] if least else 0.0)
    top = _TOP_OF_TIPPING * units.mass.of(most_kg) or 1.0
    shown = np.where(values <= top, values, np.nan)
    lines = [
        ModelLine(
            name="over " + " – ".join(short_name(name) for name in edge["supports"]),
            group="edge",
            values=shown[i],
            dash=DASHES[1 + i % (len(DASHES) - 1)],
            label=int(np.nanargmin(shown[i])),
        )
        for i, edge in enumerate(edges)
        if np.isfinite(shown[i]).any()
    ]
    name = "least over all edges"
    lines.append(ModelLine(name=name, group="least", values=shown[-1], dash="", label=None))
    return ModelLines(slew_deg=slew_deg, lines=tuple(lines), top=top)


def lifts_of(document: ModelDocument) -> list[Lift]:
    """The first lifts of both sides; one where both are the same."""
    found: dict[tuple[str, float], Lift] = {}
    for lift in document["first_lift"].values():
        if lift is not None:
            slew_deg = float(lift["slew_deg"])
            words = f"{short_name(lift['wheel'])} lifts, {angle_words(slew_deg)}"
            found[lift["wheel"], slew_deg] = Lift(
                slew_deg=slew_deg, words=words, anchor=_anchor(slew_deg)
            )
    return list(found.values())


def _anchor(slew_deg: float) -> Literal["start", "middle", "end"]:
    """Words about lifts near the rear run outwards, near the cab inwards."""
    if 60 <= abs(slew_deg) <= 120:
        return "middle"
    return "start" if (slew_deg >= 0) == (abs(slew_deg) < 60) else "end"


def tick_words(slew_deg: float) -> str:
    """A slew angle at an axis."""
    if slew_deg == 0:
        return "0° rear"
    if abs(slew_deg) == 180:
        return "180°"
    return f"{abs(slew_deg):g}° {'right' if slew_deg > 0 else 'left'}"


def stretches(values: Numbers) -> list[slice]:
    """Where a line is drawn: stretches of two or more numbers."""
    known = np.concatenate(([False], np.isfinite(values), [False])).astype(np.int8)
    change = np.diff(known)
    ends = zip(np.flatnonzero(change > 0), np.flatnonzero(change < 0), strict=True)
    return [slice(int(a), int(b)) for a, b in ends if b - a > 1]


def _thinned(slew_deg: Numbers, values: Numbers) -> tuple[Numbers, Numbers]:
    every = -(-len(slew_deg) // _MOST_POINTS)
    return slew_deg[::every], values[:, ::every]


def _greatest(values: Numbers) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if known.size and known.max() > 0 else 1.0


def _label_places(slew_deg: Numbers, values: Numbers, top: float) -> list[int | None]:
    """For each line the angle where its name is clearest: far from other lines and names."""
    height = values / top
    inside = np.abs(slew_deg) <= 180 - _LABEL_WIDTH_DEG / 2
    places: list[int | None] = []
    for i, mine in enumerate(height):
        others = np.abs(np.delete(height, i, axis=0) - mine)
        clear = np.where(np.isfinite(others), others, 1.0).min(axis=0, initial=1.0)
        for j, place in enumerate(places):
            if place is not None:
                aside = np.abs(slew_deg - slew_deg[place]) / _LABEL_WIDTH_DEG
                above = np.abs(mine - height[j, place]) / _LABEL_HEIGHT
                clear = np.where(np.maximum(aside, above) < 1, -1.0, clear)
        edge = np.minimum(mine, 1 - mine)
        clear = np.where(edge < _LABEL_HEIGHT, -0.5 + edge, clear)
        usable = inside & np.isfinite(mine)
        places.append(int(np.where(usable, clear, -np.inf).argmax()) if usable.any() else None)
    return places
