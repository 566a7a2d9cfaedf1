"""The pose of one scan of a part on another, and how well it is known, from features that both show.

Weighted least squares over what each pair of features holds (`pair_rows`), weighed by the covariances of both fits.
Features that do not lie where the others put them (chi-squared of their misfit,
Holm's correction over all of them) are taken out, the worst first, and told.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import chdtrc, chdtri

from pipeline.coverage import PAIR, SINGLE, TRIPLE
from pipeline.features.joining.pair_rows import about, crossing, fits_of, pair_rows
from pipeline.features.uncertainty import LEVEL, holm
from pipeline.geometry import Floats, box_of, rigid
from pipeline.values import Feature

_STEPS = 20
_DONE = 1e-10  # mm and rad, of a step
_FREE = 1e-3  # share of the largest singular value under which a motion is free


@dataclass(frozen=True)
class Misfit:
    """How a shared feature lies to where the others put it.

    pair      indices of the feature in the scan that stays and in the one that is laid on it
    off       mm: along the normal of a plane, where it has its sign, across an axis, of a centre
    tilt      rad
    expanded  95 % of both, mm and rad, by noise alone: of both fits, and of the pose
    chance    of a misfit of that size or more by noise alone; of several it counts as `holm` says
    """

    pair: tuple[int, int]
    off: float
    tilt: float
    expanded: tuple[float, float]
    chance: float


@dataclass(frozen=True)
class Joined:
    """A scan laid on another one.

    motion      (4, 4) from the coordinates of the scan that is laid to those of the one that stays
    covariance  (6, 6) of a small motion after it: shift of the origin, mm, and turn, rad
    used        misfits of the pairs that the pose comes from, in their order
    apart       of those that do not lie where these put them
    """

    motion: Floats
    covariance: Floats
    used: tuple[Misfit, ...]
    apart: tuple[Misfit, ...]


@dataclass(frozen=True)
class Rows:
    """What one pair holds: residuals (q,), their change with a small motion (q, 6), covariance (q, q), how many mm."""

    residuals: Floats
    change: Floats
    covariance: Floats
    lengths: int


def joined_by_features(
    stays: Sequence[Feature], laid: Sequence[Feature], pairs: Sequence[tuple[int, int]], start: Floats
) -> Joined | None:
    """Lay a scan on another one by features that are the same in both; None where they leave a motion free.

    pairs  indices of the two scans' features; those that nothing can be said of how well they are known are passed over
    start  (4, 4) the pose, roughly

    >>> from tests.features.made import block, pose, posed
    >>> pairs = [(k, k) for k in range(11)]
    >>> found = joined_by_features(block(), posed(block(), pose(3)), pairs, np.linalg.inv(pose(3)))
    >>> bool(np.allclose(found.motion @ pose(3), np.eye(4), atol=1e-9)), len(found.used), len(found.apart)
    (True, 11, 0)
    """
    known = [(i, j) for i, j in pairs if _is_known(stays[i]) and _is_known(laid[j])]
    out: list[tuple[int, int]] = []
    while True:
        use = [pair for pair in known if pair not in out]
        solved = _solved(stays, laid, use, start)
        if solved is None:
            return None
        motion, covariance = solved
        used = tuple(_misfit(stays, laid, pair, motion, -covariance) for pair in use)
        chances = holm([one.chance for one in used])
        if chances.min() > LEVEL:
            break
        out.append(use[int(np.argmin([one.chance for one in used]))])
    apart = tuple(_misfit(stays, laid, pair, motion, covariance) for pair in out)
    return Joined(motion, covariance, used, apart)


def misfit(stays: Feature, laid: Feature, joined: Joined) -> Misfit:
    """How a feature that had no part in a pose lies to its counterpart; the pair is (0, 0).

    >>> from dataclasses import replace
    >>> from tests.features.made import block
    >>> found = joined_by_features(block(), block(), [(k, k) for k in range(11)], np.eye(4))
    >>> proud = replace(block()[0], point=block()[0].point + [0.0, 0.0, 0.15])
    >>> round(misfit(block()[0], proud, found).off, 6)
    0.15
    """
    return _misfit([stays], [laid], (0, 0), joined.motion, joined.covariance)


def misfit_of(stays: Feature, laid: Feature, motion: Floats, pose: Floats) -> Misfit:
    """The same in any pose (4, 4), whose covariance (6, 6) comes to the fits' own; it is given negative where the pose
    was made to fit this pair. The pair is (0, 0).
    """
    return _misfit([stays], [laid], (0, 0), motion, pose)


def by_pose(feature: Feature, pose: Floats) -> tuple[float, float | None]:
    """95 % of what a pose of some covariance (6, 6) leaves open of where a feature lies and leans, mm and rad.

    That is along the normal of a plane, across an axis, of a centre; no lean of what has no direction.

    >>> from tests.features.made import block
    >>> face = block()[0]
    >>> round(by_pose(face, np.diag([0.0, 0.0, 0.01**2, 0.0, 0.0, 0.0]))[0], 4)
    0.0196
    """
    rows = held(feature, feature, np.eye(4))
    spread = rows.change @ pose @ rows.change.T
    tilt = None if len(spread) == rows.lengths else _ranges(spread[rows.lengths :, rows.lengths :])
    return _ranges(spread[: rows.lengths, : rows.lengths]), tilt


def at_corner(covariance: Floats, points: Floats) -> float:
    """mm, the 95 % of a place at the farthest corner of the box of points (n, 3), by a pose's covariance (6, 6).

    How far off three normal errors are together: chi-squared of as many degrees of freedom as the scale and spread of
    their squares' sum make it (Satterthwaite 1946). Of one that outweighs the others that is 1.96 of it, of three alike
    2.8, in between within 1 % of what it is.

    >>> shifting = np.diag([1.0, 1.0, 1.0, 0.0, 0.0, 0.0])
    >>> round(at_corner(shifting, np.eye(3)), 2)
    2.8
    """
    corners = np.array(np.meshgrid(*zip(*box_of(points), strict=True))).reshape(3, -1).T
    worst = 0.0
    for x, y, z in corners:
        lever = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])
        moves = np.hstack([np.eye(3), lever])
        spread = moves @ covariance @ moves.T
        total, squares = float(np.trace(spread)), float(np.sum(spread**2))
        if total > 0.0:
            worst = max(worst, chdtri(total**2 / squares, LEVEL) * squares / total)
    return float(np.sqrt(worst))


def by_pose_along(places: Floats, ways: Floats, pose: Floats) -> Floats:
    """(k,) mm, standard, that a pose of some covariance (6, 6) leaves open of places (k, 3) along ways (k, 3).

    >>> by_pose_along(np.array([[3.0, 0.0, 0.0]]), np.array([[0.0, 1.0, 0.0]]), np.diag([0, 0, 0, 0, 0, 0.25])).tolist()
    [1.5]
    """
    lever = np.hstack([ways, np.cross(places, ways)])
    return np.sqrt(np.maximum(np.einsum("ki,ij,kj->k", lever, pose, lever), 0.0))


def _is_known(feature: Feature) -> bool:
    known = feature.uncertainty
    return feature.confidence == "good" and known.position is not None


def _solved(
    stays: Sequence[Feature], laid: Sequence[Feature], pairs: Sequence[tuple[int, int]], start: Floats
) -> tuple[Floats, Floats] | None:
    if not pairs:
        return None
    motion = start
    # About the middle of what is used, shifts and turns have least to do with each other.
    middle = np.mean([stays[i].point for i, _ in pairs], axis=0)
    reach = max(float(np.max([np.linalg.norm(stays[i].point - middle) for i, _ in pairs])), 1.0)
    ours, theirs = fits_of(stays), fits_of(laid)
    for _ in range(_STEPS):
        rows = pair_rows(ours, theirs, pairs, motion)
        change = about(rows.change, middle)[rows.used]
        weighted, unit = (part[rows.used] for part in rows.whitened(middle))
        if np.linalg.matrix_rank(change * np.r_[np.ones(3), np.full(3, 1.0 / reach)], tol=_FREE) < 6:
            return None
        step, *_ = np.linalg.lstsq(weighted, -unit, rcond=None)
        turn = Rotation.from_rotvec(step[3:]).as_matrix()
        motion = rigid(turn, middle + step[:3] - turn @ middle) @ motion
        if np.abs(step).max() < _DONE:
            break
    here = np.linalg.inv(weighted.T @ weighted)
    to_origin = np.eye(6)
    to_origin[:3, 3:] = -crossing(middle).T
    return motion, to_origin @ here @ to_origin.T


def held(stays: Feature, laid: Feature, motion: Floats) -> Rows:
    """What one pair of features holds, as `pair_rows` says of several."""
    rows = pair_rows(fits_of([stays]), fits_of([laid]), [(0, 0)], motion)
    used = rows.used[0]
    covariance = rows.covariance[0][np.ix_(used, used)]
    return Rows(rows.residuals[0, used], rows.change[0, used], covariance, int(used[:3].sum()))


def _misfit(
    stays: Sequence[Feature], laid: Sequence[Feature], pair: tuple[int, int], motion: Floats, pose: Floats
) -> Misfit:
    """Of a pair; `pose` (6, 6) comes to the fits' own covariance, taken off where the pair made the pose fit it."""
    r = held(stays[pair[0]], laid[pair[1]], motion)
    spread = r.covariance + r.change @ pose @ r.change.T
    scale = np.sqrt(np.diag(r.covariance))
    inverse = np.linalg.pinv(spread / np.outer(scale, scale), rcond=1e-6, hermitian=True)
    unit = r.residuals / scale
    chance = chdtrc(np.linalg.matrix_rank(inverse, tol=1e-3), max(float(unit @ inverse @ unit), 0.0))
    shifts, tilts = np.split(r.residuals, [r.lengths])
    wide = _ranges(spread[: r.lengths, : r.lengths])
    steep = _ranges(spread[r.lengths :, r.lengths :]) if len(tilts) else 0.0
    off = float(shifts[0]) if r.lengths == 1 else float(np.linalg.norm(shifts))
    return Misfit(pair, off, float(np.linalg.norm(tilts)), (wide, steep), float(chance))


def _ranges(spread: Floats) -> float:
    """95 % of a size, or of what has two or three components: chi of as many degrees of freedom."""
    factor = (SINGLE, PAIR, TRIPLE)[len(spread) - 1]
    return factor * float(np.sqrt(max(np.linalg.eigvalsh(spread)[-1], 0.0)))
