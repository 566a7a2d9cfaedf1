"""Faces that a groove parts into rings, each recovered as a plane of its own: for a drawing they are one face."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.sketches.ground import STRAY, SketchGround
from pipeline.geometry import Floats, Ints, Mask, angle_between_directions, basis_of, contains, signed_area
from pipeline.jit import njit
from pipeline.mesh.topology import boundary_loops, facet_areas, facet_normals
from pipeline.surfaces import kind_of
from pipeline.values import MEASURED, Feature

SAME_LEVEL = 0.02  # mm by which rings of one cut may differ, over what both are known within
PLACES = 200  # of a ring that are looked at
SAME_WAY = np.radians(0.5)  # that one ring may lean against another at most

GROOVE = 15.0  # mm that may lie between a face and more of it (common practice, no source)
REST = 0.03  # of a face's area that may be left out of its outlines without a word: scattered facets


def joined(ground: SketchGround) -> tuple[SketchGround, dict[int, tuple[int, ...]]]:
    """The ground with the facets of each ring given to the largest plane of the same level that lies round it or in
    it; and the rings of each such plane, by their indices."""
    planes = [k for k, f in enumerate(ground.features) if kind_of(f).flat and f.machined]
    planes.sort(key=lambda k: -ground.features[k].extent.area)
    rings: dict[int, tuple[int, ...]] = {}
    taken: set[int] = set()
    for main, other in combinations(planes, 2):
        good = ground.features[main].confidence == "good"
        if good and main not in taken and other not in taken and _is_one_face(ground, main, other):
            rings[main] = (*rings.get(main, ()), other)
            taken.add(other)
    if not rings:
        return ground, {}
    to = np.arange(-1, len(ground.features), dtype=np.int32)  # by one more than the index
    features = list(ground.features)
    for main, others in rings.items():
        to[np.array(others) + 1] = main
        area = sum(ground.features[k].extent.area for k in (main, *others))
        features[main] = replace(features[main], extent=replace(features[main].extent, area=area))
    labels, vertex_label = to[ground.labels + 1], to[ground.vertex_label + 1]
    return replace(ground, labels=labels, vertex_label=vertex_label, features=tuple(features)), rings


def _is_one_face(ground: SketchGround, main: int, other: int) -> bool:
    a, b = ground.features[main], ground.features[other]
    if not _level(a, b):
        return False
    # Either may be the one round the other.
    return _round(ground, main, other) or _round(ground, other, main)


def _level(a: Feature, b: Feature) -> bool:
    """Whether two planes are one as far as both are known."""
    assert a.direction is not None
    assert b.direction is not None
    lean = angle_between_directions(a.direction, b.direction)
    if lean > SAME_WAY:
        return False
    step = b.point - a.point
    turned = float(np.linalg.norm(step)) * (a.uncertainty.direction or 0.0)
    known = (a.uncertainty.position or 0.0, b.uncertainty.position or 0.0, turned)
    off = abs(float(step @ a.direction))
    return off < SAME_LEVEL + 2.0 * float(np.hypot.reduce(known))


def _round(ground: SketchGround, outer: int, inner: int) -> bool:
    """Whether one face lies in an opening of another."""
    direction = ground.features[outer].direction
    assert direction is not None
    flat = basis_of(direction).T
    vertices = ground.surface.vertices
    places: Floats = vertices[np.unique(ground.surface.faces[ground.of(inner)])] @ flat
    if not len(places):
        return False
    places = places[:: max(1, len(places) // PLACES)]
    for loop in boundary_loops(ground.surface.faces[ground.of(outer)], len(vertices)):
        border = vertices[loop] @ flat
        if signed_area(border) < 0.0 and contains([border], places).all():
            return True
    return False


def leaves_land(ground: SketchGround, index: int) -> bool:
    """Whether facets that lie level with a face, and beside it, are none of its or another feature's: land beyond a
    groove, say, that is too narrow for the scan's facets to hang together."""
    face = ground.features[index]
    assert face.direction is not None
    surface = ground.surface
    level = _lie_level(surface.vertices, surface.faces, face.point, face.direction, ground.level)
    free = np.flatnonzero(level & (ground.labels < 0) & (surface.origin == MEASURED))
    free = free[facet_normals(surface.vertices, surface.faces[free]) @ face.direction > STRAY]
    areas, enough = facet_areas(surface.vertices, surface.faces[free]), REST * face.extent.area
    mine = surface.faces[ground.of(index)]
    if not len(mine) or areas.sum() <= enough:
        return False
    middles = surface.vertices[surface.faces[free]].mean(axis=1)
    near = cKDTree(surface.vertices[np.unique(mine)]).query(middles, distance_upper_bound=GROOVE)[0] < GROOVE
    return bool(areas[near].sum() > enough)


@njit(cache=True)
def _lie_level(v: Floats, f: Ints, point: Floats, direction: Floats, level: float) -> Mask:
    """(m,) which facets have all their corners nearer to a plane than `level` mm."""
    near = np.empty(len(v), dtype=np.bool_)
    for p in range(len(v)):
        height = 0.0
        for d in range(3):
            height += (v[p, d] - point[d]) * direction[d]
        near[p] = abs(height) < level
    out = np.empty(len(f), dtype=np.bool_)
    for i in range(len(f)):
        out[i] = near[f[i, 0]] and near[f[i, 1]] and near[f[i, 2]]
    return out
