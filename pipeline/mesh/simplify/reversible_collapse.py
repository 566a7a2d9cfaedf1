"""The last stretch of a collapse: the cheapest edge first, and every step can be taken back.

A step (u into v) is written down with what it overwrote. It is taken back once all later steps that
touched its facets are: few, since steps that follow each other lie far apart.

Points of a dense mesh can be held: none may come to lie farther from the surface than its reach, nor
the surface from the dense facets round it. They hang on the facet that is nearest to each.

Working memory: about 190 bytes for each facet that the stretch begins with, and as much again for each
one it takes away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit, prange
from pipeline.mesh.query import nearest_on_facet, self_intersections
from pipeline.mesh.repair import folded_facets
from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.collapse_rules import MOST, compact, corners_of, facets_stay_good, link_holds, merge, place
from pipeline.mesh.simplify.heap import down, up

# Where on a new facet its distance is looked at, as shares of the three corners; the first corner once only.
_PLACES = (
    np.array([[6, 0, 0], [3, 3, 0], [3, 0, 3], [2, 2, 2], [4, 1, 1], [1, 4, 1], [1, 1, 4]], dtype=np.float64) / 6.0
)
# Steps and facets of steps that there is room for at the start, for each vertex.
_POOL = 16


@dataclass(frozen=True)
class HeldPoints:
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


class _Mesh(NamedTuple):
    points: NDArray
    faces: NDArray
    quadrics: NDArray
    carriers: NDArray
    border: NDArray
    label: NDArray
    table: NDArray


class _Rings(NamedTuple):
    """Corners 3 f + k of each vertex as chains, and the state of vertices and facets.

    version  (n,) of a vertex, one more with each step that moved it
    frozen   (n,) vertices that no step may take
    last     (m,) the step that touched a facet last, -1 none
    touched  (m,) facets that changed since somebody set this to 0
    """

    head: NDArray
    following: NDArray
    degree: NDArray
    version: NDArray
    frozen: NDArray
    last: NDArray
    touched: NDArray


class _Held(NamedTuple):
    dense: NDArray
    dense_faces: NDArray
    dense_first: NDArray
    dense_facets: NDArray
    which: NDArray
    inner: NDArray
    reach2: NDArray
    first_point: NDArray
    next_point: NDArray


class _Steps(NamedTuple):
    """What each step overwrote; facets of u, then of v, are facets[ends[i] : ends[i + 1]]."""

    u: NDArray
    v: NDArray
    of_u: NDArray
    ends: NDArray
    point: NDArray
    quadric_u: NDArray
    quadric_v: NDArray
    carriers: NDArray
    border: NDArray
    facets: NDArray
    last: NDArray


class _Heap(NamedTuple):
    cost: NDArray
    a: NDArray
    b: NDArray
    when: NDArray


# Places in the array of counts that the kernels share.
_SIZE, _STEPS, _ALIVE = range(3)


class ReversibleCollapse:
    """Steps over a work, forth and back. The work's arrays are in disorder until `done`.

    A leash needs a work that remembers parents and was swept within it.
    """

    def __init__(self, work: CollapseMesh, leash: HeldPoints | None = None) -> None:
        n, m = len(work.points), len(work.faces)
        self._work = work
        self._sag = np.inf if leash is None else leash.sag
        self._mesh = _Mesh(work.points, work.faces, work.quadrics, work.carriers, work.border, work.label, work.table)
        self._rings = _Rings(
            np.full(n, -1, dtype=np.int32), np.full(3 * m, -1, dtype=np.int32), np.zeros(n, dtype=np.int32),
            np.zeros(n, dtype=np.int32), np.zeros(n, dtype=np.uint8), np.full(m, -1, dtype=np.int32),
            np.ones(m, dtype=np.uint8),
        )  # fmt: skip
        _begin_rings(work.faces, self._rings)
        self._held = self._hang(leash, n, m)
        self._steps = _steps(n, _POOL * n + 4 * MOST)
        room = 3 * m + 1024
        self._heap = _Heap(
            np.empty(room), np.empty(room, dtype=np.int32), np.empty(room, dtype=np.int32),
            np.empty(room, dtype=np.int32),
        )  # fmt: skip
        self._counts = np.array([0, 0, m], dtype=np.int64)
        self._crossing = np.empty((0, 2), dtype=np.int32)

    def _hang(self, leash: HeldPoints | None, n: int, m: int) -> _Held:
        work = self._work
        if leash is None:
            none, nothing = np.empty((0, 3), dtype=np.int32), np.empty(0, dtype=np.int32)
            return _Held(
                np.empty((0, 3)), none, nothing, nothing, nothing, np.empty(0, dtype=np.bool_), np.empty(0),
                nothing, nothing,
            )  # fmt: skip
        first, corners = corners_of(work.faces, n, m)
        at = _nearest(
            work.points, work.faces, first, corners, leash.vertices, leash.which, work.parent[leash.which]
        )  # fmt: skip
        dense_first, dense_facets = corners_of(leash.faces, len(leash.vertices), len(leash.faces))
        first_point, next_point = _chains(at, m)
        return _Held(
            leash.vertices, leash.faces, dense_first, dense_facets, leash.which, leash.inner, leash.reach**2,
            first_point, next_point,
        )  # fmt: skip

    @property
    def facets(self) -> int:
        """How many are left."""
        return int(self._counts[_ALIVE])

    def alive(self) -> NDArray[np.int32]:
        """Indices of the facets that are left; they stay the same until `done`."""
        return np.flatnonzero(self._work.faces[:, 0] >= 0).astype(np.int32)

    def changed(self) -> NDArray[np.bool_]:
        """(m,) facets that changed or went since the last call; all of them at the first."""
        out = self._rings.touched.astype(np.bool_)
        self._rings.touched[:] = 0
        return out

    def crossing(self, changed: NDArray[np.bool_]) -> NDArray[np.int32]:
        """Facets that pass through another one; `changed` (m,) are those that changed since the last call."""
        alive = self.alive()
        found = alive[self_intersections(self._work.points, self._work.faces[alive], changed[alive])]
        self._crossing = np.vstack([self._crossing[~changed[self._crossing].any(axis=1)], found])
        return np.unique(self._crossing)

    def folded(self) -> NDArray[np.int32]:
        """Facets without a carrier that lie turned over in their surroundings."""
        alive = self.alive()
        folded = folded_facets(self._work.points, self._work.faces[alive])
        return alive[folded & (self._work.label[alive] < 0)]

    def collapse(self, facets: int, near: NDArray | None = None) -> None:
        """Collapse the cheapest edge first until `facets` are left or no edge may go.

        near  (n,) only edges with an end among these vertices begin; all by default
        """
        chosen = np.ones(len(self._work.points), dtype=np.bool_) if near is None else near
        _fill(self._mesh, self._rings, chosen, self._heap, self._counts)
        while not _run(
            self._mesh, self._rings, self._held, self._sag, self._steps, self._heap, self._counts, facets
        ):  # fmt: skip
            self._steps = _longer(self._steps)

    def hold_closer(self, dense: NDArray[np.bool_], share: float) -> None:
        """Shorten the reach of held points among the vertices (n0,) of the dense mesh to a share of itself."""
        self._held.reach2[dense[self._held.which]] *= share**2

    def take_back(self, facets: NDArray, freeze: NDArray) -> tuple[NDArray[np.bool_], NDArray[np.int32]]:
        """Take back the last step that touched each of these facets (k,), where there is one.

        freeze  (k,) bool: no step may take the two vertices of that step any more
        Returns the vertices (n,) whose edges may have become possible, and the facets with no step to take back.
        """
        near = np.zeros(len(self._work.points), dtype=np.bool_)
        stuck = _take_back(
            self._mesh, self._rings, self._held, self._steps, self._counts, facets.astype(np.int32),
            freeze.astype(np.bool_), near,
        )  # fmt: skip
        return near, facets[stuck]

    def done(self) -> None:
        """Put the work's arrays in order again."""
        work = self._work
        nobody = np.empty(0, dtype=np.int32)
        n, m = compact(
            work.points, work.faces, work.quadrics, work.carriers, work.border, work.still, work.label, work.origin,
            len(work.points), len(work.faces), nobody, nobody,
        )  # fmt: skip
        work.parent = nobody
        work.cut(n, m)


