"""Edge collapse by quadrics, with vertices bound to analytic surfaces and points that must stay near.

Quadric error: Garland and Heckbert, "Surface simplification using quadric error metrics" (1997); the
price of a collapse here is the *increase* of the summed squared distance, so that scan noise, which
every region has paid already, does not steer where facets go.

Two phases share their rules. `sweep` goes through memory in order and collapses every edge cheaper
than a threshold, each vertex once: fast while millions of facets have to go. `finish` takes the
cheapest edge first, and can hold a set of points within a distance of the surface while doing so.

Rules of a collapse (u into v):
- the carriers (surfaces that a vertex is bound to) of one end include those of the other; the new
  vertex lies on all of them;
- link condition, so a 2-manifold stays one and closed stays closed; a border edge may only go along
  the border, an inner vertex that meets the border goes to where the border is;
- no facet turns over or becomes a needle.

Working memory: about 95 bytes a facet above the mesh itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from pipeline.mesh.analytic import CYLINDER, PLANE, distance_gradient, project
from pipeline.mesh.quality import nearest_on_facet

# cos of the largest turn of a facet in one collapse.
_TURN = 0.2
# Least height over longest side of a facet that a collapse makes.
_NEEDLE = 2e-3
# A vertex that ties this many facets together is left alone.
_MOST = 3000
# Of the trace of the quadric: pulls the new vertex to the middle where the surface is flat.
_SOFT = 1e-3
# Of the vertices, those whose best edge is cheap enough to go in one sweep.
_SHARE = 0.6
# Where on a new facet its distance is looked at, as shares of the three corners; the first corner once only.
_PLACES = (
    np.array([[6, 0, 0], [3, 3, 0], [3, 0, 3], [2, 2, 2], [4, 1, 1], [1, 4, 1], [1, 1, 4]], dtype=np.float64) / 6.0
)
# Price of length: in a plane all collapses are free, and short edges should go first.
_LENGTH = 1e-9


@dataclass
class Work:
    """A mesh under collapse; arrays are changed in place and only their first parts count.

    points (n, 3) float64; faces (m, 3) int32, faces[f, 0] = -1 once gone; quadrics (n, 10) float64
    about each vertex: xx xy xz yy yz zz, linear 3, constant; carriers (n, 3) int16 rows of `table`,
    -1 none; border (n,) uint8; label (m,) int32 row of `table` that a facet lies on, -1 none;
    origin (m,) uint8; still (n,) uint8: vertices that sweeps leave alone; parent (n0,) int32: the vertex
    that stands for each one of the start, or empty.
    """

    points: NDArray[np.float64]
    faces: NDArray[np.int32]
    quadrics: NDArray[np.float64]
    carriers: NDArray[np.int16]
    border: NDArray[np.uint8]
    still: NDArray[np.uint8]
    label: NDArray[np.int32]
    origin: NDArray[np.uint8]
    table: NDArray[np.float64]
    parent: NDArray[np.int32]

    def cut(self, vertices: int, facets: int) -> None:
        """Forget what lies behind the first parts; copies, so that the large arrays can go."""
        for name in ("points", "quadrics", "carriers", "border", "still"):
            setattr(self, name, getattr(self, name)[:vertices].copy())
        for name in ("faces", "label", "origin"):
            setattr(self, name, getattr(self, name)[:facets].copy())


def start(
    vertices: NDArray, faces: NDArray, label: NDArray, origin: NDArray, carriers: NDArray, table: NDArray,
    *, remember: bool = False, still: NDArray | None = None,
) -> Work:  # fmt: skip
    """Make the working copy with the quadrics of all facets.

    `remember` keeps track of who went where; `still` (n,) are vertices that sweeps leave alone.
    """
    points = np.array(vertices, dtype=np.float64)
    work_faces = np.array(faces, dtype=np.int32)
    quadrics = np.zeros((len(points), 10))
    border = np.zeros(len(points), dtype=np.uint8)
    first, corners = _corners_of(work_faces, len(points), len(work_faces))
    _quadrics(points, work_faces, quadrics, border, first, corners)
    parent = np.arange(len(points) if remember else 0, dtype=np.int32)
    return Work(
        points, work_faces, quadrics, np.array(carriers, dtype=np.int16), border,
        np.zeros(len(points), dtype=np.uint8) if still is None else np.array(still, dtype=np.uint8),
        np.array(label, dtype=np.int32), np.array(origin, dtype=np.uint8), table, parent,
    )  # fmt: skip


def sweep_down(work: Work, facets: int, *, most: float = np.inf, sag: float = np.inf) -> None:
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
        first, corners = _corners_of(work.faces, n, m)
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
        limit = float(np.quantile(known, _SHARE)) if most == np.inf else np.inf
        stamp[:n] = 0
        gone = _sweep(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.label, work.table,
            n, m, first, corners, price, partner, stamp, limit, most, sag, m - facets,
        )  # fmt: skip
        before = m
        n, m = _compact(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.still, work.label, work.origin,
            n, m, partner, work.parent,
        )  # fmt: skip
        if gone < 0.01 * before:
            break
    work.cut(n, m)


@dataclass(frozen=True)
class Leash:
    """Points of a dense mesh that the surface may not leave.

    vertices, faces  the dense mesh, (n0, 3) mm and (m0, 3)
    which            (k,) its vertices that are held
    inner            (k,) bool: those inside a carrier's face, round which labelled facets need no proof
    reach            (k,) mm: how far each may come to lie from the surface, and the surface from the
                     dense facets round it
    sag              mm: how far a facet on a curved carrier may lie from it
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    which: NDArray[np.int32]
    inner: NDArray[np.bool_]
    reach: NDArray[np.float64]
    sag: float


