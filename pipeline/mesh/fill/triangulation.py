"""Triangulations of rims: from a closed line, with islands if there are any, to facets of even size.

A triangulation is held as `tri` (m, 3) and `nbr` (m, 3): `nbr[t, k]` is the triangle across the edge
`tri[t, k] -> tri[t, (k + 1) % 3]`, -1 at the rim. All kernels take points in space; a flat one has z = 0.
Rim edges are never touched, so a patch fits the surface that it closes, edge for edge.

Methods: ear cutting (Meisters 1975), Lawson's edge flips (1977), and for rims that no plane shows without
overlaps the triangulation of least area and bending by dynamic programming (Barequet and Sharir 1995,
with the dihedral angle as the first criterion as in Liepa 2003).
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Point, box_of, side_lengths
from pipeline.jit import njit

_DP_LIMIT = 160
# Share of the square of an edge that is long, within which of a corner no point is put in: a fifth of its length.
_CROWDED = 0.04


def constrained_delaunay(points: Floats, loops: tuple[Ints, ...], inner: Floats) -> tuple[Floats, Ints] | None:
    """Constrained Delaunay triangulation of a plane region.

    points  (n, 2) corners, mm; loops[0] indices of the outer line, counter-clockwise, loops[1:] islands,
            clockwise. A corner may stand in two loops where they touch.
    inner   (k, 2) further points inside, mm, appended to the corners

    Returns all points (n + k, 2) and the triangles (m, 3), counter-clockwise; None where the lines cross.

    Method: ears are cut (Meisters 1975), then edges flipped (Lawson 1977) as the inner points are put in.

    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    >>> points, triangles = constrained_delaunay(square, (np.arange(4, dtype=np.int32),), np.array([[1.0, 1.0]]))
    >>> points[4].tolist(), sorted(sorted(t) for t in triangles.tolist())
    ([1.0, 1.0], [[0, 1, 4], [0, 3, 4], [1, 2, 4], [2, 3, 4]])
    """
    chain = _one_chain(np.ascontiguousarray(points), loops)
    if chain is None:
        return None
    space = np.zeros((len(points) + len(inner), 3))
    space[: len(points), :2] = points
    space[len(points) :, :2] = inner
    tri = np.empty((len(chain) + 2 * len(inner), 3), np.int32)
    count = 0
    for part in _without_crossing_visits(points, chain):
        ears = np.empty((len(part), 3), np.int32)
        cut = _cut_ears(_held_apart(points, part), np.arange(len(part), dtype=np.int32), ears)
        if cut != len(part) - 2:
            return None
        tri[count : count + cut] = part[ears[:cut]]
        count += cut
    nbr = np.full((len(tri), 3), -1, np.int32)
    nbr[:count] = half_edge_neighbours(tri[:count])
    _flip_all(space, tri, nbr, count)
    order = np.arange(len(points), len(space), dtype=np.int32)
    total = _insert_all(space, tri, nbr, count, order)
    if total < 0:
        return None
    return space[:, :2], tri[:total]


def least_bending_triangles(corners: Floats, normals: Floats) -> Ints | None:
    """Triangles (n - 2, 3) on one closed line in space, of least bending, then of least area; no point is added.

    corners  (n, 3) mm in the order that the patch's own boundary runs
    normals  (n, 3) unit normal of the facet outside at the edge corner i -> i + 1

    None with fewer than three corners, or where no triangulation was found. Lines longer than 160 corners are cut in
    two at their narrowest place first.

    Method: dynamic programming (Barequet and Sharir 1995), the largest dihedral angle before the area (Liepa 2003).

    >>> corners = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [1.0, 0.5, 0.0], [0.0, 2.0, 0.0]])
    >>> triangles = least_bending_triangles(corners, np.tile([0.0, 0.0, 1.0], (4, 1)))
    >>> sorted(sorted(t) for t in triangles.tolist())
    [[0, 1, 2], [0, 2, 3]]
    """
    if len(corners) < 3:
        return None
    pieces: list[Ints] = []
    stack = [np.arange(len(corners), dtype=np.int32)]
    while stack:
        loop = stack.pop()
        if len(loop) > _DP_LIMIT:
            i, j = _waist(corners[loop])
            stack.append(np.concatenate([loop[i : j + 1]]))
            stack.append(np.concatenate([loop[j:], loop[: i + 1]]))
            continue
        following = np.roll(loop, -1)
        rim = (loop + 1) % len(corners) == following
        tri = np.empty((len(loop) - 2, 3), np.int32)
        if not _least_bending(corners[loop], np.where(rim[:, None], normals[loop], 0.0), tri):
            return None
        pieces.append(loop[tri].astype(np.int32))
    return np.concatenate(pieces)


def refine_in_space(points: Floats, triangles: Ints, edge: float) -> tuple[Floats, Ints]:
    """Split inner edges longer than 1.4 `edge` (mm) and flip to Delaunay; new points are appended.

    points, triangles  (n, 3) mm and (m, 3), a manifold

    Returned are the same two of the finer mesh; the rim stays as it is.

    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> points, triangles = refine_in_space(square, np.array([[0, 1, 2], [0, 2, 3]], np.int32), 1.0)
    >>> points[4:].tolist(), len(triangles)
    ([[0.5, 0.5, 0.0]], 4)
    """
    limit = (1.4 * edge) ** 2
    for _ in range(24):
        room = 3 * len(triangles) + 8
        tri = np.empty((2 * len(triangles) + room, 3), np.int32)
        tri[: len(triangles)] = triangles
        nbr = np.full((len(tri), 3), -1, np.int32)
        nbr[: len(triangles)] = half_edge_neighbours(triangles)
        grown = np.empty((len(points) + room, 3))
        grown[: len(points)] = points
        _flip_all(grown, tri, nbr, len(triangles))
        m, n = _split_long(grown, tri, nbr, len(triangles), len(points), limit)
        _flip_all(grown, tri, nbr, m)
        done = n == len(points)
        points, triangles = grown[:n].copy(), tri[:m].copy()
        if done:
            break
    return points, triangles


def split_edges(points: Floats, triangles: Ints, edges: Ints) -> tuple[Floats, Ints]:
    """Put a point in the middle of each of the inner `edges` (k, 2); points (n + k, 3) mm and triangles (m + 2 k, 3).

    points, triangles  (n, 3) mm and (m, 3), a manifold. No two of the edges may belong to one triangle.

    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> triangles = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    >>> points, triangles = split_edges(square, triangles, np.array([[0, 2]]))
    >>> points[4:].tolist(), sorted(sorted(t) for t in triangles.tolist())
    ([[0.5, 0.5, 0.0]], [[0, 1, 4], [0, 3, 4], [1, 2, 4], [2, 3, 4]])
    """
    room = len(edges)
    tri = np.empty((len(triangles) + 2 * room, 3), np.int32)
    tri[: len(triangles)] = triangles
    nbr = np.full((len(tri), 3), -1, np.int32)
    nbr[: len(triangles)] = half_edge_neighbours(triangles)
    grown = np.empty((len(points) + room, 3))
    grown[: len(points)] = points
    m, n = _split_named(grown, tri, nbr, len(triangles), len(points), edges.astype(np.int32))
    return grown[:n].copy(), tri[:m].copy()


def half_edge_neighbours(tri: Ints) -> Ints:
    """(m, 3) triangle across each edge of tri (m, 3), -1 at the rim.

    Each edge belongs to at most two triangles, which run it in opposite directions.

    >>> half_edge_neighbours(np.array([[0, 1, 2], [0, 2, 3]], np.int32)).tolist()
    [[-1, -1, 1], [0, -1, -1]]
    """
    m = len(tri)
    start = tri.ravel().astype(np.int64)
    end = np.roll(tri, -1, axis=1).ravel().astype(np.int64)
    base = int(tri.max()) + 1 if m else 1
    key = start * base + end
    order = np.argsort(key)
    wanted = end * base + start
    at = np.searchsorted(key[order], wanted)
    at[at == len(key)] = 0
    hit = order[at]
    found = key[hit] == wanted
    return np.where(found, hit // 3, -1).astype(np.int32).reshape(m, 3)


def is_simple(points: Floats, loops: tuple[Ints, ...]) -> bool:
    """True where no two edges of the closed lines cross in the plane; lines may share corners.

    points  (n, 2) mm; `loops` indices of each line's corners, one line at least

    >>> corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> [is_simple(corners, (np.array(loop, np.int32),)) for loop in ([0, 1, 2, 3], [0, 2, 1, 3])]
    [True, False]
    """
    start = np.concatenate(loops)
    end = np.concatenate([np.roll(loop, -1) for loop in loops])
    low = np.minimum(points[start, 0], points[end, 0])
    order = np.argsort(low)
    return not _any_crossing(np.ascontiguousarray(points), start[order], end[order])


def hexagonal_lattice(points: Floats, loops: tuple[Ints, ...], edge: float) -> Floats:
    """(k, 2) points, mm, of a triangular lattice of pitch `edge` mm inside the plane region.

    points  (n, 2) mm; `loops` indices of the corners of its lines, outer and islands

    >>> corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> hexagonal_lattice(corners, (np.arange(4, dtype=np.int32),), 0.5).round(3).tolist()
    [[0.5, 0.217], [0.25, 0.65], [0.75, 0.65]]
    """
    start = points[np.concatenate(loops)]
    end = points[np.concatenate([np.roll(loop, -1) for loop in loops])]
    low, high = box_of(start)
    pitch = edge * np.sqrt(0.75)
    rows = []
    for number in range(int((high[1] - low[1]) / pitch) + 1):
        y = low[1] + (number + 0.5) * pitch
        cut = (start[:, 1] <= y) != (end[:, 1] <= y)
        a, b = start[cut], end[cut]
        crossing = np.sort(a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))
        first = low[0] + (number % 2) * 0.5 * edge
        x = np.arange(first, high[0], edge)
        x = x[np.searchsorted(crossing, x) % 2 == 1]
        rows.append(np.stack([x, np.full(len(x), y)], axis=1))
    return np.concatenate(rows) if rows else np.empty((0, 2))


def _waist(loop: Floats) -> tuple[int, int]:
    """The pair of corners that are nearest to each other for the rim between them, neither piece tiny."""
    n = len(loop)
    steps = side_lengths(loop)
    return _narrowest(loop, np.concatenate([[0.0], np.cumsum(steps)]), n // 8)


@njit(cache=True)
def _narrowest(loop: Floats, along: Floats, least: int) -> tuple[int, int]:
    n = len(loop)
    total = along[n]
    best, bi, bj = np.inf, 0, n // 2
    for i in range(n):
        for j in range(i + least, min(n, i + n - least)):
            way = along[j] - along[i]
            way = min(way, total - way)
            d = 0.0
            for k in range(3):
                d += (loop[i, k] - loop[j, k]) ** 2
            if d < best * way * way:
                best, bi, bj = d / (way * way), i, j
    return bi, bj


def _one_chain(points: Floats, loops: tuple[Ints, ...]) -> Ints | None:
    """Islands joined to the outer line by bridges that run there and back; None where none is free."""
    chain = loops[0].astype(np.int32)
    if len(loops) == 1:
        return chain
    start = np.concatenate(loops)
    end = np.concatenate([np.roll(loop, -1) for loop in loops])
    rest = sorted(loops[1:], key=lambda loop: -points[loop, 0].max())
    while rest:
        best = None
        for number, island in enumerate(rest):
            gap = np.linalg.norm(points[chain][:, None] - points[island][None], axis=2)
            nearest = np.argpartition(gap, min(400, gap.size - 1), axis=None)[:400]
            for flat in nearest[np.argsort(gap.ravel()[nearest], kind="stable")]:
                i, j = np.unravel_index(flat, gap.shape)
                if best is not None and gap[i, j] >= best[0]:
                    break
                if _bridge_is_free(points, start, end, chain, int(i), island, int(j)):
                    best = (gap[i, j], number, int(i), int(j))
                    break
        if best is None:
            return None
        _, number, i, j = best
        island = np.roll(rest.pop(number), -j)
        if chain[i] == island[0]:
            chain = np.concatenate([chain[: i + 1], island[1:], chain[i:]])
        else:
            chain = np.concatenate([chain[: i + 1], island, island[:1], chain[i:]])
    return chain.astype(np.int32)


def _without_crossing_visits(points: Floats, chain: Ints) -> list[Ints]:
    """Where an island touches the line at a second place, the region falls apart there: so does the chain."""
    done = []
    stack = [chain]
    while stack:
        chain = stack.pop()
        often = np.flatnonzero(np.bincount(chain)[chain] > 1)
        cut = None
        for x in often:
            for y in often:
                if x == y or chain[x] != chain[y]:
                    continue
                before, after = chain[x - 1], chain[(x + 1) % len(chain)]
                if _opens_to(points, before, chain[x], after, chain[y - 1]) and _opens_to(
                    points, before, chain[x], after, chain[(y + 1) % len(chain)]
                ):
                    cut = min(x, y), max(x, y)
                    break
            if cut:
                break
        if cut:
            stack += [chain[cut[0] : cut[1]], np.concatenate([chain[cut[1] :], chain[: cut[0]]])]
        else:
            done.append(chain)
    return done


def _held_apart(points: Floats, chain: Ints) -> Floats:
    """Corners of the chain; where it comes to a point more than once, each a trifle into its own corner.

    That turns a line that touches itself, at bridges or pinches, into one that does not.
    """
    p = points[chain]
    back, on = np.roll(p, 1, axis=0) - p, np.roll(p, -1, axis=0) - p
    begin = np.arctan2(on[:, 1], on[:, 0])
    sector = (np.arctan2(back[:, 1], back[:, 0]) - begin) % (2.0 * np.pi)
    middle = begin + 0.5 * np.where(sector == 0.0, 2.0 * np.pi, sector)
    step = 1e-5 * np.minimum(np.linalg.norm(back, axis=1), np.linalg.norm(on, axis=1))
    step[np.bincount(chain)[chain] < 2] = 0.0
    return p + step[:, None] * np.stack([np.cos(middle), np.sin(middle)], axis=1)


@njit(cache=True)
def _orient2d(p: Floats, a: int, b: int, c: int) -> float:
    """Twice the signed area of a, b, c in the plane of x and y."""
    return (p[b, 0] - p[a, 0]) * (p[c, 1] - p[a, 1]) - (p[b, 1] - p[a, 1]) * (p[c, 0] - p[a, 0])


@njit(cache=True)
def _same_place(p: Floats, a: int, b: int) -> bool:
    return p[a, 0] == p[b, 0] and p[a, 1] == p[b, 1]


@njit(cache=True)
def _edges_cross(p: Floats, a: int, b: int, c: int, d: int) -> bool:
    """Segments a b and c d meet, other than in a shared end."""
    if _same_place(p, a, c) or _same_place(p, a, d) or _same_place(p, b, c) or _same_place(p, b, d):
        return False
    t1, t2 = _orient2d(p, a, b, c), _orient2d(p, a, b, d)
    t3, t4 = _orient2d(p, c, d, a), _orient2d(p, c, d, b)
    if t1 == 0.0 and t2 == 0.0:
        for axis in range(2):
            if max(p[a, axis], p[b, axis]) < min(p[c, axis], p[d, axis]):
                return False
            if max(p[c, axis], p[d, axis]) < min(p[a, axis], p[b, axis]):
                return False
        return True
    return (t1 <= 0.0 <= t2 or t2 <= 0.0 <= t1) and (t3 <= 0.0 <= t4 or t4 <= 0.0 <= t3)


@njit(cache=True)
def _any_crossing(p: Floats, start: Ints, end: Ints) -> bool:
    """Edges sorted by their lower x."""
    m = len(start)
    for i in range(m):
        a, b = start[i], end[i]
        right = max(p[a, 0], p[b, 0])
        low, high = min(p[a, 1], p[b, 1]), max(p[a, 1], p[b, 1])
        for j in range(i + 1, m):
            c, d = start[j], end[j]
            if min(p[c, 0], p[d, 0]) > right:
                break
            if max(p[c, 1], p[d, 1]) < low or min(p[c, 1], p[d, 1]) > high:
                continue
            if _edges_cross(p, a, b, c, d):
                return True
    return False


@njit(cache=True)
def _opens_to(p: Floats, before: int, a: int, after: int, target: int) -> bool:
    """The way from corner a to the target leads into the region on the left of before -> a -> after."""
    left, right = _orient2d(p, before, a, target) > 0.0, _orient2d(p, a, after, target) > 0.0
    return (left and right) if _orient2d(p, before, a, after) >= 0.0 else (left or right)


@njit(cache=True)
def _bridge_is_free(p: Floats, start: Ints, end: Ints, chain: Ints, i: int, island: Ints, j: int) -> bool:
    """Whether the line from chain[i] to island[j] lies in the region and crosses no edge."""
    a, target = chain[i], island[j]
    before, after = chain[i - 1], chain[(i + 1) % len(chain)]
    if a == target:
        # Of several visits to a shared corner, the one whose region the island lies in.
        return _opens_to(p, before, a, after, island[j - 1]) and _opens_to(
            p, before, a, after, island[(j + 1) % len(island)]
        )
    if not _opens_to(p, before, a, after, target):
        return False
    for e in range(len(start)):
        if _edges_cross(p, a, target, start[e], end[e]):
            return False
    free = True
    for e in range(len(chain)):
        free &= not _edges_cross(p, a, target, chain[e], chain[(e + 1) % len(chain)])
    return free


@njit(cache=True)
def _cut_ears(p: Floats, chain: Ints, tri: Ints) -> int:
    """Ear cutting of one closed chain; returns how many triangles were written."""
    n = len(chain)
    if n < 3:
        return 0
    before = np.empty(n, np.int32)
    after = np.empty(n, np.int32)
    for i in range(n):
        before[i] = i - 1 if i else n - 1
        after[i] = i + 1 if i < n - 1 else 0
    reflex = np.empty(n, np.bool_)
    for i in range(n):
        reflex[i] = _orient2d(p, chain[before[i]], chain[i], chain[after[i]]) <= 0.0
    count, left, i, missed = 0, n, 0, 0
    allow_flat = False
    while left > 3:
        a, b, c = chain[before[i]], chain[i], chain[after[i]]
        turn = _orient2d(p, a, b, c)
        ear = turn > 0.0 or (allow_flat and turn == 0.0)
        if ear:
            x0 = min(p[a, 0], p[b, 0], p[c, 0])
            x1 = max(p[a, 0], p[b, 0], p[c, 0])
            y0 = min(p[a, 1], p[b, 1], p[c, 1])
            y1 = max(p[a, 1], p[b, 1], p[c, 1])
            j = after[after[i]]
            while j != before[i]:
                q = chain[j]
                if (
                    reflex[j]
                    and x0 <= p[q, 0] <= x1
                    and y0 <= p[q, 1] <= y1
                    and not (_same_place(p, q, a) or _same_place(p, q, b) or _same_place(p, q, c))
                    and _orient2d(p, a, b, q) >= 0.0
                    and _orient2d(p, b, c, q) >= 0.0
                    and _orient2d(p, c, a, q) >= 0.0
                ):
                    ear = False
                    break
                j = after[j]
        if not ear:
            i = after[i]
            missed += 1
            if missed > left:
                if allow_flat:
                    return count
                allow_flat, missed = True, 0
            continue
        tri[count, 0], tri[count, 1], tri[count, 2] = a, b, c
        count += 1
        left -= 1
        missed = 0
        allow_flat = False
        u, w = before[i], after[i]
        after[u], before[w] = w, u
        reflex[u] = _orient2d(p, chain[before[u]], chain[u], chain[w]) <= 0.0
        reflex[w] = _orient2d(p, chain[u], chain[w], chain[after[w]]) <= 0.0
        i = after[w]
    a, b, c = before[i], i, after[i]
    tri[count, 0], tri[count, 1], tri[count, 2] = chain[a], chain[b], chain[c]
    return count + 1


@njit(cache=True)
def _normal(p: Floats, a: int, b: int, c: int) -> Point:
    ux, uy, uz = p[b, 0] - p[a, 0], p[b, 1] - p[a, 1], p[b, 2] - p[a, 2]
    vx, vy, vz = p[c, 0] - p[a, 0], p[c, 1] - p[a, 1], p[c, 2] - p[a, 2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@njit(cache=True)
def _dot_at(p: Floats, c: int, a: int, b: int) -> float:
    s = 0.0
    for k in range(3):
        s += (p[a, k] - p[c, k]) * (p[b, k] - p[c, k])
    return s


@njit(cache=True)
def _edge_exists(tri: Ints, nbr: Ints, t: int, c: int, d: int) -> bool:
    """True where the fan of triangles round corner c, from t on both ways, holds d."""
    for way in range(2):
        s = t
        for _ in range(1000):
            k = 0
            while tri[s, k] != c:
                k += 1
            if tri[s, (k + 1) % 3] == d or tri[s, (k + 2) % 3] == d:
                return True
            s = nbr[s, k] if way == 0 else nbr[s, (k + 2) % 3]
            if s < 0 or s == t:
                break
    return False


@njit(cache=True)
def _flip_if_better(p: Floats, tri: Ints, nbr: Ints, t: int, k: int) -> bool:
    """Flip edge k of t where the two angles against it add up to more than 180 degrees and nothing folds over."""
    s = nbr[t, k]
    if s < 0:
        return False
    j = 0
    while nbr[s, j] != t or tri[s, j] != tri[t, (k + 1) % 3]:
        j += 1
        if j == 3:
            return False
    a, b, c = tri[t, k], tri[t, (k + 1) % 3], tri[t, (k + 2) % 3]
    d = tri[s, (j + 2) % 3]
    if c == d:
        return False
    x1, y1, z1 = _normal(p, a, b, c)
    x2, y2, z2 = _normal(p, b, a, d)
    sin_c, cos_c = np.sqrt(x1 * x1 + y1 * y1 + z1 * z1), _dot_at(p, c, a, b)
    sin_d, cos_d = np.sqrt(x2 * x2 + y2 * y2 + z2 * z2), _dot_at(p, d, a, b)
    size = np.sqrt((sin_c * sin_c + cos_c * cos_c) * (sin_d * sin_d + cos_d * cos_d))
    if sin_c * cos_d + sin_d * cos_c > -1e-10 * size:
        return False
    x, y, z = x1 + x2, y1 + y2, z1 + z2
    size = x * x + y * y + z * z
    x1, y1, z1 = _normal(p, a, d, c)
    x2, y2, z2 = _normal(p, d, b, c)
    if x * x1 + y * y1 + z * z1 <= 1e-9 * size or x * x2 + y * y2 + z * z2 <= 1e-9 * size:
        return False
    if _edge_exists(tri, nbr, t, c, d):
        return False
    bc, ca = nbr[t, (k + 1) % 3], nbr[t, (k + 2) % 3]
    ad, db = nbr[s, (j + 1) % 3], nbr[s, (j + 2) % 3]
    tri[t, 0], tri[t, 1], tri[t, 2] = a, d, c
    nbr[t, 0], nbr[t, 1], nbr[t, 2] = ad, s, ca
    tri[s, 0], tri[s, 1], tri[s, 2] = d, b, c
    nbr[s, 0], nbr[s, 1], nbr[s, 2] = db, bc, t
    _relink(tri, nbr, ad, d, s, t)
    _relink(tri, nbr, bc, c, t, s)
    return True


@njit(cache=True, inline="always")
def _relink(tri: Ints, nbr: Ints, t: int, start: int, old: int, new: int) -> None:
    """The edge of t that starts at `start` and led to `old` leads to `new`."""
    if t >= 0:
        for k in range(3):
            if nbr[t, k] == old and tri[t, k] == start:
                nbr[t, k] = new


@njit(cache=True)
def _flip_from(p: Floats, tri: Ints, nbr: Ints, stack: Ints, top: int) -> None:
    """Flip what needs it among the edges of the triangles on the stack, and what follows from it."""
    budget = 200 * len(tri) + 1000
    while top > 0 and budget > 0:
        top -= 1
        t = stack[top]
        for k in range(3):
            budget -= 1
            s = nbr[t, k]
            if s >= 0 and _flip_if_better(p, tri, nbr, t, k):
                if top + 2 < len(stack):
                    stack[top], stack[top + 1] = t, s
                    top += 2
                break


@njit(cache=True)
def _flip_all(p: Floats, tri: Ints, nbr: Ints, count: int) -> None:
    stack = np.empty(count + 64, np.int32)
    for _ in range(8):
        for i in range(count):
            stack[i] = i
        _flip_from(p, tri, nbr, stack, count)
        calm = True
        for t in range(count):
            for k in range(3):
                if nbr[t, k] > t and _flip_if_better(p, tri, nbr, int(np.int32(t)), k):
                    calm = False
        if calm:
            break


@njit(cache=True)
def _holds(p: Floats, tri: Ints, t: int, v: int) -> bool:
    a, b, c = tri[t, 0], tri[t, 1], tri[t, 2]
    return _orient2d(p, a, b, v) >= 0.0 and _orient2d(p, b, c, v) >= 0.0 and _orient2d(p, c, a, v) >= 0.0


@njit(cache=True)
def _find(p: Floats, tri: Ints, nbr: Ints, count: int, t: int, v: int) -> int:
    """The triangle that holds point v: by walking from t, by looking at all where the walk leaves."""
    for _ in range(count):
        ahead = -2
        for k in range(3):
            if _orient2d(p, tri[t, k], tri[t, (k + 1) % 3], v) < 0.0:
                ahead = nbr[t, k]
                if ahead >= 0:
                    break
        if ahead == -2:
            return t
        if ahead == -1:
            break
        t = ahead
    for t in range(count):
        if _holds(p, tri, t, v):
            return t
    return -1


@njit(cache=True)
def _insert_all(p: Floats, tri: Ints, nbr: Ints, count: int, order: Ints) -> int:
    """Put the points into the triangulation one by one; the new triangle count, -1 if one lies outside."""
    stack = np.empty(4096, np.int32)
    t = int(np.int64(0))
    for v in order:
        t = _find(p, tri, nbr, count, t, v)
        if t < 0:
            return -1
        a, b, c = tri[t, 0], tri[t, 1], tri[t, 2]
        bc, ca = nbr[t, 1], nbr[t, 2]
        u, w = count, count + 1
        tri[t, 2] = v
        nbr[t, 1], nbr[t, 2] = u, w
        tri[u, 0], tri[u, 1], tri[u, 2] = b, c, v
        nbr[u, 0], nbr[u, 1], nbr[u, 2] = bc, w, t
        tri[w, 0], tri[w, 1], tri[w, 2] = c, a, v
        nbr[w, 0], nbr[w, 1], nbr[w, 2] = ca, t, u
        _relink(tri, nbr, bc, c, t, u)
        _relink(tri, nbr, ca, a, t, w)
        count += 2
        stack[0], stack[1], stack[2] = t, u, w
        _flip_from(p, tri, nbr, stack, int(np.int64(3)))
    return count


@njit(cache=True)
def _split(p: Floats, tri: Ints, nbr: Ints, count: int, t: int, k: int, v: int) -> int:
    """Put point v on inner edge k of t; two triangles become four."""
    s = nbr[t, k]
    j = 0
    while tri[s, j] != tri[t, (k + 1) % 3]:
        j += 1
    a, b, c, d = tri[t, k], tri[t, (k + 1) % 3], tri[t, (k + 2) % 3], tri[s, (j + 2) % 3]
    bc, ca = nbr[t, (k + 1) % 3], nbr[t, (k + 2) % 3]
    ad, db = nbr[s, (j + 1) % 3], nbr[s, (j + 2) % 3]
    u, w = count, count + 1
    tri[t, 0], tri[t, 1], tri[t, 2] = a, v, c
    nbr[t, 0], nbr[t, 1], nbr[t, 2] = s, u, ca
    tri[u, 0], tri[u, 1], tri[u, 2] = v, b, c
    nbr[u, 0], nbr[u, 1], nbr[u, 2] = w, bc, t
    tri[s, 0], tri[s, 1], tri[s, 2] = v, a, d
    nbr[s, 0], nbr[s, 1], nbr[s, 2] = t, ad, w
    tri[w, 0], tri[w, 1], tri[w, 2] = b, v, d
    nbr[w, 0], nbr[w, 1], nbr[w, 2] = u, s, db
    _relink(tri, nbr, bc, c, t, u)
    _relink(tri, nbr, db, b, s, w)
    return count + 2


@njit(cache=True)
def _split_long(p: Floats, tri: Ints, nbr: Ints, count: int, n: int, limit: float) -> tuple[int, int]:
    """One sweep over the edges: those whose square is above the limit get a point in their middle.

    Not where it would come near a corner across the edge: on a sheet that is folded, splits and flips took turns
    without end, each point nearer to the one before.
    """
    first = count
    for t in range(first):
        best, at = limit, -1
        for k in range(3):
            s = nbr[t, k]
            if s < 0 or s >= first:
                continue
            d = 0.0
            for x in range(3):
                d += (p[tri[t, k], x] - p[tri[t, (k + 1) % 3], x]) ** 2
            if d > best:
                best, at = d, k
        if at < 0 or count + 2 > len(tri) or n + 1 > len(p):
            continue
        a, b, c, s = tri[t, at], tri[t, (at + 1) % 3], tri[t, (at + 2) % 3], nbr[t, at]
        d = tri[s, 0] + tri[s, 1] + tri[s, 2] - a - b
        to_c, to_d = 0.0, 0.0
        for x in range(3):
            p[n, x] = 0.5 * (p[a, x] + p[b, x])
            to_c += (p[n, x] - p[c, x]) ** 2
            to_d += (p[n, x] - p[d, x]) ** 2
        if min(to_c, to_d) < _CROWDED * limit:
            continue
        count = _split(p, tri, nbr, count, t, at, n)
        n += 1
    return count, n


@njit(cache=True)
def _edge_of(tri: Ints, nbr: Ints, count: int, a: int, b: int) -> tuple[int, int]:
    """The triangle that runs the inner edge a -> b, and which of its edges that is; -1 where none does."""
    for t in range(count):
        for k in range(3):
            if tri[t, k] == a and tri[t, (k + 1) % 3] == b and nbr[t, k] >= 0:
                return t, k
    return -1, -1


@njit(cache=True)
def _split_named(p: Floats, tri: Ints, nbr: Ints, count: int, n: int, edges: Ints) -> tuple[int, int]:
    """Put a point in the middle of each of the edges (k, 2); the new counts of triangles and points."""
    for e in range(len(edges)):
        t, k = _edge_of(tri, nbr, count, edges[e, 0], edges[e, 1])
        if t < 0:
            continue
        for x in range(3):
            p[n, x] = 0.5 * (p[edges[e, 0], x] + p[edges[e, 1], x])
        count = _split(p, tri, nbr, count, t, k, n)
        n += 1
    return count, n


@njit(cache=True)
def _bend(ax: float, ay: float, az: float, bx: float, by: float, bz: float) -> float:
    """1 - cos of the angle between two normals; none at all counts as flat."""
    size = np.sqrt((ax * ax + ay * ay + az * az) * (bx * bx + by * by + bz * bz))
    return 1.0 - (ax * bx + ay * by + az * bz) / size if size > 0.0 else 0.0


@njit(cache=True)
def _bend_at_side(p: Floats, outside: Floats, middle: Ints, normal: Point, a: int, b: int) -> float:
    """Bend between a triangle and what lies across its side a -> b: the facet outside, or the best triangle there."""
    x, y, z = normal
    if b == a + 1:
        return _bend(x, y, z, outside[a, 0], outside[a, 1], outside[a, 2])
    ox, oy, oz = _normal(p, a, middle[a, b], b)
    return _bend(x, y, z, ox, oy, oz)


@njit(cache=True)
def _least_bends(p: Floats, outside: Floats) -> Ints:
    """(n, n) corner of the best triangle on each side i -> k of a closed line, -1 where there is none.

    Dynamic programming over the sides, short ones first (Barequet and Sharir 1995).
    """
    n = len(p)
    bend = np.full((n, n), np.inf)
    area = np.full((n, n), np.inf)
    middle = np.full((n, n), -1, np.int32)
    for i in range(n - 1):
        bend[i, i + 1] = 0.0
        area[i, i + 1] = 0.0
    for span in range(2, n):
        for i in range(n - span):
            k = i + span
            for m in range(i + 1, k):
                normal = _normal(p, i, m, k)
                x, y, z = normal
                size = np.sqrt(x * x + y * y + z * z)
                worst = max(bend[i, m], bend[m, k])
                if worst > bend[i, k]:
                    continue
                total = area[i, m] + area[m, k] + 0.5 * size
                if size <= 0.0:
                    worst = 2.0
                worst = max(worst, _bend_at_side(p, outside, middle, normal, i, m))
                worst = max(worst, _bend_at_side(p, outside, middle, normal, m, k))
                if i == 0 and k == n - 1:
                    worst = max(worst, _bend(x, y, z, outside[k, 0], outside[k, 1], outside[k, 2]))
                # Bends are compared in coarse steps, so that the area decides between nearly equal ones.
                worst = np.ceil(worst * 16.0) / 16.0
                if worst < bend[i, k] or (worst == bend[i, k] and total < area[i, k]):
                    bend[i, k], area[i, k], middle[i, k] = worst, total, m
    return middle


@njit(cache=True)
def triangles_of_parts(middle: Ints, tri: Ints) -> int:
    """The triangles of a closed line whose best division is known, into `tri`; how many there are.

    middle  (n, n) int32: of each part of the line, from corner i to k, the third corner of the triangle on i and k
    tri     (n - 2, 3) int32

    >>> middle = np.zeros((4, 4), np.int32)
    >>> middle[0, 3], middle[0, 2] = 2, 1
    >>> tri = np.empty((2, 3), np.int32)
    >>> triangles_of_parts(middle, tri), tri.tolist()
    (2, [[0, 2, 3], [0, 1, 2]])
    """
    n = len(middle)
    stack = np.empty((n, 2), np.int32)
    stack[0, 0], stack[0, 1] = 0, n - 1
    top, count = 1, 0
    while top > 0:
        top -= 1
        i, k = stack[top, 0], stack[top, 1]
        if k - i < 2:
            continue
        m = middle[i, k]
        tri[count, 0], tri[count, 1], tri[count, 2] = i, m, k
        count += 1
        stack[top, 0], stack[top, 1] = i, m
        stack[top + 1, 0], stack[top + 1, 1] = m, k
        top += 2
    return count


@njit(cache=True)
def _least_bending(p: Floats, outside: Floats, tri: Ints) -> bool:
    """Triangulate a closed line so that the largest bend, then the area, is least; False where it can't be."""
    n = len(p)
    middle = _least_bends(p, outside)
    if middle[0, n - 1] < 0:
        return False
    return triangles_of_parts(middle, tri) == n - 2
