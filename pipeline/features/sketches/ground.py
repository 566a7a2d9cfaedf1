"""What outlines are read from: a scan's surface, the features it carries, and what all faces look up in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.mesh.topology import boundary_loops, facet_normals, median_edge, vertex_normals, vertex_ring
from pipeline.surfaces import kind_of
from pipeline.values import MEASURED, Feature, Surface

STRAY = np.cos(np.radians(25.0))  # of a facet's normal from its plane's: noise, but no rounded edge


@dataclass(frozen=True)
class SketchGround:
    """What outlines are read from: the cleaned surface, the feature of each facet and vertex
    (-1 none), vertex normals, median edge mm, what lies how near a plane, mm, is level with it, and each vertex'
    neighbours."""

    surface: Surface
    labels: Ints
    features: tuple[Feature, ...]
    vertex_label: Ints
    on_border: Mask
    normals: Floats
    edge: float
    level: float
    indptr: Ints
    around: Ints


def prepare(surface: Surface, labels: Ints, features: Sequence[Feature], sigma: float) -> SketchGround:
    """Look up once what all faces need; a `SketchGround`. About 100 bytes a facet.

    labels    (m,) int32 feature of each facet, -1 none
    features  whose indices the labels are; those of planes are grown to the faces' edges first
    sigma     mm, the scan's noise

    >>> square = Surface.measured([[0, 0, 0], [2, 0, 0], [2, 2, 0], [0, 2, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> ground = prepare(square, np.full(2, -1, np.int32), (), 0.01)
    >>> ground.on_border.tolist(), ground.edge, ground.vertex_label.tolist()
    ([True, True, True, True], 2.0, [-1, -1, -1, -1])
    """
    n = len(surface.vertices)
    level = max(4.0 * sigma, 0.03)
    labels = _spread(surface, labels, features, level)
    vertex_label = np.full(n, -1, np.int32)
    for k in range(3):
        corner = surface.faces[:, k]
        vertex_label[corner[labels >= 0]] = labels[labels >= 0]
    on_border = np.zeros(n, bool)
    for loop in boundary_loops(surface.faces[surface.origin == MEASURED], n):
        on_border[loop] = True
    indptr, around = vertex_ring(surface.faces, n)
    edge = median_edge(surface.vertices, surface.faces)
    normals = vertex_normals(surface.vertices, surface.faces)
    return SketchGround(surface, labels, tuple(features), vertex_label, on_border, normals, edge, level, indptr, around)


def _spread(surface: Surface, labels: Ints, features: Sequence[Feature], tolerance: float) -> Ints:
    """Labels with the planes' grown back to their edges: onto free facets beside them that lie on the plane.

    Recovery keeps a face's facets well away from its rim, so that the rounding doesn't pull the fit; for an outline
    they would run together across the land between two holes.
    """
    flat = [f if kind_of(f).flat else None for f in features] + [None]
    planes = np.array([f is not None for f in flat])
    points = np.array([np.zeros(3) if f is None else f.point for f in flat])
    normals = np.array([np.zeros(3) if f is None else f.direction for f in flat])
    labels = labels.copy()
    free = np.flatnonzero(labels < 0)
    vertex_plane = np.full(len(surface.vertices), -1, np.int32)
    on_plane = planes[labels]
    for k in range(3):
        vertex_plane[surface.faces[on_plane, k]] = labels[on_plane]
    across = facet_normals(surface.vertices, surface.faces[free])
    while len(free):
        corners = surface.faces[free]
        wanted = vertex_plane[corners].max(axis=1)
        near = np.flatnonzero(wanted >= 0)
        which = wanted[near]
        off = surface.vertices[corners[near]] - points[which][:, None]
        reached = False
        level = np.abs(np.einsum("nkc,nc->nk", off, normals[which])) < tolerance
        good = level.all(axis=1) & (np.sum(across[near] * normals[which], axis=1) > STRAY)
        # Narrow land hangs together by single edges.
        for k in range(3):
            corner = corners[near, k]
            new = level[:, k] & (vertex_plane[corner] < 0)
            vertex_plane[corner[new]] = which[new]
            reached |= bool(new.any())
        if not (good.any() or reached):
            break
        taken = near[good]
        labels[free[taken]] = which[good]
        for k in range(3):
            vertex_plane[corners[taken, k]] = which[good]
        rest = np.ones(len(free), bool)
        rest[taken] = False
        free, across = free[rest], across[rest]
    return labels
