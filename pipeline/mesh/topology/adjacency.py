"""Who neighbours whom on a triangle mesh: facets of a vertex, facets across edges, the ring round a vertex.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from pipeline.geometry import Ints, Mask
from pipeline.jit import njit, prange

NONMANIFOLD = -2
_CHUNKS = 64  # of vertices, each with scratch of its own
FEW = 32  # about a vertex: so few are looked through sooner than they are sorted


@njit(cache=True)
def _corner_counts(f: Ints, n: int) -> Ints:
    indptr = np.zeros(n + 1, dtype=np.int32)
    for i in range(f.shape[0]):
        for k in range(3):
            indptr[f[i, k] + 1] += 1
    for p in range(n):
        indptr[p + 1] += indptr[p]
    return indptr


@njit(cache=True)
def _vertex_facets(f: Ints, indptr: Ints) -> Ints:
    facets = np.empty(indptr[-1], dtype=np.int32)
    place = indptr[:-1].copy()
    for i in range(f.shape[0]):
        for k in range(3):
            p = f[i, k]
            facets[place[p]] = i
            place[p] += 1
    return facets


def corner_counts(f: Ints, n: int) -> Ints:
    """(n,) how often faces f (m, 3) name each vertex.

    >>> corner_counts(np.array([[0, 1, 2], [0, 2, 3]], np.int32), 4).tolist()
    [2, 1, 2, 1]
    """
    return np.diff(_corner_counts(f, n))


def vertex_facets(f: Ints, n: int) -> tuple[Ints, Ints]:
    """The facets of each vertex in compressed rows: those of vertex p are facets[indptr[p]:indptr[p + 1]].

    f  (m, 3) faces over n vertices. Returns indptr (n + 1,) and facets (3 m,), ascending within a row; a facet that
    names a vertex twice stands twice in its row.

    >>> indptr, facets = vertex_facets(np.array([[0, 1, 2], [0, 2, 3]], np.int32), 4)
    >>> indptr.tolist(), facets.tolist()
    ([0, 2, 3, 5, 6], [0, 1, 0, 0, 1, 1])
    """
    indptr = _corner_counts(f, n)
    return indptr, _vertex_facets(f, indptr)


@njit(cache=True)
def vertex_labels(f: Ints, labels: Ints, n: int) -> Ints:
    """(n,) label of the facets round each vertex, -1 where they differ or there are none.

    f  (m, 3) faces over n vertices, labels (m,) from -1 on

    >>> vertex_labels(np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.array([0, 5], np.int32), 5).tolist()
    [-1, 0, -1, 5, -1]
    """
    out = np.full(n, -2, np.int32)
    for t in range(len(f)):
        for k in range(3):
            v = f[t, k]
            if out[v] == -2:
                out[v] = labels[t]
            elif out[v] != labels[t]:
                out[v] = -1
    for v in range(n):
        if out[v] == -2:
            out[v] = -1
    return out


@njit(cache=True)
def _corners_by_label(f: Ints, labels: Ints, n: int, starts: Ints) -> Ints:
    """Vertices of the facets of each label, each once, those of label k from starts[k] on; starts (count + 1,) is
    filled in."""
    count = len(starts) - 1
    place = np.zeros(count + 1, dtype=np.int64)
    for t in range(len(f)):
        if labels[t] >= 0:
            place[labels[t] + 1] += 1
    for k in range(count):
        place[k + 1] += place[k]
    ends = place[1:].copy()
    order = np.empty(place[count], dtype=np.int32)
    for t in range(len(f)):
        if labels[t] >= 0:
            order[place[labels[t]]] = t
            place[labels[t]] += 1
    out = np.empty(3 * len(order), dtype=np.int32)
    seen = np.full(n, -1, dtype=np.int32)
    at, low = 0, 0
    for k in range(count):
        for s in range(low, ends[k]):
            for c in range(3):
                v = f[order[s], c]
                if seen[v] != k:
                    seen[v] = k
                    out[at] = v
                    at += 1
        low = ends[k]
        starts[k + 1] = at
    return out[:at].copy()


def corners_by_label(f: Ints, labels: Ints, n: int, count: int) -> list[Ints]:
    """For each of `count` labels the vertices of its facets, in rising order.

    f  (m, 3) faces over n vertices, labels (m,) below count, negative for none

    >>> f = np.array([[0, 1, 2], [0, 2, 3], [3, 4, 0]], np.int32)
    >>> [part.tolist() for part in corners_by_label(f, np.array([1, -1, 1], np.int32), 5, 2)]
    [[], [0, 1, 2, 3, 4]]
    """
    starts = np.zeros(count + 1, dtype=np.int32)
    corners = _corners_by_label(f, labels, n, starts)
    return [np.sort(corners[low:high]) for low, high in pairwise(starts)]


@njit(cache=True)
def facets_at(f: Ints, chosen: Mask) -> Mask:
    """(m,) facets of f (m, 3) with a corner among the chosen vertices (n,).

    >>> facets_at(np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.array([False, True, False, False])).tolist()
    [True, False]
    """
    out = np.empty(f.shape[0], dtype=np.bool_)
    for i in range(f.shape[0]):
        out[i] = chosen[f[i, 0]] or chosen[f[i, 1]] or chosen[f[i, 2]]
    return out


@njit(cache=True)
def half_edges(f: Ints, n: int) -> tuple[Ints, Ints]:
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


@njit(cache=True)
def ascending(values: Ints) -> Ints:
    """The values (k,), sorted, in a time that hangs on nothing but their number. Can be called from compiled code.

    >>> ascending(np.array([3, 1, 2, 1], np.int32)).tolist()
    [1, 1, 2, 3]
    """
    # The compiler's own sorting takes the square of it on what a fan has, twice each of numbers that rise and fall.
    return values[np.argsort(values, kind="mergesort")]


@njit(cache=True)
def _pair_sorted(f: Ints, row: Ints, neighbours: Ints) -> None:
    """As `pair_half_edges` for the half-edges of one vertex; many are sorted by their far end."""
    far = np.empty(row.size, dtype=np.int32)
    for s in range(row.size):
        i, k = row[s] // 3, row[s] % 3
        a, b = f[i, k], f[i, (k + 1) % 3]
        far[s] = max(a, b) if a != b else -1
    order = np.argsort(far, kind="mergesort")
    s = 0
    while s < row.size:
        t = s + 1
        while t < row.size and far[order[t]] == far[order[s]]:
            t += 1
        if far[order[s]] >= 0 and t - s > 1:
            for r in range(s, t):
                e = row[order[r]]
                other = row[order[s if r > s else s + 1]]
                neighbours[e // 3, e % 3] = other // 3 if t - s == 2 else -2
        s = t


@njit(cache=True, borrowing=True)
def _pair_few(f: Ints, edges: Ints, low: int, high: int, far: Ints, neighbours: Ints) -> None:
    """As `pair_half_edges` for edges[low:high], those of one vertex; far, of so many at least, is working memory."""
    for s in range(low, high):
        i, k = edges[s] // 3, edges[s] % 3
        a, b = f[i, k], f[i, (k + 1) % 3]
        far[s - low] = max(a, b) if a != b else -1
    for s in range(high - low):
        if far[s] < 0:
            continue
        partners = last = 0
        for t in range(high - low):
            if far[t] == far[s] and t != s:
                partners += 1
                last = t
        if partners > 0:
            edge = edges[low + s]
            neighbours[edge // 3, edge % 3] = edges[low + last] // 3 if partners == 1 else -2


@njit(cache=True, parallel=True)
def pair_half_edges(f: Ints, indptr: Ints, edges: Ints) -> Ints:
    """(m, 3) the facet across each edge, as `facet_neighbours` says, from what `half_edges` gives."""
    neighbours = np.full((f.shape[0], 3), -1, dtype=np.int32)
    n = indptr.size - 1
    for c in prange(_CHUNKS):
        far = np.empty(FEW, dtype=np.int32)
        for p in range(c * n // _CHUNKS, (c + 1) * n // _CHUNKS):
            low, high = indptr[p], indptr[p + 1]
            if high - low > FEW:
                _pair_sorted(f, edges[low:high], neighbours)
            else:
                _pair_few(f, edges, low, high, far, neighbours)
    return neighbours


def facet_neighbours(f: Ints, n: int) -> Ints:
    """(m, 3) the facet across each edge; -1 on a border, -2 where more than two facets share the edge.

    f  (m, 3) faces over n vertices

    Whether the two facets run the edge in opposite directions, as they should, is not looked at. An edge
    from a vertex to itself counts as border. 24 bytes a facet besides the result.

    Raises ValueError where the half-edges are too many for 32 bits.

    >>> facet_neighbours(np.array([[0, 1, 2], [0, 2, 3]], np.int32), 4).tolist()
    [[-1, -1, 1], [0, -1, -1]]
    """
    if 3 * len(f) > np.iinfo(np.int32).max:
        raise ValueError("more than 715 million facets can't be numbered in 32 bits")
    indptr, edges = half_edges(f, n)
    return pair_half_edges(f, indptr, edges)


@njit(cache=True)
def _without(neighbours: Ints, gone: Mask) -> int:
    new = np.full(neighbours.shape[0], -1, dtype=np.int32)
    rows = 0
    for i in range(neighbours.shape[0]):
        if not gone[i]:
            new[i] = rows
            rows += 1
    for i in range(neighbours.shape[0]):
        if new[i] >= 0:
            for k in range(3):
                j = neighbours[i, k]
                neighbours[new[i], k] = new[j] if j >= 0 else j
    return rows


def neighbours_without(neighbours: Ints, gone: Mask) -> Ints:
    """The neighbours (k, 3) that are left without the facets of the mask, on a mesh without non-manifold edges.

    neighbours  (m, 3) as `facet_neighbours` gives them; used up: those left are written where they stand
    gone        (m,) bool; the k others are numbered anew, in their order

    >>> strip = np.array([[-1, -1, 1], [0, -1, 2], [1, -1, -1]], np.int32)
    >>> neighbours_without(strip, np.array([True, False, False])).tolist()
    [[-1, -1, 1], [0, -1, -1]]
    """
    return neighbours[: _without(neighbours, gone)]


@njit(cache=True)
def _ring_starts(f: Ints, indptr: Ints, facets: Ints) -> Ints:
    """(n + 1,) where each vertex's row begins, from the facets of each vertex."""
    n = indptr.size - 1
    starts = np.zeros(n + 1, dtype=np.int32)
    seen = np.zeros(n, dtype=np.int32)
    for p in range(n):
        seen[p] = p + 1
        count = starts[p]
        for s in range(indptr[p], indptr[p + 1]):
            for k in range(3):
                q = f[facets[s], k]
                count += 1 if seen[q] != p + 1 else 0
                seen[q] = p + 1
        starts[p + 1] = count
    return starts


