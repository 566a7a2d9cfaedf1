"""What a made part looks like: a section along its axis, and the view along it; with dimensions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from pipeline.fitup.made import MadePart, Outline, Prism, Size, Turned
from pipeline.formats.drawings import (
    CENTRE,
    HATCH,
    HOLES,
    OPENINGS,
    OUTLINE,
    PITCH,
    SECTION,
    Circle,
    Item,
    Line,
    Room,
    bounds,
    hatched,
)
from pipeline.formats.made_drawings.beside import Wanted, dimensions_beside, leaders
from pipeline.formats.made_drawings.outlines import outline_items

_NEXT = 7.0  # mm from one dimension line to the next
_CROSS = 4.0  # mm that the origin's cross reaches
_OUT = 3.0  # mm by which centre lines stand out
_SAME = 0.01  # mm: holes of one size


def section(part: MadePart) -> tuple[Item, ...]:
    """The section of a part along the z of its turned steps: stations along x, mm; no items where it has none. What is
    flat is cut at its largest reach."""
    profiles = [_profile_of(step.solid) for step in part.steps if step.how == "add"]
    turned = [p for p in profiles if p is not None]
    if not any(isinstance(step.solid, Turned) for step in part.steps):
        return ()
    shown: list[Item] = []
    for profile in turned:
        ends = np.stack([profile, np.roll(profile, -1, axis=0)], axis=1)
        # What runs on the axis is no edge.
        edges = ends[(ends[:, :, 1] > 1e-9).any(axis=1)]
        for side in (1.0, -1.0):
            flip = np.array([1.0, side])
            shown += [Line(SECTION, *_places(edge * flip)) for edge in edges]
            shown += [Line(HATCH, *_places(line * flip)) for line in hatched(edges)]
        # Shoulders are seen beyond the cut, right across.
        for z in np.unique(profile[:, 0]):
            inner = profile[np.abs(profile[:, 0] - z) < 1e-9, 1].min()
            if inner > 1e-9:
                shown.append(Line(OUTLINE, (float(z), -float(inner)), (float(z), float(inner))))
    (left, _), (right, _) = bounds(shown)
    shown.append(Line(CENTRE, (left - _OUT, 0.0), (right + _OUT, 0.0)))
    return (*shown, *dimensions_beside([*_diameters(part.sizes, shown), *_lengths(part.sizes, shown)], shown))


def _profile_of(solid: object) -> np.ndarray | None:
    """(k, 2) station and radius; of a plate, a strip as wide as it reaches."""
    if isinstance(solid, Turned):
        return np.array(solid.profile, float)
    if isinstance(solid, Prism):
        reach = float(np.linalg.norm(solid.outline.points(0.1), axis=1).max())
        return np.array([[solid.low, 0.0], [solid.high, 0.0], [solid.high, reach], [solid.low, reach]])
    return None


def _places(line: np.ndarray) -> tuple[tuple[float, float], tuple[float, float]]:
    (a, b), (c, d) = line.tolist()
    return (a, b), (c, d)


def _diameters(sizes: Sequence[Size], shown: Sequence[Item]) -> Iterator[Wanted]:
    """Each diameter upright, beside the part on the side that its span is nearer to, smaller ones nearer to it."""
    (left, _), (right, _) = bounds(shown)
    middle = 0.5 * (left + right)
    beside = {-1.0: left - _NEXT, 1.0: right + _NEXT}
    for size in sorted((s for s in sizes if s.what == "diameter"), key=lambda s: s.value):
        side = -1.0 if 0.5 * sum(size.span) < middle else 1.0
        at = max(size.span[0], min(size.span[1], left if side < 0 else right))
        r = 0.5 * size.value
        yield (at, -r), (at, r), beside[side], True, size.text
        beside[side] += side * _NEXT


def _lengths(sizes: Sequence[Size], shown: Sequence[Item]) -> Iterator[Wanted]:
    """Each length below the part, shorter ones nearer to it."""
    (_, low), _ = bounds(shown)
    below = low - _NEXT
    for size in sorted((s for s in sizes if s.what == "length"), key=lambda s: s.value):
        a, b = size.span
        yield (a, low), (b, low), below, False, size.text
        below -= _NEXT


def front(part: MadePart) -> tuple[Item, ...]:
    """A part seen along its z, against it: outlines, circles, holes; mm, in its own coordinates. No items of a turned
    part without holes, which its section shows whole."""
    plates = [s.solid for s in part.steps if s.how == "add" and isinstance(s.solid, Prism)]
    holes = hole_circles(part)
    if not plates and not holes:
        return ()
    shown: list[Item] = []
    for plate in plates:
        shown += outline_items(plate.outline, OUTLINE)
        for inner in plate.holes:
            if _circle_of(inner) is None:
                shown += outline_items(inner, OPENINGS)
    if not plates:
        for step in part.steps:
            if isinstance(step.solid, Turned) and step.how == "add":
                x, y = (float(v) for v in step.solid.place[:2, 3])
                # What is at its top, and its head where that is below.
                ends = {r for z, r in step.solid.profile if r > 0.0 and abs(z - _top(step.solid)) < 1e-9}
                radii = sorted(ends | {max(r for _, r in step.solid.profile)})
                shown += [Circle(OUTLINE, (x, y), r) for r in radii]
    shown += holes
    shown += _pitch(holes)
    for ring in holes:
        (x, y), r = ring.centre, ring.radius + 2.0
        shown += [Line(CENTRE, (x - r, y), (x + r, y)), Line(CENTRE, (x, y - r), (x, y + r))]
    if plates:
        shown += [Line(CENTRE, (-_CROSS, 0.0), (_CROSS, 0.0)), Line(CENTRE, (0.0, -_CROSS), (0.0, _CROSS))]
    shown += list(_hole_sizes(holes, shown))
    return (*shown, *dimensions_beside(list(_overall(part, shown)), shown))


def hole_circles(part: MadePart) -> list[Circle]:
    """The round holes of a part's plates, and those drilled along its z."""
    outlines = [
        inner
        for step in part.steps
        if isinstance(step.solid, Prism)
        for inner in (step.solid.holes if step.how == "add" else (step.solid.outline,))
    ]
    return [ring for ring in map(_circle_of, outlines) if ring is not None]


