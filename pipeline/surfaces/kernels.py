"""Compiled loops over points for any kind, told by its code; and the small solver of the fits."""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit, prange
from pipeline.surfaces import cone, cylinder, plane, sphere, torus
from pipeline.surfaces.kind import WIDEST
from pipeline.surfaces.moments import perpendicular_pair

_MANY = 40_000  # below that waking the threads costs more than they save
_CHUNKS = 64  # fixed, so that sums don't depend on the number of threads
_AT_ONCE = 64  # points whose derivatives lie in the fastest cache


@njit(cache=True)
def evaluate(code, s, x, y, z, row):
    if code == 0:
        return plane.evaluate(s, x, y, z, row)
    if code == 1:
        return cylinder.evaluate(s, x, y, z, row)
    if code == 2:
        return cone.evaluate(s, x, y, z, row)
    if code == 3:
        return sphere.evaluate(s, x, y, z, row)
    return torus.evaluate(s, x, y, z, row)


@njit(cache=True)
def gradient(code, s, x, y, z, out):
    if code == 0:
        return plane.gradient(s, x, y, z, out)
    if code == 1:
        return cylinder.gradient(s, x, y, z, out)
    if code == 2:
        return cone.gradient(s, x, y, z, out)
    if code == 3:
        return sphere.gradient(s, x, y, z, out)
    return torus.gradient(s, x, y, z, out)


@njit(cache=True)
def begin(code, points, normals, s):
    """Closed-form start of a kind into s, with a basis; False where the points don't make one."""
    if code == 0:
        good = plane.begin(points, normals, s)
    elif code == 1:
        good = cylinder.begin(points, normals, s)
    elif code == 2:
        good = cone.begin(points, normals, s)
    elif code == 3:
        good = sphere.begin(points, normals, s)
    else:
        good = torus.begin(points, normals, s)
    if good:
        s[6:9], s[9:12] = perpendicular_pair(s[3:6].copy())
    return good


@njit(cache=True)
def _fill(code, s, points, low, high, rows, away):
    """Signed distances of points[low:high] into away and their derivatives into the columns of rows.

    One loop a kind, so that the compiler can take several points at once.
    """
    m = high - low
    if code == 0:
        for i in range(m):
            away[i] = plane.evaluate(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])
    elif code == 1:
        for i in range(m):
            away[i] = cylinder.evaluate(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])
    elif code == 2:
        for i in range(m):
            away[i] = cone.evaluate(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])
    elif code == 3:
        for i in range(m):
            away[i] = sphere.evaluate(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])
    else:
        for i in range(m):
            away[i] = torus.evaluate(s, points[low + i, 0], points[low + i, 1], points[low + i, 2], rows[:, i])


@njit(cache=True)
def _distances(code, s, points, low, high, out):
    rows = np.empty((WIDEST, _AT_ONCE))
    for a in range(low, high, _AT_ONCE):
        b = min(a + _AT_ONCE, high)
        _fill(code, s, points, a, b, rows, out[a:b])


