"""The connected components of a scan: which small ones are debris, and which are islands of the part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Floats, Indices, Ints, Longs, Mask
from pipeline.jit import njit
from pipeline.mesh.query import VisibilityGrid
from pipeline.mesh.topology import facet_normals, rows_left

# An island must be seen as a sheet to be told from debris: fewer facets are no sheet.
_LEAST_ISLAND = 30
_WAYS = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x or y or z], dtype=float)
_WAYS /= np.linalg.norm(_WAYS, axis=1, keepdims=True)


def facets_by_component(labels: Ints) -> list[Indices]:
    """The facets of each connected component, by its number; labels (m,) as `components` gives them.

    >>> [facets.tolist() for facets in facets_by_component(np.array([1, 0, 0], np.int32))]
    [[1, 2], [0]]
    """
    # The first component is nearly all: only the rest is worth sorting.
    rest = np.flatnonzero(labels > 0)
    if len(rest) == 0:
        return [np.arange(len(labels))]
    rest = rest[np.argsort(labels[rest], kind="stable")]
    others = np.split(rest, np.cumsum(np.bincount(labels[rest])[1:])[:-1])
    return [np.flatnonzero(labels == 0), *others]


@njit(cache=True)
def _tallies(labels: Ints, count: int, areas: Floats, neighbours: Ints) -> tuple[Floats, Longs, Mask]:
    """Of each component its area, how many facets it has, and whether it has no border."""
    sizes, counts = np.zeros(count), np.zeros(count, dtype=np.int64)
    closed = np.ones(count, dtype=np.bool_)
    for i in range(labels.size):
        label = labels[i]
        sizes[label] += areas[i]
        counts[label] += 1
        if min(neighbours[i, 0], neighbours[i, 1], neighbours[i, 2]) < 0:
            closed[label] = False
    return sizes, counts, closed


@dataclass(frozen=True)
class SmallComponents:
    """debris (m,) facets of loose small components; debris_count how many, `distance` mm of the nearest of them from
    the rest (None without debris); islands: small ones kept since they belong to the part."""

    debris: Mask
    debris_count: int
    distance: float | None
    islands: int


def small_components(
    v: Floats, f: Ints, neighbours: Ints, labels: Ints, areas: Floats, share: float
) -> SmallComponents:
    """Sort out the connected components that are smaller than `share` of the whole area.

    v, f        vertices (n, 3) mm and faces (m, 3)
    neighbours  (m, 3) facet across each edge; labels (m,) component of each facet, areas (m,) mm2
    share       0..1; the largest component is never small

    A small one is an island of the part if it is an open sheet and either continues the surface across a gap or
    lies in an opening (most ways out of there meet the part): a hole's bottom, seen apart from its walls. All
    else is debris.

    >>> v = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [0, 0, 5], [0.1, 0, 5], [0, 0.1, 5]], float)
    >>> f, labels = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6]], np.int32), np.array([0, 0, 1], np.int32)
    >>> neighbours = np.array([[-1, -1, 1], [0, -1, -1], [-1, -1, -1]], np.int32)
    >>> found = small_components(v, f, neighbours, labels, np.array([50.0, 50.0, 0.005]), 0.01)
    >>> found.debris.tolist(), found.debris_count, found.distance, found.islands
    ([False, False, True], 1, 5.0, 0)
    """
    sizes, counts, closed = _tallies(labels, int(labels.max(initial=-1)) + 1, areas, neighbours)
    small = sizes < share * sizes.sum()
    small[np.argmax(sizes)] = False
    debris = np.zeros(len(f), dtype=bool)
    if not small.any():
        return SmallComponents(debris, 0, None, 0)
    unsure = np.flatnonzero(small & (counts >= _LEAST_ISLAND) & ~closed)
    is_debris = small.copy()
    if len(unsure):
        apart = small[labels]
        grid = VisibilityGrid.of(v, rows_left(f, apart))
        border = _Border(v, f, neighbours, apart)
        members = facets_by_component(labels)
        for number in unsure:
            mine = f[members[number]]
            is_debris[number] = not (border.continues(v, mine) or _enclosed(v, mine, grid))
    debris = is_debris[labels]
    distance = _distance(v, f, debris) if debris.any() else None
    return SmallComponents(debris, int(is_debris.sum()), distance, int((small & ~is_debris).sum()))


def _enclosed(v: Floats, f: Ints, grid: VisibilityGrid) -> bool:
    points = v[f[:: max(len(f) // 32, 1)]].mean(axis=1)
    hits = grid.hits(np.repeat(points, len(_WAYS), axis=0), np.tile(_WAYS, (len(points), 1)))
    return bool(hits.mean() > 0.65)


class _Border:
    """The border of the part's large components, with its normals."""

    def __init__(self, v: Floats, f: Ints, neighbours: Ints, apart: Mask) -> None:
        from scipy.spatial import cKDTree

        facets, sides = np.divmod(np.flatnonzero(neighbours < 0), 3)
        facets, sides = facets[~apart[facets]], sides[~apart[facets]]
        self._points = v[f[facets, sides]]
        self._normals = facet_normals(v, f[facets])
        self._tree = cKDTree(self._points) if len(facets) else None

    def continues(self, v: Floats, f: Ints) -> bool:
        """Whether most of a component lies on the straight continuation of the surface across the nearest border."""
        if self._tree is None:
            return False
        some = f[:: max(len(f) // 200, 1)]
        points, normals = v[some].mean(axis=1), facet_normals(v, some)
        distance, nearest = self._tree.query(points)
        span = np.linalg.norm(np.ptp(v[f.ravel()], axis=0))
        offset = np.abs(np.einsum("ij,ij->i", points - self._points[nearest], self._normals[nearest]))
        agree = np.einsum("ij,ij->i", normals, self._normals[nearest]) > 0.85
        flush = offset < 0.15 * distance
        return bool(np.median(distance) < 3 * span and np.mean(agree & flush) > 0.7)


def _distance(v: Floats, f: Ints, debris: Mask) -> float:
    from scipy.spatial import cKDTree

    loose, rest = np.flatnonzero(debris), np.flatnonzero(~debris)
    tree = cKDTree(v[f[rest[:: max(len(rest) // 200_000, 1)], 0]])
    return float(tree.query(v[f[loose[:: max(len(loose) // 5000, 1)], 0]])[0].min())
