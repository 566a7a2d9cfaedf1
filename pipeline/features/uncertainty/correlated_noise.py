"""Correlated noise in linear functions of many points, without a matrix of points by points.

The noise along the surface normal is taken as a sum of a white part and of components (waves) whose covariance falls
with the straight distance d between two points as s^2 exp(-d^2 / (2 L^2)). Points are gathered in box
cells small against L; within a cell of width c on a surface a component is averaged, which to second order
turns the covariance of cell means into s^2 q exp(-d^2 q / (2 L^2)), q = L^2 / (L^2 + c^2 / 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, Ints, Longs, box_of
from pipeline.jit import njit

CELL_PER_LENGTH = 1.5
CELL_OF_LONG = 0.07  # changes no standard uncertainty by more than 2 %
REACH = 3.3
MAX_GRID = 1_500_000


class _Cells(NamedTuple):
    """The occupied cells of a grid over some points.

    sums (c, k) of the points' gains, centres (c, 3) their mean places, mm; place (c, 3) in the grid of `shape` (3,);
    table, along the grid, the number of the cell, -1 where it is empty
    """

    sums: Floats
    centres: Floats
    place: Longs
    table: Ints
    shape: Longs


def propagated(
    gains: Floats, points: Floats, components: Sequence[tuple[float, float]], finest: Floats
) -> list[Floats]:
    """For each component e of (sigma, correlation length), mm, the covariance (k, k) of sum_i gains[i] e(points[i]).

    gains (n, k); points (n, 3) in axes of the caller's choice; `finest` (3,) is the width of cell, mm a
    direction, that the gains themselves need to be followed: cells are no wider where a component isn't much longer.
    """
    low, high = box_of(points)
    size = high - low
    held = np.zeros(3)
    parts = []
    for sigma, length in components:
        # A component that is long against a cell is all but one value in it: only the sum of its gains counts.
        cell = np.minimum(CELL_PER_LENGTH * length, np.maximum(finest, CELL_OF_LONG * length))
        while True:
            shape = np.floor(size / cell).astype(np.int64) + 1
            if float(np.prod(shape.astype(float))) <= MAX_GRID:
                break
            cell = np.where(shape > 1, cell * 1.25, cell)
        if np.any(cell != held):
            cells = _gather_in_cells(points, gains, low, cell, shape)
            held = cell
        width = float(np.mean(np.sort(cell)[:2] ** 2))
        share = length**2 / (length**2 + width / 6.0)
        reach = np.minimum(np.ceil(REACH * length / np.sqrt(share) / cell).astype(np.int64), shape)
        rate = share / (2.0 * length**2)
        # A table of all cells within reach pays where it has fewer places than there are cells.
        near = int(np.prod(2 * reach + 1))
        pairs = _sum_in_stretches(cells, rate) if len(cells.sums) < near else _sum_by_table(cells, reach, rate)
        parts.append(sigma**2 * share * (pairs + pairs.T))
    return parts


def gathered(gains: Floats, points: Floats, width: float) -> tuple[Floats, Floats]:
    """Mean places (c, 3) of the points (n, 3) in each occupied cell of that width, mm, and the sums (c, k) of gains."""
    low, high = box_of(points)
    shape = np.floor((high - low) / width).astype(np.int64) + 1
    cells = _gather_in_cells(points, gains, low, np.full(3, width), shape)
    return cells.centres, cells.sums


def cell_covariance(centres: Floats, length: float, spreads: Floats) -> Floats:
    """Covariance (g, g) of cell means of one component with unit variance.

    spreads  (g, 3) mm2, variance a direction of the points in each cell, in the axes of the centres (g, 3); a mean is
             taken as of a Gaussian spread of points of the same variance, so that this is the covariance of something
             that may be
    """
    out = np.ones((len(centres), len(centres)))
    exponent = np.zeros_like(out)
    for centre, spread in zip(centres.T, spreads.T, strict=True):
        width = length**2 + spread[:, None] + spread[None, :]
        out *= length**2 / width
        exponent += (centre[:, None] - centre[None, :]) ** 2 / width
    return np.sqrt(out) * np.exp(-0.5 * exponent)


@njit(cache=True)
def _gather_in_cells(points: Floats, gains: Floats, low: Floats, cell: Floats, shape: Longs) -> _Cells:
    """Sum the gains and average the places of the points in each occupied cell."""
    table = np.full(shape[0] * shape[1] * shape[2], -1, dtype=np.int32)
    n, terms = gains.shape
    own = np.empty(n, dtype=np.int32)
    count = 0
    for i in range(n):
        place = 0
        for k in range(3):
            place = place * shape[k] + min(shape[k] - 1, int((points[i, k] - low[k]) / cell[k]))
        if table[place] < 0:
            table[place] = count
            count += 1
        own[i] = table[place]
    sums = np.zeros((count, terms))
    centres = np.zeros((count, 3))
    members = np.zeros(count)
    for i in range(n):
        c = own[i]
        members[c] += 1.0
        for k in range(terms):
            sums[c, k] += gains[i, k]
        for k in range(3):
            centres[c, k] += points[i, k]
    index = np.empty((count, 3), dtype=np.int64)
    for c in range(count):
        for k in range(3):
            centres[c, k] /= members[c]
    for place in range(table.shape[0]):
        c = table[place]
        if c >= 0:
            rest = place
            for k in range(2, -1, -1):
                index[c, k] = rest % shape[k]
                rest //= shape[k]
    return _Cells(sums, centres, index, table, shape)


@njit(cache=True)
def _sum_in_stretches(cells: _Cells, rate: float) -> Floats:
    """Over cell pairs, each looked at once, the sum of sums_i sums_j^T exp(-rate d_ij^2), and half of that of each cell
    with itself: the other half of all comes with the transpose.

    In the order of the longest direction only a stretch of the cells is near.
    """
    along = np.argmax(cells.shape)
    order = np.argsort(cells.centres[:, along])
    sums, centres = cells.sums[order], cells.centres[order]
    line = centres[:, along].copy()
    count, terms = sums.shape
    result = np.zeros((terms, terms))
    near, weight = np.empty(terms), np.empty(count)
    end = 0
    for c in range(count):
        for k in range(terms):
            near[k] = 0.5 * sums[c, k]
        while end < count and rate * (line[end] - line[c]) ** 2 < 0.5 * REACH**2:
            end += 1
        _add_stretch(sums, centres, c, end, rate, weight, near)
        _add_product(sums[c], near, result)
    return result


@njit(cache=True)
def _sum_by_table(cells: _Cells, reach: Longs, rate: float) -> Floats:
    """The same sum by looking up the cells within `reach` (3,) cells of each."""
    sums, shape = cells.sums, cells.shape
    count, terms = sums.shape
    result = np.zeros((terms, terms))
    near = np.empty(terms)
    for c in range(count):
        for k in range(terms):
            near[k] = 0.5 * sums[c, k]
        i, j = cells.place[c, 0], cells.place[c, 1]
        for x in range(i, min(shape[0], i + reach[0] + 1)):
            for y in range(max(0, j - reach[1]) if x > i else j, min(shape[1], j + reach[1] + 1)):
                _add_row(cells, c, x, y, reach[2], rate, near)
        _add_product(sums[c], near, result)
    return result


@njit(cache=True)
def _add_product(sums: Floats, near: Floats, result: Floats) -> None:
    """Add sums near^T to the result (k, k)."""
    for a in range(len(sums)):
        for b in range(len(sums)):
            result[a, b] += sums[a] * near[b]


@njit(cache=True)
def _add_row(cells: _Cells, c: int, x: int, y: int, reach: int, rate: float, near: Floats) -> None:
    """Add to `near` the sums of the cells in row (x, y) of the grid, of its own row those after c, by their correlation
    with cell c."""
    shape = cells.shape
    m = cells.place[c, 2]
    row = (x * shape[1] + y) * shape[2]
    first = max(0, m - reach) if x > cells.place[c, 0] or y > cells.place[c, 1] else m + 1
    for z in range(first, min(shape[2], m + reach + 1)):
        other = cells.table[row + z]
        if other < 0:
            continue
        apart = 0.0
        for k in range(3):
            apart += (cells.centres[c, k] - cells.centres[other, k]) ** 2
        if rate * apart < 0.5 * REACH**2:
            weight = np.exp(-rate * apart)
            for k in range(len(near)):
                near[k] += weight * cells.sums[other, k]


@njit(cache=True, fastmath={"reassoc", "contract"})
def _add_stretch(sums: Floats, centres: Floats, c: int, end: int, rate: float, weight: Floats, near: Floats) -> None:
    """Add to `near` the sums of the cells after c up to `end`, by their correlation with c; `weight` is scratch."""
    x, y, z = centres[c, 0], centres[c, 1], centres[c, 2]
    for other in range(c + 1, end):
        apart = (x - centres[other, 0]) ** 2 + (y - centres[other, 1]) ** 2 + (z - centres[other, 2]) ** 2
        # exp(-16 p) as the 16th power of a short series, good to 1e-4 of itself within REACH, takes no call.
        p = min(rate * apart, 0.5 * REACH**2) / 16.0
        root = 1.0 - p * (1.0 - p * (0.5 - p * (1.0 / 6.0 - p * (1.0 / 24.0 - p * (1.0 / 120.0)))))
        root *= root
        root *= root
        root *= root
        weight[other] = root * root if rate * apart < 0.5 * REACH**2 else 0.0
    for k in range(sums.shape[1]):
        total = 0.0
        for other in range(c + 1, end):
            total += weight[other] * sums[other, k]
        near[k] += total
