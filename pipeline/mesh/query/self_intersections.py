"""Pairs of facets of one surface that pass through each other.

Facets are put in the order of a space-filling curve, boxes of eight facets are the leaves of a complete
binary tree, and each facet looks up the tree. Cost: some 35 bytes a facet looked up, and 2 s of CPU a
million facets when all are looked up; with a small subset, 0.1 s a million.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Bytes, Floats, Indices, Ints, Longs, Mask, Singles, box_of
from pipeline.jit import njit, prange
from pipeline.mesh.query.facet_tree import leaves_of
from pipeline.mesh.topology import mean_edge

_LEAF = 8
_BLOCK = 1024  # facets that a thread takes at once
_CELLS = 128  # of the coarse grid, along its longest side


class _Tree(NamedTuple):
    """Facets `order` (k,) in leaves of eight; rank (m,) place of each facet there, -1 none.

    boxes (2 * leaves, 6): boxes[1] is the root's, boxes[leaves + i] that of order[8 i : 8 i + 8].
    """

    order: Ints
    rank: Ints
    boxes: Singles


def self_intersections(vertices: Floats, faces: Ints, subset: Indices | Ints | Mask | None = None) -> Ints:
    """(k, 2) pairs of facets that cross, smaller index first, sorted.

    vertices, faces  (n, 3) mm and (m, 3)
    subset           facet indices or (m,) mask: only pairs with at least one of these facets are looked for

    Facets that share a corner count when they meet elsewhere too; facets that share an edge when they
    lie folded onto each other. Touching is not crossing.

    Whether an edge passes through a facet is told by the signed volumes that its ends make with the facet, and that it
    makes with the facet's sides. Boxes are looked up in a tree over a Morton curve.

    >>> flat, upright = [[0, 0, 0], [4, 0, 0], [0, 4, 0]], [[1, 1, -1], [1, 1, 1], [5, 5, 0]]
    >>> self_intersections(np.array(flat + upright, float), np.array([[0, 1, 2], [3, 4, 5]], np.int32)).tolist()
    [[0, 1]]
    """
    vertices = np.ascontiguousarray(vertices, dtype=np.float64)
    faces = np.ascontiguousarray(faces, dtype=np.int32)
    if subset is None:
        chosen = np.arange(len(faces), dtype=np.int32)
    else:
        chosen = (np.flatnonzero(subset) if subset.dtype == bool else np.unique(subset)).astype(np.int32)
    if len(chosen) == 0 or len(faces) < 2:
        return np.empty((0, 2), np.int32)
    used = vertices[faces[chosen].ravel()]
    low, high = box_of(used)
    code = _morton(vertices, faces, chosen, low, 1023.0 / max(float((high - low).max()), 1e-300))
    order = chosen[np.argsort(code, kind="stable")]
    del code, used
    leaves = leaves_of(len(order), _LEAF)
    boxes = np.empty((2 * leaves, 6), np.float32)
    _grow_tree(vertices, faces, order, leaves, boxes)
    rank = np.full(len(faces), -1, np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    if subset is None:
        queries = order
    else:
        size = max(float((boxes[1, 3:] - boxes[1, :3]).max()) / _CELLS, 1e-30)
        cells = _cells(vertices, faces, chosen, boxes[1, :3], boxes[1, 3:], size)
        near = _near(vertices, faces, boxes, cells, size)
        queries = np.flatnonzero(near).astype(np.int32)
    tree = _Tree(order, rank, boxes)
    nowhere = np.empty((0, 2), np.int32)
    counts = _look_up(vertices, faces, tree, queries, np.zeros(len(queries), np.int64), nowhere)
    hits = np.flatnonzero(counts)
    starts = np.concatenate([[0], np.cumsum(counts[hits])]).astype(np.int64)
    pairs = np.empty((int(starts[-1]), 2), np.int32)
    if len(pairs):
        _look_up(vertices, faces, tree, queries[hits], starts, pairs)
        pairs.sort(axis=1)
        pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    return pairs


def vertices_near_new(vertices: Floats, faces: Ints, crossing: Floats) -> tuple[Mask, int]:
    """Vertices (n,) near facets (k, 3, 3) that cross in a mesh made of this one, where this one does not.

    vertices, faces  (n, 3) mm and (m, 3), this mesh
    crossing         (k, 3, 3) mm, corners of facets of the other

    Near is what lies in a facet's box, with a mean edge on all sides. Told as well is how many facets of this mesh
    cross near those of the other.

    >>> v = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [9.0, 9.0, 0.0], [0.0, 9.0, 0.0]])
    >>> crossing = np.array([[[-15.0, 0.0, 0.0], [-11.0, 0.0, 4.0], [-11.0, 4.0, 0.0]]])
    >>> near, count = vertices_near_new(v, np.array([[0, 1, 2], [0, 2, 3]], np.int32), crossing + [3.0, 0.0, 0.0])
    >>> near.tolist(), count
    ([True, False, False, True], 0)
    """
    out = np.zeros(len(vertices), dtype=np.bool_)
    if not len(crossing):
        return out, 0
    inside = _in_boxes(vertices, crossing, mean_edge(vertices, faces))
    for box in inside:
        out[box] = True
    found = np.unique(self_intersections(vertices, faces, np.flatnonzero(out[faces].any(axis=1))))
    here = np.zeros(len(vertices), dtype=np.bool_)
    here[faces[found]] = True
    out[:] = False
    for box in inside:
        out[box] |= not here[box].any()
    return out, len(found)


def _in_boxes(vertices: Floats, corners: Floats, beyond: float) -> list[Indices]:
    """Indices of the vertices (n, 3) in the box of each facet of corners (k, 3, 3), and so far `beyond` it."""
    low, high = corners.min(axis=1) - beyond, corners.max(axis=1) + beyond
    axis = int(np.argmax(np.ptp(vertices, axis=0)))
    order = np.argsort(vertices[:, axis])
    along = vertices[order, axis]
    first, last = np.searchsorted(along, low[:, axis]), np.searchsorted(along, high[:, axis], side="right")
    out = []
    for k in range(len(corners)):
        slab = order[first[k] : last[k]]
        out.append(slab[((vertices[slab] >= low[k]) & (vertices[slab] <= high[k])).all(axis=1)])
    return out


@njit(cache=True)
def _spread(x: int) -> int:
    x = (x | (x << 16)) & 0x030000FF
    x = (x | (x << 8)) & 0x0300F00F
    x = (x | (x << 4)) & 0x030C30C3
    return (x | (x << 2)) & 0x09249249


@njit(cache=True, parallel=True)
def _morton(v: Floats, f: Ints, chosen: Ints, low: Floats, scale: float) -> NDArray[np.uint32]:
    """Codes (k,) of the facets' middles along a Morton curve of 1024 cells each way."""
    out = np.empty(len(chosen), np.uint32)
    for i in prange(len(chosen)):
        t = chosen[i]
        code = 0
        for k in range(3):
            x = (v[f[t, 0], k] + v[f[t, 1], k] + v[f[t, 2], k]) / 3.0
            code |= _spread(int((x - low[k]) * scale)) << k
        out[i] = code
    return out


