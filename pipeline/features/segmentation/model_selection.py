"""Which kind of surface a set of points is: by likelihood, with the noise's correlation reckoned in.

Neighbouring residuals of a scan are not independent, so that thousands of vertices say less than
thousands of measurements would. The residuals are therefore averaged over blocks, and a block's mean is
expected to have the variance white / count + correlated. The misfit of a kind is the sum of squared
means over that variance; each parameter more has to earn its place.
"""

from __future__ import annotations

import numpy as np

from pipeline.features.fitting import TUKEY
from pipeline.features.segmentation.vertex_walks import patch
from pipeline.geometry import eliminate
from pipeline.jit import njit
from pipeline.surfaces import KINDS, PACKED, WIDEST, about_axis, begin, distances, gradient, perpendicular_pair, refine

PLANE, CYLINDER, CONE, SPHERE, TORUS = range(5)
CREASE = 0.35  # rad within one ring
_ITERATIONS = 5  # a round
_NEAR, _NEAR_SHARE = 8.0, 0.02  # of the noise and of the patch: rms of a closed form that may still come to fit
# A ring too narrow to show its curve along the axis is a cone rather than a sphere.
BY_SIMPLICITY = np.array([PLANE, CYLINDER, CONE, SPHERE, TORUS])
# Slots of the local parameters by code, -1 padded, and their number.
SLOTS = np.array([[*kind.slots, *[-1] * WIDEST][:WIDEST] for kind in sorted(KINDS.values(), key=lambda k: k.code)])
WIDTHS = (SLOTS >= 0).sum(axis=1)
COARSE = 4.0  # times the mean square of the best kind, clipped at 9 times the noise's: no likelihood makes up for that
_FREE = np.ones(WIDEST, dtype=np.bool_)


@njit(cache=True)
def settle(code, s, points, floor, rounds):
    """Robust fit in place from the packed start s; `floor` mm is the least scale of the residuals."""
    slots = SLOTS[code, : WIDTHS[code]]
    free = _FREE[: WIDTHS[code]]
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
def clipped_rms(code, s, points, reach):
    """Rms of the distances corrected for the kind's parameters, each clipped at `reach`."""
    total = 0.0
    for d in distances(code, s, points):
        total += min(abs(d), reach) ** 2
    return np.sqrt(total / max(len(points) - WIDTHS[code], 1))


@njit(cache=True)
def gradients_at(code, s, points):
    """(n, 3) geometric normals."""
    out = np.empty((len(points), 3))
    for i in range(len(points)):
        gradient(code, s, points[i, 0], points[i, 1], points[i, 2], out[i])
    return out


@njit(cache=True)
def blocks_of(points, size):
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
def misfit(code, s, points, blocks, count, reach, white, wave):
    """Sum over blocks of mean residual squared over its expected variance; residuals clipped at `reach`."""
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
def sane(code, s, size):
    """Whether a packed shape is finite, not degenerate, and not so flat that over `size` mm it is a plane."""
    for k in range(PACKED):
        if not np.isfinite(s[k]):
            return False
    if code == PLANE:
        return True
    if code == CONE:
        return abs(s[13]) < 0.9962 and abs(s[14]) > 0.0 and s[12] > 0.0  # steeper than 85 degrees is a plane
    if not 0.0 < s[12] < 200.0 * size:
        return False
    return code != TORUS or (s[15] > 1.05 * s[12] and s[15] < 200.0 * size)


@njit(cache=True)
def start_of(code, was, held, points, normals, s):
    """A start of kind `code`: the shape held, turned into that kind where it can be, else the closed form."""
    if was == code:
        s[:] = held
        return True
    if was == CYLINDER and code == CONE:
        s[:] = held
        s[13], s[14] = np.sin(0.002), np.cos(0.002)
        return True
    if was == CONE and code == CYLINDER:
        s[:] = held
        return True
    if code == TORUS and was in (CYLINDER, CONE) and bent(held, points, s):
        return True
    return begin(code, points, normals, s)


@njit(cache=True)
def bent(tube, points, s):
    """The torus into s that a stretch of it which passes for a cylinder, `tube`, bends to; False where it is straight.

    Along a tube whose middle line is a circle of radius R the middle moves off its tangent by t^2 / 2R at the height
    t, so that distances from the tangent's cylinder go with t^2 across the axis: linear least squares on that,
    beside small shifts and turns of the cylinder. The closed form of the torus needs more of its circle than that.
    """
    matrix, right = np.zeros((7, 7)), np.zeros(7)
    row = np.empty(7)
    scale = 0.0
    for i in range(len(points)):
        t, _, _, _, _, _ = about_axis(tube, points[i, 0], points[i, 1], points[i, 2])
        scale = max(scale, abs(t))
    if not scale > 0.0:
        return False
    for i in range(len(points)):
        t, ex, ey, ez, rho, inverse = about_axis(tube, points[i, 0], points[i, 1], points[i, 2])
        t /= scale
        eu = (ex * tube[6] + ey * tube[7] + ez * tube[8]) * inverse
        ev = (ex * tube[9] + ey * tube[10] + ez * tube[11]) * inverse
        row[0], row[1], row[2], row[3], row[4] = eu, ev, t * eu, t * ev, 1.0
        row[5], row[6] = t * t * eu, t * t * ev
        for j in range(7):
            right[j] += row[j] * (rho - tube[12])
            for k in range(7):
                matrix[j, k] += row[j] * row[k]
    if not eliminate(matrix, right):
        return False
    curl = 2.0 * np.hypot(right[5], right[6]) / (scale * scale)
    if not 0.0 < curl < 1.0 / tube[12]:
        return False
    u, v, d = tube[6:9].copy(), tube[9:12].copy(), tube[3:6].copy()
    # The middle line at height 0 and its tangent there.
    middle = tube[0:3] + right[0] * u + right[1] * v
    d = d + (right[2] * u + right[3] * v) / scale
    d /= np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    inward = right[5] * u + right[6] * v
    inward -= d * (inward[0] * d[0] + inward[1] * d[1] + inward[2] * d[2])
    inward /= np.sqrt(inward[0] ** 2 + inward[1] ** 2 + inward[2] ** 2)
    s[0:3] = middle + inward / curl
    s[3] = d[1] * inward[2] - d[2] * inward[1]
    s[4] = d[2] * inward[0] - d[0] * inward[2]
    s[5] = d[0] * inward[1] - d[1] * inward[0]
    s[6:9], s[9:12] = perpendicular_pair(s[3:6].copy())
    s[12] = tube[12] + right[4]
    s[15] = 1.0 / curl
    return True


