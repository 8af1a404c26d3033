"""Drawings of the slew angle: which way it counts, where an encoder sits, how it counts."""

from __future__ import annotations

from paper import Paper, on_circle

PX_PER_M = 62
"""Scale of the truck from above."""


def slew_angle() -> Paper:
    """The truck from above, with the angle's zero and direction; true to scale."""
    p = Paper(
        860,
        470,
        title="Slew angle, seen from above",
        about="A truck from above, cab to the left. The slew angle is 0 degrees over the rear, "
        "grows counter-clockwise, plus 90 degrees over the right side, minus 90 over the left.",
    )
    ox, oy = 560, 235  # slew axis
    m = PX_PER_M
    for x in (-4.25, 0.75):  # axles, from the slew axis: the cab is to the left, x of the paper
        for side in (-1, 1):
            p.box(
                ox + x * m - 0.48 * m, oy + side * 1.0 * m - 0.16 * m, 0.96 * m, 0.32 * m, "rubber"
            )
    p.box(ox - 5.0 * m, oy - 0.45 * m, 6.6 * m, 0.9 * m, "steel")
    p.box(ox - 5.9 * m, oy - 1.12 * m, 1.75 * m, 2.24 * m, "dark", r=10)
    p.box(ox - 5.72 * m, oy - 0.98 * m, 0.5 * m, 1.96 * m, "hole", r=8)
    p.line((ox - 6.3 * m, oy), (ox + 4.35 * m, oy), look="axis")
    p.line((ox, oy - 3.3 * m), (ox, oy + 3.3 * m), look="axis")
    # the boom over the rear, and where it goes
    p.shape(
        (ox - 0.5 * m, oy - 0.2 * m),
        (ox + 2.55 * m, oy - 0.1 * m),
        (ox + 2.55 * m, oy + 0.1 * m),
        (ox - 0.5 * m, oy + 0.2 * m),
        look="load",
    )
    p.circle(ox, oy, 0.42 * m, "sensor")
    p.dot(ox, oy)
    r = 2.55 * m
    p.turn(ox, oy, r, 8, 76, look="wire")
    p.turn(ox, oy, r, -8, -76, look="fat")
    p.arc(ox, oy, r, 76, 168, look="dash")
    p.arc(ox, oy, r, -76, -168, look="dash")
    p.say(ox + 2.75 * m, oy - 12, "0°", look="head")
    p.say(ox + 2.75 * m, oy + 26, "over the rear")
    p.say(ox + 12, oy - 2.95 * m, "+90°", look="sense")
    p.say(ox + 12, oy - 2.62 * m, "over the right side", look="label")
    p.say(ox + 12, oy + 2.8 * m, "−90°", look="strong")
    p.say(ox + 12, oy + 3.12 * m, "over the left side", look="label")
    x, y = on_circle(ox, oy, r, 38)
    p.say(x + 12, y - 6, "counts up", look="sense")
    x, y = on_circle(ox, oy, r, -38)
    p.say(x + 12, y + 16, "counts down", look="strong")
    p.say(ox - 4.65 * m, oy - 14, "cab", look="strong", anchor="middle", bare=True)
    p.say(ox - 6.45 * m, oy - 12, "180°", look="head", anchor="end")
    p.say(ox - 6.45 * m, oy + 26, "over the cab", anchor="end")
    p.say(
        ox - 2.75 * m,
        oy - 1.6 * m,
        "encoder on",
        "the slew axis",
        anchor="end",
        look="sense",
        lead=(ox - 0.3 * m, oy - 0.3 * m),
    )
    p.line((40, 440), (40 + 2 * m, 440), look="fat")
    for i in range(3):
        p.line((40 + i * m, 434), (40 + i * m, 446), look="fat")
    p.say(40, 426, "0", look="small", anchor="middle")
    p.say(40 + m, 426, "1", look="small", anchor="middle")
    p.say(40 + 2 * m, 426, "2 m", look="small", anchor="middle")
    return p


def encoder_mounting() -> Paper:
    """Two ways to take the angle off a column: on its axis, or from its ring."""
    p = Paper(
        860,
        430,
        title="Where a slew encoder sits",
        about="Left: an encoder in the middle of the column, its shaft coupled to the turning "
        "part. Right: an encoder beside the slew ring, its toothed wheel pressed on by a spring.",
    )
    _on_the_axis(p, 215)
    _on_the_ring(p, 640)
    p.line((430, 30), (430, 400), look="thin")
    return p


