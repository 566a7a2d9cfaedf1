"""Stars: which neighbours a scanned point would have in a triangulation of its surroundings alone.

A point's neighbours are laid out in its tangent plane, each in its own direction and at its own distance, so that what
lies behind an edge is not pushed together; those that share an empty circle with the point are its Delaunay neighbours
there. They are the corners of the convex hull of the neighbours after an inversion about the point: a circle through
the point becomes a line, and what is inside of it lies beyond.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.geometry import Floats, Ints, Longs
from pipeline.jit import njit, prange

RING = 14  # neighbours that a star can hold; a Delaunay star has six on average
_NEAREST = 6  # neighbours whose distances make the spacing at a point


@njit(cache=True)
def _flat_direction(xx: float, yy: float, zz: float, xy: float, xz: float, yz: float) -> tuple[float, float, float]:
    """The unit eigenvector of the smallest eigenvalue of a symmetric matrix."""
    q = (xx + yy + zz) / 3.0
    p = math.sqrt(max(((xx - q) ** 2 + (yy - q) ** 2 + (zz - q) ** 2 + 2.0 * (xy * xy + xz * xz + yz * yz)) / 6.0, 0.0))
    if p <= 0.0:
        return 0.0, 0.0, 1.0
    a, b, c = (xx - q) / p, (yy - q) / p, (zz - q) / p
    d, e, f = xy / p, xz / p, yz / p
    half = 0.5 * (a * (b * c - f * f) - d * (d * c - f * e) + e * (d * f - b * e))
    least = q + 2.0 * p * math.cos(math.acos(min(1.0, max(-1.0, half))) / 3.0 + 2.0 * math.pi / 3.0)
    ax, by, cz = xx - least, yy - least, zz - least
    # Two rows of what is left span the plane that it is square to; the pair that is least parallel tells it best.
    x1, y1, z1 = xy * yz - xz * by, xz * xy - ax * yz, ax * by - xy * xy
    x2, y2, z2 = xy * cz - xz * yz, xz * xz - ax * cz, ax * yz - xy * xz
    x3, y3, z3 = by * cz - yz * yz, yz * xz - xy * cz, xy * yz - by * xz
    n1, n2, n3 = x1 * x1 + y1 * y1 + z1 * z1, x2 * x2 + y2 * y2 + z2 * z2, x3 * x3 + y3 * y3 + z3 * z3
    if n2 > n1 and n2 >= n3:
        x1, y1, z1, n1 = x2, y2, z2, n2
    elif n3 > n1:
        x1, y1, z1, n1 = x3, y3, z3, n3
    if n1 <= 0.0:
        return 0.0, 0.0, 1.0
    size = math.sqrt(n1)
    return x1 / size, y1 / size, z1 / size


@njit(cache=True)
def _tangent_plane(points: Floats, near: Longs, at: int) -> tuple[float, float, float]:
    """The unit normal of the plane of least squares through a point's neighbours and itself."""
    count = near.size
    mx = my = mz = 0.0
    for k in range(count):
        mx += points[near[k], 0]
        my += points[near[k], 1]
        mz += points[near[k], 2]
    mx, my, mz = mx / count, my / count, mz / count
    xx = yy = zz = xy = xz = yz = 0.0
    for k in range(count):
        x, y, z = points[near[k], 0] - mx, points[near[k], 1] - my, points[near[k], 2] - mz
        xx += x * x
        yy += y * y
        zz += z * z
        xy += x * y
        xz += x * z
        yz += y * z
    return _flat_direction(xx, yy, zz, xy, xz, yz)


@njit(cache=True)
def _hull(u: Floats, v: Floats, order: Ints, count: int, chain: Ints) -> int:
    """The corners of a convex hull, counter-clockwise, into `chain`: Andrew's monotone chain; how many there are.

    order  indices of the points, sorted by u, then v
    """
    made = int(np.int64(0))
    floor = int(np.int64(0))
    for way in range(2):
        floor = made
        for step in range(count):
            k = order[step] if way == 0 else order[count - 1 - step]
            while made >= floor + 2:
                a, b = chain[made - 2], chain[made - 1]
                if (u[b] - u[a]) * (v[k] - v[a]) - (v[b] - v[a]) * (u[k] - u[a]) > 0.0:
                    break
                made -= 1
            chain[made] = k
            made += 1
        made -= 1  # the last of one chain is the first of the other
    return made