def _steps(steps: int, facets: int) -> _Steps:
    return _Steps(
        np.empty(steps, dtype=np.int32), np.empty(steps, dtype=np.int32), np.empty(steps, dtype=np.int32),
        np.zeros(steps + 1, dtype=np.int64), np.empty((steps, 3)), np.empty((steps, 10)), np.empty((steps, 10)),
        np.empty((steps, 3), dtype=np.int16), np.empty(steps, dtype=np.uint8),
        np.empty(facets, dtype=np.int32), np.empty(facets, dtype=np.int32),
    )  # fmt: skip


def _longer(steps: _Steps) -> _Steps:
    out = _steps(2 * len(steps.u) + MOST, 2 * len(steps.facets) + 4 * MOST)
    for old, new in zip(steps, out, strict=True):
        new[: len(old)] = old
    return out


@njit(cache=True)
def _begin_rings(faces: NDArray, rings: _Rings) -> None:
    for f in range(len(faces)):
        for k in range(3):
            v = faces[f, k]
            rings.following[3 * f + k] = rings.head[v]
            rings.head[v] = 3 * f + k
            rings.degree[v] += 1


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
def _chains(at: NDArray, m: int) -> tuple[NDArray, NDArray]:
    first = np.full(m, -1, dtype=np.int32)
    following = np.full(len(at), -1, dtype=np.int32)
    for i in range(len(at)):
        following[i] = first[at[i]]
        first[at[i]] = i
    return first, following