def finish(work: Work, facets: int, leash: Leash | None = None) -> None:
    """Collapse the cheapest edge first until `facets` are left or no edge may go.

    A leash needs a work that remembers parents and was swept within it.
    """
    n, m = len(work.points), len(work.faces)
    nobody = np.empty(0, dtype=np.int32)
    if leash is None:
        no_facets = np.empty((0, 3), dtype=np.int32)
        leash = Leash(np.empty((0, 3)), no_facets, nobody, np.empty(0, dtype=np.bool_), np.empty(0), np.inf)
    dense_first, dense_facets = _corners_of(leash.faces, len(leash.vertices), len(leash.faces))
    first, corners = _corners_of(work.faces, n, m)
    at = _nearest(
        work.points, work.faces, first, corners, leash.vertices, leash.which,
        work.parent[leash.which] if len(leash.which) else nobody,
    )  # fmt: skip
    work.parent = nobody
    for _ in range(4):
        before = m
        first_point, next_point = _chains(at, m)
        _finish(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.label, work.table,
            n, m, facets, leash.vertices, leash.faces, dense_first, dense_facets, leash.which,
            leash.inner, first_point, next_point, leash.reach**2, leash.sag,
        )  # fmt: skip
        at = _owner(first_point, next_point, len(at))
        kept = np.flatnonzero(work.faces[:m, 0] >= 0)
        place = np.full(m, -1, dtype=np.int32)
        place[kept] = np.arange(len(kept), dtype=np.int32)
        if len(at):
            at = place[at]
        n, m = _compact(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.still, work.label, work.origin,
            n, m, nobody, work.parent,
        )  # fmt: skip
        # Edges that were refused may have become possible since: ask all of them again.
        if m <= facets or m > 0.98 * before:
            break
    work.cut(n, m)


@njit(cache=True, parallel=True)
def _nearest(
    points: NDArray, faces: NDArray, first: NDArray, facets: NDArray, dense: NDArray, which: NDArray, vertex: NDArray
) -> NDArray:  # fmt: skip
    """Of the facets round a vertex (k,) and round its neighbours, the one nearest to each dense point."""
    out = np.empty(len(which), dtype=np.int32)
    for i in prange(len(which)):
        best = np.inf
        where = -1
        x, y, z = dense[which[i], 0], dense[which[i], 1], dense[which[i], 2]
        v = vertex[i]
        for s in range(first[v], first[v + 1]):
            for e in range(3):
                w = faces[facets[s], e]
                for t in range(first[w], first[w + 1]):
                    f = facets[t]
                    a, b, c = points[faces[f, 0]], points[faces[f, 1]], points[faces[f, 2]]
                    nx, ny, nz = nearest_on_facet(x, y, z, a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2])
                    d2 = (x - nx) ** 2 + (y - ny) ** 2 + (z - nz) ** 2
                    if d2 < best:
                        best = d2
                        where = f
        out[i] = where
    return out


