"""Facets that pass through others, found without looking at every facet of a big scan."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import box_of
from pipeline.jit import njit
from pipeline.mesh.query import self_intersections
from pipeline.mesh.repair.spikes import rough

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

_EDGES_A_CELL = 4.0
_MOST_CELLS = 320


@njit(cache=True)
def _cell(v, f, i, low, size):  # type: ignore[no-untyped-def]
    a, b, c = f[i, 0], f[i, 1], f[i, 2]
    x = int(((v[a, 0] + v[b, 0] + v[c, 0]) / 3 - low[0]) / size) + 1
    y = int(((v[a, 1] + v[b, 1] + v[c, 1]) / 3 - low[1]) / size) + 1
    z = int(((v[a, 2] + v[b, 2] + v[c, 2]) / 3 - low[2]) / size) + 1
    return x, y, z


@njit(cache=True)
def _crowded(v, f, areas, low, size, area):  # type: ignore[no-untyped-def]
    """Facets in cells with much area, or beside one."""
    for i in range(f.shape[0]):
        x, y, z = _cell(v, f, i, low, size)
        area[x, y, z] += areas[i]
    # A plane cuts a cube of side 1 in 1.414 at most: cells with more area hold more than one sheet, or a corner.
    limit = 1.5 * size * size
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for i in range(f.shape[0]):
        x, y, z = _cell(v, f, i, low, size)
        for p in range(x - 1, x + 2):
            for q in range(y - 1, y + 2):
                for r in range(z - 1, z + 2):
                    if area[p, q, r] > limit:
                        out[i] = True
    return out


def crossing(v: Floats, f: Ints, neighbours: Ints, areas: Floats, edge: float) -> Mask:
    """(m,) facets that pass through another facet.

    edge  mm, mean edge length. Looked at are facets where the surface is rough, and those in cells of a few edges
    that hold more surface than one sheet could have; two sheets that cross show in such cells.
    """
    low, high = box_of(v)
    size = max(_EDGES_A_CELL * edge, float((high - low).max()) / _MOST_CELLS)
    cells = np.zeros(tuple(((high - low) / size).astype(int) + 3), dtype=np.float32)
    looked_at = _crowded(v, f, areas, low, size, cells) | rough(v, f, neighbours)
    out = np.zeros(len(f), dtype=bool)
    out[self_intersections(v, f, looked_at).ravel()] = True
    return out
