"""A tree of boxes over facets, and what two of them tell: the least distance of two meshes and the pairs that cross.

Facets are split in halves along the longest side of what their middles cover until four or fewer are left; the tree is
complete, so that it needs no links. Two trees are gone through together, nearer pairs of boxes first, and what can't be
nearer than the best so far is left out; of facets too, by each other's planes, without which surfaces that run along
each other (a shaft in its bore) cost a hundred times as much. Some 130 bytes a facet, and 1 us of CPU a facet to grow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.geometry import Floats, Ints, Longs
from pipeline.jit import njit, prange
from pipeline.mesh.query.facet_pairs import nearest_of_pair, parting

_LEAF = 4


class FacetTree(NamedTuple):
    """Facets of a mesh in a complete binary tree of boxes.

    corners  (m, 3, 3) mm, facets in the order of the leaves
    facet    (m,) which facet of the mesh each is
    boxes    (2 * leaves, 6) mm, low and high corner; boxes[1] is the root's, the children of i are 2 i and 2 i + 1,
             and boxes[leaves + i] is that of the facets from m i // leaves to m (i + 1) // leaves
    """

    corners: Floats
    facet: Ints
    boxes: Floats


class _Marks(NamedTuple):
    """`Meant` with facets in the trees' orders and squared distances."""

    one: Longs
    other: Longs
    least: Floats


@dataclass(frozen=True)
class NearestFacets:
    """Where two meshes are nearest to each other.

    distance          mm; 0 where they touch or cross
    on_one, on_other  (3,) mm
    facets            of the one and of the other mesh
    """

    distance: float
    on_one: Floats
    on_other: Floats
    facets: tuple[int, int]


def facet_tree(vertices: ArrayLike, faces: ArrayLike) -> FacetTree:
    """The tree of a mesh, vertices (n, 3) mm and faces (m, 3); raises ValueError when there are no facets.

    >>> tree = facet_tree([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> tree.boxes[1].tolist()
    [0.0, 0.0, 0.0, 1.0, 1.0, 0.0]
    """
    corners = np.asarray(vertices, dtype=np.float64)[np.asarray(faces, dtype=np.int64)]
    if not len(corners):
        raise ValueError("a mesh without facets has no tree")
    leaves = 1
    while leaves * _LEAF < len(corners):
        leaves *= 2
    order = np.arange(len(corners), dtype=np.int32)
    _split(corners.sum(axis=1), order, leaves)
    corners = np.ascontiguousarray(corners[order])
    boxes = np.empty((2 * leaves, 6))
    boxes[0] = 0.0
    _grow(corners, boxes, leaves)
    return FacetTree(corners, order, boxes)


@dataclass(frozen=True)
class Meant:
    """Pairs of stretches of two meshes that are meant to be near to each other.

    one, other  (m,) of each mesh's facets, bit k of it set where it belongs to pair k; int64
    least       (k,) mm: from this distance on, two facets of a pair don't count; as many pairs as bits, 63, at most
    """

    one: Longs
    other: Longs
    least: Floats


def nearest_facets(
    one: FacetTree, other: FacetTree, within: float = np.inf, meant: Meant | None = None
) -> NearestFacets | None:
    """Where two meshes are nearest to each other, over whole facets; None where they are not nearer than `within` mm.

    meant  what doesn't count

    Both are surfaces: one that lies inside the other is as far from it as its nearest facet.

    >>> tri, lift = [[0, 1, 2]], [0.0, 0.0, 3.0]
    >>> low = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> nearest_facets(facet_tree(low, tri), facet_tree(low + lift, tri)).distance
    3.0
    """
    if meant is None:
        none = np.zeros(1, np.int64)
        meant = Meant(none[np.zeros(len(one.facet), np.intp)], none[np.zeros(len(other.facet), np.intp)], np.zeros(0))
    marks = _Marks(meant.one[one.facet], meant.other[other.facet], np.asarray(meant.least, np.float64) ** 2)
    far, i, k, places = _nearest(one, other, marks, float(within) ** 2)
    if i < 0:
        return None
    return NearestFacets(float(np.sqrt(far)), places[0], places[1], (int(one.facet[i]), int(other.facet[k])))


def crossing_facets(one: FacetTree, other: FacetTree) -> Ints:
    """(k, 2) facets of the one and of the other mesh that touch or cross, sorted.

    >>> low = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> up = np.array([[0.2, 0.2, -1.0], [0.2, 0.2, 1.0], [3.0, 3.0, 0.0]])
    >>> crossing_facets(facet_tree(low, [[0, 1, 2]]), facet_tree(up, [[0, 1, 2]])).tolist()
    [[0, 0]]
    """
    pairs = _crossing(one, other)
    pairs = np.column_stack([one.facet[pairs[:, 0]], other.facet[pairs[:, 1]]])
    return pairs[np.lexsort(pairs.T[::-1])]


