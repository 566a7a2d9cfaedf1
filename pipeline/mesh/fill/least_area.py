"""The surface of least area through a fixed border: what a soap film takes."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sparse
import scipy.sparse.linalg

from pipeline.geometry import Floats, Ints, Mask
from pipeline.mesh.fill.fairing import laplacian

# A film near its end moves little from round to round: mm.
_ROUNDS, _STILL = 40, 1e-4


def least_area(points: Floats, triangles: Ints, free: Mask) -> Floats:
    """Move the `free` points (n,) so that the triangles' area is least; the others hold.

    points     (n, 3) mm; `triangles` (m, 3)
    Returns the points (n, 3) mm; each free one has to hang together with a held one.

    Method: the cotangent Laplacian of the mesh as it is, solved and made anew (Pinkall and Polthier 1993), the first
    time with weights that do not depend on where the free points lay.

    >>> points = np.array([*np.ndindex(3, 3, 1)], float)
    >>> points[4, 2] = 5.0
    >>> a = np.array([*np.ndindex(2, 2)]) @ [[3], [1]]
    >>> triangles = np.vstack([a + [0, 3, 4], a + [0, 4, 1]]).astype(np.int32)
    >>> abs(least_area(points, triangles, np.arange(9) == 4)[4]).round(6).tolist()
    [1.0, 1.0, 0.0]
    """
    points = points.copy()
    for step in range(_ROUNDS):
        matrix, _ = laplacian(points, triangles, uniform=step == 0)
        rows = sparse.csc_array(matrix)[np.flatnonzero(free)]
        rows = sparse.csc_array(rows)
        unknown, known = rows[:, np.flatnonzero(free)], rows[:, np.flatnonzero(~free)]
        moved = scipy.sparse.linalg.spsolve(sparse.csc_array(unknown), -(known @ points[~free]))
        change = np.abs(moved.reshape(-1, 3) - points[free]).max(initial=0.0)
        points[free] = moved.reshape(-1, 3)
        if step and change < _STILL:
            break
    return points
