"""What an edge collapse may do, and what it costs.

Quadric error: Garland and Heckbert, "Surface simplification using quadric error metrics" (1997); the
price of a collapse here is the *increase* of the summed squared distance, so that scan noise, which
every region has paid already, does not steer where facets go.

Rules of a collapse (u into v):
- the carriers (surfaces that a vertex is bound to) of one end include those of the other; the new
  vertex lies on all of them;
- link condition, so a 2-manifold stays one and closed stays closed; a border edge may only go along
  the border, an inner vertex that meets the border goes to where the border is;
- no facet turns over or becomes a needle.

A facet that is gone has ~corner, which is below 0, for its first corner.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Point, Shorts
from pipeline.jit import njit
from pipeline.mesh.simplify.collapse_mesh import CollapseArrays, Vertices
from pipeline.surfaces import chord_steps, distance_gradient, move_onto

# cos of the largest turn of a facet in one collapse.
_TURN = 0.2
# Least height over longest side of a facet that a collapse makes.
_NEEDLE = 2e-3
# Square of the height over the longest side of a facet that has no area.
_FLAT = 1e-24
# By so much, as a cosine, a facet that is turned over may turn.
_TURNED_MORE = 0.1
# A vertex that ties this many facets together is left alone.
MOST = 3000
# Of the trace of the quadric: pulls the new vertex to the middle where the surface is flat.
_SOFT = 1e-3
# Price of length: in a plane all collapses are free, and short edges should go first.
_LENGTH = 1e-9


class Edge(NamedTuple):
    """An edge that is to be collapsed, u into v, and the facets round each of its ends."""

    u: int
    v: int
    of_u: Ints
    of_v: Ints


@njit(cache=True, borrowing=True)
def _union(carriers: Shorts, u: int, v: int) -> tuple[bool, int, int, int]:
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


@njit(cache=True, borrowing=True)
def _error(q: Floats, dx: float, dy: float, dz: float) -> float:
    """Quadric error q (10,) of a point that lies by d from where the quadric is about."""
    return (
        dx * (q[0] * dx + 2.0 * (q[1] * dy + q[2] * dz + q[6]))
        + dy * (q[3] * dy + 2.0 * (q[4] * dz + q[7]))
        + dz * (q[5] * dz + 2.0 * q[8])
        + q[9]
    )


@njit(cache=True, borrowing=True)
def collapse_cost(vertices: Vertices, table: Floats, u: int, v: int, exact: bool, x: Floats) -> tuple[float, float]:
    """Where the vertex of edge uv goes (into x) and what that costs: (price, summed square distance).

    Price inf where the edge may not go. `exact` puts x on the carriers, which takes longer.
    """
    points, q, carriers, border = vertices
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
            if not move_onto(table, c0, c1, -1, x):
                return np.inf, np.inf
            moved = (x[0] - ux) ** 2 + (x[1] - uy) ** 2 + (x[2] - uz) ** 2
            if moved > length2:
                return np.inf, np.inf
    whole = _error(qu, x[0] - px, x[1] - py, x[2] - pz) + _error(qv, x[0] - rx, x[1] - ry, x[2] - rz)
    price = max(0.0, whole - qu[9] - qv[9]) + _LENGTH * trace * length2
    return price, whole


@njit(cache=True, borrowing=True)
def cost_onto(vertices: Vertices, u: int, v: int) -> float:
    """What it costs to put u onto v, which stays where it is; inf where u may not go there, or is bound to more."""
    points, q, carriers, border = vertices
    if border[u] and not border[v]:
        return np.inf
    for i in range(3):
        c = carriers[u, i]
        if c < 0:
            break
        if c != carriers[v, 0] and c != carriers[v, 1] and c != carriers[v, 2]:
            return np.inf
    a = q[u]
    dx, dy, dz = points[v, 0] - points[u, 0], points[v, 1] - points[u, 1], points[v, 2] - points[u, 2]
    length2 = dx * dx + dy * dy + dz * dz
    return max(0.0, _error(a, dx, dy, dz) - a[9]) + _LENGTH * (a[0] + a[3] + a[5]) * length2


@njit(cache=True, borrowing=True)
def _facing(table: Floats, row: int, ax: float, ay: float, az: float, nx: float, ny: float, nz: float) -> float:
    _, gx, gy, gz = distance_gradient(table[row], ax, ay, az)
    return gx * nx + gy * ny + gz * nz


@njit(cache=True)
def facets_on_carriers(points: Floats, faces: Ints, label: Ints, table: Floats) -> Floats:
    """(m,) mm2, twice the area of each facet, times the cosine between its normal and its carrier's gradient."""
    out = np.zeros(len(faces))
    for f in range(len(faces)):
        if label[f] < 0 or faces[f, 0] < 0:
            continue
        a, b, c = points[faces[f, 0]], points[faces[f, 1]], points[faces[f, 2]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        wx, wy, wz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        nx, ny, nz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        x, y, z = a[0] + (ux + wx) / 3.0, a[1] + (uy + wy) / 3.0, a[2] + (uz + wz) / 3.0
        out[f] = _facing(table, label[f], x, y, z, nx, ny, nz)
    return out


@njit(cache=True, borrowing=True)
def moving_first(faces: Ints, f: int, u: int, v: int) -> tuple[int, int, int]:
    """Corners of facet f, the one of u and v first, in their order; -1 where it has both and goes."""
    i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
    if (i == u or j == u or k == u) and (i == v or j == v or k == v):
        return -1, -1, -1
    if j == u or j == v:  # noqa: SIM109
        return j, k, i
    if k == u or k == v:  # noqa: SIM109
        return k, i, j
    return i, j, k


@njit(cache=True, borrowing=True)
def _sags(table: Floats, row: int, b: Point, t: Point, e: Point, sag: float) -> bool:
    """Whether a facet with corners b, b + t (the new vertex) and b + e lies farther than `sag` from its carrier."""
    bx, by, bz = b
    tx, ty, tz = t
    ex, ey, ez = e
    steps = chord_steps(table[row])
    # Shares of x, and of the next corner; the edge away from x did not change.
    for p in range(1, steps):
        for r in range(steps + 1 - p):
            g, h = p / steps, r / steps
            d = distance_gradient(
                table[row],
                bx + g * tx + (1.0 - g - h) * ex, by + g * ty + (1.0 - g - h) * ey,
                bz + g * tz + (1.0 - g - h) * ez,
            )[0]  # fmt: skip
            if abs(d) > sag:
                return True
    return False


@njit(cache=True, borrowing=True)
def facets_stay_valid(mesh: CollapseArrays, edge: Edge, x: Floats, sag: float) -> bool:
    """Whether every facet that has only one end of the edge keeps its side, shape and carrier when that goes to x.

    A facet that lies turned over on its carrier, or has no area, may do so still; it may be set right, not made worse.
    """
    points, faces, label, table = mesh.vertices.points, mesh.faces, mesh.label, mesh.table
    u, v, of_u, of_v = edge
    nu = len(of_u)
    for s in range(nu + len(of_v)):
        f = of_u[s] if s < nu else of_v[s - nu]
        i, j, k = moving_first(faces, f, u, v)
        if i < 0:
            continue
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
        flat = False
        if new2 <= _NEEDLE * _NEEDLE * long2 * long2:
            gx, gy, gz = ox - ex, oy - ey, oz - ez
            was2 = max(side2, ox * ox + oy * oy + oz * oz, gx * gx + gy * gy + gz * gz)
            flat = old2 <= _FLAT * was2 * was2
            if new2 <= _FLAT * long2 * long2:
                if flat:
                    continue
                return False
            if new2 * was2 * was2 < old2 * long2 * long2:
                return False
        turn = onx * tnx + ony * tny + onz * tnz
        row = label[f]
        if row < 0:
            if turn < _TURN * np.sqrt(old2 * new2):
                return False
            continue
        mx, my, mz = bx + (tx + ex) / 3.0, by + (ty + ey) / 3.0, bz + (tz + ez) / 3.0
        now = mesh.outward[row] * _facing(table, row, mx, my, mz, tnx, tny, tnz) / np.sqrt(new2)
        if now < 0.5:
            if flat or old2 == 0.0:
                return False
            ax, ay, az = bx + (ox + ex) / 3.0, by + (oy + ey) / 3.0, bz + (oz + ez) / 3.0
            was = mesh.outward[row] * _facing(table, row, ax, ay, az, onx, ony, onz) / np.sqrt(old2)
            if was >= 0.5 or now < was - _TURNED_MORE:
                return False
        if sag < np.inf and _sags(table, row, (bx, by, bz), (tx, ty, tz), (ex, ey, ez), sag):
            return False
    return True


@njit(cache=True, borrowing=True)
def link_condition_holds(faces: Ints, border: Bytes, degree: Ints, edge: Edge, stamp: Ints, mark: int) -> bool:
    """The link condition of an edge (Dey et al. 1999), and that both ends are proper (half) discs.

    degree (n,) facets round each vertex; stamp (n,) working memory, which gets the marks mark to mark + 2.
    """
    u, v, of_u, of_v = edge
    nu, nv = len(of_u), len(of_v)
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


@njit(cache=True, borrowing=True)
def merge_vertices(vertices: Vertices, u: int, v: int, x: Floats) -> None:
    """Let v take over from u at x: place, quadric, carriers and border."""
    points, q, carriers, border = vertices
    _, c0, c1, c2 = _union(carriers, u, v)
    for end in range(2):
        w = u if end == 0 else v
        dx, dy, dz = x[0] - points[w, 0], x[1] - points[w, 1], x[2] - points[w, 2]
        a = q[w]
        value = max(_error(a, dx, dy, dz), 0.0)
        a[6] += a[0] * dx + a[1] * dy + a[2] * dz
        a[7] += a[1] * dx + a[3] * dy + a[4] * dz
        a[8] += a[2] * dx + a[4] * dy + a[5] * dz
        a[9] = value
    for i in range(10):
        q[v, i] += q[u, i]
    carriers[v, 0], carriers[v, 1], carriers[v, 2] = c0, c1, c2
    border[v] = max(border[u], border[v])
    points[v, 0], points[v, 1], points[v, 2] = x[0], x[1], x[2]


@njit(cache=True, borrowing=True)
def merge_facets(faces: Ints, degree: Ints, edge: Edge) -> int:
    """Give u's facets v for a corner, take those away that had both, keep the degrees (n,); how many went."""
    u, v, of_u, _ = edge
    gone = 0
    for s in range(len(of_u)):
        f = of_u[s]
        if faces[f, 0] == v or faces[f, 1] == v or faces[f, 2] == v:
            for k in range(3):
                degree[faces[f, k]] -= 1
            faces[f, 0] = ~faces[f, 0]
            gone += 1
        else:
            for k in range(3):
                if faces[f, k] == u:
                    faces[f, k] = v
    degree[v] += degree[u]
    return gone


@njit(cache=True)
def close_ranks(
    mesh: CollapseArrays, still: Bytes, origin: Bytes, n: int, m: int, into: Ints, parent: Ints
) -> tuple[int, int]:
    """Move the vertices and facets that are left to the front, in order; how many of each.

    n, m    how many there were
    into    (n,) the vertex that took over from each since the last time, below 0 none
    parent  (n0,) vertex that stands for each one of the start, kept up to date; empty where nobody asks
    """
    points, q, carriers, border = mesh.vertices
    faces, label = mesh.faces, mesh.label
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
    kept = 0
    for i in range(n):
        if not used[i]:
            continue
        index[i] = kept
        for k in range(3):
            points[kept, k] = points[i, k]
            carriers[kept, k] = carriers[i, k]
        for k in range(10):
            q[kept, k] = q[i, k]
        border[kept] = border[i]
        still[kept] = still[i]
        kept += 1
    for f in range(facets):
        for k in range(3):
            faces[f, k] = index[faces[f, k]]
    for i in range(len(parent)):
        p = parent[i]
        if p >= 0:
            if into[p] >= 0:
                p = into[p]
            parent[i] = index[p]
    return kept, facets
