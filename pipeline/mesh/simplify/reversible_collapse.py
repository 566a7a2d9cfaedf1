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

from pipeline.geometry import Bytes, Floats, Ints, Longs, Mask, Point, Shorts
from pipeline.jit import njit, prange
from pipeline.mesh.query import nearest_on, nearest_on_facet, point_at, self_intersections, square_distance
from pipeline.mesh.repair import folded_facets
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
    moving_first,
)
from pipeline.mesh.simplify.heap import Heap, heapify, pop, sift_up
from pipeline.mesh.topology import facet_areas, vertex_facets

# Where on a new facet its distance is looked at, as shares of the three corners; the first corner once only.
_PLACES = (
    np.array([[6, 0, 0], [3, 3, 0], [3, 0, 3], [2, 2, 2], [4, 1, 1], [1, 4, 1], [1, 1, 4]], dtype=np.float64) / 6.0
)
# As a cosine: a facet that is turned farther from its carrier stands on edge there.
_ON_EDGE = 0.2
# Steps and facets of steps that there is room for at the start, for each vertex.
_POOL = 16


@dataclass(frozen=True)
class HeldPoints:
    """Points of a dense mesh that the surface may not leave.

    vertices, faces  the dense mesh, (n0, 3) mm and (m0, 3)
    which            (k,) int32: its vertices that are held
    inner            (k,) bool: those inside a carrier's face, round which labelled facets need no proof
    reach            (k,) mm: how far each may come to lie from the surface, and the surface from the
                     dense facets round it
    sag              mm: how far a facet on a curved carrier may lie from it
    outside          (k,) mm: how far each may come to lie outside the surface; as `reach` unless it is given
    """

    vertices: Floats
    faces: Ints
    which: Ints
    inner: Mask
    reach: Floats
    sag: float
    outside: Floats | None = None


class _Rings(NamedTuple):
    """Corners 3 f + k of each vertex as chains, and the state of vertices and facets.

    head       (n,) first corner of each vertex's chain; following (3 m,) the next one, -1 none
    degree     (n,) facets round each vertex
    version    (n,) of a vertex, one more with each step that moved it
    frozen     (n,) vertices that no step may take
    last       (m,) the step that touched a facet last, -1 none
    touched    (m,) facets that changed since somebody set this to 0
    """

    head: Ints
    following: Ints
    degree: Ints
    version: Ints
    frozen: Bytes
    last: Ints
    touched: Bytes


class _Held(NamedTuple):
    """Held points `which` (k,) of the dense mesh, and the chains of those that hang on each facet.

    dense_first (n0 + 1,), dense_facets: the dense facets round each dense vertex
    reach2      (k,) mm2, square of the reach; inner (k,) as in `HeldPoints`
    outside2    (k,) mm2, square of how far a point may come to lie outside the surface
    first_point (m,), next_point (k,): the chains
    """

    dense: Floats
    dense_faces: Ints
    dense_first: Ints
    dense_facets: Ints
    which: Ints
    inner: Mask
    reach2: Floats
    outside2: Floats
    first_point: Ints
    next_point: Ints


class _Steps(NamedTuple):
    """What each step (u into v) overwrote.

    Its facets, of_u of them round u and then those round v, are facets[ends[i] : ends[i + 1]], and `last` the step
    that had touched each of them before.
    """

    u: Ints
    v: Ints
    of_u: Ints
    ends: Longs
    point: Floats
    quadric_u: Floats
    quadric_v: Floats
    carriers: Shorts
    border: Bytes
    facets: Ints
    last: Ints


class _Scratch(NamedTuple):
    """Working memory of one step.

    stamp (n,) marks of vertices; x (3,) where the vertex goes
    corner (k, 9), who (k,): the new facets, the corner at x first
    moved (h,), onto (h,): held points that hang on the old ones, and the new facet for each
    """

    stamp: Ints
    x: Floats
    corner: Floats
    who: Ints
    moved: Ints
    onto: Ints


