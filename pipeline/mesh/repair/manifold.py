"""Making a mesh a 2-manifold: where sheets meet in one edge or one vertex, they are split.

The cutting of Gueziec et al., "Cutting and stitching: converting sets of polygons to manifold surfaces" (2001).

Around an edge of more than two facets the flattest pair that runs it in opposite directions stays joined, then
the next flattest; what finds no partner gets a border there. Then each vertex is split into one copy for each
fan of joined facets. Positions do not move. Facets are taken away in two cases only: a fan of one or two small facets
that hangs on a split vertex beside a larger one (two holes touch there, and would be one with a pinched rim), and the
smallest facet at an edge that can't be split since both its ends keep the sheets together.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.geometry import Floats, Indices, Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.topology import (
    NONMANIFOLD,
    edge_in,
    facet_areas,
    facet_neighbours,
    facet_normals,
    neighbours_without,
)


@dataclass(frozen=True)
class ManifoldMesh:
    """vertices, faces: an oriented 2-manifold with border. neighbours (m, 3) of its facets.

    kept      (m,) index of each facet among those that went in
    source    (n,) vertex that each vertex was before
    edges     edges of more than two facets that were split
    vertices_split  copies of vertices that were made and are in use
    """

    vertices: Floats
    faces: Ints
    neighbours: Ints
    kept: Ints
    source: Ints
    edges: int
    vertices_split: int


@njit(cache=True)
def _flattest_pair(f: Ints, normals: Floats, labels: Ints, facets: Ints, sides: Ints, used: Mask) -> tuple[int, int]:
    """Of the facets at one edge the two unused ones that run it oppositely and go on straightest; -1 for none.

    Facets with the same label come before others.
    """
    best = -4.0
    first = second = -1
    for s in range(len(facets)):
        for t in range(s + 1, len(facets)):
            if used[s] or used[t]:
                continue
            i, j = facets[s], facets[t]
            if f[i, sides[s]] == f[j, sides[t]] or i == j:
                continue
            score = 0.5 if labels[i] == labels[j] else 0.0
            for k in range(3):
                score += normals[i, k] * normals[j, k]
            if score > best:
                best, first, second = score, s, t
    return first, second


@njit(cache=True)
def _pair_up(f: Ints, normals: Floats, labels: Ints, facets: Ints, sides: Ints, starts: Ints, mates: Ints) -> None:
    """Join, around each non-manifold edge, pairs that run it in opposite directions; flattest first."""
    for g in range(starts.size - 1):
        low, high = starts[g], starts[g + 1]
        used = np.zeros(high - low, dtype=np.bool_)
        while True:
            first, second = _flattest_pair(f, normals, labels, facets[low:high], sides[low:high], used)
            if first < 0:
                break
            used[first] = used[second] = True
            first, second = first + low, second + low
            mates[facets[first], sides[first]] = facets[second]
            mates[facets[second], sides[second]] = facets[first]


@njit(cache=True)
def _cut_inconsistent(f: Ints, mates: Ints) -> int:
    """Part facets that run an edge the same way; how many."""
    cut = 0
    for i in range(f.shape[0]):
        for k in range(3):
            j = mates[i, k]
            if j < 0:
                continue
            edge = edge_in(f, j, f[i, k], f[i, (k + 1) % 3])
            if edge < 3:
                mates[i, k] = -1
                mates[j, edge] = -1
                cut += 1
    return cut


@njit(cache=True)
def _name_fan(f: Ints, mates: Ints, first: int, corner: int, name: int, done: Mask, out: Ints) -> None:
    """Give the vertex at a corner its name in all facets of the fan round it."""
    # One way round the fan by the edge that leaves the vertex, then the other way by the edge that comes to it.
    for way in range(2):
        i, k = first, corner
        while True:
            done[i, k] = True
            out[i, k] = name
            side = k if way == 0 else (k + 2) % 3
            j = mates[i, side]
            if j < 0:
                break
            edge = edge_in(f, j, f[i, side], f[i, (side + 1) % 3]) - 3
            i, k = j, (edge + 1) % 3 if way == 0 else edge
            if done[i, k]:
                break


@njit(cache=True)
def _split(f: Ints, mates: Ints, n: int) -> tuple[Ints, Ints]:
    """Faces with one vertex for each fan, and for each new vertex beyond n the one that it was."""
    m = f.shape[0]
    out = f.copy()
    done = np.zeros((m, 3), dtype=np.bool_)
    taken = np.zeros(n, dtype=np.bool_)
    copies = np.empty(64, dtype=np.int32)
    count = 0
    for first in range(m):
        for corner in range(3):
            if done[first, corner]:
                continue
            p = f[first, corner]
            name = p
            if taken[p]:
                if count == copies.size:
                    grown = np.empty(2 * count, dtype=np.int32)
                    grown[:count] = copies
                    copies = grown
                copies[count] = p
                name = n + count
                count += 1
            taken[p] = True
            _name_fan(f, mates, first, corner, name, done, out)
    return out, copies[:count]


def _groups(f: Ints, neighbours: Ints) -> tuple[Ints, Ints, Ints]:
    """Half-edges of non-manifold edges (facet, side), edge by edge, and where each edge's begin."""
    facets, sides = np.nonzero(neighbours == NONMANIFOLD)
    a, b = f[facets, sides], f[facets, (sides + 1) % 3]
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((facets, high, low))
    low, high = low[order], high[order]
    new = np.flatnonzero((np.diff(low) != 0) | (np.diff(high) != 0)) + 1
    starts = np.concatenate(([0], new, [len(order)])) if len(order) else np.zeros(1)
    return facets[order].astype(np.int32), sides[order].astype(np.int32), starts.astype(np.int32)


