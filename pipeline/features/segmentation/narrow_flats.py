"""Flats a few edges wide between sharp edges, which vertices can't show: found by their facets.

The normal of a vertex at a sharp edge is a mean over both sides of it. On a face some five edges wide hardly a vertex
is left that faces the way the face does, while its facets all do, but for those that bridge the edge.
"""

from __future__ import annotations

import numpy as np

from pipeline.features.segmentation import model_selection
from pipeline.features.segmentation.region_growing import SMALLEST
from pipeline.features.segmentation.search import NAMES, Region, Segmentation, facing, joined, region_of
from pipeline.features.segmentation.vertex_walks import GATE, NO_REGION
from pipeline.geometry import Floats, Ints, Longs, Mask, Singles
from pipeline.jit import njit, prange
from pipeline.mesh.topology import components, facet_neighbours, facet_normals
from pipeline.surfaces import PACKED, begin, distances, names_of

_TURN, _MOST_TURN = np.radians(6.0), np.radians(15.0)  # between neighbouring facets of one flat, but for the noise
_NOISE = 4.0 * 2.3  # times noise over edge length: what it turns facets with equal sides by, four times over
_ASIDE = np.cos(np.radians(22.0))  # between neighbouring facets that lie on two sides of an edge
_ROUGH = 1.4  # times the noise: more than the form of a face may add to the rms of a few vertices
_ROUNDS = 3  # of leaving out what faces another way than the rest
_AT_ONCE = 1 << 20  # facets
_SEVERAL = 0.75  # of the corners that must lie on the plane


def narrow_flats(ground: Segmentation) -> list[Region]:
    """Planes among what no region has, largest first. Labels must be up to date, and are not changed."""
    faces = ground.faces[_free_facets(ground.faces, ground.label)]
    if not len(faces):
        return []
    part = _parts(ground, faces)
    # Half as many facets as corners at least, and they are counted once for each facet.
    size = np.bincount(part)
    size = size[size + 2 >= SMALLEST]
    rms = _flatness(ground.vertices, faces, part, size)
    order, ends = _by_part(part, size), np.cumsum(size)
    out = []
    for k in np.flatnonzero(rms < _ROUGH * ground.sigma):
        region = _plane_on(ground, np.unique(faces[order[ends[k] - size[k] : ends[k]]]))
        if region is not None:
            out.append(region)
    # Where an edge is near on both sides a few facets that bridge it part a flat.
    return sorted(joined(ground, out, names_of(lambda kind: kind.flat)), key=lambda region: -region.area)


def _parts(ground: Segmentation, faces: Ints) -> Ints:
    """(m,) which part, joined by edges that hardly bend and facing one way, each facet belongs to; largest first."""
    neighbours = facet_neighbours(faces, len(ground.vertices))
    normals = _single_normals(ground.vertices, faces)
    noisy = _NOISE * ground.white / ground.median_edge
    most = np.cos(np.clip(noisy, _TURN, _MOST_TURN))
    # Where noise turns them by more than edges may, chance would part every surface into bits of a few facets, each of
    # them flat. A mean over neighbours about halves what it turns the next ones by.
    for _ in range(int(np.ceil(np.log2(max(noisy / _MOST_TURN, 1.0))))):
        normals = _evened(normals, neighbours)
    _cut_at_bends(neighbours, normals, most)
    part = components(neighbours)
    # Over a few facets that bridge an edge obliquely a flat leads on to what lies beyond.
    along = np.ones(len(faces), dtype=np.bool_)
    for _ in range(_ROUNDS):
        along = _facing_with(normals, part, along, most)
    del normals, part  # before as much again is needed
    _cut_between(neighbours, along)
    return components(neighbours)


def _single_normals(vertices: Floats, faces: Ints) -> Singles:
    """Unit normals (m, 3) of facets, float32: there are many, and what they turn by is looked at in degrees."""
    out = np.empty((len(faces), 3), dtype=np.float32)
    for a in range(0, len(faces), _AT_ONCE):
        out[a : a + _AT_ONCE] = facet_normals(vertices, faces[a : a + _AT_ONCE])
    return out


@njit(cache=True, parallel=True)
def _free_facets(faces: Ints, label: Ints) -> Mask:
    """(m,) whether none of a facet's corners belongs to a region."""
    out = np.empty(len(faces), dtype=np.bool_)
    for i in prange(len(faces)):
        out[i] = label[faces[i, 0]] == NO_REGION and label[faces[i, 1]] == NO_REGION and label[faces[i, 2]] == NO_REGION
    return out


