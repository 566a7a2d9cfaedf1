"""The sharp outline of a flat face from a scan that rounds every edge.

The facets that carry a face end short of its true edge: the scanner rounds the edge, and recovery keeps away from
the rounding. So the border of those facets only says which way round the face runs. Where the wall beyond it is a
recovered feature, the edge is where the two surfaces meet, exactly. Elsewhere the wall's own points, below the
rounding, are carried up to the face's level: at each place along the border a plane is laid through them (height,
place along, place across), and read off at height zero.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.sketches.borders import Loop, borders_of, runs_of, settled
from pipeline.features.sketches.curves import Curve, cut, distance, free, meet, nearest_on, noise_of
from pipeline.features.sketches.ground import SketchGround
from pipeline.features.sketches.sharp_edges import CHAMFER, Beyond
from pipeline.geometry import FULL_TURN, Floats, Indices, on_circle, polar_angles, step_lengths, turn_between
from pipeline.values import Feature, Outline, Segment

TOLERANCE = 0.1  # mm, of free pieces, and how far a line or arc may miss its points at most
BRIDGE = 4.0  # mm from one point of an edge to the next that are worth a word (or four edges)
PIECE = 0.05  # share of the largest piece of a face that another has to have
UNSEEN = -2  # beyond the border lies nothing that was scanned


class Outlines(NamedTuple):
    """outer, and what lies inside it, largest first; sunk: the wall at the outer border rises, so that the face is
    the floor of something, as a shoulder in a bore."""

    outer: Outline | None
    inner: tuple[Outline, ...] = ()
    sunk: bool = False


def outlines_of(ground: SketchGround, index: int, matrix: Floats) -> Outlines:
    """Outer outline of the largest piece of a face, and its openings, spigots and further pieces.

    index   of the plane in the features; matrix (4, 4) scan -> sketch
    """
    loops = borders_of(ground, index, matrix)
    outer = [loop for loop in loops if loop.area > 0]
    inner = [loop for loop in loops if loop.area < 0]
    if not outer:
        return Outlines(None)
    whole = max(outer, key=lambda loop: loop.area)
    pieces = [loop for loop in outer if loop is not whole and loop.area > PIECE * whole.area]
    near = Beyond(ground, index, matrix, np.vstack([loop.points for loop in loops]))
    inset = near.inset([whole, *inner])
    made = [_outline(ground, loop, near, inset) for loop in (whole, *inner, *pieces)]
    meant = [None, *("spigot" if near.rises(loop) else "opening" for loop in inner), *("piece" for _ in pieces)]
    inside = [replace(o, what=what) for (o, _), what in zip(made[1:], meant[1:], strict=True) if o is not None]
    have = {s.feature for o in inside for s in o.segments if s.kind == "circle"}
    for hole in {h.feature: h for _, holes in made for h in holes}.values():
        if hole.feature not in have:
            inside.append(opening(hole, inset))
    return Outlines(made[0][0], tuple(inside), near.rises(whole))


def opening(rim: Curve, rounding: float = 0.0) -> Outline:
    """The whole circle of a bore's rim as an opening."""
    return Outline(_ring(rim, False), 0.0, rounding, TOLERANCE, what="opening")


@dataclass(frozen=True)
class _Stretch:
    """Border points (indices) beyond which lies one thing: a curve, or a wall without a feature (None)."""

    points: Indices
    curve: Curve | None


def _outline(ground: SketchGround, loop: Loop, near: Beyond, inset: float) -> tuple[Outline | None, list[Curve]]:
    """The outline along a border, and circles of holes that it had run into across land too narrow to be seen."""
    stretches, broken = _stretches(ground, loop, near, inset)
    stretches, bridged = _gone_on(loop, stretches, near, inset)
    broken = broken or bridged
    stretches, holes = _parted(ground, stretches)
    closed = len(stretches) == 1
    pieces: list[list[Curve]] = []
    edges: list[Floats | None] = []
    moved = []
    for stretch in stretches:
        points, curve = loop.points[stretch.points], stretch.curve
        if curve is not None:
            moved.append(float(np.median(np.abs(distance(curve, points)))))
            ends = np.array([nearest_on(curve, points[0]), nearest_on(curve, points[-1])])
            pieces.append([replace(curve, ends=ends, ccw=_ccw(points, curve))])
            edges.append(None)
            continue
        edge, made_out = _edge_points(loop, stretch.points, near, inset, closed)
        broken = broken or not made_out
        if len(edge) < 4:
            continue
        pieces.append(cut(edge, max(noise_of(edge), 0.005), closed, TOLERANCE))
        edges.append(edge)
        broken = broken or _leap(edge, closed) > max(BRIDGE, 4.0 * ground.edge)
        moved.append(float(np.median(np.linalg.norm(edge - points[_nearest(points, edge)], axis=1))))
    if not pieces and not broken:
        return None, holes
    if not pieces:
        ring = np.vstack([loop.points, loop.points[:1]])
        pieces, edges = [[Curve("free", ring[[0, -1]], points=ring)]], [None]
    segments = _checked(pieces, edges, loop, closed)
    fitted = [c for group in pieces for c in group if c.kind != "free" and c.feature is None]
    weight = sum(c.length for c in fitted)
    rms = float(np.sqrt(sum(c.length * c.rms**2 for c in fitted) / weight)) if weight else 0.0
    rounding = float(np.median(moved)) if moved else 0.0
    return Outline(segments, rms, rounding, TOLERANCE, broken), holes


