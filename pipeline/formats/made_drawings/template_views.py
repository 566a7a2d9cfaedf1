"""What a drill template looks like: from above, and below that from the side; with the dimensions to make it by."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from pipeline.fitup.made import MadePart, Prism, Turned
from pipeline.formats.drawings import (
    CENTRE,
    HOLES,
    OUTLINE,
    SECTION,
    SPIGOTS,
    Circle,
    Item,
    Line,
    Room,
    bounds,
)
from pipeline.formats.made_drawings.beside import Wanted, dimensions_beside, leaders
from pipeline.formats.made_drawings.outlines import outline_items
from pipeline.geometry import Floats, transformed

_BETWEEN, _NEXT, _OUT = 20.0, 7.0, 3.0  # mm from view to view, dimension to dimension, that centre lines stand out
_UPRIGHT = math.cos(math.radians(0.5))


def holes_of(part: MadePart) -> tuple[tuple[str, Turned, Floats], ...]:
    """A template's locators and guides by their names: the cylinders that are taken from it, or added as spigots, and
    where they begin, (3,) mm.

    >>> holes_of(MadePart("it", "template", (), np.eye(4), (), ()))
    ()
    """
    out = []
    for step in part.steps:
        first, _, last = step.name.partition(" ")
        if isinstance(step.solid, Turned) and first in ("locator", "guide") and last.isdigit():
            # What is taken begins a mm before.
            before = 1.0 if step.how == "take" else 0.0
            out.append((step.name, step.solid, step.solid.place[:3, 3] + before * step.solid.place[:3, 2]))
    return tuple(out)


def template_views(part: MadePart) -> tuple[Item, ...]:
    """A template from above, x to the right, and from the side below it; mm, in its own coordinates.

    >>> template_views(MadePart("it", "template", (), np.eye(4), (), ()))
    ()
    """
    plate = next((s.solid for s in part.steps if s.name == "plate" and isinstance(s.solid, Prism)), None)
    if plate is None:
        return ()
    above = list(outline_items(plate.outline, OUTLINE))
    for step in part.steps:
        if step.name.startswith("pad ") and isinstance(step.solid, Turned):
            above.append(Circle(SPIGOTS, _flat(step.solid.place[:3, 3]), _radius(step.solid)))
    for piece in part.pieces[:-1]:
        above += [line for step in piece for line in _joint(step.name, step.solid, plate)]
    for _, hole, at in holes_of(part):
        if abs(hole.place[2, 2]) > _UPRIGHT:
            above += [Circle(HOLES, _flat(at), _radius(hole)), *_cross(_flat(at), _radius(hole))]
        else:
            above.append(Line(CENTRE, _flat(at), _flat(at + _length(hole) * hole.place[:3, 2])))
    room, sized = Room(above), list[Item]()
    for name, hole, at in holes_of(part):
        if abs(hole.place[2, 2]) > _UPRIGHT:
            text = f"{name}: Ø{2 * _radius(hole):.3f}".rstrip("0").rstrip(".")
            sized.append(room.best(leaders(_flat(at), _radius(hole), text)))
            room.add(sized[-1])
    (left, low), _ = bounds([*above, *sized])
    (x0, y0), (x1, y1) = bounds(above)
    wanted: list[Wanted] = []
    for n, (_, _, at) in enumerate(holes_of(part)):
        x, y = _flat(at)
        if n and abs(x) > 1e-6:
            wanted.append(((0.0, 0.0), (x, y), low - _NEXT * (n + 1), False, f"{abs(x):.3f}"))
        if n and abs(y) > 1e-6:
            wanted.append(((0.0, 0.0), (x, y), left - _NEXT * (n + 1), True, f"{abs(y):.3f}"))
    count = len(holes_of(part)) + 1
    wanted.append(((x0, y0), (x1, y0), low - _NEXT * count, False, f"{x1 - x0:.1f}"))
    wanted.append(((x0, y0), (x0, y1), left - _NEXT * count, True, f"{y1 - y0:.1f}"))
    sized += dimensions_beside(wanted, [*above, *sized])
    (_, below), _ = bounds([*above, *sized])
    side = list(_side(part, plate, below - _BETWEEN))
    heights = _heights(part, plate, below - _BETWEEN)
    return (*above, *sized, *side, *dimensions_beside(list(heights), side))


def _side(part: MadePart, plate: Prism, under: float) -> Iterator[Item]:
    """Seen along y: plate, pads, guides; its top at y = `under`."""
    drop = under - plate.high
    edge = plate.outline.points(0.05)[:, 0]
    left, right = float(edge.min()), float(edge.max())

    def ring(corners: Sequence[tuple[float, float]], layer: str) -> Iterator[Item]:
        for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
            yield Line(layer, (a[0], a[1] + drop), (b[0], b[1] + drop))

    yield from ring([(left, plate.low), (right, plate.low), (right, plate.high), (left, plate.high)], OUTLINE)
    for step in part.steps:
        if step.how == "add" and (step.name.startswith("pad ") or step.name.endswith(" boss")):
            shape = _hull(_corners(step.solid))
            yield from ring(shape, SECTION)
    for name, hole, near in holes_of(part):
        if name.startswith("guide"):
            far = near + _length(hole) * hole.place[:3, 2]
            yield Line(CENTRE, (float(near[0]), float(near[2]) + drop), (float(far[0]), float(far[2]) + drop))
    yield Line(CENTRE, (left - _OUT, drop), (right + _OUT, drop))


def _heights(part: MadePart, plate: Prism, under: float) -> Iterator[Wanted]:
    """The heights of a template beside its view along y."""
    drop, right = under - plate.high, float(plate.outline.points(0.05)[:, 0].max())
    for k, size in enumerate(sorted(part.sizes, key=lambda s: s.value), 1):
        a, b = size.span
        yield (right, a + drop), (right, b + drop), right + _NEXT * k, True, size.text


def _corners(solid: object) -> Floats:
    """(n, 2) x and z of places that a solid's silhouette along y goes through."""
    if isinstance(solid, Prism):
        flat = solid.outline.points(0.05)
        ends = [np.column_stack([flat, np.full(len(flat), z)]) for z in (solid.low, solid.high)]
        return transformed(solid.place, np.vstack(ends))[:, [0, 2]]
    assert isinstance(solid, Turned)
    turn = np.linspace(0.0, 2.0 * np.pi, 73)
    rings = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(len(turn), z)]) for z, r in solid.profile]
    return transformed(solid.place, np.vstack(rings))[:, [0, 2]]


