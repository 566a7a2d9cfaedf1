"""What two trees of facets tell: the least distance of two meshes, and the pairs that cross.

Both are gone through together, nearer pairs of boxes first, and what can't be nearer than the best so far is left out;
of facets too, by each other's planes, without which surfaces that run along each other cost far more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, Ints, Longs, Point, point_after
from pipeline.jit import njit
from pipeline.mesh.query.facet_pairs import nearest_of_pair, parting
from pipeline.mesh.query.facet_points import point_at
from pipeline.mesh.query.facet_tree import FacetTree, boxes_apart, dot_of, is_first_split, point_of, turned_of

STILL = np.eye(4)


class Marks(NamedTuple):
    """`Meant` as kernels take it: facets in the trees' orders, and what all facets of a node have in common.

    one, other              (m,) bits of each facet
    one_nodes, other_nodes  (2 * leaves,) bits that all facets below have
    least                   (k,) mm
    """

    one: Longs
    other: Longs
    one_nodes: Longs
    other_nodes: Longs
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


@dataclass(frozen=True)
class Meant:
    """Pairs of stretches of two meshes that are meant to be near to each other.

    one, other  (m,) of each mesh's facets, bit k of it set where it belongs to pair k; int64
    least       (k,) mm: from this distance on, two facets of a pair don't count; as many pairs as bits, 63, at most
    """

    one: Longs
    other: Longs
    least: Floats


def marks_of(one: FacetTree, other: FacetTree, meant: Meant | None) -> Marks:
    """What is meant to be near, as kernels take it.

    >>> tree = FacetTree(np.zeros((2, 3, 3)), np.array([1, 0], np.int32), np.zeros((2, 3)), np.zeros((2, 15)))
    >>> marks = marks_of(tree, tree, Meant(np.array([3, 1]), np.array([1, 1]), np.array([0.1, 0.2])))
    >>> marks.one.tolist(), marks.one_nodes.tolist()
    ([1, 3], [0, 1])
    """
    if meant is None or not len(meant.least):
        none = np.zeros(1, np.int64)
        return Marks(
            none[np.zeros(len(one.facet), np.intp)], none[np.zeros(len(other.facet), np.intp)],
            none[np.zeros(len(one.boxes), np.intp)], none[np.zeros(len(other.boxes), np.intp)], np.zeros(0),
        )  # fmt: skip
    a, b = meant.one[one.facet], meant.other[other.facet]
    return Marks(
        a, b, _common(a, len(one.boxes) // 2), _common(b, len(other.boxes) // 2), np.asarray(meant.least, np.float64)
    )


def _common(bits: Longs, leaves: int) -> Longs:
    out = np.zeros(2 * leaves, np.int64)
    starts = np.arange(leaves) * len(bits) // leaves
    # A leaf without facets, of which there is none but in a tree of one, would take its neighbour's.
    out[leaves:] = np.bitwise_and.reduceat(bits, starts)
    low = leaves
    while low > 1:
        pairs = out[low : 2 * low]
        out[low // 2 : low] = pairs[::2] & pairs[1::2]
        low //= 2
    return out


def nearest_facets(
    one: FacetTree,
    other: FacetTree,
    within: float = np.inf,
    meant: Meant | None = None,
    motion: Floats = STILL,
    slack: float = 0.0,
) -> NearestFacets | None:
    """Where two meshes are nearest to each other, over whole facets; None where they are not nearer than `within` mm.

    meant   what doesn't count
    motion  (4, 4) by which the one mesh is moved first; places are where it is then
    slack   share by which the distance told may be too large: where surfaces run along each other, a little spares most
            of the time

    Both are surfaces: one that lies inside the other is as far from it as its nearest facet.

    >>> from pipeline.mesh.query.facet_tree import facet_tree
    >>> tri, lift = [[0, 1, 2]], [0.0, 0.0, 3.0]
    >>> low = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> nearest_facets(facet_tree(low, tri), facet_tree(low + lift, tri)).distance
    3.0
    """
    far, i, k, places = _nearest(
        one, other, marks_of(one, other, meant), float(within) ** 2, _plain(motion), (1.0 - float(slack)) ** 2
    )
    if i < 0:
        return None
    return NearestFacets(float(np.sqrt(far)), places[0], places[1], (int(one.facet[i]), int(other.facet[k])))


def _plain(motion: Floats) -> Floats:
    return np.ascontiguousarray(motion, dtype=np.float64)


def crossing_facets(one: FacetTree, other: FacetTree, motion: Floats = STILL) -> Ints:
    """(k, 2) facets of the one, moved by a motion (4, 4) first, and of the other mesh that touch or cross, sorted.

    >>> from pipeline.mesh.query.facet_tree import facet_tree
    >>> low = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> up = np.array([[0.2, 0.2, -1.0], [0.2, 0.2, 1.0], [3.0, 3.0, 0.0]])
    >>> crossing_facets(facet_tree(low, [[0, 1, 2]]), facet_tree(up, [[0, 1, 2]])).tolist()
    [[0, 0]]
    """
    pairs = _crossing(one, other, _plain(motion))
    pairs = np.column_stack([one.facet[pairs[:, 0]], other.facet[pairs[:, 1]]])
    return pairs[np.lexsort(pairs.T[::-1])]


@njit(cache=True)
def allowed(one: int, other: int, least: Floats, gap: float) -> float:
    """How near, mm, two facets or nodes with such bits may be where all others may be `gap` mm; below 0: any distance.

    >>> allowed(3, 2, np.array([0.1, 0.2]), 1.0), allowed(1, 2, np.array([0.1, 0.2]), 1.0)
    (0.2, 1.0)
    >>> allowed(1, 1, np.array([0.0, 0.2]), 1.0)
    -1.0
    """
    both, k = one & other, 0
    while both:
        if both & 1:
            gap = min(gap, least[k]) if least[k] > 0.0 else -1.0
        both, k = both >> 1, k + 1
    return gap


@njit(cache=True, inline="always")
def place_facet(corners: Floats, f: int, motion: Floats, out: Floats) -> None:
    """Facet f of corners (m, 3, 3) mm after a motion (4, 4), into `out` (3, 3); for compiled code."""
    for c in range(3):
        p = (corners[f, c, 0], corners[f, c, 1], corners[f, c, 2])
        out[c, 0], out[c, 1], out[c, 2] = point_after(motion, p)


@njit(cache=True)
def is_none(motion: Floats) -> bool:
    """Whether a motion (4, 4) moves nothing; for compiled code."""
    for c in range(3):
        for d in range(4):
            if motion[c, d] != (1.0 if c == d else 0.0):
                return False
    return True


@njit(cache=True, inline="always")
def off_plane(normal: Point, facet: Floats, other: Floats) -> float:
    """How far, mm, the plane of a facet with a unit normal is from another one on one side of it; for compiled code."""
    p = dot_of(normal, point_of(other, 0, facet, 0))
    q = dot_of(normal, point_of(other, 1, facet, 0))
    r = dot_of(normal, point_of(other, 2, facet, 0))
    return max(min(p, q, r), -max(p, q, r), 0.0)


@njit(cache=True)
def _nearest(
    one: FacetTree, other: FacetTree, marks: Marks, limit: float, motion: Floats, share: float
) -> tuple[float, int, int, Floats]:
    """Squared least distance below `limit`, mm2, the two facets in the trees' orders (-1: none), the places (2, 3).

    The least may be down to a `share` of it.
    """
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    best, best_i, best_k = limit, -1, -1
    places, moved = np.zeros((2, 3)), np.empty((3, 3))
    any_meant = len(marks.least) > 0
    # One pair at each step down stays behind, of which there are as many as both trees are deep.
    stack = np.empty((256, 2), np.int64)
    bound = np.empty(256)
    still = is_none(motion)
    stack[0], bound[0], top = 1, boxes_apart(a, 1, b, 1, motion, still, np.inf), 1
    while top > 0 and best > 0.0:
        top -= 1
        if bound[top] >= share * best:
            continue
        i, k = stack[top]
        if any_meant:
            near = allowed(marks.one_nodes[i], marks.other_nodes[k], marks.least, np.inf)
            if near < 0.0 or bound[top] >= near * near:
                continue
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                place_facet(one.corners, f, motion, moved)
                look = turned_of(motion, point_at(one.normals, f))
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    if off_plane(look, moved, other.corners[g]) ** 2 >= share * best:
                        continue
                    if off_plane(point_at(other.normals, g), other.corners[g], moved) ** 2 >= share * best:
                        continue
                    far, p, q = nearest_of_pair(moved, other.corners[g])
                    if far < best:
                        if any_meant:
                            near = allowed(marks.one[f], marks.other[g], marks.least, np.inf)
                            if near < 0.0 or far >= near * near:
                                continue
                        best, best_i, best_k = far, f, g
                        for d in range(3):
                            places[0, d], places[1, d] = p[d], q[d]
            continue
        if is_first_split(a, i, b, k):
            i1, k1, i2, k2 = 2 * i, k, 2 * i + 1, k
        else:
            i1, k1, i2, k2 = i, 2 * k, i, 2 * k + 1
        enough = share * best
        near = boxes_apart(a, i1, b, k1, motion, still, enough)
        far = boxes_apart(a, i2, b, k2, motion, still, enough)
        if near > far:
            i1, k1, i2, k2 = i2, k2, i1, k1
            near, far = far, near
        if far < enough:
            stack[top, 0], stack[top, 1], bound[top] = i2, k2, far
            top += 1
        if near < enough:
            stack[top, 0], stack[top, 1], bound[top] = i1, k1, near
            top += 1
    return best, best_i, best_k, places


@njit(cache=True)
def _crossing(one: FacetTree, other: FacetTree, motion: Floats) -> Ints:
    """(k, 2) facets in the trees' orders that touch or cross."""
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    found, moved = np.empty((64, 2), np.int32), np.empty((3, 3))
    count = 0
    stack = np.empty((256, 2), np.int64)
    stack[0], top = 1, 1
    still = is_none(motion)
    while top > 0:
        top -= 1
        i, k = stack[top]
        if boxes_apart(a, i, b, k, motion, still, 1e-300) > 0.0:
            continue
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                place_facet(one.corners, f, motion, moved)
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    if parting(moved, other.corners[g]) > 0.0:
                        continue
                    if nearest_of_pair(moved, other.corners[g])[0] == 0.0:
                        if count == len(found):
                            more = np.empty((2 * count, 2), np.int32)
                            more[:count] = found
                            found = more
                        found[count, 0], found[count, 1] = f, g
                        count += 1
            continue
        if is_first_split(a, i, b, k):
            stack[top, 0], stack[top, 1] = 2 * i, k
            stack[top + 1, 0], stack[top + 1, 1] = 2 * i + 1, k
        else:
            stack[top, 0], stack[top, 1] = i, 2 * k
            stack[top + 1, 0], stack[top + 1, 1] = i, 2 * k + 1
        top += 2
    return found[:count]
