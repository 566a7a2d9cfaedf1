"""What a join proves: how far shared features and shared skin are apart, and whether the part is larger, bent or
twisted in one scan.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import fdtrc

from pipeline.features.joining.feature_pose import Misfit, by_pose_along, misfit_of
from pipeline.features.joining.overlap import SetUp, met, on_clear, picked
from pipeline.features.joining.pair_rows import about, pair_rows
from pipeline.features.joining.set_up_pose import FINAL, SetUpPose
from pipeline.features.uncertainty import LEVEL, carried_through, holm
from pipeline.geometry import Floats, transformed, unit_rows
from pipeline.values import Bend

CELL = 8.0  # mm, of the map of misfits
FEWEST = 12  # points of a cell that is shown
LEAST_SCALED = 4  # pairs from which on a scale is told
FLOOR = 5e-4  # mm, below which nothing is told of a cell
LEAST_BENT, LONG = 30, 40.0  # cells from which on a bend is told, and mm that they have to reach over


class MisfitMap(NamedTuple):
    """Cells of what both scans saw: their middles (k, 3) and normals (k, 3), mean misfits off (k,), and what noise and
    pose leave of those (k,), standard, mm."""

    places: Floats
    ways: Floats
    off: Floats
    sigma: Floats


def shared_misfits(
    stays: SetUp, laid: SetUp, pose: SetUpPose, pairs: Sequence[tuple[int, int]]
) -> list[tuple[Misfit, bool]]:
    """How each pair of features lies in a pose, and whether that stands out among all (Holm 1979)."""
    used = set(pose.pairs)
    known = [
        (i, j) for i, j in pairs if stays.features[i].uncertainty.position and laid.features[j].uncertainty.position
    ]
    found = [
        misfit_of(
            stays.features[i],
            laid.features[j],
            pose.motion,
            -pose.covariance if (i, j) in used else pose.covariance,
        )
        for i, j in known
    ]
    if not found:
        return []
    adjusted = holm([one.chance for one in found])
    return [(replace(one, pair=pair), bool(p <= LEVEL)) for pair, one, p in zip(known, found, adjusted, strict=True)]


def scale_between(stays: SetUp, laid: SetUp, pose: SetUpPose) -> tuple[float, float] | None:
    """By how much larger the laid scan is, as a share, and the standard uncertainty of that; None where too few tell.

    Least squares over the places of the pairs, their pose free.
    """
    if len(pose.pairs) < LEAST_SCALED:
        return None
    rows = pair_rows(stays.fits, laid.fits, pose.pairs, pose.motion)
    # A shift's row is the way along which it counts.
    places = transformed(pose.motion, laid.fits.points[[j for _, j in pose.pairs]])
    middle = places.mean(axis=0)
    grown = np.einsum("nij,nj->ni", rows.change[:, :, :3], places - middle)
    whole = np.concatenate([about(rows.change, middle), grown[:, :, None], rows.residuals[:, :, None]], axis=2)
    unit = rows.unit(whole).reshape(-1, 8)
    weight, drawn = unit[:, :7].T @ unit[:, :7], unit[:, :7].T @ unit[:, 7]
    lengths = np.sqrt(np.maximum(np.diag(weight), 1e-300))
    unit = weight / np.outer(lengths, lengths)
    if np.linalg.cond(unit) > 1e8:
        return None
    inverse = np.linalg.inv(unit) / np.outer(lengths, lengths)
    # The misfits are those of the laid scan: where it is larger, it sticks out.
    return float(inverse[6] @ drawn), float(np.sqrt(inverse[6, 6]))


def misfit_map(stays: SetUp, laid: SetUp, pose: SetUpPose) -> MisfitMap:
    """Mean misfit of what both saw, cell by cell, away from edges: those are drawn otherwise in each scan."""
    sample = laid.sample(FINAL)
    found = met(stays, sample, pose.motion)
    found = picked(found, on_clear(stays, laid, sample, found))
    cell = np.floor(found.points / CELL).astype(np.int64)
    # Two walls of one cell face different ways.
    cell = np.column_stack([cell, np.argmax(abs(found.normals), axis=1), np.sign(found.normals).astype(np.int64)])
    _, which, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    columns = np.hstack([found.points, found.normals, found.off[:, None]])
    means = np.stack([np.bincount(which.ravel(), column) for column in columns.T], axis=1) / count[:, None]
    places, ways, off = means[:, :3], means[:, 3:6], means[:, 6]
    by_pose = by_pose_along(places, ways, pose.covariance) ** 2
    white = np.zeros(len(count))
    for scan, facets in ((stays, found.facets), (laid, sample.facets[found.which])):
        # A corner has one noise, however many points of its facets were looked at.
        behind = np.unique(np.column_stack([np.repeat(which.ravel(), 3), scan.surface.faces[facets].ravel()]), axis=0)
        white += scan.noise.sigma_white**2 / np.minimum(count, np.bincount(behind[:, 0], minlength=len(count)))
    waves = sum(_waves_in_cell(s) for s in (stays, laid))
    shown = count >= FEWEST
    return MisfitMap(places[shown], unit_rows(ways[shown]), off[shown], np.sqrt(by_pose + white + waves)[shown])


def _waves_in_cell(scan: SetUp) -> float:
    """mm2, what a scan's waves leave of the mean over a cell."""
    steps = (np.arange(5) + 0.5) * CELL / 5.0
    grid = np.array([[x, y, 0.0] for x in steps for y in steps])
    spread = carried_through(np.full((25, 1), 0.04), grid, scan.noise, 1.0)
    return max(float(spread[0, 0]) - scan.noise.sigma_white**2 / 25.0, 0.0)


