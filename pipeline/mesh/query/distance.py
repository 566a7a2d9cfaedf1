"""Exact distance from points to a triangle mesh, and what lies inside of one or is met by rays.

Distances are looked up in a tree of boxes over the facets, in double precision, and hang on nothing but mesh and
point: of facets that are equally near the one with the smallest index counts. For rays, and for what is inside, the
tree is open3d's RaycastingScene (single precision); points and mesh are moved to the mesh's middle first, so that
single precision costs less than 0.1 um on parts up to a metre.
"""

from __future__ import annotations

import importlib
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.geometry import Floats, Ints, Mask, Point, Singles, box_of
from pipeline.jit import njit, prange
from pipeline.mesh.query.facet_points import nearest_on, nearest_on_facets, point_at, square_distance
from pipeline.mesh.query.facet_tree import in_leaves, leaves_of
from pipeline.mesh.topology import morton_order

_LEAF = 8  # facets in a leaf at most
_BLOCK = 256  # points that are looked up one after the other, each from where the one before was found
_AT_ONCE = 16  # of these points, for which what may be nearest is looked up together
_AT_MOST = 64  # facets that are gone through for each of them
_MISSES = 2  # times in a row that these were many, after which a block's points are looked up one by one
_MANY = 2_000_000  # facets, from which on it is worth asking which order pays
_SLACK = 2e-7  # of a box's place, by which it is larger than its corners say: it is kept in single precision
_ROUNDING = 1.0 + 1e-9  # of a squared distance, within which a box may hold a facet that is as near as the nearest


class _Boxes(NamedTuple):
    """A mesh, vertices (n, 3) mm and faces (m, 3), and its facets in a complete binary tree.

    order  (m,) facets in the order of the leaves
    boxes  (2 * leaves, 6) least and largest corner, mm; boxes[1] is the root's, the children of i are 2 i and 2 i + 1,
           and boxes[leaves + i] is that of order[m i // leaves : m (i + 1) // leaves]
    """

    vertices: Floats
    faces: Ints
    order: Ints
    boxes: Singles


class _Few(NamedTuple):
    """Some facets (k,) and the box of each (k, 6) as those of the tree are, mm."""

    facet: Ints
    boxes: Singles