@njit(cache=True)
def _corners_of(faces: NDArray, n: int, m: int) -> tuple[NDArray, NDArray]:
    first = np.zeros(n + 1, dtype=np.int32)
    for f in range(m):
        for k in range(3):
            first[faces[f, k] + 1] += 1
    for i in range(n):
        first[i + 1] += first[i]
    facets = np.empty(3 * m, dtype=np.int32)
    at = first[:n].copy()
    for f in range(m):
        for k in range(3):
            v = faces[f, k]
            facets[at[v]] = f
            at[v] += 1
    return first, facets


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
def _union(carriers: NDArray, u: int, v: int) -> tuple[bool, int, int, int]:
    """Whether the carriers of one end include those of the other, and the larger set."""
    if carriers[u, 0] < 0:
        return True, carriers[v, 0], carriers[v, 1], carriers[v, 2]
    if carriers[v, 0] < 0:
        return True, carriers[u, 0], carriers[u, 1], carriers[u, 2]
    small, large = u, v
    if carriers[u, 2] >= 0 or (carriers[u, 1] >= 0 and carriers[v, 1] < 0):
        small, large = v, u
    for i in range(3):
        s = carriers[small, i]
        if s < 0:
            break
        if s != carriers[large, 0] and s != carriers[large, 1] and s != carriers[large, 2]:
            return False, -1, -1, -1
    return True, carriers[large, 0], carriers[large, 1], carriers[large, 2]


@njit(cache=True)
def _value(q: NDArray, dx: float, dy: float, dz: float) -> float:
    return (
        dx * (q[0] * dx + 2.0 * (q[1] * dy + q[2] * dz + q[6]))
        + dy * (q[3] * dy + 2.0 * (q[4] * dz + q[7]))
        + dz * (q[5] * dz + 2.0 * q[8])
        + q[9]
    )


@njit(cache=True)
def _place(
    points: NDArray, q: NDArray, carriers: NDArray, border: NDArray, table: NDArray,
    u: int, v: int, exact: bool, x: NDArray,
) -> tuple[float, float]:  # fmt: skip
    """Where the vertex of edge uv goes (into x) and what that costs: (price, summed square distance).

    Price inf where the edge may not go. `exact` puts x on the carriers, which takes longer.
    """
    ok, c0, c1, c2 = _union(carriers, u, v)
    if not ok:
        return np.inf, np.inf
    qu, qv = q[u], q[v]
    px, py, pz = points[u, 0], points[u, 1], points[u, 2]
    rx, ry, rz = points[v, 0], points[v, 1], points[v, 2]
    hx, hy, hz = 0.5 * (rx - px), 0.5 * (ry - py), 0.5 * (rz - pz)
    xx, xy, xz = qu[0] + qv[0], qu[1] + qv[1], qu[2] + qv[2]
    yy, yz, zz = qu[3] + qv[3], qu[4] + qv[4], qu[5] + qv[5]
    trace = xx + yy + zz
    length2 = 4.0 * (hx * hx + hy * hy + hz * hz)
    fixed = -1
    if c2 >= 0:
        fixed = u if carriers[u, 2] >= 0 else v
    elif border[u] != border[v]:
        fixed = u if border[u] else v
    if fixed >= 0:
        x[0], x[1], x[2] = points[fixed, 0], points[fixed, 1], points[fixed, 2]
    else:
        # Linear part about the middle: each end's own, moved by half the edge.
        bx = qu[6] + qv[6] + (qu[0] - qv[0]) * hx + (qu[1] - qv[1]) * hy + (qu[2] - qv[2]) * hz
        by = qu[7] + qv[7] + (qu[1] - qv[1]) * hx + (qu[3] - qv[3]) * hy + (qu[4] - qv[4]) * hz
        bz = qu[8] + qv[8] + (qu[2] - qv[2]) * hx + (qu[4] - qv[4]) * hy + (qu[5] - qv[5]) * hz
        soft = _SOFT * trace + 1e-30
        a, d, g = xx + soft, yy + soft, zz + soft
        m0, m1, m2 = d * g - yz * yz, xz * yz - xy * g, xy * yz - xz * d
        det = a * m0 + xy * m1 + xz * m2
        sx = -(m0 * bx + m1 * by + m2 * bz) / det
        sy = -(m1 * bx + (a * g - xz * xz) * by + (xy * xz - a * yz) * bz) / det
        sz = -(m2 * bx + (xy * xz - a * yz) * by + (a * d - xy * xy) * bz) / det
        if not sx * sx + sy * sy + sz * sz <= length2:
            sx, sy, sz = 0.0, 0.0, 0.0
        x[0], x[1], x[2] = px + hx + sx, py + hy + sy, pz + hz + sz
        if exact and c0 >= 0:
            ux, uy, uz = x[0], x[1], x[2]
            if not project(table, c0, c1, -1, x):
                return np.inf, np.inf
            moved = (x[0] - ux) ** 2 + (x[1] - uy) ** 2 + (x[2] - uz) ** 2
            if moved > length2:
                return np.inf, np.inf
    whole = _value(qu, x[0] - px, x[1] - py, x[2] - pz) + _value(qv, x[0] - rx, x[1] - ry, x[2] - rz)
    price = max(0.0, whole - qu[9] - qv[9]) + _LENGTH * trace * length2
    return price, whole


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
            cost, whole = _place(points, q, carriers, border, table, u, v, False, x)
            if whole > most:
                continue
            if cost < price[u]:
                price[u] = cost
                partner[u] = v
            if cost < price[v]:
                price[v] = cost
                partner[v] = u


