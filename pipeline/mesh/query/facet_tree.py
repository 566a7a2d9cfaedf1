"""A tree of boxes over facets, and how far apart two of its boxes are at least, standing still or on the way.

Facets are split in halves along the longest side of what their middles cover until four or fewer are left; the tree is
complete, so that it needs no links. A box lies flat on its facets where these look much the same way (Gottschalk, Lin,
Manocha, "OBBTree" (1996)): two surfaces that run along each other, a shaft in its bore, are told apart by boxes of many
facets then. Some 140 bytes a facet, and 1.5 us of CPU a facet to grow.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.geometry import Floats, Ints, Point, point_after
from pipeline.jit import njit, prange

LEAF = 4  # facets in a leaf at most
_FLAT = 0.7  # length of the sum of facets' area vectors over that of their areas, from which on a box lies on them
_MOST_FLAT = 1024  # facets of a box that lies on them: of more, the coordinate axes serve as well
_SLACK = 1e-14  # of a box's place and size, by which it is larger than its corners say


class FacetTree(NamedTuple):
    """Facets of a mesh in a complete binary tree of boxes.

    corners  (m, 3, 3) mm, facets in the order of the leaves
    facet    (m,) which facet of the mesh each is
    normals  (m, 3) unit; nought where a facet has no area
    boxes    (2 * leaves, 15) middle, three unit axes, half sides, mm; boxes[1] is the root's, the children of i are 2 i
             and 2 i + 1, and boxes[leaves + i] is that of the facets from m i // leaves to m (i + 1) // leaves
    """

    corners: Floats
    facet: Ints
    normals: Floats
    boxes: Floats


def facet_tree(vertices: ArrayLike, faces: ArrayLike) -> FacetTree:
    """The tree of a mesh, vertices (n, 3) mm and faces (m, 3); raises ValueError when there are no facets.

    >>> tree = facet_tree([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> tree.boxes[1, 12:].round(6).tolist()
    [0.0, 0.707107, 0.353553]
    """
    corners = np.asarray(vertices, dtype=np.float64)[np.asarray(faces, dtype=np.int64)]
    if not len(corners):
        raise ValueError("a mesh without facets has no tree")
    leaves = leaves_of(len(corners))
    order = np.arange(len(corners), dtype=np.int32)
    in_leaves(corners.sum(axis=1), order, leaves)
    corners = np.ascontiguousarray(corners[order])
    boxes = np.zeros((2 * leaves, 15))
    _grow(corners, boxes, leaves)
    normals = np.empty((len(corners), 3))
    _looks(corners, normals)
    return FacetTree(corners, order, normals, boxes)


def leaves_of(facets: int, leaf: int = LEAF) -> int:
    """How many leaves, of so many facets at most, a tree of facets has: a power of two.

    >>> leaves_of(4), leaves_of(5), leaves_of(100), leaves_of(100, 8)
    (1, 2, 32, 16)
    """
    leaves = 1
    while leaves * leaf < facets:
        leaves *= 2
    return leaves


@njit(cache=True, parallel=True)
def in_leaves(middles: Floats, order: Ints, leaves: int) -> None:
    """Put facets, `order` (m,), into the order of the leaves; their middles (m, 3) to any scale.

    >>> order = np.arange(8, dtype=np.int32)
    >>> in_leaves(np.array([[x, 0.0, 0.0] for x in (7.0, 1, 6, 2, 0, 5, 3, 4)]), order, 2)
    >>> sorted(order[:4].tolist())
    [1, 3, 4, 6]
    """
    m, width, count = len(order), leaves, 1
    while width > 1:
        half = width // 2
        for i in prange(count):
            at = np.int64(i) * width
            low, mid, high = at * m // leaves, (at + half) * m // leaves, (at + width) * m // leaves
            if high - low > 1:
                _select(middles, order, low, mid, high)
        width, count = half, 2 * count


@njit(cache=True)
def _select(middles: Floats, order: Ints, low: int, mid: int, high: int) -> None:
    """Order facets low to high so that those before mid come before the others along their longest side (Hoare)."""
    axis, longest = 0, -1.0
    for d in range(3):
        least = most = middles[order[low], d]
        for k in range(low + 1, high):
            x = middles[order[k], d]
            least, most = min(least, x), max(most, x)
        if most - least > longest:
            axis, longest = d, most - least
    high -= 1
    while low < high:
        a, b, c = middles[order[low], axis], middles[order[(low + high) // 2], axis], middles[order[high], axis]
        pivot = max(min(a, b), min(max(a, b), c))
        i, k = low, high
        while i <= k:
            while middles[order[i], axis] < pivot:
                i += 1
            while middles[order[k], axis] > pivot:
                k -= 1
            if i <= k:
                order[i], order[k] = order[k], order[i]
                i += 1
                k -= 1
        if mid <= k:
            high = k
        elif mid >= i:
            low = i
        else:
            break


@njit(cache=True, parallel=True)
def _looks(corners: Floats, normals: Floats) -> None:
    for f in prange(len(corners)):
        n = cross_of(point_of(corners[f], 1, corners[f], 0), point_of(corners[f], 2, corners[f], 0))
        size = np.sqrt(dot_of(n, n))
        for d in range(3):
            normals[f, d] = n[d] / size if size > 0.0 else 0.0


@njit(cache=True, parallel=True)
def _grow(corners: Floats, boxes: Floats, leaves: int) -> None:
    """Boxes of the leaves, then of all above them, a level at a time."""
    m, first = len(corners), leaves
    # Of each box: low and high corner along the coordinate axes, sum of area vectors, sum of areas.
    sums = np.empty((2 * leaves, 10))
    while first > 0:
        share = leaves // first
        for i in prange(first):
            at = np.int64(i)
            low, high = at * share * m // leaves, (at + 1) * share * m // leaves
            if share == 1:
                _add_up(corners, low, high, sums[first + at])
            else:
                _join(sums, first + at)
            _lay(corners, low, high, sums[first + at], boxes[first + at])
        first //= 2


@njit(cache=True)
def _add_up(corners: Floats, low: int, high: int, out: Floats) -> None:
    for d in range(3):
        out[d], out[3 + d], out[6 + d] = np.inf, -np.inf, 0.0
    out[9] = 0.0
    for f in range(low, high):
        for d in range(3):
            for c in range(3):
                out[d] = min(out[d], corners[f, c, d])
                out[3 + d] = max(out[3 + d], corners[f, c, d])
        e = point_of(corners[f], 1, corners[f], 0)
        g = point_of(corners[f], 2, corners[f], 0)
        n = cross_of(e, g)
        out[6] += n[0]
        out[7] += n[1]
        out[8] += n[2]
        out[9] += np.sqrt(dot_of(n, n))


@njit(cache=True)
def _join(sums: Floats, i: int) -> None:
    for d in range(3):
        sums[i, d] = min(sums[2 * i, d], sums[2 * i + 1, d])
        sums[i, 3 + d] = max(sums[2 * i, 3 + d], sums[2 * i + 1, 3 + d])
    for d in range(6, 10):
        sums[i, d] = sums[2 * i, d] + sums[2 * i + 1, d]


@njit(cache=True)
def _lay(corners: Floats, low: int, high: int, sums: Floats, box: Floats) -> None:
    """The box of facets low to high, flat on them where they are few and look one way."""
    size = np.sqrt(sums[6] ** 2 + sums[7] ** 2 + sums[8] ** 2)
    for d in range(3):
        box[3 + 4 * d] = 1.0
        box[d] = 0.5 * (sums[d] + sums[3 + d])
        box[12 + d] = 0.5 * (sums[3 + d] - sums[d])
    if high - low <= _MOST_FLAT and size > _FLAT * sums[9] and size > 0.0:
        n = (sums[6] / size, sums[7] / size, sums[8] / size)
        along = _along_most(corners, low, high, sums, n)
        across = cross_of(n, along)
        for d in range(3):
            box[3 + d], box[6 + d], box[9 + d] = n[d], along[d], across[d]
        middle = (box[0], box[1], box[2])
        for d in range(3):
            axis = (box[3 + 3 * d], box[4 + 3 * d], box[5 + 3 * d])
            least, most = np.inf, -np.inf
            for f in range(low, high):
                for c in range(3):
                    x = (
                        axis[0] * (corners[f, c, 0] - middle[0])
                        + axis[1] * (corners[f, c, 1] - middle[1])
                        + axis[2] * (corners[f, c, 2] - middle[2])
                    )
                    least, most = min(least, x), max(most, x)
            box[12 + d] = 0.5 * (most - least)
            for e in range(3):
                box[e] += 0.5 * (least + most) * axis[e]
    slack = _SLACK * (abs(box[0]) + abs(box[1]) + abs(box[2]) + box[12] + box[13] + box[14])
    for d in range(3):
        box[12 + d] += slack


@njit(cache=True)
def _along_most(corners: Floats, low: int, high: int, sums: Floats, n: Point) -> Point:
    """The unit direction across n in which facets reach far: that of an edge where they are few, else of a side."""
    along, longest = (0.0, 0.0, 0.0), -1.0
    if high - low <= 4 * LEAF:
        for f in range(low, high):
            for c in range(3):
                e = point_of(corners[f], (c + 1) % 3, corners[f], c)
                if dot_of(e, e) > longest:
                    along, longest = e, dot_of(e, e)
    else:
        for d in range(3):
            # Squares of a side across n, so that a side along it is not taken.
            e = (1.0 * (d == 0), 1.0 * (d == 1), 1.0 * (d == 2))
            side = (sums[3 + d] - sums[d]) ** 2 * (1.0 - n[d] * n[d])
            if side > longest:
                along, longest = e, side
    off = dot_of(along, n)
    along = (along[0] - off * n[0], along[1] - off * n[1], along[2] - off * n[2])
    size = np.sqrt(dot_of(along, along))
    if size < 1e-12 * np.sqrt(max(longest, 1e-300)):
        k = 0 if abs(n[0]) < 0.6 else 1
        along = cross_of(n, (1.0 * (k == 0), 1.0 * (k == 1), 0.0))
        size = np.sqrt(dot_of(along, along))
    return along[0] / size, along[1] / size, along[2] / size


@njit(cache=True, inline="always")
def point_of(points: Floats, i: int, base: Floats, k: int) -> Point:
    """From point k of `base` (n, 3) to point i of `points` (m, 3); for compiled code."""
    return points[i, 0] - base[k, 0], points[i, 1] - base[k, 1], points[i, 2] - base[k, 2]


@njit(cache=True, inline="always")
def dot_of(p: Point, q: Point) -> float:
    """Scalar product; for compiled code."""
    return p[0] * q[0] + p[1] * q[1] + p[2] * q[2]


@njit(cache=True, inline="always")
def cross_of(p: Point, q: Point) -> Point:
    """Vector product; for compiled code."""
    return p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]


@njit(cache=True, inline="always")
def _axis(boxes: Floats, i: int, d: int) -> Point:
    return boxes[i, 3 + 3 * d], boxes[i, 4 + 3 * d], boxes[i, 5 + 3 * d]


@njit(cache=True, inline="always")
def turned_of(motion: Floats, p: Point) -> Point:
    """A direction after a motion (4, 4); for compiled code."""
    return (
        motion[0, 0] * p[0] + motion[0, 1] * p[1] + motion[0, 2] * p[2],
        motion[1, 0] * p[0] + motion[1, 1] * p[1] + motion[1, 2] * p[2],
        motion[2, 0] * p[0] + motion[2, 1] * p[1] + motion[2, 2] * p[2],
    )


@njit(cache=True, inline="always")
def _stands(one: Floats, i: int, motion: Floats, still: bool) -> tuple[Point, Point, Point, Point]:
    """Three axes and the middle of a box after a motion (4, 4); `still`: that is none."""
    u, v, w, at = _axis(one, i, 0), _axis(one, i, 1), _axis(one, i, 2), (one[i, 0], one[i, 1], one[i, 2])
    if not still:
        u, v, w, at = turned_of(motion, u), turned_of(motion, v), turned_of(motion, w), point_after(motion, at)
    return u, v, w, at


@njit(cache=True, inline="always")
def _beyond(apart: float, reach: float) -> float:
    return max(abs(apart) - reach, 0.0)


@njit(cache=True)
def boxes_apart(one: Floats, i: int, other: Floats, k: int, motion: Floats, still: bool, enough: float) -> float:
    """Squared distance, mm2, that box i of the one tree after a motion (4, 4) has from box k of the other, at least.

    still   the motion is none
    enough  mm2, from which on any figure will do

    Along the axes of either box both are as boxes of those axes at most, and as far from each other at least.
    """
    u, v, w, at = _stands(one, i, motion, still)
    p, q, r = _axis(other, k, 0), _axis(other, k, 1), _axis(other, k, 2)
    t = (other[k, 0] - at[0], other[k, 1] - at[1], other[k, 2] - at[2])
    a, b, c = one[i, 12], one[i, 13], one[i, 14]
    d, e, f = other[k, 12], other[k, 13], other[k, 14]
    up, uq, ur = abs(dot_of(u, p)), abs(dot_of(u, q)), abs(dot_of(u, r))
    vp, vq, vr = abs(dot_of(v, p)), abs(dot_of(v, q)), abs(dot_of(v, r))
    wp, wq, wr = abs(dot_of(w, p)), abs(dot_of(w, q)), abs(dot_of(w, r))
    x = _beyond(dot_of(u, t), a + up * d + uq * e + ur * f)
    y = _beyond(dot_of(v, t), b + vp * d + vq * e + vr * f)
    z = _beyond(dot_of(w, t), c + wp * d + wq * e + wr * f)
    first = x * x + y * y + z * z
    if first >= enough:
        return first
    x = _beyond(dot_of(p, t), d + up * a + vp * b + wp * c)
    y = _beyond(dot_of(q, t), e + uq * a + vq * b + wq * c)
    z = _beyond(dot_of(r, t), f + ur * a + vr * b + wr * c)
    return max(first, x * x + y * y + z * z)


@njit(cache=True, inline="always")
def _when(apart: float, reach: float, speed: float, span: tuple[float, float]) -> tuple[float, float]:
    """Of a span of times the part in which two middles are no farther apart along an axis than `reach`."""
    if abs(speed) < 1e-14:
        return span if abs(apart) <= reach else (np.inf, -np.inf)
    low, high = (apart - reach) / speed, (apart + reach) / speed
    return max(span[0], min(low, high)), min(span[1], max(low, high))


@njit(cache=True)
def boxes_meet(
    one: Floats, i: int, other: Floats, k: int, motion: Floats, along: Point, gap: float
) -> tuple[float, float]:
    """From when until when box i of the one tree may be within `gap` mm of box k of the other.

    The one is moved by a motion (4, 4), and then `along` times what is told; from above until: never.
    """
    u, v, w, at = _stands(one, i, motion, False)
    p, q, r = _axis(other, k, 0), _axis(other, k, 1), _axis(other, k, 2)
    t = (other[k, 0] - at[0], other[k, 1] - at[1], other[k, 2] - at[2])
    a, b, c = one[i, 12], one[i, 13], one[i, 14]
    d, e, f = other[k, 12], other[k, 13], other[k, 14]
    up, uq, ur = abs(dot_of(u, p)), abs(dot_of(u, q)), abs(dot_of(u, r))
    vp, vq, vr = abs(dot_of(v, p)), abs(dot_of(v, q)), abs(dot_of(v, r))
    wp, wq, wr = abs(dot_of(w, p)), abs(dot_of(w, q)), abs(dot_of(w, r))
    span = (-np.inf, np.inf)
    span = _when(dot_of(u, t), gap + a + up * d + uq * e + ur * f, dot_of(u, along), span)
    span = _when(dot_of(v, t), gap + b + vp * d + vq * e + vr * f, dot_of(v, along), span)
    span = _when(dot_of(w, t), gap + c + wp * d + wq * e + wr * f, dot_of(w, along), span)
    if span[0] > span[1]:
        return span
    span = _when(dot_of(p, t), gap + d + up * a + vp * b + wp * c, dot_of(p, along), span)
    span = _when(dot_of(q, t), gap + e + uq * a + vq * b + wq * c, dot_of(q, along), span)
    return _when(dot_of(r, t), gap + f + ur * a + vr * b + wr * c, dot_of(r, along), span)


@njit(cache=True, inline="always")
def is_first_split(one: Floats, i: int, other: Floats, k: int) -> bool:
    """Of a pair of nodes, whether to go down in the first tree: the larger box, where both have children."""
    if 2 * i >= len(one):
        return False
    size = one[i, 12] + one[i, 13] + one[i, 14]
    return 2 * k >= len(other) or size >= other[k, 12] + other[k, 13] + other[k, 14]
