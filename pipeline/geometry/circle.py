"""Circles and arcs in a plane: fitted to points, and how far round they go."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.arrays import Floats
from pipeline.jit import njit

FULL_TURN = 2 * np.pi


@njit(cache=True)
def algebraic_circle(a: Floats, b: Floats) -> tuple[float, float, float]:
    """Centre and radius of the algebraic circle through places (a, b), each (n,); radius 0 where there is none.

    Least squares on a^2 + b^2 = 2 ca a + 2 cb b + k about the mean (Kasa 1976): closed and quick, but drawn inwards by
    noise on a short arc. A start for `fit_circle`, not a result. Can be called from compiled code.

    >>> algebraic_circle(np.array([3.0, 1.0, -1.0, 1.0]), np.array([0.0, 2.0, 0.0, -2.0]))
    (1.0, 0.0, 2.0)
    """
    n = len(a)
    ma, mb = float(np.mean(a)), float(np.mean(b))
    saa = sab = sbb = saq = sbq = sq = 0.0
    for i in range(n):
        x, y = a[i] - ma, b[i] - mb
        q = x * x + y * y
        saa += x * x
        sab += x * y
        sbb += y * y
        saq += x * q
        sbq += y * q
        sq += q
    det = saa * sbb - sab * sab
    if not det > 1e-14 * (saa + sbb) ** 2:
        return 0.0, 0.0, 0.0
    ca = 0.5 * (saq * sbb - sbq * sab) / det
    cb = 0.5 * (sbq * saa - saq * sab) / det
    return ma + ca, mb + cb, np.sqrt(ca * ca + cb * cb + sq / n)


def fit_circle(points: Floats, weights: Floats | None = None) -> tuple[Floats, float, float]:
    """Least-squares circle of points (n >= 3, 2): centre (2,), radius, rms of the radial distances, mm.

    Minimises orthogonal distance by Gauss-Newton with step control, from the algebraic fit of centred moments.
    Method: Gander, Golub, Strebel, BIT 34 (1994) 558-578. Raises ValueError when the points lie on a line.

    >>> centre, radius, rms = fit_circle(np.array([[3.0, 0.0], [1.0, 2.0], [-1.0, 0.0], [1.0, -2.0]]))
    >>> centre.round(9).tolist(), round(radius, 9), round(rms, 9)
    ([1.0, 0.0], 2.0, 0.0)
    """
    points = np.asarray(points, float)
    w = np.ones(len(points)) if weights is None else np.asarray(weights, float)
    middle = np.average(points, axis=0, weights=w)
    x = points - middle
    scale = float(np.sqrt(np.average(np.sum(x**2, axis=1), weights=w)))
    if scale == 0.0:
        raise ValueError("a circle needs points apart from each other")
    x = x / scale
    best = _start(x, w)
    damping = 0.0
    for _ in range(200):
        normal, gradient, cost = _normal_equations(x, w, best)
        while True:
            try:
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -gradient)
            except np.linalg.LinAlgError as error:
                raise ValueError("the points lie on a line; no circle goes through them") from error
            trial = best + step
            new = np.linalg.norm(x - trial[:2], axis=1) - trial[2]
            if float(w @ new**2) <= cost or np.linalg.norm(step) < 1e-15:
                break
            damping = max(4.0 * damping, 1e-6)
        best, damping = trial, damping / 8.0
        if np.linalg.norm(step) < 1e-13 * (1.0 + np.linalg.norm(best)):
            break
    residual = np.linalg.norm(x - best[:2], axis=1) - best[2]
    rms = float(np.sqrt(np.average(residual**2, weights=w)))
    return middle + scale * best[:2], scale * float(best[2]), scale * rms


def _start(x: Floats, w: Floats) -> Floats:
    """The algebraic circle (centre, radius) of weighted places (n, 2)."""
    design = np.column_stack([2 * x, np.ones(len(x))])
    root = np.sqrt(w)[:, None]
    solved, _, rank, s = np.linalg.lstsq(design * root, np.sum(x**2, axis=1) * root[:, 0], rcond=None)
    if rank < 3 or s[-1] < 1e-7 * s[0]:
        raise ValueError("the points lie on a line; no circle goes through them")
    return np.array([solved[0], solved[1], float(np.sqrt(max(solved[2] + solved[0] ** 2 + solved[1] ** 2, 1e-12)))])


def _normal_equations(x: Floats, w: Floats, circle: Floats) -> tuple[Floats, Floats, float]:
    """J'WJ (3, 3), J'Wd (3,) and d'Wd of the distances of places (n, 2) from a circle."""
    off = x - circle[:2]
    away = np.maximum(np.linalg.norm(off, axis=1), 1e-12)
    residual = away - circle[2]
    jacobian = np.column_stack([-off / away[:, None], -np.ones(len(x))])
    return jacobian.T @ (jacobian * w[:, None]), jacobian.T @ (w * residual), float(w @ residual**2)


def polar_angles(offsets: Floats) -> Floats:
    """(n,) angles, rad, -pi..pi, of offsets (n, 2), counter-clockwise from the first axis.

    >>> polar_angles(np.array([[0.0, 2.0]])).tolist() == [np.pi / 2]
    True
    """
    return np.arctan2(offsets[:, 1], offsets[:, 0])


def turn_between(start: Floats, end: Floats, ccw: bool) -> tuple[float, float]:
    """Angle of an arc's start and the turn from there to its end, rad, negative clockwise; both (2,) from its centre.

    >>> first, turn = turn_between(np.array([1.0, 0.0]), np.array([0.0, 1.0]), False)
    >>> first, round(float(np.degrees(turn)), 9)
    (0.0, -270.0)
    """
    a, b = float(np.arctan2(start[1], start[0])), float(np.arctan2(end[1], end[0]))
    return a, (b - a) % FULL_TURN if ccw else -((a - b) % FULL_TURN)


def gaps_round(angles: Floats) -> Floats:
    """(n,) angle, rad, from each of the angles (n,), ascending, to the next one round the circle.

    >>> np.degrees(gaps_round(np.radians([90.0, 0.0, 120.0]))).round(9).tolist()
    [90.0, 30.0, 240.0]
    """
    in_turn = np.sort(angles)
    return np.diff(in_turn, append=in_turn[0] + FULL_TURN)


def on_circle(centre: Floats, radius: float, angles: Floats) -> Floats:
    """(n, 2) points of a circle about a centre (2,) at angles (n,), rad.

    >>> on_circle(np.array([1.0, 2.0]), 3.0, np.array([0.0])).tolist()
    [[4.0, 2.0]]
    """
    return centre + radius * np.column_stack([np.cos(angles), np.sin(angles)])