@njit(cache=True)
def _facing(table: NDArray, row: int, ax: float, ay: float, az: float, nx: float, ny: float, nz: float) -> float:
    _, gx, gy, gz = distance_gradient(table[row], ax, ay, az)
    return gx * nx + gy * ny + gz * nz


@njit(cache=True)
def _facets_stay_good(
    points: NDArray, faces: NDArray, label: NDArray, table: NDArray, list_: NDArray, count: int,
    u: int, v: int, x: NDArray, sag: float,
) -> bool:  # fmt: skip
    """Whether every facet of the list that has only one of u, v keeps its side, shape and carrier."""
    for s in range(count):
        f = list_[s]
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        if (i == u or j == u or k == u) and (i == v or j == v or k == v):
            continue
        # Turn the corner that moves to the front; the order of the three stays.
        if j == u or j == v:  # noqa: SIM109
            i, j, k = j, k, i
        elif k == u or k == v:  # noqa: SIM109
            i, j, k = k, i, j
        bx, by, bz = points[j, 0], points[j, 1], points[j, 2]
        ex, ey, ez = points[k, 0] - bx, points[k, 1] - by, points[k, 2] - bz
        ox, oy, oz = points[i, 0] - bx, points[i, 1] - by, points[i, 2] - bz
        tx, ty, tz = x[0] - bx, x[1] - by, x[2] - bz
        onx, ony, onz = ey * oz - ez * oy, ez * ox - ex * oz, ex * oy - ey * ox
        tnx, tny, tnz = ey * tz - ez * ty, ez * tx - ex * tz, ex * ty - ey * tx
        old2 = onx * onx + ony * ony + onz * onz
        new2 = tnx * tnx + tny * tny + tnz * tnz
        side2 = ex * ex + ey * ey + ez * ez
        fx, fy, fz = tx - ex, ty - ey, tz - ez
        long2 = max(side2, tx * tx + ty * ty + tz * tz, fx * fx + fy * fy + fz * fz)
        if new2 <= _NEEDLE * _NEEDLE * long2 * long2:
            gx, gy, gz = ox - ex, oy - ey, oz - ez
            was2 = max(side2, ox * ox + oy * oy + oz * oz, gx * gx + gy * gy + gz * gz)
            if new2 <= 1e-24 * long2 * long2 or new2 * was2 * was2 < old2 * long2 * long2:
                return False
        turn = onx * tnx + ony * tny + onz * tnz
        row = label[f]
        if row < 0:
            if turn < _TURN * np.sqrt(old2 * new2):
                return False
            continue
        length = np.sqrt(new2)
        mx, my, mz = bx + (tx + ex) / 3.0, by + (ty + ey) / 3.0, bz + (tz + ez) / 3.0
        now = _facing(table, row, mx, my, mz, tnx, tny, tnz) / length
        was = _facing(table, row, bx + (ox + ex) / 3.0, by + (oy + ey) / 3.0, bz + (oz + ez) / 3.0, onx, ony, onz)
        if abs(now) < 0.5 or now * was < 0.0:
            return False
        if sag < np.inf and int(table[row, 0]) != PLANE:
            # Chords of a cylinder are farthest in the middle; of a cone or torus they need not be.
            steps = 2 if int(table[row, 0]) == CYLINDER else 4
            for p in range(steps + 1):
                for r in range(steps + 1 - p):
                    # Shares of x, and of the next corner; the edge away from x did not change.
                    if p == 0 or p == steps:
                        continue
                    g, h = p / steps, r / steps
                    d = distance_gradient(
                        table[row],
                        bx + g * tx + (1.0 - g - h) * ex, by + g * ty + (1.0 - g - h) * ey,
                        bz + g * tz + (1.0 - g - h) * ez,
                    )[0]  # fmt: skip
                    if abs(d) > sag:
                        return False
    return True


