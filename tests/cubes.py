"""Bodies put together of cubes: facets as coarse as their faces, none without an edge beside it."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray


def sponge(level: int) -> NDArray[np.bool_]:
    """(k, k, k) which cubes of Menger's sponge are there; k = 3**level."""
    once = np.ones((3, 3, 3), dtype=bool)
    for axis in range(3):
        once[tuple(slice(None) if k == axis else 1 for k in range(3))] = False
    out = np.ones((1, 1, 1), dtype=bool)
    for _ in range(level):
        out = np.kron(out, once)
    return out


def surface_of(there: NDArray[np.bool_], size: float) -> trimesh.Trimesh:
    """The surface of cubes of `size` mm, two facets a free side, welded."""
    padded = np.pad(there, 1)
    quads = []
    for axis in range(3):
        u, v = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
        square = np.array([np.zeros(3), u, u + v, v])
        for out in (0, 1):
            free = padded & ~np.roll(padded, 1 - 2 * out, axis)
            corner = np.argwhere(free) - 1.0 + out * np.eye(3)[axis]
            quads.append(corner[:, None] + (square if out else square[::-1]))
    corners = size * np.concatenate(quads)
    return trimesh.Trimesh(
        corners.reshape(-1, 3),
        trimesh.geometry.triangulate_quads(np.arange(4 * len(corners)).reshape(-1, 4)),
    )
