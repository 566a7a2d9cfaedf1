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


def test_a_half_ball_is_half_open() -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30.0)
    upper = np.asarray(ball.faces, np.int32)[ball.triangles_center[:, 2] > 0]
    seen = _looked_at(np.array(ball.vertices), upper)
    # The rim's disc over the half ball's area: pi r^2 / 2 pi r^2.
    assert seen.openness == pytest.approx(0.5, abs=0.01)
    # Outwards all rays are free; inwards those near the pole go out through the opening, those near the rim don't.
    assert seen.out == 1.0
    assert 0.2 < seen.back < 0.8
    assert seen.inward is False


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