@njit(cache=True)
def _link_holds(
    faces: NDArray, border: NDArray, degree: NDArray, u: int, v: int,
    of_u: NDArray, nu: int, of_v: NDArray, nv: int, stamp: NDArray, mark: int,
) -> bool:  # fmt: skip
    """The link condition of edge uv, and that both ends are proper (half) discs. Uses marks mark..mark+3."""
    ring = 0
    for s in range(nv):
        f = of_v[s]
        for k in range(3):
            w = faces[f, k]
            if w != v and stamp[w] != mark:
                stamp[w] = mark
                ring += 1
    if ring != nv + border[v]:
        return False
    ring = 0
    common = 0
    shared = 0
    for s in range(nu):
        f = of_u[s]
        third = -1
        has = False
        for k in range(3):
            w = faces[f, k]
            if w == u:
                continue
            if w == v:
                has = True
            else:
                third = w
            if stamp[w] == mark:
                stamp[w] = mark + 1
                ring += 1
                if w != v:
                    common += 1
            elif stamp[w] != mark + 1 and stamp[w] != mark + 2:
                stamp[w] = mark + 2
                ring += 1
        if has:
            shared += 1
            # The facet goes; its third corner must be left with a fan, not with two facets back to back.
            if degree[third] <= (2 if border[third] else 3):
                return False
    if ring != nu + border[u] or common != shared:
        return False
    if border[u] and border[v]:
        return shared == 1
    return shared == 2


@njit(cache=True)
def _merge(
    points: NDArray, q: NDArray, carriers: NDArray, border: NDArray, u: int, v: int, x: NDArray,
) -> None:  # fmt: skip
    """Let v take over from u at x."""
    _, c0, c1, c2 = _union(carriers, u, v)
    for end in range(2):
        w = u if end == 0 else v
        dx, dy, dz = x[0] - points[w, 0], x[1] - points[w, 1], x[2] - points[w, 2]
        a = q[w]
        value = max(_value(a, dx, dy, dz), 0.0)
        a[6] += a[0] * dx + a[1] * dy + a[2] * dz
        a[7] += a[1] * dx + a[3] * dy + a[4] * dz
        a[8] += a[2] * dx + a[4] * dy + a[5] * dz
        a[9] = value
    for i in range(10):
        q[v, i] += q[u, i]
    carriers[v, 0], carriers[v, 1], carriers[v, 2] = c0, c1, c2
    border[v] = max(border[u], border[v])
    points[v, 0], points[v, 1], points[v, 2] = x[0], x[1], x[2]


@njit(cache=True)
def _sweep(
    points: NDArray, faces: NDArray, q: NDArray, carriers: NDArray, border: NDArray, label: NDArray, table: NDArray,
    n: int, m: int, first: NDArray, facets: NDArray, price: NDArray, partner: NDArray, stamp: NDArray,
    limit: float, most: float, sag: float, enough: int,
) -> int:  # fmt: skip
    """Collapse each vertex's best edge if it is cheap enough and neither end went yet; facets gone.

    `partner` is -2 afterwards where a vertex stayed, else the vertex that took over.
    """
    of_u = np.empty(_MOST, dtype=np.int32)
    of_v = np.empty(_MOST, dtype=np.int32)
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
        cost, whole = _place(points, q, carriers, border, table, u, v, True, x)
        if cost > 2.0 * limit or whole > most:
            continue
        if degree[u] > _MOST or degree[v] > _MOST:
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
        if not _link_holds(faces, border, degree, u, v, of_u, nu, of_v, nv, stamp, mark):
            continue
        if not _facets_stay_good(points, faces, label, table, of_u, nu, u, v, x, sag):
            continue
        if not _facets_stay_good(points, faces, label, table, of_v, nv, u, v, x, sag):
            continue
        _merge(points, q, carriers, border, u, v, x)
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


