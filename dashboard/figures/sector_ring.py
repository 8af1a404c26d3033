"""The ring of sectors around the truck, cab at the top: wedges, first lifts, the truck inside."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.palette import Palette
from dashboard.figures.sectors_of_result import Result, Sector
from dashboard.figures.words import drawn_name, plain_number

INNER, OUTER = 0.46, 1.0
"""Radii of the ring; everything else is told in radii of the outer one."""
_HATCH = {"proved": "", "reduced": "/", "untested": "x"}


def wedge(sector: Sector, palette: Palette) -> go.Scatter:
    """A sector's piece of the ring, with the hatch of its basis."""
    fill, ink = colours_of(sector.basis, palette)
    steps = max(int((sector.to_deg - sector.from_deg) / 2), 2)
    psi = np.radians(sector.sign * np.linspace(sector.from_deg, sector.to_deg, steps + 1))
    radius = np.concatenate((np.full(psi.size, OUTER), np.full(psi.size, INNER)))
    round_trip = np.concatenate((psi, psi[::-1]))
    x, y = radius * np.sin(round_trip), -radius * np.cos(round_trip)
    pattern = {
        "shape": _HATCH.get(sector.basis, "."),
        "fgcolor": ink,
        "bgcolor": fill,
        "size": 9,
        "solidity": 0.12,
        "fillmode": "overlay",
    }
    return go.Scatter(
        x=np.append(x, x[0]),
        y=np.append(y, y[0]),
        mode="lines",
        fill="toself",
        fillcolor=fill,
        fillpattern=pattern if pattern["shape"] else None,
        line={"color": ink, "width": 1.5},
        hoveron="fills",
        hoverinfo="text",
        text=f"{sector.side} {plain_number(sector.from_deg)}° to "
        f"{plain_number(sector.to_deg)}°: {sector.words}, {sector.basis}",
        name=f"{sector.side} {sector.basis}",
    )


def seam(sectors: Sequence[Sector], palette: Palette) -> Iterator[go.Scatter]:
    """Hides the line between the two halves of the one stretch over the cab."""
    if sum(s.is_over_the_cab for s in sectors) > 1:
        yield go.Scatter(
            x=[0, 0],
            y=[INNER + 0.008, OUTER - 0.008],
            mode="lines",
            line={"color": palette.barred, "width": 2},
            hoverinfo="skip",
            name="over the cab",
        )


def lift_marks(result: Result, palette: Palette) -> Iterator[go.Scatter]:
    """First lifts at the rim: full where the sweep counts, hollow where it does not."""
    for counts in (True, False):
        found = [
            s["first_lift"]
            for s in result.get("sweeps", ())
            if s.get("first_lift") and s.get("counts", True) == counts
        ]
        if not found:
            continue
        places = [place_at(OUTER, lift["slew_deg"]) for lift in found]
        told = "first lift" if counts else "lift in a sweep that does not count"
        yield go.Scatter(
            x=[x for x, _ in places],
            y=[y for _, y in places],
            mode="markers",
            marker={
                "symbol": "triangle-up" if counts else "triangle-up-open",
                "size": 16 if counts else 13,
                "color": palette.act,
                "line": {"color": palette.ground if counts else palette.act, "width": 1.5},
            },
            text=[f"{told}: {drawn_name(lift['wheel'])}" for lift in found],
            hoverinfo="text",
            name="first lifts" if counts else "lifts that do not count",
        )


def truck_shapes(palette: Palette) -> Iterator[dict[str, Any]]:
    """The truck in the middle: body, cab, wheels, the slew axis."""
    line = {"color": palette.muted, "width": 1.5}
    boxes = ((-0.13, -0.27, 0.13, 0.13), (-0.13, 0.15, 0.13, 0.31))
    for x0, y0, x1, y1 in boxes:
        yield {
            "type": "rect",
            "x0": x0,
            "y0": y0,
            "x1": x1,
            "y1": y1,
            "fillcolor": palette.body,
            "line": line,
        }
    for x in (-0.155, 0.155):
        for y in (-0.19, 0.2):
            yield {
                "type": "rect",
                "x0": x - 0.022,
                "x1": x + 0.022,
                "y0": y - 0.055,
                "y1": y + 0.055,
                "fillcolor": palette.ink,
                "line": {"width": 0},
            }
    yield {
        "type": "circle",
        "x0": -0.04,
        "x1": 0.04,
        "y0": -0.2,
        "y1": -0.12,
        "fillcolor": palette.ground,
        "line": {"color": palette.boom, "width": 3},
    }


def colours_of(basis: str, palette: Palette) -> tuple[str, str]:
    """Fill and ink of a basis."""
    return {
        "proved": (palette.safe, palette.safe_ink),
        "reduced": (palette.abnormal, palette.abnormal_ink),
    }.get(basis, (palette.barred, palette.barred_ink))


def place_at(radius: float, slew_deg: float) -> tuple[float, float]:
    """Screen place at a slew angle: 0° straight down, positive to the right."""
    psi = math.radians(slew_deg)
    return radius * math.sin(psi), -radius * math.cos(psi)