def bend_between(stays: SetUp, laid: SetUp, where: MisfitMap) -> Bend | None:
    """Whether the part is bent or twisted along its length in the laid scan; None where too little tells.

    Generalised least squares of the cells' misfits, with the waves of both scans, over a small motion, which is free, a
    bow to either side that grows with the square of the way along, and a turn about it that grows with the way; an F
    test of the three.

    >>> from tests.features.joining.bare import bare_box
    >>> x, y = (v.ravel() for v in np.meshgrid(np.arange(-48.0, 49.0, 8.0), (-10.0, 0.0, 10.0)))
    >>> top, side = np.column_stack([x, y, 8.0 + 0 * x]), np.column_stack([x, 14.0 + 0 * x, 0.5 * y])
    >>> ways = np.repeat([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]], len(x), axis=0)
    >>> sagging = np.r_[0.02 * (x / 48.0) ** 2, 0 * x]
    >>> cells = MisfitMap(np.vstack([top, side]), ways, sagging, 0.001 + 0 * sagging)
    >>> found = bend_between(bare_box(), bare_box(), cells)
    >>> round(found.bow, 4), found.stands_out
    (0.02, True)
    """
    if len(where.off) < LEAST_BENT:
        return None
    middle = where.places.mean(axis=0)
    levers = where.places - middle
    _, _, axes = np.linalg.svd(levers, full_matrices=False)
    along = levers @ axes[0]
    length = float(np.ptp(along))
    if length < LONG:
        return None
    share = along / length
    # Of a parabola over the length the sagitta is a quarter of what it is at the ends, from the middle.
    bows = 4.0 * share[:, None] ** 2 * (where.ways @ axes[1:].T)
    twist = share * np.einsum("ij,ij->i", np.cross(axes[0], levers), where.ways)
    reach = 0.5 * length
    lower = np.linalg.cholesky(_of_cells(stays, laid, where.places))
    motions = np.hstack([where.ways, np.cross(levers, where.ways) / reach])
    whole = np.hstack([motions, where.off[:, None], bows, twist[:, None]])
    moved, off, bent = np.split(solve_triangular(lower, whole, lower=True), [6, 7], axis=1)
    off = off[:, 0]
    basis, sizes, _ = np.linalg.svd(moved, full_matrices=False)
    basis = basis[:, sizes > 1e-3 * sizes[0]]
    off = off - basis @ (basis.T @ off)
    # What of a bend a motion of the whole does not make good again.
    own = bent - basis @ (basis.T @ bent)
    if (np.linalg.norm(own, axis=0) < 1e-3 * np.linalg.norm(bent, axis=0)).any() or np.linalg.matrix_rank(own) < 3:
        return None
    found, *_ = np.linalg.lstsq(own, off, rcond=None)
    left = float(np.sum((off - own @ found) ** 2))
    freedom = len(off) - basis.shape[1] - 3
    variance = max(left / freedom, 1.0)
    spread = variance * np.linalg.inv(own.T @ own)
    bow = float(np.hypot(found[0], found[1]))
    way = found[:2] / max(bow, 1e-12)
    sigma = float(np.sqrt(way @ spread[:2, :2] @ way))
    chance = float(fdtrc(3, freedom, max(float(off @ off) - left, 0.0) / 3.0 / variance))
    return Bend(bow, sigma, float(found[2]), float(np.sqrt(spread[2, 2])), length, chance)


def _of_cells(stays: SetUp, laid: SetUp, places: Floats) -> Floats:
    """(k, k) mm2, covariance of the cells' mean misfits by the noise of both scans; a wave that is averaged over two
    cells is a longer and lower one."""
    square = np.sum((places[:, None] - places[None]) ** 2, axis=2)
    out = np.zeros_like(square)
    for scan in (stays, laid):
        for sigma, wave in scan.noise.components:
            if wave > 0.0:
                over = wave**2 + CELL**2 / 6.0
                out += sigma**2 * wave**2 / over * np.exp(-square / (2.0 * over))
        out[np.diag_indices(len(places))] += scan.noise.sigma_white**2 / FEWEST + FLOOR**2
    return np.asarray(out, dtype=np.float64)
