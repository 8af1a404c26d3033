"""Drawings of the load cell: what it reads of what hangs, and how it is wired."""

from __future__ import annotations

from paper import Paper


def load_cell_placing() -> Paper:
    """What hangs above the cell and what below, and where the cell does not belong."""
    p = Paper(
        860,
        520,
        title="Where the load cell hangs",
        about="Left: the cell between hook and slings. Block and shackle hang above it and "
        "are not in its reading; swivel, slings and weights are. Right: the cell at the rope's "
        "fixed end, which reads the pull of one fall, with the friction of the sheaves in it.",
    )
    _under_the_hook(p, 210)
    p.line((470, 30), (470, 490), look="thin")
    _at_the_dead_end(p, 640)
    return p


def _sheave(p: Paper, x: float, y: float, r: float = 24) -> None:
    p.circle(x, y, r, "steel")
    p.circle(x, y, r * 0.72, "hole")
    p.circle(x, y, 4, "dark")


def _boom(p: Paper, x: float, y: float) -> None:
    p.shape((x - 150, y + 52), (x + 4, y - 20), (x + 16, y + 10), (x - 138, y + 82), look="steel")


def _under_the_hook(p: Paper, x: float) -> None:
    p.say(28, 36, "A: under the hook", look="head")
    _boom(p, x, 74)
    _sheave(p, x, 74)
    p.line((x + 24, 74), (x + 24, 152), look="fat")
    p.line((x - 24, 84), (x - 24, 152), look="fat")
    p.box(x - 34, 128, 68, 56, "dark", r=12)
    _sheave(p, x, 152)
    p.path(f"M{x} 184v14m0 0c22 2 22 34 0 34c-11 0-18-8-17-16", "fat")
    p.path(f"M{x - 10} 226v18a10 10 0 0 0 20 0v-18", "fat")
    p.line((x - 15, 244), (x + 15, 244), look="fat")
    p.box(x - 22, 256, 44, 66, "sensor", r=8)
    p.circle(x, 268, 6, "hole")
    p.circle(x, 310, 6, "hole")
    p.path(f"M{x - 10} 312v16a10 10 0 0 0 20 0v-16", "fat")
    p.box(x - 8, 336, 16, 18, "dark", r=4)
    p.line((x, 354), (x - 58, 400), look="fat")
    p.line((x, 354), (x + 58, 400), look="fat")
    p.box(x - 84, 400, 168, 62, "load", r=4)
    p.say(x, 437, "weights", look="strong", anchor="middle", bare=True)
    p.line((40, 492), (440, 492), look="fat")
    p.arrow((x - 104, 464), (x - 104, 491), look="ink", both=True)
    p.say(x - 96, 481, "hand's breadth", look="small")
    # what is above and below
    p.arrow((x + 130, 104), (x + 130, 285), look="ink", both=True)
    p.say(x + 142, 160, "above the cell:", look="strong")
    p.say(x + 142, 180, "block, hook,", "shackle:")
    p.say(x + 142, 222, "above_cell", look="hot")
    p.line((x + 28, 289), (x + 140, 289), look="dash")
    p.arrow((x + 130, 293), (x + 130, 462), look="ink", both=True)
    p.say(x + 142, 362, "the cell reads:", look="strong")
    p.say(x + 142, 382, "shackle, swivel,", "slings, weights")
    p.say(x - 60, 292, "load cell", look="sense", anchor="end", lead=(x - 22, 288))
    p.say(x - 60, 350, "swivel", anchor="end", lead=(x - 8, 345))
    p.say(x - 70, 206, "hook block", anchor="end", lead=(x - 32, 176))


