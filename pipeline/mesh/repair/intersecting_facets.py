"""Facets of a scan that pass through others: which are worth asking `mesh.query.self_intersections` about."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Mask, Singles, box_of
from pipeline.jit import njit
from pipeline.mesh.query import self_intersections
from pipeline.mesh.repair.fold_overs import creased_facets

_EDGES_A_CELL = 4.0
_MOST_CELLS = 320


@njit(cache=True)
def _fill(v: Floats, f: Ints, areas: Floats, low: Floats, size: float, area: Singles) -> Ints:
    """Add the facets' areas to those of the cells that their middles lie in; the number (m,) of each facet's cell."""
    cells = area.reshape(-1)
    out = np.empty(f.shape[0], dtype=np.int32)
    for i in range(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        x = int(((v[a, 0] + v[b, 0] + v[c, 0]) / 3 - low[0]) / size) + 1
        y = int(((v[a, 1] + v[b, 1] + v[c, 1]) / 3 - low[1]) / size) + 1
        z = int(((v[a, 2] + v[b, 2] + v[c, 2]) / 3 - low[2]) / size) + 1
        out[i] = (x * area.shape[1] + y) * area.shape[2] + z
        cells[out[i]] += areas[i]
    return out


@njit(cache=True)
def _crowded(v: Floats, f: Ints, areas: Floats, low: Floats, size: float, area: Singles) -> Mask:
    """Facets in cells with much area, or beside one."""
    number = _fill(v, f, areas, low, size, area)
    # A plane cuts a cube of side 1 in 1.414 at most: cells with more area hold more than one sheet, or a corner.
    limit = 1.5 * size * size
    full = np.zeros(area.shape, dtype=np.bool_)
    for x in range(1, area.shape[0] - 1):
        for y in range(1, area.shape[1] - 1):
            for z in range(1, area.shape[2] - 1):
                if area[x, y, z] > limit:
                    full[x - 1 : x + 2, y - 1 : y + 2, z - 1 : z + 2] = True
    cells = full.reshape(-1)
    out = np.empty(f.shape[0], dtype=np.bool_)
    for i in range(f.shape[0]):
        out[i] = cells[number[i]]
    return out


def intersecting_facets(v: Floats, f: Ints, neighbours: Ints, areas: Floats, edge: float) -> Mask:
    """(m,) facets that pass through another facet.

    v, f        vertices (n, 3) mm and faces (m, 3)
    neighbours  (m, 3) facet across each edge; areas (m,) mm2
    edge        mm, mean edge length

    Looked at are facets where the surface is creased, and those in cells of a few edges that hold more surface than one
    sheet could have; two sheets that cross show in such cells.

    >>> v = np.array([[0, 0, 0], [4, 0, 0], [0, 4, 0], [1, 1, -1], [1, 1, 1], [5, 5, 0]], float)
    >>> f, apart = np.array([[0, 1, 2], [3, 4, 5]], np.int32), np.full((2, 3), -1, np.int32)
    >>> intersecting_facets(v, f, apart, np.array([8.0, 5.657]), 0.25).tolist()
    [True, True]
    """
    low, high = box_of(v)
    size = max(_EDGES_A_CELL * edge, float((high - low).max()) / _MOST_CELLS)
    cells = np.zeros(tuple(((high - low) / size).astype(int) + 3), dtype=np.float32)
    looked_at = _crowded(v, f, areas, low, size, cells) | creased_facets(v, f, neighbours)
    out = np.zeros(len(f), dtype=bool)
    out[self_intersections(v, f, looked_at).ravel()] = True
    return out
