"""What outlines are read from: a scan's surface, the features it carries, and what all faces look up in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.geometry import Floats, Indices, Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.topology import FEW, ascending, facet_normals, median_edge, vertex_facets, vertex_normals
from pipeline.surfaces import kind_of
from pipeline.values import MEASURED, Feature, Surface

STRAY = np.cos(np.radians(25.0))  # of a facet's normal from its plane's: noise, but no rounded edge


@dataclass(frozen=True)
class SketchGround:
    """What outlines are read from: the cleaned surface, the feature of each facet and vertex
    (-1 none), which vertices are on a border of what was measured, vertex normals, median edge mm, what lies how near a
    plane, mm, is level with it, and the facets of each vertex, facets[indptr[p]:indptr[p + 1]]."""

    surface: Surface
    labels: Ints
    features: tuple[Feature, ...]
    vertex_label: Ints
    on_border: Mask
    normals: Floats
    edge: float
    level: float
    indptr: Ints
    facets: Ints

    def of(self, index: int) -> Indices:
        """The facets of a feature, ascending."""
        starts, members = self._by_feature
        return members[starts[index] : starts[index + 1]].astype(np.intp)

    @cached_property
    def _by_feature(self) -> tuple[Ints, Ints]:
        """The facets of all features, those of one after those of the one before, and where each one's begin."""
        return _sorted_by(self.labels, len(self.features))

    def facets_round(self, vertices: Ints | Indices) -> Ints:
        """The facets that have one of some vertices or more, ascending."""
        return _facets_round(self.indptr, self.facets, vertices)


@njit(cache=True)
def _sorted_by(labels: Ints, count: int) -> tuple[Ints, Ints]:
    """Starts (count + 1,) and members of the labels 0 to count - 1, others left out."""
    starts = np.zeros(count + 1, dtype=np.int32)
    for label in labels:
        if label >= 0:
            starts[label + 1] += 1
    for k in range(count):
        starts[k + 1] += starts[k]
    members = np.empty(starts[count], dtype=np.int32)
    place = starts[:-1].copy()
    for i in range(labels.size):
        label = labels[i]
        if label >= 0:
            members[place[label]] = i
            place[label] += 1
    return starts, members


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
    indptr, facets = vertex_facets(surface.faces, n)
    labels = _spread(surface, labels, features, level, indptr, facets)
    vertex_label = _labels_of_corners(surface.faces, labels, n)
    on_border = _on_border(surface.faces, surface.origin == MEASURED, indptr, facets)
    edge = median_edge(surface.vertices, surface.faces)
    normals = vertex_normals(surface.vertices, surface.faces)
    return SketchGround(
        surface, labels, tuple(features), vertex_label, on_border, normals, edge, level, indptr, facets
    )  # fmt: skip


@njit(cache=True)
def _labels_of_corners(f: Ints, labels: Ints, n: int) -> Ints:
    """(n,) the label of a labelled facet round each vertex, -1 none."""
    out = np.full(n, -1, dtype=np.int32)
    for k in range(3):
        for i in range(len(f)):
            if labels[i] >= 0:
                out[f[i, k]] = labels[i]
    return out


@njit(cache=True)
def _on_border(f: Ints, measured: Mask, indptr: Ints, facets: Ints) -> Mask:
    """(n,) vertices on an edge that can't be crossed from one measured facet to another that runs it the other way."""
    out = np.zeros(indptr.size - 1, dtype=np.bool_)
    most = 0
    for p in range(out.size):
        most = max(most, indptr[p + 1] - indptr[p])
    forth, returned = np.empty(most, dtype=np.int32), np.empty(most, dtype=np.int32)
    for p in range(out.size):
        count = 0
        for s in range(indptr[p], indptr[p + 1]):
            i = facets[s]
            if measured[i]:
                k = 0 if f[i, 0] == p else (1 if f[i, 1] == p else 2)
                forth[count], returned[count] = f[i, (k + 1) % 3], f[i, (k + 2) % 3]
                count += 1
        if count > FEW:
            out[p] = not _all_return(forth[:count], returned[:count])
        else:
            out[p] = not _few_return(forth, returned, count)
    return out


@njit(cache=True)
def _all_return(forth: Ints, returned: Ints) -> bool:
    """Whether each vertex run to from another, by the facets there, is returned from, and both just once."""
    forth, returned = ascending(forth), ascending(returned)
    return bool((forth == returned).all() and (forth[1:] != forth[:-1]).all())


@njit(cache=True, borrowing=True)
def _few_return(forth: Ints, returned: Ints, count: int) -> bool:
    """As `_all_return` for the first `count` of each, looked through without being sorted."""
    for s in range(count):
        there = back = 0
        for t in range(count):
            there += forth[t] == forth[s]
            back += returned[t] == forth[s]
        if there != 1 or back != 1:
            return False
    return True


def _facets_round(indptr: Ints, facets: Ints, vertices: Ints | Indices) -> Ints:
    starts = indptr[vertices]
    counts = indptr[np.asarray(vertices) + 1] - starts
    firsts = np.cumsum(counts) - counts
    return np.unique(facets[np.repeat(starts - firsts, counts) + np.arange(counts.sum())])


@njit(cache=True)
def _beside(f: Ints, labels: Ints, of_vertex: Ints) -> Mask:
    """(m,) facets without a label that have a corner with one."""
    out = np.zeros(len(f), dtype=np.bool_)
    for i in range(len(f)):
        out[i] = labels[i] < 0 and (of_vertex[f[i, 0]] >= 0 or of_vertex[f[i, 1]] >= 0 or of_vertex[f[i, 2]] >= 0)
    return out


def _spread(
    surface: Surface, labels: Ints, features: Sequence[Feature], tolerance: float, indptr: Ints, facets: Ints
) -> Ints:  # fmt: skip
    """Labels with the planes' grown back to their edges: onto free facets beside them that lie on the plane.

    Recovery keeps a face's facets well away from its rim, so that the rounding doesn't pull the fit; for an outline
    they would run together across the land between two holes.
    """
    flat = [f if kind_of(f).flat else None for f in features] + [None]
    planes = np.array([f is not None for f in flat])
    points = np.array([np.zeros(3) if f is None else f.point for f in flat])
    normals = np.array([np.zeros(3) if f is None else f.direction for f in flat])
    labels = labels.copy()
    vertex_plane = _labels_of_corners(surface.faces, np.where(planes[labels], labels, -1), len(surface.vertices))
    near: Ints | Indices = np.flatnonzero(_beside(surface.faces, labels, vertex_plane))
    while len(near):
        corners = surface.faces[near]
        which = vertex_plane[corners].max(axis=1)
        off = surface.vertices[corners] - points[which][:, None]
        level = np.abs(np.einsum("nkc,nc->nk", off, normals[which])) < tolerance
        across = facet_normals(surface.vertices, corners)
        good = level.all(axis=1) & (np.sum(across * normals[which], axis=1) > STRAY)
        reached = [corners[good].ravel()]
        # Narrow land hangs together by single edges.
        for k in range(3):
            corner = corners[:, k]
            new = level[:, k] & (vertex_plane[corner] < 0)
            vertex_plane[corner[new]] = which[new]
            reached.append(corner[new])
        labels[near[good]] = which[good]
        for k in range(3):
            vertex_plane[corners[good, k]] = which[good]
        # A facet none of whose corners has changed would be told the same again.
        near = _facets_round(indptr, facets, np.unique(np.concatenate(reached)))
        near = near[labels[near] < 0]
    return labels
