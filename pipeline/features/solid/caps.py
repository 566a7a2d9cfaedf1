"""Openings closed by faces that were never seen, so that a solid can be made.

Where the wall of a bore ends in the open, as a blind hole does whose floor no scanner saw, it is carried on to a
plane square to its axis. Other openings get a lid of facets, where their rim seen along its middle direction does
not overlap itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.features.solid.charts import chart_on
from pipeline.features.solid.curves import onto
from pipeline.features.solid.sharpening import Floats, Ints
from pipeline.geometry import FULL_TURN, basis_of
from pipeline.mesh.fill import constrained_delaunay
from pipeline.mesh.query import self_intersections
from pipeline.mesh.topology import boundary_loops, facet_areas
from pipeline.surfaces import Shape, kind_of
from pipeline.values import Surface

# Of a facet: made by this room, neither measured nor filled by the run.
NEVER_SEEN = 3
# Of a rim's edges: so many must belong to a bore for it to be the end of that bore.
_OF_ONE = 0.6


@dataclass(frozen=True)
class Capped:
    """A surface with its openings closed as far as can be; labels count on into `shapes` for flat ends of bores.

    ends   how many openings were closed by a flat end of a bore; lids: by facets; area mm2 of both
    left   middle (3,) and length mm of each rim that is still open
    """

    surface: Surface
    labels: Ints
    shapes: tuple[Shape, ...]
    ends: int
    lids: int
    area: float
    left: tuple[tuple[Floats, float], ...]


@dataclass(frozen=True)
class _Cap:
    points: Floats
    faces: Ints  # corners below n are the surface's, from n on those of `points`
    labels: Ints
    shape: Shape | None


def capped(surface: Surface, labels: Ints, shapes: Sequence[Shape]) -> Capped:
    """Close the openings of a surface."""
    ends = lids = 0
    shapes, left = list(shapes), []
    area = 0.0
    for loop in boundary_loops(surface.faces, len(surface.vertices)):
        cap = None
        if len(np.unique(loop)) == len(loop):
            cap = _end_of_bore(surface, labels, shapes, loop) or _lid(surface, loop)
        if cap is not None:
            closed = _added(surface, cap)
            if _crosses(closed, surface.facets):
                cap = _lid(surface, loop) if cap.shape is not None else None
                closed = surface if cap is None else _added(surface, cap)
                if cap is not None and _crosses(closed, surface.facets):
                    cap = None
        if cap is None:
            rim = surface.vertices[loop]
            left.append((rim.mean(axis=0), float(np.linalg.norm(rim - np.roll(rim, -1, axis=0), axis=1).sum())))
            continue
        area += float(facet_areas(closed.vertices, closed.faces[surface.facets :]).sum())
        surface, labels = closed, np.concatenate([labels, cap.labels]).astype(np.int32)
        if cap.shape is None:
            lids += 1
        else:
            ends += 1
            shapes.append(cap.shape)
    return Capped(surface, labels, tuple(shapes), ends, lids, area, tuple(left))


def _added(surface: Surface, cap: _Cap) -> Surface:
    origin = np.full(len(cap.faces), NEVER_SEEN, np.uint8)
    return Surface(
        np.concatenate([surface.vertices, cap.points]),
        np.concatenate([surface.faces, cap.faces]).astype(np.int32),
        np.concatenate([surface.origin, origin]),
    )


def _crosses(surface: Surface, old: int) -> bool:
    return len(self_intersections(surface.vertices, surface.faces, np.arange(old, surface.facets))) > 0


def _end_of_bore(surface: Surface, labels: Ints, shapes: Sequence[Shape], loop: Ints) -> _Cap | None:
    """The wall carried on to a plane square to its axis; None where the rim is not the end of a bore."""
    near = labels[np.isin(surface.faces, loop).any(axis=1)]
    known = near[near >= 0]
    if not len(known):
        return None
    k = int(np.bincount(known).argmax())
    shape = shapes[k]
    if not (kind_of(shape).revolved and kind_of(shape).ruled) or (known == k).sum() < _OF_ONE * len(near):
        return None
    assert shape.direction is not None
    rim = surface.vertices[loop]
    chart = chart_on(shape, rim)
    turn = np.unwrap(np.append(chart.parameters(rim)[:, 0], chart.parameters(rim[:1])[:, 0]))
    if abs(round((turn[-1] - turn[0]) / FULL_TURN)) != 1:
        return None
    along = (rim - shape.point) @ shape.direction
    wall = (surface.vertices[surface.faces[labels == k]].mean(axis=1) - shape.point) @ shape.direction
    sense = 1.0 if along.mean() > wall.mean() else -1.0
    edge = float(np.linalg.norm(rim - np.roll(rim, -1, axis=0), axis=1).mean())
    end = sense * (float((sense * along).max()) + 0.3 * edge)
    # A cone's wall narrows towards its tip: there a lid is left to do it.
    if kind_of(shape).tapered and (shape.radius or 0.0) + end * np.tan(shape.half_angle or 0.0) < 0.1 * edge:
        return None
    ring = onto([shape], rim + (end - along)[:, None] * shape.direction)[0]
    ring, there = onto([shape, Shape("plane", shape.point + end * shape.direction, shape.direction)], ring)
    if not there.all():
        return None
    middle = shape.point + end * shape.direction
    n, c = len(surface.vertices), len(loop)
    a, b = loop, np.roll(loop, -1)
    p, q = n + np.arange(c), n + np.roll(np.arange(c), -1)
    wall_faces = np.concatenate([np.stack([b, a, p], axis=1), np.stack([b, p, q], axis=1)])
    floor = np.stack([q, p, np.full(c, n + c)], axis=1)
    made = np.concatenate([np.full(len(wall_faces), k), np.full(c, len(shapes))])
    plane = Shape("plane", middle, sense * shape.direction)
    return _Cap(np.concatenate([ring, middle[None]]), np.concatenate([wall_faces, floor]), made, plane)


def _lid(surface: Surface, loop: Ints) -> _Cap | None:
    """Facets over the rim, without new vertices."""
    rim = surface.vertices[loop][::-1]
    middle = rim.mean(axis=0)
    normal = np.cross(rim - middle, np.roll(rim, -1, axis=0) - middle).sum(axis=0)
    length = float(np.linalg.norm(normal))
    if length < 1e-12:
        return None
    u, v = basis_of(normal / length)
    flat = np.stack([(rim - middle) @ u, (rim - middle) @ v], axis=1)
    found = constrained_delaunay(flat, (np.arange(len(loop), dtype=np.int32),), np.empty((0, 2)))
    if found is None:
        return None
    faces = loop[::-1][found[1]]
    return _Cap(np.empty((0, 3)), faces, np.full(len(faces), -1), None)
