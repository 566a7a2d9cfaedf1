"""Closed triangle meshes of a solid at any density, as scan software makes them.

Blocks of cells are looked at only where the surface passes. Each crossing cell gets one vertex for each
sheet of surface in it (dual meshing), the vertices are spread evenly over the surface and put back on it;
or the cells are cut by marching cubes, slivers and all. Both come out of one table of how the surface runs
through a cell, which is worked out here from the rule that inside corners are kept apart on a face.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from sample_meshes.solid import Solid, field

BLOCK = 8
SIDE = BLOCK + 1
# The field grows at most this much per mm travelled, plus the height of the skin's waves.
STEEPEST, SLACK = 1.5, 2.0


def _cell_table() -> tuple[NDArray, NDArray]:
    """How the surface runs through a cell for each of its 256 patterns of inside corners.

    Returns loop (256, 12): which loop of the surface crosses each edge, -1 none; and follower (256, 12):
    the edge after this one in its loop. Corner c lies at (c & 1, c >> 1 & 1, c >> 2 & 1); edge 4 a + k runs
    along axis a from the k-th corner with bit a clear.
    """

    def edge(a: int, b: int) -> int:
        axis = (a ^ b).bit_length() - 1
        first = min(a, b)
        others = [bit for bit in range(3) if bit != axis]
        return 4 * axis + (first >> others[0] & 1) + 2 * (first >> others[1] & 1)

    quads = []
    for axis in range(3):
        b, c = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
        quads.append([0, c, b | c, b])
        quads.append([(1 << axis) | v for v in (0, b, b | c, c)])
    loop = np.full((256, 12), -1, np.int8)
    follower = np.full((256, 12), -1, np.int8)
    for pattern in range(256):
        inside = [pattern >> c & 1 for c in range(8)]
        for quad in quads:
            for i in range(4):
                if inside[quad[i]] and not inside[quad[(i + 1) % 4]]:
                    j = i
                    while inside[quad[j]]:
                        j = (j - 1) % 4
                    leaving = edge(quad[i], quad[(i + 1) % 4])
                    entering = edge(quad[j], quad[(j + 1) % 4])
                    follower[pattern, entering] = leaving
        count = 0
        for start in range(12):
            if follower[pattern, start] >= 0 and loop[pattern, start] < 0:
                e = start
                while loop[pattern, e] < 0:
                    loop[pattern, e] = count
                    e = follower[pattern, e]
                count += 1
    return loop, follower


LOOP, FOLLOWER = _cell_table()
LOOPS = (LOOP.max(axis=1) + 1).astype(np.int8)


@njit(cache=True, parallel=True)
def _active(blocks, size, grid, turn, h, rows, skin, rough, coating):
    """Which blocks of `size` cells may hold surface."""
    keep = np.zeros(len(blocks), np.bool_)
    far = STEEPEST * size * h * np.sqrt(3.0) / 2 + SLACK
    for n in prange(len(blocks)):
        qx = grid[0] + (blocks[n, 0] + size * 0.5) * h
        qy = grid[1] + (blocks[n, 1] + size * 0.5) * h
        qz = grid[2] + (blocks[n, 2] + size * 0.5) * h
        x = turn[0, 0] * qx + turn[0, 1] * qy + turn[0, 2] * qz
        y = turn[1, 0] * qx + turn[1, 1] * qy + turn[1, 2] * qz
        z = turn[2, 0] * qx + turn[2, 1] * qy + turn[2, 2] * qz
        keep[n] = abs(field(x, y, z, rows, skin, rough, coating, False)[0]) < far
    return keep


@njit(cache=True, parallel=True)
def _sample(blocks, grid, turn, h, rows, skin, rough, coating):
    """Field at the SIDE^3 corners of each block; quarters that are far from the surface get their sign."""
    values = np.empty((len(blocks), SIDE, SIDE, SIDE), np.float32)
    half = BLOCK // 2
    far = STEEPEST * half * h * np.sqrt(3.0) / 2 + SLACK
    for n in prange(len(blocks)):
        done = np.zeros((SIDE, SIDE, SIDE), np.bool_)
        for octant in range(9):
            near = octant == 8
            i0, j0, k0 = (octant & 1) * half, (octant >> 1 & 1) * half, (octant >> 2 & 1) * half
            if near:
                i0, j0, k0 = 0, 0, 0
            centre = 0.0
            span = SIDE if near else half + 1
            if not near:
                qx = grid[0] + (blocks[n, 0] + i0 + half * 0.5) * h
                qy = grid[1] + (blocks[n, 1] + j0 + half * 0.5) * h
                qz = grid[2] + (blocks[n, 2] + k0 + half * 0.5) * h
                x = turn[0, 0] * qx + turn[0, 1] * qy + turn[0, 2] * qz
                y = turn[1, 0] * qx + turn[1, 1] * qy + turn[1, 2] * qz
                z = turn[2, 0] * qx + turn[2, 1] * qy + turn[2, 2] * qz
                centre = field(x, y, z, rows, skin, rough, coating, False)[0]
                if abs(centre) < far:
                    continue
            for i in range(i0, i0 + span):
                for j in range(j0, j0 + span):
                    for k in range(k0, k0 + span):
                        if done[i, j, k]:
                            continue
                        done[i, j, k] = True
                        if near:
                            qx = grid[0] + (blocks[n, 0] + i) * h
                            qy = grid[1] + (blocks[n, 1] + j) * h
                            qz = grid[2] + (blocks[n, 2] + k) * h
                            x = turn[0, 0] * qx + turn[0, 1] * qy + turn[0, 2] * qz
                            y = turn[1, 0] * qx + turn[1, 1] * qy + turn[1, 2] * qz
                            z = turn[2, 0] * qx + turn[2, 1] * qy + turn[2, 2] * qz
                            centre = field(x, y, z, rows, skin, rough, coating, False)[0]
                        values[n, i, j, k] = centre
    return values


@njit(cache=True, inline="always")
def _pattern(v, i, j, k):
    p = 0
    if v[i, j, k] < 0:
        p |= 1
    if v[i + 1, j, k] < 0:
        p |= 2
    if v[i, j + 1, k] < 0:
        p |= 4
    if v[i + 1, j + 1, k] < 0:
        p |= 8
    if v[i, j, k + 1] < 0:
        p |= 16
    if v[i + 1, j, k + 1] < 0:
        p |= 32
    if v[i, j + 1, k + 1] < 0:
        p |= 64
    if v[i + 1, j + 1, k + 1] < 0:
        p |= 128
    return p


@njit(cache=True, inline="always")
def _corner(edge, end):
    """Offsets of an edge's first or second corner in its cell."""
    axis, k = edge // 4, edge % 4
    a, b = k & 1, k >> 1
    if axis == 0:
        return end, a, b
    if axis == 1:
        return a, end, b
    return a, b, end


