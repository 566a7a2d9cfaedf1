"""Who neighbours whom on a triangle mesh, and the simple measures of it.

Everything works on plain arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run
counter-clockwise seen from outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All
results are the same for the same input, whatever the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit, prange

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

NONMANIFOLD = -2
# Waking the threads of a parallel kernel costs more than it saves below this many facets.
_FEW = 5_000


@njit(cache=True, parallel=True)
def _facet_vectors(v, f):  # type: ignore[no-untyped-def]
    out = np.empty((f.shape[0], 3))
    for i in prange(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        out[i, 0] = uy * wz - uz * wy
        out[i, 1] = uz * wx - ux * wz
        out[i, 2] = ux * wy - uy * wx
    return out


@njit(cache=True, parallel=True)
def _unit(vectors):  # type: ignore[no-untyped-def]
    for i in prange(vectors.shape[0]):
        x, y, z = vectors[i, 0], vectors[i, 1], vectors[i, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0:
            vectors[i, 0], vectors[i, 1], vectors[i, 2] = x / length, y / length, z / length
    return vectors


@njit(cache=True, parallel=True)
def _facet_areas(v, f):  # type: ignore[no-untyped-def]
    out = np.empty(f.shape[0])
    for i in prange(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        out[i] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return out


@njit(cache=True)
def _vertex_sums(v, f):  # type: ignore[no-untyped-def]
    out = np.zeros((v.shape[0], 3))
    for i in range(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        for p in (a, b, c):
            out[p, 0] += x
            out[p, 1] += y
            out[p, 2] += z
    return out


def facet_normals(v: Floats, f: Ints) -> Floats:
    """(m, 3) unit normals; zero for a facet without area."""
    if len(f) >= _FEW:
        return _unit(_facet_vectors(v, f))
    corners = v[f]
    vectors = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.divide(vectors, size, out=vectors, where=size > 0)


def facet_areas(v: Floats, f: Ints) -> Floats:
    """(m,) areas in mm2."""
    return _facet_areas(v, f)


def vertex_normals(v: Floats, f: Ints) -> Floats:
    """(n, 3) unit normals, the facets' weighted by area; zero for a vertex without facets."""
    return _unit(_vertex_sums(v, f))


@njit(cache=True)
def _corner_counts(f, n):  # type: ignore[no-untyped-def]
    indptr = np.zeros(n + 1, dtype=np.int32)
    for i in range(f.shape[0]):
        for k in range(3):
            indptr[f[i, k] + 1] += 1
    for p in range(n):
        indptr[p + 1] += indptr[p]
    return indptr


@njit(cache=True)
def _vertex_facets(f, indptr):  # type: ignore[no-untyped-def]
    facets = np.empty(indptr[-1], dtype=np.int32)
    place = indptr[:-1].copy()
    for i in range(f.shape[0]):
        for k in range(3):
            p = f[i, k]
            facets[place[p]] = i
            place[p] += 1
    return facets


def vertex_facets(f: Ints, n: int) -> tuple[Ints, Ints]:
    """The facets of each vertex in compressed rows: those of vertex p are facets[indptr[p]:indptr[p + 1]]."""
    indptr = _corner_counts(f, n)
    return indptr, _vertex_facets(f, indptr)


@njit(cache=True)
def _half_edges(f, n):  # type: ignore[no-untyped-def]
    """Half-edges 3 * facet + k sorted by their smaller vertex, in compressed rows."""
    indptr = np.zeros(n + 1, dtype=np.int32)
    for i in range(f.shape[0]):
        for k in range(3):
            indptr[min(f[i, k], f[i, (k + 1) % 3]) + 1] += 1
    for p in range(n):
        indptr[p + 1] += indptr[p]
    edges = np.empty(3 * f.shape[0], dtype=np.int32)
    place = indptr[:-1].copy()
    for i in range(f.shape[0]):
        for k in range(3):
            p = min(f[i, k], f[i, (k + 1) % 3])
            edges[place[p]] = 3 * i + k
            place[p] += 1
    return indptr, edges


