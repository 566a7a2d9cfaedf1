"""Vectors in space: unit length, square to one another, the angle between two of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.geometry.arrays import Floats
from pipeline.jit import njit


def unit(vector: Floats) -> Floats:
    """The vector (k,) at length one; it must not be zero.

    >>> unit(np.array([3.0, 0.0, 4.0])).tolist()
    [0.6, 0.0, 0.8]
    """
    return vector / np.linalg.norm(vector)


def unit_rows(vectors: Floats, least: float = 1e-12) -> Floats:
    """Vectors (..., k) at length one each; one shorter than `least` is divided by that, so that zero stays zero.

    >>> unit_rows(np.array([[3.0, 4.0], [0.0, 0.0]])).tolist()
    [[0.6, 0.8], [0.0, 0.0]]
    """
    return vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), least)


def cross(a: Floats, b: Floats) -> Floats:
    """Cross product of two vectors (3,): numpy's spends most of its time on shapes, and this is asked for often.

    >>> cross(np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])).tolist()
    [0.0, 0.0, 1.0]
    """
    ax, ay, az = a.tolist()
    bx, by, bz = b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def rejection(vectors: Floats, direction: Floats) -> Floats:
    """What is left of vectors (3,) or (n, 3) without their part along a unit direction (3,).

    >>> rejection(np.array([1.0, 2.0, 3.0]), np.array([0.0, 0.0, 1.0])).tolist()
    [1.0, 2.0, 0.0]
    """
    along = vectors @ direction
    return vectors - (along * direction if vectors.ndim == 1 else np.outer(along, direction))


@njit(cache=True)
def perpendicular_pair(direction: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors (3,) square to a unit direction (3,) and to each other, the same ones every time.

    With the direction as third they are right-handed. The first leans towards the axis that the direction runs along
    least. Can be called from compiled code; `basis_of` is the same for everyone else.

    >>> [v.tolist() for v in perpendicular_pair(np.array([0.6, 0.8, 0.0]))]
    [[0.0, 0.0, 1.0], [0.8, -0.6, 0.0]]
    """
    k = 0
    for j in range(1, 3):
        if abs(direction[j]) < abs(direction[k]):
            k = j
    other = np.zeros(3)
    other[k] = 1.0
    u = other - direction * direction[k]
    u /= np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
    v = np.array(
        [
            direction[1] * u[2] - direction[2] * u[1],
            direction[2] * u[0] - direction[0] * u[2],
            direction[0] * u[1] - direction[1] * u[0],
        ]
    )
    return u, v


def basis_of(direction: Floats | None) -> Floats:
    """(2, 3) two unit vectors square to a unit `direction` (3,) and to each other, the same ones every time.

    Together with the direction they are right-handed. None (what has no direction, as a sphere) gives the x and y axes,
    so that a third along z makes them x, y, z.

    >>> basis_of(np.array([0.0, 0.6, 0.8])).tolist()
    [[1.0, 0.0, 0.0], [0.0, 0.8, -0.6]]
    """
    if direction is None:
        return np.eye(3)[:2].copy()
    return np.array(perpendicular_pair(np.array(direction, dtype=float)))


def steady_pair(direction: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors (3,) square to a unit direction and to each other, which turn as little as it does.

    For differences between two directions near to one another: `basis_of` jumps by a right angle where two of the
    direction's small components change places, as they do about each axis; these only where its large ones do.

    >>> [(v + 0.0).tolist() for v in steady_pair(np.array([0.0, 0.0, 1.0]))]
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0]]
    """
    helper = np.eye(3)[(int(np.argmax(np.abs(direction))) + 1) % 3]
    first = unit(cross(helper, direction))
    return first, cross(direction, first)


def angle_between_lines(a: Floats, b: Floats) -> float:
    """Angle, rad, 0..pi/2, between two directions (3,) of any length, whichever way they point.

    By the arc tangent of both products, which keeps its digits near parallel and near square alike (Kahan 2006).

    >>> round(float(np.degrees(angle_between_lines(np.array([1.0, 0.0, 0.0]), np.array([-1.0, 1.0, 0.0])))), 9)
    45.0
    """
    return float(np.arctan2(np.linalg.norm(cross(a, b)), abs(a @ b)))


def angle_between_directions(a: Floats, b: Floats) -> float:
    """Angle, rad, 0..pi, between two directions (3,) of any length.

    >>> round(float(np.degrees(angle_between_directions(np.array([1.0, 0.0, 0.0]), np.array([-1.0, 1.0, 0.0])))), 9)
    135.0
    """
    return float(np.arctan2(np.linalg.norm(cross(a, b)), a @ b))


def mean_line(directions: Sequence[Floats], weights: Sequence[float] | None = None) -> Floats:
    """Unit mean of directions (3,) of lines, each taken the way the first one points; weights are 1 if not given.

    >>> mean_line([np.array([0.0, 0.6, 0.8]), np.array([0.0, 0.6, -0.8])]).tolist()
    [0.0, 0.0, 1.0]
    """
    weights = [1.0] * len(directions) if weights is None else weights
    total = np.zeros(3)
    for weight, direction in zip(weights, directions, strict=True):
        total = total + weight * direction * np.sign(direction @ directions[0])
    return unit(total)


def growing_sense(axis: Floats) -> float:
    """1 or -1: the way along an axis (3,) in which its largest coordinate grows; of equal ones the last counts.

    >>> growing_sense(np.array([0.1, -0.9, 0.2]))
    -1.0
    """
    return float(np.sign(axis[int(np.argmax(np.abs(axis) * [1.0, 1.001, 1.002]))]))