@njit(cache=True)
def _box(v: Floats, f: Ints, t: int, box: Floats) -> None:
    for k in range(3):
        a, b, c = v[f[t, 0], k], v[f[t, 1], k], v[f[t, 2], k]
        box[k] = min(a, b, c)
        box[3 + k] = max(a, b, c)


@njit(cache=True)
def _grow_tree(v: Floats, f: Ints, order: Ints, leaves: int, boxes: Singles) -> None:
    """boxes[1] is the root, boxes[leaves + i] the leaf of order[8 i : 8 i + 8]; widened by the rounding."""
    box = np.empty(6)
    for i in range(leaves):
        for k in range(3):
            boxes[leaves + i, k] = np.inf
            boxes[leaves + i, 3 + k] = -np.inf
        for j in range(i * _LEAF, min((i + 1) * _LEAF, len(order))):
            _box(v, f, order[j], box)
            for k in range(3):
                slack = 2e-7 * max(abs(box[k]), abs(box[3 + k]))
                boxes[leaves + i, k] = min(boxes[leaves + i, k], box[k] - slack)
                boxes[leaves + i, 3 + k] = max(boxes[leaves + i, 3 + k], box[3 + k] + slack)
    for node in range(leaves - 1, 0, -1):
        for k in range(3):
            boxes[node, k] = min(boxes[2 * node, k], boxes[2 * node + 1, k])
            boxes[node, 3 + k] = max(boxes[2 * node, 3 + k], boxes[2 * node + 1, 3 + k])


