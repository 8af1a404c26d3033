"""From scales to a mass and its centre.

Scales under wheels or axles carry the whole truck: what is fixed, what slews (the boom stood at
some angle) and what hangs below the springs. Their sum is its mass, their balance point its
centre; less the slewing and the unsprung masses that the model lists by themselves, the rest is
one mass fixed to the frame.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

MASS_AGREES = 0.02
"""Listed masses may differ from the weighed ones by this share: common practice, no source."""
CENTRE_AGREES_M = 0.05
"""… and their centres by this: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A mass and where its centre is in the vehicle frame."""

    mass_kg: float
    at_m: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """A truck on scales.

    Attributes:
        on_scales: what each scale read, and where it stood.
        slewing: masses (kg) that turn with the boom, and their radii (m).
        column_m: slew axis, in the vehicle frame, m.
        slew_deg: where the boom stood, deg.
        unsprung: masses below the springs.
    """

    on_scales: tuple[Body, ...]
    slewing: tuple[tuple[float, float], ...]
    column_m: tuple[float, float]
    slew_deg: float
    unsprung: tuple[Body, ...]


def balanced(bodies: Iterable[Body]) -> Body | None:
    """Bodies as one at their balance point; None where they weigh nothing together."""
    bodies = tuple(bodies)
    mass_kg = math.fsum(b.mass_kg for b in bodies)
    if not mass_kg > 0:
        return None
    x, y = (math.fsum(b.mass_kg * b.at_m[axis] for b in bodies) / mass_kg for axis in (0, 1))
    return Body(mass_kg=mass_kg, at_m=(x, y))


def rest_of(weighing: Weighing) -> Body:
    """What the scales carried besides the slewing and the unsprung masses.

    Raises:
        ValueError: where nothing is left.
    """
    slew = math.radians(weighing.slew_deg)
    (x, y), (ahead, aside) = weighing.column_m, (-math.cos(slew), -math.sin(slew))
    slewing = [
        Body(mass_kg=-kg, at_m=(x + radius * ahead, y + radius * aside))
        for kg, radius in weighing.slewing
    ]
    unsprung = [Body(mass_kg=-b.mass_kg, at_m=b.at_m) for b in weighing.unsprung]
    rest = balanced([*weighing.on_scales, *slewing, *unsprung])
    if rest is None:
        on_scales = math.fsum(b.mass_kg for b in weighing.on_scales)
        listed = -math.fsum(b.mass_kg for b in [*slewing, *unsprung])
        raise ValueError(
            f"the scales read {on_scales:g} kg, and the slewing and unsprung masses alone "
            f"come to {listed:g} kg"
        )
    return rest


def contradiction(listed: Body, weighed: Body) -> str:
    """What speaks against listed masses and scales meaning one truck; empty where nothing does."""
    apart_m = math.dist(listed.at_m, weighed.at_m)
    if abs(listed.mass_kg - weighed.mass_kg) > MASS_AGREES * weighed.mass_kg:
        what = f"{listed.mass_kg:.0f} kg, but the scales leave {weighed.mass_kg:.0f} kg for them"
    elif apart_m > CENTRE_AGREES_M:
        what = (
            f"balanced at x {listed.at_m[0]:.3f} m, y {listed.at_m[1]:.3f} m, but by the scales "
            f"at x {weighed.at_m[0]:.3f} m, y {weighed.at_m[1]:.3f} m"
        )
    else:
        return ""
    return (
        f"together they are {what}; mend one, or mark what was put on after weighing "
        "with on_scales = false"
    )
