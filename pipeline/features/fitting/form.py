"""Form errors by ISO definition: how far a real face strays from the ideal one.

Flatness ISO 12781-1, cylindricity ISO 12180-1, roundness ISO 12181-1, straightness of a derived median line
ISO 12780-1; kinds without a standard of their own have the peak-to-valley of their distances, called "form". Each is
given against the least-squares reference and in the minimum zone: the pair of parallel surfaces of least distance
that hold all points. Points beyond six robust standard deviations are spikes of the scan and left out.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty import range_of_noise
from pipeline.geometry import Floats, Longs, Mask, basis_of, eliminate, fit_circle, scaled_mad
from pipeline.jit import njit
from pipeline.surfaces import Shape, jacobian, kind_of, moved, signed_distance
from pipeline.values import Form

SPIKE = 6.0
BINS = 48
MOST_SECTIONS = 9
FEW_POINTS = 40


def form_of(
    shape: Shape,
    points: Floats,
    residuals: Floats | None = None,
    left_by_noise: float | None = None,
    *,
    weights: Floats | None = None,
) -> Form:
    """Form error of `points` (n, 3), mm, about the least-squares `shape`.

    residuals (n,) are the signed distances from it, worked out when None. Points of weight 0 in the fit
    count against `inliers` and are left out like spikes. `left_by_noise` is the rms, mm, that the scan's
    noise alone leaves in the residuals; `noise_share` is the peak-to-valley to be expected of that on so
    many points of a perfect face.

    >>> from pipeline.surfaces import Shape
    >>> flat = Shape('plane', np.zeros(3), np.array([0.0, 0.0, 1.0]))
    >>> corners = np.array([[x, y, 0.01 * (-1) ** (x + y)] for x in range(4) for y in range(4)], dtype=float)
    >>> form = form_of(flat, corners)
    >>> form.standard, round(form.rms, 6)
    ('flatness', 0.01)
    """
    kind = kind_of(shape)
    if residuals is None:
        residuals = signed_distance(shape, points)
    good = _not_spikes(residuals)
    if weights is not None:
        good &= np.asarray(weights) > 0.0
    if not good.any():
        return Form(float("nan"), float("nan"), 0.0, kind.form)
    kept, left = np.ascontiguousarray(points[good], dtype=float), residuals[good]
    roundness = straightness = None
    if kind.revolved and kind.ruled:
        roundness, straightness = _sections(shape, kept, left)
    return Form(
        rms=float(np.sqrt(np.mean(left**2))),
        peak_to_valley=float(np.ptp(left)),
        inliers=float(good.mean()),
        standard=kind.form,
        minimum_zone=minimum_zone(shape, kept, left),
        noise_share=None if left_by_noise is None else range_of_noise(left_by_noise, len(kept)),
        roundness=roundness,
        straightness=straightness,
    )


def _not_spikes(residuals: Floats) -> Mask:
    middle = float(np.median(residuals))
    return np.abs(residuals - middle) <= SPIKE * scaled_mad(residuals, middle) + 1e-9


def minimum_zone(shape: Shape, points: Floats, residuals: Floats | None = None) -> float | None:
    """Width, mm, of the minimum zone of `points` (n, 3) about surfaces of the kind and near the place of `shape`.

    The linear minimax problem is solved exactly and repeated about its own result until the width
    settles: the local optimum. Up to 40 points of a plane it is the width of the convex hull, exact at
    any slope. `residuals` (n,) are the distances from `shape`, worked out when None. None where the
    points don't determine the shape.
    """
    kind = kind_of(shape)
    if len(points) <= len(kind.parameters):
        return 0.0
    if kind.flat and len(points) <= FEW_POINTS:
        return _hull_width(points)
    distance = signed_distance(shape, points) if residuals is None else residuals
    least = float(np.ptp(distance))
    chosen = np.arange(0, len(points), max(1, len(points) // 500))
    for _ in range(20):
        # Only points far out can touch the zone: solve for those, then see whether others stick out.
        away = np.abs(distance - 0.5 * (distance.min() + distance.max()))
        chosen = np.union1d(chosen, np.argpartition(away, -min(400, len(away)))[-400:])
        solved = _touching(shape, points[chosen])
        if solved is None:
            return None
        shape, width = solved
        distance = signed_distance(shape, points)
        if float(np.ptp(distance)) <= width * (1.0 + 1e-9):
            break
    return min(least, float(np.ptp(distance)))


def _touching(shape: Shape, points: Floats) -> tuple[Shape, float] | None:
    """The shape nearby that makes the spread of the points' distances least, and that spread."""
    distance = signed_distance(shape, points)
    best = float(np.ptp(distance))
    for _ in range(8):
        basis = basis_of(shape.direction)
        step = chebyshev(jacobian(shape, points, basis), -distance)
        if step is None:
            return None
        nearby = moved(shape, step, basis)
        distance = signed_distance(nearby, points)
        width = float(np.ptp(distance))
        if width >= best:
            break
        settled = width > best * (1.0 - 1e-7)
        shape, best = nearby, width
        if settled:
            break
    return shape, best


