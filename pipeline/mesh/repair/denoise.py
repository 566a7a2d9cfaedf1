"""Take short-wave noise off a surface without taking off what is more than noise.

Each vertex goes, along its normal, to the height of a quadric fitted by least squares to its
neighbourhood (local polynomial regression). The neighbourhood is the largest of three, about 60, 36
and 18 vertices, whose residual the noise alone explains; where not even the smallest passes (a rounded
edge, a burr) the vertex stays where it was measured.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit, prange
from pipeline.mesh.topology import vertex_normals, vertex_ring

_SIZES = (19, 37, 61)
_TERMS = 6


def denoised(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], sigma: float, fixed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Vertices (n, 3) mm with noise of standard deviation `sigma` mm taken off, `fixed` (n,) ones unmoved.

    About 60 bytes a vertex of working memory. sigma 0 gives the vertices back.
    """
    if sigma <= 0:
        return vertices
    start, ring = vertex_ring(faces, len(vertices))
    return _smooth(vertices, vertex_normals(vertices, faces), start, ring, float(sigma), fixed)


@njit(cache=True)
def _gather(start: NDArray, ring: NDArray, seed: int, found: NDArray, table: NDArray) -> int:
    """Neighbours in rings round `seed` into `found`, by a small open-addressing table."""
    table[:] = -1
    found[0] = seed
    table[seed & 255] = seed
    count = 1
    at = 0
    while at < count and count < len(found):
        v = found[at]
        at += 1
        for s in range(start[v], start[v + 1]):
            w = ring[s]
            slot = w & 255
            while table[slot] >= 0 and table[slot] != w:
                slot = (slot + 1) & 255
            if table[slot] == w:
                continue
            table[slot] = w
            found[count] = w
            count += 1
            if count == len(found):
                break
    return count


@njit(cache=True)
def _solve(matrix: NDArray, right: NDArray, out: NDArray) -> bool:
    """Cholesky of a (6, 6) normal matrix, in place."""
    for i in range(_TERMS):
        for j in range(i + 1):
            s = matrix[i, j]
            for k in range(j):
                s -= matrix[i, k] * matrix[j, k]
            if i == j:
                if s <= 1e-10:
                    return False
                matrix[i, i] = np.sqrt(s)
            else:
                matrix[i, j] = s / matrix[j, j]
    for i in range(_TERMS):
        s = right[i]
        for k in range(i):
            s -= matrix[i, k] * out[k]
        out[i] = s / matrix[i, i]
    for i in range(_TERMS - 1, -1, -1):
        s = out[i]
        for k in range(i + 1, _TERMS):
            s -= matrix[k, i] * out[k]
        out[i] = s / matrix[i, i]
    return True


@njit(cache=True, parallel=True)
def _smooth(
    points: NDArray, normals: NDArray, start: NDArray, ring: NDArray, sigma: float, fixed: NDArray
) -> NDArray:  # fmt: skip
    out = points.copy()
    n = len(points)
    blocks = 256
    for block in prange(blocks):
        found = np.empty(_SIZES[2], dtype=np.int32)
        table = np.empty(256, dtype=np.int32)
        matrix = np.empty((_TERMS, _TERMS))
        work = np.empty((_TERMS, _TERMS))
        right = np.empty(_TERMS)
        answer = np.empty(_TERMS)
        term = np.empty(_TERMS)
        for i in range(block * n // blocks, (block + 1) * n // blocks):
            if fixed[i]:
                continue
            count = _gather(start, ring, i, found, table)
            if count < _SIZES[0]:
                continue
            nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
            if abs(nx) < 0.6:
                ax, ay, az = 0.0, -nz, ny
            else:
                ax, ay, az = nz, 0.0, -nx
            length = np.sqrt(ax * ax + ay * ay + az * az)
            if length == 0.0:
                continue
            ax, ay, az = ax / length, ay / length, az / length
            bx, by, bz = ny * az - nz * ay, nz * ax - nx * az, nx * ay - ny * ax
            # Lengths in units of the neighbourhood, for a well-scaled matrix.
            far = found[min(count, _SIZES[0]) - 1]
            unit = np.sqrt(
                (points[far, 0] - points[i, 0]) ** 2
                + (points[far, 1] - points[i, 1]) ** 2
                + (points[far, 2] - points[i, 2]) ** 2
            )
            if unit == 0.0:
                continue
            matrix[:] = 0.0
            right[:] = 0.0
            square = 0.0
            folded = False
            for s in range(count):
                w = found[s]
                if normals[w, 0] * nx + normals[w, 1] * ny + normals[w, 2] * nz < 0.5:
                    folded = True
                dx, dy, dz = points[w, 0] - points[i, 0], points[w, 1] - points[i, 1], points[w, 2] - points[i, 2]
                x = (dx * ax + dy * ay + dz * az) / unit
                y = (dx * bx + dy * by + dz * bz) / unit
                z = dx * nx + dy * ny + dz * nz
                term[0], term[1], term[2] = 1.0, x, y
                term[3], term[4], term[5] = x * x, x * y, y * y
                for p in range(_TERMS):
                    for q in range(p + 1):
                        matrix[p, q] += term[p] * term[q]
                    right[p] += term[p] * z
                square += z * z
                size = s + 1
                if size == _SIZES[0] or size == _SIZES[1] or size == _SIZES[2]:
                    if folded:
                        break
                    work[:] = matrix
                    if not _solve(work, right, answer):
                        break
                    rest = square
                    for p in range(_TERMS):
                        rest -= answer[p] * right[p]
                    freedom = size - _TERMS
                    # 1.3 allows for the noise not being quite white; the second term is two standard
                    # deviations of a chi-square mean.
                    if rest > sigma * sigma * freedom * 1.3 * (1.0 + 2.0 * np.sqrt(2.0 / freedom)):
                        break
                    for k in range(3):
                        normal = nx if k == 0 else (ny if k == 1 else nz)
                        out[i, k] = points[i, k] + answer[0] * normal
    return out
