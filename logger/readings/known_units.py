"""Sizes of the units that rig and test files are mostly written in.

Pint knows every unit there is, and reading its list takes a program longer than all else that a
short command does. These are the usual ones, by their definitions; a test holds each to pint.
"""

from __future__ import annotations

from typing import NamedTuple


class KnownUnit(NamedTuple):
    """A usual unit.

    Attributes:
        size: how many of each target one of it is.
        targets: the units of SI, as pint writes them, that it can be turned into.
    """

    size: float
    targets: tuple[str, ...]


_DEG_IN_A_RADIAN = 57.29577951308232
_SIZES: dict[tuple[str, ...], dict[str, float]] = {
    ("kg",): {
        "kg": 1.0,
        "g": 0.001,
        "t": 1000.0,
        "tonne": 1000.0,
        "tonnes": 1000.0,
        "lb": 0.45359237,
        "lbs": 0.45359237,
        "short ton": 907.18474,
        "short tons": 907.18474,
        "long ton": 1016.0469088,
        "long tons": 1016.0469088,
    },
    ("N",): {"N": 1.0, "kN": 1000.0, "lbf": 4.4482216152605, "kgf": 9.80665},
    ("m",): {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254, "inch": 0.0254},
    # A radian has no dimension, so a moment is a twist's stiffness too.
    ("N*m", "N*m/rad"): {
        "N·m": 1.0,
        "kN·m": 1000.0,
        "ft·lbf": 1.3558179483314004,
        "N·m/deg": _DEG_IN_A_RADIAN,
        "kN·m/deg": 1000 * _DEG_IN_A_RADIAN,
    },
    ("kg*m",): {"kg·m": 1.0, "t·m": 1000.0},
    ("deg",): {
        "deg": 1.0,
        "°": 1.0,
        "rad": _DEG_IN_A_RADIAN,
        "mrad": _DEG_IN_A_RADIAN / 1000,
    },
    ("s",): {"s": 1.0, "ms": 0.001, "us": 1e-6, "min": 60.0, "h": 3600.0},
    ("N/m",): {"N/m": 1.0, "kN/m": 1000.0, "N/mm": 1000.0, "kN/mm": 1e6},
    ("m/s",): {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 0.44704},
    ("deg/s",): {"deg/s": 1.0, "rad/s": _DEG_IN_A_RADIAN, "deg/min": 1 / 60},
}
KNOWN_UNITS = {
    unit: KnownUnit(size, targets)
    for targets, sizes in _SIZES.items()
    for unit, size in sizes.items()
}
"""The usual units as people write them, such as ``"kN·m"``."""