def split_nonmanifold(v: Floats, f: Ints, neighbours: Ints, labels: Ints) -> ManifoldMesh:
    """Make consistently oriented facets (as far as they can be), none degenerate, an oriented 2-manifold.

    v, f        vertices (n, 3) mm and faces (m, 3)
    neighbours  (m, 3) as `facet_neighbours` gives them
    labels      (m,): facets with the same number stay together before others do

    Method: the cutting of Gueziec et al. (2001). Returned is a `ManifoldMesh`. Below, three pages share an edge: the
    two that lie flat keep it.

    >>> v = np.array([[0, 0, 0], [0, 0, 1], [1, 0, 0.5], [-1, 0, 0.5], [0, 1, 0.5]], float)
    >>> f = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]], np.int32)
    >>> parted = split_nonmanifold(v, f, facet_neighbours(f, 5), np.zeros(3, np.int32))
    >>> parted.faces.tolist(), parted.source.tolist(), parted.edges, parted.vertices_split
    ([[0, 1, 2], [1, 0, 3], [5, 6, 4]], [0, 1, 2, 3, 4, 0, 1], 1, 2)
    """
    kept = np.arange(len(f), dtype=np.int32)
    source = np.arange(len(v), dtype=np.int32)
    edges = 0
    while True:
        mates = neighbours
        facets, sides, starts = _groups(f, neighbours)
        if len(facets):
            mates = neighbours.copy()
            mates[facets, sides] = -1
            _pair_up(f, facet_normals(v, f), labels, facets, sides, starts, mates)
            edges += len(starts) - 1
        elif _any_inconsistent(f, mates):
            mates = neighbours.copy()
        cut = _cut_inconsistent(f, mates)
        f, copies = _split(f, mates, len(v))
        if not len(copies) and not len(facets) and not cut:
            return ManifoldMesh(v, f, mates, kept, source, edges, _copies_in_use(f, source))
        v = np.concatenate([v, v[copies]])
        source = np.concatenate([source, source[copies]])
        # Only edges that were parted, and those beside them, may have other facets than before.
        neighbours = _matched(f, mates, (neighbours == NONMANIFOLD) | ((mates < 0) & (neighbours >= 0)))
        stay = ~_slight_fans(v, f, neighbours, source)
        stay[_smallest_at_bad_edges(v, f, neighbours)] = False
        if not stay.all():
            neighbours = neighbours_left(f, neighbours, ~stay)
            f, kept, labels = f[stay], kept[stay], labels[stay]


def neighbours_left(f: Ints, neighbours: Ints, gone: Mask) -> Ints:
    """The neighbours (k, 3) of the facets that are left without those of a mask; what `facet_neighbours` would give.

    f           (m, 3) faces
    neighbours  (m, 3) as `facet_neighbours` gives them
    gone        (m,) bool; the k others are numbered anew, in their order

    Three facets share an edge; with one of them gone the other two are neighbours.

    >>> pages = np.array([[0, 1, 2], [1, 0, 3], [1, 0, 4]], np.int32)
    >>> neighbours_left(pages, facet_neighbours(pages, 5), np.array([False, True, False])).tolist()
    [[1, -1, -1], [0, -1, -1]]
    """
    left = neighbours_without(neighbours, gone)
    shared = left == NONMANIFOLD
    return _matched(f[~gone], left, shared) if shared.any() else left


def _matched(f: Ints, neighbours: Ints, asked: Mask) -> Ints:
    """Neighbours (m, 3) with those across the asked edges (m, 3) found anew; all facets at such an edge are asked."""
    out = neighbours.copy()
    facets, sides = np.nonzero(asked)
    a, b = f[facets, sides], f[facets, (sides + 1) % 3]
    ends = np.stack([np.minimum(a, b), np.maximum(a, b)], axis=1)
    _, edge, uses = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    out[facets, sides] = np.where(uses == 1, -1, NONMANIFOLD)[edge.ravel()]
    order = np.argsort(edge.ravel(), kind="stable")
    order = order[uses[edge.ravel()[order]] == 2]
    one, other = order[::2], order[1::2]
    out[facets[one], sides[one]] = facets[other]
    out[facets[other], sides[other]] = facets[one]
    return out


