"""Rays through a coarse grid, against where a line meets a ball (closed form).

A ray goes by half cells, so now and then one slips through the corner between two cells: shares are asked for, and
those who ask tell shares apart that differ by a tenth.
"""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.mesh.query.visibility_grid import VisibilityGrid

RADIUS = 30.0
NEAR = 0.05


def _grid() -> VisibilityGrid:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=RADIUS)
    return VisibilityGrid.of(np.array(ball.vertices), np.asarray(ball.faces, np.int32))


def _directions(count: int, seed: int) -> np.ndarray:
    ways = np.random.default_rng(seed).normal(size=(count, 3))
    return ways / np.linalg.norm(ways, axis=1, keepdims=True)


def test_every_ray_from_inside_meets_the_ball() -> None:
    points = 10.0 * _directions(500, 1)
    assert _grid().hits(points, _directions(500, 2)).mean() > 1 - NEAR


def test_from_the_ball_itself_the_inside_is_shut_and_the_outside_open() -> None:
    ways = _directions(500, 3)
    assert not _grid().hits(RADIUS * ways, ways).any()
    assert _grid().hits(RADIUS * ways, -ways).mean() > 1 - NEAR


def test_from_far_outside_rays_meet_what_the_line_meets() -> None:
    grid = _grid()
    points, ways = 100.0 * _directions(5000, 4), _directions(5000, 5)
    # Towards the ball, within twice its radius.
    ways = 60.0 * ways - points
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    past = np.linalg.norm(np.cross(points, ways), axis=1)
    sure = np.abs(past - RADIUS) > 3 * grid.size
    hits, meets = grid.hits(points, ways), past < RADIUS
    assert np.count_nonzero(meets & sure) > 500
    assert hits[meets & sure].mean() > 1 - NEAR
    assert not hits[~meets & sure].any()
