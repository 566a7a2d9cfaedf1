"""Which kind of surface a set of points is: by likelihood, with the noise's correlation reckoned in.

Neighbouring residuals of a scan are not independent, so that thousands of vertices say less than
thousands of measurements would. The residuals are therefore averaged over blocks, and a block's mean is
expected to have the variance white / count + correlated. The misfit of a kind is the sum of squared
means over that variance; each parameter more has to earn its place.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.features.fitting import TUKEY
from pipeline.features.segmentation.vertex_walks import GATE, Gauge, Mesh, patch
from pipeline.geometry import Floats, Ints, Longs, Mask
from pipeline.jit import njit
from pipeline.surfaces import (
    COUNT,
    FLAT,
    PACKED,
    SLOTS,
    SUPPLE,
    WIDEST,
    WIDTHS,
    begin,
    distances,
    refine,
    sane,
    start_of,
)

CREASE = 0.35  # rad within one ring
_ITERATIONS = 5  # a round
_NEAR, _NEAR_SHARE = 8.0, 0.02  # of the noise and of the patch: rms of a closed form that may still come to fit
COARSE = 4.0  # times the mean square of the best kind, clipped at 9 times the noise's: no likelihood makes up for that
CLIP = 1.5 * GATE  # times the noise: residuals beyond count as if they were that
ALL_FREE = np.ones(WIDEST, dtype=np.bool_)  # no parameter of a kind is held


class Sample(NamedTuple):
    """Points (n, 3) of a region, their normals (n, 3), and the edge, mm, of the blocks that they are reckoned in."""

    points: Floats
    normals: Floats
    size: float


class Effort(NamedTuple):
    """How a kind is chosen: on at most so many vertices, in so many robust rounds of fitting.

    negligible  of the noise: what a simpler kind may lose against a better one
    """

    most: int
    rounds: int
    negligible: float


@njit(cache=True)
def settle(code: int, s: Floats, points: Floats, floor: float, rounds: int) -> None:
    """Robust fit in place from the packed start s; `floor` mm is the least scale of the residuals."""
    slots = SLOTS[code, : WIDTHS[code]]
    free = ALL_FREE[: WIDTHS[code]]
    weights = np.ones(len(points))
    refine(code, s, points, weights, slots, free, _ITERATIONS, 0.02 * floor)
    for _ in range(rounds):
        away = np.abs(distances(code, s, points))
        scale = max(1.4826 * np.median(away), floor)
        for i in range(len(points)):
            share = 1.0 - (away[i] / (TUKEY * scale)) ** 2
            weights[i] = share * share if share > 0.0 else 0.0
        refine(code, s, points, weights, slots, free, _ITERATIONS, 0.02 * floor)


@njit(cache=True)
def clipped_rms(code: int, s: Floats, points: Floats, reach: float) -> float:
    """Rms of the distances corrected for the kind's parameters, each clipped at `reach`."""
    total = 0.0
    for d in distances(code, s, points):
        total += min(abs(d), reach) ** 2
    return np.sqrt(total / max(len(points) - WIDTHS[code], 1))


@njit(cache=True)
def blocks_of(points: Floats, size: float) -> tuple[Ints, int]:
    """Number of each point's cube of edge `size` (n,), and how many cubes there are."""
    n = len(points)
    low = np.array([points[:, 0].min(), points[:, 1].min(), points[:, 2].min()])
    keys = np.empty(n, dtype=np.int64)
    for i in range(n):
        key = np.int64(0)
        for k in range(3):
            key = key * np.int64(1 << 20) + np.int64((points[i, k] - low[k]) / size)
        keys[i] = key
    order = np.argsort(keys)
    out = np.empty(n, dtype=np.int32)
    count = 0
    for k in range(n):
        if k > 0 and keys[order[k]] != keys[order[k - 1]]:
            count += 1
        out[order[k]] = count
    return out, count + 1


