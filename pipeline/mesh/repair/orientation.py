"""Which way round facets are: made the same over each sheet, and told from outside where a sheet allows it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit
from pipeline.mesh.topology import edge_in

Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]


@njit(cache=True)
def _flood(f, neighbours, areas):  # type: ignore[no-untyped-def]
    """Facets to turn so that each piece agrees with the larger part of its own area."""
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


def minority(f: Ints, neighbours: Ints, areas: NDArray[np.float64]) -> Mask:
    """(m,) facets that run against the larger part, by area, of the piece they belong to.

    A piece that has no orientation (a Moebius strip) keeps edges that its facets run the same way.
    """
    return _flood(f, neighbours, areas)


def turn(f: Ints, neighbours: Ints, mask: Mask) -> tuple[Ints, Ints]:
    """Faces and neighbours with the facets of `mask` turned over."""
    f, neighbours = f.copy(), neighbours.copy()
    # (a, b, c) becomes (a, c, b): the first edge and the last change places.
    f[mask] = f[mask][:, [0, 2, 1]]
    neighbours[mask] = neighbours[mask][:, [2, 1, 0]]
    return f, neighbours


@njit(cache=True)
def _inconsistent(f, neighbours):  # type: ignore[no-untyped-def]
    count = 0
    for i in range(f.shape[0]):
        for k in range(3):
            j = neighbours[i, k]
            if j > i and edge_in(f, j, f[i, k], f[i, (k + 1) % 3]) < 3:
                count += 1
    return count


def inconsistent_edges(f: Ints, neighbours: Ints) -> int:
    """How many edges two facets run in the same direction."""
    return int(_inconsistent(f, neighbours))