def roundness(points: Floats) -> tuple[float, float]:
    """Roundness, mm, of points (n, 2) of a section: about the least-squares circle, and in the minimum zone."""
    points = np.asarray(points, dtype=float)
    centre, radius, _ = fit_circle(points)
    least = best = float(np.ptp(np.hypot(*(points - centre).T)))
    for _ in range(30):
        away = points - centre
        reach = np.hypot(*away.T)
        step = chebyshev(np.column_stack([away / reach[:, None], np.ones(len(away))]), reach - radius)
        if step is None:
            break
        centre, radius = centre + step[:2], radius + float(step[2])
        width = float(np.ptp(np.hypot(*(points - centre).T)))
        if width >= best * (1.0 - 1e-12):
            break
        best = width
    return least, best


def straightness(points: Floats) -> float:
    """Straightness, mm, of a line of points (n, 3): diameter of the least cylinder that holds them.

    The cylinder is found as a prism of 64 sides about it, which is right to 0.2 %.
    """
    points = np.asarray(points, dtype=float)
    centre = points.mean(axis=0)
    axis = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    basis = basis_of(axis)
    along = (points - centre) @ axis
    across = (points - centre) @ basis.T
    turns = np.arange(32) * np.pi / 32
    sides = np.column_stack([np.cos(turns), np.sin(turns)])
    heights = (across @ sides.T).ravel()
    rows = np.column_stack(
        [
            np.tile(sides, (len(points), 1)),
            np.repeat(along, 32)[:, None] * np.tile(sides, (len(points), 1)),
        ]
    )
    solution = chebyshev(rows, heights)
    if solution is None:
        return 2.0 * float(np.linalg.norm(across - across.mean(axis=0), axis=1).max())
    left = across - solution[:2] - along[:, None] * solution[2:]
    return 2.0 * float(np.linalg.norm(left, axis=1).max())


def chebyshev(rows: Floats, values: Floats) -> Floats | None:
    """x (k,) that makes the largest of |rows x - values| least; rows (n, k), values (n,).

    The exchange algorithm (Stiefel 1959): the dual simplex method on k + 1 points at a time, the one
    furthest out coming in. Only points that can matter are looked at until the end. None where the rows
    don't determine x.
    """
    n, k = rows.shape
    scale = np.sqrt(np.mean(rows**2, axis=0))
    if n <= k or not np.all(scale > 0.0):
        return None
    rows = np.ascontiguousarray(rows / scale)
    start = np.linalg.lstsq(rows, values, rcond=None)[0]
    left = values - rows @ start
    out = np.abs(left)
    step = max(1, n // 500)
    chosen = np.union1d(np.arange(0, n, step), np.argpartition(out, -min(n, 400))[-400:])
    solution = np.zeros(k)
    for _ in range(50):
        found = _minimax(rows[chosen], left[chosen])
        if found is None:
            return None
        solution = found
        misfit = np.abs(left - rows @ solution)
        bound = float(misfit[chosen].max())
        over = np.flatnonzero(misfit > bound * (1.0 + 1e-12) + 1e-15)
        if len(over) == 0:
            break
        chosen = np.union1d(chosen, over[np.argsort(misfit[over])[-200:]])
    return (start + solution) / scale


def _minimax(rows: Floats, values: Floats) -> Floats | None:
    from scipy.linalg import qr

    k = rows.shape[1]
    triangle, order = qr(rows.T, mode="r", pivoting=True)
    diagonal = np.abs(np.diag(triangle))
    if diagonal[k - 1] < 1e-9 * diagonal[0]:
        return None
    rest = order[k:]
    first = np.append(order[:k], rest[np.argmax(np.abs(values[rest]))])
    solution, settled = _exchange(rows, values, first.astype(np.int64), 60 * (k + 1))
    return solution if settled else _by_linear_programme(rows, values)


def _by_linear_programme(rows: Floats, values: Floats) -> Floats | None:
    """The same by a general solver, for points in special position where exchanges go round in circles."""
    from scipy.optimize import linprog

    size = max(float(np.abs(values).max()), 1e-300)
    n, k = rows.shape
    ones = np.ones((n, 1))
    result = linprog(
        np.append(np.zeros(k), 1.0),
        A_ub=np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones])]),
        b_ub=np.concatenate([values, -values]) / size,
        bounds=[(None, None)] * (k + 1),
        method="highs",
    )
    return None if result.x is None else size * result.x[:k]


