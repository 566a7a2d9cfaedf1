"""Finding the surfaces of an exact tessellation, as CAD writes it: no noise, facets of any length.

A facet's corners lie on the surface that it was drawn from, to the last digit of the file, and its plane is
near tangent there. So a few facets joined by blunt edges give a shape, which spreads over all facets whose
corners lie on it; what then is left flat is a plane.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.features.choosing import _FREE, CONE, CYLINDER, PLANE, SLOTS, SPHERE, TORUS, WIDTHS, sane
from pipeline.features.kinds.base import PACKED, WIDEST
from pipeline.features.kinds.kernels import begin, evaluate, gradient, refine

BLUNT = float(np.cos(np.radians(47.0)))  # facets of one curved face turn by less from one to the next
NEAR_TANGENT = float(np.cos(np.radians(25.0)))
LEAST_TURNS = 5  # directions that the facets of a curved face must show
# Patches tried round each facet: how many facets, and the cosine of the turn that they may be joined by.
_PATCHES = np.array(
    [[24, np.cos(np.radians(11.0))], [10, np.cos(np.radians(11.0))], [24, BLUNT], [14, BLUNT], [8, BLUNT]]
)


def resolution(vertices: NDArray[np.float64]) -> float:
    """How far, mm, a coordinate may be off by the rounding of the file: decimals if it has few, else float32."""
    largest = float(np.abs(vertices).max())
    single = 2.0**-23 * largest
    # A file of so many significant digits is coarsest where coordinates are largest.
    some = np.abs(vertices[np.abs(vertices) > 0.25 * largest])[:20_000]
    for decimals in range(1, 7):
        grid = 10.0**-decimals
        if np.abs(some - np.round(some / grid) * grid).max() <= 2.0 * single < 0.25 * grid:
            return max(0.5 * grid, single)
    return single


@njit(cache=True)
def _spread(code, s, sign, v, f, normals, neighbours, owner, mark, stamp, start, tolerance, out):  # type: ignore[no-untyped-def]
    """Facets joined to `start` with their corners on a shape and near tangent to it; how many in `out`."""
    row, g = np.empty(WIDEST), np.empty(3)
    count = 0
    for k in range(len(start)):
        mark[start[k]] = stamp
        out[count] = start[k]
        count += 1
    at = 0
    while at < count:
        i = out[at]
        at += 1
        for e in range(3):
            j = neighbours[i, e]
            if j < 0 or mark[j] == stamp or owner[j] >= 0:
                continue
            mark[j] = stamp
            fits = True
            x = y = z = 0.0
            for k in range(3):
                p = f[j, k]
                if abs(evaluate(code, s, v[p, 0], v[p, 1], v[p, 2], row)) > tolerance:
                    fits = False
                    break
                x += v[p, 0] / 3.0
                y += v[p, 1] / 3.0
                z += v[p, 2] / 3.0
            if not fits:
                continue
            gradient(code, s, x, y, z, g)
            if sign * (g[0] * normals[j, 0] + g[1] * normals[j, 1] + g[2] * normals[j, 2]) < NEAR_TANGENT:
                continue
            out[count] = j
            count += 1
    return count


@njit(cache=True)
def _patch(seed, most, blunt, neighbours, normals, owner, mark, stamp, out):  # type: ignore[no-untyped-def]
    mark[seed] = stamp
    out[0] = seed
    count, at = 1, 0
    while at < count and count < most:
        i = out[at]
        at += 1
        for e in range(3):
            j = neighbours[i, e]
            if j < 0 or mark[j] == stamp or owner[j] >= 0 or count >= most:
                continue
            turn = normals[i, 0] * normals[j, 0] + normals[i, 1] * normals[j, 1] + normals[i, 2] * normals[j, 2]
            if turn > blunt:
                mark[j] = stamp
                out[count] = j
                count += 1
    return count


@njit(cache=True)
def _corners(v, f, normals, facets):  # type: ignore[no-untyped-def]
    points, lines = np.empty((3 * len(facets), 3)), np.empty((3 * len(facets), 3))
    for k in range(len(facets)):
        for e in range(3):
            points[3 * k + e] = v[f[facets[k], e]]
            lines[3 * k + e] = normals[facets[k]]
    return points, lines


@njit(cache=True)
def _worst(code, s, points):  # type: ignore[no-untyped-def]
    row = np.empty(WIDEST)
    most = 0.0
    for i in range(len(points)):
        most = max(most, abs(evaluate(code, s, points[i, 0], points[i, 1], points[i, 2], row)))
    return most


@njit(cache=True)
def _turns(normals, facets, enough):  # type: ignore[no-untyped-def]
    """How many directions, 0.2 degrees or more apart, the facets have, counted up to `enough`."""
    kept = np.empty((enough, 3))
    count = 0
    for k in range(len(facets)):
        new = True
        for e in range(count):
            n = normals[facets[k]]
            if n[0] * kept[e, 0] + n[1] * kept[e, 1] + n[2] * kept[e, 2] > 0.999994:
                new = False
                break
        if new:
            kept[count] = normals[facets[k]]
            count += 1
            if count == enough:
                break
    return count


@njit(cache=True)
def curved(v, f, normals, neighbours, allowed, tolerance, owner, codes, shapes, signs):  # type: ignore[no-untyped-def]
    """Give the facets of curved faces their face's number in `owner` (-1 before); returns how many faces."""
    m = len(f)
    mark = np.zeros(m, dtype=np.int32)
    out = np.empty(m, dtype=np.int32)
    stamp = 0
    found = 0
    extent = 0.0
    for k in range(3):
        extent = max(extent, v[:, k].max() - v[:, k].min())
    for seed in range(m):
        if owner[seed] >= 0 or found == len(codes):
            continue
        for attempt in range(len(_PATCHES)):
            stamp += 1
            most, blunt = int(_PATCHES[attempt, 0]), _PATCHES[attempt, 1]
            count = _patch(seed, most, blunt, neighbours, normals, owner, mark, stamp, out)
            start = out[:count].copy()
            if count < 8 or _turns(normals, start, 3) < 3:
                continue
            points, lines = _corners(v, f, normals, start)
            for code in (CYLINDER, CONE, SPHERE, TORUS):
                if not allowed[code]:
                    continue
                s = np.zeros(PACKED)
                if not begin(code, points, lines, s):
                    continue
                slots, free = SLOTS[code, : WIDTHS[code]], _FREE[: WIDTHS[code]]
                refine(code, s, points, np.ones(len(points)), slots, free, 12, 0.01 * tolerance)
                if not sane(code, s, extent) or _worst(code, s, points) > tolerance:
                    continue
                g = np.empty(3)
                agree = 0.0
                for k in range(len(points)):
                    gradient(code, s, points[k, 0], points[k, 1], points[k, 2], g)
                    agree += g[0] * lines[k, 0] + g[1] * lines[k, 1] + g[2] * lines[k, 2]
                sign = 1.0 if agree >= 0.0 else -1.0
                size = 0
                for _ in range(4):
                    stamp += 1
                    # A few facets fix a shape less well than the tolerance asks far away: refit and go on.
                    size = _spread(
                        code, s, sign, v, f, normals, neighbours, owner, mark, stamp, start, 2.0 * tolerance, out
                    )
                    every, _ = _corners(v, f, normals, out[:size])
                    refine(code, s, every, np.ones(len(every)), slots, free, 12, 0.01 * tolerance)
                    if size == len(start):
                        break
                    start = out[:size].copy()
                every, _ = _corners(v, f, normals, start)
                if not sane(code, s, extent) or _worst(code, s, every) > 2.0 * tolerance:
                    start = out[:count].copy()
                    continue
                if _turns(normals, start, LEAST_TURNS) < LEAST_TURNS:
                    break
                for k in range(len(start)):
                    owner[start[k]] = found
                codes[found], signs[found] = code, sign
                shapes[found] = s
                found += 1
                break
            if owner[seed] >= 0:
                break
    return found


