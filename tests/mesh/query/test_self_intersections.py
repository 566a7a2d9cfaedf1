"""Crossing facets, beside pymeshlab's selection of self-intersecting faces and a look at every pair."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.mesh.query.self_intersections import self_intersections


def _two_balls(apart: float) -> tuple[np.ndarray, np.ndarray]:
    ball = trimesh.creation.icosphere(4, radius=10)
    turn = trimesh.transformations.rotation_matrix(0.7, (1, 2, 3))
    other = trimesh.transform_points(ball.vertices, turn) + np.array([apart, 0.3, 0.2])
    v = np.vstack([ball.vertices, other])
    return np.asarray(v), np.vstack([ball.faces, ball.faces + len(ball.vertices)]).astype(np.int32)


@pytest.mark.parametrize("apart", [8.0, 19.5, 25.0])
def test_the_same_facets_as_another_library(apart: float) -> None:
    pymeshlab = pytest.importorskip("pymeshlab")
    v, f = _two_balls(apart)
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(v, f))
    meshes.compute_selection_by_self_intersections_per_face()
    theirs = np.flatnonzero(meshes.current_mesh().face_selection_array())
    pairs = self_intersections(v, f)
    np.testing.assert_array_equal(np.unique(pairs), theirs)
    assert (len(theirs) > 0) == (apart < 20)


@pytest.mark.parametrize("seed", range(4))
def test_asking_for_some_facets_gives_their_share_of_all_pairs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    # Facets of very different size, far apart and close together.
    middle = rng.normal(size=(1500, 1, 3)) * 20
    f = np.arange(4500, dtype=np.int32).reshape(-1, 3)
    v = (middle + rng.normal(size=(1500, 3, 3)) * rng.lognormal(0, 1.2, (1500, 1, 1))).reshape(-1, 3)
    every = self_intersections(v, f)
    assert len(every) > 100
    some = rng.choice(len(f), 40, replace=False)
    mine = every[np.isin(every, some).any(axis=1)]
    np.testing.assert_array_equal(self_intersections(v, f, some), mine)
