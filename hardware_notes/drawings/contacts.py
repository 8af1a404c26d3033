"""Drawings of the wheel contacts: where they lie, how a cut wire reads, what bounces."""

from __future__ import annotations

from paper import Paper

PX_PER_M = 200
"""Scale of the tyre from the side."""

BOUNCES_MS = (10, 11.2, 12.6, 13.4, 16)
"""When the drawn contact opens, closes, opens, closes, and opens for good."""
ON_DELAY_MS = 50


def switch_placing() -> Paper:
    """Two kinds of contact under a tyre, true to scale; and what travel means."""
    p = Paper(
        860,
        390,
        title="A contact under a tyre",
        about="Left: two plates under the tyre that springs push apart when the tyre leaves them. "
        "Right: a roller lever on a stand beside the tyre that follows the tread; the tyre rises "
        "by the travel before its contact opens.",
    )
    for x, head in ((30, "A: plates under the tyre"), (460, "B: lever beside the tyre")):
        p.say(x, 36, head, look="head")
        p.box(x, 322, 380, 24, "earth", r=0)
        p.line((x, 322), (x + 380, 322), look="fat")
    p.line((435, 24), (435, 366), look="thin")
    _plates(p, 290)
    _lever(p, 655)
    for x in (260, 625):
        left, right = x + 30 - 0.125 * PX_PER_M, x + 30 + 0.125 * PX_PER_M
        p.line((left, 362), (right, 362), look="fat")
        p.line((left, 357), (left, 367), look="fat")
        p.line((right, 357), (right, 367), look="fat")
        p.say(right + 10, 367, "250 mm", look="small")
    return p


def _tyre(p: Paper, x: float, ground: float) -> tuple[float, float]:
    """A tyre of 1.0 m pressed in by 25 mm; half of its footprint, and its middle's height."""
    r, sag = 0.5 * PX_PER_M, 0.025 * PX_PER_M
    cy = ground - (r - sag)
    half = (r**2 - (r - sag) ** 2) ** 0.5
    p.path(f"M{x - half:.1f} {ground:.1f}A{r} {r} 0 1 1 {x + half:.1f} {ground:.1f}Z", "rubber")
    p.circle(x, cy, 0.29 * PX_PER_M, "steel")
    p.circle(x, cy, 0.1 * PX_PER_M, "dark")
    return half, cy


def _plates(p: Paper, x: float) -> None:
    half, _ = _tyre(p, x, 308)
    wide = half + 14
    p.box(x - wide, 308, 2 * wide, 5, "sensor", r=1)
    p.box(x - wide, 317, 2 * wide, 5, "sensor", r=1)
    for s in (-wide + 5, wide - 5):
        p.line(*((x + s + (3 if i % 2 else -3), 313 + i) for i in range(5)), look="ink")
    _plates_near(p, 104, 112)
    p.line((104, 174), (x - wide, 314), look="thin")
    p.dot(x - wide, 314, look="thin")
    p.say(34, 244, "two plates, as", "large as the", "footprint", look="sense")


def _plates_near(p: Paper, x: float, y: float) -> None:
    """The plates' edge as through a lens: the tyre holds the contact closed."""
    p.circle(x, y, 62, "hole")
    p.box(x - 44, y - 17, 88, 10, "sensor", r=1)
    p.box(x - 44, y + 12, 88, 10, "sensor", r=1)
    for s in (-30, 30):
        p.line(*((x + s + (6 if i % 2 else -6), y - 6 + 3.5 * i) for i in range(6)), look="ink")
    p.box(x - 6, y - 7, 12, 9, "dark", r=1)
    p.box(x - 6, y + 3, 12, 9, "dark", r=1)
    p.say(x, y - 26, "contact", look="small", anchor="middle")
    p.say(x, y + 40, "springs", look="small", anchor="middle")


def _lever(p: Paper, x: float) -> None:
    half, _ = _tyre(p, x, 322)
    p.box(x + 121, 306, 62, 16, "dark")
    p.box(x + 145, 266, 14, 40, "dark")
    p.box(x + 131, 232, 42, 36, "sensor", r=5)
    p.line((x + 137, 252), (x + 88, 285), look="wire")
    p.circle(x + 84, 287, 6, "sensor")
    p.say(x + 152, 220, "contact", look="sense", anchor="middle")
    p.arrow((x - half - 42, 320), (x - half - 42, 286), look="danger")
    p.say(462, 210, "travel:", look="hot")
    p.say(462, 230, "the tyre", "rises so far", "before the", "contact", "opens")


