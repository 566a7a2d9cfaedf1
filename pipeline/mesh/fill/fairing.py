"""Fair surfaces through noisy surroundings: what bends least and still fits what was measured.

Two ways. A polyharmonic smoothing spline over a plane of parameters (Duchon 1977; order 2 is the thin
plate, least bending; order 3 is least variation of curvature) for what can be seen from one side. And
least bending of a triangle mesh (Botsch and Kobbelt 2004: the squared Laplacian with cotangent weights,
solved sparse) for what can't.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse
import scipy.sparse.linalg

from pipeline.geometry import Floats, Ints, Mask, box_of
from pipeline.jit import njit


@dataclass(frozen=True)
class Spline:
    """A fitted spline; `at` evaluates it.

    nodes    (k, 2) in scaled parameters, `weights` (k, d), `terms` (3 or 6, d) of the polynomial
    """

    order: int
    centre: Floats
    scale: float
    nodes: Floats
    weights: Floats
    terms: Floats

    def at(self, places: Floats) -> Floats:
        """(n, d) values at parameters (n, 2)."""
        return sum_at((self,), (1.0,), places)


def sum_at(splines: Sequence[Spline], shares: Sequence[float], places: Floats) -> Floats:
    """(n, d) the sum, by shares, of splines on the same nodes: one look at the distances serves all."""
    first = splines[0]
    x = np.ascontiguousarray((places - first.centre) / first.scale)
    weights = np.zeros((2, *first.weights.shape))
    out = np.zeros((len(x), first.weights.shape[1]))
    for spline, share in zip(splines, shares, strict=True):
        weights[spline.order - 2] += share * spline.weights
        out += share * (_polynomial(x, spline.order) @ spline.terms)
    return out + _evaluate(x, first.nodes, weights[0], weights[1])


def fit_spline(places: Floats, values: Floats, counts: Floats, order: int, smoothing: float) -> Spline:
    """Smoothing spline of `values` (n, d) at parameters `places` (n, 2).

    counts     (n,) how many measured points each value is the mean of: its weight
    smoothing  weight of the bending energy, in parameters scaled to the unit circle; 0 interpolates
    """
    centre = np.mean(box_of(places), axis=0)
    scale = float(np.linalg.norm(places - centre, axis=1).max()) or 1.0
    x = np.ascontiguousarray((places - centre) / scale)
    base = _polynomial(x, order)
    n, k = base.shape
    system = np.zeros((n + k, n + k))
    system[:n, :n] = _kernel(x, order)
    system[np.arange(n), np.arange(n)] += smoothing / counts + 1e-12
    system[:n, n:], system[n:, :n] = base, base.T
    right = np.concatenate([values, np.zeros((k, values.shape[1]))])
    answer = _solved(system, right)
    weights, terms = answer[:n], answer[n:]
    return Spline(order, centre, scale, x, np.ascontiguousarray(weights), terms)


def cell_means(places: Floats, values: Floats, size: float) -> tuple[Floats, Floats, Floats]:
    """Means of places and values in square cells of `size`, and how many points each holds."""
    cell = np.floor((places - places.min(axis=0)) / size).astype(np.int64)
    _, which = np.unique(cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1], return_inverse=True)
    counts = np.bincount(which).astype(np.float64)
    means = [np.bincount(which, weights=column) / counts for column in (*places.T, *values.T)]
    return np.stack(means[:2], axis=1), np.stack(means[2:], axis=1), counts


def fair_in_space(points: Floats, triangles: Ints, free: Mask) -> Floats:
    """Move the `free` points so that the mesh bends least; the others are its boundary conditions.

    The mesh has to reach at least two rings of triangles past the free points.
    """
    points = points.copy()
    n = len(points)
    edge_use = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    key, use = np.unique(edge_use[:, 0].astype(np.int64) * n + edge_use[:, 1], return_counts=True)
    inside = np.ones(n, bool)
    inside[key[use == 1] // n] = False
    inside[key[use == 1] % n] = False
    for step in range(3):
        laplacian, area = _laplacian(points, triangles, uniform=step == 0)
        rows = sparse.diags_array(inside / np.sqrt(np.maximum(area, 1e-12 * area.max()))) @ laplacian
        rows = sparse.csc_array(rows)
        unknown, known = rows[:, np.flatnonzero(free)], rows[:, np.flatnonzero(~free)]
        right = -(unknown.T @ (known @ points[~free]))
        points[free] = scipy.sparse.linalg.spsolve(sparse.csc_array(unknown.T @ unknown), right)
    return points


def _laplacian(points: Floats, triangles: Ints, uniform: bool) -> tuple[sparse.csr_array, Floats]:
    n = len(points)
    rows, columns, weights = [], [], []
    for k in range(3):
        a, b, c = triangles[:, k], triangles[:, (k + 1) % 3], triangles[:, (k + 2) % 3]
        u, v = points[a] - points[c], points[b] - points[c]
        if uniform:
            weight = 1.0 / np.maximum(np.linalg.norm(points[a] - points[b], axis=1), 1e-9)
        else:
            cross = np.linalg.norm(np.cross(u, v), axis=1)
            weight = np.clip(np.einsum("ij,ij->i", u, v) / np.maximum(cross, 1e-12), 0.02, 20.0)
        rows += [a, b]
        columns += [b, a]
        weights += [weight, weight]
    row, column, weight = np.concatenate(rows), np.concatenate(columns), np.concatenate(weights)
    off = sparse.coo_array((weight, (row, column)), shape=(n, n)).tocsr()
    size = np.linalg.norm(
        np.cross(points[triangles[:, 1]] - points[triangles[:, 0]], points[triangles[:, 2]] - points[triangles[:, 0]]),
        axis=1,
    )
    area: Floats = np.bincount(triangles.ravel(), weights=np.repeat(size / 6.0, 3), minlength=n).astype(np.float64)
    return sparse.diags_array(np.asarray(off.sum(axis=1)).ravel()) - off, area


def _polynomial(x: Floats, order: int) -> Floats:
    columns = [np.ones(len(x)), x[:, 0], x[:, 1]]
    if order == 3:
        columns += [x[:, 0] ** 2, x[:, 0] * x[:, 1], x[:, 1] ** 2]
    return np.stack(columns, axis=1)


@njit(cache=True)
def _solved(matrix: Floats, right: Floats) -> Floats:
    """Gaussian elimination with row pivots, in place, on one thread: starting more costs more than it saves.

    A pivot lost to rounding gives that unknown the value 0.
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
def _phi(square: float, order: int) -> float:
    """Fundamental solution of the order's bending energy, of the squared distance."""
    if square <= 0.0:
        return 0.0
    if order == 2:
        return square * np.log(square) / (16.0 * np.pi)
    return -square * square * np.log(square) / (256.0 * np.pi)


@njit(cache=True)
def _kernel(x: Floats, order: int) -> Floats:
    n = len(x)
    out = np.zeros((n, n))
    for i in range(n):
        for j in range(i):
            out[i, j] = _phi((x[i, 0] - x[j, 0]) ** 2 + (x[i, 1] - x[j, 1]) ** 2, order)
            out[j, i] = out[i, j]
    return out


@njit(cache=True)
def _evaluate(x: Floats, nodes: Floats, second: Floats, third: Floats) -> Floats:
    """Sum over the nodes: weights of both orders times their fundamental solutions, as `_phi` gives them."""
    out = np.zeros((len(x), second.shape[1]))
    for i in range(len(x)):
        for j in range(len(nodes)):
            square = (x[i, 0] - nodes[j, 0]) ** 2 + (x[i, 1] - nodes[j, 1]) ** 2
            if square <= 0.0:
                continue
            value = square * np.log(square) / (16.0 * np.pi)
            for k in range(second.shape[1]):
                out[i, k] += value * (second[j, k] - square / 16.0 * third[j, k])
    return out
