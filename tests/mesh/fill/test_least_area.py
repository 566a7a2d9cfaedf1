"""Surfaces of least area against the catenoid, whose form is exact."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.mesh.fill.least_area import least_area
from pipeline.mesh.topology.measures import facet_areas


def test_film_between_two_rings_is_a_catenoid():
    """r = c cosh(z / c) (Euler 1744); its area between z = -h and h is pi c^2 (sinh(2 h / c) + 2 h / c)."""
    c, h, rows, around = 5.0, 1.5, 31, 160
    z = np.linspace(-h, h, rows)
    turn = np.arange(around) * 2.0 * np.pi / around
    ring = c * np.cosh(h / c)
    points = np.stack(
        [ring * np.tile(np.cos(turn), rows), ring * np.tile(np.sin(turn), rows), np.repeat(z, around)], axis=1
    )
    i = (np.arange(rows - 1)[:, None] * around + np.arange(around)).ravel()
    j = (np.arange(rows - 1)[:, None] * around + (np.arange(around) + 1) % around).ravel()
    triangles = np.concatenate([np.stack([i, j, j + around], 1), np.stack([i, j + around, i + around], 1)])
    free = np.abs(points[:, 2]) < h - 1e-9
    film = least_area(points, triangles.astype(np.int32), free)
    exact = np.pi * c * c * (np.sinh(2.0 * h / c) + 2.0 * h / c)
    assert facet_areas(film, triangles.astype(np.int32)).sum() == pytest.approx(exact, rel=2e-3)
    off = np.hypot(film[:, 0], film[:, 1]) - c * np.cosh(film[:, 2] / c)
    assert np.abs(off).max() < 0.02
    assert np.array_equal(film[~free], points[~free])
