"""Triangles by their corners."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.arrays import Floats


def area_vectors(corners: Floats) -> Floats:
    """(m, 3) along the normals of triangles (m, 3, 3), as long as twice their areas; corners are counter-clockwise.

    >>> area_vectors(np.array([[[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 3.0, 0.0]]])).tolist()
    [[0.0, 0.0, 6.0]]
    """
    return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
