"""Openings closed by faces that were never seen, so that a solid can be made.

Where the wall of a bore ends in the open, as a blind hole does whose floor no scanner saw, it is carried on to a
plane square to its axis; where its rim is too ragged for that, from a ring of facets farther back. Other openings get
a lid of facets: flat as seen along the rim's middle direction, or of least bending where that overlaps itself; and
where both would cross the surface, over a rim that is taken back by a ring of facets or two.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.features.solid.charts import chart_on, plane_at
from pipeline.features.solid.curves import onto
from pipeline.features.solid.sharpening import Floats, Ints
from pipeline.geometry import FULL_TURN, basis_of
from pipeline.mesh.fill import constrained_delaunay, least_bending_triangles
from pipeline.mesh.query import self_intersections
from pipeline.mesh.topology import boundary_loops, compact, facet_normals
from pipeline.surfaces import Shape, kind_of
from pipeline.values import Surface

# Of a facet: made by this room, neither measured nor filled by the run.
NEVER_SEEN = 3
# Of a rim's edges: so many must belong to a bore for it to be the end of that bore.
_OF_ONE = 0.6
# So many rings of facets are taken back where a rim is too ragged to be carried on or closed.
_RINGS_BACK = 2


@dataclass(frozen=True)
class Capped:
    """A surface with its openings closed as far as can be; labels count on into `shapes` for flat ends of bores.

    ends     how many openings were closed by a flat end of a bore; lids: by facets
    carried  mm: the farthest that the wall of a bore was carried on to its end, which counts as that bore's
    left    middle (3,) and length mm of each rim that is still open
    """

    surface: Surface
    labels: Ints
    shapes: tuple[Shape, ...]
    ends: int
    lids: int
    carried: float
    left: tuple[tuple[Floats, float], ...]


@dataclass(frozen=True)
class _Cap:
    points: Floats
    faces: Ints  # corners below n are the surface's, from n on those of `points`
    labels: Ints
    shape: Shape | None
    carried: float = 0.0


def capped(surface: Surface, labels: Ints, shapes: Sequence[Shape]) -> Capped:
    """Close the openings of a surface."""
    ends = lids = 0
    shapes, left = list(shapes), []
    carried = 0.0
    for loop in boundary_loops(surface.faces, len(surface.vertices)):
        found = _closed(surface, labels, shapes, loop)
        if found is None:
            rim = surface.vertices[loop]
            left.append((rim.mean(axis=0), float(np.linalg.norm(rim - np.roll(rim, -1, axis=0), axis=1).sum())))
            continue
        surface, labels, cap = found
        carried = max(carried, cap.carried)
        if cap.shape is None:
            lids += 1
        else:
            ends += 1
            shapes.append(cap.shape)
    vertices, faces, _ = compact(surface.vertices, surface.faces)
    surface = Surface(vertices, faces, surface.origin)
    return Capped(surface, labels, tuple(shapes), ends, lids, carried, tuple(left))


def _closed(
    surface: Surface, labels: Ints, shapes: Sequence[Shape], loop: Ints
) -> tuple[Surface, Ints, _Cap] | None:  # fmt: skip
    """The surface with one opening closed, its labels, and what closed it; None where all that was tried crosses it."""
    simple = len(np.unique(loop)) == len(loop)
    if simple:
        for wall, known, rim in _trimmings(surface, labels, shapes, loop):
            cap = _end_of_bore(wall, known, shapes, rim, loop)
            if cap is not None and not _crosses(closed := _added(wall, cap), wall.facets):
                return closed, np.concatenate([known, cap.labels]).astype(np.int32), cap
    here = [(surface, labels, loop)] if simple else []
    for wall, known, rim in (*here, *_taken_back(surface, labels, loop, None)):
        for lid in (_lid, _bent_lid):
            cap = lid(wall, rim)
            if cap is not None and not _crosses(closed := _added(wall, cap), wall.facets):
                return closed, np.concatenate([known, cap.labels]).astype(np.int32), cap
    return None


def _trimmings(
    surface: Surface, labels: Ints, shapes: Sequence[Shape], loop: Ints
) -> Iterator[tuple[Surface, Ints, Ints]]:
    """The surface, its labels and the rim; then the same with the bore's ragged wall taken back by one ring of facets,
    and by two."""
    yield surface, labels, loop
    k = _bore_at(surface, labels, shapes, loop)
    if k is not None:
        yield from _taken_back(surface, labels, loop, k)


def _taken_back(
    surface: Surface, labels: Ints, loop: Ints, shape: int | None
) -> Iterator[tuple[Surface, Ints, Ints]]:  # fmt: skip
    """The surface, its labels and the rim after one ring of facets round an opening was taken away, and after two;
    those of one shape, or all. A rim in several parts, or one that touches itself, is passed over."""
    for _ in range(_RINGS_BACK):
        before = {frozenset(rim.tolist()) for rim in boundary_loops(surface.faces, len(surface.vertices))}
        gone = np.isin(surface.faces, loop).any(axis=1)
        if shape is not None:
            gone &= labels == shape
        surface, labels = Surface(surface.vertices, surface.faces[~gone], surface.origin[~gone]), labels[~gone]
        rims = [r for r in boundary_loops(surface.faces, len(surface.vertices)) if frozenset(r.tolist()) not in before]
        if not rims:
            return
        loop = np.concatenate(rims)
        if len(rims) == 1 and len(np.unique(loop)) == len(loop):
            yield surface, labels, loop


def _added(surface: Surface, cap: _Cap) -> Surface:
    origin = np.full(len(cap.faces), NEVER_SEEN, np.uint8)
    return Surface(
        np.concatenate([surface.vertices, cap.points]),
        np.concatenate([surface.faces, cap.faces]).astype(np.int32),
        np.concatenate([surface.origin, origin]),
    )


def _crosses(surface: Surface, old: int) -> bool:
    return len(self_intersections(surface.vertices, surface.faces, np.arange(old, surface.facets))) > 0


def _bore_at(surface: Surface, labels: Ints, shapes: Sequence[Shape], loop: Ints) -> int | None:
    """The bore whose wall ends in a rim."""
    near = labels[np.isin(surface.faces, loop).any(axis=1)]
    known = near[near >= 0]
    if not len(known):
        return None
    k = int(np.bincount(known).argmax())
    kind = kind_of(shapes[k])
    return k if kind.revolved and kind.ruled and (known == k).sum() >= _OF_ONE * len(near) else None


def _end_of_bore(surface: Surface, labels: Ints, shapes: Sequence[Shape], loop: Ints, seen: Ints) -> _Cap | None:
    """The wall carried on from a rim to a plane square to its axis, beyond all vertices that were `seen` of it; None
    where the rim is not the end of a bore."""
    k = _bore_at(surface, labels, shapes, loop)
    if k is None:
        return None
    shape = shapes[k]
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
    farthest = (surface.vertices[seen] - shape.point) @ shape.direction
    end = sense * (float((sense * farthest).max()) + 0.3 * edge)
    # A cone's wall narrows towards its tip: there a lid is left to do it.
    if kind_of(shape).tapered and (shape.radius or 0.0) + end * np.tan(shape.half_angle or 0.0) < 0.1 * edge:
        return None
    ring = onto([shape], rim + (end - along)[:, None] * shape.direction)[0]
    ring, there = onto([shape, plane_at(shape.point + end * shape.direction, shape.direction)], ring)
    if not there.all():
        return None
    middle = shape.point + end * shape.direction
    n, c = len(surface.vertices), len(loop)
    a, b = loop, np.roll(loop, -1)
    p, q = n + np.arange(c), n + np.roll(np.arange(c), -1)
    wall_faces = np.concatenate([np.stack([b, a, p], axis=1), np.stack([b, p, q], axis=1)])
    floor = np.stack([q, p, np.full(c, n + c)], axis=1)
    made = np.concatenate([np.full(len(wall_faces), k), np.full(c, len(shapes))])
    plane = plane_at(middle, sense * shape.direction)
    longest = float((sense * (end - along)).max())
    return _Cap(np.concatenate([ring, middle[None]]), np.concatenate([wall_faces, floor]), made, plane, longest)


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


def _bent_lid(surface: Surface, loop: Ints) -> _Cap | None:
    """Facets of least bending over the rim, without new vertices."""
    rim = loop[::-1]
    start, end = surface.faces.ravel(), np.roll(surface.faces, -1, axis=1).ravel()
    n = len(surface.vertices)
    keys = start.astype(np.int64) * n + end
    order = np.argsort(keys)
    wanted = np.roll(rim, -1).astype(np.int64) * n + rim
    facets = order[np.searchsorted(keys[order], wanted).clip(max=len(keys) - 1)] // 3
    found = least_bending_triangles(surface.vertices[rim], facet_normals(surface.vertices, surface.faces[facets]))
    return None if found is None else _Cap(np.empty((0, 3)), rim[found], np.full(len(found), -1), None)
