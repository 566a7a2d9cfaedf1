"""Take short-wave noise off a surface without taking off what is more than noise.

Each vertex goes, along its normal, to the height of a quadric fitted by least squares to its
neighbourhood (local polynomial regression). The neighbourhood is the largest of three, about 60, 36
and 18 vertices, whose residual the noise alone explains; where not even the smallest passes (a rounded
edge, a burr) the vertex stays where it was measured.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np

from pipeline.geometry import Floats, Ints, Mask, Point
from pipeline.jit import njit, prange
from pipeline.mesh.topology import vertex_normals, vertex_ring

_SIZES = (19, 37, 61)
_TERMS = 6


class _Mesh(NamedTuple):
    """points and unit normals (n, 3), and the neighbours of each vertex, ring[start[i] : start[i + 1]]."""

    points: Floats
    normals: Floats
    start: Ints
    ring: Ints


class _System(NamedTuple):
    """Normal equations of one fit: matrix (6, 6), whose lower triangle is used; right and answer (6,)."""

    matrix: Floats
    right: Floats
    answer: Floats


def denoised(vertices: Floats, faces: Ints, sigma: float, fixed: Mask) -> Floats:
    """Vertices (n, 3) mm with noise of standard deviation `sigma` mm taken off, `fixed` (n,) ones unmoved.

    faces  (m, 3)

    Local polynomial regression (Cleveland 1979) with quadrics over the surface, in the largest neighbourhood whose
    residual the noise explains. About 60 bytes a vertex of working memory. sigma 0 gives the vertices back.

    >>> v = np.array([*np.ndindex(9, 9, 1)], float)
    >>> v[:, 2] = 0.01 * (-1.0) ** (v[:, 0] + v[:, 1])
    >>> a = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    >>> f = np.vstack([a + [0, 9, 10], a + [0, 10, 1]]).astype(np.int32)
    >>> smooth = denoised(v, f, 0.01, np.arange(81) == 0)
    >>> np.abs(smooth[[0, 40], 2]).round(3).tolist()
    [0.01, 0.002]
    """
    if sigma <= 0:
        return vertices
    start, ring = vertex_ring(faces, len(vertices))
    out = vertices.copy()
    seen = np.zeros((numba.get_num_threads(), len(vertices)), dtype=np.int32)
    _smooth(_Mesh(vertices, vertex_normals(vertices, faces), start, ring), float(sigma), fixed, seen, out)
    return out


@njit(cache=True, borrowing=True)
def _gather(start: Ints, ring: Ints, seed: int, found: Ints, seen: Ints) -> int:
    """Neighbours in rings round `seed` into `found`, whose last one is no neighbour's; how many.

    seen  (n,) the vertex, counted from one, for which each one was last met

    Whether a neighbour is new is as good as chance, and a processor that guesses wrong stops: each is put down, and
    the next one over it unless it was new.
    """
    found[0] = seed
    seen[seed] = seed + 1
    count, most = 1, len(found) - 1
    at = 0
    while at < count:
        v = found[at]
        at += 1
        for s in range(start[v], start[v + 1]):
            w = ring[s]
            found[count] = w
            count += 1 if seen[w] != seed + 1 else 0
            seen[w] = seed + 1
            if count == most:
                return count
    return count


@njit(cache=True, borrowing=True)
def _solve(matrix: Floats, right: Floats, out: Floats) -> bool:
    """Cholesky of a (6, 6) normal matrix, in place; its diagonal then holds the factor's reciprocals."""
    for i in range(_TERMS):
        for j in range(i + 1):
            s = matrix[i, j]
            for k in range(j):
                s -= matrix[i, k] * matrix[j, k]
            if i == j:
                if s <= 1e-10:
                    return False
                matrix[i, i] = 1.0 / np.sqrt(s)
            else:
                matrix[i, j] = s * matrix[j, j]
    for i in range(_TERMS):
        s = right[i]
        for k in range(i):
            s -= matrix[i, k] * out[k]
        out[i] = s * matrix[i, i]
    for i in range(_TERMS - 1, -1, -1):
        s = out[i]
        for k in range(i + 1, _TERMS):
            s -= matrix[k, i] * out[k]
        out[i] = s * matrix[i, i]
    return True


@njit(cache=True)
def _across(nx: float, ny: float, nz: float) -> Point:
    """A unit vector square to the normal; zero for a normal that is."""
    if abs(nx) < 0.6:
        ax, ay, az = 0.0, -nz, ny
    else:
        ax, ay, az = nz, 0.0, -nx
    length = np.sqrt(ax * ax + ay * ay + az * az)
    if length == 0.0:
        return 0.0, 0.0, 0.0
    return ax / length, ay / length, az / length


@njit(cache=True)
def _noise_explains(rest: float, size: int, sigma: float) -> bool:
    """Whether noise alone makes the sum of squares that a fit to so many vertices leaves."""
    freedom = size - _TERMS
    # 1.3 allows for the noise not being quite white; the second term is two standard
    # deviations of a chi-square mean.
    return not rest > sigma * sigma * freedom * 1.3 * (1.0 + 2.0 * np.sqrt(2.0 / freedom))


