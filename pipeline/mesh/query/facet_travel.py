"""How far a mesh can be shifted along a direction before it comes near to another one, and until when they cross.

Of two facets, one of them shifted, the distance is convex in the shift. So the place where it falls to what is asked is
found by Newton's steps from below, which never pass it: each goes to where the plane that parts the two now no longer
does. Pairs of boxes are taken in the order in which they can meet, and what can't meet before the first contact so far
is left out. Nothing is stepped over, however thin it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Floats
from pipeline.jit import njit
from pipeline.mesh.query.facet_distance import (
    STILL,
    Marks,
    Meant,
    NearestFacets,
    allowed,
    marks_of,
    place_facet,
)
from pipeline.mesh.query.facet_pairs import nearest_of_pair
from pipeline.mesh.query.facet_tree import (
    FacetTree,
    boxes_meet,
    cross_of,
    dot_of,
    is_first_split,
    point_of,
)

CLOSE = 1e-9  # mm: so near to what is asked is there
_MOST_STEPS = 200  # of Newton, after which a grazing pair counts as a contact


@dataclass(frozen=True)
class Contact:
    """Where a moving mesh first comes as near to another one as is asked.

    run   mm along the direction, or rad about the axis; 0 where they are as near from the start
    near  where they are nearest then
    """

    run: float
    near: NearestFacets


def first_contact(
    one: FacetTree,
    other: FacetTree,
    along: Floats,
    up_to: float,
    gap: float = 0.0,
    meant: Meant | None = None,
    motion: Floats = STILL,
) -> Contact | None:
    """Where a mesh that is shifted along a unit direction (3,) first comes within `gap` mm of another one.

    up_to   mm that it is shifted at most; None where it gets there
    meant   what doesn't count, or not until it is nearer still
    motion  (4, 4) by which the one mesh is moved before

    >>> from pipeline.mesh.query.facet_tree import facet_tree
    >>> tri = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> low, high = facet_tree(tri, [[0, 1, 2]]), facet_tree(tri + [0.0, 0.0, 7.0], [[0, 1, 2]])
    >>> round(first_contact(low, high, np.array([0.0, 0.0, 1.0]), 100.0, gap=0.5).run, 8)
    6.5
    """
    x, y, z = (float(v) for v in along)
    run, f, g, places = _first(
        one, other, marks_of(one, other, meant), (x, y, z), (float(up_to), float(gap)), np.array(motion, np.float64)
    )
    if f < 0:
        return None
    facets = (int(one.facet[f]), int(other.facet[g]))
    return Contact(run, NearestFacets(float(np.linalg.norm(places[0] - places[1])), places[0], places[1], facets))


def clear_from(
    one: FacetTree, other: FacetTree, along: Floats, up_to: float, meant: Meant | None = None, start: float = 0.0
) -> float | None:
    """By how much a mesh must be shifted along a unit direction (3,) until its facets cross none of another one's, mm.

    It is the first such shift from `start` on; None where it is more than `up_to` mm. One that lies in the other one
    crosses nothing.

    >>> from pipeline.mesh.query.facet_tree import facet_tree
    >>> tri = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> up = np.array([[0.2, 0.2, -1.0], [0.2, 0.2, 1.0], [3.0, 3.0, 0.0]])
    >>> trees = facet_tree(up, [[0, 1, 2]]), facet_tree(tri, [[0, 1, 2]])
    >>> round(clear_from(*trees, np.array([0.0, 0.0, 1.0]), 9.0), 6)
    1.0
    """
    x, y, z = (float(v) for v in along)
    marks = marks_of(one, other, meant)
    at = float(start)
    while at <= up_to:
        # All the way from here to where the last of the pairs that cross here parts, that pair crosses.
        end = _until(one, other, marks, (x, y, z), at)
        if end < at:
            return at
        at = end + 2.0 * CLOSE
    return None


@njit(cache=True)
def _from_plane(facet: Floats, moving: Floats, along: tuple[float, float, float], gap: float) -> float:
    """When a moving facet comes within `gap` of another one's plane; inf: never, 0 where it isn't beside it."""
    n = cross_of(point_of(facet, 1, facet, 0), point_of(facet, 2, facet, 0))
    size = np.sqrt(dot_of(n, n))
    if size == 0.0:
        return 0.0
    p = dot_of(n, point_of(moving, 0, facet, 0)) / size
    q = dot_of(n, point_of(moving, 1, facet, 0)) / size
    r = dot_of(n, point_of(moving, 2, facet, 0)) / size
    speed = dot_of(n, along) / size
    low, high = min(p, q, r), max(p, q, r)
    if low > gap:
        return (low - gap) / -speed if speed < 0.0 else np.inf
    if high < -gap:
        return (-gap - high) / speed if speed > 0.0 else np.inf
    return 0.0


@njit(cache=True)
def _meets(
    moving: Floats, facet: Floats, along: tuple[float, float, float], span: tuple[float, float], gap: float
) -> float:
    """When, from span[0] on and before span[1], a facet that moves `along` comes within `gap` of another; else inf."""
    back = (-along[0], -along[1], -along[2])
    at = max(span[0], _from_plane(facet, moving, along, gap), _from_plane(moving, facet, back, gap))
    now = np.empty((3, 3))
    for _ in range(_MOST_STEPS):
        if at >= span[1]:
            return np.inf
        for c in range(3):
            for d in range(3):
                now[c, d] = moving[c, d] + at * along[d]
        square, p, q = nearest_of_pair(now, facet)
        far = np.sqrt(square)
        if far <= gap + CLOSE:
            return at
        speed = ((p[0] - q[0]) * along[0] + (p[1] - q[1]) * along[1] + (p[2] - q[2]) * along[2]) / far
        if speed >= 0.0:
            return np.inf
        at += (far - gap) / -speed
    return at


@njit(cache=True)
def _first(
    one: FacetTree,
    other: FacetTree,
    marks: Marks,
    along: tuple[float, float, float],
    limits: tuple[float, float],
    motion: Floats,
) -> tuple[float, int, int, Floats]:
    """First contact below limits[0] at a gap of limits[1]: when, the facets in the trees' orders (-1: none), places."""
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    best, gap = limits
    best_f, best_g = -1, -1
    moved = np.empty((3, 3))
    stack = np.empty((256, 2), np.int64)
    bound = np.empty(256)
    start, end = boxes_meet(a, 1, b, 1, motion, along, gap)
    top = 0
    if start <= end and end >= 0.0 and start <= best:
        stack[0], bound[0], top = 1, start, 1
    while top > 0:
        top -= 1
        if bound[top] >= best or best <= 0.0:
            continue
        i, k = stack[top]
        near = allowed(marks.one_nodes[i], marks.other_nodes[k], marks.least, gap)
        if near < 0.0:
            continue
        if near < gap:
            start, end = boxes_meet(a, i, b, k, motion, along, near)
            if start > end or end < 0.0 or start >= best:
                continue
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                place_facet(one.corners, f, motion, moved)
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    near = allowed(marks.one[f], marks.other[g], marks.least, gap)
                    if near >= 0.0:
                        # The box's own time is left aside: it may lie a rounding late.
                        at = _meets(moved, other.corners[g], along, (max(bound[top] - CLOSE, 0.0), best), near)
                        if at < best:
                            best, best_f, best_g = at, f, g
            continue
        if is_first_split(a, i, b, k):
            i1, k1, i2, k2 = 2 * i, k, 2 * i + 1, k
        else:
            i1, k1, i2, k2 = i, 2 * k, i, 2 * k + 1
        s1, e1 = boxes_meet(a, i1, b, k1, motion, along, gap)
        s2, e2 = boxes_meet(a, i2, b, k2, motion, along, gap)
        if s1 > s2:
            i1, k1, i2, k2 = i2, k2, i1, k1
            s1, e1, s2, e2 = s2, e2, s1, e1
        if s2 <= e2 and e2 >= 0.0 and s2 < best:
            stack[top, 0], stack[top, 1], bound[top] = i2, k2, max(s2, 0.0)
            top += 1
        if s1 <= e1 and e1 >= 0.0 and s1 < best:
            stack[top, 0], stack[top, 1], bound[top] = i1, k1, max(s1, 0.0)
            top += 1
    places = np.zeros((2, 3))
    if best_f >= 0:
        place_facet(one.corners, best_f, motion, moved)
        for c in range(3):
            for d in range(3):
                moved[c, d] += best * along[d]
        _, p, q = nearest_of_pair(moved, other.corners[best_g])
        for d in range(3):
            places[0, d], places[1, d] = p[d], q[d]
    return best, best_f, best_g, places