@njit(cache=True)
def _ring_fill(f: Ints, indptr: Ints, facets: Ints, starts: Ints) -> Ints:
    """The rows one after another: each vertex enters itself with its neighbours, so that they fill in rising order.

    Every neighbour is met twice; the second time it is put where it stands, which is sooner done than to ask.
    """
    n = indptr.size - 1
    nowhere = starts[n]
    indices = np.empty(nowhere + 1, dtype=np.int32)
    place = starts[:n].copy()
    seen = np.zeros(n, dtype=np.int32)
    for p in range(n):
        for s in range(indptr[p], indptr[p + 1]):
            for k in range(3):
                q = f[facets[s], k]
                fresh = 1 if q != p and seen[q] != p + 1 else 0
                seen[q] = p + 1
                place[q] += fresh
                indices[nowhere if q == p else place[q] - 1] = p
    return indices[:nowhere]


def vertex_ring(f: Ints, n: int) -> tuple[Ints, Ints]:
    """The vertices joined to each vertex by an edge, in compressed rows: indices[indptr[p]:indptr[p + 1]], ascending.

    f  (m, 3) faces over n vertices. Returns indptr (n + 1,) and indices, two for each edge.

    >>> indptr, indices = vertex_ring(np.array([[0, 1, 2], [0, 2, 3]], np.int32), 4)
    >>> [ring.tolist() for ring in np.split(indices, indptr[1:-1])]
    [[1, 2, 3], [0, 2], [0, 1, 3], [0, 2]]
    """
    indptr, facets = vertex_facets(f, n)
    starts = _ring_starts(f, indptr, facets)
    return starts, _ring_fill(f, indptr, facets, starts)


