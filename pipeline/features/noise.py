"""The scan's noise: its short waves from local fits, its long waves from the largest faces.

`white_sigma` needs nothing but the mesh. `learn` needs faces already fitted: what their residuals have in
common over distance is the noise that every other fit on the same scan suffers from, and a small feature
can't see it from within.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# float32 is what mesh files carry: coordinates are no better than this share of the largest of them.
FLOAT32_STEP = 2.0**-24
MIN_PATCH = 12
TERMS = 6


def white_sigma(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], samples: int = 6000, rings: int = 3
) -> float:
    """Standard deviation, mm, of the noise from vertex to vertex along the surface normal.

    Quadrics are fitted to the vertices within `rings` edges of up to `samples` vertices; the residuals,
    corrected for the six degrees of freedom of a quadric, are pooled over the patches that agree with
    each other, which leaves out edges and tight curves. Waves much longer than the patches are not in it.
    A tessellation of exact geometry gives 0: it has flat pairs of facets, which no noisy scan has.
    """
    if len(faces) == 0 or len(vertices) < MIN_PATCH:
        return 0.0
    chosen = np.unique(np.random.default_rng(0).integers(0, len(vertices), samples))
    ring = np.zeros(len(vertices), dtype=np.uint8)
    ring[chosen] = 1
    for level in range(1, rings + 1):
        _grow_ring(faces, ring, level)
    near = faces[_facets_within(faces, ring)]
    if _is_exact(vertices, near[np.any(ring[near] == 1, axis=1)]):
        return 0.0
    members = np.flatnonzero(ring)
    index = np.full(len(vertices), -1, dtype=np.int32)
    index[members] = np.arange(len(members), dtype=np.int32)
    start, neighbours = _links(index[near], len(members))
    squares, freedom = _patch_residuals(
        np.ascontiguousarray(vertices[members]), start, neighbours, index[chosen], rings
    )
    return _pooled_sigma(squares[freedom > 0], freedom[freedom > 0])


def _pooled_sigma(squares: NDArray[np.float64], freedom: NDArray[np.int64]) -> float:
    """Pooled sigma of the patches whose variance is under twice the common one."""
    if len(squares) == 0:
        return 0.0
    variances = squares / freedom
    common = float(np.quantile(variances, 0.4))
    for _ in range(12):
        kept = variances <= 2.0 * common
        pooled = float(squares[kept].sum() / freedom[kept].sum())
        if abs(pooled - common) <= 1e-6 * common:
            break
        common = pooled
    return float(np.sqrt(common))


def _is_exact(vertices: NDArray[np.float64], faces: NDArray[np.int32]) -> bool:
    """True when many neighbouring facets lie in one plane to the last bit of a float32.

    Noise spreads the heights of facets over their neighbours' planes evenly near zero; exact geometry
    heaps them up there.
    """
    edges = np.concatenate([faces[:, (k, (k + 1) % 3, (k + 2) % 3)] for k in range(3)]).astype(np.int64)
    owner = np.tile(np.arange(len(faces)), 3)
    key = edges[:, :2].min(axis=1) * len(vertices) + edges[:, :2].max(axis=1)
    order = np.argsort(key, kind="stable")
    twins = np.flatnonzero(key[order][1:] == key[order][:-1])
    if len(twins) == 0:
        return False
    first, second = order[twins], order[twins + 1]
    corners = vertices[faces[owner[first]]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    height = np.abs(np.einsum("ij,ij->i", normal, vertices[edges[second, 2]] - corners[:, 0]))
    step = 4 * FLOAT32_STEP * float(np.abs(vertices).max())
    flat = np.mean(height <= step)
    return bool(flat > 0.08 and flat > 0.5 * np.mean(height <= 16 * step))


@njit(cache=True)
def _grow_ring(faces, ring, level):  # type: ignore[no-untyped-def]
    for i in range(faces.shape[0]):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        if ring[a] == level or ring[b] == level or ring[c] == level:
            for vertex in (a, b, c):
                if ring[vertex] == 0:
                    ring[vertex] = level + 1


@njit(cache=True)
def _facets_within(faces, ring):  # type: ignore[no-untyped-def]
    within = np.zeros(faces.shape[0], dtype=np.bool_)
    for i in range(faces.shape[0]):
        within[i] = ring[faces[i, 0]] > 0 and ring[faces[i, 1]] > 0 and ring[faces[i, 2]] > 0
    return within


@njit(cache=True)
def _links(faces, count):  # type: ignore[no-untyped-def]
    """Vertex to vertex links in compressed rows; inner edges come twice, which does no harm."""
    start = np.zeros(count + 1, dtype=np.int64)
    for i in range(faces.shape[0]):
        for k in range(3):
            start[faces[i, k] + 1] += 2
    for i in range(count):
        start[i + 1] += start[i]
    neighbours = np.empty(start[count], dtype=np.int32)
    place = start[:-1].copy()
    for i in range(faces.shape[0]):
        for k in range(3):
            vertex = faces[i, k]
            neighbours[place[vertex]] = faces[i, (k + 1) % 3]
            neighbours[place[vertex] + 1] = faces[i, (k + 2) % 3]
            place[vertex] += 2
    return start, neighbours


@njit(cache=True)
def _patch_residuals(points, start, neighbours, centres, rings):  # type: ignore[no-untyped-def]
    """Sum of squared residuals and degrees of freedom of a quadric on the patch around each centre."""
    limit = 400
    squares = np.zeros(len(centres))
    freedom = np.zeros(len(centres), dtype=np.int64)
    seen = np.full(points.shape[0], -1, dtype=np.int32)
    patch = np.empty(limit, dtype=np.int32)
    for s in range(len(centres)):
        patch[0] = centres[s]
        seen[centres[s]] = s
        size, done = 1, 0
        for _ in range(rings):
            end = size
            for i in range(done, end):
                for j in range(start[patch[i]], start[patch[i] + 1]):
                    other = neighbours[j]
                    if seen[other] != s and size < limit:
                        seen[other] = s
                        patch[size] = other
                        size += 1
            done = end
        if size < MIN_PATCH:
            continue
        local = np.empty((size, 3))
        mean = np.zeros(3)
        for i in range(size):
            local[i] = points[patch[i]]
            mean += local[i]
        mean /= size
        local -= mean
        spread, axes = np.linalg.eigh(local.T @ local)
        if spread[1] <= 0.0:
            continue
        scale = np.sqrt(spread[2] / size)
        turned = (local @ np.ascontiguousarray(axes)) / scale
        normal_matrix = np.zeros((TERMS, TERMS))
        right = np.zeros(TERMS)
        row = np.empty(TERMS)
        total = 0.0
        for i in range(size):
            x, y, z = turned[i, 2], turned[i, 1], turned[i, 0]
            row[0], row[1], row[2], row[3], row[4], row[5] = 1.0, x, y, x * x, x * y, y * y
            total += z * z
            for a in range(TERMS):
                right[a] += row[a] * z
                for b in range(TERMS):
                    normal_matrix[a, b] += row[a] * row[b]
        if np.linalg.cond(normal_matrix) > 1e10:
            continue
        solution = np.linalg.solve(normal_matrix, right)
        squares[s] = max(0.0, total - np.dot(solution, right)) * scale * scale
        freedom[s] = size - TERMS
    return squares, freedom