def _leap(points: Floats, closed: bool) -> float:
    """Longest way from one point of a run to the next, mm."""
    run = np.vstack([points, points[:1]]) if closed else points
    return float(step_lengths(run).max())


def _checked(pieces: list[list[Curve]], edges: list[Floats | None], loop: Loop, closed: bool) -> tuple[Segment, ...]:
    """The segments of all pieces. A stretch whose lines and arcs, once they meet one another, stray from the points
    they stand for becomes free: `pieces` says so afterwards."""
    while True:
        segments = _segments([c for group in pieces for c in group], loop)
        first = 0
        for k, (group, edge) in enumerate(zip(pieces, edges, strict=True)):
            mine = segments[first : first + len(group)]
            first += len(group)
            if edge is None or all(c.kind == "free" for c in group):
                continue
            away = cKDTree(edge).query(np.vstack([_along(s) for s in mine]))[0]
            spacing = float(np.median(step_lengths(edge)))
            if away.max() > np.hypot(TOLERANCE, 1.5 * spacing):
                ring = np.vstack([edge, edge[:1]]) if closed else edge
                pieces[k] = [free(ring, TOLERANCE)]
                break
        else:
            return segments


def _along(s: Segment) -> Floats:
    """Points along a segment, dense enough to see it stray."""
    if s.kind == "free":
        assert s.points is not None
        return s.points
    if s.kind == "line":
        return s.start + np.linspace(0.0, 1.0, 40)[:, None] * (s.end - s.start)
    assert s.centre is not None
    begin, turn = turn_between(s.start - s.centre, s.end - s.centre, bool(s.ccw))
    return on_circle(s.centre, s.radius or 0.0, begin + np.linspace(0.0, turn or FULL_TURN, 60))


def _stretches(ground: SketchGround, loop: Loop, near: Beyond, inset: float) -> tuple[list[_Stretch], bool]:
    """The border told apart by what lies beyond it; what the scan did not see is bridged by what lies beside, and
    the second result says that there is such a stretch."""
    unseen = ground.on_border[loop.vertices]
    beyond = np.where(unseen, UNSEEN, near.neighbours(loop)).astype(np.int32)
    beyond = settled(beyond, max(3, round(2.0 / ground.edge)))
    out: list[_Stretch] = []
    for a, b in runs_of(beyond):
        points = np.arange(a, b) % len(loop.points)
        feature = int(beyond[points[0]])
        if feature == UNSEEN:
            continue
        curve = near.curve_at(feature, loop.points[points]) if feature >= 0 else None
        if curve is not None:
            away = float(np.median(np.abs(distance(curve, loop.points[points]))))
            # Further off than the other edges: a chamfer that was not recovered lies between.
            curve = None if away > inset + CHAMFER + 0.25 * ground.edge else curve
        out.append(_Stretch(points, curve))
    return _merged(out), bool(np.any(beyond == UNSEEN))


def _merged(stretches: list[_Stretch]) -> list[_Stretch]:
    """Neighbours of one sort made one, round the loop."""
    out: list[_Stretch] = []
    for stretch in stretches:
        if out and _alike(out[-1].curve, stretch.curve):
            out[-1] = _Stretch(np.concatenate([out[-1].points, stretch.points]), stretch.curve)
        else:
            out.append(stretch)
    if len(out) > 1 and _alike(out[-1].curve, out[0].curve):
        last = out.pop()
        out[0] = _Stretch(np.concatenate([last.points, out[0].points]), out[0].curve)
    return out


def _alike(a: Curve | None, b: Curve | None) -> bool:
    if a is None or b is None:
        return a is b
    if a.feature != b.feature or a.kind != b.kind or abs(a.radius - b.radius) > 1e-9:
        return False
    return bool(np.linalg.norm(a.point - b.point) < 1e-9)


def _parted(ground: SketchGround, stretches: list[_Stretch]) -> tuple[list[_Stretch], list[Curve]]:
    """Holes seen all round that share a border with something they don't cut into are taken out of it."""
    by_id = {f.id: f for f in ground.features}
    holes: dict[str, Curve] = {}
    while len(stretches) > 1:
        for k, stretch in enumerate(stretches):
            beside = [stretches[k - 1].curve, stretches[(k + 1) % len(stretches)].curve]
            if _is_hole(stretch.curve, by_id) and not any(_crosses(stretch.curve, c) for c in beside):
                assert stretch.curve is not None
                assert stretch.curve.feature is not None
                holes[stretch.curve.feature] = stretch.curve
                break
        else:
            break
        gone = holes[str(stretch.curve.feature)]
        stretches = _merged([s for s in stretches if not _alike(s.curve, gone)])
    return stretches, list(holes.values())


