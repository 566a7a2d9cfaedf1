"""Small dense systems inside compiled loops: much faster to compile than LAPACK's wrappers."""

from __future__ import annotations

from pipeline.geometry.arrays import Floats
from pipeline.jit import njit


@njit(cache=True)
def eliminate(matrix: Floats, right: Floats) -> bool:
    """Solve matrix (n, n) x = right (n,) by Gaussian elimination with row exchanges; x is left in `right`.

    Both are overwritten. Returns False, with `right` of no use, when a pivot is under 1e-13 of the largest.

    >>> import numpy as np
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