@njit(cache=True, parallel=True)
def _pair(f, indptr, edges):  # type: ignore[no-untyped-def]
    neighbours = np.full((f.shape[0], 3), -1, dtype=np.int32)
    for p in prange(indptr.size - 1):
        for s in range(indptr[p], indptr[p + 1]):
            i, k = edges[s] // 3, edges[s] % 3
            a, b = f[i, k], f[i, (k + 1) % 3]
            if a == b:
                continue
            far = max(a, b)
            partners = 0
            for t in range(indptr[p], indptr[p + 1]):
                if t == s:
                    continue
                j, q = edges[t] // 3, edges[t] % 3
                if max(f[j, q], f[j, (q + 1) % 3]) == far:
                    partners += 1
                    neighbours[i, k] = j
            if partners > 1:
                neighbours[i, k] = -2
    return neighbours


def facet_neighbours(f: Ints, n: int) -> Ints:
    """(m, 3) the facet across each edge; -1 on a border, -2 where more than two facets share the edge.

    Whether the two facets run the edge in opposite directions, as they should, is not looked at. An edge
    from a vertex to itself counts as border. 24 bytes a facet besides the result.
    """
    if 3 * len(f) > np.iinfo(np.int32).max:
        raise ValueError("more than 715 million facets can't be numbered in 32 bits")
    indptr, edges = _half_edges(f, n)
    return _pair(f, indptr, edges)


@njit(cache=True)
def _without(neighbours, gone, count):  # type: ignore[no-untyped-def]
    new = np.full(neighbours.shape[0], -1, dtype=np.int32)
    rows = 0
    for i in range(neighbours.shape[0]):
        if not gone[i]:
            new[i] = rows
            rows += 1
    out = np.empty((count, 3), dtype=np.int32)
    for i in range(neighbours.shape[0]):
        if new[i] >= 0:
            for k in range(3):
                j = neighbours[i, k]
                out[new[i], k] = new[j] if j >= 0 else j
    return out


def neighbours_without(neighbours: Ints, gone: NDArray[np.bool_]) -> Ints:
    """The neighbours that are left without the facets of the mask (m,), on a mesh without non-manifold edges."""
    return _without(neighbours, gone, int(len(gone) - np.count_nonzero(gone)))


@njit(cache=True, parallel=True)
def _ring_counts(f, indptr, facets):  # type: ignore[no-untyped-def]
    counts = np.zeros(indptr.size, dtype=np.int32)
    for p in prange(indptr.size - 1):
        ring = np.empty(2 * (indptr[p + 1] - indptr[p]), dtype=np.int32)
        counts[p + 1] = _collect_ring(f, indptr, facets, p, ring)
    return counts


@njit(cache=True)
def _collect_ring(f, indptr, facets, p, ring):  # type: ignore[no-untyped-def]
    """Sorted distinct neighbours of vertex p into `ring`; returns how many."""
    count = 0
    for s in range(indptr[p], indptr[p + 1]):
        i = facets[s]
        for k in range(3):
            q = f[i, k]
            if q == p:
                continue
            place = 0
            while place < count and ring[place] < q:
                place += 1
            if place < count and ring[place] == q:
                continue
            for r in range(count, place, -1):
                ring[r] = ring[r - 1]
            ring[place] = q
            count += 1
    return count


@njit(cache=True, parallel=True)
def _ring_fill(f, indptr, facets, starts, indices):  # type: ignore[no-untyped-def]
    for p in prange(indptr.size - 1):
        ring = np.empty(2 * (indptr[p + 1] - indptr[p]), dtype=np.int32)
        count = _collect_ring(f, indptr, facets, p, ring)
        for r in range(count):
            indices[starts[p] + r] = ring[r]


def vertex_ring(f: Ints, n: int) -> tuple[Ints, Ints]:
    """The vertices joined to each vertex by an edge, ascending, in compressed rows (indptr, indices)."""
    indptr, facets = vertex_facets(f, n)
    starts = np.cumsum(_ring_counts(f, indptr, facets), dtype=np.int32)
    indices = np.empty(starts[-1], dtype=np.int32)
    _ring_fill(f, indptr, facets, starts, indices)
    return starts, indices


@njit(cache=True)
def edge_in(f, j, a, b):  # type: ignore[no-untyped-def]
    """Which edge of facet j joins a and b: k if it runs a -> b, k + 3 if b -> a, -1 if none does."""
    for k in range(3):
        p, q = f[j, k], f[j, (k + 1) % 3]
        if p == a and q == b:
            return k
        if p == b and q == a:
            return k + 3
    return -1


