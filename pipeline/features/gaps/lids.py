"""Lids: a plane over a flat rim, a surface of least area, as a soap film takes, over a bent one.

A lid is no guess at what was there: it follows nothing but the rim, and neither does it bulge.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.spatial import cKDTree

from pipeline.features.gaps.layout import HolePatch, Layout, Surroundings, spanned, without_doubles
from pipeline.features.gaps.openings import Opening
from pipeline.geometry import Floats, Ints
from pipeline.lengths import mm
from pipeline.mesh.fill import least_area, refine_in_space
from pipeline.surfaces import view

# A rim is flat where, its raggedness smoothed out, it stays this near to its plane: in its edges, and in its lengths.
_FLAT_EDGES, _FLAT_LENGTHS = 0.5, 0.004
_SMOOTHED = 9  # edges
# Nearer than this to the rim, in its edges, a lid over a ragged rim leaves the plane to meet it.
_COLLAR = 1.5


def flat_lid(opening: Opening, ground: Surroundings) -> HolePatch | None:
    """A lid laid out in the plane across the rim's normal; None where the rim overlaps itself there."""
    flatten, lift = view(opening.outer.centre, opening.outer.normal)
    made = Layout(opening, ground, flatten).patch(
        lambda places: lift(places, np.zeros(len(places))), lambda places: np.full(len(places), -1, np.int32), ""
    )
    if made is None:
        return None
    points = np.concatenate([ground.vertices[made.corners], made.points])
    return _settled(opening, made.corners, points, made.triangles, ground)


def lids_in_space(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """Lids of triangles straight in space, for a rim that overlaps itself in its plane: with points as near each other
    as those of the rim, with fewer, which may keep clear of a ragged rim where many don't, and with none."""
    if opening.islands:
        return
    # The facets outside, which it bends the least against, keep the lid from folding back over a ragged rim's teeth.
    corners, places, triangles = spanned(opening.outer, ground)
    if triangles is None:
        return
    for coarseness in (1.0, 2.0, 4.0, np.inf):
        points, finer = refine_in_space(places, triangles, coarseness * opening.edge)
        points, finer = without_doubles(corners, points, finer, ground)
        lid = _settled(opening, corners, points, finer, ground)
        if lid is not None:
            yield lid


def _settled(
    opening: Opening, corners: Ints, points: Floats, triangles: Ints, ground: Surroundings
) -> HolePatch | None:
    """The lid with its new points, those after the corners, on the plane or where its area is least."""
    rim, fixed = opening.outer, len(corners)
    height = (ground.vertices[rim.corners] - rim.centre) @ rim.normal
    flat = _bow(height) <= max(_FLAT_EDGES * opening.edge, _FLAT_LENGTHS * rim.length)
    free = np.arange(len(points)) >= fixed
    if free.any():
        points = least_area(points, triangles, free)
        if not np.isfinite(points).all():
            return None
    if flat and free.any():
        inner = points[fixed:]
        clear = cKDTree(points[:fixed]).query(inner)[0] > _COLLAR * opening.edge
        inner[clear] -= ((inner[clear] - rim.centre) @ rim.normal)[:, None] * rim.normal
    how = "a flat lid" if flat else f"a lid of least area: its rim is bent, by {mm(float(np.ptp(height)), '.1f')}"
    return HolePatch(corners, points[fixed:], triangles, np.full(len(triangles), -1, np.int32), how)


def _bow(height: Floats) -> float:
    """mm by which a closed line leaves its plane either way, raggedness smoothed out; its heights (k,) mm."""
    return 0.5 * float(np.ptp(uniform_filter1d(height, max(_SMOOTHED, len(height) // 8), mode="wrap")))