@njit(cache=True)
def edge_in(f: Ints, j: int, a: int, b: int) -> int:
    """Which edge of facet j joins a and b: k if it runs a -> b, k + 3 if b -> a, -1 if none does.

    f  (m, 3) faces. Can be called from compiled code.

    >>> f, j = np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.int32(1)
    >>> [edge_in(f, j, a, b) for a, b in np.array([[0, 2], [2, 0], [1, 2]], np.int32)]
    [0, 3, -1]
    """
    for k in range(3):
        p, q = f[j, k], f[j, (k + 1) % 3]
        if p == a and q == b:
            return k
        if p == b and q == a:
            return k + 3
    return -1


def undirected_edges(f: Ints) -> tuple[Ints, Ints]:
    """Each edge once, (k, 2) its lower vertex first, and (k,) how many facets have it; in rising order.

    f  (m, 3) faces

    >>> edges, uses = undirected_edges(np.array([[0, 1, 2], [0, 2, 3]], np.int32))
    >>> edges.tolist(), uses.tolist()
    ([[0, 1], [0, 2], [0, 3], [1, 2], [2, 3]], [1, 2, 1, 1, 1])
    """
    ends = np.stack([f, np.roll(f, -1, axis=1)], axis=2).reshape(-1, 2).astype(np.int64)
    n = int(f.max(initial=0)) + 1
    keys, uses = np.unique(ends.min(axis=1) * n + ends.max(axis=1), return_counts=True)
    return np.stack([keys // n, keys % n], axis=1).astype(np.int32), uses.astype(np.int32)
