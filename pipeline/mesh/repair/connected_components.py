"""The separate pieces of a scan: which are crumbs, which are islands of the part, which are inside out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit
from pipeline.mesh.query import VisibilityGrid
from pipeline.mesh.topology import facet_normals

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

# An island must be seen as a sheet to be told from a crumb: fewer facets are no sheet.
_LEAST_ISLAND = 30
_WAYS = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x or y or z], dtype=float)
_WAYS /= np.linalg.norm(_WAYS, axis=1, keepdims=True)


def facets_by_piece(labels: Ints) -> list[NDArray[np.int64]]:
    """The facets of each piece, by the number of the piece."""
    # The first piece is nearly all: only the rest is worth sorting.
    rest = np.flatnonzero(labels > 0)
    if len(rest) == 0:
        return [np.arange(len(labels))]
    rest = rest[np.argsort(labels[rest], kind="stable")]
    others = np.split(rest, np.cumsum(np.bincount(labels[rest])[1:])[:-1])
    return [np.flatnonzero(labels == 0), *others]


@dataclass(frozen=True)
class Crumbs:
    """debris (m,) facets of loose small pieces; debris_pieces how many, `distance` mm of the nearest of them from
    the rest (None without debris); islands: small pieces kept since they belong to the part."""

    debris: Mask
    debris_pieces: int
    distance: float | None
    islands: int


def crumbs(v: Floats, f: Ints, neighbours: Ints, labels: Ints, areas: Floats, share: float) -> Crumbs:
    """Sort out the pieces that are smaller than `share` of the whole area.

    A small piece is an island of the part if it is an open sheet and either continues the surface across a gap or
    lies in an opening (most ways out of there meet the part): a hole's bottom, seen apart from its walls. All
    else is debris.
    """
    sizes = np.bincount(labels, weights=areas)
    small = sizes < share * sizes.sum()
    small[np.argmax(sizes)] = False
    debris = np.zeros(len(f), dtype=bool)
    if not small.any():
        return Crumbs(debris, 0, None, 0)
    counts = np.bincount(labels)
    closed = np.bincount(labels, weights=(neighbours < 0).any(axis=1)) == 0
    unsure = np.flatnonzero(small & (counts >= _LEAST_ISLAND) & ~closed)
    is_debris = small.copy()
    if len(unsure):
        rest = ~small[labels]
        main = f[rest]
        shadow = VisibilityGrid.of(v, main)
        border = _Border(v, main, neighbours[rest])
        members = facets_by_piece(labels)
        for piece in unsure:
            mine = f[members[piece]]
            is_debris[piece] = not (border.continues(v, mine) or _enclosed(v, mine, shadow))
    debris = is_debris[labels]
    distance = _distance(v, f[debris], f[~debris]) if debris.any() else None
    return Crumbs(debris, int(is_debris.sum()), distance, int((small & ~is_debris).sum()))


def _enclosed(v: Floats, f: Ints, shadow: VisibilityGrid) -> bool:
    points = v[f[:: max(len(f) // 32, 1)]].mean(axis=1)
    hits = shadow.hits(np.repeat(points, len(_WAYS), axis=0), np.tile(_WAYS, (len(points), 1)))
    return bool(hits.mean() > 0.65)


class _Border:
    """The border of the part's large pieces, with its normals."""

    def __init__(self, v: Floats, f: Ints, neighbours: Ints) -> None:
        from scipy.spatial import cKDTree

        facets, sides = np.nonzero(neighbours < 0)
        self._points = v[f[facets, sides]]
        self._normals = facet_normals(v, f[facets])
        self._tree = cKDTree(self._points) if len(facets) else None

    def continues(self, v: Floats, f: Ints) -> bool:
        """Whether most of a piece lies on the straight continuation of the surface across the nearest border."""
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


def _distance(v: Floats, debris: Ints, rest: Ints) -> float:
    from scipy.spatial import cKDTree

    tree = cKDTree(v[rest[:: max(len(rest) // 200_000, 1), 0]])
    return float(tree.query(v[debris[:: max(len(debris) // 5000, 1), 0]])[0].min())


@dataclass(frozen=True)
class Sides:
    """What speaks for a piece being the right way round.

    openness   length of the sum of area vectors over the area: 0 for a closed surface, 1 for a flat one
    volume     signed, mm3, about the piece's centroid
    out, back  shares of the rays along the normals and against them that meet nothing
    """

    openness: float
    volume: float
    out: float
    back: float

    @property
    def inside_out(self) -> bool | None:
        """None where the two signs contradict each other or an open scan lets either be."""
        against = self.back > self.out + 0.1
        for_it = self.out > self.back + 0.1
        if self.openness < 1e-6:
            return self.volume < 0
        if self.openness < 0.25 and (against or for_it) and (self.volume < 0) == against:
            return against
        if self.openness >= 0.25 and for_it and self.volume > 0:
            return False
        return None


@njit(cache=True)
def _sums(v, f, centre):  # type: ignore[no-untyped-def]
    """Sums over the facets: area vectors, areas, volumes of the cones to the centre."""
    total = np.zeros(3)
    area = volume = 0.0
    for i in range(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        x, y, z = 0.5 * (uy * wz - uz * wy), 0.5 * (uz * wx - ux * wz), 0.5 * (ux * wy - uy * wx)
        total[0] += x
        total[1] += y
        total[2] += z
        area += np.sqrt(x * x + y * y + z * z)
        volume += (x * (v[a, 0] - centre[0]) + y * (v[a, 1] - centre[1]) + z * (v[a, 2] - centre[2])) / 3
    return total, area, volume


def sides(v: Floats, f: Ints, shadow: VisibilityGrid) -> Sides:
    """Look at one piece from both sides."""
    centre = v[f[:: max(len(f) // 100_000, 1)]].mean(axis=(0, 1))
    total, area, volume = _sums(v, f, centre)
    some = f[:: max(len(f) // 4000, 1)]
    points, normals = v[some].mean(axis=1), facet_normals(v, some)
    openness = float(np.linalg.norm(total)) / area if area else 1.0
    return Sides(
        openness,
        volume,
        float(1 - shadow.hits(points, normals).mean()),
        float(1 - shadow.hits(points, -normals).mean()),
    )