class Scene:
    """A mesh that can be asked for distances; the tree is built at the first question and kept.

    Takes anything with `vertices` (n, 3) mm and `faces` (m, 3). Memory: about 15 bytes a facet, and as much again while
    the tree is built. The search goes down a tree of boxes, nearer box first (Roussopoulos et al., "Nearest neighbor
    queries", 1995).

    >>> from pipeline.values import Surface
    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> scene = Scene(square)
    >>> scene.distance([[0.75, 0.25, 2.0], [4.0, 5.0, 0.0]]).tolist()
    [2.0, 5.0]
    >>> distance, facet, near = scene.closest([[0.75, 0.25, 2.0]])
    >>> distance.tolist(), facet.tolist(), near.tolist()
    ([2.0], [0], [[0.75, 0.25, 0.0]])
    """

    def __init__(self, surface: Any) -> None:
        vertices = np.asarray(surface.vertices)
        self._faces = np.asarray(surface.faces)
        self._middle = np.mean(box_of(vertices), axis=0) if len(vertices) else np.zeros(3)
        self._vertices = vertices
        self._scene: Any = None
        self._tree: _Boxes | None = None

    def _boxes(self, points: int) -> _Boxes:
        """The tree, built for so many points at the first question; what is found does not hang on that."""
        if self._tree is None:
            vertices = np.ascontiguousarray(self._vertices, dtype=np.float64)
            faces = np.ascontiguousarray(self._faces, dtype=np.int32)
            if not len(faces):
                raise ValueError("a mesh without facets has no distance")
            order = np.arange(len(faces), dtype=np.int32)
            leaves = leaves_of(len(faces), _LEAF)
            # Of a scan, whose facets lie along a Morton curve, the order as it is serves the few that ask.
            if len(faces) < max(_MANY, 2 * points):
                in_leaves(_middles(vertices, faces, self._middle), order, leaves)
            boxes = np.empty((2 * leaves, 6), dtype=np.float32)
            _lay(vertices, faces, order, boxes)
            self._tree = _Boxes(vertices, faces, order, boxes)
        return self._tree

    def _ready(self) -> Any:
        if self._scene is None:
            open3d: Any = importlib.import_module("open3d")
            self._scene = open3d.t.geometry.RaycastingScene()
            self._scene.add_triangles(
                open3d.core.Tensor((self._vertices - self._middle).astype(np.float32)),
                open3d.core.Tensor(self._faces.astype(np.uint32)),
            )
        return self._scene

    def distance(self, points: ArrayLike, near: Ints | None = None) -> Floats:
        """Unsigned distance (n,) mm of points (n, 3) mm to the surface.

        near  (n,) a facet near each point, which spares time; changed in place to the nearest
        """
        points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
        if near is None:
            return self.nearest(points)[0]
        return np.sqrt(_nearest(self._boxes(len(points)), points, near, True))

    def nearest(self, points: ArrayLike) -> tuple[Floats, Ints]:
        """Distance (n,) mm and facet (n,) as `closest` gives them, without the places.

        >>> from pipeline.values import Surface
        >>> scene = Scene(Surface.measured([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]]))
        >>> distance, facet = scene.nearest([[2.0, 2.0, 5.0]])
        >>> distance.tolist(), facet.tolist()
        ([5.0], [0])
        """
        points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
        facet = np.empty(len(points), dtype=np.int32)
        return np.sqrt(_nearest(self._boxes(len(points)), points, facet, False)), facet

    def inside(self, points: ArrayLike) -> Mask:
        """Which points (n, 3) mm lie in the solid that the surface bounds; (n,) bool. An open surface bounds none.

        By open3d's count of crossings along a line.

        >>> from pipeline.values import Surface
        >>> corners = [[0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9]]
        >>> scene = Scene(Surface.measured(corners, [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]))
        >>> scene.inside([[1.0, 1.0, 1.0], [6.0, 6.0, 6.0]]).tolist()
        [True, False]
        """
        open3d: Any = importlib.import_module("open3d")
        local = (np.asarray(points, dtype=np.float64) - self._middle).astype(np.float32)
        found = self._ready().compute_occupancy(open3d.core.Tensor(local))
        return np.asarray(found.numpy() > 0.5)

    def first(self, points: ArrayLike, ways: ArrayLike) -> tuple[Ints, Floats]:
        """The facet (n,) that each ray meets first, -1 where none, and how far away (n,) mm, inf where none.

        points  (n, 3) mm, ways (n, 3) unit; single precision

        >>> from pipeline.values import Surface
        >>> scene = Scene(Surface.measured([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]]))
        >>> facet, far = scene.first([[2.0, 2.0, 5.0], [9.0, 9.0, 5.0]], [[0.0, 0.0, -1.0]] * 2)
        >>> facet.tolist(), far.round(5).tolist()
        ([0, -1], [5.0, inf])
        """
        open3d: Any = importlib.import_module("open3d")
        local = np.asarray(points, dtype=np.float64) - self._middle
        rays = np.concatenate([local, np.asarray(ways, dtype=np.float64)], axis=1).astype(np.float32)
        found = self._ready().cast_rays(open3d.core.Tensor(rays))
        far = found["t_hit"].numpy().astype(np.float64)
        facet = np.where(np.isfinite(far), found["primitive_ids"].numpy().astype(np.int64), -1)
        return facet.astype(np.int32), far

    def closest(self, points: ArrayLike) -> tuple[Floats, Ints, Floats]:
        """Distance (n,) mm, facet (n,) and nearest point (n, 3) mm on the surface for points (n, 3) mm.

        The tree is built in single precision, boxes rounded outward; all else is in double.
        """
        points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
        tree = self._boxes(len(points))
        facet = np.empty(len(points), dtype=np.int32)
        if len(self._faces) < _MANY:
            _nearest(tree, points, facet, False)
        else:
            # What lies close together in so large a tree is looked up one after the other.
            order = morton_order(points)
            found = np.empty_like(facet)
            _nearest(tree, points[order], found, False)
            facet[order] = found
        near = nearest_on_facets(points, tree.vertices, tree.faces, facet)
        return np.linalg.norm(points - near, axis=1), facet, near


