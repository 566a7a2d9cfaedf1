"""Edge collapse by quadrics, with vertices bound to analytic surfaces and points that must stay near.

Two phases share the rules of mesh/rules.py. `sweep_down` goes through memory in order and collapses
every edge cheaper than a threshold, each vertex once: fast while millions of facets have to go.
`finish` takes the cheapest edge first (mesh/trail.py), and makes sure that facets do not cross.

Working memory: about 95 bytes a facet above the mesh itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit
from pipeline.mesh.repair import unfold
from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.collapse_rules import MOST, compact, corners_of, facets_stay_good, link_holds, merge, place
from pipeline.mesh.simplify.reversible_collapse import ReversibleCollapse

# Of the vertices, those whose best edge is cheap enough to go in one sweep.
_SHARE = 0.6
# The same as long as there are so many times the facets wanted: what goes then would go anyway.
_FAR, _FAR_SHARE = 4.0, 0.9
_MENDINGS = 12


def start_collapse(
    vertices: NDArray, faces: NDArray, label: NDArray, origin: NDArray, carriers: NDArray, table: NDArray,
    *, remember: bool = False, still: NDArray | None = None,
) -> CollapseMesh:  # fmt: skip
    """Make the working copy with the quadrics of all facets.

    `remember` keeps track of who went where; `still` (n,) are vertices that sweeps leave alone.
    """
    points = np.array(vertices, dtype=np.float64)
    work_faces = np.array(faces, dtype=np.int32)
    quadrics = np.zeros((len(points), 10))
    border = np.zeros(len(points), dtype=np.uint8)
    first, corners = corners_of(work_faces, len(points), len(work_faces))
    _quadrics(points, work_faces, quadrics, border, first, corners)
    parent = np.arange(len(points) if remember else 0, dtype=np.int32)
    return CollapseMesh(
        points, work_faces, quadrics, np.array(carriers, dtype=np.int16), border,
        np.zeros(len(points), dtype=np.uint8) if still is None else np.array(still, dtype=np.uint8),
        np.array(label, dtype=np.int32), np.array(origin, dtype=np.uint8), table, parent,
    )  # fmt: skip


def sweep_down(work: CollapseMesh, facets: int, *, most: float = np.inf, sag: float = np.inf) -> None:
    """Sweep until `facets` are left or hardly anything goes any more.

    most  mm4: largest sum, over the facets that a vertex stands for, of the squared distance to their
          planes times a third of their area; (d^2 area / 3) bounds each of those distances by d
    sag   mm: how far a facet on a curved carrier may lie from it
    """
    n, m = len(work.points), len(work.faces)
    stamp = np.zeros(n, dtype=np.int32)
    price = np.empty(n, dtype=np.float32)
    partner = np.empty(n, dtype=np.int32)
    while m > facets:
        first, corners = corners_of(work.faces, n, m)
        _price_edges(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.still, work.table, most, n, m,
            price, partner,
        )  # fmt: skip
        known = price[: n : max(1, n // 50_000)]
        known = known[np.isfinite(known)]
        if not len(known):
            break
        # Under a bound of its own every edge may go at once: then what happens in one place does not
        # depend on the others.
        share = _FAR_SHARE if m > _FAR * facets else _SHARE
        limit = float(np.quantile(known, share)) if most == np.inf else np.inf
        stamp[:n] = 0
        gone = _sweep(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.label, work.table,
            n, m, first, corners, price, partner, stamp, limit, most, sag, m - facets,
        )  # fmt: skip
        before = m
        n, m = compact(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.still, work.label, work.origin,
            n, m, partner, work.parent,
        )  # fmt: skip
        if gone < 0.01 * before:
            break
    work.cut(n, m)
    unfold(work.points, work.faces, np.where(work.label < 0, work.origin.astype(np.int16), -1))


def finish_collapse(work: CollapseMesh, facets: int) -> NDArray[np.float64]:
    """Collapse the cheapest edge first until `facets` are left or no edge may go.

    Facets that a step turned over or made pass through others are mended. Returned are the corners (k, 3, 3) of
    those left that cross: they did at the start.
    """
    trail = ReversibleCollapse(work)
    exhaust(trail, facets)
    changed = trail.changed()
    for _ in range(_MENDINGS):
        crossing = trail.crossing(changed)
        bad = np.union1d(crossing, trail.folded())
        _, stuck = trail.take_back(bad, np.ones(len(bad), dtype=np.bool_))
        if len(stuck) == len(bad):
            break
        exhaust(trail, facets)
        changed = trail.changed()
    left = work.points[work.faces[crossing]]
    trail.done()
    return left


def exhaust(trail: ReversibleCollapse, facets: int) -> None:
    """Collapse until `facets` are left or hardly anything goes any more."""
    for _ in range(4):
        before = trail.facets
        trail.collapse(facets)
        # Edges that were refused may have become possible since: all of them are asked again.
        if trail.facets <= facets or trail.facets > 0.98 * before:
            break


@njit(cache=True)
def _add_plane(q: NDArray, a: float, b: float, c: float, w: float) -> None:
    q[0] += w * a * a
    q[1] += w * a * b
    q[2] += w * a * c
    q[3] += w * b * b
    q[4] += w * b * c
    q[5] += w * c * c


@njit(cache=True)
def _quadrics(points: NDArray, faces: NDArray, q: NDArray, border: NDArray, first: NDArray, facets: NDArray) -> None:
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
def _price_edges(
    points: NDArray, faces: NDArray, q: NDArray, carriers: NDArray, border: NDArray, still: NDArray,
    table: NDArray, most: float, n: int, m: int, price: NDArray, partner: NDArray,
) -> None:  # fmt: skip
    x = np.empty(3)
    for i in range(n):
        price[i] = np.inf
        partner[i] = -1
    for f in range(m):
        for k in range(3):
            u, v = faces[f, k], faces[f, (k + 1) % 3]
            if (u > v and not (border[u] and border[v])) or still[u] or still[v]:
                continue
            cost, whole = place(points, q, carriers, border, table, u, v, False, x)
            if whole > most:
                continue
            if cost < price[u]:
                price[u] = cost
                partner[u] = v
            if cost < price[v]:
                price[v] = cost
                partner[v] = u


@njit(cache=True)
def _sweep(
    points: NDArray, faces: NDArray, q: NDArray, carriers: NDArray, border: NDArray, label: NDArray, table: NDArray,
    n: int, m: int, first: NDArray, facets: NDArray, price: NDArray, partner: NDArray, stamp: NDArray,
    limit: float, most: float, sag: float, enough: int,
) -> int:  # fmt: skip
    """Collapse each vertex's best edge if it is cheap enough and neither end went yet; facets gone.

    `partner` is -2 afterwards where a vertex stayed, else the vertex that took over.
    """
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
        v = partner[i]
        if busy[i] or v < 0 or busy[v] or price[i] > limit:
            continue
        u = i
        cost, whole = place(points, q, carriers, border, table, u, v, True, x)
        if cost > 2.0 * limit or whole > most:
            continue
        if degree[u] > MOST or degree[v] > MOST:
            continue
        nu = 0
        for s in range(first[u], first[u + 1]):
            if faces[facets[s], 0] >= 0:
                of_u[nu] = facets[s]
                nu += 1
        nv = 0
        for s in range(first[v], first[v + 1]):
            if faces[facets[s], 0] >= 0:
                of_v[nv] = facets[s]
                nv += 1
        mark += 3
        if not link_holds(faces, border, degree, u, v, of_u, nu, of_v, nv, stamp, mark):
            continue
        if not facets_stay_good(points, faces, label, table, of_u, nu, u, v, x, sag):
            continue
        if not facets_stay_good(points, faces, label, table, of_v, nv, u, v, x, sag):
            continue
        merge(points, q, carriers, border, u, v, x)
        shared = 0
        for s in range(nu):
            f = of_u[s]
            if faces[f, 0] == v or faces[f, 1] == v or faces[f, 2] == v:
                for k in range(3):
                    degree[faces[f, k]] -= 1
                faces[f, 0] = -1
                shared += 1
            else:
                for k in range(3):
                    if faces[f, k] == u:
                        faces[f, k] = v
        degree[v] += degree[u]
        busy[u] = 1
        busy[v] = 1
        into[u] = v
        gone += shared
        if gone >= enough:
            break
    for i in range(n):
        partner[i] = into[i]
    return gone
