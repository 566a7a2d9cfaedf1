"""A small renderer that needs no screen and no graphics driver: orthographic views of triangles by depth buffer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray


@dataclass(frozen=True)
class View:
    """right, up: (3,) unit vectors of the picture; the viewer looks along -(right x up).

    scale px per mm; `centre` (3,) is what stands in the middle of a picture of width x height px.
    """

    right: NDArray[np.float64]
    up: NDArray[np.float64]
    centre: NDArray[np.float64]
    scale: float
    width: int
    height: int

    @property
    def towards(self) -> NDArray[np.float64]:
        """(3,) from the part to the viewer."""
        return np.cross(self.right, self.up)

    def project(self, points: NDArray) -> NDArray[np.float64]:
        """(n, 3) points to (n, 3): pixel column, pixel row, depth in mm (larger is nearer)."""
        offset = np.asarray(points, dtype=np.float64) - self.centre
        column = self.width / 2 + self.scale * (offset @ self.right)
        row = self.height / 2 - self.scale * (offset @ self.up)
        return np.column_stack([column, row, offset @ self.towards])


def fitted(right: NDArray, up: NDArray, low: NDArray, high: NDArray, width: int, height: int, margin: float) -> View:
    """The view that shows the box low..high whole, with `margin` px round it."""
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    across, along = corners @ right, corners @ up
    scale = min(
        (width - 2 * margin) / max(np.ptp(across), 1e-9),
        (height - 2 * margin) / max(np.ptp(along), 1e-9),
    )
    towards = np.cross(right, up)
    depth = corners @ towards
    centre = (
        right * (across.min() + across.max()) / 2
        + up * (along.min() + along.max()) / 2
        + towards * (depth.min() + depth.max()) / 2
    )
    return View(np.asarray(right, float), np.asarray(up, float), centre, scale, width, height)


@njit(cache=True)
def _fill(points, faces, owner, depth, weights):
    height, width = owner.shape
    for i in range(faces.shape[0]):
        ax, ay, az = points[faces[i, 0]]
        bx, by, bz = points[faces[i, 1]]
        cx, cy, cz = points[faces[i, 2]]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        low_x = max(0, int(np.ceil(min(ax, bx, cx) - 0.5)))
        high_x = min(width - 1, int(np.floor(max(ax, bx, cx) - 0.5)))
        low_y = max(0, int(np.ceil(min(ay, by, cy) - 0.5)))
        high_y = min(height - 1, int(np.floor(max(ay, by, cy) - 0.5)))
        for y in range(low_y, high_y + 1):
            py = y + 0.5
            for x in range(low_x, high_x + 1):
                px = x + 0.5
                u = ((bx - px) * (cy - py) - (by - py) * (cx - px)) / area
                v = ((cx - px) * (ay - py) - (cy - py) * (ax - px)) / area
                w = 1.0 - u - v
                if u < -1e-12 or v < -1e-12 or w < -1e-12:
                    continue
                z = u * az + v * bz + w * cz
                if z > depth[y, x]:
                    depth[y, x] = z
                    owner[y, x] = i
                    weights[y, x, 0] = u
                    weights[y, x, 1] = v


@dataclass(frozen=True)
class Image:
    """What each pixel sees: owner (h, w) int32 facet or -1, depth (h, w) mm, weights (h, w, 2) barycentric."""

    owner: NDArray[np.int32]
    depth: NDArray[np.float64]
    weights: NDArray[np.float32]

    def interpolate(self, values: NDArray, faces: NDArray) -> NDArray[np.float64]:
        """Per-vertex values (n,) or (n, k) at each pixel; not-a-number where nothing is seen."""
        values = np.asarray(values, dtype=np.float64)
        seen = self.owner >= 0
        corner = faces[self.owner[seen]]
        u, v = self.weights[seen].T.astype(np.float64)
        if values.ndim == 2:
            u, v = u[:, None], v[:, None]
        out = np.full(self.owner.shape + values.shape[1:], np.nan)
        out[seen] = u * values[corner[:, 0]] + v * values[corner[:, 1]] + (1 - u - v) * values[corner[:, 2]]
        return out


def render(vertices: NDArray, faces: NDArray, view: View) -> Image:
    """Which facet each pixel of the view sees. Both sides of a facet are drawn."""
    points = view.project(vertices)
    shape = (view.height, view.width)
    owner = np.full(shape, -1, dtype=np.int32)
    depth = np.full(shape, -np.inf)
    weights = np.zeros((*shape, 2), dtype=np.float32)
    _fill(points, np.ascontiguousarray(faces), owner, depth, weights)
    return Image(owner, depth, weights)


def light(normals: NDArray, view: View) -> NDArray[np.float64]:
    """(..., 3) unit normals to (...,) brightness 0..1: two soft lamps that go with the viewer."""
    key = view.towards + 0.45 * view.up - 0.35 * view.right
    fill = view.towards - 0.3 * view.up + 0.6 * view.right
    key, fill = key / np.linalg.norm(key), fill / np.linalg.norm(fill)
    return np.clip(0.34 + 0.50 * np.abs(normals @ key) + 0.20 * np.abs(normals @ fill), 0.0, 1.0)


def outline(image: Image, normals: NDArray, step: float) -> NDArray[np.bool_]:
    """(h, w) pixels on a silhouette or crease: a jump in depth of over `step` mm, or a turn of over some 35 deg."""
    depth = np.where(image.owner >= 0, image.depth, -1e9)
    edge = np.zeros(depth.shape, dtype=bool)
    for axis in (0, 1):
        jump = np.abs(np.diff(depth, axis=axis)) > step
        first = normals[:-1] if axis == 0 else normals[:, :-1]
        second = normals[1:] if axis == 0 else normals[:, 1:]
        turn = np.nan_to_num(np.sum(first * second, axis=-1), nan=1.0) < 0.82
        both = jump | turn
        if axis == 0:
            edge[:-1] |= both
        else:
            edge[:, :-1] |= both
    return edge
