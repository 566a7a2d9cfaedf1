"""A patch scanned twice, on a ball: a layer that faces the same way is a duplicate, one that faces back is a wall."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.repair.duplicate_layers import duplicate_layer_facets


def _ball_with_layer(scale: float, turned: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A ball of radius 30, a second layer over its cap, and the component of each facet."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    vertices, faces = np.array(ball.vertices), np.asarray(ball.faces, np.int32)
    cap = faces[ball.triangles_center[:, 2] > 20.0] + len(vertices)
    if turned:
        cap = cap[:, ::-1]
    labels = np.repeat(np.array([0, 1], np.int32), [len(faces), len(cap)])
    return np.vstack([vertices, scale * vertices]), np.vstack([faces, cap]).astype(np.int32), labels


def test_a_second_layer_goes_whole() -> None:
    vertices, faces, labels = _ball_with_layer(1.0005, turned=False)
    np.testing.assert_array_equal(duplicate_layer_facets(vertices, faces, labels, 0.01), labels == 1)


def test_the_other_side_of_a_thin_wall_stays() -> None:
    assert not duplicate_layer_facets(*_ball_with_layer(0.99, turned=True), 0.01).any()


def test_a_layer_well_clear_stays() -> None:
    assert not duplicate_layer_facets(*_ball_with_layer(1.3, turned=False), 0.01).any()
