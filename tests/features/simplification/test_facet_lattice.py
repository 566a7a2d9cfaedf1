"""Points over facets: dense enough everywhere, and no more of them than that takes."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.simplification.facet_lattice import lattice_points


def test_no_place_on_a_facet_is_far_from_a_point() -> None:
    """Rows and the points in them are a pitch apart at most. Beside a slanted side only the longer of two rows reaches
    far enough: a place there is up to a pitch from that row and half a pitch along it."""
    rng = np.random.default_rng(3)
    for stretch in (1.0, 20.0, 300.0):
        vertices = rng.random((30, 3)) * [stretch, 1.0, 1.0]
        faces = np.arange(30, dtype=np.int32).reshape(-1, 3)
        points = lattice_points(vertices, faces, 0.1, 10_000)
        shares = rng.dirichlet((1.0, 1.0, 1.0), 2_000)
        anywhere = np.einsum("sk,mkd->msd", shares, vertices[faces]).reshape(-1, 3)
        assert cKDTree(points).query(anywhere)[0].max() <= 0.1 * np.sqrt(1.25) + 1e-9
        # Its corners are among them, and each lies on its facet's plane.
        assert cKDTree(points).query(vertices)[0].max() < 1e-12


def test_their_number_goes_with_area_and_sides() -> None:
    """A needle of 100 x 0.01 mm at a pitch of 1 mm: 101 points along it and its tip, not the half of 100 x 100."""
    needle = np.array([[0.0, 0.0, 0.0], [100.0, 0.0, 0.0], [50.0, 0.01, 0.0]])
    assert len(lattice_points(needle, np.array([[0, 1, 2]], np.int32), 1.0, 1_000)) == 102
    assert len(lattice_points(needle, np.array([[0, 1, 2]], np.int32), 1.0, 10)) == 12
    assert len(lattice_points(needle, np.empty((0, 3), np.int32), 1.0, 10)) == 0