@njit(cache=True, parallel=True)
def stars_of(points: Floats, near: Longs, first: int, rings: Ints, spacing: Floats) -> None:
    """The stars of len(near) points from number `first` on, into `rings` and `spacing`.

    points   (n, 3) mm
    near     (k, c) numbers of each one's nearest neighbours, itself first
    rings    (n, RING) int32: neighbours counter-clockwise about some normal, two that follow each other making a facet
             with the point; -1 where none does, and behind the last. The first is not written again at the end: a
             ring without a gap closes on itself.
    spacing  (n,) mm: the mean distance to the nearest six
    """
    count = near.shape[1]
    for row in prange(near.shape[0]):
        at = first + row
        px, py, pz = points[at, 0], points[at, 1], points[at, 2]
        nx, ny, nz = _tangent_plane(points, near[row], int(np.int64(at)))
        # Two directions in the plane.
        if abs(nx) < 0.6:
            ex, ey, ez = 0.0, nz, -ny
        else:
            ex, ey, ez = -nz, 0.0, nx
        size = math.sqrt(ex * ex + ey * ey + ez * ez)
        ex, ey, ez = ex / size, ey / size, ez / size
        fx, fy, fz = ny * ez - nz * ey, nz * ex - nx * ez, nx * ey - ny * ex
        u, v = np.empty(count), np.empty(count)
        order = np.empty(count, dtype=np.int32)
        chain = np.empty(2 * count + 2, dtype=np.int32)
        used = 0
        total, summed = 0.0, 0
        for k in range(count):
            j = near[row, k]
            u[k] = v[k] = 0.0
            dx, dy, dz = points[j, 0] - px, points[j, 1] - py, points[j, 2] - pz
            square = dx * dx + dy * dy + dz * dz
            if j == at or square <= 0.0:
                continue
            if summed < _NEAREST:
                total += math.sqrt(square)
                summed += 1
            s, t = dx * ex + dy * ey + dz * ez, dx * fx + dy * fy + dz * fz
            flat = math.sqrt(s * s + t * t)
            if flat * flat < 0.0625 * square:
                continue  # above or below: it has no direction in the plane
            # At its own distance in its direction, then inverted: u = s / flat * r / r^2.
            scale = 1.0 / (flat * math.sqrt(square))
            u[k], v[k] = s * scale, t * scale
            place = used
            while place > 0 and (
                u[order[place - 1]] > u[k] or (u[order[place - 1]] == u[k] and v[order[place - 1]] > v[k])
            ):
                order[place] = order[place - 1]
                place -= 1
            order[place] = k
            used += 1
        spacing[at] = total / max(summed, 1)
        if used < 2:
            continue
        corners = _hull(u, v, order, int(np.int64(used)), chain)
        start = 0
        closed = True
        for k in range(corners):
            a, b, c = chain[k], chain[(k + 1) % corners], chain[(k + 2) % corners]
            if u[a] * v[b] - v[a] * u[b] <= 0.0:
                closed = False
                if u[b] * v[c] - v[b] * u[c] > 0.0:
                    start = (k + 1) % corners
        written = 0
        for step in range(corners + 1 if closed else corners):
            a, b = chain[(start + step) % corners], chain[(start + step + 1) % corners]
            if written < RING:
                rings[at, written] = near[row, a]
                written += 1
            if u[a] * v[b] - v[a] * u[b] <= 0.0:
                break


@njit(cache=True)
def _holds(rings: Ints, at: int, a: int, b: int) -> bool:
    """Whether the star of a point has a facet with two others."""
    for k in range(RING - 1):
        here, after = rings[at, k], rings[at, k + 1]
        if after < 0:
            return False
        if (here == a and after == b) or (here == b and after == a):
            return True
    return False


@njit(cache=True)
def circumradius(points: Floats, a: int, b: int, c: int) -> float:
    """mm, of a facet's circle; infinite where it has no area."""
    ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
    wx, wy, wz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
    tx, ty, tz = wx - ux, wy - uy, wz - uz
    x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    area = math.sqrt(x * x + y * y + z * z)
    if area <= 0.0:
        return np.inf
    sides = (ux * ux + uy * uy + uz * uz) * (wx * wx + wy * wy + wz * wz) * (tx * tx + ty * ty + tz * tz)
    return math.sqrt(sides) / (2.0 * area)


@njit(cache=True)
def _votes(rings: Ints, at: int, a: int, b: int) -> int:
    """How many of the three stars have a facet that the first of them has."""
    return 1 + int(_holds(rings, a, b, at)) + int(_holds(rings, b, at, a))


@njit(cache=True)
def facets_of(points: Floats, rings: Ints, spacing: Floats, votes: int, reach: float, faces: Ints) -> int:
    """The facets that exactly so many of the three stars have, into `faces` as far as they go; how many there are.

    reach  times the spacing round it that a facet's circle may be in radius: what is wider bridges a gap
    """
    made = int(np.int64(0))
    for row in range(rings.shape[0]):
        at = np.int32(row)
        for k in range(RING - 1):
            a, b = rings[at, k], rings[at, k + 1]
            if b < 0:
                break
            # Of the stars that have it, the one with the smallest number tells it.
            if (a < at and _holds(rings, int(a), b, at)) or (b < at and _holds(rings, int(b), at, a)):
                continue
            if _votes(rings, int(at), a, b) != votes:
                continue
            wide = (spacing[at] + spacing[a] + spacing[b]) / 3.0
            if circumradius(points, int(at), int(a), int(b)) > reach * wide:
                continue
            if made < faces.shape[0]:
                faces[made, 0], faces[made, 1], faces[made, 2] = at, a, b
            made += 1
    return made


@njit(cache=True)
def circumradii(points: Floats, faces: Ints) -> Floats:
    """(m,) mm, radii of the circles through the corners of facets (m, 3) over points (n, 3); infinite where they lie
    on a line."""
    out = np.empty(faces.shape[0])
    for row in range(faces.shape[0]):
        out[row] = circumradius(points, int(faces[row, 0]), int(faces[row, 1]), int(faces[row, 2]))
    return out
