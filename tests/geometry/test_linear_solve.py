"""The compiled solvers against LAPACK's."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import hilbert

from pipeline.geometry import damped_step, eliminate, solve_columns


@pytest.mark.parametrize("n", [1, 2, 6, 7])
def test_as_lapack_solves_it(n):
    rng = np.random.default_rng(n)
    for _ in range(20):
        matrix, right = rng.normal(size=(n, n)), rng.normal(size=n)
        solution = right.copy()
        assert eliminate(matrix.copy(), solution)
        assert_allclose(solution, np.linalg.solve(matrix, right), rtol=1e-8)


def test_rows_are_exchanged():
    solution = np.array([1.0, 2.0, 3.0])
    assert eliminate(np.eye(3)[[2, 0, 1]].copy(), solution)
    assert_allclose(solution, [2.0, 3.0, 1.0])


@pytest.mark.parametrize("matrix", [np.zeros((3, 3)), np.ones((3, 3)), hilbert(12)])
def test_a_matrix_without_inverse_is_refused(matrix):
    assert not eliminate(matrix.copy(), np.ones(len(matrix)))


@pytest.mark.parametrize("columns", [1, 3])
def test_several_columns(columns):
    rng = np.random.default_rng(columns)
    for n in (1, 5, 30):
        matrix, right = rng.normal(size=(n, n)), rng.normal(size=(n, columns))
        assert_allclose(solve_columns(matrix.copy(), right.copy()), np.linalg.solve(matrix, right), rtol=1e-7)


def test_a_lost_pivot_leaves_the_others():
    matrix = np.diag([2.0, 0.0, 4.0])
    assert_allclose(solve_columns(matrix, np.ones((3, 1))).ravel(), [0.5, 0.0, 0.25])


@pytest.mark.parametrize("damping", [0.0, 1e-3, 10.0])
def test_damped_steps(damping):
    rng = np.random.default_rng(4)
    for _ in range(10):
        rows, free = rng.normal(size=(12, 5)), rng.random(5) < 0.7
        matrix, right, step = rows.T @ rows, rng.normal(size=5), np.empty(5)
        assert damped_step(matrix, right, damping, free, step)
        damped = (matrix + damping * np.diag(np.diag(matrix)))[np.ix_(free, free)]
        assert_allclose(step[free], np.linalg.solve(damped, -right[free]), rtol=1e-8)
        assert not step[~free].any()


def test_no_step_where_the_matrix_is_not_positive():
    assert not damped_step(np.array([[1.0, 2.0], [2.0, 1.0]]), np.ones(2), 0.0, np.ones(2, dtype=np.bool_), np.empty(2))