@njit(cache=True)
def _round(faces: NDArray, rings: _Rings, v: int, out: NDArray) -> int:
    """Facets of v by its chain of corners; dead ones are taken out on the way. -1: more than fit."""
    count = 0
    previous = -1
    c = rings.head[v]
    while c >= 0:
        after = rings.following[c]
        if faces[c // 3, 0] < 0:
            if previous < 0:
                rings.head[v] = after
            else:
                rings.following[previous] = after
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
    mesh: _Mesh, held: _Held, u: int, v: int, x: NDArray, of_u: NDArray, nu: int, of_v: NDArray, nv: int,
    corner: NDArray, who: NDArray, moved: NDArray, onto: NDArray,
) -> tuple[int, int]:  # fmt: skip
    """How many held points hang on the facets round u and v, with the facet each goes to; -1 if one is too far.

    Second, how many facets there will be: `who`, with their corners (x first) in `corner`.
    """
    points, faces = mesh.points, mesh.faces
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
            p = held.first_point[f]
            while p >= 0:
                best = np.inf
                where = -1
                enough = 0.05 * held.reach2[p]
                w = held.which[p]
                px, py, pz = held.dense[w, 0], held.dense[w, 1], held.dense[w, 2]
                for t in range(kept):
                    c = corner[t]
                    nx, ny, nz = nearest_on_facet(px, py, pz, c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8])
                    d2 = (px - nx) ** 2 + (py - ny) ** 2 + (pz - nz) ** 2
                    if d2 < best:
                        best = d2
                        where = t
                        if d2 <= enough:
                            break
                if best > held.reach2[p]:
                    return -1, kept
                moved[count] = p
                onto[count] = who[where]
                count += 1
                p = held.next_point[p]
    return count, kept


@njit(cache=True)
def _near_dense(x: float, y: float, z: float, on_carrier: bool, held: _Held, moved: NDArray, hanging: int) -> bool:
    """Whether a point is within reach of the dense facets round the held point that is nearest to it."""
    best = np.inf
    p = -1
    for s in range(hanging):
        w = held.which[moved[s]]
        d2 = (x - held.dense[w, 0]) ** 2 + (y - held.dense[w, 1]) ** 2 + (z - held.dense[w, 2]) ** 2
        if d2 < best:
            best = d2
            p = moved[s]
    if best <= held.reach2[p] or (on_carrier and held.inner[p]):
        return True
    w = held.which[p]
    for s in range(held.dense_first[w], held.dense_first[w + 1]):
        f = held.dense_facets[s]
        i, j, k = held.dense_faces[f, 0], held.dense_faces[f, 1], held.dense_faces[f, 2]
        a, b, c = held.dense[i], held.dense[j], held.dense[k]
        nx, ny, nz = nearest_on_facet(x, y, z, a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2])
        if (x - nx) ** 2 + (y - ny) ** 2 + (z - nz) ** 2 <= held.reach2[p]:
            return True
    return False


