"""The walk over a dense mesh, against another library's distances (VCGlib) and distances known in closed form."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.query.facet_deviation import DenseMesh, LightFacets, farthest_on_facets, hinges_of
from pipeline.mesh.query.facet_points import grid_points
from pipeline.mesh.topology.adjacency import facet_neighbours
from pipeline.surfaces import ROW
from tests.apart import distances_to

NOTHING = np.zeros((0, ROW))


def _farthest(  # type: ignore[no-untyped-def]
    light: trimesh.Trimesh, dense: trimesh.Trimesh, pitch: float, limit: float, most: float, share: float = 1.0
):  # fmt: skip
    faces, dense_faces = np.asarray(light.faces, np.int32), np.asarray(dense.faces, np.int32)
    corner = np.asarray(light.vertices)[faces[:, 0]]
    begin = np.argmin(((corner[:, None] - dense.triangles_center[None]) ** 2).sum(axis=2), axis=1).astype(np.int32)
    vertices, across = np.array(dense.vertices), facet_neighbours(dense_faces, len(dense.vertices))
    labels, hinges = np.full(len(dense_faces), -1, np.int32), hinges_of(vertices, dense_faces, across)
    return farthest_on_facets(
        LightFacets(np.array(light.vertices), faces, np.full(len(faces), -1, np.int32), begin),
        DenseMesh(vertices, dense_faces, across, labels, hinges, np.full(len(dense_faces), share, np.float32)),
        NOTHING, pitch, limit, most,
    )  # fmt: skip


def test_a_coarse_ball_in_a_fine_one() -> None:
    light = trimesh.creation.icosphere(subdivisions=1, radius=30.0)
    dense = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    found, _, where, _ = _farthest(light, dense, 1.0, 100.0, 100.0)
    points, at = grid_points(np.array(light.vertices), np.asarray(light.faces), np.full(len(light.faces), 40))
    exact = np.zeros(len(light.faces))
    np.maximum.at(exact, at, distances_to(points, dense.vertices, dense.faces))
    np.testing.assert_allclose(found, exact, atol=0.02)
    np.testing.assert_allclose(distances_to(where, dense.vertices, dense.faces), found, atol=1e-6)


def test_a_ridge_between_two_points_is_found() -> None:
    # A flat facet under a roof with its ridge at x = 5.1: the distance rises to it from both sides.
    slope = 0.2
    x, y = np.meshgrid(np.linspace(-2, 12.2, 143), np.linspace(-2, 12, 15))
    height = slope * (7.1 - np.abs(x - 5.1))
    cell = (np.arange(14)[:, None] * 143 + np.arange(142)).ravel()
    faces = np.concatenate([np.c_[cell, cell + 1, cell + 144], np.c_[cell, cell + 144, cell + 143]])
    dense = trimesh.Trimesh(np.c_[x.ravel(), y.ravel(), height.ravel()], faces, process=False)
    light = trimesh.Trimesh([[0, 0, 0], [10, 0, 0], [5, 10, 0]], [[0, 1, 2]], process=False)
    top = 7.1 * slope / np.hypot(1, slope)
    coarse, _, _, steps = _farthest(light, dense, 2.5, 10.0, 10.0)
    fine, _, _, _ = _farthest(light, dense, 2.5, 0.998 * top, 0.998 * top)
    assert steps[0] == 5
    assert coarse[0] < 0.998 * top
    # It may be too large, never too small: then a tree decides.
    assert fine[0] > 0.998 * top


def test_what_lies_within_uses_its_distance_by_the_share_and_what_stands_out_does_not() -> None:
    fine = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    for radius, times in ((29.0, 4.0), (32.0, 1.0)):
        light = trimesh.creation.icosphere(subdivisions=3, radius=radius)
        off, used, _, _ = _farthest(light, fine, 1.0, 100.0, 100.0, 0.25)
        np.testing.assert_allclose(used, times * off, rtol=1e-12)


def test_what_is_passed_over_behind_a_hinge_is_no_nearer() -> None:
    # Folds of all angles, some sharper than a right one, seen from both sides.
    random = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(40.0), np.arange(40.0))
    height = random.normal(0.0, 1.0, x.shape) * (x / 20.0)
    cell = (np.arange(39)[:, None] * 40 + np.arange(39)).ravel()
    faces = np.concatenate([np.c_[cell, cell + 1, cell + 41], np.c_[cell, cell + 41, cell + 40]]).astype(np.int32)
    vertices = np.c_[x.ravel(), y.ravel(), height.ravel()]
    across, free = facet_neighbours(faces, len(vertices)), np.full(len(faces), -1, np.int32)
    corners = np.c_[random.uniform(0.0, 39.0, (300, 2)), random.normal(0.0, 1.5, 300)]
    facets = np.arange(300, dtype=np.int32).reshape(-1, 3)
    begin = np.argmin(((corners[facets[:, 0], None] - vertices[faces].mean(axis=1)) ** 2).sum(axis=2), axis=1)
    light = LightFacets(corners, facets, np.full(100, -1, np.int32), begin.astype(np.int32))
    hinges = hinges_of(vertices, faces, across)
    assert np.isfinite(hinges).mean() > 0.9
    passed, looked_at = (
        farthest_on_facets(
            light,
            DenseMesh(vertices, faces, across, free, some, np.ones(len(faces), np.float32)),
            NOTHING,
            0.3,
            100.0,
            100.0,
        )
        for some in (hinges, np.full_like(hinges, np.inf))
    )
    for one, other in zip(passed, looked_at, strict=True):
        np.testing.assert_array_equal(one, other)
