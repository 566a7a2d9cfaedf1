"""What lines of sight meet first: rays through a grid of cells that know their facets.

For some thousand rays through a mesh of millions of facets: the grid takes one pass over the facets (a tenth of a
second a million), a tree for distances takes ten times as long.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, box_of
from pipeline.jit import njit

_CELLS = 160  # along the longest side; a byte tells which
_NOWHERE = 1e30


class _Cells(NamedTuple):
    """starts (cells + 1,), members facets cell by cell, shape (3,), origin (3,) mm, size mm of a cell."""

    starts: Ints
    members: Ints
    shape: Ints
    origin: Floats
    size: float


@dataclass(frozen=True)
class SightLines:
    """A mesh that rays are sent through; vertices (n, 3) mm, faces (m, 3).

    Method: cells passed through in order (Amanatides and Woo 1987), the facets of each by Möller and Trumbore (1997).

    >>> v = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 10.0, 0.0]])
    >>> lines = SightLines.through(v, np.array([[0, 1, 2]], np.int32))
    >>> facet, way = lines.first(np.array([[2.0, 2.0, 5.0], [9.0, 9.0, 5.0]]), np.array([[0.0, 0.0, -1.0]] * 2), 0.1)
    >>> facet.tolist(), way.tolist()
    ([0, -1], [5.0, inf])
    """

    vertices: Floats
    faces: Ints
    cells: _Cells

    @staticmethod
    def through(vertices: Floats, faces: Ints) -> SightLines:
        """Over a mesh of one facet or more."""
        low, high = box_of(vertices)
        size = max(float((high - low).max()) / _CELLS, 1e-9)
        shape = ((high - low) / size).astype(np.int32) + 1
        starts, members = _sorted_in(faces, _places(vertices, low, size, shape), shape)
        return SightLines(vertices, faces, _Cells(starts, members, shape, low, size))

    def first(self, points: Floats, ways: Floats, least: float) -> tuple[Ints, Floats]:
        """The facet (k,) that each ray meets first, -1 where none, and how far away (k,) mm, inf where none.

        points  (k, 3) mm, `ways` (k, 3) unit; what is nearer than `least` mm is passed over
        """
        facet, far = _first(self.vertices, self.faces, self.cells, points, ways, least)
        return facet, np.where(facet < 0, np.inf, far)


@njit(cache=True)
def _places(v: Floats, origin: Floats, size: float, shape: Ints) -> Bytes:
    """(n, 3) which cell, along each axis, a vertex lies in."""
    out = np.empty(v.shape, np.uint8)
    for p in range(len(v)):
        for k in range(3):
            out[p, k] = min(max(int((v[p, k] - origin[k]) / size), 0), shape[k] - 1)
    return out


@njit(cache=True, inline="always")
def _span(places: Bytes, a: int, b: int, c: int, k: int) -> tuple[int, int]:
    """First and last cell along axis k of a facet with these corners."""
    p, q, r = int(places[a, k]), int(places[b, k]), int(places[c, k])
    return min(p, q, r), max(p, q, r)


@njit(cache=True)
def _sorted_in(f: Ints, places: Bytes, shape: Ints) -> tuple[Ints, Ints]:
    starts = np.zeros(shape[0] * shape[1] * shape[2] + 1, np.int32)
    members = np.empty(0, np.int32)
    for turn in range(2):
        for t in range(len(f)):
            a, b, c = f[t, 0], f[t, 1], f[t, 2]
            low_i, high_i = _span(places, a, b, c, 0)
            low_j, high_j = _span(places, a, b, c, 1)
            low_k, high_k = _span(places, a, b, c, 2)
            for i in range(low_i, high_i + 1):
                for j in range(low_j, high_j + 1):
                    for k in range(low_k, high_k + 1):
                        cell = (i * shape[1] + j) * shape[2] + k
                        if turn == 0:
                            starts[cell + 1] += 1
                        else:
                            starts[cell] -= 1
                            members[starts[cell]] = t
        if turn == 0:
            for cell in range(1, len(starts)):
                starts[cell] += starts[cell - 1]
            members = np.empty(starts[-1], np.int32)
            # Ends now; counting down makes them starts.
            for cell in range(len(starts) - 1):
                starts[cell] = starts[cell + 1]
    return starts, members


@njit(cache=True)
def _first(v: Floats, f: Ints, cells: _Cells, points: Floats, ways: Floats, least: float) -> tuple[Ints, Floats]:
    facet = np.full(len(points), -1, np.int32)
    far = np.full(len(points), _NOWHERE)
    at, step = np.empty(3, np.int64), np.empty(3, np.int64)
    turn, wide = np.empty(3), np.empty(3)
    for r in range(len(points)):
        enter, leave = 0.0, _NOWHERE
        for k in range(3):
            low, d = cells.origin[k] - points[r, k], ways[r, k]
            high = low + cells.shape[k] * cells.size
            if abs(d) < 1e-12:
                if low > 0.0 or high < 0.0:
                    leave = -1.0
            else:
                enter = max(enter, min(low / d, high / d))
                leave = min(leave, max(low / d, high / d))
        if leave < enter:
            continue
        for k in range(3):
            d = ways[r, k]
            x = points[r, k] + (enter + 1e-9) * d - cells.origin[k]
            at[k] = min(max(int(x / cells.size), 0), cells.shape[k] - 1)
            step[k] = 1 if d > 0.0 else -1
            wide[k] = _NOWHERE if abs(d) < 1e-12 else cells.size / abs(d)
            edge = (at[k] + (1 if d > 0.0 else 0)) * cells.size + cells.origin[k] - points[r, k]
            turn[k] = _NOWHERE if abs(d) < 1e-12 else edge / d
        while True:
            k = 0
            if turn[1] < turn[k]:
                k = 1
            if turn[2] < turn[k]:
                k = 2
            cell = (at[0] * cells.shape[1] + at[1]) * cells.shape[2] + at[2]
            for m in range(cells.starts[cell], cells.starts[cell + 1]):
                t = cells.members[m]
                away = _meets(v, f, t, points[r], ways[r])
                if least < away < far[r]:
                    far[r], facet[r] = away, t
            if facet[r] >= 0 and far[r] <= turn[k] + 1e-9:
                break
            at[k] += step[k]
            turn[k] += wide[k]
            if at[k] < 0 or at[k] >= cells.shape[k]:
                break
    return facet, far


@njit(cache=True)
def _meets(v: Floats, f: Ints, t: int, p: Floats, d: Floats) -> float:
    """mm along the ray to facet t, below zero where it passes by."""
    a = f[t, 0]
    e0, e1, e2 = v[f[t, 1], 0] - v[a, 0], v[f[t, 1], 1] - v[a, 1], v[f[t, 1], 2] - v[a, 2]
    g0, g1, g2 = v[f[t, 2], 0] - v[a, 0], v[f[t, 2], 1] - v[a, 1], v[f[t, 2], 2] - v[a, 2]
    h0, h1, h2 = d[1] * g2 - d[2] * g1, d[2] * g0 - d[0] * g2, d[0] * g1 - d[1] * g0
    scale = e0 * h0 + e1 * h1 + e2 * h2
    if abs(scale) < 1e-30:
        return -1.0
    s0, s1, s2 = p[0] - v[a, 0], p[1] - v[a, 1], p[2] - v[a, 2]
    x = (s0 * h0 + s1 * h1 + s2 * h2) / scale
    if x < -1e-9 or x > 1.0 + 1e-9:
        return -1.0
    q0, q1, q2 = s1 * e2 - s2 * e1, s2 * e0 - s0 * e2, s0 * e1 - s1 * e0
    y = (d[0] * q0 + d[1] * q1 + d[2] * q2) / scale
    if y < -1e-9 or x + y > 1.0 + 1e-9:
        return -1.0
    return (g0 * q0 + g1 * q1 + g2 * q2) / scale
