"""What pairs of features of two scans hold of the pose of one on the other, all pairs at once.

A plane holds its distance and two tilts, an axis two shifts and two tilts, a centre three shifts (ISO 5459). What the
fits leave open is carried to one point by the motions of the surface that their parameters are, so that a narrow face's
tilts, and a short arc's centre and radius, weigh as they hang together.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry import Floats, Indices, Mask, basis_of, cross, transformed, turned
from pipeline.surfaces import kind_of
from pipeline.values import Feature

_EXACT = 1e-6  # mm and rad, what an exact part's features are weighed by
_SIZES = ("radius", "major_radius")
_ROWS, _SHIFTS = 5, 3  # of a pair at most: shifts first, two tilts behind them


@dataclass(frozen=True)
class Fits:
    """Features of one scan as arrays.

    points      (n, 3), directions (n, 3), zero where there is none
    across      (n, 3, 3) two ways square to the direction, and it
    flat, tapered, centred, leans  (n,) what holds of the kind; and whether there is a direction
    sizes       (n, 2) radii, zero where there is none
    covariance  (n, 8, 8) of small motions of the surface, about the origin, and of its radii: what the fit leaves open
    waves       (n, w, 8, 8) what each of the scan's waves has in that; none where all is taken as known
    known       (n,) whether anything is known of that
    """

    points: Floats
    directions: Floats
    across: Floats
    flat: Mask
    tapered: Mask
    centred: Mask
    leans: Mask
    sizes: Floats
    covariance: Floats
    waves: Floats
    known: Mask


@dataclass(frozen=True)
class PairRows:
    """What pairs hold: residuals (n, 5), their change with a small motion (n, 5, 6), their covariance (n, 5, 5).

    used   (n, 5) the rows that a pair has, the first three mm; the others are zero, of variance 1
    moves  (n, 5, 8) how they change with a small motion of one surface and with its radii

    What has a size of its own, and an arc that is too short to tell that from its place, is taken at the size of both.
    """

    residuals: Floats
    change: Floats
    covariance: Floats
    used: Mask
    moves: Floats

    def unit(self, values: Floats) -> Floats:
        """Values (n, 5, k), such that each residual has the deviation 1 and stands alone."""
        scale = np.sqrt(np.einsum("nii->ni", self.covariance))
        unit = self.covariance / (scale[:, :, None] * scale[:, None, :])
        lower = np.linalg.cholesky(unit + 1e-9 * np.eye(_ROWS))
        return np.asarray(np.linalg.solve(lower, values / scale[:, :, None]))

    def whitened(self, middle: Floats) -> tuple[Floats, Floats]:
        """Change (n, 5, 6) with a motion about a point, and residuals (n, 5), so treated."""
        out = self.unit(np.concatenate([about(self.change, middle), self.residuals[:, :, None]], axis=2))
        return out[:, :, :6], out[:, :, 6]


def about(change: Floats, middle: Floats) -> Floats:
    """The change (..., 6) with a small motion about a point instead of the origin."""
    out = change.copy()
    out[..., 3:] -= np.cross(middle, change[..., :3])
    return out


def crossing(v: Floats) -> Floats:
    """(3, 3) that makes cross(v, x) of x."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def carrying(motion: Floats) -> Floats:
    """(6, 6) that makes of a small motion about the origin what it is after a motion (4, 4) of everything.

    >>> carry = carrying(np.array([[1.0, 0, 0, 0], [0, 1, 0, 2], [0, 0, 1, 0], [0, 0, 0, 1]]))
    >>> (carry @ np.array([0.0, 0, 0, 0, 0, 1])).tolist()
    [2.0, 0.0, 0.0, 0.0, 0.0, 1.0]
    """
    out = np.zeros((6, 6))
    out[:3, :3] = out[3:, 3:] = motion[:3, :3]
    out[:3, 3:] = crossing(motion[:3, 3]) @ motion[:3, :3]
    return out