@njit(cache=True, borrowing=True)
def _fitted_height(points: Floats, normals: Floats, found: Ints, unit: float, sigma: float, system: _System) -> float:
    """Height over vertex found[0], along its normal, of the quadric through the largest neighbourhood that passes.

    nan where not even the smallest does. Lengths are in units of `unit` mm, for a well-scaled matrix.
    """
    matrix, right, answer = system
    i = found[0]
    nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
    ax, ay, az = _across(nx, ny, nz)
    bx, by, bz = (ny * az - nz * ay) / unit, (nz * ax - nx * az) / unit, (nx * ay - ny * ax) / unit
    ax, ay, az = ax / unit, ay / unit, az / unit
    # Sums of the powers of x and y, and of z times these: plain numbers, which the compiler keeps in registers.
    sx = sy = sxx = sxy = syy = sxxx = sxxy = sxyy = syyy = 0.0
    s40 = s31 = s22 = s13 = s04 = 0.0
    z0 = zx = zy = zxx = zxy = zyy = square = 0.0
    height = np.nan
    for s in range(len(found)):
        w = found[s]
        if normals[w, 0] * nx + normals[w, 1] * ny + normals[w, 2] * nz < 0.5:
            break
        dx, dy, dz = points[w, 0] - points[i, 0], points[w, 1] - points[i, 1], points[w, 2] - points[i, 2]
        x = dx * ax + dy * ay + dz * az
        y = dx * bx + dy * by + dz * bz
        z = dx * nx + dy * ny + dz * nz
        xx, xy, yy = x * x, x * y, y * y
        sx, sy, sxx, sxy, syy = sx + x, sy + y, sxx + xx, sxy + xy, syy + yy
        sxxx, sxxy, sxyy, syyy = sxxx + xx * x, sxxy + xx * y, sxyy + x * yy, syyy + yy * y
        s40, s31, s22, s13, s04 = s40 + xx * xx, s31 + xx * xy, s22 + xx * yy, s13 + xy * yy, s04 + yy * yy
        z0, zx, zy, zxx, zxy, zyy = z0 + z, zx + x * z, zy + y * z, zxx + xx * z, zxy + xy * z, zyy + yy * z
        square += z * z
        size = s + 1
        if size != _SIZES[0] and size != _SIZES[1] and size != _SIZES[2]:
            continue
        matrix[0, 0] = size
        matrix[1, 0], matrix[1, 1] = sx, sxx
        matrix[2, 0], matrix[2, 1], matrix[2, 2] = sy, sxy, syy
        matrix[3, 0], matrix[3, 1], matrix[3, 2], matrix[3, 3] = sxx, sxxx, sxxy, s40
        matrix[4, 0], matrix[4, 1], matrix[4, 2], matrix[4, 3], matrix[4, 4] = sxy, sxxy, sxyy, s31, s22
        matrix[5, 0], matrix[5, 1], matrix[5, 2], matrix[5, 3], matrix[5, 4] = syy, sxyy, syyy, s22, s13
        matrix[5, 5] = s04
        right[0], right[1], right[2], right[3], right[4], right[5] = z0, zx, zy, zxx, zxy, zyy
        if not _solve(matrix, right, answer):
            break
        rest = square
        for p in range(_TERMS):
            rest -= answer[p] * right[p]
        if not _noise_explains(rest, size, sigma):
            break
        height = answer[0]
    return height


@njit(cache=True, borrowing=True)
def _smooth_one(mesh: _Mesh, sigma: float, i: int, found: Ints, seen: Ints, system: _System, out: Floats) -> None:
    """Smooth vertex i into `out`; found and system are working memory, `seen` as `_gather` takes it."""
    points, normals, start, ring = mesh
    count = _gather(start, ring, i, found, seen)
    if count < _SIZES[0] or (normals[i, 0] == 0.0 and normals[i, 1] == 0.0 and normals[i, 2] == 0.0):
        return
    far = found[min(count, _SIZES[0]) - 1]
    unit = np.sqrt(
        (points[far, 0] - points[i, 0]) ** 2
        + (points[far, 1] - points[i, 1]) ** 2
        + (points[far, 2] - points[i, 2]) ** 2
    )
    if unit == 0.0:
        return
    height = _fitted_height(points, normals, found[:count], unit, sigma, system)
    if not np.isnan(height):
        for k in range(3):
            out[i, k] = points[i, k] + height * normals[i, k]


@njit(cache=True)
def _smooth_some(mesh: _Mesh, sigma: float, fixed: Mask, low: int, high: int, seen: Ints, out: Floats) -> None:
    """Smooth the vertices low to high into `out`; `seen` as `_gather` takes it."""
    found = np.empty(_SIZES[2] + 1, dtype=np.int32)
    system = _System(np.empty((_TERMS, _TERMS)), np.empty(_TERMS), np.empty(_TERMS))
    for i in range(low, high):
        if not fixed[i]:
            _smooth_one(mesh, sigma, i, found, seen, system, out)


@njit(cache=True, parallel=True)
def _smooth(mesh: _Mesh, sigma: float, fixed: Mask, seen: Ints, out: Floats) -> None:
    """Smooth all vertices into `out`, in as many shares as `seen` (shares, n), zeros, has rows."""
    n = len(out)
    blocks = 256
    shares = len(seen)
    for share in prange(shares):
        for block in range(share, blocks, shares):
            _smooth_some(mesh, sigma, fixed, block * n // blocks, (block + 1) * n // blocks, seen[share], out)