@njit(cache=True)
def _compact(
    points: NDArray, faces: NDArray, q: NDArray, carriers: NDArray, border: NDArray, still: NDArray,
    label: NDArray, origin: NDArray, n: int, m: int, place: NDArray, parent: NDArray,
) -> tuple[int, int]:  # fmt: skip
    """Close the ranks in order. `place` holds who took over (as _sweep leaves it) where parents are kept."""
    used = np.zeros(n, dtype=np.uint8)
    facets = 0
    for f in range(m):
        if faces[f, 0] < 0:
            continue
        for k in range(3):
            faces[facets, k] = faces[f, k]
            used[faces[f, k]] = 1
        label[facets] = label[f]
        origin[facets] = origin[f]
        facets += 1
    index = np.full(n, -1, dtype=np.int32)
    vertices = 0
    for i in range(n):
        if not used[i]:
            continue
        index[i] = vertices
        for k in range(3):
            points[vertices, k] = points[i, k]
            carriers[vertices, k] = carriers[i, k]
        for k in range(10):
            q[vertices, k] = q[i, k]
        border[vertices] = border[i]
        still[vertices] = still[i]
        vertices += 1
    for f in range(facets):
        for k in range(3):
            faces[f, k] = index[faces[f, k]]
    for i in range(len(parent)):
        p = parent[i]
        if p >= 0:
            if place[p] >= 0:
                p = place[p]
            parent[i] = index[p]
    return vertices, facets


@njit(cache=True)
def _chains(at: NDArray, m: int) -> tuple[NDArray, NDArray]:
    first = np.full(m if len(at) else 0, -1, dtype=np.int32)
    following = np.full(len(at), -1, dtype=np.int32)
    for i in range(len(at)):
        following[i] = first[at[i]]
        first[at[i]] = i
    return first, following


@njit(cache=True)
def _owner(first: NDArray, following: NDArray, count: int) -> NDArray:
    at = np.full(count, -1, dtype=np.int32)
    for f in range(len(first)):
        p = first[f]
        while p >= 0:
            at[p] = f
            p = following[p]
    return at


@njit(cache=True)
def _down(cost: NDArray, a: NDArray, b: NDArray, when: NDArray, size: int, i: int) -> None:
    c, ia, ib, iw = cost[i], a[i], b[i], when[i]
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and cost[child + 1] < cost[child]:
            child += 1
        if cost[child] >= c:
            break
        cost[i], a[i], b[i], when[i] = cost[child], a[child], b[child], when[child]
        i = child
    cost[i], a[i], b[i], when[i] = c, ia, ib, iw


@njit(cache=True)
def _up(cost: NDArray, a: NDArray, b: NDArray, when: NDArray, i: int) -> None:
    c, ia, ib, iw = cost[i], a[i], b[i], when[i]
    while i > 0:
        above = (i - 1) // 2
        if cost[above] <= c:
            break
        cost[i], a[i], b[i], when[i] = cost[above], a[above], b[above], when[above]
        i = above
    cost[i], a[i], b[i], when[i] = c, ia, ib, iw


@njit(cache=True)
def _round_list(faces: NDArray, head: NDArray, following: NDArray, v: int, out: NDArray) -> int:
    """Facets of v by its ring of corners; dead ones are taken out on the way. -1: more than fit."""
    count = 0
    previous = -1
    c = head[v]
    while c >= 0:
        after = following[c]
        if faces[c // 3, 0] < 0:
            if previous < 0:
                head[v] = after
            else:
                following[previous] = after
        else:
            if count == len(out):
                return -1
            out[count] = c // 3
            count += 1
            previous = c
        c = after
    return count


@njit(cache=True)
def _points_stay_near(
    points: NDArray, faces: NDArray, u: int, v: int, x: NDArray, of_u: NDArray, nu: int, of_v: NDArray, nv: int,
    dense: NDArray, which: NDArray, first_point: NDArray, next_point: NDArray, reach2: NDArray,
    corner: NDArray, who: NDArray, moved: NDArray, onto: NDArray,
) -> tuple[int, int]:  # fmt: skip
    """How many held points hang on the facets round u and v, with the facet each goes to; -1 if one is too far.

    Second, how many facets there will be: `who`, with their corners (x first) in `corner`.
    """
    kept = 0
    for part in range(2):
        for s in range(nu if part == 0 else nv):
            f = of_u[s] if part == 0 else of_v[s]
            i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
            if (i == u or j == u or k == u) and (i == v or j == v or k == v):
                continue
            if j == u or j == v:  # noqa: SIM109
                i, j, k = j, k, i
            elif k == u or k == v:  # noqa: SIM109
                i, j, k = k, i, j
            for d in range(3):
                corner[kept, d] = x[d]
                corner[kept, 3 + d] = points[j, d]
                corner[kept, 6 + d] = points[k, d]
            who[kept] = f
            kept += 1
    count = 0
    for part in range(2):
        for s in range(nu if part == 0 else nv):
            f = of_u[s] if part == 0 else of_v[s]
            if part == 1 and (faces[f, 0] == u or faces[f, 1] == u or faces[f, 2] == u):
                continue
            p = first_point[f]
            while p >= 0:
                best = np.inf
                where = -1
                enough = 0.05 * reach2[p]
                px, py, pz = dense[which[p], 0], dense[which[p], 1], dense[which[p], 2]
                for t in range(kept):
                    c = corner[t]
                    nx, ny, nz = nearest_on_facet(px, py, pz, c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8])
                    d2 = (px - nx) ** 2 + (py - ny) ** 2 + (pz - nz) ** 2
                    if d2 < best:
                        best = d2
                        where = t
                        if d2 <= enough:
                            break
                if best > reach2[p]:
                    return -1, kept
                moved[count] = p
                onto[count] = who[where]
                count += 1
                p = next_point[p]
    return count, kept