@njit(cache=True)
def _facets_stay_near(
    mesh: _Mesh, held: _Held, corner: NDArray, who: NDArray, kept: int, moved: NDArray, hanging: int
) -> bool:  # fmt: skip
    """Whether the new facets are near the dense mesh: at the vertex, on both new edges, in the middle.

    The extent of a carrier is not bounded, so a labelled facet too must be where the dense face is.
    """
    for t in range(kept):
        c = corner[t]
        on_carrier = mesh.label[who[t]] >= 0
        for s in range(0 if t == 0 else 1, len(_PLACES)):
            g, h, k = _PLACES[s, 0], _PLACES[s, 1], _PLACES[s, 2]
            x = g * c[0] + h * c[3] + k * c[6]
            y = g * c[1] + h * c[4] + k * c[7]
            z = g * c[2] + h * c[5] + k * c[8]
            if not _near_dense(x, y, z, on_carrier, held, moved, hanging):
                return False
    return True


@njit(cache=True)
def _fill(mesh: _Mesh, rings: _Rings, chosen: NDArray, heap: _Heap, counts: NDArray) -> None:
    x = np.empty(3)
    size = 0
    for f in range(len(mesh.faces)):
        if mesh.faces[f, 0] < 0:
            continue
        for k in range(3):
            u, v = mesh.faces[f, k], mesh.faces[f, (k + 1) % 3]
            if (u > v and not (mesh.border[u] and mesh.border[v])) or not (chosen[u] or chosen[v]):
                continue
            if rings.frozen[u] or rings.frozen[v]:
                continue
            price, _ = place(mesh.points, mesh.quadrics, mesh.carriers, mesh.border, mesh.table, u, v, True, x)
            if price < np.inf:
                heap.cost[size], heap.a[size], heap.b[size] = price, u, v
                heap.when[size] = rings.version[u] + rings.version[v]
                size += 1
    for i in range(size // 2 - 1, -1, -1):
        down(heap.cost, heap.a, heap.b, heap.when, size, i)
    counts[_SIZE] = size


@njit(cache=True)
def _run(
    mesh: _Mesh, rings: _Rings, held: _Held, sag: float, steps: _Steps, heap: _Heap, counts: NDArray, target: int
) -> bool:  # fmt: skip
    """CollapseMesh the heap off; False when there is no room for another step."""
    points, faces, q, carriers, border = mesh.points, mesh.faces, mesh.quadrics, mesh.carriers, mesh.border
    cost, a, b, when = heap
    stamp = np.zeros(len(points), dtype=np.int32)
    mark = 1
    x = np.empty(3)
    of_u = np.empty(MOST, dtype=np.int32)
    of_v = np.empty(MOST, dtype=np.int32)
    tracked = len(held.which) > 0
    corner = np.empty((2 * MOST if tracked else 1, 9))
    who = np.empty(2 * MOST if tracked else 1, dtype=np.int32)
    moved = np.empty(max(len(held.which), 1), dtype=np.int32)
    onto = np.empty(max(len(held.which), 1), dtype=np.int32)
    size = counts[_SIZE]
    while size > 0 and counts[_ALIVE] > target:
        step = counts[_STEPS]
        if step >= len(steps.u) or steps.ends[step] + 2 * MOST > len(steps.facets):
            counts[_SIZE] = size
            return False
        u, v, then = a[0], b[0], when[0]
        size -= 1
        cost[0], a[0], b[0], when[0] = cost[size], a[size], b[size], when[size]
        down(cost, a, b, when, size, 0)
        if rings.version[u] + rings.version[v] != then or rings.frozen[u] or rings.frozen[v]:
            continue
        nu = _round(faces, rings, u, of_u)
        nv = _round(faces, rings, v, of_v)
        if nu <= 0 or nv <= 0:
            continue
        mark += 3
        if not link_holds(faces, border, rings.degree, u, v, of_u, nu, of_v, nv, stamp, mark):
            continue
        place(points, q, carriers, border, mesh.table, u, v, True, x)
        if not facets_stay_good(points, faces, mesh.label, mesh.table, of_u, nu, u, v, x, sag):
            continue
        if not facets_stay_good(points, faces, mesh.label, mesh.table, of_v, nv, u, v, x, sag):
            continue
        hanging = 0
        if tracked:
            hanging, kept = _points_stay_near(mesh, held, u, v, x, of_u, nu, of_v, nv, corner, who, moved, onto)
            if hanging < 0:
                continue
            if hanging > 0 and not _facets_stay_near(mesh, held, corner, who, kept, moved, hanging):
                continue
        _write_down(mesh, rings, steps, step, u, v, of_u, nu, of_v, nv)
        counts[_STEPS] += 1
        merge(points, q, carriers, border, u, v, x)
        if tracked:
            for s in range(nu):
                held.first_point[of_u[s]] = -1
            for s in range(nv):
                held.first_point[of_v[s]] = -1
            for s in range(hanging):
                held.next_point[moved[s]] = held.first_point[onto[s]]
                held.first_point[onto[s]] = moved[s]
        for s in range(nu):
            f = of_u[s]
            if faces[f, 0] == v or faces[f, 1] == v or faces[f, 2] == v:
                for k in range(3):
                    rings.degree[faces[f, k]] -= 1
                faces[f, 0] = ~faces[f, 0]
                counts[_ALIVE] -= 1
            else:
                for k in range(3):
                    if faces[f, k] == u:
                        faces[f, k] = v
        rings.degree[v] += rings.degree[u]
        # Hang u's corners behind v's.
        c = rings.head[v]
        if c < 0:
            rings.head[v] = rings.head[u]
        else:
            while rings.following[c] >= 0:
                c = rings.following[c]
            rings.following[c] = rings.head[u]
        rings.head[u] = -1
        rings.version[u] += 1
        rings.version[v] += 1
        nv = _round(faces, rings, v, of_v)
        if nv < 0:
            continue
        if size + 2 * nv + 2 >= len(cost):
            valid = 0
            for i in range(size):
                if rings.version[a[i]] + rings.version[b[i]] == when[i]:
                    cost[valid], a[valid], b[valid], when[valid] = cost[i], a[i], b[i], when[i]
                    valid += 1
            size = valid
            for i in range(size // 2 - 1, -1, -1):
                down(cost, a, b, when, size, i)
        mark += 3
        for s in range(nv):
            for k in range(3):
                w = faces[of_v[s], k]
                if w == v or stamp[w] == mark:
                    continue
                stamp[w] = mark
                price, _ = place(points, q, carriers, border, mesh.table, v, w, True, x)
                if price < np.inf and size < len(cost):
                    cost[size], a[size], b[size] = price, v, w
                    when[size] = rings.version[v] + rings.version[w]
                    up(cost, a, b, when, size)
                    size += 1
    counts[_SIZE] = 0
    return True


@njit(cache=True)
def _write_down(
    mesh: _Mesh, rings: _Rings, steps: _Steps, step: int, u: int, v: int, of_u: NDArray, nu: int, of_v: NDArray, nv: int
) -> None:  # fmt: skip
    steps.u[step], steps.v[step], steps.of_u[step] = u, v, nu
    steps.border[step] = mesh.border[v]
    for k in range(3):
        steps.point[step, k] = mesh.points[v, k]
        steps.carriers[step, k] = mesh.carriers[v, k]
    for k in range(10):
        steps.quadric_u[step, k] = mesh.quadrics[u, k]
        steps.quadric_v[step, k] = mesh.quadrics[v, k]
    at = steps.ends[step]
    for s in range(nu + nv):
        f = of_u[s] if s < nu else of_v[s - nu]
        steps.facets[at + s] = f
        steps.last[at + s] = rings.last[f]
    for s in range(nu + nv):
        f = of_u[s] if s < nu else of_v[s - nu]
        rings.last[f] = step
        rings.touched[f] = 1
    steps.ends[step + 1] = at + nu + nv


@njit(cache=True)
def _take_back(
    mesh: _Mesh, rings: _Rings, held: _Held, steps: _Steps, counts: NDArray, facets: NDArray, freeze: NDArray,
    near: NDArray,
) -> NDArray:  # fmt: skip
    """Undo what touched each facet last; (k,) where there was nothing to undo."""
    stuck = np.zeros(len(facets), dtype=np.bool_)
    moved = np.empty(max(len(held.which), 1), dtype=np.int32)
    asked = np.empty(len(facets), dtype=np.int32)
    for i in range(len(facets)):
        asked[i] = rings.last[facets[i]]
        stuck[i] = asked[i] < 0
    pending = np.empty(counts[_STEPS] + 1, dtype=np.int32)
    for i in range(len(facets)):
        # Undone already on behalf of another facet?
        if asked[i] < 0 or rings.last[facets[i]] < asked[i]:
            continue
        if freeze[i]:
            rings.frozen[steps.u[asked[i]]] = 1
            rings.frozen[steps.v[asked[i]]] = 1
        count = 1
        pending[0] = asked[i]
        while count > 0:
            step = pending[count - 1]
            later = -1
            for s in range(steps.ends[step], steps.ends[step + 1]):
                later = max(later, rings.last[steps.facets[s]])
            if later > step:
                pending[count] = later
                count += 1
                continue
            _undo(mesh, rings, held, steps, step, counts, moved, near)
            count -= 1
    return stuck


@njit(cache=True)
def _undo(
    mesh: _Mesh, rings: _Rings, held: _Held, steps: _Steps, step: int, counts: NDArray, moved: NDArray, near: NDArray
) -> None:  # fmt: skip
    faces = mesh.faces
    u, v = steps.u[step], steps.v[step]
    low, split, high = steps.ends[step], steps.ends[step] + steps.of_u[step], steps.ends[step + 1]
    hanging = 0
    if len(held.which) > 0:
        for s in range(low, high):
            f = steps.facets[s]
            p = held.first_point[f]
            while p >= 0:
                moved[hanging] = p
                hanging += 1
                p = held.next_point[p]
            held.first_point[f] = -1
    rings.degree[v] -= rings.degree[u]
    for s in range(low, split):
        f = steps.facets[s]
        if faces[f, 0] < 0:
            faces[f, 0] = ~faces[f, 0]
            counts[_ALIVE] += 1
            for k in range(3):
                w = faces[f, k]
                rings.degree[w] += 1
                if w != u and w != v:
                    _chain(rings, w, 3 * f + k)
        else:
            for k in range(3):
                if faces[f, k] == v:
                    faces[f, k] = u
    for k in range(3):
        mesh.points[v, k] = steps.point[step, k]
        mesh.carriers[v, k] = steps.carriers[step, k]
    for k in range(10):
        mesh.quadrics[u, k] = steps.quadric_u[step, k]
        mesh.quadrics[v, k] = steps.quadric_v[step, k]
    mesh.border[v] = steps.border[step]
    rings.head[u] = -1
    rings.head[v] = -1
    for s in range(low, high):
        f = steps.facets[s]
        end = u if s < split else v
        for k in range(3):
            if faces[f, k] == end:
                rings.following[3 * f + k] = rings.head[end]
                rings.head[end] = 3 * f + k
            near[faces[f, k]] = True
        rings.last[f] = steps.last[s]
        rings.touched[f] = 1
    rings.version[u] += 1
    rings.version[v] += 1
    for i in range(hanging):
        p = moved[i]
        x, y, z = held.dense[held.which[p], 0], held.dense[held.which[p], 1], held.dense[held.which[p], 2]
        best = np.inf
        where = -1
        for s in range(low, high):
            f = steps.facets[s]
            a, b, c = mesh.points[faces[f, 0]], mesh.points[faces[f, 1]], mesh.points[faces[f, 2]]
            nx, ny, nz = nearest_on_facet(x, y, z, a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2])
            d2 = (x - nx) ** 2 + (y - ny) ** 2 + (z - nz) ** 2
            if d2 < best:
                best = d2
                where = f
        held.next_point[p] = held.first_point[where]
        held.first_point[where] = p


@njit(cache=True)
def _chain(rings: _Rings, vertex: int, corner: int) -> None:
    """Put a corner into the chain of its vertex unless it is still there."""
    c = rings.head[vertex]
    while c >= 0:
        if c == corner:
            return
        c = rings.following[c]
    rings.following[corner] = rings.head[vertex]
    rings.head[vertex] = corner
