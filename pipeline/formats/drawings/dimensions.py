"""Dimensions, drawn: dimension line, extension lines, arrowheads and text (ISO 129-1)."""

from __future__ import annotations

import math

from pipeline.formats.drawings.items import (
    ARROW,
    DIMENSIONS,
    TEXT_HEIGHT,
    Arc,
    Arrow,
    Dimension,
    Line,
    Place,
    Text,
    length_of,
)

GAP = 1.0  # mm, between a dimension line and its text, and from the outline to an extension line
OVER = 1.5  # mm by which an extension line passes the dimension line


def diameter(centre: Place, radius: float, angle: float, reach: float, text: str) -> Dimension:
    """A leader to a circle at `angle`, degrees; its text stands at `reach` mm from the centre, outside or inside.

    >>> diameter((0.0, 0.0), 5.0, 0.0, 9.0, "Ø10.00").value
    10.0
    """
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    on, over, elbow = (_at(centre, c, s, r) for r in (radius, -radius, reach))
    inward = angle + 180.0 if reach > radius else angle
    strokes = (
        Line(DIMENSIONS, on, elbow),
        Arrow(DIMENSIONS, on, inward),
        text_at(elbow, c * (1.0 if reach > radius else -1.0), text),
    )
    return Dimension(DIMENSIONS, "diameter", (on, over), 2.0 * radius, text, strokes)


def text_at(elbow: Place, side: float, text: str) -> Text:
    """A leader's text: to the right of its end where `side` is not negative, else to the left."""
    x = elbow[0] + GAP if side >= 0.0 else elbow[0] - GAP - length_of(text)
    return Text(DIMENSIONS, (x, elbow[1] - 0.5 * TEXT_HEIGHT), text)


def linear(start: Place, end: Place, off: float, upright: bool, text: str, at: Place | None = None) -> Dimension:
    """A distance across (or `upright`), its dimension line at y = off (or x = off); its text begins `at` a place, or
    stands over the middle of the line.

    >>> linear((0.0, 0.0), (30.0, 5.0), -10.0, False, "30.0").value
    30.0
    """

    def turned(place: Place) -> Place:
        return (place[1], place[0]) if upright else place

    (a, low), (b, high) = turned(start), turned(end)
    if a > b:
        start, end, (a, low), (b, high) = end, start, (b, high), (a, low)
    strokes: list[Line | Arc | Arrow | Text] = []
    for end_at, height in ((a, low), (b, high)):
        sense = 1.0 if off >= height else -1.0
        if abs(off - height) > GAP:
            strokes.append(
                Line(DIMENSIONS, turned((end_at, height + sense * GAP)), turned((end_at, off + sense * OVER)))
            )
    narrow = b - a < 2.5 * ARROW
    first, last = (a - 2.0 * ARROW, b + 2.0 * ARROW) if narrow else (a, b)
    strokes.append(Line(DIMENSIONS, turned((first, off)), turned((last, off))))
    for tip, way in ((a, 0.0 if narrow else 180.0), (b, 180.0 if narrow else 0.0)):
        strokes.append(Arrow(DIMENSIONS, turned((tip, off)), 90.0 - way if upright else way))
    middle = 0.5 * (a + b) - 0.5 * length_of(text)
    place = at or ((off - GAP, middle) if upright else (middle, off + GAP))
    strokes.append(Text(DIMENSIONS, place, text, angle=90.0 if upright else 0.0))
    points = (start, end, turned((a, off)))
    return Dimension(DIMENSIONS, "linear", points, b - a, text, tuple(strokes))


def angular(vertex: Place, radius: float, begin: float, finish: float, text: str) -> Dimension:
    """The angle from `begin` to `finish`, degrees, counter-clockwise, on an arc of `radius` mm about the vertex."""
    at = [_at(vertex, math.cos(math.radians(a)), math.sin(math.radians(a)), radius) for a in (begin, finish)]
    middle = math.radians(0.5 * (begin + finish))
    on_arc = _at(vertex, math.cos(middle), math.sin(middle), radius)
    strokes: tuple[Line | Arc | Arrow | Text, ...] = (
        Arc(DIMENSIONS, vertex, radius, begin, finish),
        *(Line(DIMENSIONS, vertex, _at(vertex, *_unit(a), radius + OVER)) for a in (begin, finish)),
        Arrow(DIMENSIONS, at[0], begin - 90.0),
        Arrow(DIMENSIONS, at[1], finish + 90.0),
        text_at(_at(vertex, math.cos(middle), math.sin(middle), radius + GAP), math.cos(middle), text),
    )
    return Dimension(DIMENSIONS, "angular", (vertex, *at, on_arc), finish - begin, text, strokes)


def ordinate(origin: Place, place: Place, elbow: Place, text: str) -> Dimension:
    """A running distance along x from the origin to a place, by a leader up to `elbow`, its text above it.

    A leader whose end stands aside of its place has two bends.
    """
    bend, knee = elbow[1] - 3.0 * TEXT_HEIGHT, elbow[1] - TEXT_HEIGHT
    strokes = (
        Line(DIMENSIONS, (place[0], place[1] + GAP), (place[0], bend)),
        Line(DIMENSIONS, (place[0], bend), (elbow[0], knee)),
        Line(DIMENSIONS, (elbow[0], knee), elbow),
        Text(DIMENSIONS, (elbow[0] + 0.5 * TEXT_HEIGHT, elbow[1] + GAP), text, angle=90.0),
    )
    return Dimension(DIMENSIONS, "ordinate", (origin, place, elbow), place[0] - origin[0], text, strokes)


def _unit(angle: float) -> Place:
    return math.cos(math.radians(angle)), math.sin(math.radians(angle))


def _at(centre: Place, c: float, s: float, reach: float) -> Place:
    return centre[0] + reach * c, centre[1] + reach * s