@njit(cache=True)
def _near_dense(
    x: float, y: float, z: float, on_carrier: bool, dense: NDArray, dense_faces: NDArray, dense_first: NDArray,
    dense_facets: NDArray, which: NDArray, inner: NDArray, reach2: NDArray, moved: NDArray, hanging: int,
) -> bool:  # fmt: skip
    """Whether a point is within reach of the dense facets round the held point that is nearest to it."""
    best = np.inf
    p = -1
    for s in range(hanging):
        w = which[moved[s]]
        d2 = (x - dense[w, 0]) ** 2 + (y - dense[w, 1]) ** 2 + (z - dense[w, 2]) ** 2
        if d2 < best:
            best = d2
            p = moved[s]
    if best <= reach2[p] or (on_carrier and inner[p]):
        return True
    w = which[p]
    for s in range(dense_first[w], dense_first[w + 1]):
        f = dense_facets[s]
        a, b, c = dense[dense_faces[f, 0]], dense[dense_faces[f, 1]], dense[dense_faces[f, 2]]
        nx, ny, nz = nearest_on_facet(x, y, z, a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2])
        if (x - nx) ** 2 + (y - ny) ** 2 + (z - nz) ** 2 <= reach2[p]:
            return True
    return False


@njit(cache=True)
def _facets_stay_near(
    corner: NDArray, who: NDArray, kept: int, label: NDArray, dense: NDArray, dense_faces: NDArray,
    dense_first: NDArray, dense_facets: NDArray, which: NDArray, inner: NDArray, reach2: NDArray, moved: NDArray,
    hanging: int,
) -> bool:  # fmt: skip
    """Whether the new facets are near the dense mesh: at the vertex, on both new edges, in the middle.

    The extent of a carrier is not bounded, so a labelled facet too must be where the dense face is.
    """
    for t in range(kept):
        c = corner[t]
        on_carrier = label[who[t]] >= 0
        for s in range(0 if t == 0 else 1, len(_PLACES)):
            g, h, k = _PLACES[s, 0], _PLACES[s, 1], _PLACES[s, 2]
            x = g * c[0] + h * c[3] + k * c[6]
            y = g * c[1] + h * c[4] + k * c[7]
            z = g * c[2] + h * c[5] + k * c[8]
            if not _near_dense(
                x, y, z, on_carrier, dense, dense_faces, dense_first, dense_facets, which, inner, reach2, moved, hanging
            ):
                return False
    return True