@njit(cache=True)
def _count(values, loops):
    vertices = np.zeros(len(values) + 1, np.int64)
    crossings = np.zeros(len(values) + 1, np.int64)
    for n in range(len(values)):
        v = values[n]
        for i in range(BLOCK):
            for j in range(BLOCK):
                for k in range(BLOCK):
                    p = _pattern(v, i, j, k)
                    if p != 0 and p != 255:
                        vertices[n + 1] += loops[p]
                        first = p & 1
                        crossings[n + 1] += first ^ (p >> 1 & 1)
                        crossings[n + 1] += first ^ (p >> 2 & 1)
                        crossings[n + 1] += first ^ (p >> 4 & 1)
    return np.cumsum(vertices), np.cumsum(crossings)


@njit(cache=True, parallel=True)
def _dual_vertices(values, blocks, first, loop, loops, grid, h):
    """One vertex for each sheet in each crossing cell, at the mean of its crossings; base id of each cell."""
    points = np.empty((first[-1], 3))
    base = np.full((len(values), BLOCK, BLOCK, BLOCK), -1, np.int32)
    for n in prange(len(values)):
        v = values[n]
        total = np.zeros((4, 4))
        at = first[n]
        for i in range(BLOCK):
            for j in range(BLOCK):
                for k in range(BLOCK):
                    p = _pattern(v, i, j, k)
                    if p == 0 or p == 255:
                        continue
                    base[n, i, j, k] = at
                    total[:] = 0.0
                    for e in range(12):
                        if loop[p, e] < 0:
                            continue
                        a0, b0, c0 = _corner(e, 0)
                        a1, b1, c1 = _corner(e, 1)
                        f0, f1 = v[i + a0, j + b0, k + c0], v[i + a1, j + b1, k + c1]
                        t = f0 / (f0 - f1)
                        m = loop[p, e]
                        total[m, 0] += a0 + t * (a1 - a0)
                        total[m, 1] += b0 + t * (b1 - b0)
                        total[m, 2] += c0 + t * (c1 - c0)
                        total[m, 3] += 1.0
                    for m in range(loops[p]):
                        points[at, 0] = grid[0] + (blocks[n, 0] + i + total[m, 0] / total[m, 3]) * h
                        points[at, 1] = grid[1] + (blocks[n, 1] + j + total[m, 1] / total[m, 3]) * h
                        points[at, 2] = grid[2] + (blocks[n, 2] + k + total[m, 2] / total[m, 3]) * h
                        at += 1
    return points, base


