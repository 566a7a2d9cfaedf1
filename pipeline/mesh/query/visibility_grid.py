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
        low, high = _bounds(v, f)
        size = float((high - low).max()) / _CELLS
        cells = np.zeros(tuple(((high - low) / size).astype(int) + 3), dtype=np.uint8)
        origin = low - size
        _mark(v, f, cells, origin, size)
        return VisibilityGrid(cells, origin, size)

    def hits(self, points: Floats, directions: Floats) -> Mask:
        """(n,) whether the ray from each point (n, 3) mm along its unit direction (n, 3) meets surface.

        Surface within two cells of the point does not count: it would be the point's own.
        """
        return _march(self.cells, self.origin, self.size, points, directions)


@njit(cache=True)
def _bounds(v: Floats, f: Ints) -> tuple[Floats, Floats]:
    low = np.full(3, np.inf)
    high = np.full(3, -np.inf)
    for i in range(f.shape[0]):
        for corner in range(3):
            for k in range(3):
                x = v[f[i, corner], k]
                low[k] = min(low[k], x)
                high[k] = max(high[k], x)
    return low, high


@njit(cache=True)
def _mark(v: Floats, f: Ints, cells: Bytes, origin: Floats, size: float) -> None:
    for i in range(f.shape[0]):
        a, b, c = v[f[i, 0]], v[f[i, 1]], v[f[i, 2]]
        reach = 0.0
        for k in range(3):
            reach = max(reach, abs(b[k] - a[k]), abs(c[k] - a[k]), abs(c[k] - b[k]))
        steps = int(reach / (0.5 * size)) + 1
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
            t = 0.5 * step * size
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