@njit(cache=True)
def _finish(
    points: NDArray, faces: NDArray, q: NDArray, carriers: NDArray, border: NDArray, label: NDArray, table: NDArray,
    n: int, m: int, target: int, dense: NDArray, dense_faces: NDArray, dense_first: NDArray, dense_facets: NDArray,
    which: NDArray, inner: NDArray, first_point: NDArray, next_point: NDArray, reach2: NDArray, sag: float,
) -> None:  # fmt: skip
    head = np.full(n, -1, dtype=np.int32)
    following = np.full(3 * m, -1, dtype=np.int32)
    degree = np.zeros(n, dtype=np.int32)
    for f in range(m):
        for k in range(3):
            v = faces[f, k]
            following[3 * f + k] = head[v]
            head[v] = 3 * f + k
            degree[v] += 1
    version = np.zeros(n, dtype=np.int32)
    stamp = np.zeros(n, dtype=np.int32)
    mark = 1
    x = np.empty(3)
    of_u = np.empty(_MOST, dtype=np.int32)
    of_v = np.empty(_MOST, dtype=np.int32)
    tracked = len(which) > 0
    corner = np.empty((2 * _MOST if tracked else 1, 9))
    who = np.empty(2 * _MOST if tracked else 1, dtype=np.int32)
    moved = np.empty(max(len(which), 1), dtype=np.int32)
    onto = np.empty(max(len(which), 1), dtype=np.int32)
    size = 0
    room = 3 * m + 1024
    cost = np.empty(room)
    a = np.empty(room, dtype=np.int32)
    b = np.empty(room, dtype=np.int32)
    when = np.empty(room, dtype=np.int32)
    for f in range(m):
        for k in range(3):
            u, v = faces[f, k], faces[f, (k + 1) % 3]
            if u > v and not (border[u] and border[v]):
                continue
            price, _ = _place(points, q, carriers, border, table, u, v, True, x)
            if price < np.inf:
                cost[size], a[size], b[size], when[size] = price, u, v, 0
                size += 1
    for i in range(size // 2 - 1, -1, -1):
        _down(cost, a, b, when, size, i)
    alive = m
    while size > 0 and alive > target:
        u, v, then = a[0], b[0], when[0]
        size -= 1
        cost[0], a[0], b[0], when[0] = cost[size], a[size], b[size], when[size]
        _down(cost, a, b, when, size, 0)
        if version[u] + version[v] != then:
            continue
        nu = _round_list(faces, head, following, u, of_u)
        nv = _round_list(faces, head, following, v, of_v)
        if nu < 0 or nv < 0:
            continue
        mark += 3
        if not _link_holds(faces, border, degree, u, v, of_u, nu, of_v, nv, stamp, mark):
            continue
        _place(points, q, carriers, border, table, u, v, True, x)
        if not _facets_stay_good(points, faces, label, table, of_u, nu, u, v, x, sag):
            continue
        if not _facets_stay_good(points, faces, label, table, of_v, nv, u, v, x, sag):
            continue
        hanging = 0
        if tracked:
            hanging, kept = _points_stay_near(
                points, faces, u, v, x, of_u, nu, of_v, nv, dense, which, first_point, next_point, reach2,
                corner, who, moved, onto,
            )  # fmt: skip
            if hanging < 0:
                continue
            if hanging > 0 and not _facets_stay_near(
                corner,
                who,
                kept,
                label,
                dense,
                dense_faces,
                dense_first,
                dense_facets,
                which,
                inner,
                reach2,
                moved,
                hanging,
            ):
                continue
        _merge(points, q, carriers, border, u, v, x)
        if tracked:
            for s in range(nu):
                first_point[of_u[s]] = -1
            for s in range(nv):
                first_point[of_v[s]] = -1
            for s in range(hanging):
                next_point[moved[s]] = first_point[onto[s]]
                first_point[onto[s]] = moved[s]
        for s in range(nu):
            f = of_u[s]
            if faces[f, 0] == v or faces[f, 1] == v or faces[f, 2] == v:
                for k in range(3):
                    degree[faces[f, k]] -= 1
                faces[f, 0] = -1
                alive -= 1
            else:
                for k in range(3):
                    if faces[f, k] == u:
                        faces[f, k] = v
        degree[v] += degree[u]
        # Hang u's corners behind v's.
        c = head[v]
        if c < 0:
            head[v] = head[u]
        else:
            while following[c] >= 0:
                c = following[c]
            following[c] = head[u]
        head[u] = -1
        version[u] += 1
        version[v] += 1
        nv = _round_list(faces, head, following, v, of_v)
        if nv < 0:
            continue
        if size + 2 * nv + 2 >= room:
            valid = 0
            for i in range(size):
                if version[a[i]] + version[b[i]] == when[i]:
                    cost[valid], a[valid], b[valid], when[valid] = cost[i], a[i], b[i], when[i]
                    valid += 1
            size = valid
            for i in range(size // 2 - 1, -1, -1):
                _down(cost, a, b, when, size, i)
        mark += 3
        for s in range(nv):
            for k in range(3):
                w = faces[of_v[s], k]
                if w == v or stamp[w] == mark:
                    continue
                stamp[w] = mark
                price, _ = _place(points, q, carriers, border, table, v, w, True, x)
                if price < np.inf and size < room:
                    cost[size], a[size], b[size], when[size] = price, v, w, version[v] + version[w]
                    _up(cost, a, b, when, size)
                    size += 1