@njit(cache=True, parallel=True)
def _evened(normals: Singles, neighbours: Ints) -> Singles:
    """The mean (m, 3) of each facet's unit normal and those of the neighbours that no edge parts from it."""
    out = np.empty_like(normals)
    for i in prange(len(normals)):
        a, b, c = normals[i, 0], normals[i, 1], normals[i, 2]
        x, y, z = a, b, c
        for k in range(3):
            j = neighbours[i, k]
            if j >= 0:
                p, q, r = normals[j, 0], normals[j, 1], normals[j, 2]
                if a * p + b * q + c * r > _ASIDE:
                    x, y, z = x + p, y + q, z + r
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0.0:
            x, y, z = x / length, y / length, z / length
        out[i, 0], out[i, 1], out[i, 2] = x, y, z
    return out


@njit(cache=True, parallel=True)
def _cut_at_bends(neighbours: Ints, normals: Singles, most: float) -> None:
    """Part the facets whose unit normals are further from each other than the cosine `most`; neighbours in place."""
    for i in prange(len(neighbours)):
        for k in range(3):
            j = neighbours[i, k]
            if j >= 0:
                turn = normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2]
                if turn < most:
                    neighbours[i, k] = -1


@njit(cache=True, parallel=True)
def _cut_between(neighbours: Ints, along: Mask) -> None:
    """Part the facets that are along from those that aren't; neighbours in place."""
    for i in prange(len(neighbours)):
        for k in range(3):
            j = neighbours[i, k]
            if j >= 0 and along[i] != along[j]:
                neighbours[i, k] = -1


@njit(cache=True)
def _facing_with(normals: Singles, part: Ints, along: Mask, most: float) -> Mask:
    """(m,) which facets face as those of their part that are `along` do together, to the cosine `most`."""
    sums = np.zeros((part.max() + 1, 3))
    for i in range(len(part)):
        if along[i]:
            for k in range(3):
                sums[part[i], k] += normals[i, k]
    out = np.empty_like(along)
    for i in range(len(part)):
        x, y, z = sums[part[i], 0], sums[part[i], 1], sums[part[i], 2]
        facing, length = x * normals[i, 0] + y * normals[i, 1] + z * normals[i, 2], np.sqrt(x * x + y * y + z * z)
        out[i] = length > 0.0 and facing >= most * length
    return out


@njit(cache=True)
def _by_part(part: Ints, size: Longs) -> Ints:
    """The facets of the first parts, of `size` (k,) facets each, one part after the other, ascending in each."""
    place = np.cumsum(size) - size
    out = np.empty(size.sum(), dtype=np.int32)
    for i in range(len(part)):
        p = part[i]
        if p < len(size):
            out[place[p]] = i
            place[p] += 1
    return out


def _flatness(vertices: Floats, faces: Ints, part: Ints, size: Longs) -> Floats:
    """(k,) rms, mm, of the facets' middles about the plane through each of the first parts, of `size` (k,) facets."""
    return np.sqrt(np.maximum(np.linalg.eigvalsh(_spreads(vertices, faces, part, size))[:, 0], 0.0))


@njit(cache=True)
def _spreads(vertices: Floats, faces: Ints, part: Ints, size: Longs) -> Floats:
    """(k, 3, 3) mm2, covariance of the facets' middles of each of the first parts, of `size` (k,) facets."""
    centre, out = np.zeros((len(size), 3)), np.zeros((len(size), 3, 3))
    for i in range(len(part)):
        p = part[i]
        if p < len(size):
            for k in range(3):
                centre[p, k] += (vertices[faces[i, 0], k] + vertices[faces[i, 1], k] + vertices[faces[i, 2], k]) / 3.0
    for p in range(len(size)):
        centre[p] /= size[p]
    away = np.empty(3)
    for i in range(len(part)):
        p = part[i]
        if p < len(size):
            for k in range(3):
                middle = (vertices[faces[i, 0], k] + vertices[faces[i, 1], k] + vertices[faces[i, 2], k]) / 3.0
                away[k] = middle - centre[p, k]
            for k in range(3):
                for j in range(3):
                    out[p, k, j] += away[k] * away[j]
    for p in range(len(size)):
        out[p] /= size[p]
    return out


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
