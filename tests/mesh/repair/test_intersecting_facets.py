"""What a look at crowded and creased places finds, against a look at every pair of facets."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.mesh.query.self_intersections import self_intersections
from pipeline.mesh.repair.intersecting_facets import intersecting_facets
from pipeline.mesh.topology.adjacency import facet_neighbours
from pipeline.mesh.topology.measures import facet_areas, mean_edge


@pytest.mark.parametrize("apart", [10.0, 59.0, 70.0])
def test_two_balls_in_each_other(apart: float) -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    other = ball.copy()
    # Turned, so that no edge lies on an edge.
    other.apply_transform(trimesh.transformations.rotation_matrix(0.3, (1.0, 2.0, 3.0)))
    other.apply_translation((apart, 0.0, 0.0))
    both = trimesh.util.concatenate([ball, other])
    vertices, faces = np.array(both.vertices), np.asarray(both.faces, np.int32)
    found = intersecting_facets(
        vertices,
        faces,
        facet_neighbours(faces, len(vertices)),
        facet_areas(vertices, faces),
        mean_edge(vertices, faces),
    )
    every = np.zeros(len(faces), bool)
    every[self_intersections(vertices, faces).ravel()] = True
    np.testing.assert_array_equal(found, every)
    assert every.any() == (apart < 60.0)
