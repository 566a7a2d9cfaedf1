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

from pipeline.geometry import Floats, Indices, Ints, Longs, Mask
from pipeline.jit import njit
from pipeline.mesh.topology import (
    NONMANIFOLD,
    components,
    edge_in,
    facet_areas,
    facet_neighbours,
    facet_normals,
    facets_at,
    neighbours_without,
    rows_left,
)

# Of the facets: where more edges than that have come to be shared by two facets only, all are matched anew.
_MANY = 0.05


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

    normals (s, 3) are those of the facets at the edge. Facets with the same label come before others.
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
                score += normals[s, k] * normals[t, k]
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
            first, second = _flattest_pair(f, normals[low:high], labels, facets[low:high], sides[low:high], used)
            if first < 0:
                break
            used[first] = used[second] = True
            first, second = first + low, second + low
            mates[facets[first], sides[first]] = facets[second]
            mates[facets[second], sides[second]] = facets[first]


@njit(cache=True)
def _inconsistent_pairs(f: Ints, neighbours: Ints, looked_at: Mask) -> Longs:
    """Half-edges 3 * facet + side, two for each edge that two facets, one of them looked at, run the same way."""
    found = np.empty(64, dtype=np.int64)
    count = 0
    for i in range(f.shape[0]):
        for k in range(3):
            j = neighbours[i, k]
            if j <= i or not (looked_at[i] or looked_at[j]):
                continue
            edge = edge_in(f, j, f[i, k], f[i, (k + 1) % 3])
            if edge < 3:
                if count + 2 > found.size:
                    grown = np.empty(2 * count, dtype=np.int64)
                    grown[:count] = found
                    found = grown
                found[count], found[count + 1] = 3 * i + k, 3 * j + edge
                count += 2
    return found[:count]


@njit(cache=True)
def _alone(f: Ints, mates: Ints, i: int, k: int, corners: int) -> bool:
    """Whether the fan of facets round the vertex at corner k of facet i is all of its `corners` facets."""
    p = f[i, k]
    # One way round the fan, then, if it ends at a border, the other way.
    count = 1
    for way in range(2):
        j, c = i, k
        while True:
            side = c if way == 0 else (c + 2) % 3
            j = mates[j, side]
            if j < 0:
                break
            if j == i:
                return count == corners
            count += 1
            c = 0 if f[j, 0] == p else (1 if f[j, 1] == p else 2)
    return count == corners


