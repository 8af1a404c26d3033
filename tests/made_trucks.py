"""Trucks for tests of the truck model: from plain numbers, and at random."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import strategies as st

from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

loads = st.floats(0, 4000)
radii = st.floats(0, 8)
slews = st.floats(-180, 180)
stiffnesses = st.floats(2e4, 6e6)
places = st.tuples(
    st.floats(-4, 4).map(lambda x: round(x, 2)), st.floats(-2, 2).map(lambda y: round(y, 2))
)


def truck(*, supports, masses, slewing=(), column=(0.0, 0.0), twist=None):
    """A model from plain numbers.

    Supports are (x, y, N/m, preload, kind) or that with unsprung kg and droop; masses are
    (kg, x, y); slewing ones (kg, radius); the twist is in N·m/rad.
    """

    def length(number):
        return f"{number!r} m"

    rows = [(*s, 0.0, 0.0) if len(s) == 5 else s for s in supports]
    table = {
        "column": [length(c) for c in column],
        "masses": [{"mass": f"{m!r} kg", "at": [length(x), length(y)]} for m, x, y in masses],
        "slewing": [{"mass": f"{m!r} kg", "radius": length(r)} for m, r in slewing],
        "supports": [
            {
                "name": f"s{i}",
                "kind": kind,
                "at": [length(x), length(y)],
                "stiffness": f"{k!r} N/m",
                "preload": length(preload),
                "unsprung": f"{unsprung!r} kg",
                "droop": length(droop),
            }
            for i, (x, y, k, preload, kind, unsprung, droop) in enumerate(rows)
        ],
    }
    if twist is not None:
        table["twist"] = f"{twist!r} N·m/rad"
    return TruckModel.model_validate(table)


def corners(length, width, stiffness=1e5, *, unsprung=0.0, droop=0.0):
    """Equal wheels at the corners of a rectangle: (+,+), (+,-), (-,+), (-,-)."""
    return [
        (sx * length / 2, sy * width / 2, stiffness, 0.0, "wheel", unsprung, droop)
        for sx in (1, -1)
        for sy in (1, -1)
    ]


@st.composite
def trucks(draw, *, most=7, whole=False):
    """Trucks on 3 to 7 supports that do not lie on a line; whole ones have every feature."""
    spots = draw(st.lists(places, min_size=3, max_size=most, unique=True))
    area = max(
        abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
        for a, b, c in itertools.combinations(spots, 3)
    )
    if area < 0.5:
        spots = list(dict.fromkeys([*spots[: most - 3], (3.0, 1.0), (3.0, -1.0), (-1.0, 0.0)]))
    unsprung = st.floats(10, 600) if whole else st.just(0.0)
    droop = st.just(0.0) | st.floats(0.001, 0.1) if whole else st.just(0.0)
    supports = [
        (
            x,
            y,
            draw(stiffnesses),
            round(draw(st.floats(-0.05, 0.05)), 4),
            "wheel",
            draw(unsprung),
            draw(droop),
        )
        for x, y in spots
    ]
    middle = np.mean(spots, axis=0)
    masses = [(draw(st.floats(500, 9000)), float(middle[0]), float(middle[1]))]
    slewing = [(draw(st.floats(50, 900)), draw(st.floats(-0.5, 2.0)))]
    twist = draw(st.none() | st.floats(1e4, 1e7)) if whole else None
    return truck(
        supports=supports, masses=masses, slewing=slewing, column=draw(places), twist=twist
    )


def bodies(model, slew_deg, load_kg, radius_m):
    """Every mass written out: kg, x, y and the x of the cross-section that carries it."""
    direction = -np.cos(np.radians(slew_deg)), -np.sin(np.radians(slew_deg))
    column = model.column_m
    found = [(m.mass_kg, *m.at_m, m.at_m[0]) for m in model.masses]
    found += [(s.unsprung_kg, *s.at_m, s.at_m[0]) for s in model.supports]
    hanging = [(m.mass_kg, m.radius_m) for m in model.slewing] + [(load_kg, radius_m)]
    found += [
        (kg, column[0] + r * direction[0], column[1] + r * direction[1], column[0])
        for kg, r in hanging
    ]
    return found


def weight_and_centre(model, slew_deg, load_kg, radius_m):
    """The same sums as the model's, mass by mass: N and (x, y)."""
    found = bodies(model, slew_deg, load_kg, radius_m)
    mass = sum(b[0] for b in found)
    centre = sum(b[0] * b[1] for b in found) / mass, sum(b[0] * b[2] for b in found) / mass
    return mass * STANDARD_GRAVITY_MPS2, centre
