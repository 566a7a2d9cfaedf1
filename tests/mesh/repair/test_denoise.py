"""Local polynomial regression on a mesh, against least squares by numpy and shapes known in closed form."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.repair.denoise import denoised
from pipeline.mesh.topology.measures import vertex_normals
from tests.mesh.lattice import lattice


def test_a_vertex_goes_to_the_quadric_through_its_61_nearest() -> None:
    sigma = 0.02
    points, faces = lattice(15)
    points[:, 2] = 0.002 * points[:, 0] ** 2 - 0.001 * points[:, 0] * points[:, 1]
    points[:, 2] += np.random.default_rng(1).normal(0, sigma, len(points))
    middle = int(np.argmin(np.linalg.norm(points[:, :2] - points[:, :2].mean(axis=0), axis=1)))
    found = denoised(points, faces, sigma, np.zeros(len(points), bool))[middle]

    normal = vertex_normals(points, faces)[middle]
    away = points - points[middle]
    # Four rings round a vertex of a triangular lattice are 60 vertices: all within four edges, by steps.
    row, slant = away[:, 1] / np.sqrt(0.75), away[:, 0] - away[:, 1] / np.sqrt(3)
    near = np.abs(np.stack([row, slant, row + slant])).max(axis=0) < 4.1
    assert near.sum() == 61
    first = np.cross(normal, [1.0, 0.0, 0.0])
    first /= np.linalg.norm(first)
    x, y, z = away[near] @ first, away[near] @ np.cross(normal, first), away[near] @ normal
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    height = np.linalg.lstsq(terms, z, rcond=None)[0][0]
    np.testing.assert_allclose(found, points[middle] + height * normal, atol=1e-9)


def test_noise_on_a_ball_shrinks_as_the_fit_says() -> None:
    sigma = 0.01
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30.0)
    noise = np.random.default_rng(2).normal(0, sigma, (len(ball.vertices), 1))
    found = denoised(
        ball.vertices + ball.vertex_normals * noise, np.asarray(ball.faces, np.int32), sigma,
        np.zeros(len(ball.vertices), bool),
    )  # fmt: skip
    off = np.linalg.norm(found, axis=1) - 30.0
    # The middle of a quadric through 61 points of a disc keeps 1/sqrt(61 / 3.9) of white noise: its hat value there.
    assert np.std(off) < 0.35 * sigma
    assert abs(np.mean(off)) < 0.05 * sigma


def test_sharp_edges_and_fixed_vertices_stay() -> None:
    box = trimesh.creation.box(extents=(20.0, 20.0, 20.0))
    for _ in range(4):
        box = box.subdivide()
    vertices, faces = np.array(box.vertices), np.asarray(box.faces, np.int32)
    found = denoised(vertices, faces, 0.01, np.zeros(len(vertices), bool))
    np.testing.assert_allclose(found, vertices, atol=1e-9)
    noisy = vertices + np.random.default_rng(3).normal(0, 0.01, vertices.shape)
    fixed = np.arange(len(vertices)) % 2 == 0
    found = denoised(noisy, faces, 0.01, fixed)
    np.testing.assert_array_equal(found[fixed], noisy[fixed])
    assert (found[~fixed] != noisy[~fixed]).any()


def test_without_noise_nothing_is_done() -> None:
    points, faces = lattice(4)
    assert denoised(points, faces, 0.0, np.zeros(len(points), bool)) is points