def _gone_on(loop: Loop, stretches: list[_Stretch], near: Beyond, inset: float) -> tuple[list[_Stretch], bool]:
    """One curve on both sides of a stretch that is too short to tell an edge of its own, or whose edge can't be made
    out, goes on across it, where the border stays as near to it as borders do; the second result says that there was
    one of the latter."""
    edge = near.ground.edge
    reach = inset + CHAMFER + edge
    out, bridged = list(stretches), False
    for k, stretch in enumerate(stretches):
        before, after = stretches[k - 1].curve, stretches[(k + 1) % len(stretches)].curve
        if stretch.curve is not None or before is None or not _alike(before, after):
            continue
        if np.abs(distance(before, loop.points[stretch.points])).max() > reach:
            continue
        short = len(stretch.points) * edge < max(BRIDGE, 4.0 * edge)
        if short or not _edge_points(loop, stretch.points, near, inset, closed=False)[1]:
            out[k] = replace(stretch, curve=before)
            bridged |= not short
    return _merged(out), bridged


def _is_hole(curve: Curve | None, by_id: dict[str, Feature]) -> bool:
    if curve is None or curve.kind != "circle" or curve.feature is None:
        return False
    feature = by_id[curve.feature]
    return feature.side == "bore" and (feature.extent.arc or 0.0) > np.radians(300.0)


def _crosses(a: Curve | None, b: Curve | None) -> bool:
    """Whether two curves meet; a wall without a feature might be cut by anything that is not a whole hole."""
    if a is None or b is None:
        return False
    if b.kind == "line":
        return abs(float(distance(b, a.point[None])[0])) < a.radius
    apart = float(np.linalg.norm(a.point - b.point))
    return abs(a.radius - b.radius) < apart < a.radius + b.radius


def _nearest(points: Floats, to: Floats) -> Indices:
    return cKDTree(points).query(to)[1]


def _ccw(points: Floats, curve: Curve) -> bool:
    if curve.kind != "circle":
        return True
    turn = np.unwrap(polar_angles(points - curve.point))
    return bool(turn[-1] > turn[0])


def _edge_points(loop: Loop, stretch: Indices, near: Beyond, inset: float, closed: bool) -> tuple[Floats, bool]:
    """Points of the sharp edge along a stretch, carried up the wall, and True; or the border moved out by the usual
    inset, and False."""
    edge = near.edge_beside(loop, stretch, inset, closed)
    length = near.ground.edge * len(stretch)
    if len(edge) > 0.5 * length / max(0.5, 0.7 * near.ground.edge):
        return edge, True
    return loop.points[stretch] + inset * loop.outward[stretch], False


def _segments(curves: list[Curve], loop: Loop) -> tuple[Segment, ...]:
    if len(curves) == 1 and curves[0].kind == "circle":
        return _ring(curves[0], loop.area > 0)
    if len(curves) == 1 and curves[0].kind == "line":  # a slit: no line comes back to where it began
        around = np.vstack([loop.points, loop.points[:1]])
        return (Segment("free", around[0], around[-1], points=around),)
    joints = [_joint(curves[k - 1], curves[k]) for k in range(len(curves))]
    out = []
    for k, c in enumerate(curves):
        start, end = joints[k], joints[(k + 1) % len(curves)]
        if c.kind == "free":
            assert c.points is not None
            points = np.vstack([start, c.points[1:-1], end]) if len(curves) > 1 else c.points
            out.append(Segment("free", points[0], points[-1], points=points))
        elif c.kind == "line":
            out.append(Segment("line", start, end, feature=c.feature))
        else:
            out.append(Segment("arc", start, end, c.point, c.radius, c.ccw, None, c.feature))
    return tuple(out)


def _ring(c: Curve, ccw: bool) -> tuple[Segment, ...]:
    at = c.point + np.array([c.radius, 0.0])
    return (Segment("circle", at, at, c.point, c.radius, ccw, None, c.feature),)


def _joint(before: Curve, after: Curve) -> Floats:
    near = 0.5 * (before.ends[1] + after.ends[0])
    if before.kind == "free" or after.kind == "free":
        if before.kind != "free":
            return nearest_on(before, near)
        return nearest_on(after, near) if after.kind != "free" else near
    gap = float(np.linalg.norm(before.ends[1] - after.ends[0]))
    met = meet(before, after, near, max(2.0, 2.0 * gap))
    return near if met is None else met


def polyline(outline: Outline, step: float = np.radians(3.0)) -> Floats:
    """(n, 2) points along an outline, arcs in steps of `step` rad; its end meets its start."""
    out: list[Floats] = []
    for s in outline.segments:
        if s.kind == "free":
            assert s.points is not None
            out.append(s.points)
        elif s.kind == "line":
            out.append(np.array([s.start, s.end]))
        else:
            assert s.centre is not None
            begin, turn = turn_between(s.start - s.centre, s.end - s.centre, bool(s.ccw))
            if s.kind == "circle":
                turn = FULL_TURN if s.ccw else -FULL_TURN
            angles = begin + np.linspace(0.0, turn, max(2, int(np.ceil(abs(turn) / step)) + 1))
            out.append(on_circle(s.centre, s.radius or 0.0, angles))
    return np.vstack(out)
