"""Edges and facets that are not those of an oriented 2-manifold.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit
from pipeline.mesh.topology.adjacency import edge_in, half_edges, pair_half_edges

Ints = NDArray[np.int32]


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
    indptr, edges = half_edges(f, n)
    border, nonmanifold, inconsistent = _edge_counts(f, indptr, edges, pair_half_edges(f, indptr, edges))
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
    indptr, edges = half_edges(f, n)
    return _duplicates(f, indptr, edges)