@njit(cache=True)
def _until(one: FacetTree, other: FacetTree, marks: Marks, along: tuple[float, float, float], at: float) -> float:
    """Until when the pairs of facets that cross after a shift of `at` go on crossing; below `at` where none does."""
    a, b = one.boxes, other.boxes
    first, second = len(a) // 2, len(b) // 2
    m, n = len(one.corners), len(other.corners)
    back = (-along[0], -along[1], -along[2])
    latest = -np.inf
    still, moved, there = np.eye(4), np.empty((3, 3)), np.empty((3, 3))
    stack = np.empty((256, 2), np.int64)
    stack[0], top = 1, 1
    while top > 0:
        top -= 1
        i, k = stack[top]
        start, end = boxes_meet(a, i, b, k, still, along, 0.0)
        if start > at or end < at or end <= latest:
            continue
        if allowed(marks.one_nodes[i], marks.other_nodes[k], marks.least, 0.0) < 0.0:
            continue
        if i >= first and k >= second:
            for f in range((i - first) * m // first, (i - first + 1) * m // first):
                for g in range((k - second) * n // second, (k - second + 1) * n // second):
                    if allowed(marks.one[f], marks.other[g], marks.least, 0.0) < 0.0:
                        continue
                    for c in range(3):
                        for d in range(3):
                            moved[c, d] = one.corners[f, c, d] + at * along[d]
                            there[c, d] = one.corners[f, c, d] + (end + 1.0) * along[d]
                    if nearest_of_pair(moved, other.corners[g])[0] == 0.0:
                        # From where they are apart for certain back to where they touch.
                        reach = end + 1.0 - at
                        latest = max(latest, end + 1.0 - _meets(there, other.corners[g], back, (0.0, reach), 0.0))
                        latest = max(latest, at)
            continue
        if is_first_split(a, i, b, k):
            stack[top, 0], stack[top, 1] = 2 * i, k
            stack[top + 1, 0], stack[top + 1, 1] = 2 * i + 1, k
        else:
            stack[top, 0], stack[top, 1] = i, 2 * k
            stack[top + 1, 0], stack[top + 1, 1] = i, 2 * k + 1
        top += 2
    return latest
