"""A corner on the opposite side (a T-vertex with a facet laid into it): the side is turned, nothing else changes."""

from __future__ import annotations

import numpy as np

from pipeline.mesh.repair.degenerate_facets import flip_zero_area, zero_area_facets
from pipeline.mesh.topology.adjacency import facet_neighbours
from pipeline.mesh.topology.boundaries import boundary_loops
from pipeline.mesh.topology.measures import facet_areas

# Two squares, one over the other; vertex 4 lies on their common side, where facet 5 has no area.
VERTICES = np.array([[0, 0, 0], [2, 0, 0], [2, 2, 0], [0, 2, 0], [1, 0, 0], [0, -2, 0], [2, -2, 0]], float)
FACES = np.array([[0, 1, 2], [0, 2, 3], [0, 5, 4], [5, 6, 4], [6, 1, 4], [0, 4, 1]], np.int32)


def test_it_shares_the_facet_on_its_longest_side() -> None:
    neighbours = facet_neighbours(FACES, len(VERTICES))
    assert zero_area_facets(VERTICES, FACES).tolist() == [False] * 5 + [True]
    faces, near, changed = flip_zero_area(VERTICES, FACES, neighbours)
    assert not zero_area_facets(VERTICES, faces).any()
    assert changed.tolist() == [True, False, False, False, False, True]
    assert facet_areas(VERTICES, faces).sum() == 8.0
    np.testing.assert_array_equal(near, facet_neighbours(faces, len(VERTICES)))
    (before,), (after,) = (boundary_loops(f, len(VERTICES)) for f in (FACES, faces))
    assert set(before) == set(after)
    assert len(before) == len(after)


def test_at_a_border_it_stays() -> None:
    faces = FACES[2:].copy()
    found, _, changed = flip_zero_area(VERTICES, faces, facet_neighbours(faces, len(VERTICES)))
    np.testing.assert_array_equal(found, faces)
    assert not changed.any()


def test_a_needle_with_area_is_not_one() -> None:
    vertices = VERTICES.copy()
    vertices[4, 1] = -1e-6
    assert not zero_area_facets(vertices, FACES).any()
