"""Which way round a component is: volumes and areas against trimesh and closed forms.

Covers: pipeline.mesh.repair.orientation
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.mesh.query.visibility_grid import VisibilityGrid
from pipeline.mesh.repair.orientation import ComponentOrientation, component_orientation, reversed_facets
from pipeline.mesh.topology.adjacency import facet_neighbours
from tests.mesh.lattice import lattice


def _looked_at(vertices: np.ndarray, faces: np.ndarray) -> ComponentOrientation:
    return component_orientation(vertices, faces, VisibilityGrid.of(vertices, faces))


@pytest.mark.parametrize("name", ["icosphere", "torus"])
def test_a_closed_surface_tells_by_its_volume(name: str) -> None:
    mesh = {
        "icosphere": lambda: trimesh.creation.icosphere(subdivisions=4, radius=30.0),
        "torus": lambda: trimesh.creation.torus(30.0, 10.0, 64, 48),
    }[name]()
    vertices, faces = np.array(mesh.vertices), np.asarray(mesh.faces, np.int32)
    seen = _looked_at(vertices, faces)
    assert seen.volume == pytest.approx(mesh.volume, rel=1e-9)
    assert seen.openness < 1e-9
    assert seen.inward is False
    assert _looked_at(vertices, np.ascontiguousarray(faces[:, ::-1])).inward is True


def _ball_above(z: float) -> tuple[np.ndarray, np.ndarray]:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30.0)
    return np.array(ball.vertices), np.asarray(ball.faces, np.int32)[ball.triangles_center[:, 2] > z]


def test_a_ball_without_a_third_of_itself() -> None:
    seen = _looked_at(*_ball_above(-10.0))
    # The rim's disc over the area that is left: pi (30^2 - 10^2) / (2 pi 30 40).
    assert seen.openness == pytest.approx(1 / 3, abs=0.01)
    # Inwards a ray goes through the centre: out again where the third is missing, from half of what is left.
    assert seen.out == 1.0
    assert seen.back == pytest.approx(0.5, abs=0.05)
    assert seen.inward is False


def test_from_half_a_ball_every_ray_is_free() -> None:
    seen = _looked_at(*_ball_above(0.0))
    assert seen.openness == pytest.approx(0.5, abs=0.01)
    assert (seen.out, seen.back) == (1.0, 1.0)
    assert seen.inward is None


def test_a_flat_sheet_may_be_either_way() -> None:
    assert _looked_at(*lattice(20)).inward is None


def test_reversed_facets_have_the_neighbours_that_they_then_have() -> None:
    mesh = trimesh.creation.icosphere(subdivisions=2)
    faces = np.asarray(mesh.faces, np.int32)
    mask = np.arange(len(faces)) % 3 == 0
    found, near = reversed_facets(faces, facet_neighbours(faces, len(mesh.vertices)), mask)
    np.testing.assert_array_equal(near, facet_neighbours(found, len(mesh.vertices)))
    normals = trimesh.Trimesh(mesh.vertices, found, process=False).face_normals
    np.testing.assert_allclose(normals, np.where(mask[:, None], -1, 1) * mesh.face_normals, atol=1e-9)
