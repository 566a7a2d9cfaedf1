"""The order of vertices and facets: that of the Morton curve, whatever order they came in.

Covers: pipeline.mesh.topology.morton_order
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
import trimesh

from pipeline.mesh.topology import in_morton_order, morton_order


def _shuffled(v: np.ndarray, f: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The same mesh: vertices and facets in another order, facets from another corner on."""
    random = np.random.default_rng(seed)
    places = random.permutation(len(v))
    f = np.argsort(places)[f][random.permutation(len(f))]
    turns = (np.arange(3) + random.integers(3, size=(len(f), 1))) % 3
    return v[places], np.take_along_axis(f, turns, axis=1).astype(np.int32)


def _is_before(p: np.ndarray, q: np.ndarray, low: np.ndarray) -> bool:
    """Morton (1966), in exact arithmetic, by the highest bit that differs: T. M. Chan (2002), "Closest-point problems
    simplified on the RAM", section 2: of the axes whose exclusive or has the highest bit, the last one decides."""
    cells = [[int(Fraction(float(x)) - Fraction(float(y))) for x, y in zip(row, low, strict=True)] for row in (p, q)]
    apart = [a ^ b for a, b in zip(*cells, strict=True)]
    axis = max(range(3), key=lambda k: (apart[k].bit_length(), k))
    return cells[0][axis] < cells[1][axis]


def test_points_lie_along_the_curve() -> None:
    # Whole numbers, and an extent of 2**21 - 1: each lies in a cell of its own width.
    points = np.unique(np.random.default_rng(1).integers(0, 2**21, (400, 3)), axis=0).astype(float) - 1000.0
    points = np.concatenate([points, [[-1000.0] * 3, [2.0**21 - 1001.0] * 3]])
    points = points[morton_order(points)]
    low = points.min(axis=0)
    assert all(_is_before(p, q, low) for p, q in pairwise(points))


@pytest.mark.parametrize("scale", [1.0, 1e-3, 1e30, 1e307, 1e-310])
@pytest.mark.parametrize("far", [0.0, 1e9])
def test_any_order_ends_as_the_same(scale: float, far: float) -> None:
    """Also of a size of which no number tells, and of points that all but one lie in a single cell of the curve."""
    ball = trimesh.creation.icosphere(2, radius=0.5)
    v, f = np.array(ball.vertices) * scale, ball.faces.astype(np.int32)
    v[7] *= 1.0 + far
    with np.errstate(over="ignore"):
        if not np.isfinite(v).all():
            v[7] = np.sign(v[7]) * np.finfo(float).max
    # What is no 2-manifold too: twice the same facet, one the other way round, one that names a vertex twice.
    f = np.concatenate([f, f[:3], f[3:5, ::-1], [[4, 4, 9], [9, 4, 4]]]).astype(np.int32)
    want = in_morton_order(v, f.copy())
    for seed in range(3):
        w, g = _shuffled(v, f, seed)
        stood = in_morton_order(w, g.copy())
        np.testing.assert_array_equal(stood[0], want[0])
        np.testing.assert_array_equal(stood[1], want[1])


def test_the_mesh_is_the_same() -> None:
    ball = trimesh.creation.icosphere(3, radius=20.0)
    given, facets = _shuffled(ball.vertices, ball.faces.astype(np.int32), 5)
    v, f, stood = in_morton_order(given, facets.copy())
    corners, before = v[f], given[facets[stood]]
    turns = [np.roll(before, k, axis=1) for k in range(3)]
    assert np.logical_or.reduce([(corners == turn).all(axis=(1, 2)) for turn in turns]).all()
    assert (f[:, 0] == f.min(axis=1)).all()
    assert (np.diff(f[:, 0]) >= 0).all()
    assert trimesh.Trimesh(v, f, process=False).volume == pytest.approx(ball.volume, rel=1e-12)


def test_a_fan_of_many_facets_takes_no_longer_than_others() -> None:
    """All facets at one vertex: sorting them by pairs would take minutes."""
    angles = np.linspace(0.0, 2 * np.pi, 300_000, endpoint=False)
    rim = np.stack([np.cos(angles), np.sin(angles), np.ones_like(angles)], axis=1)
    around = np.arange(1, len(rim) + 1)
    f = np.stack([np.zeros_like(around), around, np.roll(around, -1)], axis=1).astype(np.int32)
    _, f, _ = in_morton_order(np.concatenate([np.zeros((1, 3)), rim]), f)
    assert len(np.unique(f[:, 1:])) == len(rim)
