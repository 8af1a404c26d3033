"""The paper that all drawings are drawn on: one style, light and dark, no label over another.

A drawing is readable whether the reader's page is light or dark: it brings its own ground, and
changes its colours with the reader's setting. Colour is never alone: sensors have their name
beside them, what can hurt has a thicker line. Labels are measured as they are set, and a drawing
whose labels touch each other or the edge is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

MARGIN = 10
"""No label comes nearer to the edge, in points of the drawing."""

SIZES = {"head": 17, "label": 15, "small": 13.5, "strong": 15, "hot": 15, "sense": 15}
"""Height of letters by class; shown at its own width a drawing is as large as its page's text."""

_NARROW, _WIDE = set("iljtfrI.,:;'|!()[] ·-"), set("mwMW—@%")
_STYLE = """
svg{font-family:Helvetica,Arial,"Liberation Sans",sans-serif;--paper:#ffffff;--ink:#1b2530;
--soft:#6b7885;--steel:#dde4ea;--steel2:#c3ced8;--rubber:#46515c;--ground:#ece7dd;--sense:#0b5cad;
--sense2:#d6e6f7;--hot:#b3380a;--hot2:#fbe0d3;--good:#1c6b3a;--good2:#d9efdf}
@media (prefers-color-scheme:dark){svg{--paper:#141b22;--ink:#e8eef4;--soft:#95a3b1;--steel:#323d48;
--steel2:#465462;--rubber:#8b98a5;--ground:#2b2a25;--sense:#7cc0ff;--sense2:#163450;--hot:#ff9d6b;
--hot2:#4a2413;--good:#7fd69b;--good2:#153a23}}
.paper{fill:var(--paper)}
.ink{stroke:var(--ink);fill:none;stroke-width:1.6}
.fat{stroke:var(--ink);fill:none;stroke-width:2.6}
.thin{stroke:var(--soft);fill:none;stroke-width:1.1}
.dash{stroke:var(--soft);fill:none;stroke-width:1.2;stroke-dasharray:7 4}
.axis{stroke:var(--soft);fill:none;stroke-width:1.2;stroke-dasharray:14 4 3 4}
.steel{stroke:var(--ink);fill:var(--steel);stroke-width:1.6}
.dark{stroke:var(--ink);fill:var(--steel2);stroke-width:1.6}
.rubber{stroke:var(--ink);fill:var(--rubber);stroke-width:1.6}
.hole{stroke:var(--ink);fill:var(--paper);stroke-width:1.6}
.earth{stroke:none;fill:var(--ground)}
.sensor{stroke:var(--sense);fill:var(--sense2);stroke-width:2.2}
.wire{stroke:var(--sense);fill:none;stroke-width:2.2}
.danger{stroke:var(--hot);fill:none;stroke-width:2.4}
.load{stroke:var(--hot);fill:var(--hot2);stroke-width:2.4}
.fine{stroke:var(--good);fill:none;stroke-width:2.2}
.box{stroke:var(--ink);fill:var(--paper);stroke-width:1.6}
.goodbox{stroke:var(--good);fill:var(--good2);stroke-width:1.8}
.tip-ink{fill:var(--ink)}.tip-fat{fill:var(--ink)}.tip-thin{fill:var(--soft)}
.tip-wire{fill:var(--sense)}.tip-danger{fill:var(--hot)}.tip-fine{fill:var(--good)}
text{fill:var(--ink);stroke:var(--paper);stroke-width:4;paint-order:stroke;stroke-linejoin:round}
.head{font-size:17px;font-weight:700}.label{font-size:15px}.small{font-size:13.5px;fill:var(--soft)}
.strong{font-size:15px;font-weight:700}.hot{font-size:15px;font-weight:700;fill:var(--hot)}
.sense{font-size:15px;font-weight:700;fill:var(--sense)}
.bare{stroke:none}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Where a label stands, for the check that none lies over another.

    Attributes:
        words: what it says.
        left, top, right, bottom: its box, points of the drawing.
    """

    words: str
    left: float
    top: float
    right: float
    bottom: float

    def touches(self, other: Label) -> bool:
        """Whether the two boxes have a place in common."""
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.bottom and other.top < self.bottom


