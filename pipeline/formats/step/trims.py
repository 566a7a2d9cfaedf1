"""How far a recovered surface was seen, in the surface's own parameters: what a CAD face is trimmed to.

Angles are rad about the feature's axis from the first vector of its basis; lengths mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from pipeline.geometry import FULL_TURN, Floats, Ints, contains, gaps_round, signed_area, simplified
from pipeline.mesh.topology import boundary_loops, cut_at_pinches

# A round face seen over more than this is drawn whole: a seam of a few degrees is of no use to anyone.
_NEARLY_WHOLE = 340.0  # degrees
_NEAR_POLE = np.radians(75.0)
_SLACK = 0.2  # mm by which a face's border is straightened
_SMALLEST_SHARE = 0.005  # islands and openings below this share of the face's largest loop are left out


@dataclass(frozen=True)
class Patch:
    """A range of both parameters of a round surface: `around` and `along` as (low, high)."""

    around: tuple[float, float]
    along: tuple[float, float]


@dataclass(frozen=True)
class Region:
    """A flat patch: an outer polygon (n, 2), counter-clockwise, and its openings, clockwise; no corner twice."""

    outer: Floats
    openings: tuple[Floats, ...] = ()


def turn_seen(angles: Floats, whole: bool) -> tuple[float, float]:
    """The shortest range (low, high) that holds all angles; high may exceed 2 pi. `whole`: it closes on itself."""
    if whole:
        return 0.0, FULL_TURN
    sorted_angles = np.sort(np.mod(angles, FULL_TURN))
    gaps = gaps_round(sorted_angles)
    widest = int(np.argmax(gaps))
    seen = FULL_TURN - float(gaps[widest])
    if is_whole(np.degrees(seen)):
        return 0.0, FULL_TURN
    low = float(sorted_angles[(widest + 1) % len(sorted_angles)])
    return low, low + seen


def is_whole(arc: float | None) -> bool:
    """Whether a covered arc, in degrees, counts as the whole turn."""
    return arc is not None and arc > _NEARLY_WHOLE


def symmetry_axis(directions: Floats) -> Floats:
    """The axis about which unit vectors (n, 3) from a sphere's centre are spread most evenly: of a cap its pole,
    of a belt its axis. It looks to the side where more of them are."""
    values, vectors = np.linalg.eigh(directions.T @ directions)
    lone = 0 if values[1] - values[0] > values[2] - values[1] else 2
    axis = vectors[:, lone]
    side = float(directions.sum(axis=0) @ axis)
    if abs(side) < 1e-9 * len(directions):
        side = axis[int(np.argmax(np.abs(axis)))]
    return axis if side > 0 else -axis


def ball_patch(turns: Floats, heights: Floats) -> Patch:
    """The patch of a sphere that points at these angles about its axis and above its equator cover."""
    low, high = float(heights.min()), float(heights.max())
    if max(high, -low) < _NEAR_POLE:
        return Patch(turn_seen(turns, False), (low, high))
    # Near a pole the turn means nothing: what reaches it is a cap.
    pole = np.pi / 2
    return Patch((0.0, FULL_TURN), (-pole if low < -_NEAR_POLE else low, pole if high > _NEAR_POLE else high))


def regions(points: Floats, faces: Ints) -> tuple[Region, ...]:
    """The flat patches that facets (m, 3) over points (n, 2) cover, largest first, borders straightened.

    An opening that touches another border is left out; where an outer border would cross itself, the patch is
    its convex hull instead.
    """
    used, numbers = np.unique(faces, return_inverse=True)
    points = points[used]
    borders = boundary_loops(numbers.reshape(-1, 3).astype(np.int32), len(points))
    loops = [points[loop] for border in borders for loop in cut_at_pinches(border.tolist()) if len(loop) > 2]
    areas = np.array([signed_area(loop) for loop in loops])
    if not len(loops) or not (areas > 0).any():
        return _hull(points)
    least = _SMALLEST_SHARE * float(areas.max())
    outers = [straightened(loops[k]) for k in np.argsort(-areas, kind="stable") if areas[k] > least]
    openings = [straightened(loops[k]) for k in range(len(loops)) if areas[k] < -least]
    made: list[Region] = []
    for outer in outers:
        if _crosses([outer]):
            made += _hull(outer)
            continue
        clean = [outer]
        for opening in openings:
            if contains([outer], opening[:1])[0] and not _crosses([*clean, opening]):
                clean.append(opening)
        made.append(Region(outer, tuple(clean[1:])))
    return tuple(made)


def straightened(loop: Floats, slack: float = _SLACK) -> Floats:
    """A closed polygon with only those corners kept that it needs to stay within `slack` mm."""
    far = int(np.argmax(np.linalg.norm(loop - loop[0], axis=1)))
    kept = loop[simplified(np.concatenate([loop, loop[:1]]), [0, far, len(loop)], slack)[:-1]]
    return kept if len(kept) > 2 else loop


def _hull(points: Floats) -> tuple[Region, ...]:
    try:
        return (Region(points[ConvexHull(points).vertices]),)
    except (QhullError, ValueError):
        return ()


def _crosses(loops: list[Floats]) -> bool:
    """Whether any two edges of closed polygons meet other than as neighbours in their corner."""
    starts = np.concatenate(loops)
    ends = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops])
    if len(np.unique(starts, axis=0)) < len(starts):
        return True
    which = np.arange(len(starts))
    after = np.concatenate([np.roll(part, -1) for part in np.split(which, np.cumsum([len(p) for p in loops])[:-1])])

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return (q[:, None, 0] - p[:, None, 0]) * (r[None, :, 1] - p[:, None, 1]) - (q[:, None, 1] - p[:, None, 1]) * (
            r[None, :, 0] - p[:, None, 0]
        )

    begins, finishes = side(starts, ends, starts), side(starts, ends, ends)
    parted = begins * finishes <= 0
    meet = parted & parted.T
    # Edges on one line have all four products zero: they meet only where their boxes do.
    low, high = np.minimum(starts, ends), np.maximum(starts, ends)
    boxes = (low[:, None] <= high[None]).all(-1) & (low[None] <= high[:, None]).all(-1)
    meet &= boxes
    meet[which, which] = meet[which, after] = meet[after, which] = False
    return bool(meet.any())
