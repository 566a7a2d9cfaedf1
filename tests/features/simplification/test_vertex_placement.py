"""Vertices of a lightened sheet moved to fit it: the space under a dome by its integral, worked here by hand."""

from __future__ import annotations

import numpy as np

from pipeline.features.simplification import best_placed, lightened_within, on_features
from pipeline.mesh.query import Scene
from pipeline.progress import silent
from pipeline.values import Surface

SIDE, HEIGHT, TOLERANCE = 60, 6.0, 0.3


def _under(points: np.ndarray, faces: np.ndarray) -> float:
    """mm3 between a sheet and z = 0."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    u, v = b - a, c - a
    flat = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    return float((flat * (a + b + c)[:, 2] / 3).sum())


def test_a_dome_holds_as_much_as_it_should() -> None:
    """z = h sin(pi x / s) sin(pi y / s) over a square of side s holds 4 h s^2 / pi^2."""
    n = SIDE + 1
    flat = np.array([*np.ndindex(n, n)], float)
    bulge = HEIGHT * np.sin(np.pi * flat[:, 0] / SIDE) * np.sin(np.pi * flat[:, 1] / SIDE)
    corners = [0, n, n + 1], [0, n + 1, 1]
    a = np.array([*np.ndindex(SIDE, SIDE)]) @ [[n], [1]]
    sheet = Surface.measured(np.column_stack([flat, bulge]), np.vstack([a + np.array(k) for k in corners]))
    target = on_features(sheet.vertices, sheet.faces, np.full(sheet.facets, -1, np.int32), (), 0.1)
    work = lightened_within(sheet, target, TOLERANCE, 4, silent).work
    # With room to move; within the same tolerance most of what is at its limit has to stay.
    placed = best_placed(work, sheet, target, 3 * TOLERANCE)
    exact = 4 * HEIGHT * SIDE**2 / np.pi**2
    before, after = (abs(_under(p, work.faces) - exact) for p in (np.asarray(work.points), placed))
    assert after < 0.25 * before
    assert Scene(Surface(placed, work.faces, work.origin)).distance(sheet.vertices).max() <= 3 * TOLERANCE