@njit(cache=True)
def _blunt_share(v, f, normals, neighbours, owner, facets, n):  # type: ignore[no-untyped-def]
    """Share of the outline of flat facets across which the surface bends on bluntly and no face is known.

    That is a facet of a free form rather than a plane face.
    """
    blunt = total = 0.0
    for k in range(len(facets)):
        i = facets[k]
        for e in range(3):
            j = neighbours[i, e]
            if j < 0:
                continue
            turn = n[0] * normals[j, 0] + n[1] * normals[j, 1] + n[2] * normals[j, 2]
            if turn > 0.9999999:
                continue
            p, q = v[f[i, e]], v[f[i, (e + 1) % 3]]
            length = np.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
            total += length
            if turn > BLUNT and owner[j] < 0:
                blunt += length
    return blunt / total if total > 0.0 else 0.0


@njit(cache=True)
def flat(v, f, normals, areas, neighbours, tolerance, least, first, owner, shapes):  # type: ignore[no-untyped-def]
    """Give joined facets in one plane a number from `first` on, where they have `least` mm2 and a sharp outline."""
    m = len(f)
    seen = np.zeros(m, dtype=np.bool_)
    out = np.empty(m, dtype=np.int32)
    found = 0
    order = np.argsort(-areas)
    for seed in order:
        if owner[seed] >= 0 or seen[seed] or found == len(shapes):
            continue
        seen[seed] = True
        out[0] = seed
        count, at, area = 1, 0, areas[seed]
        n, p = normals[seed], v[f[seed, 0]]
        while at < count:
            i = out[at]
            at += 1
            for e in range(3):
                j = neighbours[i, e]
                if j < 0 or seen[j] or owner[j] >= 0:
                    continue
                away = 0.0
                for k in range(3):
                    q = v[f[j, k]]
                    away = max(away, abs((q[0] - p[0]) * n[0] + (q[1] - p[1]) * n[1] + (q[2] - p[2]) * n[2]))
                turn = n[0] * normals[j, 0] + n[1] * normals[j, 1] + n[2] * normals[j, 2]
                if away <= tolerance and turn > 0.99:
                    seen[j] = True
                    out[count] = j
                    count += 1
                    area += areas[j]
        if area < least or _blunt_share(v, f, normals, neighbours, owner, out[:count], n) > 0.3:
            continue
        for k in range(count):
            owner[out[k]] = first + found
        shapes[found, 0:3] = p
        shapes[found, 3:6] = n
        found += 1
    return found


def faces_of(
    v: NDArray[np.float64],
    f: NDArray[np.int32],
    normals: NDArray[np.float64],
    areas: NDArray[np.float64],
    neighbours: NDArray[np.int32],
    allowed: NDArray[np.bool_],
    least: float,
) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """The faces of an exact tessellation: number per facet (m,) or -1; code, packed shape, sign of each face.

    `least` mm2 is the smallest plane that is wanted.
    """
    tolerance = 3.0 * resolution(v)
    owner = np.full(len(f), -1, dtype=np.int32)
    most = max(len(f) // 4, 16)
    codes = np.full(most, PLANE)
    shapes, signs = np.zeros((most, PACKED)), np.ones(most)
    round_ones = curved(v, f, normals, neighbours, allowed, tolerance, owner, codes, shapes, signs)
    total = round_ones
    if allowed[PLANE]:
        total += flat(v, f, normals, areas, neighbours, tolerance, least, round_ones, owner, shapes[round_ones:])
    return owner, codes[:total], shapes[:total], signs[:total]
