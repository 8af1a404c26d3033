"""Drawings of the crane from the side: radius, boom, hook; and how a truck leans."""

from __future__ import annotations

import math

import numpy as np
from paper import Paper

from logger.readings.boom_geometry import BoomGeometry, BoomPose, stiff_radius_m, tip_height_m

PX_PER_M = 62
GEOMETRY = BoomGeometry.model_validate(
    {
        "foot_pin_offset": "-0.35 m",
        "foot_pin_height": "1.9 m",
        "tip_along": "0.25 m",
        "tip_perpendicular": "0.18 m",
        "sheave_radius": "0.15 m",
    }
)
ANGLE_DEG, LENGTH_M = 42.0, 5.1
"""An invented crane; the drawing is true to scale, and its radius is what the program computes."""


def computed_radius_m() -> float:
    """The radius of the drawn crane, m, as the program works it out."""
    return float(stiff_radius_m(GEOMETRY, _pose())[0])


def _pose() -> BoomPose:
    return BoomPose(
        angle_deg=np.array([ANGLE_DEG]), length_m=np.array([LENGTH_M]), tilt_deg=np.array([0.0])
    )


def radius() -> Paper:
    """Radius, boom angle and length, hook height; true to scale."""
    p = Paper(
        860,
        520,
        title="Radius, boom angle and length, hook height",
        about="A crane from the side, boom to the right. The radius is level, from the slew axis "
        "to the hoist line with the load hanging. The boom angle is against the horizontal, the "
        "length from the foot pin along the boom; the rope hangs from the far side of the sheave.",
    )
    m, ground, axis = PX_PER_M, 452, 330
    low = ground - 1.0 * m  # the level from which heights of the geometry count
    pin = (axis + GEOMETRY.foot_pin_offset_m * m, low - GEOMETRY.foot_pin_height_m * m)
    a = math.radians(ANGLE_DEG)
    along, up = (math.cos(a), -math.sin(a)), (-math.sin(a), -math.cos(a))

    def at(length_m: float, off_m: float) -> tuple[float, float]:
        return (
            pin[0] + (length_m * along[0] + off_m * up[0]) * m,
            pin[1] + (length_m * along[1] + off_m * up[1]) * m,
        )

    end, sheave = at(LENGTH_M, 0), at(LENGTH_M + GEOMETRY.tip_along_m, GEOMETRY.tip_perpendicular_m)
    line_x = axis + computed_radius_m() * m
    tip_y = low - float(tip_height_m(GEOMETRY, _pose())[0]) * m
    p.box(20, ground, 820, 24, "earth", r=0)
    p.line((20, ground), (840, ground), look="fat")
    p.box(60, ground - 1.05 * m, 410, 0.28 * m, "steel", r=2)
    p.shape(
        (50, low - 4),
        (50, low - 70),
        (84, low - 112),
        (150, low - 112),
        (150, low - 4),
        look="dark",
    )
    p.shape((66, low - 62), (92, low - 98), (112, low - 98), (112, low - 62), look="hole")
    for x in (112, 400):
        p.circle(x, ground - 0.5 * m, 0.5 * m, "rubber")
        p.circle(x, ground - 0.5 * m, 0.26 * m, "steel")
    p.shape(
        (axis - 40, low),
        (axis + 40, low),
        (axis + 26, pin[1] + 4),
        (axis - 36, pin[1] - 6),
        look="dark",
    )
    p.line((axis, 90), (axis, ground), look="axis")
    p.shape(at(-0.25, 0.16), at(LENGTH_M, 0.1), at(LENGTH_M, -0.1), at(-0.25, -0.16), look="steel")
    p.line(at(0, 0), (at(LENGTH_M + 0.25, 0)), look="axis")
    p.circle(*pin, 6, "hole")
    p.line(end, at(LENGTH_M + 0.25, 0), sheave, look="fat")
    p.circle(*sheave, GEOMETRY.sheave_radius_m * m, "hole")
    p.dot(*sheave)
    p.line((line_x, tip_y), (line_x, 318), look="fat")
    p.path(f"M{line_x:.1f} 318v6m0 0c14 1 14 22 0 22c-7 0-11-5-10-10", "fat")
    p.line((line_x, 346), (line_x - 34, 376), look="ink")
    p.line((line_x, 346), (line_x + 34, 376), look="ink")
    p.box(line_x - 46, 376, 92, 62, "load", r=3)
    p.say(line_x, 412, "load", look="strong", anchor="middle", bare=True)
    # radius
    p.line((line_x, 440), (line_x, 500), look="dash")
    p.size((axis, 494), (line_x, 494), "radius, with the load hanging", look="hot", beside=(0, -6))
    p.line((axis, ground), (axis, 502), look="dash")
    p.say(axis - 10, 110, "slew axis", anchor="end")

    # angle and length
    p.line(pin, (pin[0] + 150, pin[1]), look="dash")
    p.arc(*pin, 92, 0, ANGLE_DEG, "wire")
    p.tip(*(pin[0] + 92 * math.cos(a), pin[1] - 92 * math.sin(a)), ANGLE_DEG + 86, "wire")
    p.say(pin[0] + 104, pin[1] - 34, "boom angle", look="sense")
    p.arrow(at(0, 0.62), at(LENGTH_M, 0.62), look="wire", both=True)
    p.line(at(0, 0.1), at(0, 0.72), look="thin")
    p.line(at(LENGTH_M, 0.1), at(LENGTH_M, 0.72), look="thin")
    x, y = at(LENGTH_M * 0.72, 0.75)
    p.say(x - 6, y - 4, "boom length", look="sense", anchor="end")
    p.arrow((line_x + 78, ground), (line_x + 78, 346), look="wire", both=True)
    p.line((line_x + 14, 346), (line_x + 88, 346), look="thin")
    p.say(line_x + 90, 396, "hook height", look="sense")
    p.say(pin[0] - 44, pin[1] + 6, "foot pin", anchor="end", lead=(pin[0] - 3, pin[1] + 1))
    p.say(
        sheave[0] + 40,
        sheave[1] - 22,
        "tip_along, tip_perpendicular",
        "and sheave_radius",
        lead=(sheave[0] + 4, sheave[1] - 2),
    )
    p.line((690, 128), (690 + 2 * m, 128), look="fat")
    for i in range(3):
        p.line((690 + i * m, 122), (690 + i * m, 134), look="fat")
        p.say(690 + i * m, 114, ("0", "1", "2 m")[i], look="small", anchor="middle")
    return p


