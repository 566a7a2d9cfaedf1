"""What may lie near a surface: nothing that does is left out, and little else is let in.

How far points are away is open3d's answer (single precision), on trimesh's sphere and box.
"""

from __future__ import annotations

import numpy as np
import open3d
import pytest
import trimesh

from pipeline.mesh.seams import surroundings

REACH, ROUNDING = 0.7, 1e-3


@pytest.fixture(scope="module", params=["ball", "box"])
def mesh(request: pytest.FixtureRequest) -> trimesh.Trimesh:
    """Many small facets, and twelve that are as large as the part; far from the origin, as scans lie."""
    made = trimesh.creation.icosphere(4, 20.0) if request.param == "ball" else trimesh.creation.box((30.0, 9.0, 50.0))
    made.apply_translation((400.0, -300.0, 25.0))
    return made


def distance(mesh: trimesh.Trimesh, points: np.ndarray) -> np.ndarray:
    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.uint32))
    return scene.compute_distance(points.astype(np.float32)).numpy()


def test_every_point_within_reach_is_held_and_none_that_is_far(mesh: trimesh.Trimesh) -> None:
    low, high = mesh.bounds
    points = np.random.default_rng(3).uniform(low - 5.0, high + 5.0, (20_000, 3))
    faces = np.asarray(mesh.faces, dtype=np.int32)
    held = surroundings(np.asarray(mesh.vertices), faces, REACH).hold(points)
    away = distance(mesh, points)
    assert np.count_nonzero(away < REACH) > 500
    assert held[away < REACH - ROUNDING].all()
    # The box of a facet of the box holds half the part; of one of the ball's it is no larger than some cells.
    if len(faces) > 12:
        assert away[held].max() < 4.0 * REACH + 2.0


def test_facets_that_come_within_reach_are_met(mesh: trimesh.Trimesh) -> None:
    """Facets of 4 mm strewn about: by the nearest of some points on each."""
    rng = np.random.default_rng(4)
    low, high = mesh.bounds
    middles = rng.uniform(low - 9.0, high + 9.0, (3000, 1, 3))
    corners = middles + rng.uniform(-2.0, 2.0, (3000, 3, 3))
    vertices, faces = corners.reshape(-1, 3), np.arange(9000, dtype=np.int32).reshape(-1, 3)
    met = surroundings(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int32), REACH).meet(vertices, faces)
    shares = rng.dirichlet(np.ones(3), 12)
    inner = np.einsum("pk,fkd->fpd", np.vstack([np.eye(3), shares]), corners)
    away = distance(mesh, inner.reshape(-1, 3)).reshape(len(faces), -1).min(axis=1)
    assert met[away < REACH - ROUNDING].all()
    assert 0 < np.count_nonzero(met) < len(faces)


def test_a_surface_touches_itself(mesh: trimesh.Trimesh) -> None:
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int32)
    around = surroundings(vertices, faces, 0.0)
    assert around.hold(vertices).all()
    assert around.meet(vertices, faces).all()