@njit(cache=True)
def _apart(box: Floats, boxes: Singles, node: int) -> bool:
    clear = False
    for k in range(3):
        clear |= box[k] > boxes[node, 3 + k] or box[3 + k] < boxes[node, k]
    return clear


@njit(cache=True)
def _cells(v: Floats, f: Ints, chosen: Ints, low: Singles, high: Singles, size: float) -> Bytes:
    """Bytes of a coarse grid: 1 in cells within `size` of the box of a chosen facet."""
    count = np.empty(3, np.int64)
    for k in range(3):
        count[k] = int((high[k] - low[k]) / size) + 4
    cells = np.zeros((count[0], count[1], count[2]), np.uint8)
    box = np.empty(6)
    a, b = np.empty(3, np.int64), np.empty(3, np.int64)
    for t in chosen:
        _box(v, f, t, box)
        for k in range(3):
            a[k] = max(int((box[k] - low[k]) / size), 0)
            b[k] = min(int((box[3 + k] - low[k]) / size) + 3, count[k])
        cells[a[0] : b[0], a[1] : b[1], a[2] : b[2]] = 1
    return cells


@njit(cache=True)
def _meets_leaf(box: Floats, boxes: Singles, stack: Ints) -> bool:
    """Whether a box meets that of a leaf of the tree; stack (64,) is working memory."""
    leaves = len(boxes) // 2
    stack[0] = 1
    top = 1
    while top > 0:
        top -= 1
        node = stack[top]
        if _apart(box, boxes, node):
            continue
        if node >= leaves:
            return True
        stack[top], stack[top + 1] = 2 * node, 2 * node + 1
        top += 2
    return False


