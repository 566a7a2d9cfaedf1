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

from pipeline.geometry import Floats, Ints, Mask, area_vectors, box_of, solve_columns
from pipeline.jit import njit
from pipeline.mesh.topology import undirected_edges


@dataclass(frozen=True)
class Spline:
    """A fitted spline; `at` evaluates it.

    order    2 or 3, of the derivatives whose square is least
    centre   (2,) place in the plane of parameters, and `scale` of it, that nodes are moved and divided by
    nodes    (k, 2) in scaled parameters; `weights` (k, d), `terms` (3 or 6, d) of the polynomial

    >>> places = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> plane = fit_spline(places, places @ [[1.0], [2.0]], np.ones(4), 2, 0.0)
    >>> plane.at(np.array([[0.5, 0.25]])).round(9).tolist()
    [[1.0]]
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
    """(n, d) the sum, by shares, of splines on the same nodes: one look at the distances serves all.

    splines  one at least, all fitted to the same places; `shares` one number each
    places   (n, 2) parameters

    >>> corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> x, y = (fit_spline(corners, corners[:, k : k + 1], np.ones(4), 2, 0.0) for k in range(2))
    >>> sum_at((x, y), (0.5, 2.0), np.array([[0.5, 0.25]])).round(9).tolist()
    [[0.75]]
    """
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
    order      2: least bending (thin plate), 3: least variation of curvature; reproduces polynomials below that degree
    smoothing  weight of the bending energy, in parameters scaled to the unit circle; 0 interpolates

    Method: polyharmonic splines (Duchon 1977). Time goes with n cubed. The places must not lie on one line.

    >>> corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> saddle = np.array([[0.0], [1.0], [0.0], [1.0]])
    >>> fit_spline(corners, saddle, np.ones(4), 2, 0.0).at(corners).round(6).ravel().tolist()
    [0.0, 1.0, 0.0, 1.0]
    >>> np.abs(fit_spline(corners, saddle, np.ones(4), 2, 1e3).at(corners)).round(3).ravel().tolist()
    [0.5, 0.5, 0.5, 0.5]
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
    answer = solve_columns(system, right)
    weights, terms = answer[:n], answer[n:]
    return Spline(order, centre, scale, x, np.ascontiguousarray(weights), terms)


def cell_means(places: Floats, values: Floats, size: float) -> tuple[Floats, Floats, Floats]:
    """Means of places (n, 2) and values (n, d) in square cells of `size`, and how many points each holds.

    Returned are (k, 2), (k, d) and (k,), for the k cells that hold any; size has the unit of the places.

    >>> places = np.array([[0.0, 0.0], [0.5, 0.0], [1.5, 0.0]])
    >>> centres, means, counts = cell_means(places, np.array([[1.0], [3.0], [5.0]]), 1.0)
    >>> centres.tolist(), means.tolist(), counts.tolist()
    ([[0.25, 0.0], [1.5, 0.0]], [[2.0], [5.0]], [2.0, 1.0])
    """
    cell = np.floor((places - places.min(axis=0)) / size).astype(np.int64)
    _, which = np.unique(cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1], return_inverse=True)
    counts = np.bincount(which).astype(np.float64)
    means = [np.bincount(which, weights=column) / counts for column in (*places.T, *values.T)]
    return np.stack(means[:2], axis=1), np.stack(means[2:], axis=1), counts


def fair_in_space(points: Floats, triangles: Ints, free: Mask) -> Floats:
    """Move the `free` points so that the mesh bends least; the others are its boundary conditions.

    points     (n, 3) mm; `triangles` (m, 3), `free` (n,) bool
    Returns the points (n, 3) mm. The mesh has to reach at least two rings of triangles past the free points.

    Method: least squared Laplacian with cotangent weights (Botsch and Kobbelt 2004), three times, the first time with
    weights that do not depend on where the free points lay.

    >>> points = np.array([*np.ndindex(7, 7, 1)], float)
    >>> points[24, 2] = 5.0
    >>> a = np.array([*np.ndindex(6, 6)]) @ [[7], [1]]
    >>> triangles = np.vstack([a + [0, 7, 8], a + [0, 8, 1]]).astype(np.int32)
    >>> abs(fair_in_space(points, triangles, np.arange(49) == 24)[24]).round(6).tolist()
    [3.0, 3.0, 0.0]
    """
    points = points.copy()
    n = len(points)
    edges, uses = undirected_edges(triangles)
    inside = np.ones(n, bool)
    inside[edges[uses == 1]] = False
    for step in range(3):
        matrix, area = laplacian(points, triangles, uniform=step == 0)
        rows = sparse.diags_array(inside / np.sqrt(np.maximum(area, 1e-12 * area.max()))) @ matrix
        rows = sparse.csc_array(rows)
        unknown, known = rows[:, np.flatnonzero(free)], rows[:, np.flatnonzero(~free)]
        right = -(unknown.T @ (known @ points[~free]))
        points[free] = scipy.sparse.linalg.spsolve(sparse.csc_array(unknown.T @ unknown), right)
    return points


def laplacian(points: Floats, triangles: Ints, uniform: bool) -> tuple[sparse.csr_array, Floats]:
    """Laplacian (n, n) of a mesh, by cotangents or by lengths alone, and (n,) mm2 of area round each point."""
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
    size = np.linalg.norm(area_vectors(points[triangles]), axis=1)
    area: Floats = np.bincount(triangles.ravel(), weights=np.repeat(size / 6.0, 3), minlength=n).astype(np.float64)
    return sparse.diags_array(np.asarray(off.sum(axis=1)).ravel()) - off, area


def _polynomial(x: Floats, order: int) -> Floats:
    columns = [np.ones(len(x)), x[:, 0], x[:, 1]]
    if order == 3:
        columns += [x[:, 0] ** 2, x[:, 0] * x[:, 1], x[:, 1] ** 2]
    return np.stack(columns, axis=1)


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