@njit(cache=True)
def simplest(scores, squares, count, negligible):
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
    for k in range(len(BY_SIMPLICITY)):
        code = BY_SIMPLICITY[k]
        if code == best or squares[code] <= squares[best] + negligible:
            return code
    return best


@njit(cache=True)
def choose(points, normals, was, held, allowed, size, reach, white, wave, floor, negligible, rounds):
    """The kind with the least penalised misfit among those allowed; (code or -1, misfit, freedom).

    A simpler kind may lose `negligible` times `floor` against the best one.
    `held` (packed, of kind `was`, -1 for none) gives starts and receives the chosen shape.
    """
    blocks, count = blocks_of(points, size)
    shapes = np.zeros((5, PACKED))
    scores, squares = np.full(5, np.inf), np.full(5, np.inf)
    extent = 0.0
    for k in range(3):
        extent = max(extent, points[:, k].max() - points[:, k].min())
    hidden = (negligible * floor) ** 2
    for k in range(len(BY_SIMPLICITY)):
        code = BY_SIMPLICITY[k]
        if not allowed[code]:
            continue
        # Nothing can save more than is negligible once all that is left is white noise; and the torus,
        # which can bend to anything small, is for what nothing else fits. The plane of a groove's ring doesn't
        # fit it, though in each block the distances on both of its sides cancel.
        fits = scores.min() < 2.0 * count and squares.min() <= COARSE * floor * floor
        if hidden > 0.0 and (squares.min() <= white * white + hidden or (code == TORUS and fits)):
            break
        s = np.zeros(PACKED)
        if not start_of(code, was, held, points, normals, s):
            continue
        settle(code, s, points, floor, rounds)
        if not sane(code, s, extent):
            continue
        shapes[code] = s
        scores[code] = misfit(code, s, points, blocks, count, reach, white, wave)
        squares[code] = clipped_rms(code, s, points, 3.0 * floor) ** 2
    # A small hole has both its sides in one block, where the distances from a plane through its axis cancel.
    for code in range(5):
        if squares[code] > COARSE * max(squares.min(), floor * floor):
            scores[code] = np.inf
    best = simplest(scores, squares, count, hidden)
    if best < 0:
        return -1, np.inf, 1
    held[:] = shapes[best]
    return best, scores[best], max(count - WIDTHS[best], 1)


@njit(cache=True)
def fitting_kind(points, lines, reach, allowed, sigma, bar, shape):
    """The simplest kind that fits a patch, (code or -1, rms), and its packed shape in `shape`.

    A kind fits with an rms under `bar` times sigma, more leniently for few points, and is taken if it does
    within 10 % of the best.
    """
    n = len(points)
    found = np.full(5, np.inf)
    tries = np.zeros((5, PACKED))
    ones = np.ones(n)
    for code in range(TORUS):  # a patch can't tell a torus; regions may turn into one
        if not allowed[code] or n < 2 * WIDTHS[code]:
            continue
        s = np.zeros(PACKED)
        if not begin(code, points, lines, s):
            continue
        found[code] = clipped_rms(code, s, points, 1e9)
        # A closed form that is far off won't come near: the patch has an edge in it.
        if found[code] > max(_NEAR * sigma, _NEAR_SHARE * reach):
            found[code] = np.inf
            continue
        if code != PLANE:  # whose closed form is the fit
            slots, free = SLOTS[code, : WIDTHS[code]], _FREE[: WIDTHS[code]]
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
    for code in range(5):
        lenient = bar * (1.0 + 1.2 / np.sqrt(2.0 * max(n - WIDTHS[code], 1)))
        if found[code] <= max(1.1 * least, sigma) and found[code] < lenient * sigma:
            shape[:] = tries[code]
            return code, found[code]
    return -1, np.inf


@njit(cache=True, nogil=True)
def judge_seeds(
    vertices, normals, indptr, indices, owner, turn, seeds, edge, rings, radius, allowed, sigma, bar, sample
):
    """Fit each kind to the patch around each seed: code (-1: none fits), packed shape, rms, size, crease limit.

    The patch has the larger of `radius` mm and `rings` mean edges for its radius. It is cut off at creases, but
    for a seed that bends so much itself that its surface is a tight curve in long facets.
    """
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
        count = patch(vertices, indptr, indices, owner, turn, limits[c], seeds[c], reaches[c], table, out)
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
