"""Rigid motions as matrices (4, 4) that bring points of one frame into another: p' = R p + t, mm and rad."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.arrays import Floats, Point
from pipeline.jit import njit, prange

_MANY = 100_000  # points: a library made for large matrices takes ten times as long for so many short rows


def rigid(rotation: Floats, shift: Floats) -> Floats:
    """(4, 4) turn by a rotation (3, 3), then shift by (3,) mm.

    >>> rigid(np.eye(3), np.array([1.0, 2.0, 3.0]))[:3, 3].tolist()
    [1.0, 2.0, 3.0]
    """
    out = np.eye(4)
    out[:3, :3] = rotation
    out[:3, 3] = shift
    return out


def into_frame(axes: Floats, origin: Floats) -> Floats:
    """(4, 4) into the frame whose axes are the rows of (3, 3), unit and square, and whose origin is (3,), mm.

    >>> transformed(into_frame(np.eye(3)[[1, 2, 0]], np.array([5.0, 0.0, 0.0])), np.array([5.0, 1.0, 0.0])).tolist()
    [1.0, 0.0, 0.0]
    """
    return rigid(axes, -axes @ origin)


def transformed(motion: Floats, points: Floats) -> Floats:
    """Points (3,) or (n, 3) after a motion (4, 4), mm.

    >>> transformed(rigid(np.eye(3), np.array([1.0, 0.0, 0.0])), np.array([[2.0, 3.0, 4.0]])).tolist()
    [[3.0, 3.0, 4.0]]
    """
    if len(points) >= _MANY and np.ndim(points) == 2:
        return _moved(np.ascontiguousarray(motion, dtype=np.float64), np.ascontiguousarray(points, dtype=np.float64))
    return points @ motion[:3, :3].T + motion[:3, 3]


@njit(cache=True, inline="always")
def point_after(motion: Floats, p: Point) -> Point:
    """A point after a motion (4, 4); for compiled code.

    >>> point_after(rigid(np.eye(3)[[1, 2, 0]], np.ones(3)), (1.0, 2.0, 3.0))
    (3.0, 4.0, 2.0)
    """
    return (
        motion[0, 0] * p[0] + motion[0, 1] * p[1] + motion[0, 2] * p[2] + motion[0, 3],
        motion[1, 0] * p[0] + motion[1, 1] * p[1] + motion[1, 2] * p[2] + motion[1, 3],
        motion[2, 0] * p[0] + motion[2, 1] * p[1] + motion[2, 2] * p[2] + motion[2, 3],
    )


@njit(cache=True, parallel=True)
def _moved(motion: Floats, points: Floats) -> Floats:
    out = np.empty((len(points), 3))
    for i in prange(len(points)):
        out[i, 0], out[i, 1], out[i, 2] = point_after(motion, (points[i, 0], points[i, 1], points[i, 2]))
    return out


def turned(motion: Floats, directions: Floats) -> Floats:
    """Directions (3,) or (n, 3) after a motion (4, 4): its shift does nothing to them.

    >>> turned(rigid(np.eye(3)[[1, 2, 0]], np.ones(3)), np.array([0.0, 1.0, 0.0])).tolist()
    [1.0, 0.0, 0.0]
    """
    return directions @ motion[:3, :3].T


def undone(motion: Floats) -> Floats:
    """(4, 4) the motion back.

    >>> transformed(undone(rigid(np.eye(3)[[1, 2, 0]], np.array([1.0, 2.0, 3.0]))), np.array([1.0, 2.0, 3.0])).tolist()
    [0.0, 0.0, 0.0]
    """
    return np.asarray(np.linalg.inv(motion), dtype=np.float64)


def rotation_angle(rotation: Floats) -> float:
    """By how much, rad, 0..pi, a rotation (3, 3) turns.

    >>> round(float(np.degrees(rotation_angle(np.eye(3)[[1, 2, 0]]))), 9)
    120.0
    """
    cosine = 0.5 * (np.trace(rotation) - 1.0)
    sine = 0.5 * np.linalg.norm(rotation - rotation.T) / np.sqrt(2.0)
    return float(np.arctan2(sine, cosine))


def small_motion(motion: Floats) -> Floats:
    """(6,) shift, mm, and turn, rad, of a motion (4, 4) near to none.

    >>> turn = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, -1e-6], [0.0, 1e-6, 1.0]])
    >>> small_motion(rigid(turn, np.array([0.0, 2e-6, 0.0]))).tolist()
    [0.0, 2e-06, 0.0, 1e-06, 0.0, 0.0]
    """
    r = motion[:3, :3]
    turn = 0.5 * np.array([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]])
    return np.concatenate([motion[:3, 3], turn])


def turn_levers(points: Floats) -> Floats:
    """(n, 3, 3) how points (n, 3) shift, mm a rad, with small turns about x, y and z: turn x point = lever @ turn.

    >>> (turn_levers(np.array([[10.0, 0.0, 0.0]]))[0] @ [0.0, 0.0, 0.001]).tolist()
    [0.0, 0.01, 0.0]
    """
    x, y, z = points.T
    out = np.zeros((len(points), 3, 3))
    out[:, 0, 1], out[:, 0, 2] = z, -y
    out[:, 1, 0], out[:, 1, 2] = -z, x
    out[:, 2, 0], out[:, 2, 1] = y, -x
    return out
