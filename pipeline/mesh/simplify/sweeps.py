"""Sweeps of an edge collapse: through memory in order, every edge cheaper than a limit, each vertex once.

Fast while millions of facets have to go: one pass prices all edges, a second collapses the cheap ones.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Singles
from pipeline.jit import njit
from pipeline.mesh.simplify.collapse_mesh import CollapseArrays, CollapseMesh
from pipeline.mesh.simplify.collapse_rules import (
    MOST,
    Edge,
    close_ranks,
    collapse_cost,
    cost_onto,
    facets_stay_valid,
    link_condition_holds,
    merge_facets,
    merge_vertices,
)
from pipeline.mesh.topology import vertex_facets


class Best(NamedTuple):
    """The cheapest edge of each vertex: its price (n,), and the vertex (n,) at its other end, -1 none."""

    price: Singles
    partner: Ints


class Limits(NamedTuple):
    price: float
    most: float
    sag: float


class _Bench(NamedTuple):
    """Working memory of a sweep over n vertices.

    first, facets  those round each vertex when the sweep begins, as `vertex_facets` gives them
    stamp          (n,) marks, each used once
    degree         (n,) facets round each vertex
    busy           (n,) 1 where a vertex may not go any more
    of_u, of_v     (MOST,) facets round the ends of an edge, and x (3,) where these go, mm
    """

    first: Ints
    facets: Ints
    stamp: Ints
    degree: Ints
    busy: Bytes
    of_u: Ints
    of_v: Ints
    x: Floats


class Sweeps:
    """Sweeps over a work, whose arrays are in disorder until `done`.

    most  mm4: largest sum, over the facets that a vertex stands for, of the squared distance to their
          planes times a third of their area
    sag   mm: how far a facet on a curved carrier may lie from it

    >>> from pipeline.mesh.simplify import start_collapse
    >>> v = np.array([*np.ndindex(9, 9, 1)], float)
    >>> a = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    >>> f = np.vstack([a + [0, 9, 10], a + [0, 10, 1]]).astype(np.int32)
    >>> free, none = np.full((81, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(128, -1, np.int32), np.zeros(128, np.uint8), free, none)
    >>> sweeps = Sweeps(work)
    >>> prices = sweeps.prices()
    >>> gone = sweeps.go(float(np.quantile(prices, 0.9)), 20)
    >>> sweeps.done()
    >>> len(prices), gone, len(work.faces)
    (81, 20, 108)
    """

    def __init__(self, work: CollapseMesh, most: float = np.inf, sag: float = np.inf) -> None:
        n = len(work.points)
        self.facets = len(work.faces)
        self._work, self._mesh = work, work.arrays
        self._most, self._sag = float(most), float(sag)
        self._left = n
        self._stamp = np.zeros(n, dtype=np.int32)
        self._best = Best(np.empty(n, dtype=np.float32), np.empty(n, dtype=np.int32))

    def prices(self) -> Singles:
        """Price the edges as they are now; the price of the best edge of each vertex, or of many of them."""
        n = self._left
        _price_edges(self._mesh, self._work.still, self._most, n, self.facets, self._best)
        known = self._best.price[: n : max(1, n // 50_000)]
        return known[np.isfinite(known)]

    def go(self, limit: float, enough: int) -> int:
        """Collapse what was priced at `limit` mm4 at most until `enough` facets are gone; how many are."""
        work, n = self._work, self._left
        first, round_vertex = vertex_facets(work.faces[: self.facets], n)
        self._stamp[:n] = 0
        limits = Limits(float(limit), self._most, self._sag)
        gone = _sweep(self._mesh, first, round_vertex, self._best, self._stamp, limits, enough)
        self._close_ranks()
        return gone

    def prices_onto(self) -> Singles:
        """What it takes to put each vertex that is not still onto the neighbour where that is cheapest, mm4."""
        n = self._left
        price = self._best.price[:n]
        _price_onto(self._mesh, self._work.still, n, self.facets, price)
        return price[np.isfinite(price)]

    def go_onto(self, limit: float) -> int:
        """Put vertices onto neighbours, each once, where that takes `limit` mm4 at most; how many facets went.

        A quarter of the work that `go` is, since a vertex that stays does so where it is: for steps that others follow,
        which then have the sum of all quadrics to go by.
        """
        work, n = self._work, self._left
        first, round_vertex = vertex_facets(work.faces[: self.facets], n)
        self._stamp[:n] = 0
        into = self._best.partner
        gone = _sweep_onto(self._mesh, work.still, first, round_vertex, into, self._stamp, float(limit), self._sag)
        self._close_ranks()
        return gone

    def _close_ranks(self) -> None:
        work, into = self._work, self._best.partner
        self._left, self.facets = close_ranks(
            self._mesh, work.still, work.origin, self._left, self.facets, into, work.parent
        )

    def done(self) -> None:
        """Put the work's arrays in order again."""
        self._work.cut(self._left, self.facets)


@njit(cache=True)
def _price_edges(mesh: CollapseArrays, still: Bytes, most: float, n: int, m: int, best: Best) -> None:
    """The cheapest edge of each of the first n vertices; those of a sum of squares over `most` aside."""
    x = np.empty(3)
    price, partner = best
    vertices, faces, table = mesh.vertices, mesh.faces, mesh.table
    border = vertices.border
    for i in range(n):
        price[i] = np.inf
        partner[i] = -1
    for f in range(m):
        for k in range(3):
            u, v = faces[f, k], faces[f, (k + 1) % 3]
            if (u > v and not (border[u] and border[v])) or still[u] or still[v]:
                continue
            cost, whole = collapse_cost(vertices, table, u, v, False, x)
            if whole > most:
                continue
            if cost < price[u]:
                price[u] = cost
                partner[u] = v
            if cost < price[v]:
                price[v] = cost
                partner[v] = u


@njit(cache=True, borrowing=True)
def _left_round(faces: Ints, first: Ints, facets: Ints, v: int, out: Ints) -> int:
    """How many facets of v are left, these in the first part of `out`."""
    count = 0
    for s in range(first[v], first[v + 1]):
        if faces[facets[s], 0] >= 0:
            out[count] = facets[s]
            count += 1
    return count


@njit(cache=True, borrowing=True)
def _merged(
    mesh: CollapseArrays, degree: Ints, edge: Edge, moving: Edge, x: Floats, sag: float, stamp: Ints, mark: int
) -> int:
    """Collapse an edge to x; facets gone, -1 where it must stay.

    moving  the edge, with those facets about it that turn
    """
    if not link_condition_holds(mesh.faces, mesh.vertices.border, degree, edge, stamp, mark):
        return -1
    if not facets_stay_valid(mesh, moving, x, sag):
        return -1
    merge_vertices(mesh.vertices, edge.u, edge.v, x)
    return merge_facets(mesh.faces, degree, edge)


@njit(cache=True)
def _bench(first: Ints, facets: Ints, stamp: Ints) -> _Bench:
    n = len(first) - 1
    degree, busy = np.empty(n, dtype=np.int32), np.zeros(n, dtype=np.uint8)
    for i in range(n):
        degree[i] = first[i + 1] - first[i]
    of_u, of_v = np.empty(MOST, dtype=np.int32), np.empty(MOST, dtype=np.int32)
    return _Bench(first, facets, stamp, degree, busy, of_u, of_v, np.empty(3))


@njit(cache=True)
def _sweep(
    mesh: CollapseArrays, first: Ints, facets: Ints, best: Best, stamp: Ints, limits: Limits, enough: int
) -> int:
    """Collapse each vertex's best edge if it is cheap enough and neither end went yet; facets gone.

    `partner` is -2 afterwards where a vertex stayed, else the vertex that took over.
    """
    n = len(first) - 1
    into = np.full(n, -2, dtype=np.int32)
    gone = _collapse_best(mesh, best, into, _bench(first, facets, stamp), limits, enough)
    best.partner[:n] = into
    return gone


@njit(cache=True, borrowing=True)
def _collapse_best(mesh: CollapseArrays, best: Best, into: Ints, bench: _Bench, limits: Limits, enough: int) -> int:
    """As `_sweep`; `into` gets the vertex that took over from each."""
    vertices, faces, table = mesh.vertices, mesh.faces, mesh.table
    price, partner = best
    first, facets, stamp, degree, busy, of_u, of_v, x = bench
    gone = 0
    mark = 1
    for i in range(len(into)):
        u, v = int(np.int32(i)), partner[i]
        if busy[u] or v < 0 or busy[v] or price[u] > limits.price:
            continue
        cost, whole = collapse_cost(vertices, table, u, v, True, x)
        if cost > 2.0 * limits.price or whole > limits.most or degree[u] > MOST or degree[v] > MOST:
            continue
        nu, nv = _left_round(faces, first, facets, u, of_u), _left_round(faces, first, facets, v, of_v)
        edge = Edge(u, v, of_u[:nu], of_v[:nv])
        mark += 3
        merged = _merged(mesh, degree, edge, edge, x, limits.sag, stamp, mark)
        if merged < 0:
            continue
        gone += merged
        busy[u] = 1
        busy[v] = 1
        into[u] = v
        if gone >= enough:
            break
    return gone


@njit(cache=True, borrowing=True)
def _price_onto(mesh: CollapseArrays, still: Bytes, n: int, m: int, price: Singles) -> None:
    """The least that it takes to put each of the first n vertices onto a neighbour, mm4."""
    vertices, faces = mesh.vertices, mesh.faces
    for i in range(n):
        price[i] = np.inf
    for f in range(m):
        for k in range(3):
            u, v = faces[f, k], faces[f, (k + 1) % 3]
            if still[u] or still[v]:
                continue
            price[u] = min(price[u], cost_onto(vertices, u, v))
            if vertices.border[u]:
                price[v] = min(price[v], cost_onto(vertices, v, u))


@njit(cache=True, borrowing=True)
def _cheapest_onto(mesh: CollapseArrays, busy: Bytes, u: int, of_u: Ints, limit: float) -> int:
    """The neighbour that is not busy onto which u goes for the least, -1 where that is over the limit."""
    vertices, faces = mesh.vertices, mesh.faces
    onto = -1
    for s in range(len(of_u)):
        f = of_u[s]
        k = 0 if faces[f, 0] == u else 1 if faces[f, 1] == u else 2
        # The corner behind u is a neighbour that no other facet has there, but for one along a border.
        for step in range(1, 3 if vertices.border[u] else 2):
            v = faces[f, (k + step) % 3]
            if busy[v]:
                continue
            cost = cost_onto(vertices, u, v)
            if cost <= limit:
                limit = cost
                onto = v
    return onto


@njit(cache=True)
def _sweep_onto(
    mesh: CollapseArrays, still: Bytes, first: Ints, facets: Ints, into: Ints, stamp: Ints, limit: float, sag: float
) -> int:
    """Put each vertex onto its best neighbour if that is cheap enough and neither went yet; facets gone.

    `into` gets the vertex that took over from each, -2 where it stayed.
    """
    bench = _bench(first, facets, stamp)
    for i in range(len(first) - 1):
        bench.busy[i] = still[i]
        into[i] = -2
    return _put_onto(mesh, into, bench, limit, sag)


@njit(cache=True, borrowing=True)
def _put_onto(mesh: CollapseArrays, into: Ints, bench: _Bench, limit: float, sag: float) -> int:
    """As `_sweep_onto`, of vertices that are not busy."""
    vertices, faces = mesh.vertices, mesh.faces
    first, facets, stamp, degree, busy, of_u, of_v, x = bench
    gone = 0
    mark = 1
    for i in range(len(first) - 1):
        u = int(np.int32(i))
        if busy[u] or degree[u] > MOST:
            continue
        round_u = of_u[: _left_round(faces, first, facets, u, of_u)]
        v = _cheapest_onto(mesh, busy, u, round_u, limit)
        if v < 0 or degree[v] > MOST:
            continue
        edge = Edge(u, v, round_u, of_v[: _left_round(faces, first, facets, v, of_v)])
        mark += 3
        x[0], x[1], x[2] = vertices.points[v, 0], vertices.points[v, 1], vertices.points[v, 2]
        # What lies round v does not change.
        merged = _merged(mesh, degree, edge, Edge(u, v, round_u, of_v[:0]), x, sag, stamp, mark)
        if merged < 0:
            continue
        gone += merged
        busy[u] = 1
        busy[v] = 1
        into[u] = v
    return gone
