"""Edges and facets that are not those of an oriented 2-manifold.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.topology.adjacency import FEW, ascending, edge_in, half_edges, pair_half_edges


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
def _edge_counts(f: Ints, indptr: Ints, edges: Ints, neighbours: Ints) -> tuple[int, int, int]:
    border = nonmanifold = inconsistent = 0
    for p in range(indptr.size - 1):
        far = np.empty(indptr[p + 1] - indptr[p], dtype=np.int32)
        many = 0
        for s in range(indptr[p], indptr[p + 1]):
            i, k = edges[s] // 3, edges[s] % 3
            a, b = f[i, k], f[i, (k + 1) % 3]
            if a == b:
                continue
            j = neighbours[i, k]
            if j == -1:
                border += 1
            elif j == -2:
                far[many] = max(a, b)
                many += 1
            elif j > i and edge_in(f, j, a, b) < 3:
                inconsistent += 1
        if many > 0:
            far = ascending(far[:many])
        for s in range(many):
            nonmanifold += s == 0 or far[s] != far[s - 1]
    return border, nonmanifold, inconsistent


def edge_report(f: Ints, n: int) -> EdgeReport:
    """Count the edges and facets that are not those of an oriented 2-manifold."""
    indptr, edges = half_edges(f, n)
    border, nonmanifold, inconsistent = _edge_counts(f, indptr, edges, pair_half_edges(f, indptr, edges))
    degenerate = degenerate_facets(f)
    return EdgeReport(border, nonmanifold, inconsistent, int(duplicate_facets(f, n).sum()), int(degenerate.sum()))


def degenerate_facets(f: Ints) -> Mask:
    """(m,) facets, of faces (m, 3), that name a vertex twice.

    >>> degenerate_facets(np.array([[0, 1, 2], [0, 2, 2]], np.int32)).tolist()
    [False, True]
    """
    return (f[:, 0] == f[:, 1]) | (f[:, 1] == f[:, 2]) | (f[:, 2] == f[:, 0])


@njit(cache=True)
def _sorted_facet(f: Ints, i: int) -> tuple[int, int, int]:
    a, b, c = f[i, 0], f[i, 1], f[i, 2]
    low, high = min(a, b, c), max(a, b, c)
    return low, a + b + c - low - high, high


@njit(cache=True)
def _duplicates_sorted(f: Ints, row: Ints, p: int, out: Mask) -> None:
    """As `_duplicates` for the half-edges of one vertex; many are sorted by their facets' other two corners."""
    keys = np.empty(row.size, dtype=np.int64)
    for s in range(row.size):
        low, middle, high = _sorted_facet(f, row[s] // 3)
        keys[s] = np.int64(middle) << 32 | high if low == p and low < middle < high else -1
    order = np.argsort(keys, kind="mergesort")
    # Those of one key stand in the order of their facets; each is there by two of its edges.
    for s in range(1, row.size):
        before, here = order[s - 1], order[s]
        if keys[here] >= 0 and keys[here] == keys[before]:
            out[row[here] // 3] |= row[before] // 3 != row[here] // 3


@njit(cache=True)
def _duplicates(f: Ints, indptr: Ints, edges: Ints) -> Mask:
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for p in range(indptr.size - 1):
        if indptr[p + 1] - indptr[p] > FEW:
            _duplicates_sorted(f, edges[indptr[p] : indptr[p + 1]], p, out)
            continue
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


@njit(cache=True)
def _alike(neighbours: Ints) -> Mask:
    """Facets all of whose edges may be shared with the same other one."""
    out = np.zeros(neighbours.shape[0], dtype=np.bool_)
    for i in range(neighbours.shape[0]):
        a, b, c = neighbours[i, 0], neighbours[i, 1], neighbours[i, 2]
        # Of an edge of more than two facets nothing tells which they are.
        out[i] = min(a, b, c) != -1 and (a == b or min(a, b) < 0) and (b == c or min(b, c) < 0)
    return out


def duplicate_facets(f: Ints, n: int, neighbours: Ints | None = None) -> Mask:
    """(m,) facets whose three vertices, in any order, an earlier facet has too; degenerate ones aside.

    f           (m, 3) faces over n vertices
    neighbours  (m, 3) of the facets, if they are known already: only those are looked at then that may be doubles

    >>> duplicate_facets(np.array([[0, 1, 2], [0, 2, 3], [2, 1, 0]], np.int32), 4).tolist()
    [False, False, True]
    """
    if neighbours is None:
        return _duplicates(f, *half_edges(f, n))
    out = np.zeros(len(f), dtype=np.bool_)
    some = np.flatnonzero(_alike(neighbours))
    if len(some):
        out[some] = _duplicates(f[some], *half_edges(f[some], n))
    return out
