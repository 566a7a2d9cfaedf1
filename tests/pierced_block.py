"""A block with a bore as a labelled light mesh, whose exact volume any formulary tells."""

from __future__ import annotations

import numpy as np

from pipeline.surfaces import Shape
from pipeline.values import Surface

LENGTH, WIDTH, HEIGHT, RADIUS = 60.0, 40.0, 20.0, 8.0
TOP, BOTTOM, BORE, SIDES = range(4)
SHAPES = (
    Shape("plane", np.array([0.0, 0.0, HEIGHT]), np.array([0.0, 0.0, 1.0])),
    Shape("plane", np.array([0.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0])),
    Shape("cylinder", np.array([0.0, 0.0, HEIGHT / 2]), np.array([0.0, 0.0, 1.0]), RADIUS),
    Shape("plane", np.array([LENGTH / 2, 0.0, 0.0]), np.array([1.0, 0.0, 0.0])),
    Shape("plane", np.array([0.0, WIDTH / 2, 0.0]), np.array([0.0, 1.0, 0.0])),
    Shape("plane", np.array([-LENGTH / 2, 0.0, 0.0]), np.array([-1.0, 0.0, 0.0])),
    Shape("plane", np.array([0.0, -WIDTH / 2, 0.0]), np.array([0.0, -1.0, 0.0])),
)


def pierced_block(depth: float | None = None, around: int = 48, rings: int = 1) -> tuple[Surface, np.ndarray]:
    """The block and the shape of each facet.

    depth  of a blind bore whose floor is missing
    rings  of its wall's facets, whose far end are the `around` vertices from (rings + 1) * around on
    """
    turn = np.arange(around) * 2 * np.pi / around
    unit = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    # Rays to the rectangle's rim; with this many of them some go to its corners.
    square = unit * np.min(np.array([LENGTH, WIDTH]) / 2 / np.maximum(np.abs(unit), 1e-12), axis=1)[:, None]
    corners = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * np.array([LENGTH, WIDTH]) / 2
    for corner in corners:
        square[np.argmin(np.linalg.norm(square - corner, axis=1))] = corner
    circle = RADIUS * unit
    end = 0.0 if depth is None else HEIGHT - depth
    walls = [(circle, float(z)) for z in np.linspace(HEIGHT, end, rings + 1)]
    points = [np.column_stack([ring, np.full(around, z)]) for ring, z in [(square, HEIGHT), *walls, (square, 0.0)]]
    floor = rings + 2
    vertices = np.concatenate([*points, [[0.0, 0.0, 0.0]]])
    faces, labels = [], []

    def strip(first: int, second: int, label: int) -> None:
        a = np.arange(around)
        b = (a + 1) % around
        p, q, r, s = first * around + a, first * around + b, second * around + a, second * around + b
        faces.extend([np.stack([p, q, s], axis=1), np.stack([p, s, r], axis=1)])
        labels.append(np.full(2 * around, label))

    strip(0, 1, TOP)
    for ring in range(rings):
        strip(1 + ring, 2 + ring, BORE)
    if depth is None:
        strip(floor - 1, floor, BOTTOM)
    else:
        a = np.arange(around)
        first, middle = floor * around, (floor + 1) * around
        faces.append(np.stack([first + (a + 1) % around, first + a, np.full(around, middle)], axis=1))
        labels.append(np.full(around, BOTTOM))
    strip(floor, 0, -1)
    joined = np.concatenate(faces)
    told = np.concatenate(labels).astype(np.int32)
    middles = vertices[joined].mean(axis=1) / np.array([LENGTH, WIDTH, HEIGHT])
    across = (np.abs(middles[:, 1]) > np.abs(middles[:, 0])).astype(int)
    side = SIDES + across + 2 * (np.take_along_axis(middles, across[:, None], 1)[:, 0] < 0)
    return Surface.measured(vertices, joined), np.where(told < 0, side, told).astype(np.int32)
