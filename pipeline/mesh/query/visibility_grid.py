"""What a surface hides: rays marched through the coarse cells that it passes through.

Good for statistics over many rays (is this sheet seen from outside? does this crumb lie in an opening?), not for
single distances. A cell is some hundredth of the scan's size, so a grid is made in a moment at any density.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Mask
from pipeline.jit import njit

_CELLS = 128
_STEP = 0.5  # of a cell: so far apart are the places of a facet, or a ray, that are looked at


@dataclass(frozen=True)
class VisibilityGrid:
    """What a surface hides from rays.

    cells   (x, y, z) uint8: 1 where surface passes
    origin  (3,) mm: the first cell's corner; `size` mm of a cell

    A cell is a 128th of the longest side of the surface's box; rays go on in steps of half a cell.

    >>> v = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [10.0, 10.0, 0.0], [0.0, 10.0, 0.0]])
    >>> grid = VisibilityGrid.of(v, np.array([[0, 1, 2], [0, 2, 3]], np.int32))
    >>> grid.size, grid.hits(np.array([[5.0, 5.0, 3.0]] * 2), np.array([[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]])).tolist()
    (0.078125, [True, False])
    """

    cells: Bytes
    origin: Floats
    size: float

    @staticmethod
    def of(v: Floats, f: Ints) -> VisibilityGrid:
        """The cells that the facets `f` (m, 3) over vertices `v` (n, 3) mm pass through; there has to be a facet."""
        used = np.zeros(len(v), dtype=np.bool_)
        reach = _use(v, f, used)
        low, high = _bounds(v, used)
        size = float((high - low).max()) / _CELLS
        cells = np.zeros(tuple(((high - low) / size).astype(int) + 3), dtype=np.uint8)
        origin = low - size
        _mark_places(v, used, cells, origin, size)
        if reach >= _STEP * size:
            _mark(v, f, cells, origin, size)
        return VisibilityGrid(cells, origin, size)

    def hits(self, points: Floats, directions: Floats) -> Mask:
        """(n,) whether the ray from each point (n, 3) mm along its unit direction (n, 3) meets surface.

        Surface within two cells of the point does not count: it would be the point's own.
        """
        return _march(self.cells, self.origin, self.size, points, directions)


@njit(cache=True)
def _reach(v: Floats, f: Ints, i: int) -> float:
    """The longest side of the box of facet i."""
    reach = 0.0
    for k in range(3):
        x, y, z = v[f[i, 0], k], v[f[i, 1], k], v[f[i, 2], k]
        reach = max(reach, max(x, y, z) - min(x, y, z))
    return reach


@njit(cache=True)
def _use(v: Floats, f: Ints, used: Mask) -> float:
    """Mark the vertices that facets name; the longest side of all facets' boxes."""
    reach = 0.0
    for i in range(f.shape[0]):
        reach = max(reach, _reach(v, f, i))
        for corner in range(3):
            used[f[i, corner]] = True
    return reach


@njit(cache=True)
def _bounds(v: Floats, used: Mask) -> tuple[Floats, Floats]:
    low = np.full(3, np.inf)
    high = np.full(3, -np.inf)
    for p in range(v.shape[0]):
        if used[p]:
            for k in range(3):
                low[k] = min(low[k], v[p, k])
                high[k] = max(high[k], v[p, k])
    return low, high


@njit(cache=True)
def _mark_places(v: Floats, used: Mask, cells: Bytes, origin: Floats, size: float) -> None:
    for p in range(v.shape[0]):
        if used[p]:
            x, y, z = (v[p, 0] - origin[0]) / size, (v[p, 1] - origin[1]) / size, (v[p, 2] - origin[2]) / size
            cells[int(x), int(y), int(z)] = 1


@njit(cache=True)
def _mark(v: Floats, f: Ints, cells: Bytes, origin: Floats, size: float) -> None:
    """The cells of facets that may reach into others than their corners'."""
    for i in range(f.shape[0]):
        reach = _reach(v, f, i)
        if reach < _STEP * size:
            continue
        a, b, c = v[f[i, 0]], v[f[i, 1]], v[f[i, 2]]
        steps = int(reach / (_STEP * size)) + 1
        for p in range(steps + 1):
            for q in range(steps + 1 - p):
                s, t = p / steps, q / steps
                x = int((a[0] + s * (b[0] - a[0]) + t * (c[0] - a[0]) - origin[0]) / size)
                y = int((a[1] + s * (b[1] - a[1]) + t * (c[1] - a[1]) - origin[1]) / size)
                z = int((a[2] + s * (b[2] - a[2]) + t * (c[2] - a[2]) - origin[2]) / size)
                cells[x, y, z] = 1


@njit(cache=True)
def _march(cells: Bytes, origin: Floats, size: float, points: Floats, directions: Floats) -> Mask:
    out = np.zeros(points.shape[0], dtype=np.bool_)
    for r in range(points.shape[0]):
        step = 5
        while True:
            t = _STEP * step * size
            x = int(np.floor((points[r, 0] + t * directions[r, 0] - origin[0]) / size))
            y = int(np.floor((points[r, 1] + t * directions[r, 1] - origin[1]) / size))
            z = int(np.floor((points[r, 2] + t * directions[r, 2] - origin[2]) / size))
            inside = 0 <= x < cells.shape[0] and 0 <= y < cells.shape[1] and 0 <= z < cells.shape[2]
            if inside and cells[x, y, z]:
                out[r] = True
                break
            if not inside and t > 2 * size * max(cells.shape[0], cells.shape[1], cells.shape[2]):
                break
            step += 1
    return out
