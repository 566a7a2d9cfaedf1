"""Facets that are nearly a line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def thin_facets(vertices: NDArray, faces: NDArray, ratio: float = 1e-4) -> NDArray[np.bool_]:
    """Facets (m,) whose height on the longest side is less than `ratio` of that side."""
    corners = vertices[faces]
    sides = corners - np.roll(corners, -1, axis=1)
    longest = (sides**2).sum(axis=2).max(axis=1)
    double_area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return double_area <= ratio * longest