def level() -> Paper:
    """Which way pitch and roll count."""
    p = Paper(
        860,
        300,
        title="Pitch and roll",
        about="Left: the truck from its left side, nose to the left and down: pitch is positive. "
        "Right: the truck from behind, right side down: roll is positive.",
    )
    p.say(30, 36, "pitch: + nose down", look="head")
    p.say(470, 36, "roll: + right side down", look="head")
    p.line((435, 24), (435, 280), look="thin")
    for x in (30, 470):
        p.box(x, 252, 370, 18, "earth", r=0)
        p.line((x, 252), (x + 370, 252), look="fat")
    _leaning(p, 215, 192, 6, side=True)
    _leaning(p, 655, 192, -6, side=False)
    return p


def _leaning(p: Paper, x: float, y: float, lean: float, *, side: bool) -> None:
    c, s = math.cos(math.radians(lean)), math.sin(math.radians(lean))

    def at(dx: float, dy: float) -> tuple[float, float]:
        return x + dx * c + dy * s, y - dx * s + dy * c

    if side:
        p.shape(at(-150, -8), at(150, -8), at(150, 12), at(-150, 12), look="steel")
        p.shape(at(-160, -8), at(-160, -58), at(-138, -84), at(-84, -84), at(-84, -8), look="dark")
        for dx in (-112, 92):
            p.circle(x + dx, 252 - 28, 28, "rubber")
            p.circle(x + dx, 252 - 28, 14, "steel")
        p.shape(at(-4, -8), at(28, -8), at(28, -26), at(-4, -26), look="sensor")
        p.say(x + 44, y - 58, "level sensor", look="sense", lead=at(26, -20))
        p.line(at(-190, 2), at(190, 2), look="axis")
        p.say(32, 112, "nose", look="strong")
        p.turn(x, y + 2, 178, 178, 188, look="danger")
    else:
        p.shape(at(-96, -8), at(96, -8), at(96, 12), at(-96, 12), look="steel")
        p.shape(at(-80, -8), at(-80, -92), at(80, -92), at(80, -8), look="dark")
        for dx in (-84, 84):
            p.box(x + dx - 15, 252 - 56, 30, 56, "rubber", r=6)
        p.line(at(-150, 2), at(150, 2), look="axis")
        p.turn(x, y + 2, 140, 2, -9, look="danger")
        p.say(478, 112, "left side", look="strong")
        p.say(838, 112, "right side", look="strong", anchor="end")
        p.say(x, y - 44, "seen from behind", anchor="middle", bare=True)
