"""Flats a few edges wide between sharp edges, which vertices can't show: found by their facets.

The normal of a vertex at a sharp edge is a mean over both sides of it. On a face some five edges wide hardly a vertex
is left that faces the way the face does, while its facets all do, but for those that bridge the edge.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.features.segmentation import model_selection
from pipeline.features.segmentation.region_growing import SMALLEST
from pipeline.features.segmentation.search import NAMES, Region, Segmentation, facing, joined, region_of
from pipeline.features.segmentation.vertex_walks import GATE, NO_REGION
from pipeline.geometry import Floats, Ints, Mask, unit_rows
from pipeline.mesh.topology import compact, components, facet_neighbours, facet_normals
from pipeline.surfaces import PACKED, begin, distances, names_of

_TURN, _MOST_TURN = np.radians(6.0), np.radians(15.0)  # between neighbouring facets of one flat, but for the noise
_NOISE = 4.0 * 2.3  # times noise over edge length: what it turns facets with equal sides by, four times over
_ROUGH = 1.4  # times the noise: more than the form of a face may add to the rms of a few vertices
_ROUNDS = 3  # of leaving out what faces another way than the rest
_SEVERAL = 0.75  # of the corners that must lie on the plane


def narrow_flats(ground: Segmentation) -> list[Region]:
    """Planes among what no region has, largest first. Labels must be up to date, and are not changed."""
    free = ground.label == NO_REGION
    of_scan = np.flatnonzero(free[ground.faces].all(axis=1))
    if not len(of_scan):
        return []
    vertices, faces, _ = compact(ground.vertices, ground.faces[of_scan])
    part = _parts(ground, vertices, faces)
    count = int(part.max()) + 1
    rms, corners = _flatness(vertices, faces, part, count)
    # Half as many facets as corners at least, and they are counted once for each facet.
    likely = (rms < _ROUGH * ground.sigma) & (corners >= SMALLEST)
    out = []
    order = np.argsort(part, kind="stable")
    starts = np.searchsorted(part[order], np.arange(count + 1))
    for k in np.flatnonzero(likely):
        members = np.unique(ground.faces[of_scan[order[starts[k] : starts[k + 1]]]])
        region = _plane_on(ground, members)
        if region is not None:
            out.append(region)
    # Where an edge is near on both sides a few facets that bridge it part a flat.
    return sorted(joined(ground, out, names_of(lambda kind: kind.flat)), key=lambda region: -region.area)


def _parts(ground: Segmentation, vertices: Floats, faces: Ints) -> Ints:
    """(m,) which part, joined by edges that hardly bend and facing one way, each facet belongs to."""
    neighbours = facet_neighbours(faces, len(vertices))
    normals = facet_normals(vertices, faces)
    most = np.cos(np.clip(_NOISE * ground.white / ground.median_edge, _TURN, _MOST_TURN))
    _cut(neighbours, lambda other: np.einsum("ij,ij->i", normals, normals[other]) < most)
    part = components(neighbours)
    # Over a few facets that bridge an edge obliquely a flat leads on to what lies beyond.
    along = np.ones(len(faces), dtype=np.bool_)
    for _ in range(_ROUNDS):
        sums: Floats = np.column_stack([np.bincount(part, along * normals[:, k]) for k in range(3)]).astype(float)
        along = np.einsum("ij,ij->i", normals, unit_rows(sums)[part]) >= most
    _cut(neighbours, lambda other: along != along[other])
    return components(neighbours)


def _cut(neighbours: Ints, apart: Callable[[Ints], Mask]) -> None:
    """Part the facets that `apart` says of, given the facet across one of each one's edges; `neighbours` in place."""
    for k in range(3):
        other = neighbours[:, k]
        other[apart(other) & (other >= 0)] = -1


def _flatness(vertices: Floats, faces: Ints, part: Ints, count: int) -> tuple[Floats, Floats]:
    """(count,) rms, mm, of the facets' middles about the plane through each part; and how many corners it may have."""
    middles = vertices[faces].mean(axis=1)
    size = np.bincount(part, minlength=count).astype(float)
    centre = np.column_stack([np.bincount(part, middles[:, k], count) for k in range(3)]) / size[:, None]
    away = middles - centre[part]
    spread = np.empty((count, 3, 3))
    for i in range(3):
        for j in range(i + 1):
            spread[:, i, j] = spread[:, j, i] = np.bincount(part, away[:, i] * away[:, j], count) / size
    return np.sqrt(np.maximum(np.linalg.eigvalsh(spread)[:, 0], 0.0)), size + 2.0


def _plane_on(ground: Segmentation, members: Ints) -> Region | None:
    """The plane through vertices that all but lie on one; None where they don't, or are too few."""
    points = ground.vertices[members]
    s = np.zeros(PACKED)
    (flat,) = names_of(lambda kind: kind.flat)
    code = NAMES.index(flat)
    if len(members) < SMALLEST or not begin(code, points, ground.normals[members], s):
        return None
    model_selection.settle(code, s, points, ground.sigma, 3)
    on = np.abs(distances(code, s, points)) <= GATE * ground.sigma
    if on.mean() < _SEVERAL or on.sum() < SMALLEST:
        return None
    members = members[on].astype(np.int32)
    return region_of(ground, code, s, facing(ground, code, s, members), members, members, 0.0)