@njit(cache=True)
def _of_many_fans(f: Ints, mates: Ints, asked: Mask) -> Mask:
    """The vertices among those asked for whose facets are more than one fan."""
    n = asked.size
    corners, first = np.zeros(n, dtype=np.int32), np.empty(n, dtype=np.int32)
    for i in range(f.shape[0]):
        for k in range(3):
            p = f[i, k]
            if asked[p]:
                if corners[p] == 0:
                    first[p] = 3 * i + k
                corners[p] += 1
    out = np.zeros(n, dtype=np.bool_)
    for p in range(n):
        if corners[p] > 1:
            out[p] = not _alone(f, mates, first[p] // 3, first[p] % 3, corners[p])
    return out


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
def _named(f: Ints, mates: Ints, at: Mask) -> tuple[Ints, Ints]:
    """Faces with one vertex for each fan at the vertices `at` (n,), and for each new vertex, from n on, what it was."""
    n = at.size
    out = f.copy()
    done = np.zeros(f.shape, dtype=np.bool_)
    taken = np.zeros(n, dtype=np.bool_)
    copies = np.empty(64, dtype=np.int32)
    count = 0
    for first in range(f.shape[0]):
        for corner in range(3):
            p = f[first, corner]
            if not at[p] or done[first, corner]:
                continue
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


def _split(f: Ints, mates: Ints, asked: Mask) -> tuple[Ints, Ints]:
    """Faces with one vertex for each fan at the vertices (n,) asked for; for each new one, from n on, what it was."""
    at = _of_many_fans(f, mates, asked)
    return _named(f, mates, at) if at.any() else (f, np.empty(0, dtype=np.int32))


def _groups(f: Ints, neighbours: Ints) -> tuple[Ints, Ints, Ints]:
    """Half-edges of non-manifold edges (facet, side), edge by edge, and where each edge's begin."""
    facets, sides = np.divmod(np.flatnonzero(neighbours == NONMANIFOLD), 3)
    a, b = f[facets, sides], f[facets, (sides + 1) % 3]
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((facets, high, low))
    low, high = low[order], high[order]
    new = np.flatnonzero((np.diff(low) != 0) | (np.diff(high) != 0)) + 1
    starts = np.concatenate(([0], new, [len(order)])) if len(order) else np.zeros(1)
    return facets[order].astype(np.int32), sides[order].astype(np.int32), starts.astype(np.int32)


def split_nonmanifold(v: Floats, f: Ints, neighbours: Ints) -> ManifoldMesh:
    """Make consistently oriented facets (as far as they can be), none degenerate, an oriented 2-manifold.

    v, f        vertices (n, 3) mm and faces (m, 3)
    neighbours  (m, 3) as `facet_neighbours` gives them; used up

    Facets of one connected component stay together before others do. Method: the cutting of Gueziec et al. (2001).
    Returned is a `ManifoldMesh`. Below, three pages share an edge: the two that lie flat keep it.

    >>> v = np.array([[0, 0, 0], [0, 0, 1], [1, 0, 0.5], [-1, 0, 0.5], [0, 1, 0.5]], float)
    >>> f = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]], np.int32)
    >>> parted = split_nonmanifold(v, f, facet_neighbours(f, 5))
    >>> parted.faces.tolist(), parted.source.tolist(), parted.edges, parted.vertices_split
    ([[0, 1, 2], [1, 0, 3], [5, 6, 4]], [0, 1, 2, 3, 4, 0, 1], 1, 2)
    """
    kept = np.arange(len(f), dtype=np.int32)
    source = np.arange(len(v), dtype=np.int32)
    n, edges = len(v), 0
    labels: Ints | None = None
    # Looked at are first all facets and vertices, then those beside what was changed.
    facets_asked, asked = np.ones(len(f), dtype=np.bool_), np.ones(len(v), dtype=np.bool_)
    while True:
        facets, sides, starts = _groups(f, neighbours)
        if len(facets):
            labels = components(neighbours) if labels is None else labels
            neighbours[facets, sides] = -1
            _pair_up(f, facet_normals(v, f[facets]), labels, facets, sides, starts, neighbours)
            edges += len(starts) - 1
        wrong = _inconsistent_pairs(f, neighbours, facets_asked)
        neighbours.reshape(-1)[wrong] = -1
        f, copies = _split(f, neighbours, asked)
        if not len(copies) and not len(facets) and not len(wrong):
            return ManifoldMesh(v, f, neighbours, kept, source, edges, _copies_in_use(f, source, n))
        if len(copies):
            v = np.concatenate([v, v[copies]])
            source = np.concatenate([source, source[copies]])
        # Only edges that were parted, and those beside them, may have other facets than before.
        parted = np.union1d(3 * facets.astype(np.int64) + sides, wrong)
        _match(f, neighbours, parted)
        changed = np.zeros(len(f), dtype=np.bool_)
        changed[parted // 3] = True
        gone = _slight_fans(v, f, neighbours, source, n)
        gone[_smallest_at_bad_edges(v, f, neighbours, changed)] = True
        asked = np.zeros(len(v), dtype=np.bool_)
        asked[f[changed | gone]] = True
        if gone.any():
            neighbours = neighbours_left(f, neighbours, gone)
            f, kept = rows_left(f, gone), kept[~gone]
            labels = None if labels is None else labels[~gone]
        facets_asked = facets_at(f, asked)


def neighbours_left(f: Ints, neighbours: Ints, gone: Mask) -> Ints:
    """The neighbours (k, 3) of the facets that are left without those of a mask; what `facet_neighbours` would give.

    f           (m, 3) faces
    neighbours  (m, 3) as `facet_neighbours` gives them; used up
    gone        (m,) bool; the k others are numbered anew, in their order

    Three facets share an edge; with one of them gone the other two are neighbours.

    >>> pages = np.array([[0, 1, 2], [1, 0, 3], [1, 0, 4]], np.int32)
    >>> neighbours_left(pages, facet_neighbours(pages, 5), np.array([False, True, False])).tolist()
    [[1, -1, -1], [0, -1, -1]]
    """
    left = neighbours_without(neighbours, gone)
    shared = np.flatnonzero(left == NONMANIFOLD)
    if len(shared) == 0:
        return left
    f = rows_left(f, gone)
    if len(shared) > _MANY * len(f):
        return facet_neighbours(f, int(f.max()) + 1)
    _match(f, left, shared)
    return left


def _match(f: Ints, neighbours: Ints, parted: Longs) -> None:
    """Find the neighbours across half-edges 3 * facet + side (k,), of each edge all or none, anew, in place."""
    facets, sides = np.divmod(parted, 3)
    a, b = f[facets, sides].astype(np.int64), f[facets, (sides + 1) % 3].astype(np.int64)
    keys = np.minimum(a, b) << 32 | np.maximum(a, b)
    _, edge, uses = np.unique(keys, return_inverse=True, return_counts=True)
    neighbours[facets, sides] = np.where(uses == 1, -1, NONMANIFOLD)[edge]
    order = np.argsort(edge, kind="stable")
    order = order[uses[edge[order]] == 2]
    one, other = order[::2], order[1::2]
    neighbours[facets[one], sides[one]] = facets[other]
    neighbours[facets[other], sides[other]] = facets[one]


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
    near = np.flatnonzero(facets_at(f, looked_at))
    used, index = np.unique(f[near], return_inverse=True)
    local: Ints = index.reshape(-1, 3).astype(np.int32)
    # The fans of vertices at the outer border of these facets are not whole; those stay as they are.
    split, copies = _split(local, facet_neighbours(local, len(used)), looked_at[used])
    if len(copies) == 0:
        return f, copies
    out = f.copy()
    out[near] = np.concatenate([used, n + np.arange(len(copies))])[split]
    return out, used[copies].astype(np.int32)


def _copies_in_use(f: Ints, source: Ints, n: int) -> int:
    """How many fans there are beyond the first of each of the n vertices that there were."""
    if len(source) == n:
        return 0
    split = np.zeros(n, dtype=bool)
    split[source[n:]] = True
    used = np.zeros(len(source), dtype=bool)
    used[f[facets_at(f, split[source])]] = True
    fans = np.bincount(source[used & split[source]])
    return int((fans - 1)[fans > 1].sum())


def _slight_fans(v: Floats, f: Ints, neighbours: Ints, source: Ints, n: int) -> Mask:
    """(m,) facets of open fans of one or two small facets that hang on a split vertex beside a larger fan.

    A fan that was cut from the other along an edge is no such thing: it lies at the rim of a sheet. n, how many
    vertices there were before any was split.
    """
    out = np.zeros(len(f), dtype=bool)
    split = np.zeros(n, dtype=bool)
    split[source[n:]] = True
    copies = split[source]
    at = np.flatnonzero(facets_at(f, copies))
    if len(at) == 0:
        return out
    # By numbers of their own: the vertices in question and those beside them.
    here = np.union1d(f[at], np.flatnonzero(copies))
    local = np.searchsorted(here, f[at])
    ends = np.stack([local, np.roll(local, -1, axis=1)], axis=2).reshape(-1, 2)
    _, edge, uses = np.unique(np.sort(source[here[ends]], axis=1), axis=0, return_inverse=True, return_counts=True)
    border = (neighbours[at] < 0).ravel()
    pinched = np.zeros(len(here), dtype=bool)
    pinched[ends[border]] = True
    pinched[ends[border & (uses[edge.ravel()] > 1)]] = False

    areas = facet_areas(v, f[at])
    usual = float(facet_areas(v, f[:: max(len(f) // 100_000, 1)]).mean())
    fan_area = np.bincount(local.ravel(), weights=np.repeat(areas, 3), minlength=len(here))
    fan_size = np.bincount(local.ravel(), minlength=len(here))
    were, mine = np.unique(source[here], return_inverse=True)
    largest = np.zeros(len(were))
    np.maximum.at(largest, mine, fan_area)
    # Of fans with the very same area the first stays.
    best = np.flatnonzero(fan_area == largest[mine])
    first = np.full(len(were), len(here))
    np.minimum.at(first, mine[best], best)
    lesser = copies[here] & (np.arange(len(here)) != first[mine])
    slight = lesser & pinched & (fan_size <= 2) & (fan_area <= 10 * usual)
    out[at] = slight[local].any(axis=1)
    return out


def _smallest_at_bad_edges(v: Floats, f: Ints, neighbours: Ints, looked_at: Mask) -> Indices:
    """One facet, the smallest, of each edge that is non-manifold still or, of those looked at, run one way twice."""
    facets, _, starts = _groups(f, neighbours)
    bad: list[int] = []
    if len(facets):
        areas = facet_areas(v, f[facets])
        bad += [int(facets[low + np.argmin(areas[low:high])]) for low, high in pairwise(starts)]
    pairs = _inconsistent_pairs(f, neighbours, looked_at).reshape(-1, 2) // 3
    if len(pairs):
        areas = facet_areas(v, f[pairs.ravel()]).reshape(-1, 2)
        bad += [int(i) for i in pairs[np.arange(len(pairs)), np.argmin(areas, axis=1)]]
    return np.unique(np.array(bad, dtype=np.int64))
