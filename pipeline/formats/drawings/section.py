"""The half-section along the part's main axis: above the axis cut, below it the outline; diameters and shoulders.

x runs along the axis, y away from it; mm, 1:1. The section is that of the light mesh; the sizes are the features'.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty import with_scale
from pipeline.formats.datum_file import DatumFile, FeatureRecord, PatternRecord
from pipeline.formats.drawings.cut import Body, Cut, cut_through, outline_below
from pipeline.formats.drawings.dimensions import GAP, linear, ordinate
from pipeline.formats.drawings.figures import DIAMETER, plus_minus, sized
from pipeline.formats.drawings.items import (
    ARROW,
    CENTRE,
    FILLED,
    HATCH,
    OUTLINE,
    SECTION,
    TEXT,
    TEXT_HEIGHT,
    Dimension,
    Item,
    Line,
    Place,
    Polyline,
    Text,
    bounds,
    length_of,
)
from pipeline.geometry import Floats, cross
from pipeline.surfaces import KINDS

FEWEST = 2  # features on an axis that make it worth a section
SQUARE = math.cos(math.radians(0.5))  # of a shoulder's normal to the axis
NEXT_TO = 4.5  # mm from one dimension line to the next
SMALL = 1.8  # mm, lettering of the notes
_LINE = 3.2


class Shoulder(NamedTuple):
    """A face square to the axis: where it meets it, mm, how far out it was seen, its standard uncertainty."""

    feature: str
    along: float
    reach: float
    sigma: float | None


class Turned(NamedTuple):
    """A cylinder about the axis: from where to where it was seen, its radius, mm, and its diameter's uncertainty."""

    feature: str
    low: float
    high: float
    radius: float
    sigma: float | None


def main_axis(data: DatumFile) -> PatternRecord | None:
    """The common axis that most features share; None where none does.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> main_axis(build(outcome())).members
    ('cylinder-1', 'cone-1')
    """
    groups = [p for p in data.patterns if p.kind == "coaxial" and p.in_part_frame is not None]
    groups = [p for p in groups if len(p.members) >= FEWEST and p.in_part_frame and p.in_part_frame.normal is not None]
    return max(groups, key=lambda p: len(p.members), default=None)


def section_of(data: DatumFile, body: Body, unit: str = "mm") -> tuple[Item, ...]:
    """The half-section along the main axis, mm; figures in `unit` ("mm" | "in"). No items where there is no such axis.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome, part_mesh
    >>> vertices, faces, labels = part_mesh()
    >>> made = section_of(build(outcome()), Body(vertices, faces, labels, np.zeros(len(faces), np.uint8)))
    >>> [d.text for d in made if isinstance(d, Dimension) and d.kind == "linear"]
    ['cylinder-1 Ø40.000 ±0.004']
    """
    group = main_axis(data)
    if group is None or not len(body.faces):
        return ()
    assert group.in_part_frame is not None
    assert group.in_part_frame.normal is not None
    centre, axis = np.array(group.in_part_frame.centre), np.array(group.in_part_frame.normal)
    axis *= 1.0 if axis[np.argmax(np.abs(axis))] > 0 else -1.0
    up = np.eye(3)[2] if abs(axis[2]) < 0.9 else np.eye(3)[1]
    cut = cut_through(body, centre, axis, up)
    shown = [*_lines(cut, body)]
    if not shown:
        return ()
    (left, _), (right, _) = bounds(shown)
    shown.append(Line(CENTRE, (left - 5.0, 0.0), (right + 5.0, 0.0)))
    members = [f for f in data.features if f.id in group.members]
    turned = [t for f in members if (t := _turned(f, centre, axis)) is not None]
    shoulders = _shoulders(data, body, centre, axis)
    for one in turned:
        for side in (1.0, -1.0):
            if side > 0 or next(f for f in members if f.id == one.feature).side == "boss":
                shown.append(Line(OUTLINE, (one.low, side * one.radius), (one.high, side * one.radius)))
    shown += _diameters(turned, unit)
    shown += _running(shoulders, data, unit, bounds(shown)[1][1])
    notes = _notes(data, members, cut, shoulders, unit)
    (left, low), _ = bounds(shown)
    shown += [Text(TEXT, (left, low - 8.0 - _LINE * k), note, SMALL) for k, note in enumerate(notes)]
    return tuple(shown)


def _lines(cut: Cut, body: Body) -> Iterator[Item]:
    for run in cut.measured:
        yield Polyline(SECTION, _places(run))
    for run in cut.filled:
        yield Polyline(FILLED, _places(run))
    for start, end in cut.hatching:
        yield Line(HATCH, *_places(np.array([start, end])))
    for run in outline_below(body, cut):
        yield Polyline(OUTLINE, _places(run))


