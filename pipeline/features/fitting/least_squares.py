"""Orthogonal least squares on points, robust against spikes and rims.

The sum of squared orthogonal distances is minimised by Levenberg-Marquardt (Shakarji 1998, J. Res.
NIST 103, 633-641), reweighted with Tukey's biweight at 4.685 times the scale of the residuals (95 %
efficient on Gaussian noise), the scale being 1.4826 times their median size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import GeometryError
from pipeline.geometry import Floats, Mask, basis_of, cross, rejection, scaled_mad
from pipeline.surfaces import (
    KINDS,
    Shape,
    as_points,
    closed_form,
    distances,
    kind_of,
    normal_equations,
    pack,
    redirected,
    refine,
    unpack,
)

TUKEY = 4.685
_REWEIGHTINGS = 15
_START_SAMPLE = 3000


@dataclass(frozen=True)
class Fit:
    """A fitted shape and what a later computation needs of the fit.

    shape       plane: its point is the weighted centroid; kinds that can slide along their axis: the point is
                at mid-length of the points used
    residuals   (n,) signed orthogonal distances, mm
    weights     (n,) final weights, 0..1 times those given
    cofactor    (k, k) inverse of J'WJ in the kind's local parameters on `basis`; rows and columns of
                fixed parameters are zero. Times a variance it is the covariance for white noise
    basis       (2, 3)
    """

    shape: Shape
    residuals: Floats
    weights: Floats
    cofactor: Floats
    basis: Floats
    iterations: int
    converged: bool

    @property
    def rms(self) -> float:
        """Weighted rms of the residuals, mm."""
        total = float(self.weights.sum())
        return float(np.sqrt(np.dot(self.weights, self.residuals**2) / total)) if total > 0 else float("nan")


def fit(
    kind: str,
    points: Floats,
    start: Shape | None = None,
    *,
    normals: Floats | None = None,
    weights: Floats | None = None,
    robust: bool = True,
    fixed: tuple[str, ...] = (),
    basis: Floats | None = None,
    tolerance: float | None = None,
) -> Fit:
    """Fit one kind to points (n, 3), mm.

    Without `start` closed forms give it, from `normals` (n, 3) (their sign only orients a plane) or
    from normals estimated on the points; of several starts the one that ends lowest is taken.
    `fixed` names local parameters that keep their start value, on `basis` where one is given.
    `tolerance` mm ends the iterations when nothing moves more; default 1e-10 of the points' extent.

    Raises GeometryError when there are too few points or they determine no such shape.

    >>> turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    >>> ring = np.stack([5.0 * np.cos(turn), 5.0 * np.sin(turn), np.zeros(12)], axis=1)
    >>> both = np.concatenate([ring, ring + [0.0, 0.0, 4.0]])
    >>> found = fit('cylinder', both, normals=np.concatenate([ring, ring]) / 5.0)
    >>> round(found.shape.radius, 9), abs(found.shape.direction).round(9).tolist()
    (5.0, [0.0, 0.0, 1.0])
    """
    model = KINDS[kind]
    points = as_points(points)
    free = np.array([name not in fixed for name in model.parameters])
    if len(points) < int(free.sum()):
        raise GeometryError(
            f"A {kind} needs at least {int(free.sum())} points to be fitted, there are {len(points)}; give more."
        )
    given = np.ones(len(points)) if weights is None else np.ascontiguousarray(weights, dtype=float)
    extent = float(np.sqrt(points.var(axis=0).sum()))
    if tolerance is None:
        tolerance = 1e-10 * extent
    shape = start if start is not None else best_start(kind, points, normals)
    packed = pack(shape, basis)
    iterations, converged = refine(model.code, packed, points, given, model.slots, free, 60, tolerance)
    if not np.isfinite(packed).all():
        raise GeometryError(f"These {len(points)} points determine no {kind}; choose another kind or more points.")
    current = given
    floor = 1e-9 * extent
    for _ in range(_REWEIGHTINGS if robust else 0):
        residuals = distances(model.code, packed, points)
        current = given * tukey(residuals, max(scale_of(residuals), floor))
        before = packed.copy()
        more, converged = refine(model.code, packed, points, current, model.slots, free, 20, tolerance)
        iterations += more
        if _change(before, packed, extent) <= max(tolerance, 1e-7 * extent):
            break
    settled = recentred(unpack(kind, packed), points[current > 0], current[current > 0])
    if basis is None:
        basis = basis_of(settled.direction)
    packed = pack(settled, basis)
    residuals = distances(model.code, packed, points)
    matrix, _, _ = normal_equations(model.code, packed, points, current, len(model.parameters))
    return Fit(settled, residuals, current, _inverse(matrix, free), basis, int(iterations), bool(converged))


def fit_constrained(
    kind: str,
    points: Floats,
    start: Shape,
    *,
    parallel_to: Floats | None = None,
    perpendicular_to: Floats | None = None,
    radius: float | None = None,
    weights: Floats | None = None,
    robust: bool = True,
) -> Fit:
    """Refit with the direction parallel or perpendicular to a given unit vector (3,), or with a given radius.

    Raises GeometryError where the start is more than 10 degrees away from what is asked.
    """
    fixed: tuple[str, ...] = ()
    basis = None
    shape = start
    if (parallel_to is not None or perpendicular_to is not None) and start.direction is None:
        raise GeometryError(f"A {kind} has no direction that could be constrained; leave the constraint out.")
    if parallel_to is not None and start.direction is not None:
        wanted = np.asarray(parallel_to, float) * np.sign(np.dot(parallel_to, start.direction) or 1.0)
        _near(kind, float(np.dot(wanted, start.direction)), "parallel")
        shape = redirected(start, wanted)
        fixed += ("a", "b")
    elif perpendicular_to is not None and start.direction is not None:
        across = np.asarray(perpendicular_to, float)
        wanted = rejection(start.direction, across)
        length = float(np.linalg.norm(wanted))
        _near(kind, length, "perpendicular")
        wanted /= length
        shape = redirected(start, wanted)
        # With the second basis vector along the given direction, leaving "b" out keeps the axis across it.
        basis = np.array([cross(across, wanted), across])
        fixed += ("b",)
    if radius is not None:
        shape = replace(shape, radius=radius)
        fixed += ("r",)
    return fit(kind, points, shape, weights=weights, robust=robust, fixed=fixed, basis=basis)


def _near(kind: str, cosine: float, word: str) -> None:
    if cosine < np.cos(np.radians(10.0)):
        raise GeometryError(
            f"This {kind} is more than 10 degrees away from {word} to what was asked; check the feature ids."
        )


def tukey(residuals: Floats, scale: float) -> Floats:
    """Biweight weights (n,) for residuals of that standard deviation."""
    share = np.clip(1.0 - (residuals / (TUKEY * scale)) ** 2, 0.0, None)
    return share * share


def scale_of(residuals: Floats) -> float:
    """Standard deviation of the bulk of residuals about zero, from their median size."""
    step = max(1, len(residuals) // 50_000)
    return scaled_mad(residuals[::step], 0.0)


def recentred(shape: Shape, points: Floats, weights: Floats | None = None) -> Shape:
    """The same surface with its point as features have it: a plane's at the centroid, one that can slide
    along its axis at mid-length."""
    kind = kind_of(shape)
    if kind.centred:
        return shape
    assert shape.direction is not None
    if kind.flat:
        middle = np.average(points, axis=0, weights=weights)
        offset = float((middle - shape.point) @ shape.direction)
        return replace(shape, point=middle - offset * shape.direction)
    along = (points - shape.point) @ shape.direction
    shift = 0.5 * float(along.min() + along.max())
    radius = shape.radius
    if kind.tapered:
        assert radius is not None
        assert shape.half_angle is not None
        radius = radius + shift * float(np.tan(shape.half_angle))
    return replace(shape, point=shape.point + shift * shape.direction, radius=radius)


def best_start(kind: str, points: Floats, normals: Floats | None = None) -> Shape:
    """The start whose refinement ends lowest: of closed forms on normals and of axes along the principal ones."""
    model = KINDS[kind]
    step = max(1, len(points) // _START_SAMPLE)
    sample = np.ascontiguousarray(points[::step])
    lines = estimated_normals(sample) if normals is None else as_points(normals)[::step]
    starts = [closed_form(kind, sample, np.ascontiguousarray(lines))]
    if model.start_along is not None:
        centred = sample - sample.mean(axis=0)
        axes = [*np.linalg.svd(centred, full_matrices=False)[2]]
        if starts[0] is not None and starts[0].direction is not None:
            axes.insert(0, starts[0].direction)
        starts += [model.start_along(sample, axis) for axis in axes]
    best, lowest = None, np.inf
    ones, free = np.ones(len(sample)), np.ones(len(model.parameters), dtype=np.bool_)
    for shape in starts:
        if shape is None:
            continue
        packed = pack(shape)
        refine(model.code, packed, sample, ones, model.slots, free, 40, 0.0)
        squares = float(np.sum(distances(model.code, packed, sample) ** 2))
        if np.isfinite(squares) and squares < lowest * (1 - 1e-9):
            best, lowest = unpack(kind, packed), squares
    if best is None:
        raise GeometryError(f"These {len(points)} points determine no {kind}; choose another kind or more points.")
    return best


def estimated_normals(points: Floats, neighbours: int = 12) -> Floats:
    """(n, 3) unsigned normals from a plane through each point's nearest neighbours."""
    from scipy.spatial import cKDTree

    near = cKDTree(points).query(points, k=min(neighbours, len(points)))[1]
    around = points[near] - points[near].mean(axis=1, keepdims=True)
    return np.linalg.eigh(np.einsum("nki,nkj->nij", around, around))[1][:, :, 0]


def _change(before: Floats, after: Floats, extent: float) -> float:
    """How far two packed shapes are apart, mm, on points of that extent."""
    turned = float(np.abs(after[3:6] - before[3:6]).max()) * extent
    opened = float(np.abs(after[13:15] - before[13:15]).max()) * extent
    shifted = float(np.abs(after[[0, 1, 2, 12, 15]] - before[[0, 1, 2, 12, 15]]).max())
    return max(turned, opened, shifted)


def _inverse(matrix: Floats, free: Mask) -> Floats:
    out = np.zeros_like(matrix)
    if free.any():
        # Scaling first: mm and rad columns of a big part differ by orders of magnitude.
        part = matrix[np.ix_(free, free)]
        size = np.sqrt(np.maximum(np.diag(part), 1e-300))
        inverse = np.linalg.pinv(part / np.outer(size, size), rcond=1e-13, hermitian=True)
        out[np.ix_(free, free)] = inverse / np.outer(size, size)
    return out
