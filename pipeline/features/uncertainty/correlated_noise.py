"""Correlated noise in linear functions of many points, without a matrix of points by points.

The noise along the surface normal is taken as a sum of a white part and of waves whose covariance falls
with the straight distance d between two points as s^2 exp(-d^2 / (2 L^2)). Points are gathered in box
cells small against L; within a cell of width c on a surface a wave is averaged, which to second order
turns the covariance of cell means into s^2 q exp(-d^2 q / (2 L^2)), q = L^2 / (L^2 + c^2 / 6).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import box_of
from pipeline.jit import njit

CELL_PER_LENGTH = 1.5
CELL_OF_LONG = 0.07  # changes no standard uncertainty by more than 2 %
REACH = 3.3
MAX_GRID = 1_500_000


def carried(
    gains: NDArray[np.float64],
    points: NDArray[np.float64],
    waves: Sequence[tuple[float, float]],
    finest: NDArray[np.float64],
) -> list[NDArray[np.float64]]:
    """For each wave e of (sigma, length), mm, the covariance (k, k) of sum_i gains[i] e(points[i]).

    gains (n, k); points (n, 3) in axes of the caller's choice; `finest` (3,) is the width of cell, mm a
    direction, that the gains themselves need to be followed: cells are no wider where a wave isn't much longer.
    """
    low, high = box_of(points)
    size = high - low
    held = np.zeros(3)
    parts = []
    for sigma, length in waves:
        # A wave that is long against a cell is all but one value in it, so that the sum of gains is all that counts.
        cell = np.minimum(CELL_PER_LENGTH * length, np.maximum(finest, CELL_OF_LONG * length))
        while True:
            shape = np.floor(size / cell).astype(np.int64) + 1
            if float(np.prod(shape.astype(float))) <= MAX_GRID:
                break
            cell = np.where(shape > 1, cell * 1.25, cell)
        if np.any(cell != held):
            sums, centres, index, table = _gather(points, gains, low, cell, shape)
            held = cell
        width = float(np.mean(np.sort(cell)[:2] ** 2))
        share = length**2 / (length**2 + width / 6.0)
        reach = np.minimum(np.ceil(REACH * length / np.sqrt(share) / cell).astype(np.int64), shape)
        parts.append(sigma**2 * share * _paired(sums, centres, index, table, shape, reach, share / (2.0 * length**2)))
    return parts


def kernel(centres: NDArray[np.float64], length: float, cell: float) -> NDArray[np.float64]:
    """Covariance (g, g) of cell means of one wave with unit variance; cells of width `cell` mm."""
    share = length**2 / (length**2 + cell**2 / 6.0)
    apart = centres[:, None, :] - centres[None, :, :]
    return share * np.exp(-np.einsum("ijk,ijk->ij", apart, apart) * (share / (2.0 * length**2)))


@njit(cache=True)
def _gather(points, gains, low, cell, shape):  # type: ignore[no-untyped-def]
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
    return sums, centres, index, table


@njit(cache=True)
def _paired(sums, centres, index, table, shape, reach, rate):  # type: ignore[no-untyped-def]
    """sum over cell pairs of sums_i sums_j^T exp(-rate d_ij^2); each pair is looked at once."""
    count, terms = sums.shape
    result = np.zeros((terms, terms))
    felt, weight = np.empty(terms), np.empty(count)
    stretched = count < (2 * reach[0] + 1) * (2 * reach[1] + 1) * (2 * reach[2] + 1)
    end = 0
    if stretched:
        # In the order of the longest direction only a stretch of the cells is near.
        along = np.argmax(shape)
        order = np.argsort(centres[:, along])
        sums, centres = sums[order], centres[order]
        line = centres[:, along].copy()
    for c in range(count):
        # Half of its own pair, since the other half comes with the transpose.
        for k in range(terms):
            felt[k] = 0.5 * sums[c, k]
        if stretched:
            while end < count and rate * (line[end] - line[c]) ** 2 < 0.5 * REACH**2:
                end += 1
            _feel_stretch(sums, centres, c, end, rate, weight, felt)
        else:
            i, j, m = index[c, 0], index[c, 1], index[c, 2]
            for x in range(i, min(shape[0], i + reach[0] + 1)):
                for y in range(max(0, j - reach[1]) if x > i else j, min(shape[1], j + reach[1] + 1)):
                    row = (x * shape[1] + y) * shape[2]
                    first = max(0, m - reach[2]) if x > i or y > j else m + 1
                    for z in range(first, min(shape[2], m + reach[2] + 1)):
                        if table[row + z] >= 0:
                            _feel(sums, centres, c, table[row + z], rate, felt)
        for a in range(terms):
            for b in range(terms):
                result[a, b] += sums[c, a] * felt[b]
    return result + result.T


@njit(cache=True, fastmath={"reassoc", "contract"})
def _feel_stretch(sums, centres, c, end, rate, weight, felt):  # type: ignore[no-untyped-def]
    """`_feel` for the cells after c up to `end`, many at once; `weight` is scratch."""
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
        felt[k] += total


@njit(cache=True)
def _feel(sums, centres, c, other, rate, felt):  # type: ignore[no-untyped-def]
    """Add to `felt` the sums of another cell, by how much of a wave at c is felt there."""
    apart = 0.0
    for k in range(3):
        apart += (centres[c, k] - centres[other, k]) ** 2
    if rate * apart < 0.5 * REACH**2:
        weight = np.exp(-rate * apart)
        for k in range(sums.shape[1]):
            felt[k] += weight * sums[other, k]
