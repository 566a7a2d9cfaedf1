"""Rays through a grid of facets against open3d's ray caster."""

from __future__ import annotations

import numpy as np
import open3d
import pytest
import trimesh

from pipeline.geometry import unit_rows
from pipeline.mesh.query.sight_lines import SightLines


@pytest.mark.parametrize("seed", range(2))
def test_rays_meet_first_what_open3d_says_they_meet(seed):
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(3, 10.0)
    inner = trimesh.creation.cylinder(3.0, 9.0)
    mesh = trimesh.util.concatenate([ball, inner])
    points = rng.uniform(-16.0, 16.0, (1500, 3))
    ways = unit_rows(rng.normal(size=(1500, 3)))
    ways[:60] = np.sign(ways[:60, :1]) * np.eye(3)[rng.integers(3, size=60)]
    lines = SightLines.through(np.array(mesh.vertices), np.array(mesh.faces, np.int32))
    facet, far = lines.first(points, ways, 0.0)
    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32))
    expected = scene.cast_rays(np.hstack([points, ways]).astype(np.float32))["t_hit"].numpy()
    assert np.array_equal(facet < 0, np.isinf(expected))
    assert np.isfinite(expected).sum() > 250
    met = facet >= 0
    assert np.abs(far[met] - expected[met]).max() < 1e-3


def test_what_is_nearer_than_asked_is_passed_over():
    steps = np.array([[x, y, z] for z in (0.0, 3.0) for x, y in ((-1.0, -1.0), (1.0, -1.0), (0.0, 2.0))])
    lines = SightLines.through(steps, np.array([[0, 1, 2], [3, 4, 5]], np.int32))
    up = np.array([[0.0, 0.0, 1.0]])
    for least, expected in ((0.5, 1.0), (2.0, 4.0), (5.0, np.inf)):
        assert lines.first(np.array([[0.0, 0.0, -1.0]]), up, least)[1].tolist() == [expected]
