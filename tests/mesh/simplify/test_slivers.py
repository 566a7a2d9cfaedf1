"""Facets that are hardly more than a line: what is left of a mesh in single precision, by trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.edge_collapse import start_collapse
from pipeline.mesh.simplify.slivers import least_height, take_out_slivers
from pipeline.surfaces import ROW


def _work(vertices: np.ndarray, faces: np.ndarray) -> CollapseMesh:
    n, m = len(vertices), len(faces)
    free = np.full((n, 3), -1, np.int16)
    label, origin = np.full(m, -1, np.int32), np.zeros(m, np.uint8)
    return start_collapse(vertices, faces.astype(np.int32), label, origin, free, np.zeros((0, ROW)))


def _with_slivers(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A ball of 100 mm, 300 mm off, some of its edges split once next to an end, and some facets next to a side."""
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    ball.apply_translation([300.0, 0.0, 0.0])
    vertices, faces = [*ball.vertices], [*map(tuple, ball.faces)]
    for f in rng.choice(len(faces), 60, replace=False):
        a, b, c = faces[f]
        # A point in the facet, a hair from its side or from its corner.
        shares = (1e-7, 0.5, 0.5 - 1e-7) if rng.random() < 0.5 else (1.0 - 2e-7, 1e-7, 1e-7)
        vertices.append(sum(s * vertices[v] for s, v in zip(shares, (a, b, c), strict=True)))
        new = len(vertices) - 1
        faces[f] = (a, b, new)
        faces += [(b, c, new), (c, a, new)]
    return np.array(vertices), np.array(faces)


def _heights(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    corners = vertices[faces]
    longest = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1)
    double = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return double / longest


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_is_left_stays_closed_when_it_is_rounded(seed: int) -> None:
    vertices, faces = _with_slivers(seed)
    before = trimesh.Trimesh(vertices, faces, process=False)
    assert before.is_watertight
    # As it is, single precision spoils it: that is what is mended.
    spoilt = trimesh.Trimesh(vertices.astype(np.float32), faces, process=True)
    assert (spoilt.area_faces == 0).any() or not spoilt.is_watertight
    work = _work(vertices, faces)
    least = least_height(vertices)
    changed = take_out_slivers(work, least)
    assert changed.any()
    assert len(changed) == len(work.faces)
    assert _heights(work.points, work.faces).min() >= least
    after = trimesh.Trimesh(work.points.astype(np.float32), work.faces, process=True)
    assert len(after.faces) == len(work.faces)
    assert after.is_watertight
    assert after.is_winding_consistent
    assert after.euler_number == 2
    assert (after.area_faces > 0).all()
    assert after.volume == pytest.approx(before.volume, rel=1e-6)


def test_a_sound_mesh_is_left_alone() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=100.0)
    work = _work(np.array(ball.vertices), np.array(ball.faces))
    assert not take_out_slivers(work, least_height(work.points)).any()
    np.testing.assert_array_equal(work.faces, ball.faces)


def test_along_a_border_they_go_as_well() -> None:
    points = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 1e-7, 0]])
    faces = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    work = _work(points, faces)
    take_out_slivers(work, 1e-5)
    left = trimesh.Trimesh(work.points, work.faces, process=False)
    assert len(work.faces) == 3
    assert left.area == pytest.approx(100.0)
    assert left.body_count == 1