def _places(points: Floats) -> tuple[Place, ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _turned(feature: FeatureRecord, centre: Floats, axis: Floats) -> Turned | None:
    """A cylinder's stretch; None of another kind."""
    if not KINDS[feature.kind].cylindrical or feature.radius is None or feature.extent.along is None:
        return None
    place = feature.in_part_frame
    middle = float((np.array(place.point) - centre) @ axis)
    sense = float(np.sign(np.array(place.direction) @ axis))
    ends = sorted(middle + sense * end for end in feature.extent.along)
    sigma = None if feature.uncertainty.radius is None else 2.0 * feature.uncertainty.radius
    return Turned(feature.id, ends[0], ends[1], feature.radius, sigma)


def _shoulders(data: DatumFile, body: Body, centre: Floats, axis: Floats) -> list[Shoulder]:
    """Faces square to the axis that lie round it, in their order along it."""
    out = []
    for index, feature in enumerate(data.features):
        place = feature.in_part_frame
        if not KINDS[feature.kind].flat or feature.confidence != "good" or not feature.machined or not place.direction:
            continue
        normal = np.array(place.direction)
        if abs(normal @ axis) < SQUARE:
            continue
        corners = body.vertices[np.unique(body.faces[body.labels == index])] - centre
        if not len(corners):
            continue
        off = corners - np.outer(corners @ axis, axis)
        first = off.mean(axis=0)
        reach = float(np.linalg.norm(off, axis=1).max())
        # Round the axis: it is seen on opposite sides of it.
        if np.linalg.norm(first) > 0.25 * reach or _quarters(off, axis) < 3:
            continue
        away = np.array(place.point) - centre
        along = float(away @ normal) / float(axis @ normal)
        lever = float(np.linalg.norm(away - (away @ axis) * axis))
        position, turn = feature.uncertainty.position, feature.uncertainty.direction
        sigma = None if position is None or turn is None else math.hypot(position, lever * math.radians(turn))
        out.append(Shoulder(feature.id, along, reach, sigma))
    return sorted(out, key=lambda s: s.along)


def _quarters(off: Floats, axis: Floats) -> int:
    """In how many of the four quarters round the axis there is something."""
    first = np.eye(3)[np.argmin(np.abs(axis))]
    second = cross(axis, first)
    return len(np.unique(2 * (off @ first > 0).astype(int) + (off @ second > 0)))


def _diameters(turned: Sequence[Turned], unit: str) -> Iterator[Dimension]:
    """Each diameter across both halves, where its dimension line keeps off the others; its text below the axis."""
    taken: list[float] = []
    for one in sorted(turned, key=lambda t: (t.high - t.low, t.feature)):
        inset = min(1.0, 0.2 * (one.high - one.low))
        ways = np.linspace(one.low + inset, one.high - inset, 9)
        middle = 0.5 * (one.low + one.high)
        x = max(ways, key=lambda w: (min(NEXT_TO, *(abs(w - t) for t in taken), NEXT_TO), -abs(w - middle)))
        taken.append(float(x))
        text = f"{one.feature} {DIAMETER}{sized(2 * one.radius, unit, one.sigma)}{plus_minus(one.sigma, unit)}"
        yield _across(float(x), one.radius, text)


def _across(x: float, radius: float, text: str) -> Dimension:
    long, low = length_of(text), -radius + ARROW + GAP
    # Beside its line, across the axis if need be; below the circle's lower side where the circle is too small.
    fits = low + long < radius - ARROW
    y = low if fits else -radius - GAP - long
    beside = x - GAP if fits else x + 0.5 * TEXT_HEIGHT
    return linear((x, -radius), (x, radius), x, True, text, (beside, y))


def _running(shoulders: Sequence[Shoulder], data: DatumFile, unit: str, top: float) -> Iterator[Dimension]:
    """Running distances of the shoulders from the first datum among them, else from the largest."""
    if len(shoulders) < 2:
        return
    zero = _zero(shoulders, data)
    elbows = _spread([s.along for s in shoulders])
    for one, x in zip(shoulders, elbows, strict=True):
        distance = one.along - zero.along
        own = None if one.sigma is None or zero.sigma is None else math.hypot(one.sigma, zero.sigma)
        sigma = with_scale(own, distance, data.source.scale)
        size = f"{sized(distance, unit, sigma)}{plus_minus(sigma, unit)}" if one is not zero else "0"
        yield ordinate((zero.along, 0.0), (one.along, one.reach), (x, top + 4.0), f"{one.feature} {size}")


def _zero(shoulders: Sequence[Shoulder], data: DatumFile) -> Shoulder:
    by_id = {s.feature: s for s in shoulders}
    datum = next((by_id[d.feature] for d in data.frame.datums if d.feature in by_id), None)
    return datum or max(shoulders, key=lambda s: s.reach)


def _spread(places: Sequence[float]) -> list[float]:
    """Places in ascending order, moved as little as need be to lie NEXT_TO apart."""
    out = list(places)
    for _ in range(200):
        moved = False
        for k in range(len(out) - 1):
            short = NEXT_TO - (out[k + 1] - out[k])
            if short > 1e-9:
                out[k] -= short / 2
                out[k + 1] += short / 2
                moved = True
        if not moved:
            break
    return out


def _notes(
    data: DatumFile, members: Sequence[FeatureRecord], cut: Cut, shoulders: Sequence[Shoulder], unit: str
) -> Iterator[str]:
    title = data.title or data.source.file
    angle = ", ".join(f"{c:z.3f}" for c in cut.up)
    yield f"{title}: half-section along the common axis of {', '.join(f.id for f in members)}, {unit}."
    yield f"Above the axis cut towards [{angle}] of the part, below it the outline of the scan. Dashed: invented."
    if len(shoulders) > 1:
        yield f"Distances along the axis run from {_zero(shoulders, data).feature}; ± is the 95 % range of the scan."
    for feature in members:
        if feature.half_angle is not None and feature.radius is not None:
            size = sized(2 * feature.radius, unit)
            yield f"{feature.id}: cone of {2 * feature.half_angle:.2f}° included, {DIAMETER}{size} in its seen middle."
        elif feature.major_radius is not None and feature.radius is not None:
            sigma = feature.uncertainty.radius
            mean = 2 * feature.major_radius
            across = sized(mean, unit, with_scale(sigma, mean, data.source.scale))
            yield f"{feature.id}: groove R{sized(feature.radius, unit, sigma)} on {DIAMETER}{across}."