def _top(solid: Turned) -> float:
    return max(z for z, _ in solid.profile)


def _circle_of(outline: Outline) -> Circle | None:
    if len(outline.corners) != 2 or any(abs(abs(b) - 1.0) > 1e-9 for b in outline.bulges):
        return None
    (x0, y0), (x1, y1) = outline.corners
    return Circle(HOLES, (0.5 * (x0 + x1), 0.5 * (y0 + y1)), 0.5 * math.dist((x0, y0), (x1, y1)))


def _pitch(holes: Sequence[Circle]) -> Iterator[Item]:
    """The circle about the origin that all holes of one size lie on, three at least."""
    for radius in sorted({round(h.radius, 3) for h in holes}):
        away = [math.hypot(*h.centre) for h in holes if abs(h.radius - radius) < _SAME]
        if len(away) > 2 and max(away) - min(away) < _SAME:
            yield Circle(PITCH, (0.0, 0.0), sum(away) / len(away))


def _hole_sizes(holes: Sequence[Circle], shown: Sequence[Item]) -> Iterator[Item]:
    room = Room(shown)
    for radius in sorted({round(h.radius, 2) for h in holes}):
        alike = [h for h in holes if abs(h.radius - radius) <= 0.5 * _SAME]
        text = f"{f'{len(alike)} x ' if len(alike) > 1 else ''}Ø{2.0 * alike[0].radius:.2f}".rstrip("0").rstrip(".")
        made = room.best([way for h in alike for way in leaders(h.centre, h.radius, text)])
        room.add(made)
        yield made
    for ring in _pitch(holes):
        assert isinstance(ring, Circle)
        made = room.best(leaders(ring.centre, ring.radius, f"pitch circle Ø{2.0 * ring.radius:.2f}"))
        room.add(made)
        yield made


def _overall(part: MadePart, shown: Sequence[Item]) -> Iterator[Wanted]:
    plates = [s.solid for s in part.steps if s.how == "add" and isinstance(s.solid, Prism)]
    if not plates:
        return
    (x0, y0), (x1, y1) = bounds(list(outline_items(plates[0].outline, OUTLINE)))
    (left, low), _ = bounds(shown)
    yield (x0, y0), (x1, y0), low - _NEXT, False, f"{x1 - x0:.1f}"
    yield (x0, y0), (x0, y1), left - _NEXT, True, f"{y1 - y0:.1f}"