def split_singular_vertices(f: Ints, n: int, at: Ints) -> tuple[Ints, Ints]:
    """Split singular vertices of a mesh whose edges are manifold, so that each has one fan of facets.

    f   (m, 3) faces over n vertices
    at  (k,) vertices that are looked at

    Returns the faces (m, 3), and for each new vertex, from number n on, the one that it was; no facet is lost and no
    other vertex changed.

    >>> faces, copied = split_singular_vertices(np.array([[0, 1, 2], [0, 3, 4]], np.int32), 5, np.array([0]))
    >>> faces.tolist(), copied.tolist()
    ([[0, 1, 2], [5, 3, 4]], [0])
    """
    looked_at = np.zeros(n, dtype=bool)
    looked_at[at] = True
    near = np.flatnonzero(looked_at[f].any(axis=1))
    used, index = np.unique(f[near], return_inverse=True)
    local: Ints = index.reshape(-1, 3).astype(np.int32)
    split, copies = _split(local, facet_neighbours(local, len(used)), len(used))
    # The fans of vertices at the outer border of these facets are not whole; those stay as they are.
    source = np.concatenate([np.arange(len(used)), copies])
    number = used[source]
    new = len(used) + np.flatnonzero(looked_at[used[copies]])
    number[new] = n + np.arange(len(new))
    out = f.copy()
    out[near] = number[split]
    return out, used[source[new]].astype(np.int32)


def _copies_in_use(f: Ints, source: Ints) -> int:
    used = np.zeros(len(source), dtype=bool)
    used[f] = True
    fans = np.bincount(source[used])
    return int((fans - 1)[fans > 1].sum())


def _slight_fans(v: Floats, f: Ints, neighbours: Ints, source: Ints) -> Mask:
    """(m,) facets of open fans of one or two small facets that hang on a split vertex beside a larger fan.

    A fan that was cut from the other along an edge is no such thing: it lies at the rim of a sheet.
    """
    split = np.bincount(source) > 1
    at = np.flatnonzero(split[source[f]].any(axis=1))
    out = np.zeros(len(f), dtype=bool)
    if len(at) == 0:
        return out
    ends = np.stack([f[at], np.roll(f[at], -1, axis=1)], axis=2).reshape(-1, 2)
    _, edge, uses = np.unique(np.sort(source[ends], axis=1), axis=0, return_inverse=True, return_counts=True)
    border = (neighbours[at] < 0).ravel()
    pinched = np.zeros(len(v), dtype=bool)
    pinched[ends[border]] = True
    pinched[ends[border & (uses[edge.ravel()] > 1)]] = False

    areas = facet_areas(v, f[at])
    usual = float(facet_areas(v, f[:: max(len(f) // 100_000, 1)]).mean())
    fan_area = np.bincount(f[at].ravel(), weights=np.repeat(areas, 3), minlength=len(v))
    fan_size = np.bincount(f[at].ravel(), minlength=len(v))
    largest = np.zeros(len(split))
    np.maximum.at(largest, source, fan_area)
    # Of fans with the very same area the first stays.
    best = np.flatnonzero(fan_area == largest[source])
    first = np.full(len(split), len(v))
    np.minimum.at(first, source[best], best)
    lesser = split[source] & (np.arange(len(v)) != first[source])
    slight = lesser & pinched & (fan_size <= 2) & (fan_area <= 10 * usual)
    out[at] = slight[f[at]].any(axis=1)
    return out


@njit(cache=True)
def _any_inconsistent(f: Ints, mates: Ints) -> bool:
    for i in range(f.shape[0]):
        for k in range(3):
            j = mates[i, k]
            if j > i and edge_in(f, j, f[i, k], f[i, (k + 1) % 3]) < 3:
                return True
    return False


def _smallest_at_bad_edges(v: Floats, f: Ints, neighbours: Ints) -> Indices:
    """One facet, the smallest, of each edge that still is non-manifold or run the same way twice."""
    facets, _, starts = _groups(f, neighbours)
    bad: list[int] = []
    if len(facets):
        areas = facet_areas(v, f[facets])
        bad += [int(facets[low + np.argmin(areas[low:high])]) for low, high in pairwise(starts)]
    if _any_inconsistent(f, neighbours):
        wrong = _inconsistent_pairs(f, neighbours)
        areas = facet_areas(v, f[wrong.ravel()]).reshape(-1, 2)
        bad += [int(i) for i in wrong[np.arange(len(wrong)), np.argmin(areas, axis=1)]]
    return np.unique(np.array(bad, dtype=np.int64))


@njit(cache=True)
def _inconsistent_pairs(f: Ints, neighbours: Ints) -> Indices:
    pairs = []
    for i in range(f.shape[0]):
        for k in range(3):
            j = neighbours[i, k]
            if j > i and edge_in(f, j, f[i, k], f[i, (k + 1) % 3]) < 3:
                pairs.append((i, j))
    out = np.empty((len(pairs), 2), dtype=np.int64)
    for r in range(len(pairs)):
        out[r, 0], out[r, 1] = pairs[r]
    return out
