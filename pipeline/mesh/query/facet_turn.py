"""How far a mesh can be turned about an axis before it comes near to another one.

In radius, angle and station a turn is a shift of the angle, so boxes in these keep apart for the whole of it what turns
past in another radius or at another station: a shaft in its bore costs next to nothing. Of two facets, one of them
turned, the plane that parts them now does so until the first of three corners, each of which moves along it as a sine,
comes too near; going there and asking again never passes the contact, and comes to it as Newton's steps do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.geometry import Floats, Ints, basis_of, transformed, undone
from pipeline.jit import njit, prange
from pipeline.mesh.query.facet_distance import Marks, Meant, NearestFacets, allowed
from pipeline.mesh.query.facet_pairs import nearest_of_pair
from pipeline.mesh.query.facet_travel import CLOSE, Contact
from pipeline.mesh.query.facet_tree import in_leaves, leaves_of

_FULL = 2.0 * np.pi
_SLACK = 1e-12  # rad, and of a length, by which boxes are larger
_MOST_STEPS = 1000  # after which a pair that slides along counts as a contact


class TurnTree(NamedTuple):
    """Facets of a mesh about an axis in a complete binary tree of boxes, as those of `FacetTree`.

    corners  (m, 3, 3) mm, the axis along z through the origin
    facet    (m,) which facet of the mesh each is
    own      (m, 6) mm and rad: lowest radius, angle and station of each facet, and highest
    boxes    (2 * leaves, 6) the same of each node
    frame    (4, 4) from there back to where the mesh is
    """

    corners: Floats
    facet: Ints
    own: Floats
    boxes: Floats
    frame: Floats


def turn_tree(
    vertices: ArrayLike, faces: ArrayLike, point: Floats, direction: Floats, like: TurnTree | None = None
) -> TurnTree:
    """The tree of a mesh, vertices (n, 3) mm and faces (m, 3), about an axis: point (3,) mm, direction (3,) unit.

    like  a tree of the same mesh where it stood nearly so, whose order of facets will do; that spares most of the time

    Raises ValueError when there are no facets.

    >>> tree = turn_tree([[2, 0, 5], [3, 0, 5], [2, 0, 6]], [[0, 1, 2]], np.zeros(3), np.array([0.0, 0, 1]))
    >>> tree.boxes[1].round(6).tolist()[::3]
    [2.0, 3.0]
    """
    first, _ = basis_of(direction)
    frame = np.eye(4)
    frame[:3, :3] = np.column_stack([first, np.cross(direction, first), direction])
    frame[:3, 3] = point
    local = transformed(undone(frame), np.asarray(vertices, dtype=np.float64))
    corners = local[np.asarray(faces, dtype=np.int64)]
    if not len(corners):
        raise ValueError("a mesh without facets has no tree")
    own = np.empty((len(corners), 6))
    _about_axis(corners, own)
    leaves = leaves_of(len(corners))
    if like is None:
        order = np.arange(len(corners), dtype=np.int32)
        middles = own[:, :3] + own[:, 3:]
        middles[:, 1] *= 0.5 * float(np.mean(middles[:, 0]))
        in_leaves(middles, order, leaves)
    else:
        order = like.facet
    own = np.ascontiguousarray(own[order])
    starts = np.arange(leaves) * len(own) // leaves
    boxes = np.zeros((2 * leaves, 6))
    boxes[leaves:, :3] = np.minimum.reduceat(own[:, :3], starts)
    boxes[leaves:, 3:] = np.maximum.reduceat(own[:, 3:], starts)
    low = leaves
    while low > 1:
        boxes[low // 2 : low, :3] = np.minimum(boxes[low : 2 * low : 2, :3], boxes[low + 1 : 2 * low : 2, :3])
        boxes[low // 2 : low, 3:] = np.maximum(boxes[low : 2 * low : 2, 3:], boxes[low + 1 : 2 * low : 2, 3:])
        low //= 2
    return TurnTree(np.ascontiguousarray(corners[order]), order, own, boxes, frame)


def turned_over(tree: TurnTree) -> TurnTree:
    """The tree about the same axis with its direction the other way, so that turns go back.

    >>> tree = turn_tree([[2, 0, 5], [3, 0, 5], [2, 0, 6]], [[0, 1, 2]], np.zeros(3), np.array([0.0, 0, 1]))
    >>> turned_over(tree).frame[:3, 2].tolist(), turned_over(tree).boxes[1, [2, 5]].round(6).tolist()
    ([0.0, 0.0, -1.0], [-6.0, -5.0])
    """
    swap, sign = [0, 4, 5, 3, 1, 2], np.array([1.0, -1.0, -1.0, 1.0, -1.0, -1.0])
    over = np.array([1.0, -1.0, -1.0])
    own, boxes = (np.ascontiguousarray(rows[:, swap] * sign) for rows in (tree.own, tree.boxes))
    return TurnTree(tree.corners * over, tree.facet, own, boxes, tree.frame * np.append(over, 1.0) + 0.0)


def first_contact_turning(
    one: TurnTree, other: TurnTree, up_to: float, gap: float = 0.0, meant: Meant | None = None
) -> Contact | None:
    """Where a mesh that is turned about its tree's axis first comes within `gap` mm of another one.

    other   with a tree about the same axis
    up_to   rad, a full turn at most; None where it gets there
    meant   what doesn't count, or not until it is nearer still

    >>> tri, up = np.array([[2.0, 0, 0], [3.0, 0, 0], [2.0, 0, 1]]), np.array([0.0, 0.0, 1.0])
    >>> one, other = (turn_tree(v, [[0, 1, 2]], np.zeros(3), up) for v in (tri, tri[:, [1, 0, 2]]))
    >>> found = first_contact_turning(one, other, 6.0)
    >>> round(float(np.degrees(found.run)), 6)
    90.0
    """
    if meant is None:
        none = np.zeros(1, np.int64)
        marks = Marks(
            none[np.zeros(len(one.facet), np.intp)], none[np.zeros(len(other.facet), np.intp)], none, none, np.zeros(0)
        )
    else:
        marks = Marks(
            meant.one[one.facet], meant.other[other.facet], np.zeros(1, np.int64), np.zeros(1, np.int64),
            np.asarray(meant.least, np.float64),
        )  # fmt: skip
    run, f, g, places = _first(one, other, marks, min(float(up_to), _FULL), float(gap))
    if f < 0:
        return None
    p, q = transformed(one.frame, places)
    return Contact(run, NearestFacets(float(np.linalg.norm(p - q)), p, q, (int(one.facet[f]), int(other.facet[g]))))


@njit(cache=True, parallel=True)
def _about_axis(corners: Floats, own: Floats) -> None:
    """Least and largest radius, angle and station of each facet; all angles where it is crossed by the axis."""
    for f in prange(len(corners)):
        low, high = np.inf, 0.0
        turn, least, most = 0.0, 0.0, 0.0
        begin = np.arctan2(corners[f, 0, 1], corners[f, 0, 0])
        for c in range(3):
            e = (c + 1) % 3
            x, y = corners[f, c, 0], corners[f, c, 1]
            dx, dy = corners[f, e, 0] - x, corners[f, e, 1] - y
            square = dx * dx + dy * dy
            t = min(max(-(x * dx + y * dy) / square, 0.0), 1.0) if square > 0.0 else 0.0
            low = min(low, np.hypot(x + t * dx, y + t * dy))
            high = max(high, np.hypot(x, y))
            # By how much the edge goes round the axis: less than half a turn, unless it meets it.
            turn += np.arctan2(x * (y + dy) - y * (x + dx), x * (x + dx) + y * (y + dy))
            if c < 2:
                least, most = min(least, turn), max(most, turn)
        slack = _SLACK * (high + abs(corners[f, 0, 2]) + abs(corners[f, 1, 2]) + abs(corners[f, 2, 2]))
        own[f, 0], own[f, 3] = max(low - slack, 0.0), high + slack
        own[f, 1], own[f, 4] = begin + least - 1e-9, begin + most + 1e-9
        if abs(turn) > 1.0:  # all the way round
            own[f, 0] = 0.0
            own[f, 1], own[f, 4] = -np.pi, np.pi
        elif low <= 1e-6 * high or most - least > 3.0:
            own[f, 1], own[f, 4] = -np.pi, np.pi
        own[f, 2] = min(corners[f, 0, 2], corners[f, 1, 2], corners[f, 2, 2]) - slack
        own[f, 5] = max(corners[f, 0, 2], corners[f, 1, 2], corners[f, 2, 2]) + slack


@njit(cache=True)
def _meet(one: Floats, i: int, other: Floats, k: int, gap: float) -> float:
    """From what turn on, 0 or more, box i of the one may be within `gap` of box k of the other; inf: at none."""
    out = max(0.0, one[i, 0] - other[k, 3], other[k, 0] - one[i, 3])
    off = max(0.0, one[i, 2] - other[k, 5], other[k, 2] - one[i, 5])
    square = gap * gap - off * off
    if square < 0.0 or out * out > square:
        return np.inf
    radius = max(one[i, 0], other[k, 0])
    # Two places, of which the farther one is a radius out, are radius times the sine of the angle apart at least.
    wide = np.arcsin(np.sqrt(square) / radius) if square < radius * radius else np.pi
    if square == 0.0:
        wide = 0.0
    start = other[k, 1] - one[i, 4] - wide
    width = other[k, 4] - other[k, 1] + one[i, 4] - one[i, 1] + 2.0 * wide
    if width >= _FULL - 1e-6:
        return 0.0
    start -= np.floor(start / _FULL) * _FULL
    return 0.0 if start + width >= _FULL else start


@njit(cache=True)
def _turned_into(corners: Floats, f: int, turn: float, out: Floats) -> None:
    c, s = np.cos(turn), np.sin(turn)
    for e in range(3):
        x, y = corners[f, e, 0], corners[f, e, 1]
        out[e, 0], out[e, 1], out[e, 2] = c * x - s * y, s * x + c * y, corners[f, e, 2]


@njit(cache=True)
def _meets(corners: Floats, f: int, facet: Floats, span: tuple[float, float], gap: float) -> float:
    """At what turn, from span[0] on and before span[1], facet f comes within `gap` of another one; else inf."""
    at, now = span[0], np.empty((3, 3))
    for _ in range(_MOST_STEPS):
        if at >= span[1]:
            return np.inf
        _turned_into(corners, f, at, now)
        square, p, q = nearest_of_pair(now, facet)
        far = np.sqrt(square)
        if far <= gap + CLOSE:
            return at
        x, y, z = (p[0] - q[0]) / far, (p[1] - q[1]) / far, (p[2] - q[2]) / far
        # The other facet lies below this along the direction that parts them.
        level = max(
            x * facet[0, 0] + y * facet[0, 1] + z * facet[0, 2],
            x * facet[1, 0] + y * facet[1, 1] + z * facet[1, 2],
            x * facet[2, 0] + y * facet[2, 1] + z * facet[2, 2],
        )
        step = np.inf
        for c in range(3):
            even, odd = x * now[c, 0] + y * now[c, 1], y * now[c, 0] - x * now[c, 1]
            fall = level + gap - z * now[c, 2]
            square = odd * odd + (even - fall) * (even + fall)
            if square >= 0.0:
                # The first root of even cos t + odd sin t = fall, by the tangent of half the angle.
                root = np.sqrt(square)
                if odd < 0.0:
                    step = min(step, 2.0 * np.arctan2(even - fall, root - odd))
                else:
                    step = min(step, 2.0 * np.arctan2(odd + root, even + fall))
        at += max(step, 0.0)
    return at


@njit(cache=True)
def _first(one: TurnTree, other: TurnTree, marks: Marks, limit: float, gap: float) -> tuple[float, int, int, Floats]:
    """First contact below a turn of `limit`: when, both facets in the trees' orders (-1: none), places on both."""
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    best, best_f, best_g = limit, -1, -1
    stack = np.empty((256, 2), np.int64)
    bound = np.empty(256)
    stack[0], bound[0], top = 1, _meet(a, 1, b, 1, gap), 1
    while top > 0:
        top -= 1
        if bound[top] >= best or best <= 0.0:
            continue
        i, k = stack[top]
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    near = allowed(marks.one[f], marks.other[g], marks.least, gap)
                    if near < 0.0:
                        continue
                    start = _meet(one.own, f, other.own, g, near)
                    if start < best:
                        at = _meets(one.corners, f, other.corners[g], (start, best), near)
                        if at < best:
                            best, best_f, best_g = at, f, g
            continue
        first_splits = 2 * k >= len(b)
        if 2 * i < len(a) and not first_splits:
            first_splits = _breadth(a, i) >= _breadth(b, k)
        if first_splits:
            i1, k1, i2, k2 = 2 * i, k, 2 * i + 1, k
        else:
            i1, k1, i2, k2 = i, 2 * k, i, 2 * k + 1
        s1, s2 = _meet(a, i1, b, k1, gap), _meet(a, i2, b, k2, gap)
        if s1 > s2:
            i1, k1, i2, k2 = i2, k2, i1, k1
            s1, s2 = s2, s1
        if s2 < best:
            stack[top, 0], stack[top, 1], bound[top] = i2, k2, s2
            top += 1
        if s1 < best:
            stack[top, 0], stack[top, 1], bound[top] = i1, k1, s1
            top += 1
    places = np.zeros((2, 3))
    if best_f >= 0:
        moved = np.empty((3, 3))
        _turned_into(one.corners, best_f, best, moved)
        _, p, q = nearest_of_pair(moved, other.corners[best_g])
        for d in range(3):
            places[0, d], places[1, d] = p[d], q[d]
    return best, best_f, best_g, places


@njit(cache=True, inline="always")
def _breadth(boxes: Floats, i: int) -> float:
    return max(
        boxes[i, 3] - boxes[i, 0], 0.5 * (boxes[i, 0] + boxes[i, 3]) * (boxes[i, 4] - boxes[i, 1]),
        boxes[i, 5] - boxes[i, 2],
    )  # fmt: skip
