"""Whether drawn lines cross each other, in the plane of two parameters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit

Floats = NDArray[np.float64]


@njit(cache=True)
def _side(ax: float, ay: float, bx: float, by: float, cx: float, cy: float) -> float:
    return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)


@njit(cache=True, borrowing=True)
def _cross(p: Floats, q: Floats, r: Floats, s: Floats) -> bool:
    """Whether the segments pq and rs have a point in common."""
    if max(p[0], q[0]) < min(r[0], s[0]) or max(r[0], s[0]) < min(p[0], q[0]):
        return False
    if max(p[1], q[1]) < min(r[1], s[1]) or max(r[1], s[1]) < min(p[1], q[1]):
        return False
    a, b = _side(p[0], p[1], q[0], q[1], r[0], r[1]), _side(p[0], p[1], q[0], q[1], s[0], s[1])
    c, d = _side(r[0], r[1], s[0], s[1], p[0], p[1]), _side(r[0], r[1], s[0], s[1], q[0], q[1])
    return a * b <= 0.0 and c * d <= 0.0


@njit(cache=True)
def simple_polygons(polygons: Floats) -> NDArray[np.bool_]:
    """(n,) which closed polygons (n, k, 2) run counter-clockwise and do not meet themselves."""
    n, k = polygons.shape[0], polygons.shape[1]
    out = np.ones(n, dtype=np.bool_)
    for t in range(n):
        area = 0.0
        for i in range(k):
            p, q = polygons[t, i], polygons[t, (i + 1) % k]
            area += p[0] * q[1] - p[1] * q[0]
        if area <= 0.0:
            out[t] = False
            continue
        for i in range(k):
            for j in range(i + 2, k):
                if i == 0 and j == k - 1:
                    continue
                if _cross(polygons[t, i], polygons[t, i + 1], polygons[t, j], polygons[t, (j + 1) % k]):
                    out[t] = False
                    break
            if not out[t]:
                break
    return out


@njit(cache=True)
def _pairs(
    paths: Floats, low: Floats, high: Floats, order: NDArray, shift_u: float, shift_v: float, out: NDArray
) -> None:
    n, k = paths.shape[0], paths.shape[1]
    moved = np.empty((2, 2))
    for a in range(n):
        i = order[a]
        for b in range(n):
            j = order[b]
            # Sorted by their lower end: those that follow begin too far on.
            if low[j, 0] + shift_u > high[i, 0]:
                break
            if i == j or high[j, 0] + shift_u < low[i, 0]:
                continue
            if low[j, 1] + shift_v > high[i, 1] or high[j, 1] + shift_v < low[i, 1]:
                continue
            for s in range(k - 1):
                for t in range(k - 1):
                    moved[0, 0], moved[0, 1] = paths[j, t, 0] + shift_u, paths[j, t, 1] + shift_v
                    moved[1, 0], moved[1, 1] = paths[j, t + 1, 0] + shift_u, paths[j, t + 1, 1] + shift_v
                    if not _cross(paths[i, s], paths[i, s + 1], moved[0], moved[1]):
                        continue
                    if not _touching(paths[i, s], paths[i, s + 1], moved[0], moved[1]):
                        out[i] = True
                        out[j] = True


@njit(cache=True, borrowing=True)
def _touching(p: Floats, q: Floats, r: Floats, s: Floats) -> bool:
    """Whether two segments share an end; then they are neighbours on a border and don't cross."""
    e = 1e-7
    return (
        (abs(p[0] - r[0]) < e and abs(p[1] - r[1]) < e)
        or (abs(p[0] - s[0]) < e and abs(p[1] - s[1]) < e)
        or (abs(q[0] - r[0]) < e and abs(q[1] - r[1]) < e)
        or (abs(q[0] - s[0]) < e and abs(q[1] - s[1]) < e)
    )


def crossing_edges(paths: Floats, turn: tuple[float, float]) -> NDArray[np.bool_]:
    """(n,) which of the drawn lines (n, k, 2) cross another one.

    turn  the lengths after which the two parameters come round again, 0 where they don't
    """
    paths = np.array(paths)
    for axis in (0, 1):
        if turn[axis] > 0:
            steps = np.diff(paths[:, :, axis], axis=1)
            paths[:, 1:, axis] -= turn[axis] * np.cumsum(np.round(steps / turn[axis]), axis=1)
    low, high = paths.min(axis=1), paths.max(axis=1)
    order = np.argsort(low[:, 0], kind="stable")
    out = np.zeros(len(paths), np.bool_)
    shifts = [[0.0] if t == 0 else [-t, 0.0, t] for t in turn]
    for shift_u in shifts[0]:
        for shift_v in shifts[1]:
            _pairs(paths, low, high, order, shift_u, shift_v, out)
    return out