@njit(cache=True, parallel=True)
def _distances_wide(code, s, points, out):
    n = len(points)
    for c in prange(_CHUNKS):
        _distances(code, s, points, c * n // _CHUNKS, (c + 1) * n // _CHUNKS, out)


@njit(cache=True)
def distances(code, s, points):
    out = np.empty(len(points))
    if len(points) > _MANY:
        _distances_wide(code, s, points, out)
    else:
        _distances(code, s, points, 0, len(points), out)
    return out


@njit(cache=True)
def gradients(code, s, points):
    out = np.empty((len(points), 3))
    for i in range(len(points)):
        gradient(code, s, points[i, 0], points[i, 1], points[i, 2], out[i])
    return out


@njit(cache=True)
def jacobians(code, s, points, width):
    out = np.empty((len(points), width))
    row = np.empty(WIDEST)
    for i in range(len(points)):
        evaluate(code, s, points[i, 0], points[i, 1], points[i, 2], row)
        for j in range(width):
            out[i, j] = row[j]
    return out


@njit(cache=True)
def apply_step(s, slots, step):
    """Change a packed shape in place; the basis turns along with the direction."""
    turn_a = turn_b = 0.0
    point = s[0:3].copy()
    for k in range(len(slots)):
        slot, value = slots[k], step[k]
        if slot == 0:
            point += value * s[6:9]
        elif slot == 1:
            point += value * s[9:12]
        elif slot == 2:
            point += value * s[3:6]
        elif slot == 3:
            turn_a = value
        elif slot == 4:
            turn_b = value
        elif slot == 5:
            s[12] += value
        elif slot == 6:
            angle = np.arctan2(s[13], s[14]) + value
            s[13], s[14] = np.sin(angle), np.cos(angle)
        else:
            s[15] += value
    s[0:3] = point
    if turn_a != 0.0 or turn_b != 0.0:
        d = s[3:6] + turn_a * s[6:9] + turn_b * s[9:12]
        d /= np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
        u = s[6:9] - d * (s[6] * d[0] + s[7] * d[1] + s[8] * d[2])
        u /= np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
        s[3:6] = d
        s[6:9] = u
        s[9] = d[1] * u[2] - d[2] * u[1]
        s[10] = d[2] * u[0] - d[0] * u[2]
        s[11] = d[0] * u[1] - d[1] * u[0]


@njit(cache=True, fastmath={"reassoc", "contract"})
def _gather(code, s, points, weights, low, high, width, total):
    """Add the normal matrix, right side and weighted squares of points[low:high] into total, row by row."""
    rows, away = np.empty((WIDEST + 1, _AT_ONCE)), np.empty(_AT_ONCE)
    weighted = np.empty(_AT_ONCE)
    for a in range(low, high, _AT_ONCE):
        m = min(_AT_ONCE, high - a)
        _fill(code, s, points, a, a + m, rows, away)
        rows[width, :m] = away[:m]
        at = 0
        for j in range(width + 1):
            for i in range(m):
                weighted[i] = rows[j, i] * weights[a + i]
            for k in range(j + 1):
                inner = 0.0
                for i in range(m):
                    inner += weighted[i] * rows[k, i]
                total[at] += inner
                at += 1


@njit(cache=True, parallel=True)
def _gather_wide(code, s, points, weights, width, total):
    parts = np.zeros((_CHUNKS, len(total) + 8))  # padded against false sharing
    n = len(points)
    for c in prange(_CHUNKS):
        _gather(code, s, points, weights, c * n // _CHUNKS, (c + 1) * n // _CHUNKS, width, parts[c])
    for c in range(_CHUNKS):
        for j in range(len(total)):
            total[j] += parts[c, j]


@njit(cache=True)
def normal_equations(code, s, points, weights, width):
    """J'WJ (k, k), J'Wd (k,) and d'Wd of the weighted distances."""
    total = np.zeros(width * (width + 1) // 2 + width + 1)
    if len(points) > _MANY:
        _gather_wide(code, s, points, weights, width, total)
    else:
        _gather(code, s, points, weights, 0, len(points), width, total)
    matrix, right = np.empty((width, width)), np.empty(width)
    at = 0
    for j in range(width):
        for k in range(j + 1):
            matrix[j, k] = matrix[k, j] = total[at]
            at += 1
    for j in range(width):
        right[j] = total[at]
        at += 1
    return matrix, right, total[at]


@njit(cache=True)
def _damped_step(matrix, right, damping, free, step):
    """Solve (M + damping diag M) step = -right for the free parameters by Cholesky; False if not possible."""
    width = len(right)
    lower = np.zeros((width, width))
    for j in range(width):
        step[j] = 0.0
        if not free[j]:
            continue
        for k in range(j + 1):
            if not free[k]:
                continue
            total = matrix[j, k]
            if j == k:
                total += damping * matrix[j, j]
            for i in range(k):
                total -= lower[j, i] * lower[k, i]
            if j == k:
                if not total > 1e-14 * matrix[j, j]:
                    return False
                lower[j, j] = np.sqrt(total)
            else:
                lower[j, k] = total / lower[k, k]
    for j in range(width):
        if free[j]:
            total = -right[j]
            for i in range(j):
                total -= lower[j, i] * step[i]
            step[j] = total / lower[j, j]
    for j in range(width - 1, -1, -1):
        if free[j]:
            total = step[j]
            for i in range(j + 1, width):
                total -= lower[i, j] * step[i]
            step[j] = total / lower[j, j]
    return True


@njit(cache=True)
def refine(code, s, points, weights, slots, free, iterations, tolerance):
    """Levenberg-Marquardt on weighted orthogonal distances, in place; (iterations used, converged).

    Converged when no free parameter moves any point by more than `tolerance` mm, by the size of its
    own column. Marquardt's scaling makes mm and radians comparable.
    """
    width = len(slots)
    step = np.zeros(width)
    damping = 1e-6
    matrix, right, squares = normal_equations(code, s, points, weights, width)
    weight = weights.sum()
    for iteration in range(iterations):
        if not _damped_step(matrix, right, damping, free, step):
            damping = max(damping * 10.0, 1e-6)
            if damping > 1e8:
                return iteration, False
            continue
        moved = 0.0
        for j in range(width):
            moved = max(moved, abs(step[j]) * np.sqrt(matrix[j, j] / weight))
        trial = s.copy()
        apply_step(trial, slots, step)
        matrix_new, right_new, squares_new = normal_equations(code, trial, points, weights, width)
        if squares_new <= squares * (1.0 + 1e-14):
            s[:] = trial
            matrix, right, squares = matrix_new, right_new, squares_new
            damping = max(damping * 0.1, 1e-15)
            if moved < tolerance:
                return iteration + 1, True
        else:
            if moved < tolerance:
                return iteration + 1, True
            damping = max(damping * 10.0, 1e-9)
            if damping > 1e10:
                return iteration + 1, False
    return iterations, False