# Places in the array of counts that the kernels share.
_SIZE, _STEPS, _ALIVE = range(3)


class ReversibleCollapse:
    """Steps over a work, forth and back. The work's arrays are in disorder until `done`.

    Held points need a work that remembers parents and was swept within their reach.

    >>> from pipeline.mesh.simplify import start_collapse
    >>> v = np.array([*np.ndindex(5, 5, 1)], float)
    >>> a = np.array([*np.ndindex(4, 4)]) @ [[5], [1]]
    >>> f = np.vstack([a + [0, 5, 6], a + [0, 6, 1]]).astype(np.int32)
    >>> free, none = np.full((25, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(32, -1, np.int32), np.zeros(32, np.uint8), free, none)
    >>> steps = ReversibleCollapse(work)
    >>> steps.collapse(30)
    >>> near, stuck = steps.take_back(steps.alive()[:0], np.empty(0, bool))
    >>> steps.facets, near.any().item(), len(stuck), len(steps.crossing(steps.changed()))
    (30, False, 0, 0)
    >>> steps.done()
    >>> len(work.faces)
    30
    """

    def __init__(self, work: CollapseMesh, points: HeldPoints | None = None) -> None:
        n, m = len(work.points), len(work.faces)
        self._work = work
        self._sag = np.inf if points is None else float(points.sag)
        self._mesh = work.arrays
        self._rings = _Rings(
            np.full(n, -1, dtype=np.int32), np.full(3 * m, -1, dtype=np.int32), np.zeros(n, dtype=np.int32),
            np.zeros(n, dtype=np.int32), np.zeros(n, dtype=np.uint8), np.full(m, -1, dtype=np.int32),
            np.ones(m, dtype=np.uint8),
        )  # fmt: skip
        _begin_rings(work.faces, self._rings)
        self._held = self._hang(points)
        self._steps = _steps(n, _POOL * n + 4 * MOST)
        room = 3 * m + 1024
        self._heap = Heap(
            np.empty(room), np.empty(room, dtype=np.int32), np.empty(room, dtype=np.int32),
            np.empty(room, dtype=np.int32),
        )  # fmt: skip
        self._counts = np.array([0, 0, m], dtype=np.int64)
        self._crossing = np.empty((0, 2), dtype=np.int32)

    def _hang(self, points: HeldPoints | None) -> _Held:
        work = self._work
        if points is None:
            none, nothing = np.empty((0, 3), dtype=np.int32), np.empty(0, dtype=np.int32)
            return _Held(
                np.empty((0, 3)), none, nothing, nothing, nothing, np.empty(0, dtype=np.bool_), np.empty(0),
                np.empty(0), nothing, nothing,
            )  # fmt: skip
        first, facets = vertex_facets(work.faces, len(work.points))
        dense, which = points.vertices, points.which
        at = _nearest(work.points, work.faces, first, facets, dense[which], work.parent[which])
        dense_first, dense_facets = vertex_facets(points.faces, len(dense))
        first_point, next_point = _chains(at, len(work.faces))
        outside = points.reach if points.outside is None else points.outside
        return _Held(
            dense, points.faces, dense_first, dense_facets, which, points.inner, points.reach**2, outside**2,
            first_point, next_point,
        )  # fmt: skip

    @property
    def facets(self) -> int:
        """How many are left."""
        return int(self._counts[_ALIVE])

    def alive(self) -> Ints:
        """Indices of the facets that are left; they stay the same until `done`."""
        return np.flatnonzero(self._work.faces[:, 0] >= 0).astype(np.int32)

    def changed(self) -> Mask:
        """(m,) facets that changed or went since the last call; all of them at the first."""
        out = self._rings.touched.astype(np.bool_)
        self._rings.touched[:] = 0
        return out

    def crossing(self, changed: Mask) -> Ints:
        """Facets that pass through another one; `changed` (m,) are those that changed since the last call."""
        alive = self.alive()
        found = alive[self_intersections(self._work.points, self._work.faces[alive], changed[alive])]
        self._crossing = np.vstack([self._crossing[~changed[self._crossing].any(axis=1)], found])
        return np.unique(self._crossing)

    def folded(self) -> Ints:
        """Facets without a carrier that lie turned over in their surroundings."""
        alive = self.alive()
        folded = folded_facets(self._work.points, self._work.faces[alive])
        return alive[folded & (self._work.label[alive] < 0)]

    def turned(self) -> Ints:
        """Facets that lie turned over on their carriers, or stand on edge there."""
        work, alive = self._work, self.alive()
        label = work.label[alive]
        along = facets_on_carriers(work.points, work.faces[alive], label, work.table)
        carried = label >= 0
        along[carried] *= work.outward[label[carried]]
        area = facet_areas(work.points, work.faces[alive])
        return alive[carried & (along < 2.0 * _ON_EDGE * area)]

    def collapse(self, facets: int, near: Mask | None = None) -> None:
        """Collapse the cheapest edge first until `facets` are left or no edge may go.

        near  (n,) only edges with an end among these vertices begin; all by default
        """
        chosen = np.ones(len(self._work.points), dtype=np.bool_) if near is None else near
        _fill(self._mesh, self._rings, chosen, self._heap, self._counts)
        while not _run(
            self._mesh, self._rings, self._held, self._sag, self._steps, self._heap, self._counts, facets
        ):  # fmt: skip
            self._steps = _longer(self._steps)

    def hold_closer(self, dense: Mask, share: float) -> None:
        """Shorten the reach of held points among the vertices (n0,) of the dense mesh to a share of itself."""
        which = dense[self._held.which]
        self._held.reach2[which] *= share**2
        self._held.outside2[which] *= share**2

    def take_back(self, facets: Ints, freeze: Mask) -> tuple[Mask, Ints]:
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
        n, m = close_ranks(
            self._mesh, work.still, work.origin, len(work.points), len(work.faces), nobody, nobody
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
    for name in _Steps._fields:
        old = getattr(steps, name)
        getattr(out, name)[: len(old)] = old
    return out


@njit(cache=True)
def _begin_rings(faces: Ints, rings: _Rings) -> None:
    for f in range(len(faces)):
        for k in range(3):
            v = faces[f, k]
            rings.following[3 * f + k] = rings.head[v]
            rings.head[v] = 3 * f + k
            rings.degree[v] += 1


@njit(cache=True)
def _nearest_round(q: Point, points: Floats, faces: Ints, first: Ints, facets: Ints, v: int) -> int:
    """Of the facets round vertex v and round its neighbours, the one nearest to q."""
    best = np.inf
    where = -1
    for s in range(first[v], first[v + 1]):
        for e in range(3):
            w = faces[facets[s], e]
            for t in range(first[w], first[w + 1]):
                d2 = square_distance(q, nearest_on(q, points, faces, facets[t]))
                if d2 < best:
                    best = d2
                    where = facets[t]
    return where


@njit(cache=True, parallel=True)
def _nearest(points: Floats, faces: Ints, first: Ints, facets: Ints, dense: Floats, vertex: Ints) -> Ints:
    """For each dense point (k, 3) the nearest of the facets round a vertex (k,) and round its neighbours."""
    out = np.empty(len(dense), dtype=np.int32)
    for i in prange(len(dense)):
        out[i] = _nearest_round(point_at(dense, i), points, faces, first, facets, vertex[i])
    return out


@njit(cache=True)
def _chains(at: Ints, m: int) -> tuple[Ints, Ints]:
    """Chains of the points (k,) that hang on each of m facets: the first of each facet, the next of each point."""
    first = np.full(m, -1, dtype=np.int32)
    following = np.full(len(at), -1, dtype=np.int32)
    for i in range(len(at)):
        following[i] = first[at[i]]
        first[at[i]] = i
    return first, following


@njit(cache=True)
def _round(faces: Ints, rings: _Rings, v: int, out: Ints) -> int:
    """Facets of v by its chain of corners; dead ones are taken out on the way. -1: more than fit."""
    head, following = rings.head, rings.following
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
def _new_facets(mesh: CollapseArrays, edge: Edge, scratch: _Scratch) -> int:
    """The facets that a step will change, with their new corners; how many."""
    points, faces, corner, who, x = mesh.vertices.points, mesh.faces, scratch.corner, scratch.who, scratch.x
    u, v = edge.u, edge.v
    kept = 0
    for part in range(2):
        ring = edge.of_u if part == 0 else edge.of_v
        for s in range(len(ring)):
            i, j, k = moving_first(faces, ring[s], u, v)
            if i < 0:
                continue
            for d in range(3):
                corner[kept, d] = x[d]
                corner[kept, 3 + d] = points[j, d]
                corner[kept, 6 + d] = points[k, d]
            who[kept] = ring[s]
            kept += 1
    return kept


@njit(cache=True)
def _nearest_new(q: Point, corner: Floats, kept: int, enough: float) -> tuple[float, int]:
    """Squared distance of a point from the new facets, and which one is nearest; any that is near enough will do."""
    best = np.inf
    where = -1
    for t in range(kept):
        c = corner[t]
        d2 = square_distance(q, nearest_on_facet(q, (c[0], c[1], c[2]), (c[3], c[4], c[5]), (c[6], c[7], c[8])))
        if d2 < best:
            best = d2
            where = t
            if d2 <= enough:
                break
    return best, where


@njit(cache=True)
def _points_stay_near(faces: Ints, held: _Held, edge: Edge, kept: int, scratch: _Scratch) -> int:
    """How many held points hang on the facets round u and v, with the facet each goes to; -1 if one is too far."""
    count = 0
    u, _, of_u, of_v = edge
    dense, which, reach2, outside2 = held.dense, held.which, held.reach2, held.outside2
    first_point, next_point = held.first_point, held.next_point
    corner, who, moved, onto = scratch.corner, scratch.who, scratch.moved, scratch.onto
    for part in range(2):
        ring = of_u if part == 0 else of_v
        for s in range(len(ring)):
            f = ring[s]
            if part == 1 and (faces[f, 0] == u or faces[f, 1] == u or faces[f, 2] == u):
                continue
            p = first_point[f]
            while p >= 0:
                q = point_at(dense, which[p])
                best, where = _nearest_new(q, corner, kept, 0.05 * outside2[p])
                if best > reach2[p]:
                    return -1
                if best > outside2[p]:
                    c = corner[where]
                    ux, uy, uz = c[3] - c[0], c[4] - c[1], c[5] - c[2]
                    vx, vy, vz = c[6] - c[0], c[7] - c[1], c[8] - c[2]
                    wx, wy, wz = q[0] - c[0], q[1] - c[1], q[2] - c[2]
                    if wx * (uy * vz - uz * vy) + wy * (uz * vx - ux * vz) + wz * (ux * vy - uy * vx) >= 0.0:
                        return -1
                moved[count] = p
                onto[count] = who[where]
                count += 1
                p = next_point[p]
    return count


@njit(cache=True)
def _near_dense(q: Point, on_carrier: bool, held: _Held, moved: Ints, hanging: int) -> bool:
    """Whether a point is within reach of the dense facets round the held point that is nearest to it."""
    dense, which, reach2 = held.dense, held.which, held.reach2
    faces, first, facets = held.dense_faces, held.dense_first, held.dense_facets
    best = np.inf
    p = -1
    for s in range(hanging):
        d2 = square_distance(q, point_at(dense, which[moved[s]]))
        if d2 < best:
            best = d2
            p = moved[s]
    if best <= reach2[p] or (on_carrier and held.inner[p]):
        return True
    w = which[p]
    for s in range(first[w], first[w + 1]):
        if square_distance(q, nearest_on(q, dense, faces, facets[s])) <= reach2[p]:
            return True
    return False


@njit(cache=True)
def _facets_stay_near(label: Ints, held: _Held, scratch: _Scratch, kept: int, hanging: int) -> bool:
    """Whether the new facets are near the dense mesh: at the vertex, on both new edges, in the middle.

    The extent of a carrier is not bounded, so a labelled facet too must be where the dense face is.
    """
    corner, who, moved = scratch.corner, scratch.who, scratch.moved
    for t in range(kept):
        c = corner[t]
        on_carrier = label[who[t]] >= 0
        for s in range(0 if t == 0 else 1, len(_PLACES)):
            g, h, k = _PLACES[s, 0], _PLACES[s, 1], _PLACES[s, 2]
            x = g * c[0] + h * c[3] + k * c[6]
            y = g * c[1] + h * c[4] + k * c[7]
            z = g * c[2] + h * c[5] + k * c[8]
            if not _near_dense((x, y, z), on_carrier, held, moved, hanging):
                return False
    return True


@njit(cache=True)
def _stays_near(mesh: CollapseArrays, held: _Held, edge: Edge, scratch: _Scratch) -> int:
    """How many held points hang on the facets round an edge; -1 if one of them, or a new facet, came too far."""
    kept = _new_facets(mesh, edge, scratch)
    hanging = _points_stay_near(mesh.faces, held, edge, kept, scratch)
    if hanging > 0 and not _facets_stay_near(mesh.label, held, scratch, kept, hanging):
        return -1
    return hanging


@njit(cache=True)
def _hang_anew(held: _Held, edge: Edge, scratch: _Scratch, hanging: int) -> None:
    """Hang the held points onto the new facets."""
    for s in range(len(edge.of_u)):
        held.first_point[edge.of_u[s]] = -1
    for s in range(len(edge.of_v)):
        held.first_point[edge.of_v[s]] = -1
    for s in range(hanging):
        held.next_point[scratch.moved[s]] = held.first_point[scratch.onto[s]]
        held.first_point[scratch.onto[s]] = scratch.moved[s]


@njit(cache=True)
def _fill(mesh: CollapseArrays, rings: _Rings, chosen: Mask, heap: Heap, counts: Longs) -> None:
    """Put all edges with a chosen end (n,) into the heap."""
    vertices, faces, table = mesh.vertices, mesh.faces, mesh.table
    border, frozen, version = vertices.border, rings.frozen, rings.version
    cost, a, b, when = heap
    x = np.empty(3)
    size = 0
    for f in range(len(faces)):
        if faces[f, 0] < 0:
            continue
        for k in range(3):
            u, v = faces[f, k], faces[f, (k + 1) % 3]
            if (u > v and not (border[u] and border[v])) or not (chosen[u] or chosen[v]) or frozen[u] or frozen[v]:
                continue
            price, _ = collapse_cost(vertices, table, u, v, True, x)
            if price < np.inf:
                cost[size], a[size], b[size], when[size] = price, u, v, version[u] + version[v]
                size += 1
    counts[_SIZE] = size
    heapify(heap, counts[_SIZE])


@njit(cache=True)
def _without_stale(heap: Heap, version: Ints, size: int) -> int:
    """Take entries out that were priced before one of their ends moved; the new size. No heap is left."""
    cost, a, b, when = heap
    valid = 0
    for i in range(size):
        if version[a[i]] + version[b[i]] == when[i]:
            cost[valid], a[valid], b[valid], when[valid] = cost[i], a[i], b[i], when[i]
            valid += 1
    return valid


@njit(cache=True)
def _price_round(
    mesh: CollapseArrays, version: Ints, heap: Heap, size: int, v: int, facets: Ints, scratch: _Scratch, mark: int
) -> int:
    """Put the edges of v, round which these facets lie, into the heap; the new size."""
    vertices, faces, table = mesh.vertices, mesh.faces, mesh.table
    stamp, x = scratch.stamp, scratch.x
    cost, a, b, when = heap
    for s in range(len(facets)):
        for k in range(3):
            w = faces[facets[s], k]
            if w == v or stamp[w] == mark:
                continue
            stamp[w] = mark
            price, _ = collapse_cost(vertices, table, v, w, True, x)
            if price < np.inf and size < len(cost):
                cost[size], a[size], b[size], when[size] = price, v, w, version[v] + version[w]
                sift_up(heap, size)
                size += 1
    return size


@njit(cache=True)
def _join_chains(rings: _Rings, u: int, v: int) -> None:
    """Hang u's corners behind v's."""
    head, following = rings.head, rings.following
    c = head[v]
    if c < 0:
        head[v] = head[u]
    else:
        while following[c] >= 0:
            c = following[c]
        following[c] = head[u]
    head[u] = -1
    rings.version[u] += 1
    rings.version[v] += 1


@njit(cache=True)
def _run(
    mesh: CollapseArrays, rings: _Rings, held: _Held, sag: float, steps: _Steps, heap: Heap, counts: Longs, target: int
) -> bool:
    """Collapse the heap off; False when there is no room for another step."""
    of_u = np.empty(MOST, dtype=np.int32)
    of_v = np.empty(MOST, dtype=np.int32)
    tracked = len(held.which) > 0
    room, count = (2 * MOST if tracked else 1), max(len(held.which), 1)
    x = np.empty(3)
    scratch = _Scratch(
        np.zeros(len(mesh.vertices.points), dtype=np.int32), x, np.empty((room, 9)), np.empty(room, dtype=np.int32),
        np.empty(count, dtype=np.int32), np.empty(count, dtype=np.int32),
    )  # fmt: skip
    vertices, faces, table = mesh.vertices, mesh.faces, mesh.table
    border = vertices.border
    degree, version, frozen, stamp = rings.degree, rings.version, rings.frozen, scratch.stamp
    mark = 1
    size = counts[_SIZE]
    while size > 0 and counts[_ALIVE] > target:
        step = counts[_STEPS]
        if step >= len(steps.u) or steps.ends[step] + 2 * MOST > len(steps.facets):
            counts[_SIZE] = size
            return False
        u, v, then = heap.a[0], heap.b[0], heap.when[0]
        size = pop(heap, size)
        if version[u] + version[v] != then or frozen[u] or frozen[v]:
            continue
        nu, nv = _round(faces, rings, u, of_u), _round(faces, rings, v, of_v)
        if nu <= 0 or nv <= 0:
            continue
        edge = Edge(u, v, of_u[:nu], of_v[:nv])
        mark += 3
        if not link_condition_holds(faces, border, degree, edge, stamp, mark):
            continue
        collapse_cost(vertices, table, u, v, True, x)
        if not facets_stay_valid(mesh, edge, x, sag):
            continue
        hanging = _stays_near(mesh, held, edge, scratch) if tracked else 0
        if hanging < 0:
            continue
        _write_down(mesh, rings, steps, step, edge)
        counts[_STEPS] += 1
        merge_vertices(vertices, u, v, x)
        if tracked:
            _hang_anew(held, edge, scratch, hanging)
        counts[_ALIVE] -= merge_facets(faces, degree, edge)
        _join_chains(rings, u, v)
        nv = _round(faces, rings, v, of_v)
        if nv < 0:
            continue
        if size + 2 * nv + 2 >= len(heap.cost):
            size = _without_stale(heap, version, size)
            heapify(heap, size)
        mark += 3
        size = _price_round(mesh, version, heap, size, v, of_v[:nv], scratch, mark)
    counts[_SIZE] = 0
    return True


@njit(cache=True)
def _write_down(mesh: CollapseArrays, rings: _Rings, steps: _Steps, step: int, edge: Edge) -> None:
    """Note what a step will overwrite."""
    u, v, of_u, of_v = edge
    nu, nv = len(of_u), len(of_v)
    steps.u[step], steps.v[step], steps.of_u[step] = u, v, nu
    steps.border[step] = mesh.vertices.border[v]
    for k in range(3):
        steps.point[step, k] = mesh.vertices.points[v, k]
        steps.carriers[step, k] = mesh.vertices.carriers[v, k]
    for k in range(10):
        steps.quadric_u[step, k] = mesh.vertices.quadrics[u, k]
        steps.quadric_v[step, k] = mesh.vertices.quadrics[v, k]
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
    mesh: CollapseArrays, rings: _Rings, held: _Held, steps: _Steps, counts: Longs, facets: Ints, freeze: Mask,
    near: Mask,
) -> Mask:  # fmt: skip
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
            hanging = _take_down(held, steps, step, moved)
            counts[_ALIVE] += _undo_facets(mesh.faces, rings, steps, step)
            _undo_vertices(mesh, rings, steps, step)
            _undo_chains(mesh.faces, rings, steps, step, near)
            _hang_back(mesh, held, steps, step, moved[:hanging])
            count -= 1
    return stuck


