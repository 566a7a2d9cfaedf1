"""A flange as it is drawn: outlines, holes, patterns, centre lines, dimensions and numbers.

Everything is in the flange's sketch, mm: seen from outside the material, 1:1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from pipeline.formats.datum_file import FlangeRecord, HolePatternRecord, HoleRecord, OutlineRecord
from pipeline.formats.drawings.dimensions import angular, diameter, linear
from pipeline.formats.drawings.figures import DIAMETER, sized
from pipeline.formats.drawings.items import (
    CENTRE,
    HOLES,
    NOMINAL,
    OPENINGS,
    OUTLINE,
    PITCH,
    SPIGOTS,
    TEXT,
    TEXT_HEIGHT,
    Arc,
    Arrow,
    Circle,
    Dimension,
    Item,
    Line,
    Place,
    Polyline,
    Text,
    bounds,
    length_of,
)
from pipeline.formats.drawings.nominal import nominal_of
from pipeline.formats.drawings.room import Room

_LAYER = {"opening": OPENINGS, "spigot": SPIGOTS, "piece": OUTLINE}
_MARK_OUT = 2.0  # mm by which a centre mark stands out of its circle
_CROSS = 3.0  # mm, half the cross where a hole is missing
_NOMINAL = 1.2  # mm, half the cross at a nominal place
_AXIS = 9.0  # mm, the arrows at the drawing's origin
_REACHES = (4.0, 8.0, 13.0, 19.0, 26.0, 34.0)  # mm from a circle to its text
_ANGLES = tuple(range(45, 405, 15))  # degrees where a size may stand, from the upper right on
_LEAST_ANGLE = 2.0  # degrees: less is not drawn as an angle
_LEVEL = 0.3  # degrees by which a rectangle may be turned and still be dimensioned along x and y
_ONE_CENTRE = 0.5  # mm


class _Round(NamedTuple):
    """A circle of the drawing, the feature that it is an edge of, and its diameter's standard uncertainty, mm."""

    centre: Place
    radius: float
    feature: str | None
    sigma: float | None


def drawing_of(
    flange: FlangeRecord, sigmas: dict[str, float | None] | None = None, unit: str = "mm"
) -> tuple[Item, ...]:
    """The drawing of one flange of a datum file; figures in its texts are in `unit` ("mm" | "in").

    sigmas  standard uncertainty, mm, of the diameters of features by their ids: of spigots and openings

    Items are in the flange's sketch, mm; none where there is neither outline nor hole. Raises ValueError where an arc
    or circle of the file has no centre or radius.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> top = build(outcome()).flanges[0]  # a plate 120 x 80 with a bore and six holes D9 on a pitch circle D62
    >>> items = drawing_of(top)
    >>> sum(item.layer == HOLES for item in items), [d.text for d in items if isinstance(d, Dimension)][0]
    (6, '6 x Ø9.000 on PCD Ø62.000')
    """
    shown = [*_outlines(flange)]
    rounds = _rounds(flange, sigmas or {})
    shown += [Circle(HOLES, hole.place, hole.diameter / 2) for hole in flange.holes]
    if not shown:
        return ()
    shown += _centre_marks(
        [*((r.centre, r.radius) for r in rounds), *((h.place, h.diameter / 2) for h in flange.holes)]
    )
    for pattern in flange.patterns:
        shown += _pattern(pattern, flange)
    shown += [Arrow(CENTRE, (_AXIS, 0.0), 0.0), Line(CENTRE, (0.0, 0.0), (_AXIS, 0.0))]
    shown += [Arrow(CENTRE, (0.0, _AXIS), 90.0), Line(CENTRE, (0.0, 0.0), (0.0, _AXIS))]
    shown += [Text(TEXT, (_AXIS + 0.6, 0.6), "x"), Text(TEXT, (0.8, _AXIS + 0.6), "y")]
    room = Room(shown)
    made: list[Item] = []

    def put(item: Item) -> None:
        room.add(item)
        made.append(item)

    for ways in _angles_of(flange):
        put(room.best(ways))
    told: set[str] = set()
    for group in _groups(flange, unit):
        told |= {hole.feature for hole in group.holes if group.text.startswith(f"{hole.feature} ")}
        put(room.best([way for hole in group.holes for way in _ways(hole.place, hole.diameter / 2, group.text)]))
    for one in rounds:
        text = f"{one.feature} " if one.feature else ""
        size = sized(2 * one.radius, unit, one.sigma)
        put(room.best(_ways(one.centre, one.radius, f"{text}{DIAMETER}{size}")))
    for hole in flange.holes:
        if hole.feature not in told:
            put(room.best(_number_ways(hole)))
    for pattern in flange.patterns:
        for x, y in pattern.gaps_at:
            put(Text(TEXT, (x + _CROSS + 1.0, y), "no hole seen here"))
    return (*shown, *made, *_overall(flange, tuple([*shown, *made]), unit))