@njit(cache=True, inline="always")
def _block_at(lookup, i, j, k):
    return lookup[i // BLOCK + 1, j // BLOCK + 1, k // BLOCK + 1]


@njit(cache=True)
def _pinched(values, blocks, lookup, loop):
    """Outside corners of cell faces on both sides of which one sheet crosses all four edges.

    Such a sheet touches itself in the mesh, though not in the solid: it would get an edge of four facets.
    """
    found = [(0, 0, 0)]
    for n in range(len(values)):
        v = values[n]
        for i in range(BLOCK):
            for j in range(BLOCK):
                for k in range(BLOCK):
                    p = _pattern(v, i, j, k)
                    if p == 0 or p == 255:
                        continue
                    for axis in range(3):
                        # Corners of the low face square to the axis, and the four edges in it.
                        if axis == 0:
                            c1, c2, e1, e2, e3, e4 = 2, 4, 4, 6, 8, 10
                        elif axis == 1:
                            c1, c2, e1, e2, e3, e4 = 1, 4, 0, 2, 8, 9
                        else:
                            c1, c2, e1, e2, e3, e4 = 1, 2, 0, 1, 4, 5
                        f0, f1, f2, f3 = p & 1, p >> c1 & 1, p >> c2 & 1, p >> (c1 + c2) & 1
                        if f0 != f3 or f1 != f2 or f0 == f1:
                            continue
                        if not (loop[p, e1] == loop[p, e2] == loop[p, e3] == loop[p, e4]):
                            continue
                        ci, cj, ck = blocks[n, 0] + i, blocks[n, 1] + j, blocks[n, 2] + k
                        bi, bj, bk = ci - int(axis == 0), cj - int(axis == 1), ck - int(axis == 2)
                        b = _block_at(lookup, bi, bj, bk)
                        q = _pattern(values[b], bi % BLOCK, bj % BLOCK, bk % BLOCK)
                        # The same edges in the cell on the other side.
                        near, up = (2, 2) if axis == 2 else (1, 1 if axis == 0 else 2)
                        e5, e6, e7, e8 = e1 + near, e2 + near, e3 + up, e4 + up
                        if loop[q, e5] == loop[q, e6] == loop[q, e7] == loop[q, e8]:
                            c = c1 if f0 == 1 else 0
                            found.append((ci + (c & 1), cj + (c >> 1 & 1), ck + (c >> 2 & 1)))
    return found[1:]


def _unpinch(values: NDArray, blocks: NDArray, lookup: NDArray) -> None:
    """Close the hair's breadth between two sheets wherever they would share a mesh edge."""
    for _ in range(20):
        corners = _pinched(values, blocks, lookup, LOOP)
        if not corners:
            return
        for corner in corners:
            for step in np.ndindex(2, 2, 2):
                at = np.array(corner) // BLOCK - step
                local = np.array(corner) - at * BLOCK
                b = lookup[tuple(at + 1)]
                if b >= 0 and (local <= BLOCK).all():
                    values[b][tuple(local)] = -1e-4


@njit(cache=True)
def _dual_quads(values, blocks, base, lookup, loop, crossings):
    quads = np.empty((crossings, 4), np.int32)
    at = 0
    corners = np.empty(4, np.int32)
    for n in range(len(values)):
        v = values[n]
        for i in range(BLOCK):
            for j in range(BLOCK):
                for k in range(BLOCK):
                    inside = v[i, j, k] < 0
                    for axis in range(3):
                        di, dj, dk = int(axis == 0), int(axis == 1), int(axis == 2)
                        if inside == (v[i + di, j + dj, k + dk] < 0):
                            continue
                        # The four cells round this edge, counter-clockwise seen against the axis.
                        for m in range(4):
                            s, t = int(m == 1 or m == 2), int(m >= 2)
                            ci, cj, ck = blocks[n, 0] + i, blocks[n, 1] + j, blocks[n, 2] + k
                            if axis == 0:
                                cj, ck = cj - 1 + s, ck - 1 + t
                                e = (1 - s) + 2 * (1 - t)
                            elif axis == 1:
                                ck, ci = ck - 1 + s, ci - 1 + t
                                e = 4 + (1 - t) + 2 * (1 - s)
                            else:
                                ci, cj = ci - 1 + s, cj - 1 + t
                                e = 8 + (1 - s) + 2 * (1 - t)
                            b = _block_at(lookup, ci, cj, ck)
                            a0, a1, a2 = ci % BLOCK, cj % BLOCK, ck % BLOCK
                            p = _pattern(values[b], a0, a1, a2)
                            corners[m] = base[b, a0, a1, a2] + loop[p, e]
                        for m in range(4):
                            quads[at, m] = corners[m] if inside else corners[3 - m]
                        at += 1
    return quads


@njit(cache=True)
def _cubes(values, blocks, lookup, follower, loop, loops, grid, h, crossings):
    """Marching cubes: a vertex on each crossing edge, each loop cut into a fan."""
    owner = np.full((len(values), BLOCK, BLOCK, BLOCK, 3), -1, np.int32)
    points = np.empty((crossings, 3))
    at = 0
    for n in range(len(values)):
        v = values[n]
        for i in range(BLOCK):
            for j in range(BLOCK):
                for k in range(BLOCK):
                    for axis in range(3):
                        f0 = v[i, j, k]
                        f1 = v[i + int(axis == 0), j + int(axis == 1), k + int(axis == 2)]
                        if (f0 < 0) == (f1 < 0):
                            continue
                        t = f0 / (f0 - f1)
                        owner[n, i, j, k, axis] = at
                        points[at, 0] = grid[0] + (blocks[n, 0] + i + (t if axis == 0 else 0.0)) * h
                        points[at, 1] = grid[1] + (blocks[n, 1] + j + (t if axis == 1 else 0.0)) * h
                        points[at, 2] = grid[2] + (blocks[n, 2] + k + (t if axis == 2 else 0.0)) * h
                        at += 1
    faces = np.empty((4 * crossings, 3), np.int32)
    m = 0
    ids = np.empty(12, np.int32)
    for n in range(len(values)):
        v = values[n]
        for i in range(BLOCK):
            for j in range(BLOCK):
                for k in range(BLOCK):
                    p = _pattern(v, i, j, k)
                    if p == 0 or p == 255:
                        continue
                    for e in range(12):
                        if loop[p, e] < 0:
                            continue
                        a, b, c = _corner(e, 0)
                        ci, cj, ck = blocks[n, 0] + i + a, blocks[n, 1] + j + b, blocks[n, 2] + k + c
                        o = _block_at(lookup, ci, cj, ck)
                        ids[e] = owner[o, ci % BLOCK, cj % BLOCK, ck % BLOCK, e // 4]
                    for number in range(loops[p]):
                        start = 0
                        while loop[p, start] != number:
                            start += 1
                        one = follower[p, start]
                        two = follower[p, one]
                        while two != start:
                            faces[m, 0], faces[m, 1], faces[m, 2] = ids[start], ids[one], ids[two]
                            m += 1
                            one, two = two, follower[p, two]
    return points, faces[:m].copy()


@njit(cache=True)
def _relaxed(points, quads, share):
    """Vertices moved by `share` of the way to the mean of their neighbours along quad edges."""
    total = np.zeros_like(points)
    count = np.zeros(len(points), np.int32)
    for q in range(len(quads)):
        for m in range(4):
            a, b = quads[q, m], quads[q, (m + 1) % 4]
            for c in range(3):
                total[a, c] += points[b, c]
                total[b, c] += points[a, c]
            count[a] += 1
            count[b] += 1
    out = np.empty_like(points)
    for i in range(len(points)):
        for c in range(3):
            out[i, c] = points[i, c] + share * (total[i, c] / max(count[i], 1) - points[i, c])
    return out


@njit(cache=True)
def _split(points, quads):
    """Two triangles for each quad, along its shorter diagonal."""
    faces = np.empty((2 * len(quads), 3), np.int32)
    for q in range(len(quads)):
        a, b, c, d = quads[q, 0], quads[q, 1], quads[q, 2], quads[q, 3]
        ac, bd = 0.0, 0.0
        for k in range(3):
            ac += (points[a, k] - points[c, k]) ** 2
            bd += (points[b, k] - points[d, k]) ** 2
        if ac <= bd:
            faces[2 * q, 0], faces[2 * q, 1], faces[2 * q, 2] = a, b, c
            faces[2 * q + 1, 0], faces[2 * q + 1, 1], faces[2 * q + 1, 2] = a, c, d
        else:
            faces[2 * q, 0], faces[2 * q, 1], faces[2 * q, 2] = a, b, d
            faces[2 * q + 1, 0], faces[2 * q + 1, 1], faces[2 * q + 1, 2] = b, c, d
    return faces


def _check(corners: NDArray) -> None:
    if corners.min() < 0:
        raise RuntimeError("Surface was found in a cell that had been passed over: the field is too steep.")


def active_blocks(
    spans: NDArray, near: Callable[[NDArray, int], NDArray]
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Blocks of BLOCK cells that may hold surface, found from coarse to fine.

    spans  (3,) how many blocks of 8 * BLOCK cells the grid has along each axis
    near   says of blocks (n, 3), by their first cell, and their size in cells whether surface may be in them
    Returns blocks (n, 3) by their first cell, and the table from block number to row, -1 where there is none.
    """
    size = 8 * BLOCK
    lookup = np.full(tuple(np.asarray(spans) * size // BLOCK + 2), -1, np.int32)
    blocks = np.stack(np.meshgrid(*[np.arange(n) for n in spans], indexing="ij"), -1).reshape(-1, 3) * size
    while True:
        blocks = blocks[near(blocks, size)]
        if size == BLOCK:
            break
        size //= 2
        steps = np.array([[i, j, k] for i in (0, size) for j in (0, size) for k in (0, size)])
        blocks = (blocks[:, None, :] + steps[None]).reshape(-1, 3)
    lookup[tuple((blocks // BLOCK + 1).T)] = np.arange(len(blocks))
    return blocks, lookup


def mesh_of_values(
    values: NDArray[np.float32],
    blocks: NDArray,
    lookup: NDArray,
    grid: NDArray,
    h: float,
    turn: NDArray,
    put_back: Callable[[NDArray], NDArray],
    meshing: str = "even",
    relax: int = 3,
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Closed mesh of a field sampled at the corners (n, SIDE, SIDE, SIDE) of blocks, negative inside.

    `put_back` moves points (n, 3), turned out of the grid, onto the exact surface. Values may be changed.
    """
    if meshing not in ("even", "cubes"):
        raise ValueError(f'meshing must be "even" or "cubes", not "{meshing}".')
    _unpinch(values, blocks, lookup)
    first, crossings = _count(values, LOOPS)
    if meshing == "cubes":
        points, faces = _cubes(values, blocks, lookup, FOLLOWER, LOOP, LOOPS, grid, h, crossings[-1])
        _check(faces)
        return put_back(points @ turn.T), faces
    points, base = _dual_vertices(values, blocks, first, LOOP, LOOPS, grid, h)
    quads = _dual_quads(values, blocks, base, lookup, LOOP, crossings[-1])
    _check(quads)
    points = put_back(points @ turn.T)
    for _ in range(relax):
        points = put_back(_relaxed(points, quads, 0.5))
    return points, _split(points, quads)


def mesh(
    solid: Solid, low: NDArray, high: NDArray, h: float, turn: NDArray, meshing: str = "even", relax: int = 3
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Closed mesh of a solid inside the box low..high, from a grid of `h` mm turned against the part.

    turn     (3, 3) rotation, grid -> part: machined faces are cut obliquely, as in any scan
    meshing  "even": near isotropic facets; "cubes": marching cubes with its slivers
    relax    how many times vertices are spread over the surface ("even" only)
    Returns vertices (n, 3) in part coordinates, on the surface, and faces (m, 3).
    """
    grid, spans = grid_round(low, high, h, turn)
    model = (solid.rows, solid.skin, solid.rough, solid.coating)
    where = (grid, turn, h)
    blocks, lookup = active_blocks(spans, lambda b, size: _active(b, size, *where, *model))
    values = _sample(blocks, *where, *model)
    return mesh_of_values(values, blocks, lookup, grid, h, turn, lambda p: solid.project(p, 0.5 * h), meshing, relax)


def grid_round(low: NDArray, high: NDArray, h: float, turn: NDArray) -> tuple[NDArray, NDArray]:
    """First corner of a turned grid of `h` mm round a box, and its spans in blocks of 8 * BLOCK cells."""
    corners = np.stack(np.meshgrid(*np.column_stack([low, high]), indexing="ij"), -1).reshape(-1, 3) @ turn
    grid = corners.min(axis=0) - h
    return grid, np.ceil((corners.max(axis=0) + h - grid) / (8 * BLOCK * h)).astype(np.int64)
