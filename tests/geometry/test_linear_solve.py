"""Gaussian elimination, against LAPACK (numpy)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.linear_solve import eliminate


@pytest.mark.parametrize("n", [1, 2, 6, 9])
def test_the_answer_is_lapacks(n: int) -> None:
    rng = np.random.default_rng(n)
    matrix, right = rng.normal(size=(n, n)), rng.normal(size=n)
    found = right.copy()
    assert eliminate(matrix.copy(), found)
    np.testing.assert_allclose(found, np.linalg.solve(matrix, right), rtol=1e-9)


def test_a_zero_on_the_diagonal_needs_rows_exchanged() -> None:
    right = np.array([2.0, 3.0])
    assert eliminate(np.array([[0.0, 1.0], [1.0, 0.0]]), right)
    np.testing.assert_array_equal(right, [3.0, 2.0])


def test_a_singular_matrix_is_told() -> None:
    row = np.array([1.0, 2.0, 3.0])
    assert not eliminate(np.stack([row, 2 * row, row + 1.0]), np.ones(3))