def _outlines(flange: FlangeRecord) -> Iterator[Item]:
    drilled = {hole.feature for hole in flange.holes}
    if flange.outer is not None:
        yield from pieces(flange.outer, OUTLINE)
    for inner in flange.inner:
        # The rim of a hole that is drawn as a hole would only lie on top of it.
        if not (inner.means == "opening" and _circular(inner) and inner.segments[0].feature in drilled):
            yield from pieces(inner, _LAYER[inner.means])


def _circular(outline: OutlineRecord) -> bool:
    return len(outline.segments) == 1 and outline.segments[0].kind == "circle"


def _rounds(flange: FlangeRecord, sigmas: dict[str, float | None]) -> list[_Round]:
    """The circles among the outlines that are no hole's."""
    drilled = {hole.feature for hole in flange.holes}
    outlines = [*([] if flange.outer is None else [flange.outer]), *flange.inner]
    found = []
    for outline in outlines:
        segment = outline.segments[0] if outline.segments else None
        if segment is None or not _circular(outline) or segment.feature in drilled:
            continue
        found.append(_Round(*segment.round, segment.feature, sigmas.get(segment.feature or "")))
    return found


def pieces(outline: OutlineRecord, layer: str) -> Iterator[Item]:
    """The lines, arcs, circles and polylines of an outline."""
    for segment in outline.segments:
        start, end = segment.start, segment.end
        if segment.kind == "line":
            yield Line(layer, start, end)
        elif segment.kind == "circle":
            yield Circle(layer, *segment.round)
        elif segment.kind == "arc":
            centre, radius = segment.round
            begin, finish = (_angle(centre, p) for p in ((start, end) if segment.ccw else (end, start)))
            yield Arc(layer, centre, radius, begin, finish)
        else:
            yield Polyline(layer, segment.corners)


def _centre_marks(circles: Sequence[tuple[Place, float]]) -> Iterator[Item]:
    """One cross for all circles about one centre."""
    kept: list[tuple[Place, float]] = []
    for centre, radius in sorted(circles, key=lambda circle: -circle[1]):
        if all(math.dist(centre, other) > _ONE_CENTRE for other, _ in kept):
            kept.append((centre, radius))
    for (x, y), radius in kept:
        out = radius + _MARK_OUT
        yield Line(CENTRE, (x - out, y), (x + out, y))
        yield Line(CENTRE, (x, y - out), (x, y + out))


def _pattern(pattern: HolePatternRecord, flange: FlangeRecord) -> Iterator[Item]:
    centre = pattern.centre
    if pattern.kind == "pitch_circle" and pattern.diameter is not None:
        yield Circle(PITCH, centre, pattern.diameter / 2)
    elif pattern.kind == "rectangle" and pattern.size is not None:
        corners = _rectangle(centre, pattern.size, math.radians(pattern.phase or 0.0))
        for start, end in pairwise((*corners, corners[0])):
            yield Line(PITCH, start, end)
    for x, y in pattern.gaps_at:
        yield from _cross(PITCH, (x, y), _CROSS)
    nominal = nominal_of(pattern, flange.holes)
    for place in () if nominal is None else nominal.places:
        yield from _cross(NOMINAL, place, _NOMINAL)


def _cross(layer: str, place: Place, half: float) -> Iterator[Item]:
    x, y = place
    yield Line(layer, (x - half, y - half), (x + half, y + half))
    yield Line(layer, (x - half, y + half), (x + half, y - half))


def _rectangle(centre: Place, size: Place, turn: float) -> tuple[Place, ...]:
    c, s = math.cos(turn), math.sin(turn)
    halves = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    flat = ((a * size[0], b * size[1]) for a, b in halves)
    return tuple((centre[0] + c * a - s * b, centre[1] + s * a + c * b) for a, b in flat)


class _Group(NamedTuple):
    """Holes that one size stands for."""

    holes: tuple[HoleRecord, ...]
    text: str


def _groups(flange: FlangeRecord, unit: str) -> Iterator[_Group]:
    """Equal holes together, as the patterns have them, then each of the others."""
    by_id = {hole.feature: hole for hole in flange.holes}
    done: set[str] = set()
    for pattern in flange.patterns:
        holes = tuple(by_id[m] for m in pattern.members if m in by_id and m not in done)
        if holes:
            done |= {hole.feature for hole in holes}
            yield _Group(holes, pattern_text(pattern, holes, unit))
    for hole in flange.holes:
        if hole.feature not in done:
            size = sized(hole.diameter, unit, hole.diameter_uncertainty)
            yield _Group((hole,), f"{hole.feature} {DIAMETER}{size}")


