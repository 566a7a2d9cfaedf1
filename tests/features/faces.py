"""Points on single faces with white and correlated noise, for tests of noise and uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import basis_of
from pipeline.surfaces import surface_normal
from pipeline.surfaces.shape import Shape

Array = NDArray[np.float64]


def waves(rng: np.random.Generator, parts: Sequence[tuple[float, float]], count: int = 300) -> Callable[[Array], Array]:
    """A random field: a sum of (sigma, length) parts of covariance sigma^2 exp(-d^2 / (2 length^2)).

    Random Fourier features: Rahimi and Recht 2007.
    """
    drawn = [
        (sigma * np.sqrt(2.0 / count), rng.normal(0, 1 / length, (count, 3)), rng.uniform(0, 2 * np.pi, count))
        for sigma, length in parts
    ]

    def field(points: Array) -> Array:
        out = np.zeros(len(points))
        for size, turns, phase in drawn:
            out += size * np.cos(points @ turns.T + phase).sum(axis=1)
        return out

    return field


def points_on(rng: np.random.Generator, shape: Shape, size: tuple[float, float], spacing: float) -> Array:
    """Points (n, 3) evenly at random: a plane's sides, or the arc (rad) and length of a cylinder; mm."""
    u, v = basis_of(shape.direction)
    area = size[0] * size[1] * (1.0 if shape.kind == "plane" else shape.radius)
    n = int(area / spacing**2)
    a, b = rng.uniform(-0.5, 0.5, (2, n)) * np.array(size)[:, None]
    if shape.kind == "plane":
        return shape.point + a[:, None] * u + b[:, None] * v
    out = np.cos(a)[:, None] * u + np.sin(a)[:, None] * v
    return shape.point + shape.radius * out + b[:, None] * shape.direction


def scanned(shape: Shape, points: Array, along: Array) -> Array:
    """The points moved along the surface's normal."""
    return points + along[:, None] * surface_normal(shape, points)


def unit(rng: np.random.Generator) -> Array:
    direction = rng.normal(size=3)
    return direction / np.linalg.norm(direction)


def grid(count: int, edge: float, height: Callable[[Array, Array], Array]) -> tuple[Array, NDArray[np.int32], Array]:
    """A square mesh over z = height(x, y): vertices, faces, and unit normals by finite differences."""
    x, y = (g.ravel() for g in np.meshgrid(np.arange(count) * edge, np.arange(count) * edge, indexing="ij"))
    step = 1e-4
    slope = [(height(x + step, y) - height(x - step, y)) / 2e-4, (height(x, y + step) - height(x, y - step)) / 2e-4]
    normals = np.column_stack([-slope[0], -slope[1], np.ones(len(x))])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    index = np.arange(count * count).reshape(count, count)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return np.column_stack([x, y, height(x, y)]), faces.astype(np.int32), normals


def revolved(radius: Callable[[Array, Array], Array], heights: Array, around: int) -> tuple[Array, NDArray[np.int32]]:
    """An open mesh over r = radius(angle, height) about the z axis, seen from outside; `heights` rise."""
    angle, z = np.meshgrid(np.arange(around) * (2 * np.pi / around), heights, indexing="ij")
    r = radius(angle, z)
    here = np.arange(around * len(heights)).reshape(angle.shape)
    after = np.roll(here, -1, axis=0)
    i, k, j, m = (corner.ravel() for corner in (here[:, :-1], here[:, 1:], after[:, :-1], after[:, 1:]))
    faces = np.concatenate([np.column_stack([i, j, m]), np.column_stack([i, m, k])]).astype(np.int32)
    return np.column_stack([(r * np.cos(angle)).ravel(), (r * np.sin(angle)).ravel(), z.ravel()]), faces