@njit(cache=True)
def misfit(code: int, s: Floats, points: Floats, blocks: Ints, count: int, gauge: Gauge) -> float:
    """Sum over blocks of mean residual squared over its expected variance; residuals clipped at CLIP times the noise.

    blocks, count  as `blocks_of` gives them
    """
    reach, white, wave = CLIP * gauge.sigma, gauge.white, gauge.wave
    sums, sizes = np.zeros(count), np.zeros(count)
    away = distances(code, s, points)
    for i in range(len(points)):
        sums[blocks[i]] += min(max(away[i], -reach), reach)
        sizes[blocks[i]] += 1.0
    total = 0.0
    for b in range(count):
        mean = sums[b] / sizes[b]
        total += mean * mean / (white * white / sizes[b] + wave * wave)
    return total


@njit(cache=True)
def simplest(scores: Floats, squares: Floats, count: int, negligible: float) -> int:
    """The simplest kind that is as good as the best one; -1 where there is none.

    As good: its penalised misfit is no worse, or the mean square that the best one saves is `negligible`:
    what is hidden in the noise is not seen, however many vertices there are, because noise has long waves.
    Where even the best kind misfits, all misfits are scaled down by it (quasi-likelihood).
    """
    best, spread, lowest = -1, 1.0, np.inf
    least = scores.min()
    for code in range(len(scores)):
        if scores[code] == least and np.isfinite(least):
            spread = max(least / max(count - WIDTHS[code], 1), 1.0)
    price = max(np.log(count), 4.0)
    for code in range(len(scores)):
        if scores[code] / spread + price * WIDTHS[code] < lowest:
            best, lowest = code, scores[code] / spread + price * WIDTHS[code]
    if best < 0:
        return -1
    for code in range(len(scores)):
        if code == best or squares[code] <= squares[best] + negligible:
            return code
    return best


@njit(cache=True)
def choose(
    sample: Sample, was: int, held: Floats, allowed: Mask, effort: Effort, gauge: Gauge
) -> tuple[int, float, int]:
    """The kind with the least penalised misfit among those allowed; (code or -1, misfit, freedom).

    `held` (packed, of kind `was`, -1 for none) gives starts and receives the chosen shape.
    """
    points, normals, size = sample
    white, floor = gauge.white, gauge.sigma
    blocks, count = blocks_of(points, size)
    shapes = np.zeros((COUNT, PACKED))
    scores, squares = np.full(COUNT, np.inf), np.full(COUNT, np.inf)
    extent = 0.0
    for k in range(3):
        extent = max(extent, points[:, k].max() - points[:, k].min())
    hidden = (effort.negligible * floor) ** 2
    for code in range(COUNT):
        if not allowed[code]:
            continue
        # Nothing can save more than is negligible once all that is left is white noise; and what can bend to
        # anything small is for what nothing else fits. The plane of a groove's ring doesn't
        # fit it, though in each block the distances on both of its sides cancel.
        fits = scores.min() < 2.0 * count and squares.min() <= COARSE * floor * floor
        if hidden > 0.0 and (squares.min() <= white * white + hidden or (SUPPLE[code] and fits)):
            break
        s = np.zeros(PACKED)
        if not start_of(code, was, held, points, normals, s):
            continue
        settle(code, s, points, floor, effort.rounds)
        if not sane(code, s, extent):
            continue
        shapes[code] = s
        scores[code] = misfit(code, s, points, blocks, count, gauge)
        squares[code] = clipped_rms(code, s, points, 3.0 * floor) ** 2
    # A small hole has both its sides in one block, where the distances from a plane through its axis cancel.
    for code in range(COUNT):
        if squares[code] > COARSE * max(squares.min(), floor * floor):
            scores[code] = np.inf
    best = simplest(scores, squares, count, hidden)
    if best < 0:
        return -1, np.inf, 1
    held[:] = shapes[best]
    return best, scores[best], max(count - WIDTHS[best], 1)