def _on_the_axis(p: Paper, x: float) -> None:
    p.say(x, 34, "A: on the axis", look="head", anchor="middle")
    # column: fixed base, turning part
    p.box(x - 110, 320, 220, 44, "dark")
    p.say(x, 347, "base, fixed to the truck", anchor="middle", bare=True)
    p.box(x - 88, 292, 176, 26, "steel")
    p.shape((x - 70, 110), (x + 70, 110), (x + 70, 290), (x - 70, 290), look="steel")
    p.box(x - 26, 175, 52, 143, "hole")
    p.line((x, 62), (x, 392), look="axis")
    p.box(x - 19, 232, 38, 52, "sensor")
    p.line((x - 12, 284), (x - 12, 320), look="fat")
    p.line((x + 12, 284), (x + 12, 320), look="fat")
    p.line((x, 232), (x, 214), look="fat")
    p.box(x - 9, 196, 18, 18, "hole", r=2)
    p.line((x, 196), (x, 176), look="fat")
    p.box(x - 26, 163, 52, 13, "dark")
    p.turn(x, 110, 36, 155, 385, look="danger")
    p.say(x + 60, 84, "turns", look="hot")
    p.say(x + 88, 170, "bracket on the", "turning part", lead=(x + 24, 169))
    p.say(x + 88, 215, "coupling, soft", "across, stiff round", lead=(x + 8, 206))
    p.say(x + 88, 262, "encoder", look="sense", lead=(x + 18, 258))
    p.say(
        x - 88,
        208,
        "arm to the",
        "fixed base",
        anchor="end",
        lead=(x - 12, 302),
        lead_from=(x - 100, 232),
    )
    p.say(x, 412, "one turn of the boom = one turn of the encoder", look="small", anchor="middle")


def _on_the_ring(p: Paper, x: float) -> None:
    p.say(x, 34, "B: beside the ring", look="head", anchor="middle")
    cx, cy, r = x - 75, 220, 112
    p.circle(cx, cy, r, "steel")
    for i in range(60):
        a, b = on_circle(cx, cy, r, 6 * i), on_circle(cx, cy, r + 7, 6 * i)
        p.line(a, b, look="fat")
    p.circle(cx, cy, 62, "hole")
    p.dot(cx, cy)
    p.turn(cx, cy, 88, 200, 330, look="danger")
    p.say(cx, cy + r + 32, "slew ring with 60 teeth", anchor="middle")
    ex, ey, er = cx + r + 7 + 30, cy, 24
    p.circle(ex, ey, er, "sensor")
    for i in range(12):
        a, b = on_circle(ex, ey, er, 30 * i + 15), on_circle(ex, ey, er + 6, 30 * i + 15)
        p.line(a, b, look="wire")
    p.circle(ex, ey, 4, "hole")
    # swing arm and spring
    p.line((ex, ey), (ex + 8, ey - 108), look="fat")
    p.circle(ex + 8, ey - 108, 6, "dark")
    zig = [(ex + 4, ey - 50)] + [
        (ex + 18 + 8 * i, ey - 50 + (8 if i % 2 else -8)) for i in range(6)
    ]
    p.line(*zig, (ex + 70, ey - 50), look="ink")
    p.line((ex + 70, ey - 66), (ex + 70, ey - 34), look="fat")
    p.say(ex + 8, ey - 126, "pivot on the base", anchor="middle")
    p.say(ex + 84, ey - 46, "spring")
    p.say(ex + 38, ey + 6, "encoder,", look="sense")
    p.say(ex + 38, ey + 26, "12 teeth", look="sense")
    p.say(
        x,
        412,
        "turns of the encoder in one of the boom = 60 / 12 = 5",
        look="small",
        anchor="middle",
    )


def quadrature() -> Paper:
    """The two square waves of an incremental encoder, and the counts they give."""
    p = Paper(
        860,
        300,
        title="Two square waves, four counts in a period",
        about="Channel A and channel B, a quarter of a period apart. Each edge is a count. Where "
        "A leads B the count rises; after the turn B leads and it falls.",
    )
    x0, q = 150, 34
    a_up, b_up = [], []
    states = [(0, 0), (1, 0), (1, 1), (0, 1)]
    ahead = [states[i % 4] for i in range(9)]
    back = [states[(8 - i) % 4] for i in range(1, 9)]
    for i, (a, b) in enumerate(ahead + back):
        for y, bit, points in ((96, a, a_up), (166, b, b_up)):
            level = y - 40 * bit
            points += [(x0 + i * q, level), (x0 + (i + 1) * q, level)]
    turn_x = x0 + 9 * q
    for i in range(1, 17):
        p.line((x0 + i * q, 44), (x0 + i * q, 214), look="thin")
    p.line((turn_x, 30), (turn_x, 262), look="dash")
    p.line(*a_up, look="wire")
    p.line(*b_up, look="fat")
    p.say(x0 - 16, 84, "line A", look="sense", anchor="end")
    p.say(x0 - 16, 154, "line B", look="strong", anchor="end")
    p.say(x0 - 16, 240, "count", look="strong", anchor="end")
    counts = [0, 1, 2, 3, 4, 5, 6, 7, 8, 7, 6, 5, 4, 3, 2, 1, 0]
    for i, c in enumerate(counts):
        p.say(x0 + (i + 0.5) * q, 240, str(c), anchor="middle")
    p.say(x0 + 4.5 * q, 28, "A leads: counts up", anchor="middle", look="sense")
    p.say(x0 + 13 * q, 28, "B leads: counts down", anchor="middle", look="strong")
    p.size(
        (x0 + q, 278),
        (x0 + 5 * q, 278),
        "one period = 4 counts",
        beside=(2 * q + 14, 5),
        anchor="start",
    )
    return p