@njit(cache=True, parallel=True)
def _split(middles: Floats, order: Ints, leaves: int) -> None:
    """Put facets into the order of the leaves; middles (m, 3), to any scale."""
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
def _grow(corners: Floats, boxes: Floats, leaves: int) -> None:
    """Boxes of the leaves, then of all above them."""
    m = len(corners)
    for i in prange(leaves):
        at = np.int64(i)
        for d in range(3):
            least, most = np.inf, -np.inf
            for f in range(at * m // leaves, (at + 1) * m // leaves):
                for c in range(3):
                    x = corners[f, c, d]
                    least, most = min(least, x), max(most, x)
            boxes[leaves + at, d], boxes[leaves + at, 3 + d] = least, most
    for i in range(leaves - 1, 0, -1):
        for d in range(3):
            boxes[i, d] = min(boxes[2 * i, d], boxes[2 * i + 1, d])
            boxes[i, 3 + d] = max(boxes[2 * i, 3 + d], boxes[2 * i + 1, 3 + d])


@njit(cache=True, inline="always")
def _apart(one: Floats, i: int, other: Floats, k: int) -> float:
    """Squared distance of two boxes, mm2."""
    total = 0.0
    for d in range(3):
        gap = max(one[i, d] - other[k, 3 + d], other[k, d] - one[i, 3 + d])
        if gap > 0.0:
            total += gap * gap
    return total


@njit(cache=True, inline="always")
def _breadth(boxes: Floats, i: int) -> float:
    return max(boxes[i, 3] - boxes[i, 0], boxes[i, 4] - boxes[i, 1], boxes[i, 5] - boxes[i, 2])


@njit(cache=True, inline="always")
def _is_first_split(one: Floats, i: int, other: Floats, k: int) -> bool:
    """Of a pair of nodes, whether to go down in the first tree: the larger box, where both have children."""
    if 2 * i >= len(one):
        return False
    return 2 * k >= len(other) or _breadth(one, i) >= _breadth(other, k)


@njit(cache=True)
def _is_meant(marks: _Marks, f: int, g: int, far: float) -> bool:
    both, k = marks.one[f] & marks.other[g], 0
    while both:
        if both & 1 and far >= marks.least[k]:
            return True
        both, k = both >> 1, k + 1
    return False


@njit(cache=True)
def _nearest(one: FacetTree, other: FacetTree, marks: _Marks, limit: float) -> tuple[float, int, int, Floats]:
    """Squared least distance below `limit`, mm2, the two facets in the trees' orders (-1: none), the places (2, 3)."""
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    best, best_i, best_k = limit, -1, -1
    places = np.zeros((2, 3))
    # One pair at each step down stays behind, of which there are as many as both trees are deep.
    stack = np.empty((256, 2), np.int64)
    bound = np.empty(256)
    stack[0], bound[0], top = 1, _apart(a, 1, b, 1), 1
    while top > 0 and best > 0.0:
        top -= 1
        if bound[top] >= best:
            continue
        i, k = stack[top]
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    if parting(one.corners[f], other.corners[g]) ** 2 >= best:
                        continue
                    far, p, q = nearest_of_pair(one.corners[f], other.corners[g])
                    if far < best and not _is_meant(marks, f, g, far):
                        best, best_i, best_k = far, f, g
                        for d in range(3):
                            places[0, d], places[1, d] = p[d], q[d]
            continue
        if _is_first_split(a, i, b, k):
            i1, k1, i2, k2 = 2 * i, k, 2 * i + 1, k
        else:
            i1, k1, i2, k2 = i, 2 * k, i, 2 * k + 1
        near, far = _apart(a, i1, b, k1), _apart(a, i2, b, k2)
        if near > far:
            i1, k1, i2, k2 = i2, k2, i1, k1
            near, far = far, near
        if far < best:
            stack[top, 0], stack[top, 1], bound[top] = i2, k2, far
            top += 1
        if near < best:
            stack[top, 0], stack[top, 1], bound[top] = i1, k1, near
            top += 1
    return best, best_i, best_k, places


@njit(cache=True)
def _crossing(one: FacetTree, other: FacetTree) -> Ints:
    """(k, 2) facets in the trees' orders that touch or cross."""
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    found = np.empty((64, 2), np.int32)
    count = 0
    stack = np.empty((256, 2), np.int64)
    stack[0], top = 1, 1
    while top > 0:
        top -= 1
        i, k = stack[top]
        if _apart(a, i, b, k) > 0.0:
            continue
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    if parting(one.corners[f], other.corners[g]) > 0.0:
                        continue
                    if nearest_of_pair(one.corners[f], other.corners[g])[0] == 0.0:
                        if count == len(found):
                            more = np.empty((2 * count, 2), np.int32)
                            more[:count] = found
                            found = more
                        found[count, 0], found[count, 1] = f, g
                        count += 1
            continue
        if _is_first_split(a, i, b, k):
            stack[top, 0], stack[top, 1] = 2 * i, k
            stack[top + 1, 0], stack[top + 1, 1] = 2 * i + 1, k
        else:
            stack[top, 0], stack[top, 1] = i, 2 * k
            stack[top + 1, 0], stack[top + 1, 1] = i, 2 * k + 1
        top += 2
    return found[:count]