@njit(cache=True)
def _take_down(held: _Held, steps: _Steps, step: int, moved: Ints) -> int:
    """Take the held points off the facets of a step, into `moved`; how many."""
    hanging = 0
    if len(held.which) > 0:
        for s in range(steps.ends[step], steps.ends[step + 1]):
            f = steps.facets[s]
            p = held.first_point[f]
            while p >= 0:
                moved[hanging] = p
                hanging += 1
                p = held.next_point[p]
            held.first_point[f] = -1
    return hanging


@njit(cache=True)
def _undo_facets(faces: Ints, rings: _Rings, steps: _Steps, step: int) -> int:
    """Give u back its facets; how many had gone."""
    u, v = steps.u[step], steps.v[step]
    back = 0
    rings.degree[v] -= rings.degree[u]
    for s in range(steps.ends[step], steps.ends[step] + steps.of_u[step]):
        f = steps.facets[s]
        if faces[f, 0] < 0:
            faces[f, 0] = ~faces[f, 0]
            back += 1
            for k in range(3):
                w = faces[f, k]
                rings.degree[w] += 1
                if w != u and w != v:
                    _chain(rings, w, 3 * f + k)
        else:
            for k in range(3):
                if faces[f, k] == v:
                    faces[f, k] = u
    return back


@njit(cache=True)
def _undo_vertices(mesh: CollapseArrays, rings: _Rings, steps: _Steps, step: int) -> None:
    u, v = steps.u[step], steps.v[step]
    for k in range(3):
        mesh.vertices.points[v, k] = steps.point[step, k]
        mesh.vertices.carriers[v, k] = steps.carriers[step, k]
    for k in range(10):
        mesh.vertices.quadrics[u, k] = steps.quadric_u[step, k]
        mesh.vertices.quadrics[v, k] = steps.quadric_v[step, k]
    mesh.vertices.border[v] = steps.border[step]
    rings.version[u] += 1
    rings.version[v] += 1


@njit(cache=True)
def _undo_chains(faces: Ints, rings: _Rings, steps: _Steps, step: int, near: Mask) -> None:
    """Chains of corners of both ends as they were, and what was written over in the facets' state."""
    u, v = steps.u[step], steps.v[step]
    low, high = steps.ends[step], steps.ends[step + 1]
    split = low + steps.of_u[step]
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


@njit(cache=True)
def _hang_back(mesh: CollapseArrays, held: _Held, steps: _Steps, step: int, moved: Ints) -> None:
    """Hang held points onto the nearest of the facets of a step that was taken back."""
    for i in range(len(moved)):
        p = moved[i]
        q = point_at(held.dense, held.which[p])
        best = np.inf
        where = -1
        for s in range(steps.ends[step], steps.ends[step + 1]):
            f = steps.facets[s]
            d2 = square_distance(q, nearest_on(q, mesh.vertices.points, mesh.faces, f))
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