@njit(cache=True, parallel=True)
def _near(v: Floats, f: Ints, boxes: Singles, cells: Bytes, size: float) -> Mask:
    """(m,) facets whose box meets the box of a leaf of the tree: nearly all are out of the way.

    cells  what `_cells` makes; a facet smaller than a cell is out of the way where its first corner's is 0.
    """
    out = np.zeros(len(f), np.bool_)
    root = np.int32(1)
    for block in prange((len(f) + _BLOCK - 1) // _BLOCK):
        box, stack = np.empty(6), np.empty(64, np.int32)
        for t in range(block * _BLOCK, min((block + 1) * _BLOCK, len(f))):
            _box(v, f, int(np.int32(t)), box)
            if _apart(box, boxes, root):
                continue
            if max(box[3] - box[0], box[4] - box[1], box[5] - box[2]) < size:
                p = f[t, 0]
                x = int((v[p, 0] - boxes[1, 0]) / size + 1.0)
                y = int((v[p, 1] - boxes[1, 1]) / size + 1.0)
                z = int((v[p, 2] - boxes[1, 2]) / size + 1.0)
                if cells[x, y, z] == 0:
                    continue
            out[t] = _meets_leaf(box, boxes, stack)
    return out


@njit(cache=True)
def _clear(box: Floats, other: Floats) -> bool:
    out = False
    for k in range(3):
        out |= box[k] > other[3 + k] or box[3 + k] < other[k]
    return out


@njit(cache=True)
def _crossed_by(v: Floats, f: Ints, tree: _Tree, t: int, pairs: Ints, at: int, boxes: Floats, stack: Ints) -> int:
    """How many facets behind t in the tree's order it crosses; the pairs go to pairs[at:] where there is room.

    boxes (2, 6) and stack (64,) are working memory.
    """
    box, other = boxes[0], boxes[1]
    order, rank, nodes = tree
    leaves = len(nodes) // 2
    mine = rank[t]
    _box(v, f, t, box)
    found = 0
    stack[0] = 1
    top = 1
    while top > 0:
        top -= 1
        node = stack[top]
        if _apart(box, nodes, node):
            continue
        if node < leaves:
            stack[top], stack[top + 1] = 2 * node, 2 * node + 1
            top += 2
            continue
        first = (node - leaves) * _LEAF
        for j in range(max(first, mine + 1), min(first + _LEAF, len(order))):
            s = order[j]
            if s == t:
                continue
            _box(v, f, s, other)
            if _clear(box, other) or not _crossing(v, f, s, t):
                continue
            if len(pairs) > 0:
                pairs[at + found, 0] = s
                pairs[at + found, 1] = t
            found += 1
    return found


@njit(cache=True, parallel=True)
def _look_up(v: Floats, f: Ints, tree: _Tree, queries: Ints, starts: Longs, pairs: Ints) -> Ints:
    """How many facets each query crosses (q,); where `pairs` has rows they are written too, from starts (q,) on."""
    counts = np.zeros(len(queries), np.int32)
    for block in prange((len(queries) + _BLOCK - 1) // _BLOCK):
        boxes = np.empty((2, 6))
        stack = np.empty(64, np.int32)
        for q in range(block * _BLOCK, min((block + 1) * _BLOCK, len(queries))):
            counts[q] = _crossed_by(v, f, tree, queries[q], pairs, starts[q], boxes, stack)
    return counts


@njit(cache=True)
def _orient3d(v: Floats, a: int, b: int, c: int, d: int) -> float:
    """Six times the volume of a, b, c, d."""
    ax, ay, az = v[a, 0] - v[d, 0], v[a, 1] - v[d, 1], v[a, 2] - v[d, 2]
    bx, by, bz = v[b, 0] - v[d, 0], v[b, 1] - v[d, 1], v[b, 2] - v[d, 2]
    cx, cy, cz = v[c, 0] - v[d, 0], v[c, 1] - v[d, 1], v[c, 2] - v[d, 2]
    return ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)


@njit(cache=True)
def _pierces(v: Floats, p: int, q: int, a: int, b: int, c: int) -> bool:
    """The segment p q passes through the inside of triangle a b c, by more than rounding."""
    sp, sq = _orient3d(v, a, b, c, p), _orient3d(v, a, b, c, q)
    if sp * sq >= 0.0:
        return False
    square = max(_square(v, p, q), _square(v, a, b), _square(v, b, c), _square(v, c, a))
    least = 1e-10 * square * np.sqrt(square)
    if abs(sp) < least or abs(sq) < least:
        return False
    s1, s2, s3 = _orient3d(v, p, q, a, b), _orient3d(v, p, q, b, c), _orient3d(v, p, q, c, a)
    return (s1 > least and s2 > least and s3 > least) or (s1 < -least and s2 < -least and s3 < -least)


@njit(cache=True)
def _square(v: Floats, a: int, b: int) -> float:
    return (v[a, 0] - v[b, 0]) ** 2 + (v[a, 1] - v[b, 1]) ** 2 + (v[a, 2] - v[b, 2]) ** 2


@njit(cache=True)
def _crossing(v: Floats, f: Ints, s: int, t: int) -> bool:
    """Corners of both facets are rolled so that the shared ones stand first."""
    shared = 0
    si, ti = 0, 0
    s_both, t_both = 0, 0
    for i in range(3):
        for j in range(3):
            if f[s, i] == f[t, j]:
                shared += 1
                si, ti = i, j
                s_both += i
                t_both += j
    if shared == 3:
        return True
    if shared == 2:
        return _folded(v, f, s, t, 3 - s_both, 3 - t_both)
    a, b, c = f[s, si], f[s, (si + 1) % 3], f[s, (si + 2) % 3]
    d, e, g = f[t, ti], f[t, (ti + 1) % 3], f[t, (ti + 2) % 3]
    if shared == 1:
        return _pierces(v, b, c, d, e, g) or _pierces(v, e, g, a, b, c) or _flat_overlap(v, a, b, c, d, e, g)
    return (
        _pierces(v, a, b, d, e, g)
        or _pierces(v, b, c, d, e, g)
        or _pierces(v, c, a, d, e, g)
        or _pierces(v, d, e, a, b, c)
        or _pierces(v, e, g, a, b, c)
        or _pierces(v, g, d, a, b, c)
        or _flat_overlap(v, a, b, c, d, e, g)
    )


@njit(cache=True)
def _folded(v: Floats, f: Ints, s: int, t: int, si: int, ti: int) -> bool:
    """Two facets on one edge: in one plane to rounding, with their third corners (si, ti) on one side."""
    p, q = f[s, (si + 1) % 3], f[s, (si + 2) % 3]
    a, b = f[s, si], f[t, ti]
    n = np.empty((2, 3))
    for k in range(2):
        c = a if k == 0 else b
        ux, uy, uz = v[q, 0] - v[p, 0], v[q, 1] - v[p, 1], v[q, 2] - v[p, 2]
        wx, wy, wz = v[c, 0] - v[p, 0], v[c, 1] - v[p, 1], v[c, 2] - v[p, 2]
        n[k, 0], n[k, 1], n[k, 2] = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    dot = n[0, 0] * n[1, 0] + n[0, 1] * n[1, 1] + n[0, 2] * n[1, 2]
    if dot <= 0.0:
        return False
    size = (n[0] ** 2).sum() * (n[1] ** 2).sum()
    return size - dot * dot < 1e-18 * size


@njit(cache=True)
def _flat_overlap(v: Floats, a: int, b: int, c: int, d: int, e: int, g: int) -> bool:
    """Both facets in one plane to rounding, and an edge of one crosses an edge of the other or lies inside."""
    ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
    wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
    nx, ny, nz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    size = np.sqrt(nx * nx + ny * ny + nz * nz)
    if size == 0.0:
        return False
    scale = np.sqrt(size)
    for p in (d, e, g):
        h = nx * (v[p, 0] - v[a, 0]) + ny * (v[p, 1] - v[a, 1]) + nz * (v[p, 2] - v[a, 2])
        if abs(h) > 1e-9 * size * scale:
            return False
    i, j = 0, 1
    if abs(nx) >= abs(ny) and abs(nx) >= abs(nz):
        i, j = 1, 2
    elif abs(ny) >= abs(nz):
        i, j = 2, 0
    first = (a, b, c)
    second = (d, e, g)
    for k in range(3):
        p, q = first[k], first[(k + 1) % 3]
        for m in range(3):
            r, s = second[m], second[(m + 1) % 3]
            t1, t2 = _orient2d(v, p, q, r, i, j), _orient2d(v, p, q, s, i, j)
            t3, t4 = _orient2d(v, r, s, p, i, j), _orient2d(v, r, s, q, i, j)
            if t1 * t2 < 0.0 and t3 * t4 < 0.0:
                return True
    return _has_centre(v, first, second, i, j) or _has_centre(v, second, first, i, j)


@njit(cache=True)
def _orient2d(v: Floats, a: int, b: int, c: int, i: int, j: int) -> float:
    """Twice the signed area of a, b, c in the plane of axes i and j."""
    return (v[b, i] - v[a, i]) * (v[c, j] - v[a, j]) - (v[b, j] - v[a, j]) * (v[c, i] - v[a, i])


@njit(cache=True)
def _has_centre(v: Floats, outer: tuple[int, int, int], inner: tuple[int, int, int], i: int, j: int) -> bool:
    x = (v[inner[0], i] + v[inner[1], i] + v[inner[2], i]) / 3.0
    y = (v[inner[0], j] + v[inner[1], j] + v[inner[2], j]) / 3.0
    plus = minus = 0
    for k in range(3):
        a, b = outer[k], outer[(k + 1) % 3]
        t = (v[b, i] - v[a, i]) * (y - v[a, j]) - (v[b, j] - v[a, j]) * (x - v[a, i])
        plus += t > 0.0
        minus += t < 0.0
    return plus == 3 or minus == 3
