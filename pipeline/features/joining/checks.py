"""What a join proves: how far shared features and shared skin are apart, and whether one scan is larger than the other.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.features.joining.feature_pose import Misfit, by_pose_along, held, misfit_of
from pipeline.features.joining.overlap import SetUp, met
from pipeline.features.joining.set_up_pose import FINAL, FORM, FORM_TURN, SetUpPose
from pipeline.features.uncertainty import LEVEL, carried_through, holm
from pipeline.geometry import Floats, transformed

CELL = 8.0  # mm, of the map of misfits
FEWEST = 12  # points of a cell that is shown
LEAST_SCALED = 4  # pairs from which on a scale is told


class MisfitMap(NamedTuple):
    """Cells of what both scans saw: their middles (k, 3), mean misfits off (k,), and what noise and pose leave of those
    (k,), standard, mm."""

    places: Floats
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
            (FORM, FORM_TURN),
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
    middle = np.mean([transformed(pose.motion, laid.features[j].point) for _, j in pose.pairs], axis=0)
    weight, drawn = np.zeros((7, 7)), np.zeros(7)
    for i, j in pose.pairs:
        rows = held(stays.features[i], laid.features[j], pose.motion, (FORM, FORM_TURN))
        change, off = rows.whitened(middle)
        # A shift's row is the way along which it counts.
        way = rows.change[: rows.lengths, :3]
        grown = np.zeros(len(off))
        grown[: rows.lengths] = way @ (transformed(pose.motion, laid.features[j].point) - middle)
        change = np.hstack([change, rows.unit(grown)[:, None]])
        weight += change.T @ change
        drawn += change.T @ off
    lengths = np.sqrt(np.maximum(np.diag(weight), 1e-300))
    unit = weight / np.outer(lengths, lengths)
    if np.linalg.cond(unit) > 1e8:
        return None
    inverse = np.linalg.inv(unit) / np.outer(lengths, lengths)
    # The misfits are those of the laid scan: where it is larger, it sticks out.
    return float(inverse[6] @ drawn), float(np.sqrt(inverse[6, 6]))


def misfit_map(stays: SetUp, laid: SetUp, pose: SetUpPose) -> MisfitMap:
    """Mean misfit of what both saw, cell by cell."""
    sample = laid.sample(FINAL)
    found = met(stays, sample, pose.motion)
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
    return MisfitMap(places[shown], off[shown], np.sqrt(by_pose + white + waves)[shown])


def _waves_in_cell(scan: SetUp) -> float:
    """mm2, what a scan's waves leave of the mean over a cell."""
    steps = (np.arange(5) + 0.5) * CELL / 5.0
    grid = np.array([[x, y, 0.0] for x in steps for y in steps])
    spread = carried_through(np.full((25, 1), 0.04), grid, scan.noise, 1.0)
    return max(float(spread[0, 0]) - scan.noise.sigma_white**2 / 25.0, 0.0)
