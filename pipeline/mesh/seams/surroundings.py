"""What can lie near a surface at all: what stands in the cells of a grid that its facets' boxes come near.

Far from a surface, the way to its nearest facet is long to look up; who asks only for what lies within some reach
leaves out by this what does not.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Mask, box_of
from pipeline.jit import njit, prange

_CELLS = 256  # along the longest side
_ROUNDING = 1e-9  # mm and share, by which what lies at the very reach may seem to lie beyond


class Surroundings(NamedTuple):
    """Cells of a grid: 1 (x, y, z) where surface is within reach; origin (3,) mm, the first one's corner; size mm."""

    cells: Bytes
    origin: Floats
    size: float

    def hold(self, points: Floats) -> Mask:
        """Which points (n, 3) mm may be within reach of the surface: all that are, and few others."""
        return _held(np.ascontiguousarray(points, dtype=np.float64), self.cells, self.origin, self.size)

    def meet(self, vertices: Floats, faces: Ints) -> Mask:
        """Which facets (m, 3) over vertices (n, 3) mm may come within reach of the surface."""
        return _met(vertices, faces, self.cells, self.origin, self.size)


def surroundings(vertices: Floats, faces: Ints, reach: float) -> Surroundings:
    """What is within `reach` mm of facets (m, 3) over vertices (n, 3) mm, of which there has to be one.

    >>> square = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [9.0, 9.0, 0.0]])
    >>> facet = np.array([[0, 1, 2]], dtype=np.int32)
    >>> near = surroundings(square, facet, 0.5)
    >>> near.hold(np.array([[5.0, 4.0, 0.5], [5.0, 4.0, 2.0], [99.0, 0.0, 0.0]])).tolist()
    [True, False, False]
    >>> near.meet(square + [2.0, 0.0, 0.4], facet).tolist(), near.meet(square + [0.0, 0.0, -3.0], facet).tolist()
    ([True], [False])
    """
    reach = (1.0 + _ROUNDING) * reach + _ROUNDING
    low, high = box_of(vertices)
    size = max(float((high - low).max()) / _CELLS, reach)
    origin = low - reach - size
    cells = np.zeros(tuple(((high + reach - origin) / size).astype(int) + 2), dtype=np.uint8)
    _mark(np.ascontiguousarray(vertices), np.ascontiguousarray(faces), reach, cells, origin, size)
    return Surroundings(cells, origin, size)


@njit(cache=True, inline="always")
def _span(v: Floats, f: Ints, i: int, k: int, low: float, size: float) -> tuple[float, float]:
    """The first and last cell, along axis k and from `low` on, of a facet's box; whole numbers."""
    a, b, c = v[f[i, 0], k], v[f[i, 1], k], v[f[i, 2], k]
    return np.floor((min(a, b, c) - low) / size), np.floor((max(a, b, c) - low) / size)


@njit(cache=True)
def _mark(v: Floats, f: Ints, reach: float, cells: Bytes, origin: Floats, size: float) -> None:
    for i in range(len(f)):
        x, _ = _span(v, f, i, 0, origin[0] + reach, size)
        y, _ = _span(v, f, i, 1, origin[1] + reach, size)
        z, _ = _span(v, f, i, 2, origin[2] + reach, size)
        _, p = _span(v, f, i, 0, origin[0] - reach, size)
        _, q = _span(v, f, i, 1, origin[1] - reach, size)
        _, r = _span(v, f, i, 2, origin[2] - reach, size)
        cells[int(x) : int(p) + 1, int(y) : int(q) + 1, int(z) : int(r) + 1] = 1


@njit(cache=True, parallel=True)
def _held(points: Floats, cells: Bytes, origin: Floats, size: float) -> Mask:
    out = np.zeros(len(points), dtype=np.bool_)
    for i in prange(len(points)):
        x = np.floor((points[i, 0] - origin[0]) / size)
        y = np.floor((points[i, 1] - origin[1]) / size)
        z = np.floor((points[i, 2] - origin[2]) / size)
        if 0 <= x < cells.shape[0] and 0 <= y < cells.shape[1] and 0 <= z < cells.shape[2]:
            out[i] = cells[int(x), int(y), int(z)] == 1
    return out


@njit(cache=True, parallel=True)
def _met(v: Floats, f: Ints, cells: Bytes, origin: Floats, size: float) -> Mask:
    out = np.zeros(len(f), dtype=np.bool_)
    for at in prange(len(f)):
        i = int(np.int64(at))
        x, p = _span(v, f, i, 0, origin[0], size)
        y, q = _span(v, f, i, 1, origin[1], size)
        z, r = _span(v, f, i, 2, origin[2], size)
        for a in range(int(max(x, 0.0)), int(min(p + 1.0, cells.shape[0]))):
            for b in range(int(max(y, 0.0)), int(min(q + 1.0, cells.shape[1]))):
                for c in range(int(max(z, 0.0)), int(min(r + 1.0, cells.shape[2]))):
                    if cells[a, b, c] == 1:
                        out[i] = True
    return out