def fits_of(features: Sequence[Feature], *, in_parts: bool = False) -> Fits:
    """Features of one scan as `pair_rows` takes them.

    in_parts  with what each wave has in the covariance, and that not widened by Student's t: so it is once it is known
              what they come to together
    """
    count = len(features)
    known = [f.uncertainty for f in features]
    waves = max((len(k.parts) - 1 for k in known if k.parts is not None), default=0) if in_parts else 0
    of_waves = np.zeros((count, waves, 8, 8))
    directions = np.zeros((count, 3))
    across = np.tile(np.eye(3), (count, 1, 1))
    covariance = np.empty((count, 8, 8))
    for k, f in enumerate(features):
        if f.direction is not None:
            directions[k] = f.direction
            across[k] = [*basis_of(f.direction), f.direction]
        covariance[k], parts = _left_open(f, in_parts)
        of_waves[k, : len(parts)] = parts
    kinds = [kind_of(f) for f in features]
    return Fits(
        np.array([f.point for f in features], dtype=float).reshape(-1, 3),
        directions,
        across,
        np.array([kind.flat for kind in kinds], dtype=bool),
        np.array([kind.tapered for kind in kinds], dtype=bool),
        np.array([kind.centred for kind in kinds], dtype=bool),
        np.array([f.direction is not None for f in features], dtype=bool),
        np.array([[getattr(f, name) or 0.0 for name in _SIZES] for f in features]).reshape(-1, 2),
        covariance,
        of_waves,
        np.array([f.uncertainty.position is not None for f in features], dtype=bool),
    )


def _left_open(feature: Feature, in_parts: bool) -> tuple[Floats, Floats]:
    """(8, 8) covariance of the small motions of a feature's surface, and of its radii, that its fit leaves open, and
    (w, 8, 8) what each wave has in it."""
    known, direction = feature.uncertainty, feature.direction
    parts: Floats | None = None
    if known.covariance is None or known.basis is None:
        # Nothing but the headline figures: alike all round.
        names = ["u", "v", "w"] + ([] if direction is None else ["a", "b"])
        deviations = [known.position or 0.0] * 3 + [known.direction or 0.0] * (len(names) - 3)
        covariance, basis = np.diag(np.square(deviations)), basis_of(direction)
    else:
        names, covariance, basis = list(known.names), known.covariance, known.basis
        parts = known.parts if in_parts else None
    w = cross(basis[0], basis[1]) if direction is None else direction
    # What each of its parameters does to the surface.
    effects = np.zeros((8, len(names)))
    for column, name in enumerate(names):
        if name in "uvw":
            effects[:3, column] = {"u": basis[0], "v": basis[1], "w": w}[name]
        elif name in "ab":
            spin = cross(w, basis[0] if name == "a" else basis[1])
            effects[:3, column], effects[3:6, column] = cross(feature.point, spin), spin
        elif name in "rR":
            effects[6 + "rR".index(name), column] = 1.0
    if parts is None:
        return np.asarray(effects @ covariance @ effects.T), np.empty((0, 8, 8))
    through = effects @ parts @ effects.T
    return np.asarray(through.sum(axis=0)), np.asarray(through[1:])


