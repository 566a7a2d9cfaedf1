"""A small renderer that needs no screen and no graphics driver: orthographic views of triangles by depth buffer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import area_vectors
from pipeline.jit import njit
from pipeline.mesh.topology import vertex_facets

# Names of the hatches; the report's 3D view draws the same by the same numbers.
HATCHES = ("none", "rising", "falling", "dots", "grid", "level", "cross")


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


def render(vertices: NDArray, faces: NDArray, view: View) -> Image:
    """Which facet each pixel of the view sees. Both sides of a facet are drawn."""
    points = view.project(vertices)
    shape = (view.height, view.width)
    owner = np.full(shape, -1, dtype=np.int32)
    depth = np.full(shape, -np.inf)
    weights = np.zeros((*shape, 2), dtype=np.float32)
    _fill(points, np.ascontiguousarray(faces), owner, depth, weights)
    return Image(owner, depth, weights)


@njit(cache=True)
def _corner_normals(points, faces, facet, first, around, least, out):
    for f in range(faces.shape[0]):
        for k in range(3):
            v = faces[f, k]
            x = y = z = 0.0
            for s in range(first[v], first[v + 1]):
                g = around[s]
                size = np.sqrt(facet[g, 0] ** 2 + facet[g, 1] ** 2 + facet[g, 2] ** 2)
                own = np.sqrt(facet[f, 0] ** 2 + facet[f, 1] ** 2 + facet[f, 2] ** 2)
                turn = facet[f, 0] * facet[g, 0] + facet[f, 1] * facet[g, 1] + facet[f, 2] * facet[g, 2]
                if turn >= least * size * own:
                    x += facet[g, 0]
                    y += facet[g, 1]
                    z += facet[g, 2]
            length = np.sqrt(x * x + y * y + z * z)
            if length > 0.0:
                out[f, k, 0], out[f, k, 1], out[f, k, 2] = x / length, y / length, z / length


def corner_normals(vertices: NDArray, faces: NDArray, crease: float = 32.0) -> NDArray[np.float32]:
    """(m, 3, 3) unit normals of the corners: smooth over facets that turn by less than `crease` degrees."""
    facet = area_vectors(vertices[faces])
    first, around = vertex_facets(np.ascontiguousarray(faces, dtype=np.int32), len(vertices))
    out = np.zeros((len(faces), 3, 3), dtype=np.float32)
    _corner_normals(vertices, faces, facet, first, around, np.cos(np.radians(crease)), out)
    return out


@njit(cache=True)
def _hatched(pattern, x, y, step, line):
    if pattern == 1:
        return (x + y) % step < line
    if pattern == 2:
        return (x - y) % step < line
    if pattern == 3:
        return (x % step - step / 2) ** 2 + (y % step - step / 2) ** 2 < (1.3 * line) ** 2
    if pattern == 4:
        return y % step < line or x % step < line
    if pattern == 5:
        return y % step < line
    if pattern == 6:
        return (x + y) % step < line or (x - y) % step < line
    return False


@njit(cache=True)
def _paint(owner, depth, weights, normals, look, colours, patterns, right, up, towards, jump, pixel, scale, out):
    height, width = owner.shape
    normal = np.zeros((2, width, 3))
    step, line = 7 * scale, scale
    for y in range(height):
        now, above = y % 2, (y + 1) % 2
        for x in range(width):
            f = owner[y, x]
            if f < 0:
                edge = (x > 0 and owner[y, x - 1] >= 0) or (y > 0 and owner[y - 1, x] >= 0)
                if edge:
                    out[y, x, :] = 38.0
                continue
            u, v = weights[y, x, 0], weights[y, x, 1]
            n = np.zeros(3)
            for a in range(3):
                n[a] = u * normals[f, 0, a] + v * normals[f, 1, a] + (1.0 - u - v) * normals[f, 2, a]
            length = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
            if length > 0.0:
                n /= length
            normal[now, x, :] = n
            front = abs(n[0] * towards[0] + n[1] * towards[1] + n[2] * towards[2])
            high = n[0] * up[0] + n[1] * up[1] + n[2] * up[2]
            side = n[0] * right[0] + n[1] * right[1] + n[2] * right[2]
            lit = 0.72 + 0.24 * front + 0.11 * high - 0.07 * side
            lit = min(1.07, max(0.55, lit))
            if _hatched(patterns[look[f]], x, y, step, line):
                lit *= 0.74
            for a in range(3):
                out[y, x, a] = min(255.0, colours[look[f], a] * lit)
            edge, crease = False, False
            if x == 0 or y == 0 or owner[y, x - 1] < 0 or owner[y - 1, x] < 0:
                edge = True
            else:
                for back in range(2):
                    far = depth[y, x - 1] if back == 0 else depth[y - 1, x]
                    # A slanting face falls off between pixels too: what its own slope explains is no step.
                    if abs(depth[y, x] - far) > jump + 1.5 * pixel / max(front, 0.05):
                        edge = True
                    turn = 0.0
                    for a in range(3):
                        turn += n[a] * (normal[now, x - 1, a] if back == 0 else normal[above, x, a])
                    crease = crease or turn < 0.76
            if edge:
                out[y, x, :] = 38.0
            elif crease:
                out[y, x, :] *= 0.55


def paint(
    image: Image,
    view: View,
    normals: NDArray[np.float32],
    look: NDArray[np.int32],
    colours: NDArray[np.float64],
    patterns: NDArray[np.int32],
    scale: int,
) -> NDArray[np.uint8]:
    """(h, w, 3) the part on white, shaded, hatched and with its edges drawn.

    normals (m, 3, 3) of corners; look (m,) row of `colours` (k, 3) and `patterns` (k,), numbers of HATCHES; scale:
    pixels that a line is wide.
    """
    out = np.full((*image.owner.shape, 3), 255.0, dtype=np.float32)
    jump = 0.008 * view.width / view.scale
    _paint(
        image.owner, image.depth, image.weights, normals, look, colours, patterns, view.right, view.up, view.towards,
        jump, 1.0 / view.scale, float(scale), out,
    )  # fmt: skip
    return out.astype(np.uint8)
