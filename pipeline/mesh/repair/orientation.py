"""Orientation of facets: made the same over each connected component, and told from outside where it can be seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.query import VisibilityGrid
from pipeline.mesh.topology import edge_in, facet_normals


@njit(cache=True)
def _against_their_component(f: Ints, neighbours: Ints, areas: Floats) -> Mask:
    """Facets to turn so that each component agrees with the larger part of its own area."""
    m = f.shape[0]
    turned = np.zeros(m, dtype=np.bool_)
    seen = np.zeros(m, dtype=np.bool_)
    queue = np.empty(m, dtype=np.int32)
    for seed in range(m):
        if seen[seed]:
            continue
        seen[seed] = True
        queue[0] = seed
        head, tail = 0, 1
        balance = 0.0
        while head < tail:
            i = queue[head]
            head += 1
            balance += -areas[i] if turned[i] else areas[i]
            for k in range(3):
                j = neighbours[i, k]
                if j < 0 or seen[j]:
                    continue
                same_way = edge_in(f, j, f[i, k], f[i, (k + 1) % 3]) < 3
                turned[j] = turned[i] != same_way
                seen[j] = True
                queue[tail] = j
                tail += 1
        if balance < 0:
            for s in range(tail):
                turned[queue[s]] = not turned[queue[s]]
    return turned


def inconsistent_facets(f: Ints, neighbours: Ints, areas: Floats) -> Mask:
    """(m,) facets that run against the larger part, by area, of the connected component they belong to.

    f           (m, 3) faces
    neighbours  (m, 3) facet across each edge; areas (m,) mm2

    One that has no orientation (a Moebius strip) keeps edges that its facets run the same way.

    >>> f, neighbours = np.array([[0, 1, 2], [0, 3, 2]], np.int32), np.array([[-1, -1, 1], [-1, -1, 0]], np.int32)
    >>> inconsistent_facets(f, neighbours, np.array([2.0, 1.0])).tolist()
    [False, True]
    """
    return _against_their_component(f, neighbours, areas)


def reversed_facets(f: Ints, neighbours: Ints, mask: Mask) -> tuple[Ints, Ints]:
    """Faces (m, 3) and neighbours (m, 3) with the facets of `mask` (m,) the other way round.

    >>> f, neighbours = np.array([[0, 1, 2], [0, 3, 2]], np.int32), np.array([[-1, -1, 1], [-1, -1, 0]], np.int32)
    >>> faces, across = reversed_facets(f, neighbours, np.array([False, True]))
    >>> faces.tolist(), across.tolist()
    ([[0, 1, 2], [0, 2, 3]], [[-1, -1, 1], [0, -1, -1]])
    """
    f, neighbours = f.copy(), neighbours.copy()
    # (a, b, c) becomes (a, c, b): the first edge and the last change places.
    f[mask] = f[mask][:, [0, 2, 1]]
    neighbours[mask] = neighbours[mask][:, [2, 1, 0]]
    return f, neighbours


@njit(cache=True)
def _inconsistent(f: Ints, neighbours: Ints) -> int:
    count = 0
    for i in range(f.shape[0]):
        for k in range(3):
            j = neighbours[i, k]
            if j > i and edge_in(f, j, f[i, k], f[i, (k + 1) % 3]) < 3:
                count += 1
    return count


def inconsistent_edges(f: Ints, neighbours: Ints) -> int:
    """How many edges two facets of f (m, 3) run in the same direction; neighbours (m, 3) facet across each edge.

    >>> f, neighbours = np.array([[0, 1, 2], [0, 3, 2]], np.int32), np.array([[-1, -1, 1], [-1, -1, 0]], np.int32)
    >>> inconsistent_edges(f, neighbours)
    1
    """
    return int(_inconsistent(f, neighbours))


@dataclass(frozen=True)
class ComponentOrientation:
    """What speaks for a connected component being the right way round.

    openness   length of the sum of area vectors over the area: 0 for a closed surface, 1 for a flat one
    volume     signed, mm3, about the component's centroid
    out, back  shares of the rays along the normals and against them that meet nothing
    """

    openness: float
    volume: float
    out: float
    back: float

    @property
    def inward(self) -> bool | None:
        """Whether its normals point into the material.

        None where the two signs contradict each other or an open scan lets either be.
        """
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
def _sums(v: Floats, f: Ints, centre: Floats) -> tuple[Floats, float, float]:
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


def component_orientation(v: Floats, f: Ints, grid: VisibilityGrid) -> ComponentOrientation:
    """Look at one connected component from both sides.

    v, f  vertices (n, 3) mm and the component's facets (k, 3), one at least
    grid  of the whole surface

    The volume is the sum of the cones from its facets to its centroid; the rays go from some 4,000 facets' middles.
    Returned is a `ComponentOrientation`. Below, a tetrahedron of volume 1/6 mm3.

    >>> v = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    >>> f = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
    >>> found = component_orientation(v, f, VisibilityGrid.of(v, f))
    >>> round(found.openness, 9), round(found.volume, 4), found.inward
    (0.0, 0.1667, False)
    """
    centre = v[f[:: max(len(f) // 100_000, 1)]].mean(axis=(0, 1))
    total, area, volume = _sums(v, f, centre)
    some = f[:: max(len(f) // 4000, 1)]
    points, normals = v[some].mean(axis=1), facet_normals(v, some)
    openness = float(np.linalg.norm(total)) / area if area else 1.0
    return ComponentOrientation(
        openness,
        volume,
        float(1 - grid.hits(points, normals).mean()),
        float(1 - grid.hits(points, -normals).mean()),
    )
