"""How far a recovered surface was seen, in the surface's own parameters: what a CAD face is trimmed to.

Angles are rad about the feature's axis from the first vector of its basis; lengths mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from pipeline.geometry import FULL_TURN, Floats, Ints, Mask, contains, gaps_round, signed_area, simplified
from pipeline.mesh.topology import boundary_loops, cut_at_pinches

# A round face seen over more than this is drawn whole: a seam of a few degrees is of no use to anyone.
_NEARLY_WHOLE = 340.0  # degrees
_NEAR_POLE = np.radians(75.0)
_SLACK = 0.2  # mm by which a face's border is straightened
_LESS_SLACK = (0.05, 0.0)  # mm, where the straightened borders would cross
_PARTED = 0.01  # mm
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

    An opening belongs to the smallest patch that it lies in; where it touches another border in a corner, the corner
    moves into it by 0.01 mm at most. Where an outer border crosses itself, the patch is its convex hull instead, and
    an opening that crosses its patch's borders is left out: so it is where facets lie on each other.
    """
    used, numbers = np.unique(faces, return_inverse=True)
    points = points[used]
    borders = boundary_loops(numbers.reshape(-1, 3).astype(np.int32), len(points))
    loops = [np.array(loop) for border in borders for loop in cut_at_pinches(border.tolist()) if len(loop) > 2]
    areas = np.array([signed_area(points[loop]) for loop in loops])
    if not len(loops) or not (areas > 0).any():
        return _hull(points)
    least = _SMALLEST_SHARE * float(areas.max())
    touched = np.bincount(np.concatenate(loops), minlength=len(points)) > 1
    outers = [points[loops[k]] for k in np.argsort(-areas, kind="stable") if areas[k] > least]
    openings = [_parted(points[loops[k]], touched[loops[k]]) for k in range(len(loops)) if areas[k] < -least]
    holes: list[list[Floats]] = [[] for _ in outers]
    for hole in openings:
        around = [k for k, outer in enumerate(outers) if contains([outer], hole).mean() > 0.5]
        if around:
            holes[around[-1]].append(hole)
    made: list[Region] = []
    for outer, inside in zip(outers, holes, strict=True):
        border, *clean = _straightened_apart([outer, *inside])
        if _crossing([border]):
            made += _hull(border)
            continue
        kept = [border]
        for hole in clean:
            if not _crossing([*kept, hole]):
                kept.append(hole)
        made.append(Region(border, tuple(kept[1:])))
    return tuple(made)


def _parted(opening: Floats, touched: Mask) -> Floats:
    """A clockwise opening (n, 2) whose corners that other borders touch, (n,), have moved a little into it."""
    before, after = np.roll(opening, 1, axis=0) - opening, np.roll(opening, -1, axis=0) - opening
    start = np.arctan2(before[:, 1], before[:, 0])
    turn = np.mod(np.arctan2(after[:, 1], after[:, 0]) - start, FULL_TURN)
    middle = start + 0.5 * turn
    # No farther than stays within its corner.
    short = np.minimum(np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1))
    step = np.where(touched, np.minimum(_PARTED, 0.1 * short), 0.0)
    return opening + step[:, None] * np.column_stack([np.cos(middle), np.sin(middle)])


def _straightened_apart(loops: list[Floats]) -> list[Floats]:
    """Loops straightened, those less or not at all that would cross others of them."""
    made = [straightened(loop) for loop in loops]
    for slack in _LESS_SLACK:
        crossing = _crossing(made)
        if not crossing:
            break
        for k in crossing:
            made[k] = straightened(loops[k], slack)
    return made


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


def _crossing(loops: list[Floats]) -> list[int]:
    """Which of closed polygons have edges that meet any other edge but as neighbours in their corner."""
    starts = np.concatenate(loops)
    ends = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops])
    which = np.arange(len(starts))
    sizes = [len(p) for p in loops]
    after = np.concatenate([np.roll(part, -1) for part in np.split(which, np.cumsum(sizes)[:-1])])

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
    return np.unique(np.repeat(np.arange(len(loops)), sizes)[meet.any(axis=1)]).tolist()
