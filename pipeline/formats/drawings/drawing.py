"""A flange as lines, arcs, circles and text on layers: what its DXF drawing and its print are both made of.

Everything is in the flange's sketch, mm: seen from outside the material, 1:1.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from pipeline.formats.datum_file import DatumFile, FlangeRecord, HolePatternRecord, OutlineRecord
from pipeline.geometry import MM_PER_INCH

Place = tuple[float, float]

OUTLINE, OPENINGS, HOLES, CENTRE, PITCH, TEXT = "OUTLINE", "OPENINGS", "HOLES", "CENTRE", "PITCH", "TEXT"
LAYERS = (OUTLINE, OPENINGS, HOLES, CENTRE, PITCH, TEXT)

TEXT_HEIGHT = 2.5  # mm, the smallest of the usual lettering sizes (ISO 3098)
NOTE_WIDTH = 100  # characters: fits a sheet's width at the size of the notes
_TEXT_ANGLES = (45, 15, -15, -45, 135, 165, 195, 225, 80, -80)  # degrees, where a size may stand
_MARK_OUT = 2.0  # mm by which a centre mark stands out of its circle
_CROSS = 3.0  # mm, half the cross where a hole is missing


@dataclass(frozen=True)
class Line:
    layer: str
    start: Place
    end: Place


@dataclass(frozen=True)
class Arc:
    """Counter-clockwise from `begin` to `finish`, degrees."""

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
class Text:
    """`at` is where the text begins, on its base line."""

    layer: str
    at: Place
    text: str


Item = Line | Arc | Circle | Polyline | Text


def drawing_of(flange: FlangeRecord, unit: str = "mm") -> tuple[Item, ...]:
    """The drawing of one flange of a datum file; sizes in its texts are in `unit` ("mm" | "in").

    Items are lines, arcs, circles, polylines and texts in the flange's sketch, mm: layer and places (2,) each. Raises
    ValueError where an arc or circle of the file has no centre or radius.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> top = build(outcome()).flanges[0]  # a plate 120 x 80 with a bore and six holes D9 on a pitch circle
    >>> items = drawing_of(top)
    >>> sum(item.layer == HOLES for item in items), sum(getattr(item, "text", "").endswith(" D9.000") for item in items)
    (6, 6)
    """
    items: list[Item] = []
    rounds: list[_Round] = []
    drilled = {hole.feature for hole in flange.holes}
    if flange.outer is not None:
        items += _pieces(flange.outer, OUTLINE)
        outer = flange.outer.segments
        if len(outer) == 1 and outer[0].kind == "circle":
            rounds.append(_Round(*outer[0].round, outer[0].feature))
    for inner in flange.inner:
        segments = inner.segments
        circular = len(segments) == 1 and segments[0].kind == "circle"
        # The rim of a hole that is drawn as a hole would only lie on top of it.
        if circular and segments[0].feature in drilled:
            continue
        items += _pieces(inner, OPENINGS)
        if circular:
            rounds.append(_Round(*segments[0].round, segments[0].feature))
    for hole in flange.holes:
        rounds.append(_Round(hole.place, hole.diameter / 2, hole.feature))
        items.append(Circle(HOLES, hole.place, hole.diameter / 2))
    for one in rounds:
        items += _centre_mark(one.centre, one.radius)
    for pattern in flange.patterns:
        items += _pattern(pattern)
    return (*items, *_sizes(rounds, unit))


def notes_of(flange: FlangeRecord, data: DatumFile, unit: str = "mm") -> tuple[str, ...]:
    """What must stand beside the drawing, in lines of at most NOTE_WIDTH characters; sizes in `unit` ("mm" | "in").

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> datums = build(outcome())
    >>> notes_of(datums.flanges[0], datums)[3]
    'Overall 120.000 x 80.000.'
    """
    names = {f.id: f.name for f in data.features}
    name = f" ({names[flange.feature]})" if names.get(flange.feature) else ""
    title = data.title or data.source.file
    texts = [
        f"{title}: flange {flange.feature}{name}, seen from outside the material, 1:1, sizes in {unit} as scanned.",
        f"Origin of the drawing: {flange.origin_at}.",
        "No substitute for measuring the part: check the sizes that matter before you cut or drill.",
        *_overall(flange, unit),
        *(_in_words(pattern, unit) for pattern in flange.patterns),
        *(f"{text[:1].upper()}{text[1:].rstrip('.')}." for text in flange.cautions),
    ]
    return tuple(line for text in texts for line in textwrap.wrap(text, NOTE_WIDTH))


def _overall(flange: FlangeRecord, unit: str) -> Iterator[str]:
    if flange.outer is not None:
        (x0, y0), (x1, y1) = bounds(tuple(_pieces(flange.outer, OUTLINE)))
        yield f"Overall {sized(x1 - x0, unit)} x {sized(y1 - y0, unit)}."


def _in_words(pattern: HolePatternRecord, unit: str) -> str:
    where = ", ".join(sized(value, unit) for value in pattern.centre)
    text = f"{len(pattern.members)} holes ({', '.join(pattern.members)})"
    if pattern.kind == "pitch_circle" and pattern.diameter is not None:
        text += f" on a pitch circle D{sized(pattern.diameter, unit)}"
    elif pattern.size is not None:
        text += f" in a rectangle {' x '.join(sized(side, unit) for side in pattern.size)}"
    missing = len(pattern.gaps_at)
    return f"{text} about ({where}){f'; {missing} of the pattern not seen' if missing else ''}."


def bounds(items: tuple[Item, ...]) -> tuple[Place, Place]:
    """Lower left and upper right corner of all that is drawn, texts by their rough length."""
    xs: list[float] = []
    ys: list[float] = []
    for item in items:
        for x, y in _corners(item):
            xs.append(x)
            ys.append(y)
    return ((min(xs), min(ys)), (max(xs), max(ys))) if xs else ((0.0, 0.0), (0.0, 0.0))


def sized(value: float, unit: str) -> str:
    """A length of the drawing as text, without its unit."""
    return f"{value:z.3f}" if unit == "mm" else f"{value / MM_PER_INCH:z.4f}"


def _corners(item: Item) -> Iterator[Place]:
    match item:
        case Line(_, start, end):
            yield from (start, end)
        case Polyline(_, points):
            yield from points
        case Text(_, (x, y), text):
            yield from ((x, y), (x + _length(text), y + TEXT_HEIGHT))
        case Circle(_, (x, y), r):
            yield from ((x - r, y - r), (x + r, y + r))
        case Arc(_, (x, y), r, begin, finish):
            turn = (finish - begin) % 360.0
            quarters = [90.0 * k for k in range(8) if 0 < 90.0 * k - begin < turn]
            for angle in (begin, begin + turn, *quarters):
                yield x + r * math.cos(math.radians(angle)), y + r * math.sin(math.radians(angle))


def _pieces(outline: OutlineRecord, layer: str) -> Iterator[Item]:
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


def _centre_mark(centre: Place, radius: float) -> tuple[Item, ...]:
    (x, y), out = centre, radius + _MARK_OUT
    return Line(CENTRE, (x - out, y), (x + out, y)), Line(CENTRE, (x, y - out), (x, y + out))


class _Round(NamedTuple):
    """A circle of the drawing, and the feature that it is an edge of."""

    centre: Place
    radius: float
    feature: str | None


def _sizes(rounds: Sequence[_Round], unit: str) -> tuple[Text, ...]:
    """Number and diameter beside each circle, at the first angle at which they cover no others."""
    placed: list[Text] = []
    for (x, y), radius, feature in rounds:
        text = f"{feature or ''} D{sized(2 * radius, unit)}".strip()
        tried = []
        for angle in map(math.radians, _TEXT_ANGLES):
            reach = radius + 0.6
            # To the left of its circle a text ends there, to the right it begins there.
            left = 0.0 if math.cos(angle) >= 0 else _length(text)
            tried.append(Text(TEXT, (x + reach * math.cos(angle) - left, y + reach * math.sin(angle)), text))
            if not any(_overlap(tried[-1], other) for other in placed):
                break
        else:
            tried = tried[:1]
        placed.append(tried[-1])
    return tuple(placed)


def _length(text: str) -> float:
    """Roughly, in mm."""
    return 0.77 * TEXT_HEIGHT * len(text)


def _overlap(a: Text, b: Text) -> bool:
    across = a.at[0] < b.at[0] + _length(b.text) and b.at[0] < a.at[0] + _length(a.text)
    return across and abs(a.at[1] - b.at[1]) < 1.2 * TEXT_HEIGHT


def _pattern(pattern: HolePatternRecord) -> Iterator[Item]:
    centre = pattern.centre
    if pattern.kind == "pitch_circle" and pattern.diameter is not None:
        radius = pattern.diameter / 2
        yield Circle(PITCH, centre, radius)
        yield from _centre_mark(centre, 0.0)
    elif pattern.kind == "rectangle" and pattern.size is not None:
        corners = _rectangle(centre, pattern.size, math.radians(pattern.phase or 0.0))
        for start, end in pairwise((*corners, corners[0])):
            yield Line(PITCH, start, end)
    for x, y in pattern.gaps_at:
        yield Line(PITCH, (x - _CROSS, y - _CROSS), (x + _CROSS, y + _CROSS))
        yield Line(PITCH, (x - _CROSS, y + _CROSS), (x + _CROSS, y - _CROSS))
        yield Text(TEXT, (x + _CROSS + 1.0, y), "no hole seen here")


def _rectangle(centre: Place, size: Place, turn: float) -> tuple[Place, ...]:
    c, s = math.cos(turn), math.sin(turn)
    halves = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    flat = ((a * size[0], b * size[1]) for a, b in halves)
    return tuple((centre[0] + c * a - s * b, centre[1] + s * a + c * b) for a, b in flat)


def _angle(centre: Place, point: Place) -> float:
    return math.degrees(math.atan2(point[1] - centre[1], point[0] - centre[0])) % 360.0
