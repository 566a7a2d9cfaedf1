"""A solid as a table of primitives: signed distance, outward normal and the face a point lies on.

The table is read from top to bottom. Cast rows are joined with round fillets and their skin is made wavy;
cut rows take material away and leave exact faces; added rows (a plug, a stand) come last. Every cut edge
can be rounded by a circular arc which changes nothing further from the edge than its radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

# Columns of a row of the table.
KIND, ROLE, BLEND, WAVY = 0, 1, 2, 3
ORIGIN, FRAME, SIZE, BALL, FACES = 4, 7, 16, 24, 28
COLUMNS = 31

CYLINDER, CONE, HALF_SPACE, BOX, SPHERE, TORUS, RING = range(7)
CAST, CUT, ADDED = range(3)

# The skin's waves never reach this far, mm, so that they need no evaluation further away.
SKIN_REACH = 3.0
EVERYWHERE = 1e9


@dataclass(frozen=True)
class Solid:
    """rows (n, COLUMNS); skin and rough (k, 5): wave vector in rad/mm, phase, amplitude in mm."""

    rows: NDArray[np.float64]
    skin: NDArray[np.float64]
    rough: NDArray[np.float64]
    coating: float = 0.0

    def distance(self, points: NDArray, rounded: bool = False) -> NDArray[np.float64]:
        """Signed distance (positive outside) of points (n, 3), mm.

        Exact on the surface and wherever the nearest point lies within one face; past a convex edge it is
        the distance to the nearer face's continuation, a lower bound of the true one.
        """
        points = np.ascontiguousarray(points, dtype=np.float64)
        return _many(points, self.rows, self.skin, self.rough, self.coating, not rounded)[0]

    def face_of(self, points: NDArray) -> NDArray[np.int32]:
        """Face number of the surface that is nearest to each of the points (n, 3); 0 is cast skin."""
        points = np.ascontiguousarray(points, dtype=np.float64)
        return _many(points, self.rows, self.skin, self.rough, self.coating, True)[1]

    def normals(self, points: NDArray, rounded: bool = False) -> NDArray[np.float64]:
        """Outward unit normals (n, 3)."""
        points = np.ascontiguousarray(points, dtype=np.float64)
        return _normals(points, self.rows, self.skin, self.rough, self.coating, not rounded)

    def project(self, points: NDArray, reach: float, rounded: bool = True) -> NDArray[np.float64]:
        """Points (n, 3) moved onto the surface by Newton steps of at most `reach` mm along the gradient."""
        points = np.array(points, dtype=np.float64, order="C")
        project_in_place(points, self.rows, self.skin, self.rough, self.coating, not rounded, reach)
        return points


@njit(cache=True, inline="always")
def _meet(a, b, r):
    """Intersection of two solids whose common edge is rounded with radius r."""
    if a <= -r or b <= -r:
        return max(a, b)
    return -r + np.sqrt((r + a) * (r + a) + (r + b) * (r + b))


@njit(cache=True, inline="always")
def _join(a, b, r):
    """Union of two solids whose common edge is filled with a fillet of radius r."""
    if a >= r or b >= r:
        return min(a, b)
    return r - np.sqrt((r - a) * (r - a) + (r - b) * (r - b))


@njit(cache=True)
def _waves(x, y, z, waves, creased):
    total = 0.0
    for i in range(waves.shape[0]):
        s = np.sin(waves[i, 0] * x + waves[i, 1] * y + waves[i, 2] * z + waves[i, 3])
        total += waves[i, 4] * (abs(s) - 0.64 if creased else s)
    return total


@njit(cache=True)
def _primitive(x, y, z, row, sharp):
    """(signed distance, face number) of one primitive."""
    dx, dy, dz = x - row[ORIGIN], y - row[ORIGIN + 1], z - row[ORIGIN + 2]
    u = row[FRAME] * dx + row[FRAME + 1] * dy + row[FRAME + 2] * dz
    v = row[FRAME + 3] * dx + row[FRAME + 4] * dy + row[FRAME + 5] * dz
    w = row[FRAME + 6] * dx + row[FRAME + 7] * dy + row[FRAME + 8] * dz
    kind = row[KIND]
    if kind in (CYLINDER, CONE):
        rho = np.sqrt(u * u + v * v)
        if kind == CYLINDER:
            wall = rho - row[SIZE]
        else:
            slope = row[SIZE + 3]
            wall = (rho - row[SIZE] - slope * w) / np.sqrt(1.0 + slope * slope)
        low, high = row[SIZE + 1] - w, w - row[SIZE + 2]
        end, face = (low, row[FACES + 1]) if low > high else (high, row[FACES + 2])
        if wall > end:
            face = row[FACES]
        r = row[SIZE + 4]
        return (max(wall, end) if sharp and row[ROLE] == CUT else _meet(wall, end, r)), face
    if kind == HALF_SPACE:
        return -w, row[FACES]
    if kind == BOX:
        narrow = row[SIZE + 3] * w
        a = abs(u) - row[SIZE] - narrow
        b = abs(v) - row[SIZE + 1] - narrow
        c = abs(w) - row[SIZE + 2]
        r = row[SIZE + 4]
        a, b, c = a + r, b + r, c + r
        top = max(a, max(b, c))
        if top <= 0.0:
            return top - r, row[FACES]
        a, b, c = max(a, 0.0), max(b, 0.0), max(c, 0.0)
        return np.sqrt(a * a + b * b + c * c) - r, row[FACES]
    if kind == SPHERE:
        return np.sqrt(u * u + v * v + w * w) - row[SIZE], row[FACES]
    rho = np.sqrt(u * u + v * v)
    if kind == TORUS:
        t = rho - row[SIZE]
        return np.sqrt(t * t + w * w) - row[SIZE + 1], row[FACES]
    wall, low = row[SIZE] - rho, max(row[SIZE + 1] - w, rho - row[SIZE + 2])
    face = row[FACES] if wall > low else row[FACES + 1]
    return (max(wall, low) if sharp else _meet(wall, low, row[SIZE + 4])), face


@njit(cache=True)
def field(x, y, z, rows, skin, rough, coating, sharp):
    """(signed distance, face number) of the whole solid at one point."""
    d, face = 1e6, 0.0
    wave, waved, skinned = 0.0, False, False
    for i in range(rows.shape[0]):
        row = rows[i]
        role, r = row[ROLE], row[BLEND]
        if role != CAST and not skinned:
            skinned = True
            if abs(d) < SKIN_REACH:
                wave, waved = _waves(x, y, z, skin, False), True
                d += wave
        lower = -EVERYWHERE
        if row[BALL + 3] < EVERYWHERE:
            bx, by, bz = x - row[BALL], y - row[BALL + 1], z - row[BALL + 2]
            lower = np.sqrt(bx * bx + by * by + bz * bz) - row[BALL + 3]
        if role == CUT:
            if sharp:
                r = 0.0
            if lower > r + SKIN_REACH and lower > SKIN_REACH - d:
                continue
            e, f = _primitive(x, y, z, row, sharp)
            if row[WAVY] == 1.0 and abs(e) < SKIN_REACH:
                if not waved:
                    wave, waved = _waves(x, y, z, skin, False), True
                e += wave
            if -e > d:
                face = f
            d = _meet(d, -e, r)
        else:
            if lower > r + SKIN_REACH and lower > d + SKIN_REACH:
                continue
            e, f = _primitive(x, y, z, row, sharp)
            if row[WAVY] == 2.0 and abs(e) < SKIN_REACH:
                e += _waves(x, y, z, rough, True)
            if e < d:
                face = f
            d = _join(d, e, r)
    return d - coating, face


@njit(cache=True, inline="always")
def _gradient(x, y, z, rows, skin, rough, coating, sharp, f0):
    h = 1e-6
    gx = (field(x + h, y, z, rows, skin, rough, coating, sharp)[0] - f0) / h
    gy = (field(x, y + h, z, rows, skin, rough, coating, sharp)[0] - f0) / h
    gz = (field(x, y, z + h, rows, skin, rough, coating, sharp)[0] - f0) / h
    return gx, gy, gz


@njit(cache=True, parallel=True)
def _many(points, rows, skin, rough, coating, sharp):
    n = len(points)
    distance = np.empty(n)
    face = np.empty(n, np.int32)
    for i in prange(n):
        d, f = field(points[i, 0], points[i, 1], points[i, 2], rows, skin, rough, coating, sharp)
        distance[i] = d
        face[i] = np.int32(f)
    return distance, face


@njit(cache=True, parallel=True)
def _normals(points, rows, skin, rough, coating, sharp):
    out = np.empty_like(points)
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        f0 = field(x, y, z, rows, skin, rough, coating, sharp)[0]
        gx, gy, gz = _gradient(x, y, z, rows, skin, rough, coating, sharp, f0)
        length = max(np.sqrt(gx * gx + gy * gy + gz * gz), 1e-12)
        out[i, 0], out[i, 1], out[i, 2] = gx / length, gy / length, gz / length
    return out


@njit(cache=True, parallel=True)
def project_in_place(points, rows, skin, rough, coating, sharp, reach):
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        for _ in range(8):
            f0 = field(x, y, z, rows, skin, rough, coating, sharp)[0]
            if abs(f0) < 1e-9:
                break
            gx, gy, gz = _gradient(x, y, z, rows, skin, rough, coating, sharp, f0)
            step = f0 / max(gx * gx + gy * gy + gz * gz, 0.05)
            size = abs(step) * np.sqrt(gx * gx + gy * gy + gz * gz)
            if size > reach:
                step *= reach / size
            x -= step * gx
            y -= step * gy
            z -= step * gz
        points[i, 0], points[i, 1], points[i, 2] = x, y, z
