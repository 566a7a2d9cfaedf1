"""Exact distance from points to a triangle mesh.

The tree is open3d's RaycastingScene (BVH over the facets, single precision); points and mesh are moved
to the mesh's middle first, so that single precision costs less than 0.1 um on parts up to a metre.
"""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.geometry import Floats, Ints, Mask, box_of

_CHUNK = 1_000_000


class Scene:
    """A mesh that can be asked for distances; the tree is built at the first question and kept.

    Takes anything with `vertices` (n, 3) mm and `faces` (m, 3). Memory: about 120 bytes a facet. The search is
    open3d's, the distances are computed from the facet found, by `nearest_on_facets`.

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

    def _ready(self) -> Any:
        if self._scene is None:
            open3d: Any = importlib.import_module("open3d")
            self._scene = open3d.t.geometry.RaycastingScene()
            self._scene.add_triangles(
                open3d.core.Tensor((self._vertices - self._middle).astype(np.float32)),
                open3d.core.Tensor(self._faces.astype(np.uint32)),
            )
        return self._scene

    def distance(self, points: ArrayLike) -> Floats:
        """Unsigned distance (n,) mm of points (n, 3) mm to the surface."""
        return self.closest(points)[0]

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
        >>> facet.tolist(), far.tolist()
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

        The distance is computed in double precision from the facet that the tree found.
        """
        open3d: Any = importlib.import_module("open3d")
        from pipeline.mesh.query.facet_points import nearest_on_facets

        points = np.ascontiguousarray(points, dtype=np.float64)
        scene = self._ready()
        facet = np.empty(len(points), dtype=np.int32)
        near = np.empty((len(points), 3))
        for low in range(0, len(points), _CHUNK):
            part = slice(low, low + _CHUNK)
            local = (points[part] - self._middle).astype(np.float32)
            found = scene.compute_closest_points(open3d.core.Tensor(local))
            facet[part] = found["primitive_ids"].numpy().astype(np.int32)
            near[part] = nearest_on_facets(points[part], self._vertices, self._faces, facet[part])
        return np.linalg.norm(points - near, axis=1), facet, near
