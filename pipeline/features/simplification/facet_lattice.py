"""Points over facets of any shape, no two neighbours farther apart than a pitch."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints


def lattice_points(vertices: Floats, faces: Ints, pitch: float, most: int) -> Floats:
    """Points (k, 3) mm in rows along the longest side of each facet, edges and corners among them.

    vertices, faces  (n, 3) mm and (m, 3)
    pitch            mm between rows, and between the points of a row
    most             steps in either direction, however large the facet

    The count goes with the area and the length of the sides, so a needle has two rows and no more.

    >>> needle = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [5.0, 0.1, 0.0]])
    >>> lattice_points(needle, np.array([[0, 1, 2]], np.int32), 2.5, 64).round(3)[:, 0].tolist()
    [0.0, 2.5, 5.0, 7.5, 10.0, 5.0]
    """
    corners = vertices[faces]
    sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    first = sides.argmax(axis=1)
    turn = (first[:, None] + np.arange(3)) % 3
    a, b, c = np.moveaxis(np.take_along_axis(corners, turn[:, :, None], axis=1), 1, 0)
    longest = np.maximum(sides.max(axis=1), 1e-30)
    height = np.linalg.norm(np.cross(b - a, c - a), axis=1) / longest
    along = np.clip(np.ceil(longest / pitch), 1, most).astype(np.int64)
    rows = np.clip(np.ceil(height / pitch), 1, most).astype(np.int64)
    facet, row = _counted(rows + 1)
    share = (row / rows[facet])[:, None]
    steps = np.ceil(along[facet] * (1.0 - share[:, 0])).astype(np.int64)
    start, end = a[facet] + share * (c - a)[facet], b[facet] + share * (c - b)[facet]
    of_row, place = _counted(steps + 1)
    points: Floats = start[of_row] + (place / np.maximum(steps[of_row], 1))[:, None] * (end - start)[of_row]
    return points


def _counted(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which of `counts` each item belongs to, and its number there."""
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