@njit(cache=True)
def _open_edges(f, neighbours):  # type: ignore[no-untyped-def]
    """(m, 3) edges that can't be crossed: border, non-manifold, or run the same way by both facets."""
    out = np.zeros(f.shape, dtype=np.bool_)
    for i in range(f.shape[0]):
        for k in range(3):
            j = neighbours[i, k]
            out[i, k] = j < 0 or edge_in(f, j, f[i, k], f[i, (k + 1) % 3]) < 3
    return out


@njit(cache=True)
def _trace(f, neighbours, is_open):  # type: ignore[no-untyped-def]
    """Loops of open half-edges, one after another: vertices, and where each loop starts."""
    total = is_open.sum()
    vertices = np.empty(total, dtype=np.int32)
    starts = np.empty(total + 1, dtype=np.int32)
    used = np.zeros(f.shape, dtype=np.bool_)
    count = 0
    loops = 0
    for first in range(f.shape[0]):
        for edge in range(3):
            if not is_open[first, edge] or used[first, edge]:
                continue
            starts[loops] = count
            loops += 1
            i, k = first, edge
            while not used[i, k]:
                used[i, k] = True
                vertices[count] = f[i, k]
                count += 1
                # Turn about the far end, facet by facet, to the other side of its fan: at a pinched vertex
                # this keeps to the sheet that the loop came along.
                k = (k + 1) % 3
                while not is_open[i, k]:
                    a, b = f[i, k], f[i, (k + 1) % 3]
                    i = neighbours[i, k]
                    k = (edge_in(f, i, a, b) - 3 + 1) % 3
    starts[loops] = count
    return vertices, starts[: loops + 1]


def boundary_loops(f: Ints, n: int, neighbours: Ints | None = None) -> tuple[Ints, ...]:
    """Closed loops of vertex ids along the border, in the direction in which its facets run their edges.

    So the facets lie on the left, seen from outside. Where two holes touch in one vertex the loop goes round both
    and passes that vertex twice, as if it were split between the two fans of facets. Edges of more than two facets,
    and those that two facets run the same way, count as border. Loops come in the order of their first facet.
    """
    if neighbours is None:
        neighbours = facet_neighbours(f, n)
    vertices, starts = _trace(f, neighbours, _open_edges(f, neighbours))
    return tuple(vertices[a:b] for a, b in pairwise(starts))


@njit(cache=True)
def _flood(neighbours):  # type: ignore[no-untyped-def]
    labels = np.full(neighbours.shape[0], -1, dtype=np.int32)
    stack = np.empty(neighbours.shape[0], dtype=np.int32)
    label = 0
    for seed in range(neighbours.shape[0]):
        if labels[seed] >= 0:
            continue
        labels[seed] = label
        stack[0] = seed
        top = 1
        while top > 0:
            top -= 1
            i = stack[top]
            for k in range(3):
                j = neighbours[i, k]
                if j >= 0 and labels[j] < 0:
                    labels[j] = label
                    stack[top] = j
                    top += 1
        label += 1
    return labels, label


def components(neighbours: Ints) -> Ints:
    """(m,) number of the connected piece of each facet; 0 is the one with most facets, and so on down."""
    labels, count = _flood(neighbours)
    sizes = np.bincount(labels, minlength=count)
    rank = np.empty(count, dtype=np.int32)
    rank[np.argsort(-sizes, kind="stable")] = np.arange(count, dtype=np.int32)
    return rank[labels]


@njit(cache=True)
def _compact(f, n):  # type: ignore[no-untyped-def]
    new = np.full(n, -1, dtype=np.int32)
    for i in range(f.shape[0]):
        for k in range(3):
            new[f[i, k]] = 0
    count = 0
    for p in range(n):
        if new[p] == 0:
            new[p] = count
            count += 1
    faces = np.empty_like(f)
    for i in range(f.shape[0]):
        for k in range(3):
            faces[i, k] = new[f[i, k]]
    kept = np.empty(count, dtype=np.int32)
    for p in range(n):
        if new[p] >= 0:
            kept[new[p]] = p
    return faces, kept


def compact(v: Floats, f: Ints) -> tuple[Floats, Ints, Ints]:
    """Leave out vertices that no facet uses: vertices, faces, and the old index of each vertex kept."""
    faces, kept = _compact(f, len(v))
    return (v if len(kept) == len(v) else v[kept]), faces, kept


