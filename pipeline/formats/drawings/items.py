"""What a drawing is made of: lines, arcs, circles, texts and dimensions on layers; all in mm, 1:1."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

Place = tuple[float, float]

OUTLINE, OPENINGS, SPIGOTS, HOLES = "OUTLINE", "OPENINGS", "SPIGOTS", "HOLES"
CENTRE, PITCH, NOMINAL = "CENTRE", "PITCH", "NOMINAL"
SECTION, HATCH, FILLED = "SECTION", "HATCH", "FILLED"
DIMENSIONS, TEXT, SHEET = "DIMENSIONS", "TEXT", "SHEET"
LAYERS = (
    OUTLINE, OPENINGS, SPIGOTS, HOLES, CENTRE, PITCH, NOMINAL, SECTION, HATCH, FILLED, DIMENSIONS, TEXT, SHEET,
)  # fmt: skip

TEXT_HEIGHT = 2.5  # mm, the smallest of the usual lettering sizes (ISO 3098)
ARROW = 2.5  # mm, length of an arrowhead
_ARROW_HALF = 0.4  # mm, half its width


@dataclass(frozen=True)
class Line:
    layer: str
    start: Place
    end: Place


@dataclass(frozen=True)
class Arc:
    """An arc on a layer about `centre` with its radius, counter-clockwise from `begin` to `finish`, degrees."""

    layer: str
    centre: Place
    radius: float
    begin: float
    finish: float


@dataclass(frozen=True)
class Circle:
    layer: str
    centre: Place
    radius: float


@dataclass(frozen=True)
class Polyline:
    layer: str
    points: tuple[Place, ...]


@dataclass(frozen=True)
class Arrow:
    """A filled arrowhead: its tip, and the angle, degrees, that it points along."""

    layer: str
    tip: Place
    angle: float

    @property
    def corners(self) -> tuple[Place, Place, Place]:
        c, s = math.cos(math.radians(self.angle)), math.sin(math.radians(self.angle))
        x, y = self.tip[0] - ARROW * c, self.tip[1] - ARROW * s
        half = _ARROW_HALF
        return self.tip, (x - half * s, y + half * c), (x + half * s, y - half * c)


@dataclass(frozen=True)
class Text:
    """A text on a layer: `at` is where it begins, on its base line; it runs along `angle`, degrees, with capitals
    `height` mm high."""

    layer: str
    at: Place
    text: str
    height: float = TEXT_HEIGHT
    angle: float = 0.0


@dataclass(frozen=True)
class Dimension:
    """A dimension: what it measures between, and how it is drawn.

    layer    that it is drawn on
    kind     "linear" | "diameter" | "angular" | "ordinate"
    points   what it hangs on. linear: the two ends, and a place on the dimension line; diameter: two opposite places
             of the circle; angular: vertex, a place on each side, a place on the arc; ordinate: the origin, the place
             that is measured, the leader's end
    value    mm, or degrees of an angular one
    text     as it is printed
    strokes  lines, arcs, arrowheads and the text that show it
    """

    layer: str
    kind: str
    points: tuple[Place, ...]
    value: float
    text: str
    strokes: tuple[Line | Arc | Arrow | Text, ...]


Item = Line | Arc | Circle | Polyline | Arrow | Text | Dimension


def bounds(items: Iterable[Item]) -> tuple[Place, Place]:
    """Lower left and upper right corner of all that is drawn, mm, texts by their rough length.

    >>> bounds([Circle(HOLES, (10.0, 0.0), 5.0)])
    ((5.0, -5.0), (15.0, 5.0))
    """
    places = [place for item in items for place in corners(item)]
    if not places:
        return (0.0, 0.0), (0.0, 0.0)
    xs, ys = zip(*places, strict=True)
    return (min(xs), min(ys)), (max(xs), max(ys))


def corners(item: Item) -> Iterator[Place]:
    """Places (2,), mm, whose box holds the item."""
    match item:
        case Line(_, start, end):
            yield from (start, end)
        case Polyline(_, points):
            yield from points
        case Arrow():
            yield from item.corners
        case Text(_, (x, y), text, height, angle):
            c, s, long = math.cos(math.radians(angle)), math.sin(math.radians(angle)), length_of(text, height)
            for along, up in ((0.0, 0.0), (long, 0.0), (long, height), (0.0, height)):
                yield x + along * c - up * s, y + along * s + up * c
        case Circle(_, (x, y), r):
            yield from ((x - r, y - r), (x + r, y + r))
        case Arc(_, (x, y), r, begin, finish):
            turn = (finish - begin) % 360.0
            quarters = [90.0 * k for k in range(8) if 0 < 90.0 * k - begin < turn]
            for angle in (begin, begin + turn, *quarters):
                yield on_arc((x, y), r, angle)
        case Dimension():
            for stroke in item.strokes:
                yield from corners(stroke)


def on_arc(centre: Place, radius: float, angle: float) -> Place:
    """The place on a circle at `angle`, degrees."""
    return centre[0] + radius * math.cos(math.radians(angle)), centre[1] + radius * math.sin(math.radians(angle))


def length_of(text: str, height: float = TEXT_HEIGHT) -> float:
    """How long a text is, mm, roughly and rather too long; its capitals are `height` mm high.

    >>> length_of("4 x 9", 10.0)
    43.0
    """
    return 0.86 * height * len(text)


def shifted(items: Iterable[Item], by: Place) -> tuple[Item, ...]:
    """Items moved by (2,) mm.

    >>> shifted([Text(TEXT, (1.0, 2.0), "H1")], (10.0, 0.0))[0].at
    (11.0, 2.0)
    """

    def at(place: Place) -> Place:
        return place[0] + by[0], place[1] + by[1]

    def moved(item: Item) -> Item:
        match item:
            case Line():
                return replace(item, start=at(item.start), end=at(item.end))
            case Arc() | Circle():
                return replace(item, centre=at(item.centre))
            case Polyline():
                return replace(item, points=tuple(map(at, item.points)))
            case Arrow():
                return replace(item, tip=at(item.tip))
            case Text():
                return replace(item, at=at(item.at))
            case Dimension():
                strokes = tuple(moved(stroke) for stroke in item.strokes)
                return replace(item, points=tuple(map(at, item.points)), strokes=strokes)  # type: ignore[arg-type]

    return tuple(moved(item) for item in items)