@njit(cache=True, parallel=True)
def _middles(v: Floats, f: Ints, origin: Floats) -> Singles:
    """(m, 3) three times the facets' middles, from an origin (3,)."""
    out = np.empty((len(f), 3), dtype=np.float32)
    for i in prange(len(f)):
        for d in range(3):
            out[i, d] = v[f[i, 0], d] + v[f[i, 1], d] + v[f[i, 2], d] - 3.0 * origin[d]
    return out


@njit(cache=True, parallel=True)
def _lay(v: Floats, f: Ints, order: Ints, boxes: Singles) -> None:
    """The boxes of all nodes, from the leaves up; larger by the rounding to single precision."""
    m, leaves = len(order), len(boxes) // 2
    for i in prange(leaves):
        at = int(np.int64(i))
        node = leaves + at
        for d in range(3):
            low, high = np.inf, -np.inf
            for s in range(at * m // leaves, (at + 1) * m // leaves):
                for k in range(3):
                    x = v[f[order[s], k], d]
                    low, high = min(low, x), max(high, x)
            slack = _SLACK * max(abs(low), abs(high)) if low <= high else 0.0
            boxes[node, d], boxes[node, 3 + d] = low - slack, high + slack
    for node in range(leaves - 1, 0, -1):
        for d in range(3):
            boxes[node, d] = min(boxes[2 * node, d], boxes[2 * node + 1, d])
            boxes[node, 3 + d] = max(boxes[2 * node, 3 + d], boxes[2 * node + 1, 3 + d])


@njit(cache=True, borrowing=True)
def _lay_on(v: Floats, f: Ints, facet: int, boxes: Singles, i: int) -> None:
    """The box of one facet into row i."""
    for d in range(3):
        a, b, c = v[f[facet, 0], d], v[f[facet, 1], d], v[f[facet, 2], d]
        low, high = min(a, b, c), max(a, b, c)
        slack = _SLACK * max(abs(low), abs(high))
        boxes[i, d], boxes[i, 3 + d] = low - slack, high + slack


@njit(cache=True, inline="always")
def _from_box(p: Point, boxes: Singles, i: int) -> float:
    """Squared distance, mm2, of a point from box i, 0 inside."""
    x = max(boxes[i, 0] - p[0], p[0] - boxes[i, 3], 0.0)
    y = max(boxes[i, 1] - p[1], p[1] - boxes[i, 4], 0.0)
    z = max(boxes[i, 2] - p[2], p[2] - boxes[i, 5], 0.0)
    return x * x + y * y + z * z


@njit(cache=True, borrowing=True)
def _found_from(tree: _Boxes, p: Point, guess: int, stack: Ints, bounds: Floats) -> tuple[float, int]:
    """The squared distance, mm2, of the nearest facet and the facet, looked up from a guess of it."""
    vertices, faces, order, boxes = tree
    m, leaves = len(order), len(boxes) // 2
    facet = guess
    best = square_distance(p, nearest_on(p, vertices, faces, facet))
    stack[0], bounds[0], top = 1, 0.0, 1
    while top > 0:
        top -= 1
        if bounds[top] > best * _ROUNDING:
            continue
        node = stack[top]
        if node < leaves:
            left, right = _from_box(p, boxes, 2 * node), _from_box(p, boxes, 2 * node + 1)
            first = 2 * node if left <= right else 2 * node + 1
            # The nearer one on top.
            if max(left, right) <= best * _ROUNDING:
                stack[top], bounds[top] = 4 * node + 1 - first, max(left, right)
                top += 1
            if min(left, right) <= best * _ROUNDING:
                stack[top], bounds[top] = first, min(left, right)
                top += 1
            continue
        at = node - leaves
        for s in range(at * m // leaves, (at + 1) * m // leaves):
            f = order[s]
            if f == facet:
                continue
            square = square_distance(p, nearest_on(p, vertices, faces, f))
            if square < best or (square == best and f < facet):
                best, facet = square, f
    return best, facet


@njit(cache=True, inline="always")
def _from_box_to_box(low: Point, high: Point, boxes: Singles, i: int) -> float:
    """Squared distance, mm2, of a box from box i, 0 where they meet."""
    x = max(boxes[i, 0] - high[0], low[0] - boxes[i, 3], 0.0)
    y = max(boxes[i, 1] - high[1], low[1] - boxes[i, 4], 0.0)
    z = max(boxes[i, 2] - high[2], low[2] - boxes[i, 5], 0.0)
    return x * x + y * y + z * z


@njit(cache=True, borrowing=True)
def _few_near(tree: _Boxes, points: Floats, low: int, high: int, facet: Ints, stack: Ints, few: _Few) -> int:
    """How many facets can be the nearest to one of the points low to high, put into `few`; -1 where they are many.

    facet  (n,) one near each of the points
    """
    vertices, faces, order, boxes = tree
    m, leaves = len(order), len(boxes) // 2
    a, b, c = point_at(points, low)
    least, most, reach = (a, b, c), (a, b, c), 0.0
    for i in range(low, high):
        p = point_at(points, i)
        least = (min(least[0], p[0]), min(least[1], p[1]), min(least[2], p[2]))
        most = (max(most[0], p[0]), max(most[1], p[1]), max(most[2], p[2]))
        reach = max(reach, square_distance(p, nearest_on(p, vertices, faces, facet[i])))
    reach *= _ROUNDING
    count, top = 0, 1
    stack[0] = 1
    while top > 0:
        top -= 1
        node = stack[top]
        if _from_box_to_box(least, most, boxes, node) > reach:
            continue
        if node < leaves:
            stack[top], stack[top + 1] = 2 * node, 2 * node + 1
            top += 2
            continue
        at = node - leaves
        for s in range(at * m // leaves, (at + 1) * m // leaves):
            if count == len(few.facet):
                return -1
            few.facet[count] = order[s]
            _lay_on(vertices, faces, order[s], few.boxes, count)
            if _from_box_to_box(least, most, few.boxes, count) <= reach:
                count += 1
    return count


@njit(cache=True, borrowing=True)
def _found_among(tree: _Boxes, p: Point, guess: int, few: _Few, count: int) -> tuple[float, int]:
    """As `_found_from`, where one of a few facets is the nearest."""
    facet = guess
    best = square_distance(p, nearest_on(p, tree.vertices, tree.faces, facet))
    for k in range(count):
        f = few.facet[k]
        if f == facet or _from_box(p, few.boxes, k) > best * _ROUNDING:
            continue
        square = square_distance(p, nearest_on(p, tree.vertices, tree.faces, f))
        if square < best or (square == best and f < facet):
            best, facet = square, f
    return best, facet


@njit(cache=True, parallel=True)
def _nearest(tree: _Boxes, points: Floats, facet: Ints, guessed: bool) -> Floats:
    """(n,) squared distance, mm2, from points (n, 3) to the nearest facet; that facet into `facet` (n,).

    guessed  whether `facet` holds one near each of the points already

    What may be nearest is looked up for some points at once: where they lie close together, as on a dense scan beside
    a light mesh, those facets are few.
    """
    square = np.empty(len(points))
    for block in prange((len(points) + _BLOCK - 1) // _BLOCK):
        stack, bounds = np.empty(64, dtype=np.int64), np.empty(64)
        few = _Few(np.empty(_AT_MOST, dtype=np.int32), np.empty((_AT_MOST, 6), dtype=np.float32))
        guess = tree.order[0]
        start = int(np.int64(block)) * _BLOCK
        missed = 0
        for low in range(start, min(start + _BLOCK, len(points)), _AT_ONCE):
            high = min(low + _AT_ONCE, len(points))
            count = -1
            if missed < _MISSES:
                if not guessed:
                    _, guess = _found_from(tree, point_at(points, (low + high) // 2), guess, stack, bounds)
                    facet[low:high] = guess
                count = _few_near(tree, points, low, high, facet, stack, few)
                missed = missed + 1 if count < 0 else 0
            for i in range(low, high):
                p = point_at(points, i)
                if guessed:
                    guess = facet[i]
                if count < 0:
                    square[i], guess = _found_from(tree, p, guess, stack, bounds)
                else:
                    square[i], guess = _found_among(tree, p, guess, few, count)
                facet[i] = guess
    return square
