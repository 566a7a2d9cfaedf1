"""Small dense systems inside compiled loops: much faster to compile than LAPACK's wrappers."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.arrays import Floats, Mask
from pipeline.jit import njit


@njit(cache=True)
def eliminate(matrix: Floats, right: Floats) -> bool:
    """Solve matrix (n, n) x = right (n,) by Gaussian elimination with row exchanges; x is left in `right`.

    Both are overwritten. Returns False, with `right` of no use, when a pivot is under 1e-13 of the largest.

    >>> right = np.array([5.0, 10.0])
    >>> eliminate(np.array([[0.0, 1.0], [2.0, 0.0]]), right), right.tolist()
    (True, [5.0, 5.0])
    """
    n = len(right)
    largest = 0.0
    for k in range(n):
        pivot = k
        for i in range(k + 1, n):
            if abs(matrix[i, k]) > abs(matrix[pivot, k]):
                pivot = i
        size = abs(matrix[pivot, k])
        largest = max(largest, size)
        if not size > 1e-13 * largest:
            return False
        if pivot != k:
            for j in range(k, n):
                matrix[k, j], matrix[pivot, j] = matrix[pivot, j], matrix[k, j]
            right[k], right[pivot] = right[pivot], right[k]
        for i in range(k + 1, n):
            factor = matrix[i, k] / matrix[k, k]
            if factor != 0.0:
                for j in range(k + 1, n):
                    matrix[i, j] -= factor * matrix[k, j]
                right[i] -= factor * right[k]
    for k in range(n - 1, -1, -1):
        for j in range(k + 1, n):
            right[k] -= matrix[k, j] * right[j]
        right[k] /= matrix[k, k]
    return True


@njit(cache=True)
def solve_columns(matrix: Floats, right: Floats) -> Floats:
    """x (n, d) with matrix (n, n) x = right (n, d), both overwritten: for several right sides, and for systems that may
    have lost a rank to rounding.

    Gaussian elimination with row exchanges, on one thread, since starting more costs more than it saves. A pivot under
    1e-15 of the largest coefficient gives that unknown the value 0.

    >>> solve_columns(np.array([[0.0, 1.0], [2.0, 0.0]]), np.array([[5.0, 1.0], [10.0, 4.0]])).tolist()
    [[5.0, 2.0], [5.0, 1.0]]
    """
    n = len(matrix)
    least = 1e-15 * np.abs(matrix).max()
    for k in range(n):
        p = k + np.argmax(np.abs(matrix[k:, k]))
        if p != k:
            for j in range(n):
                matrix[k, j], matrix[p, j] = matrix[p, j], matrix[k, j]
            for j in range(right.shape[1]):
                right[k, j], right[p, j] = right[p, j], right[k, j]
        if abs(matrix[k, k]) <= least:
            continue
        for i in range(k + 1, n):
            factor = matrix[i, k] / matrix[k, k]
            if factor != 0.0:
                for j in range(k + 1, n):
                    matrix[i, j] -= factor * matrix[k, j]
                for j in range(right.shape[1]):
                    right[i, j] -= factor * right[k, j]
    for k in range(n - 1, -1, -1):
        for j in range(right.shape[1]):
            if abs(matrix[k, k]) <= least:
                right[k, j] = 0.0
                continue
            for i in range(k + 1, n):
                right[k, j] -= matrix[k, i] * right[i, j]
            right[k, j] /= matrix[k, k]
    return right


@njit(cache=True)
def damped_step(matrix: Floats, right: Floats, damping: float, free: Mask, step: Floats) -> bool:
    """Solve (M + damping diag M) step = -right by Cholesky, M (k, k) symmetric and positive: a step of Levenberg's and
    Marquardt's. Unknowns that are not `free` (k,) stay 0. False, with `step` (k,) of no use, where M is not positive.

    >>> step = np.zeros(2)
    >>> damped_step(np.eye(2), np.array([8.0, 4.0]), 3.0, np.array([True, False]), step), step.tolist()
    (True, [-2.0, 0.0])
    """
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