def switch_circuit() -> Paper:
    """Closed with the tyre on the ground: what a cut wire and a short read."""
    p = Paper(
        860,
        330,
        title="Closed on the ground: a cut wire reads lifted",
        about="Four small circuits. Tyre on the ground: the contact is closed, the input reads "
        "closed. Tyre lifted: open. Wire cut: open, so it reads lifted, which is safe. The two "
        "wires touch: reads closed for ever, which only an exercise of the switch shows.",
    )
    cases = (
        ("tyre on the ground", "closed", "closed", "fine"),
        ("tyre lifted", "open", "lifted", "ink"),
        ("wire cut", "cut", "lifted", "fine"),
        ("wires touch", "short", "closed", "danger"),
    )
    for i, (head, state, reads, look) in enumerate(cases):
        _circuit(p, 22 + 210 * i, head, state, reads, look)
    return p


def _circuit(p: Paper, x: float, head: str, state: str, reads: str, look: str) -> None:
    p.say(x + 92, 34, head, look="head", anchor="middle")
    p.box(x, 56, 66, 150, "box", r=6)
    p.say(x + 33, 84, "+V", anchor="middle")
    p.box(x + 26, 94, 14, 34, "dark", r=2)
    p.line((x + 33, 88), (x + 33, 94))
    p.line((x + 33, 128), (x + 33, 142), (x + 66, 142))
    p.dot(x + 33, 142)
    p.line((x + 33, 142), (x + 33, 156))
    p.say(x + 33, 172, "input", look="small", anchor="middle")
    top, low = 142, 196
    right = x + 168
    if state == "cut":
        p.line((x + 66, top), (x + 100, top), look="wire")
        p.line((x + 94, top - 9), (x + 106, top + 9), look="danger")
        p.line((x + 106, top - 9), (x + 118, top + 9), look="danger")
        p.line((x + 112, top), (right, top), (right, top + 10), look="wire")
    else:
        p.line((x + 66, top), (right, top), (right, top + 10), look="wire")
    p.line((right, low - 10), (right, low), (x + 66, low), look="wire")
    p.circle(right, top + 12, 3.5, "hole")
    p.circle(right, low - 12, 3.5, "hole")
    if state == "open":
        p.line((right, low - 14), (right - 16, top + 12), look="fat")
    else:
        p.line((right, low - 14), (right, top + 14), look="fat")
    if state == "short":
        p.line((x + 112, top), (x + 112, low), look="danger")
        p.dot(x + 112, top, "danger")
        p.dot(x + 112, low, "danger")
    p.line((x + 52, low), (x + 66, low))
    p.line((x + 52, low - 7), (x + 52, low + 7), look="fat")
    p.line((x + 47, low - 4), (x + 47, low + 4), look="fat")
    p.arrow((x + 33, 216), (x + 33, 244), look=look)
    p.box(
        x, 248, 184, 58, "goodbox" if look == "fine" else "load" if look == "danger" else "box", r=6
    )
    p.say(x + 92, 272, f"reads {reads}", look="strong", anchor="middle", bare=True)
    below = {
        "closed": "as it is",
        "open": "as it is",
        "cut": "safe: someone looks",
        "short": "never opens again",
    }
    p.say(x + 92, 293, below[state], anchor="middle", bare=True)


def bounce() -> Paper:
    """A lift as a contact tells it: first opening, bounce, confirmed."""
    p = Paper(
        860,
        300,
        title="A contact that bounces as its tyre lifts",
        about="The contact opens, closes and opens a few times within six milliseconds, then stays "
        "open. The alarm is suspect from the first opening, confirmed fifty milliseconds after the "
        "last closing. The lift is dated by the very first opening.",
    )
    x0, px = 120, 8.6  # px a millisecond
    points, level = [(x0, 100)], 100
    for at in BOUNCES_MS:
        x = x0 + at * px
        points.append((x, level))
        level = 160 if level == 100 else 100
        points.append((x, level))
    points.append((x0 + 82 * px, level))
    p.line(*points, look="wire")
    p.say(x0 - 14, 105, "closed", look="strong", anchor="end")
    p.say(x0 - 14, 165, "open", look="strong", anchor="end")
    first, last = x0 + BOUNCES_MS[0] * px, x0 + BOUNCES_MS[-1] * px
    sure = last + ON_DELAY_MS * px
    p.line((first, 62), (first, 214), look="danger")
    p.say(first, 50, "suspect at once", look="hot", anchor="middle")
    p.line((sure, 62), (sure, 214), look="danger")
    p.say(sure, 50, "confirmed", look="hot", anchor="middle")
    p.size((last, 196), (sure, 196), f"on_delay = {ON_DELAY_MS} ms, unbroken", beside=(0, -10))
    p.size((first, 226), (last, 226), "bounce", beside=(40, 5), anchor="start")
    y = 256
    p.line((x0, y), (x0 + 82 * px, y), look="ink")
    for t in range(0, 81, 10):
        p.line((x0 + t * px, y - 5), (x0 + t * px, y + 5))
        p.say(x0 + t * px, y + 24, f"{t}" if t else "0 ms", look="small", anchor="middle")
    return p