@njit(cache=True, parallel=True)
def _edge_lengths(v, f):  # type: ignore[no-untyped-def]
    out = np.empty(f.shape)
    for i in prange(f.shape[0]):
        for k in range(3):
            a, b = f[i, k], f[i, (k + 1) % 3]
            x, y, z = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
            out[i, k] = np.sqrt(x * x + y * y + z * z)
    return out


def edge_lengths(v: Floats, f: Ints) -> Floats:
    """(m, 3) length in mm of each facet's edges."""
    return _edge_lengths(v, f)


def _some(f: Ints) -> Ints:
    # A few hundred thousand facets, evenly spread, give the figure to 0.1 % on a mesh of any size.
    return f[:: max(len(f) // 300_000, 1)]


def mean_edge(v: Floats, f: Ints) -> float:
    """Mean edge length in mm, from an even sample of the facets."""
    return float(_edge_lengths(v, _some(f)).mean()) if len(f) else 0.0


def median_edge(v: Floats, f: Ints) -> float:
    """Median edge length in mm, from an even sample of the facets."""
    return float(np.median(_edge_lengths(v, _some(f)))) if len(f) else 0.0


@dataclass(frozen=True)
class EdgeReport:
    """Counts of what is not as it should be.

    border        edges of one facet only
    nonmanifold   edges of more than two facets
    inconsistent  edges that two facets run in the same direction
    duplicate     facets with the same three vertices as an earlier one
    degenerate    facets with two equal vertices
    """

    border: int
    nonmanifold: int
    inconsistent: int
    duplicate: int
    degenerate: int


@njit(cache=True)
def _edge_counts(f, indptr, edges, neighbours):  # type: ignore[no-untyped-def]
    border = nonmanifold = inconsistent = 0
    for p in range(indptr.size - 1):
        for s in range(indptr[p], indptr[p + 1]):
            i, k = edges[s] // 3, edges[s] % 3
            a, b = f[i, k], f[i, (k + 1) % 3]
            if a == b:
                continue
            j = neighbours[i, k]
            if j == -1:
                border += 1
            elif j == -2:
                first = True
                for t in range(indptr[p], s):
                    g, q = edges[t] // 3, edges[t] % 3
                    if max(f[g, q], f[g, (q + 1) % 3]) == max(a, b):
                        first = False
                if first:
                    nonmanifold += 1
            elif j > i and edge_in(f, j, a, b) < 3:
                inconsistent += 1
    return border, nonmanifold, inconsistent


def edge_report(f: Ints, n: int) -> EdgeReport:
    """Count the edges and facets that are not those of an oriented 2-manifold."""
    indptr, edges = _half_edges(f, n)
    border, nonmanifold, inconsistent = _edge_counts(f, indptr, edges, _pair(f, indptr, edges))
    degenerate = degenerate_facets(f)
    return EdgeReport(border, nonmanifold, inconsistent, int(duplicate_facets(f, n).sum()), int(degenerate.sum()))


def degenerate_facets(f: Ints) -> NDArray[np.bool_]:
    """(m,) facets that name a vertex twice."""
    return (f[:, 0] == f[:, 1]) | (f[:, 1] == f[:, 2]) | (f[:, 2] == f[:, 0])


@njit(cache=True)
def _sorted_facet(f, i):  # type: ignore[no-untyped-def]
    a, b, c = f[i, 0], f[i, 1], f[i, 2]
    low, high = min(a, b, c), max(a, b, c)
    return low, a + b + c - low - high, high


@njit(cache=True)
def _duplicates(f, indptr, edges):  # type: ignore[no-untyped-def]
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for p in range(indptr.size - 1):
        for s in range(indptr[p], indptr[p + 1]):
            i = edges[s] // 3
            mine = _sorted_facet(f, i)
            if mine[0] != p or mine[0] == mine[1] or mine[1] == mine[2]:
                continue
            for t in range(indptr[p], indptr[p + 1]):
                j = edges[t] // 3
                if j < i and _sorted_facet(f, j) == mine:
                    out[i] = True
                    break
    return out


def duplicate_facets(f: Ints, n: int) -> NDArray[np.bool_]:
    """(m,) facets whose three vertices, in any order, an earlier facet has too; degenerate ones aside."""
    indptr, edges = _half_edges(f, n)
    return _duplicates(f, indptr, edges)
