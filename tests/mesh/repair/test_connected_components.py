"""Debris and islands beside a ball with an opening; and which facets may cross."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.repair.connected_components import facets_by_component, small_components
from pipeline.mesh.topology.adjacency import facet_neighbours
from pipeline.mesh.topology.components import components
from pipeline.mesh.topology.measures import facet_areas


def _sorted_out(vertices: np.ndarray, faces: np.ndarray):  # type: ignore[no-untyped-def]
    neighbours = facet_neighbours(faces, len(vertices))
    labels = components(neighbours)
    return labels, small_components(vertices, faces, neighbours, labels, facet_areas(vertices, faces), 0.1)


def _ball() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    return np.array(mesh.vertices), np.asarray(mesh.faces, np.int32), mesh.triangles_center[:, 2]


def test_a_closed_crumb_is_debris_at_its_distance() -> None:
    vertices, faces, _ = _ball()
    crumb = trimesh.creation.box(extents=(2.0, 2.0, 2.0))
    crumb.apply_translation((40.0, 0.0, 0.0))
    both = np.vstack([faces, np.asarray(crumb.faces, np.int32) + len(vertices)]).astype(np.int32)
    labels, found = _sorted_out(np.vstack([vertices, crumb.vertices]), both)
    assert (found.debris_count, found.islands) == (1, 0)
    np.testing.assert_array_equal(found.debris, labels == 1)
    # From the box's nearest side at x = 39 to the ball at x = 30; its corners are 0.03 mm farther.
    np.testing.assert_allclose(found.distance, np.hypot(39.0, np.sqrt(2.0)) - 30.0, atol=0.1)


def test_a_sheet_beyond_a_gap_in_the_same_surface_is_an_island() -> None:
    vertices, faces, z = _ball()
    _, found = _sorted_out(vertices, faces[(z < 28.0) | (z > 29.0)])
    assert (found.debris_count, found.islands, found.distance) == (0, 1, None)


def test_the_same_sheet_far_outside_is_debris() -> None:
    vertices, faces, z = _ball()
    cap = np.unique(faces[z > 29.0])
    vertices[cap] += np.array([0.0, 0.0, 60.0])
    _, found = _sorted_out(vertices, faces[(z < 28.0) | (z > 29.0)])
    assert (found.debris_count, found.islands) == (1, 0)


def test_facets_by_component_are_those_of_each_label() -> None:
    labels = np.array([0, 2, 1, 0, 1, 2, 2, 0, 0], np.int32)
    found = facets_by_component(labels)
    assert [members.tolist() for members in found] == [[0, 3, 7, 8], [2, 4], [1, 5, 6]]