def _hull(points: Floats) -> list[tuple[float, float]]:
    from scipy.spatial import ConvexHull

    return [(float(x), float(z)) for x, z in points[ConvexHull(points).vertices]]


def _joint(name: str, solid: object, plate: Prism) -> Iterator[Item]:
    """The line of a joint across the plate, and its dowels'."""
    if isinstance(solid, Prism):
        start, end = (np.array(solid.outline.corners[k]) for k in (0, 3))
        way = (end - start) / np.linalg.norm(end - start)
        edge = plate.outline.points(0.05)
        side = (edge - start) @ np.array([-way[1], way[0]])
        on = np.flatnonzero(side * np.roll(side, -1) <= 0.0)[:2]
        places = [edge[k] + (edge[(k + 1) % len(edge)] - edge[k]) * side[k] / (side[k] - side[(k + 1) % len(edge)])
                  for k in on]  # fmt: skip
        if len(places) == 2:
            yield Line(OUTLINE, _flat(places[0]), _flat(places[1]))
    elif isinstance(solid, Turned) and " dowel " in name:
        at, way3 = solid.place[:3, 3], solid.place[:3, 2]
        # Its own half, and as much on the other side of the joint.
        reach = _length(solid)
        yield Line(CENTRE, _flat(at - (reach - 2.0) * way3), _flat(at + reach * way3))


def _cross(at: tuple[float, float], radius: float) -> Iterator[Item]:
    (x, y), r = at, radius + 2.0
    yield Line(CENTRE, (x - r, y), (x + r, y))
    yield Line(CENTRE, (x, y - r), (x, y + r))


def _radius(solid: Turned) -> float:
    return max(r for _, r in solid.profile)


def _length(solid: Turned) -> float:
    return max(z for z, _ in solid.profile)


def _flat(place: Floats) -> tuple[float, float]:
    return float(place[0]), float(place[1])