def pattern_text(pattern: HolePatternRecord, holes: Sequence[HoleRecord], unit: str) -> str:
    """Equal holes of a pattern as one size: "8 x Ø11.00 on PCD Ø138.00"."""
    known = [h.diameter_uncertainty for h in holes if h.diameter_uncertainty is not None]
    size = sized(sum(h.diameter for h in holes) / len(holes), unit, max(known) if len(known) == len(holes) else None)
    text = f"{len(holes)} x {DIAMETER}{size}"
    if pattern.kind == "pitch_circle" and pattern.diameter is not None:
        text += f" on PCD {DIAMETER}{sized(pattern.diameter, unit, pattern.size_uncertainty)}"
    return text


def _ways(centre: Place, radius: float, text: str) -> list[tuple[float, Dimension]]:
    """Ways to put a circle's size: outside at several angles and distances, and inside where it has room there."""
    ways = [
        (reach, diameter(centre, radius, float(angle), radius + reach, text)) for reach in _REACHES for angle in _ANGLES
    ]
    for reach in _REACHES:
        left = radius - reach
        if left > 0.0:
            for angle in _ANGLES:
                c, s = abs(math.cos(math.radians(angle))), abs(math.sin(math.radians(angle)))
                # It runs from the elbow towards the middle, and must end before the other side.
                if math.hypot(left * c - length_of(text) - 2.0, left * s + TEXT_HEIGHT) < radius - 1.0:
                    ways.append((reach, diameter(centre, radius, float(angle), left, text)))
    return ways


def _number_ways(hole: HoleRecord) -> list[tuple[float, Text]]:
    """Ways to put a hole's number beside it."""
    (x, y), long = hole.place, length_of(hole.feature)
    ways = []
    for out in (0.8, 2.5, 5.0, 8.0):
        reach = hole.diameter / 2 + out
        for angle in _ANGLES:
            c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            at = (x + reach * c - (0.0 if c >= 0 else long), y + reach * s - (0.0 if s >= 0 else TEXT_HEIGHT))
            ways.append((out, Text(TEXT, at, hole.feature)))
    return ways


def _angles_of(flange: FlangeRecord) -> Iterator[list[tuple[float, Dimension]]]:
    """Ways to put the clocking angle of each pitch circle's first hole, from the drawing's x."""
    for pattern in flange.patterns:
        phase = pattern.phase
        if pattern.kind != "pitch_circle" or pattern.diameter is None or phase is None or phase < _LEAST_ANGLE:
            continue
        text = angle_text(pattern)
        radii = [share * pattern.diameter for share in (0.36, 0.3, 0.24, 0.42, 0.46, 0.18)]
        yield [(0.0, angular(pattern.centre, radius, 0.0, phase, text)) for radius in radii]


def angle_text(pattern: HolePatternRecord) -> str:
    """A pattern's clocking angle, to the digit that is known."""
    return f"{sized(pattern.phase or 0.0, 'mm', pattern.phase_uncertainty)}°"


def _overall(flange: FlangeRecord, drawn: tuple[Item, ...], unit: str) -> Iterator[Dimension]:
    """Rectangles of holes and the outer outline, dimensioned below and to the left of all that is drawn."""
    (left, low), _ = bounds(drawn)
    below, beside = low - 6.0, left - 6.0
    for pattern in flange.patterns:
        turn = (pattern.phase or 0.0) % 90.0
        if pattern.kind != "rectangle" or pattern.size is None or min(turn, 90.0 - turn) > _LEVEL:
            continue
        places = _rectangle(pattern.centre, pattern.size, math.radians(pattern.phase or 0.0))
        for upright in (False, True):
            first, second = _lowest(places, upright)
            text = sized(abs(second[upright] - first[upright]), unit, pattern.size_uncertainty)
            yield linear(first, second, beside if upright else below, upright, text)
        below, beside = below - 7.0, beside - 7.0
    if flange.outer is not None and not _circular(flange.outer):
        (x0, y0), (x1, y1) = bounds(tuple(pieces(flange.outer, OUTLINE)))
        yield linear((x0, y0), (x1, y0), below, False, sized(x1 - x0, unit))
        yield linear((x0, y0), (x0, y1), beside, True, sized(y1 - y0, unit))


def _lowest(corners: Sequence[Place], upright: bool) -> tuple[Place, Place]:
    """The corner of a level rectangle that is next to the dimension line, at each end."""
    ordered = sorted(corners, key=lambda place: place[upright])
    first, second = (min(two, key=lambda place: place[not upright]) for two in (ordered[:2], ordered[2:]))
    return first, second


def _angle(centre: Place, point: Place) -> float:
    return math.degrees(math.atan2(point[1] - centre[1], point[0] - centre[0])) % 360.0
