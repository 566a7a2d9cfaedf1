"""Triangles by their corners."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.arrays import Floats


def area_vectors(corners: Floats) -> Floats:
    """(m, 3) of triangles with corners (m, 3, 3), mm: square to each, counter-clockwise from its tip, mm2 twice the area.

    >>> area_vectors(np.array([[[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 3.0, 0.0]]])).tolist()
    [[0.0, 0.0, 6.0]]
    """
    return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
