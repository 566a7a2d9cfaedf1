"""A flat sheet of equilateral triangles."""

from __future__ import annotations

import numpy as np


def lattice(n: int) -> tuple[np.ndarray, np.ndarray]:
    """(n * n, 3) vertices 1 mm apart in the plane z = 0, and faces that look up."""
    i, j = np.meshgrid(np.arange(n), np.arange(n))
    points = np.stack([i + 0.5 * (j % 2), np.sqrt(0.75) * j, 0.0 * i], axis=2).reshape(-1, 3)
    faces = []
    for row in range(n - 1):
        for k in range(n - 1):
            a, b = row * n + k, (row + 1) * n + k
            faces += [(a, a + 1, b), (a + 1, b + 1, b)] if row % 2 == 0 else [(a, a + 1, b + 1), (a, b + 1, b)]
    return points, np.array(faces, np.int32)