class Paper:
    """A drawing in the making; x to the right, y down, in points.

    Args:
        width, height: points.
        title: what it shows, in a few words.
        about: the same for someone who does not see it.
    """

    def __init__(self, width: int, height: int, *, title: str, about: str) -> None:
        self.width, self.height = width, height
        self._title, self._about = title, about
        self._marks: list[str] = []
        self._words: list[str] = []
        self.labels: list[Label] = []

    def path(self, d: str, look: str = "ink") -> None:
        """A path in SVG's own letters."""
        self._marks.append(f'<path class="{look}" d="{d}"/>')

    def line(self, *points: tuple[float, float], look: str = "ink") -> None:
        """Straight lines from point to point."""
        self.path("M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points), look)

    def shape(self, *points: tuple[float, float], look: str = "steel") -> None:
        """A closed outline."""
        self.path("M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points) + "Z", look)

    def box(
        self, x: float, y: float, w: float, h: float, look: str = "box", *, r: float = 3
    ) -> None:
        """A rectangle with its corners rounded."""
        self._marks.append(
            f'<rect class="{look}" x="{_n(x)}" y="{_n(y)}" width="{_n(w)}" height="{_n(h)}" '
            f'rx="{_n(r)}"/>'
        )

    def circle(self, x: float, y: float, r: float, look: str = "steel") -> None:
        """A circle."""
        self._marks.append(f'<circle class="{look}" cx="{_n(x)}" cy="{_n(y)}" r="{_n(r)}"/>')

    def arc(
        self, x: float, y: float, r: float, start: float, end: float, look: str = "ink"
    ) -> None:
        """Part of a circle; degrees from the right, counter-clockwise as seen."""
        (x0, y0), (x1, y1) = on_circle(x, y, r, start), on_circle(x, y, r, end)
        large, sweep = int(abs(end - start) > 180), int(end < start)
        self.path(f"M{_n(x0)} {_n(y0)}A{_n(r)} {_n(r)} 0 {large} {sweep} {_n(x1)} {_n(y1)}", look)

    def tip(self, x: float, y: float, towards: float, look: str = "ink", size: float = 11) -> None:
        """An arrow's head at a point; degrees from the right, counter-clockwise as seen."""
        back = [on_circle(x, y, size, towards + 180 + side) for side in (-17, 17)]
        d = "M" + "L".join(f"{_n(a)} {_n(b)}" for a, b in ((x, y), *back)) + "Z"
        self._marks.append(f'<path class="tip-{look}" d="{d}"/>')

    def arrow(self, *points: tuple[float, float], look: str = "ink", both: bool = False) -> None:
        """A line with a head at its end, or at both."""
        self.line(*points, look=look)
        self.tip(*points[-1], _direction(points[-2], points[-1]), look)
        if both:
            self.tip(*points[0], _direction(points[1], points[0]), look)

    def turn(
        self, x: float, y: float, r: float, start: float, end: float, look: str = "ink"
    ) -> None:
        """An arc with a head at its end."""
        self.arc(x, y, r, start, end, look)
        lean = math.degrees(5.5 / r)  # the head's chord, not its tangent
        way = 90 - lean if end > start else -90 + lean
        self.tip(*on_circle(x, y, r, end), end + way, look)

    def dot(self, x: float, y: float, look: str = "ink") -> None:
        """Where two lines are joined, or what a label means."""
        self._marks.append(f'<circle class="tip-{look}" cx="{_n(x)}" cy="{_n(y)}" r="3"/>')

    def say(
        self,
        x: float,
        y: float,
        *lines: str,
        look: str = "label",
        anchor: str = "start",
        lead: tuple[float, float] | None = None,
        lead_from: tuple[float, float] | None = None,
        bare: bool = False,
    ) -> None:
        """Words, a line each, the first on y.

        Args:
            x, y: of the first line's foot.
            lines: the words.
            look: class.
            anchor: ``start``, ``middle`` or ``end``.
            lead: the point that is meant; a thin line leads there from the words.
            lead_from: where that line begins; beside the words by default.
            bare: whether they stand on a filled shape and need no ground of their own.
        """
        size = SIZES[look]
        boxes = [
            _box(words, x, y + i * size * 1.25, size, anchor, bold=look not in {"label", "small"})
            for i, words in enumerate(lines)
        ]
        if lead is not None:
            self._lead(boxes, lead, lead_from)
        for i, words in enumerate(lines):
            self._words.append(
                f'<text class="{look + " bare" * bare}" x="{_n(x)}" y="{_n(y + i * size * 1.25)}" '
                f'text-anchor="{anchor}">{escape(words)}</text>'
            )
        self.labels += boxes

    def _lead(
        self, boxes: list[Label], lead: tuple[float, float], begin: tuple[float, float] | None
    ) -> None:
        left, right = min(b.left for b in boxes), max(b.right for b in boxes)
        top, bottom = boxes[0].top, boxes[-1].bottom
        if begin is None:
            x = right + 5 if lead[0] > right else left - 5 if lead[0] < left else lead[0]
            inside = left <= lead[0] <= right
            y = (bottom + 3 if lead[1] > bottom else top - 3) if inside else (top + bottom) / 2
            begin = (x, y)
        self.line(begin, lead, look="thin")
        self.dot(*lead, look="thin")

    def size(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        *words: str,
        look: str = "label",
        beside: tuple[float, float] = (0, -8),
        anchor: str = "middle",
    ) -> None:
        """A dimension: a line with heads at both ends, and words at its middle.

        Args:
            start, end: of the line.
            words: what it is.
            look: class of the words.
            beside: from the middle to the words' foot.
            anchor: of the words.
        """
        self.arrow(start, end, both=True, look="ink")
        x, y = (start[0] + end[0]) / 2 + beside[0], (start[1] + end[1]) / 2 + beside[1]
        self.say(x, y, *words, look=look, anchor=anchor)

    def svg(self) -> str:
        """The drawing.

        Raises:
            ValueError: where labels touch each other or the edge.
        """
        for i, label in enumerate(self.labels):
            inside_x = label.left >= MARGIN and label.right <= self.width - MARGIN
            inside_y = label.top >= MARGIN / 2 and label.bottom <= self.height - MARGIN / 2
            if not (inside_x and inside_y):
                raise ValueError(f"{self._title}: {label.words!r} runs over the edge: {label}")
            for other in self.labels[i + 1 :]:
                if label.touches(other):
                    raise ValueError(f"{self._title}: {label.words!r} touches {other.words!r}")
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" '
            f'width="{self.width}" height="{self.height}" role="img" aria-labelledby="t d">'
            f'<title id="t">{escape(self._title)}</title><desc id="d">{escape(self._about)}</desc>'
            f"<style>{_STYLE}</style>"
            f'<rect class="paper" width="{self.width}" height="{self.height}" rx="8"/>\n'
            + "\n".join(self._marks + self._words)
            + "\n</svg>\n"
        )


def on_circle(x: float, y: float, r: float, degrees: float) -> tuple[float, float]:
    """A point on a circle; degrees from the right, counter-clockwise as seen."""
    a = math.radians(degrees)
    return x + r * math.cos(a), y - r * math.sin(a)


def _direction(start: tuple[float, float], end: tuple[float, float]) -> float:
    return math.degrees(math.atan2(start[1] - end[1], end[0] - start[0]))


def width_of(words: str, size: float, *, bold: bool = False) -> float:
    """About how wide words are set, points: within a tenth of Helvetica's widths (by eye)."""
    ems = sum(
        0.3 if c in _NARROW else 0.88 if c in _WIDE else 0.68 if c.isupper() else 0.56
        for c in words
    )
    return ems * size * (1.07 if bold else 1.0)


def _box(words: str, x: float, y: float, size: float, anchor: str, *, bold: bool) -> Label:
    width = width_of(words, size, bold=bold)
    left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
    return Label(
        words=words, left=left, top=y - 0.82 * size, right=left + width, bottom=y + 0.24 * size
    )


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
