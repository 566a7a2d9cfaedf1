"""Edge collapse by quadrics, with vertices bound to analytic surfaces and points that must stay near.

Two phases share the rules of `collapse_rules`. `sweep_down` goes through memory in order and collapses
every edge cheaper than a threshold, each vertex once: fast while millions of facets have to go.
`finish_collapse` takes the cheapest edge first (`reversible_collapse`), and makes sure that facets do not cross.

Working memory: about 95 bytes a facet above the mesh itself.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Mask, Shorts, Singles
from pipeline.jit import njit
from pipeline.mesh.repair import unfold
from pipeline.mesh.simplify.collapse_mesh import CollapseArrays, CollapseMesh
from pipeline.mesh.simplify.collapse_rules import (
    MOST,
    Edge,
    close_ranks,
    collapse_cost,
    facets_on_carriers,
    facets_stay_valid,
    link_condition_holds,
    merge_facets,
    merge_vertices,
)
from pipeline.mesh.simplify.reversible_collapse import ReversibleCollapse
from pipeline.mesh.topology import vertex_facets

# Of the vertices, those whose best edge is cheap enough to go in one sweep.
_SHARE = 0.6
# The same as long as there are so many times the facets wanted: what goes then would go anyway.
_FAR, _FAR_SHARE = 4.0, 0.9
_MENDINGS = 12


class _Best(NamedTuple):
    """The cheapest edge of each vertex: its price (n,), and the vertex (n,) at its other end, -1 none."""

    price: Singles
    partner: Ints


class _Limits(NamedTuple):
    price: float
    most: float
    sag: float


def start_collapse(
    vertices: Floats, faces: Ints, label: Ints, origin: Bytes, carriers: Shorts, table: Floats,
    *, remember: bool = False, still: Mask | None = None,
) -> CollapseMesh:  # fmt: skip
    """Make the working copy with the quadrics of all facets.

    vertices  (n, 3) mm; `faces` (m, 3), `label` (m,) the carrier that each facet lies on, -1 none; `origin` (m,)
    carriers  (n, 3) int16 rows of `table` that each vertex is bound to, -1 none; `table` one row a carrier
    remember  keep track of who went where
    still     (n,) vertices that sweeps leave alone

    Quadrics: Garland and Heckbert (1997), a facet's weighted by a third of its area at each corner, and at a border
    those of planes square to the facet. Below, three sides of a tetrahedron meet in the origin: each adds 1/6 mm2.

    >>> v = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    >>> f = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
    >>> free, none = np.full((4, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(4, -1, np.int32), np.zeros(4, np.uint8), free, none)
    >>> work.quadrics[0].round(4).tolist()
    [0.1667, 0.0, 0.0, 0.1667, 0.0, 0.1667, 0.0, 0.0, 0.0, 0.0]
    """
    points = np.array(vertices, dtype=np.float64)
    work_faces = np.array(faces, dtype=np.int32)
    quadrics = np.zeros((len(points), 10))
    border = np.zeros(len(points), dtype=np.uint8)
    first, round_vertex = vertex_facets(work_faces, len(points))
    _quadrics(points, work_faces, quadrics, border, first, round_vertex)
    del first, round_vertex
    parent = np.arange(len(points) if remember else 0, dtype=np.int32)
    label = np.array(label, dtype=np.int32)
    along = facets_on_carriers(points, work_faces, label, table)
    carried = label >= 0
    facing = np.bincount(label[carried], along[carried], len(table))
    return CollapseMesh(
        points, work_faces, quadrics, np.array(carriers, dtype=np.int16), border,
        np.zeros(len(points), dtype=np.uint8) if still is None else np.array(still, dtype=np.uint8),
        label, np.array(origin, dtype=np.uint8), table, np.where(facing < 0.0, -1.0, 1.0), parent,
    )  # fmt: skip


def sweep_down(work: CollapseMesh, facets: int, *, most: float = np.inf, sag: float = np.inf) -> None:
    """Sweep until `facets` are left or hardly anything goes any more.

    most  mm4: largest sum, over the facets that a vertex stands for, of the squared distance to their
          planes times a third of their area; (d^2 area / 3) bounds each of those distances by d
    sag   mm: how far a facet on a curved carrier may lie from it

    The work is changed in place. Quadric edge collapse (Garland and Heckbert 1997) in the order of memory, not of
    price: each vertex goes once a sweep, along its cheapest edge, if that is among the cheaper ones.

    >>> v = np.array([*np.ndindex(9, 9, 1)], float)
    >>> a = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    >>> f = np.vstack([a + [0, 9, 10], a + [0, 10, 1]]).astype(np.int32)
    >>> free, none = np.full((81, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(128, -1, np.int32), np.zeros(128, np.uint8), free, none)
    >>> sweep_down(work, 64)
    >>> len(work.faces)
    64
    """
    n, m = len(work.points), len(work.faces)
    stamp = np.zeros(n, dtype=np.int32)
    best = _Best(np.empty(n, dtype=np.float32), np.empty(n, dtype=np.int32))
    mesh = work.arrays
    while m > facets:
        first, round_vertex = vertex_facets(work.faces[:m], n)
        _price_edges(mesh, work.still, most, n, m, best)
        known = best.price[: n : max(1, n // 50_000)]
        known = known[np.isfinite(known)]
        if not len(known):
            break
        # Under a bound of its own every edge may go at once: then what happens in one place does not
        # depend on the others.
        share = _FAR_SHARE if m > _FAR * facets else _SHARE
        limit = float(np.quantile(known, share)) if most == np.inf else np.inf
        stamp[:n] = 0
        gone = _sweep(mesh, first, round_vertex, best, stamp, _Limits(limit, float(most), float(sag)), m - facets)
        before = m
        n, m = close_ranks(mesh, work.still, work.origin, n, m, best.partner, work.parent)
        if gone < 0.01 * before:
            break
    work.cut(n, m)
    free = (work.label < 0) & ~work.still.astype(np.bool_)[work.faces].any(axis=1)
    unfold(work.points, work.faces, np.where(free, work.origin.astype(np.int16), -1))


def finish_collapse(work: CollapseMesh, facets: int) -> tuple[Floats, Floats]:
    """Collapse the cheapest edge first until `facets` are left or no edge may go.

    Facets that a step turned over or made pass through others are mended. The work is changed in place; returned are
    the corners (k, 3, 3), mm, of those left that cross, and of those that lie turned over on their carriers: they did
    at the start.

    Method: quadric edge collapse (Garland and Heckbert 1997) with the rules of `collapse_rules`.

    >>> v = np.array([*np.ndindex(5, 5, 1)], float)
    >>> a = np.array([*np.ndindex(4, 4)]) @ [[5], [1]]
    >>> f = np.vstack([a + [0, 5, 6], a + [0, 6, 1]]).astype(np.int32)
    >>> free, none = np.full((25, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(32, -1, np.int32), np.zeros(32, np.uint8), free, none)
    >>> crossing, turned = finish_collapse(work, 2)
    >>> len(crossing), len(turned), len(work.faces), len(work.points)
    (0, 0, 2, 4)
    """
    reversible = ReversibleCollapse(work)
    exhaust(reversible, facets)
    crossing = reversible.crossing(reversible.changed())
    for _ in range(_MENDINGS):
        bad = np.union1d(crossing, reversible.folded())
        _, stuck = reversible.take_back(bad, np.ones(len(bad), dtype=np.bool_))
        if len(stuck) == len(bad):
            break
        exhaust(reversible, facets)
        crossing = reversible.crossing(reversible.changed())
    left = work.points[work.faces[crossing]], work.points[work.faces[reversible.turned()]]
    reversible.done()
    return left


def exhaust(reversible: ReversibleCollapse, facets: int) -> None:
    """Collapse until `facets` are left or hardly anything goes any more.

    The collapse is run again, four times at most, since edges that were refused may have become possible.

    >>> v = np.array([*np.ndindex(5, 5, 1)], float)
    >>> a = np.array([*np.ndindex(4, 4)]) @ [[5], [1]]
    >>> f = np.vstack([a + [0, 5, 6], a + [0, 6, 1]]).astype(np.int32)
    >>> free, none = np.full((25, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(32, -1, np.int32), np.zeros(32, np.uint8), free, none)
    >>> reversible = ReversibleCollapse(work)
    >>> exhaust(reversible, 8)
    >>> reversible.facets
    8
    """
    for _ in range(4):
        before = reversible.facets
        reversible.collapse(facets)
        # Edges that were refused may have become possible since: all of them are asked again.
        if reversible.facets <= facets or reversible.facets > 0.98 * before:
            break


@njit(cache=True)
def _add_plane(q: Floats, a: float, b: float, c: float, w: float) -> None:
    q[0] += w * a * a
    q[1] += w * a * b
    q[2] += w * a * c
    q[3] += w * b * b
    q[4] += w * b * c
    q[5] += w * c * c


@njit(cache=True)
def _quadrics(points: Floats, faces: Ints, q: Floats, border: Bytes, first: Ints, facets: Ints) -> None:
    """Sum the quadrics (n, 10) of all facets, and of planes square to the border, and mark the border (n,)."""
    for f in range(len(faces)):
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1], points[j, 2] - points[i, 2]
        vx, vy, vz = points[k, 0] - points[i, 0], points[k, 1] - points[i, 1], points[k, 2] - points[i, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = np.sqrt(nx * nx + ny * ny + nz * nz)
        if double == 0.0:
            continue
        nx, ny, nz = nx / double, ny / double, nz / double
        w = double / 6.0
        # All three corners lie in the facet's plane: about themselves only the square term is there.
        _add_plane(q[i], nx, ny, nz, w)
        _add_plane(q[j], nx, ny, nz, w)
        _add_plane(q[k], nx, ny, nz, w)
        for e in range(3):
            a, b = faces[f, e], faces[f, (e + 1) % 3]
            twin = False
            for s in range(first[b], first[b + 1]):
                g = facets[s]
                if g != f and (faces[g, 0] == a or faces[g, 1] == a or faces[g, 2] == a):
                    twin = True
                    break
            if twin:
                continue
            border[a] = 1
            border[b] = 1
            ex, ey, ez = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
            wx, wy, wz = ey * nz - ez * ny, ez * nx - ex * nz, ex * ny - ey * nx
            length2 = ex * ex + ey * ey + ez * ez
            if length2 > 0.0:
                length = np.sqrt(length2)
                _add_plane(q[a], wx / length, wy / length, wz / length, length2)
                _add_plane(q[b], wx / length, wy / length, wz / length, length2)


@njit(cache=True)
def _price_edges(mesh: CollapseArrays, still: Bytes, most: float, n: int, m: int, best: _Best) -> None:
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


@njit(cache=True)
def _left_round(faces: Ints, first: Ints, facets: Ints, v: int, out: Ints) -> Ints:
    """The facets of v that are left, in the first part of `out`."""
    count = 0
    for s in range(first[v], first[v + 1]):
        if faces[facets[s], 0] >= 0:
            out[count] = facets[s]
            count += 1
    return out[:count]


@njit(cache=True)
def _sweep(
    mesh: CollapseArrays, first: Ints, facets: Ints, best: _Best, stamp: Ints, limits: _Limits, enough: int
) -> int:
    """Collapse each vertex's best edge if it is cheap enough and neither end went yet; facets gone.

    `partner` is -2 afterwards where a vertex stayed, else the vertex that took over.
    """
    n = len(first) - 1
    vertices, faces, table = mesh.vertices, mesh.faces, mesh.table
    border = vertices.border
    price, partner = best
    of_u = np.empty(MOST, dtype=np.int32)
    of_v = np.empty(MOST, dtype=np.int32)
    x = np.empty(3)
    degree = np.empty(n, dtype=np.int32)
    into = np.full(n, -2, dtype=np.int32)
    for i in range(n):
        degree[i] = first[i + 1] - first[i]
    busy = np.zeros(n, dtype=np.uint8)
    gone = 0
    mark = 1
    for i in range(n):
        u, v = int(np.int32(i)), partner[i]
        if busy[u] or v < 0 or busy[v] or price[u] > limits.price:
            continue
        cost, whole = collapse_cost(vertices, table, u, v, True, x)
        if cost > 2.0 * limits.price or whole > limits.most or degree[u] > MOST or degree[v] > MOST:
            continue
        edge = Edge(u, v, _left_round(faces, first, facets, u, of_u), _left_round(faces, first, facets, v, of_v))
        mark += 3
        if not link_condition_holds(faces, border, degree, edge, stamp, mark):
            continue
        if not facets_stay_valid(mesh, edge, x, limits.sag):
            continue
        merge_vertices(vertices, u, v, x)
        gone += merge_facets(faces, degree, edge)
        busy[u] = 1
        busy[v] = 1
        into[u] = v
        if gone >= enough:
            break
    partner[:n] = into
    return gone
