"""Polygons and runs of points: lengths, areas, what lies within, fewer corners."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from pipeline.geometry.arrays import Floats, Indices, Mask


def side_lengths(polygon: Floats) -> Floats:
    """(n,) length, mm, from each corner of a closed polygon (n, k) to the next.

    >>> side_lengths(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]])).tolist()
    [3.0, 4.0, 5.0]
    """
    return np.linalg.norm(np.roll(polygon, -1, axis=0) - polygon, axis=1)


def step_lengths(run: Floats) -> Floats:
    """(n - 1,) length, mm, from each point of an open run (n, k) to the next.

    >>> step_lengths(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]])).tolist()
    [3.0, 4.0]
    """
    return np.linalg.norm(np.diff(run, axis=0), axis=1)


def arc_lengths(run: Floats) -> Floats:
    """(n,) way, mm, from the first point of an open run (n, k) to each.

    >>> arc_lengths(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]])).tolist()
    [0.0, 3.0, 7.0]
    """
    return np.append(0.0, np.cumsum(step_lengths(run)))


def signed_area(polygon: Floats) -> float:
    """Area, mm2, of a closed polygon (n, 2), positive where its corners run counter-clockwise.

    >>> signed_area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 3.0], [0.0, 3.0]]))
    6.0
    """
    x, y = polygon.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def area_vector(polygon: Floats) -> Floats:
    """(3,) of a closed polygon (n, 3), flat or not: along the normal from whose tip it runs counter-clockwise, as long
    as twice the area, mm2, that it has seen from there.

    >>> area_vector(np.array([[0.0, 0.0, 1.0], [2.0, 0.0, 1.0], [2.0, 3.0, 1.0], [0.0, 3.0, 1.0]])).tolist()
    [0.0, 0.0, 12.0]
    """
    arms = polygon - polygon.mean(axis=0)
    return np.cross(arms, np.roll(arms, -1, axis=0)).sum(axis=0)


def contains(loops: Sequence[Floats], points: Floats) -> Mask:
    """(n,) which points (n, 2) lie inside closed polygons (m, 2) but not in their openings, which are loops as well.

    By whether a ray crosses an odd number of sides (Shimrat 1962).

    >>> contains([np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 2.0]])], np.array([[0.5, 0.5], [1.5, 1.5]])).tolist()
    [True, False]
    """
    a, b = np.concatenate(loops), np.concatenate([np.roll(loop, -1, axis=0) for loop in loops])
    x, y = points[:, :1], points[:, 1:]
    straddles = (a[:, 1] > y) != (b[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return (straddles & (x < at)).sum(axis=1) % 2 == 1


def simplified(run: Floats, keep: list[int], tolerance: float) -> Indices:
    """(k,) indices of the points of a run (n, 2) that a polyline needs to stay within `tolerance` mm of all, ascending.

    `keep` names points to keep in any case, ascending, the first and the last among them. Method: Douglas and Peucker
    1973.

    >>> simplified(np.array([[0.0, 0.0], [1.0, 0.05], [2.0, 0.0], [2.0, 3.0]]), [0, 3], 0.1).tolist()
    [0, 2, 3]
    """
    kept = np.zeros(len(run), dtype=bool)
    kept[keep] = True
    spans = list(pairwise(keep))
    while spans:
        a, b = spans.pop()
        if b - a < 2:
            continue
        chord = run[b] - run[a]
        length = float(np.linalg.norm(chord))
        off = run[a + 1 : b] - run[a]
        if length < 1e-9:
            away = np.linalg.norm(off, axis=1)
        else:
            away = np.abs(off[:, 0] * chord[1] - off[:, 1] * chord[0]) / length
        far = int(np.argmax(away))
        if away[far] > tolerance:
            middle = a + 1 + far
            kept[middle] = True
            spans += [(a, middle), (middle, b)]
    return np.flatnonzero(kept)