@njit(cache=True)
def fitting_kind(
    points: Floats, lines: Floats, reach: float, allowed: Mask, sigma: float, bar: float, shape: Floats
) -> tuple[int, float]:
    """The simplest kind that fits a patch, (code or -1, rms), and its packed shape in `shape`.

    A kind fits with an rms under `bar` times sigma, more leniently for few points, and is taken if it does
    within 10 % of the best.
    """
    n = len(points)
    found = np.full(COUNT, np.inf)
    tries = np.zeros((COUNT, PACKED))
    ones = np.ones(n)
    for code in range(COUNT):  # a patch can't tell what is supple; regions may turn into it
        if SUPPLE[code] or not allowed[code] or n < 2 * WIDTHS[code]:
            continue
        s = np.zeros(PACKED)
        if not begin(code, points, lines, s):
            continue
        found[code] = clipped_rms(code, s, points, 1e9)
        # A closed form that is far off won't come near: the patch has an edge in it.
        if found[code] > max(_NEAR * sigma, _NEAR_SHARE * reach):
            found[code] = np.inf
            continue
        if not FLAT[code]:  # whose closed form is the fit
            slots, free = SLOTS[code, : WIDTHS[code]], ALL_FREE[: WIDTHS[code]]
            for iterations in (2, 4):
                refine(code, s, points, ones, slots, free, iterations, 0.1 * sigma)
                found[code] = clipped_rms(code, s, points, 1e9)
                if not found[code] < 2.5 * bar * sigma:
                    break
            if not sane(code, s, reach):
                found[code] = np.inf
        tries[code] = s
        if found[code] < 1.1 * sigma:
            break
    least = found.min()
    for code in range(COUNT):
        lenient = bar * (1.0 + 1.2 / np.sqrt(2.0 * max(n - WIDTHS[code], 1)))
        if found[code] <= max(1.1 * least, sigma) and found[code] < lenient * sigma:
            shape[:] = tries[code]
            return code, found[code]
    return -1, np.inf


@njit(cache=True, nogil=True)
def judge_seeds(
    mesh: Mesh, seeds: Ints, rings: float, radius: float, allowed: Mask, sigma: float, bar: float, sample: int
) -> tuple[Longs, Floats, Floats, Floats, Floats]:
    """Fit each kind to the patch around each seed: code (-1: none fits), packed shape, rms, size, crease limit.

    The patch has the larger of `radius` mm and `rings` mean edges for its radius. It is cut off at creases, but
    for a seed that bends so much itself that its surface is a tight curve in long facets. Of its vertices some `sample`
    evenly spread ones are fitted; `sigma`, `bar` as for `fitting_kind`.
    """
    vertices, normals, edge, turn = mesh.vertices, mesh.normals, mesh.edge, mesh.turn
    n = len(seeds)
    codes = np.full(n, -1, dtype=np.int64)
    shapes = np.zeros((n, PACKED))
    rms = np.full(n, np.inf)
    reaches, limits = np.zeros(n), np.full(n, np.inf)
    table = np.full(4096, -1, dtype=np.int32)
    out = np.empty(2048, dtype=np.int32)
    for c in range(n):
        reaches[c] = max(radius, rings * edge[seeds[c]])
        if turn[seeds[c]] < 0.5 * CREASE:
            limits[c] = CREASE
        count = patch(mesh, limits[c], seeds[c], reaches[c], table, out)
        if count < 12:
            continue
        step = max(1, count // sample)
        used = (count + step - 1) // step
        points, lines = np.empty((used, 3)), np.empty((used, 3))
        for k in range(used):
            points[k] = vertices[out[k * step]]
            lines[k] = normals[out[k * step]]
        codes[c], rms[c] = fitting_kind(points, lines, reaches[c], allowed, sigma, bar, shapes[c])
    return codes, shapes, rms, reaches, limits