class _Reference(NamedTuple):
    """The points that hold a minimax solution for now, one more than unknowns: their indices, signs of their misfits
    and shares, so that the sum of share_i sign_i rows_i is 0, that of the shares 1, and none is below 0."""

    chosen: Longs
    sign: Floats
    share: Floats


@njit(cache=True)
def _exchange(rows: Floats, values: Floats, first: Longs, most: int) -> tuple[Floats, bool]:
    """The minimax solution (k,) by exchanges from the `first` k + 1 points on; whether `most` of them were enough."""
    n, k = rows.shape
    solution, system, right = np.zeros(k), np.empty((k + 1, k + 1)), np.empty(k + 1)
    reference = _Reference(first.copy(), np.ones(k + 1), np.ones(k + 1))
    if not _begin(rows, values, reference):
        return solution, False
    for _ in range(most):
        if not _levelled(rows, values, reference, system, right):
            return solution, False
        for j in range(k):
            solution[j] = right[j]
        height = right[k]
        worst, furthest = -1, 0.0
        for i in range(n):
            left = values[i]
            for j in range(k):
                left -= rows[i, j] * solution[j]
            if abs(left) > abs(furthest):
                worst, furthest = i, left
        if worst < 0 or abs(furthest) <= abs(height) * (1.0 + 1e-12) + 1e-15:
            return solution, True
        if not _taken_in(rows, reference, worst, 1.0 if furthest > 0.0 else -1.0, system, right):
            return solution, False
    return solution, False


@njit(cache=True)
def _begin(rows: Floats, values: Floats, reference: _Reference) -> bool:
    """Signs and shares of the first reference; False where its points don't determine a solution."""
    chosen, sign, share = reference
    k = rows.shape[1]
    head = np.empty((k, k))
    combination = rows[chosen[k]].copy()
    for i in range(k):
        for j in range(k):
            head[j, i] = rows[chosen[i], j]
    if not eliminate(head, combination):
        return False
    for i in range(k):
        share[i] = -combination[i]
    gain = 0.0
    for i in range(k + 1):
        gain += share[i] * values[chosen[i]]
    total = 0.0
    for i in range(k + 1):
        if (share[i] < 0.0) != (gain < 0.0):
            sign[i] = -1.0
        share[i] = abs(share[i])
        total += share[i]
    for i in range(k + 1):
        share[i] /= total
    return True


@njit(cache=True)
def _levelled(rows: Floats, values: Floats, reference: _Reference, system: Floats, right: Floats) -> bool:
    """Solution and common misfit of the reference, left in `right` (k + 1,); `system` is scratch."""
    chosen, sign, _ = reference
    k = rows.shape[1]
    for i in range(k + 1):
        for j in range(k):
            system[i, j] = rows[chosen[i], j]
        system[i, k] = sign[i]
        right[i] = values[chosen[i]]
    return eliminate(system, right)


