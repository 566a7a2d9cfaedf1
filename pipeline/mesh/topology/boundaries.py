"""The rims of a mesh as closed walks along its open edges.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from pipeline.geometry import Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.topology.adjacency import edge_in, facet_neighbours


@njit(cache=True)
def _open_edges(f: Ints, neighbours: Ints) -> Mask:
    """(m, 3) edges that can't be crossed: border, non-manifold, or run the same way by both facets."""
    out = np.zeros(f.shape, dtype=np.bool_)
    for i in range(f.shape[0]):
        for k in range(3):
            j = neighbours[i, k]
            if j < 0:
                out[i, k] = True
            elif j > i:
                # The other facet's edge is the same one.
                edge = edge_in(f, j, f[i, k], f[i, (k + 1) % 3])
                if edge < 3:
                    out[i, k] = out[j, edge] = True
    return out


@njit(cache=True)
def _unbalanced(f: Ints, n: int) -> Mask:
    """(n,) vertices from which an edge leads to a higher one that facets don't run as often one way as the other.

    The far ends are added up as numbers made by chance from theirs, forth and back (splitmix64, Steele, Lea and Flood,
    "Fast splittable pseudorandom number generators", 2014, from memory); that others than equal ones come to nothing
    has a chance of 2^-64.
    """
    sums = np.zeros(n, dtype=np.uint64)
    for i in range(f.shape[0]):
        for k in range(3):
            a, b = f[i, k], f[i, (k + 1) % 3]
            x = np.uint64(max(a, b) + 1) * np.uint64(0x9E3779B97F4A7C15)
            x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
            x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
            x ^= x >> np.uint64(31)
            sums[min(a, b)] += x if a <= b else np.uint64(0) - x
    return sums != np.uint64(0)


@njit(cache=True)
def _facets_from(f: Ints, chosen: Mask) -> Mask:
    """(m,) facets with an edge whose lower vertex is chosen."""
    out = np.empty(f.shape[0], dtype=np.bool_)
    for i in range(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        out[i] = chosen[min(a, b)] or chosen[min(b, c)] or chosen[min(c, a)]
    return out


def border_edges(f: Ints, n: int) -> int:
    """How many edges of faces f (m, 3) over n vertices only one facet has; of an edge to itself, that too.

    What `facet_neighbours` calls border, in a tenth of its time where that is little of the mesh.

    >>> border_edges(np.array([[0, 1, 2], [0, 2, 3]], np.int32), 4)
    4
    """
    at = _unbalanced(f, n)
    some = f[_facets_from(f, at)]
    _, index = np.unique(some, return_inverse=True)
    local = index.reshape(-1, 3).astype(np.int32)
    alone = facet_neighbours(local, int(local.max(initial=-1)) + 1) == -1
    return int((alone & at[np.minimum(some, np.roll(some, -1, axis=1))]).sum())


@njit(cache=True)
def _trace(f: Ints, neighbours: Ints, is_open: Mask) -> tuple[Ints, Ints]:
    """Loops of open half-edges, one after another: vertices, and where each loop starts."""
    total = is_open.sum()
    vertices = np.empty(total, dtype=np.int32)
    starts = np.empty(total + 1, dtype=np.int32)
    used = np.zeros(f.shape, dtype=np.bool_)
    count = 0
    loops = 0
    for place in np.flatnonzero(is_open):
        i, k = place // 3, place % 3
        if used[i, k]:
            continue
        starts[loops] = count
        loops += 1
        while not used[i, k]:
            used[i, k] = True
            vertices[count] = f[i, k]
            count += 1
            # Turn about the far end, facet by facet, to the other side of its fan: at a pinched vertex
            # this keeps to the sheet that the loop came along.
            k = (k + 1) % 3
            while not is_open[i, k]:
                a, b = f[i, k], f[i, (k + 1) % 3]
                i = neighbours[i, k]
                k = (edge_in(f, i, a, b) - 3 + 1) % 3
    starts[loops] = count
    return vertices, starts[: loops + 1]


def boundary_loops(f: Ints, n: int, neighbours: Ints | None = None) -> tuple[Ints, ...]:
    """Closed loops of vertex ids along the border, in the direction in which its facets run their edges.

    f           (m, 3) faces over n vertices
    neighbours  (m, 3) of the facets, if they are known already

    So the facets lie on the left, seen from outside. Where two holes touch in one vertex the loop goes round both
    and passes that vertex twice, as if it were split between the two fans of facets. Edges of more than two facets,
    and those that two facets run the same way, count as border. Loops come in the order of their first facet.

    >>> [loop.tolist() for loop in boundary_loops(np.array([[0, 1, 2], [0, 2, 3]], np.int32), 4)]
    [[0, 1, 2, 3]]
    """
    if neighbours is None:
        neighbours = facet_neighbours(f, n)
    vertices, starts = _trace(f, neighbours, _open_edges(f, neighbours))
    return tuple(vertices[a:b] for a, b in pairwise(starts))