def _at_the_dead_end(p: Paper, x: float) -> None:
    p.say(494, 36, "B: at the rope's fixed end", look="head")
    _boom(p, x, 90)
    _sheave(p, x, 90)
    p.line((x + 24, 90), (x + 24, 300), look="fat")
    p.line((x - 24, 100), (x - 24, 138), look="fat")
    p.box(x - 36, 138, 24, 44, "sensor", r=6)
    p.line((x - 24, 182), (x - 24, 300), look="fat")
    p.box(x - 34, 276, 68, 56, "dark", r=12)
    _sheave(p, x, 300)
    p.path(f"M{x} 332v14m0 0c22 2 22 34 0 34c-11 0-18-8-17-16", "fat")
    p.line((x, 380), (x - 50, 408), look="fat")
    p.line((x, 380), (x + 50, 408), look="fat")
    p.box(x - 70, 408, 140, 54, "load", r=4)
    p.say(x, 441, "W", look="strong", anchor="middle", bare=True)
    p.say(x - 62, 222, "cell reads", "about W / 2", look="sense", anchor="end", lead=(x - 34, 176))
    p.say(x + 46, 176, "two falls carry W", lead=(x + 24, 171))
    p.say(
        x + 46,
        222,
        "friction of a sheave",
        "makes the falls differ",
        "by some per cent, up",
        "and down unlike",
    )
    p.say(
        x + 60,
        490,
        "calibrate it in place, with weights on the hook",
        look="small",
        anchor="middle",
    )


def bridge_wiring() -> Paper:
    """A bridge with six wires: supply, sense, signal, and the shield at one end."""
    p = Paper(
        860,
        350,
        title="A load cell with six wires",
        about="Four resistors in a diamond inside the cell. Two wires bring the excitation, two "
        "sense it at the cell, two carry the signal back to the amplifier. The shield is joined to "
        "ground at the amplifier's end only.",
    )
    cx, cy, d = 160, 186, 84
    p.box(40, 66, 240, 240, "box", r=14)
    p.say(160, 54, "load cell", look="sense", anchor="middle")
    corners = {"n": (cx, cy - d), "e": (cx + d, cy), "s": (cx, cy + d), "w": (cx - d, cy)}
    for a, b in ("ne", "es", "sw", "wn"):
        (x0, y0), (x1, y1) = corners[a], corners[b]
        p.line((x0, y0), (x1, y1), look="ink")
        mx, my = (x0 + x1) / 2, (y0 + y1) / 2
        ux, uy = (x1 - x0) / (d * 2**0.5), (y1 - y0) / (d * 2**0.5)
        p.shape(
            *(
                (mx + s * ux * 20 + t * uy * 8, my + s * uy * 20 - t * ux * 8)
                for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ),
            look="dark",
        )
    for x, y in corners.values():
        p.dot(x, y)
    ax = 640
    p.box(ax, 66, 180, 240, "box", r=6)
    p.say(ax + 90, 54, "amplifier", look="strong", anchor="middle")
    rows = (
        (92, "n", "danger", "excitation +"),
        (122, "n", "thin", "sense +"),
        (168, "e", "wire", "signal +"),
        (204, "w", "wire", "signal −"),
        (250, "s", "thin", "sense −"),
        (280, "s", "danger", "excitation −"),
    )
    for y, corner, look, words in rows:
        x0, y0 = corners[corner]
        if look == "thin":  # joined to the supply inside the cell
            supply = 92 if corner == "n" else 280
            p.line((224, supply), (224, y), (ax, y), look=look)
            p.dot(224, supply, "thin")
        else:
            bend = {"n": 20, "s": 20, "e": 16, "w": 30}[corner]
            p.line((x0, y0), (x0 + bend, y), (ax, y), look=look)
        p.say(ax + 12, y + 5, words)
    p.box(320, 76, 280, 220, "dash", r=10)
    p.line((600, 290), (620, 322), (640, 322), look="dash")
    p.line((640, 310), (640, 334), look="fat")
    p.line((648, 315), (648, 329), look="fat")
    p.line((656, 319), (656, 325), look="fat")
    p.say(668, 327, "shield: this end only", look="strong")
    p.say(330, 322, "shield, not joined at the cell")
    return p
