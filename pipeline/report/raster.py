"""A small renderer that needs no screen and no graphics driver: orthographic views of triangles by depth buffer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Singles, area_vectors
from pipeline.jit import njit
from pipeline.mesh.topology import vertex_facets

# Names of the hatches; the report's 3D view draws the same by the same numbers.
HATCHES = ("none", "rising", "falling", "dots", "grid", "level", "cross")


@dataclass(frozen=True)
class View:
    """right, up: (3,) unit vectors of the picture; the viewer looks along -(right x up).

    scale px per mm; `centre` (3,) is what stands in the middle of a picture of width x height px.
    """

    right: Floats
    up: Floats
    centre: Floats
    scale: float
    width: int
    height: int

    @property
    def towards(self) -> Floats:
        """(3,) from the part to the viewer."""
        return np.cross(self.right, self.up)

    def project(self, points: Floats) -> Floats:
        """(n, 3) points to (n, 3): pixel column, pixel row, depth in mm (larger is nearer)."""
        offset = np.asarray(points, dtype=np.float64) - self.centre
        column = self.width / 2 + self.scale * (offset @ self.right)
        row = self.height / 2 - self.scale * (offset @ self.up)
        return np.column_stack([column, row, offset @ self.towards])


def fitted(right: Floats, up: Floats, low: Floats, high: Floats, width: int, height: int, margin: float) -> View:
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


class Image(NamedTuple):
    """What each pixel sees: owner (h, w) int32 facet or -1, depth (h, w) mm, weights (h, w, 2) barycentric."""

    owner: Ints
    depth: Floats
    weights: Singles


@njit(cache=True)
def _fill(points: Floats, faces: Ints, image: Image) -> None:
    """Draw facets, corners as `View.project` gives them, over what is farther from the viewer."""
    owner, depth, weights = image
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


def render(vertices: Floats, faces: Ints, view: View) -> Image:
    """Which facet each pixel of the view sees. Both sides of a facet are drawn."""
    points = view.project(vertices)
    shape = (view.height, view.width)
    image = Image(np.full(shape, -1, dtype=np.int32), np.full(shape, -np.inf), np.zeros((*shape, 2), dtype=np.float32))
    _fill(points, np.ascontiguousarray(faces), image)
    return image


@njit(cache=True)
def _corner_normals(faces: Ints, facet: Floats, first: Ints, around: Ints, least: float, out: Singles) -> None:
    """Sum at each corner the area vectors (m, 3) of the facets round it that turn by no more than cos `least`."""
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


def corner_normals(vertices: Floats, faces: Ints, crease: float = 32.0) -> Singles:
    """(m, 3, 3) unit normals of the corners: smooth over facets that turn by less than `crease` degrees."""
    facet = area_vectors(vertices[faces])
    first, around = vertex_facets(np.ascontiguousarray(faces, dtype=np.int32), len(vertices))
    out = np.zeros((len(faces), 3, 3), dtype=np.float32)
    _corner_normals(faces, facet, first, around, np.cos(np.radians(crease)), out)
    return out


@njit(cache=True)
def _hatched(pattern: int, x: int, y: int, step: float, line: float) -> bool:
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


class _Looks(NamedTuple):
    """As `paint` takes them."""

    normals: Singles
    look: Ints
    colours: Floats
    patterns: Ints


class _Way(NamedTuple):
    """The way a picture is looked at: unit vectors (3,); jump, mm of depth from a step on; pixel, mm."""

    right: Floats
    up: Floats
    towards: Floats
    jump: float
    pixel: float


@njit(cache=True)
def _light(n: Floats, front: float, right: Floats, up: Floats) -> float:
    high = n[0] * up[0] + n[1] * up[1] + n[2] * up[2]
    side = n[0] * right[0] + n[1] * right[1] + n[2] * right[2]
    lit = 0.72 + 0.24 * front + 0.11 * high - 0.07 * side
    return min(1.07, max(0.55, lit))


@njit(cache=True)
def _line_at(owner: Ints, depth: Floats, x: int, y: int, step: float, normals: Floats) -> int:
    """2 at a step of depth or the part's outline, 1 at a crease, else 0.

    normals  (3, 3) of the pixel, of the one on its left and of the one above
    """
    if x == 0 or y == 0 or owner[y, x - 1] < 0 or owner[y - 1, x] < 0:
        return 2
    crease = False
    for back in range(2):
        far = depth[y, x - 1] if back == 0 else depth[y - 1, x]
        if abs(depth[y, x] - far) > step:
            return 2
        turn = 0.0
        for a in range(3):
            turn += normals[0, a] * normals[1 + back, a]
        crease = crease or turn < 0.76
    return 1 if crease else 0


@njit(cache=True)
def _normal_at(weight: Singles, corners: Singles, n: Floats) -> None:
    """Unit normal (3,) at weights (2,) between the corners' normals (3, 3)."""
    u, v = weight[0], weight[1]
    for a in range(3):
        n[a] = u * corners[0, a] + v * corners[1, a] + (1.0 - u - v) * corners[2, a]
    length = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
    if length > 0.0:
        n /= length


@njit(cache=True)
def _paint(image: Image, looks: _Looks, way: _Way, scale: float, out: Singles) -> None:
    owner, depth, weights = image
    normals, look, colours, patterns = looks
    right, up, towards, jump, pixel = way
    height, width = owner.shape
    normal = np.zeros((2, width, 3))
    here = np.zeros((3, 3))
    n = here[0]
    step, line = 7 * scale, scale
    for y in range(height):
        now, above = y % 2, (y + 1) % 2
        for x in range(width):
            f = owner[y, x]
            if f < 0:
                if (x > 0 and owner[y, x - 1] >= 0) or (y > 0 and owner[y - 1, x] >= 0):
                    out[y, x, :] = 38.0
                continue
            _normal_at(weights[y, x], normals[f], n)
            for a in range(3):
                normal[now, x, a] = n[a]
                here[1, a], here[2, a] = normal[now, x - 1, a], normal[above, x, a]
            front = abs(n[0] * towards[0] + n[1] * towards[1] + n[2] * towards[2])
            lit = _light(n, front, right, up)
            if _hatched(patterns[look[f]], x, y, step, line):
                lit *= 0.74
            for a in range(3):
                out[y, x, a] = min(255.0, colours[look[f], a] * lit)
            # A slanting face falls off between pixels too: what its own slope explains is no step.
            drawn = _line_at(owner, depth, x, y, jump + 1.5 * pixel / max(front, 0.05), here)
            if drawn == 2:
                out[y, x, :] = 38.0
            elif drawn == 1:
                out[y, x, :] *= 0.55


def paint(
    image: Image,
    view: View,
    normals: Singles,
    look: Ints,
    colours: Floats,
    patterns: Ints,
    scale: int,
) -> Bytes:
    """(h, w, 3) the part on white, shaded, hatched and with its edges drawn.

    normals (m, 3, 3) of corners; look (m,) row of `colours` (k, 3) and `patterns` (k,), numbers of HATCHES; scale:
    pixels that a line is wide.
    """
    out = np.full((*image.owner.shape, 3), 255.0, dtype=np.float32)
    jump = 0.008 * view.width / view.scale
    way = _Way(view.right, view.up, view.towards, jump, 1.0 / view.scale)
    _paint(image, _Looks(normals, look, colours, patterns), way, float(scale), out)
    return out.astype(np.uint8)