def pair_rows(stays: Fits, laid: Fits, pairs: Sequence[tuple[int, int]], motion: Floats) -> PairRows:
    """What pairs of features hold, in the coordinates of the scan that stays, each at the point of its feature there.

    pairs   indices in the scan that stays and in the one that is laid
    motion  (4, 4) of the latter

    What a face's form does to its fit is among what that leaves open: nothing more is allowed for it.
    """
    i, j = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    point, theirs = stays.points[i], transformed(motion, laid.points[j])
    flat, leans = stays.flat[i], stays.leans[i] & laid.leans[j]
    axes = leans & ~flat & ~stays.centred[i]
    along, way = stays.directions[i], turned(motion, laid.directions[j])
    against = ~(flat | stays.tapered[i]) & (_dots(along, way) < 0.0)
    way = np.where(against[:, None], -way, way)
    there = _nearest(point, theirs, along, way, leans & flat, axes)
    change, used = _moves(stays, i, leans, flat, axes)
    residuals = np.zeros((len(i), _ROWS))
    residuals[:, :_SHIFTS] = np.einsum("nij,nj->ni", change[:, :_SHIFTS, :3], there - point)
    residuals[:, _SHIFTS:] = np.where(leans[:, None], np.einsum("nij,nj->ni", stays.across[i][:, :2], way), 0.0)
    # What the fits leave open, the radii with it.
    carry = np.eye(8)
    carry[:6, :6] = carrying(motion)
    spread = stays.covariance[i] + carry @ laid.covariance[j] @ carry.T
    covariance = change @ spread[:, :6, :6] @ change.transpose(0, 2, 1)
    tied, sizes = change @ spread[:, :6, 6:], spread[:, 6:, 6:]
    # What is one has one size: where its fit took the size too large, its place went along.
    sized = ~stays.tapered[i] & sizes.any(axis=(1, 2))
    inverse = np.linalg.pinv(sizes, hermitian=True)
    gain = np.where(sized[:, None, None], tied @ inverse, 0.0)
    residuals -= np.einsum("nij,nj->ni", gain, laid.sizes[j] - stays.sizes[i])
    covariance -= gain @ tied.transpose(0, 2, 1)
    covariance = 0.5 * (covariance + covariance.transpose(0, 2, 1)) + _EXACT**2 * np.eye(_ROWS)
    both = used[:, :, None] & used[:, None, :]
    moves = np.concatenate([change, -np.where(used[:, :, None], gain, 0.0)], axis=2)
    return PairRows(np.where(used, residuals, 0.0), change, np.where(both, covariance, np.eye(_ROWS)), used, moves)


def _nearest(point: Floats, theirs: Floats, along: Floats, way: Floats, flat: Mask, axes: Mask) -> Floats:
    """(n, 3) the places of the other surfaces that are held against points (n, 3): of a plane where the line through
    the point, square to its own, meets the other one, of an axis at the point's height, of a centre itself."""
    gap, cosine = theirs - point, _dots(way, along)
    cosine = np.where(flat | axes, cosine, 1.0)
    over_plane = point + along * (_dots(way, gap) / cosine)[:, None]
    on_axis = theirs - way * (_dots(along, gap) / cosine)[:, None]
    return np.where(flat[:, None], over_plane, np.where(axes[:, None], on_axis, theirs))


def _moves(stays: Fits, i: Indices, leans: Mask, flat: Mask, axes: Mask) -> tuple[Floats, Mask]:
    """(n, 5, 6) how what a pair holds changes with a small motion, and (n, 5) which rows it has."""
    used = np.ones((len(i), _ROWS), dtype=np.bool_)
    used[:, _SHIFTS:] = leans[:, None]
    used[:, 1] = used[:, 2] = ~(leans & flat)
    used[axes, 2] = False
    across = stays.across[i]
    ways = np.tile(np.eye(3), (len(i), 1, 1))
    ways[axes, :2] = across[axes, :2]
    ways[leans & flat, 0] = across[leans & flat, 2]
    change = np.zeros((len(i), _ROWS, 6))
    change[:, :_SHIFTS, :3] = ways
    change[:, :_SHIFTS, 3:] = np.cross(stays.points[i][:, None], ways)
    change[:, _SHIFTS:, 3:] = np.cross(across[:, 2][:, None], across[:, :2])
    return np.where(used[:, :, None], change, 0.0), used


def _dots(a: Floats, b: Floats) -> Floats:
    """(n,) scalar products of vectors (n, 3)."""
    return np.einsum("ij,ij->i", a, b)