@njit(cache=True)
def _taken_in(rows: Floats, reference: _Reference, enters: int, sense: float, system: Floats, right: Floats) -> bool:
    """Exchange that point of the reference for `enters` that keeps all shares above 0; `system`, `right`: scratch."""
    chosen, sign, share = reference
    k = rows.shape[1]
    for i in range(k + 1):
        for j in range(k):
            system[j, i] = sign[i] * rows[chosen[i], j]
        system[k, i] = 1.0
    for j in range(k):
        right[j] = sense * rows[enters, j]
    right[k] = 1.0
    if not eliminate(system, right):
        return False
    leaves, ratio = -1, np.inf
    for i in range(k + 1):
        if right[i] > 1e-13 and share[i] / right[i] < ratio:
            leaves, ratio = i, share[i] / right[i]
    if leaves < 0:
        return False
    for i in range(k + 1):
        share[i] = max(0.0, share[i] - ratio * right[i])
    share[leaves] = ratio
    chosen[leaves] = enters
    sign[leaves] = sense
    return True


def _hull_width(points: Floats) -> float:
    """Least distance of two parallel planes that hold the points: across a face or two edges of their hull."""
    from scipy.spatial import ConvexHull, QhullError

    centred = points - points.mean(axis=0)
    singular = np.linalg.svd(centred, compute_uv=False)
    if len(points) < 4 or singular[2] <= 1e-12 * singular[0]:
        return 0.0
    try:
        hull = ConvexHull(centred)
    except QhullError:
        return 0.0
    corners = centred[hull.vertices]
    sides = {tuple(sorted(pair)) for facet in hull.simplices for pair in combinations(facet, 2)}
    edges = np.array([centred[b] - centred[a] for a, b in sorted(sides)])
    first, second = np.triu_indices(len(edges), 1)
    normals = np.cross(edges[first], edges[second])
    length = np.linalg.norm(normals, axis=1)
    apart = length > 1e-12 * length.max()
    normals = np.vstack([normals[apart] / length[apart, None], hull.equations[:, :3]])
    return float(np.ptp(normals @ corners.T, axis=1).min())


def _sections(shape: Shape, points: Floats, residuals: Floats) -> tuple[float | None, float | None]:
    """Roundness (minimum zone) of the least round section, and straightness of the sections' centres, mm.

    A section is a slice of the length; its profile the means over 7.5 degrees, which damps the scan's
    noise. None where less than three quarters of the circle is there, or (straightness) fewer than three
    slices.
    """
    assert shape.direction is not None
    basis = basis_of(shape.direction)
    offset = points - shape.point
    along = offset @ shape.direction
    angle = np.arctan2(offset @ basis[1], offset @ basis[0])
    bin_of = np.minimum(((angle + np.pi) * (BINS / (2.0 * np.pi))).astype(np.int64), BINS - 1)
    count = int(np.clip(len(points) // (BINS * 16), 1, MOST_SECTIONS))
    low, high = float(along.min()), float(along.max())
    slice_of = np.minimum(((along - low) / max(high - low, 1e-300) * count).astype(np.int64), count - 1)
    cell = slice_of * BINS + bin_of
    filled = np.bincount(cell, minlength=count * BINS)
    sums = np.bincount(cell, residuals, minlength=count * BINS)
    profile = np.where(filled > 0, sums / np.maximum(filled, 1), np.nan).reshape(count, BINS)
    turns = (np.arange(BINS) + 0.5) * (2.0 * np.pi / BINS) - np.pi
    unit = np.column_stack([np.cos(turns), np.sin(turns), np.ones(BINS)])
    lift = 1.0 if shape.half_angle is None else 1.0 / np.cos(shape.half_angle)
    widest, worst = -1.0, None
    centres = []
    for k in range(count):
        there = ~np.isnan(profile[k])
        if there.sum() < 0.75 * BINS:
            continue
        heights = profile[k, there] * lift
        solution = np.linalg.lstsq(unit[there], heights, rcond=None)[0]
        spread = float(np.ptp(heights - unit[there] @ solution))
        if spread > widest:
            widest, worst = spread, unit[there, :2] * (shape.radius or 1.0) + unit[there, :2] * heights[:, None]
        centres.append((solution[0], solution[1], low + (k + 0.5) * (high - low) / count))
    line = straightness(np.array(centres)) if len(centres) >= 3 else None
    return None if worst is None else roundness(worst)[1], line
