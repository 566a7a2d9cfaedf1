"""How places that were seen of one scan's features lie to the surfaces of another's, for many pairs at once.

Places (n, 3), mm, stand one feature after another, those of feature i at starts[i] : starts[i + 1]; surfaces are rows
(m, ROW) as of `row_of`; motions (4, 4).
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Indices, point_after
from pipeline.jit import njit
from pipeline.surfaces import distance_gradient


@njit(cache=True)
def mean_squares(
    motion: Floats, places: Floats, starts: Indices, first: Indices, table: Floats, second: Indices
) -> Floats:
    """(k,) mm2, mean squared distance of the places of features `first` (k,), moved, from surfaces `second` (k,).

    >>> from pipeline.surfaces import Shape, row_of
    >>> ball, (both, one) = row_of(Shape("sphere", np.zeros(3), radius=5.0))[None], np.array([[0, 2], [0, 0]])
    >>> mean_squares(np.eye(4), np.array([[8.0, 0, 0], [0, 6.0, 0]]), both, one[:1], ball, one[:1]).tolist()
    [5.0]
    """
    out = np.zeros(len(first))
    for k in range(len(first)):
        low, high = starts[first[k]], starts[first[k] + 1]
        for p in range(low, high):
            x, y, z = point_after(motion, (places[p, 0], places[p, 1], places[p, 2]))
            off = distance_gradient(table[second[k]], x, y, z)[0]
            out[k] += off * off
        out[k] /= max(high - low, 1)
    return out


@njit(cache=True)
def equations(
    motion: Floats,
    places: Floats,
    starts: Indices,
    first: Indices,
    table: Floats,
    second: Indices,
    about: tuple[Floats, float],
    weights: Floats,
) -> tuple[Floats, Floats]:
    """(n, 6) change of the weighted distances with a shift and a turn about a point, mm at a radius; (n,) what brings
    them to zero.

    about    the point (3,) and the radius, mm
    weights  (k,) of a pair; each of its places has its share
    """
    total = 0
    for k in range(len(first)):
        total += starts[first[k] + 1] - starts[first[k]]
    rows, off = np.empty((total, 6)), np.empty(total)
    centre, radius = about
    at = 0
    for k in range(len(first)):
        low, high = starts[first[k]], starts[first[k] + 1]
        weight = np.sqrt(weights[k] / max(high - low, 1))
        for p in range(low, high):
            x, y, z = point_after(motion, (places[p, 0], places[p, 1], places[p, 2]))
            away, nx, ny, nz = distance_gradient(table[second[k]], x, y, z)
            x, y, z = x - centre[0], y - centre[1], z - centre[2]
            rows[at, 0], rows[at, 1], rows[at, 2] = weight * nx, weight * ny, weight * nz
            rows[at, 3] = weight * (y * nz - z * ny) / radius
            rows[at, 4] = weight * (z * nx - x * nz) / radius
            rows[at, 5] = weight * (x * ny - y * nx) / radius
            off[at] = -weight * away
            at += 1
    return rows, off
