"""Flanges: a flat face with its clean outlines, the holes that pierce it and the patterns they make, as a sketch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.features.relations import SAME_DRILL, mouth, pierces, rectangles, rings
from pipeline.features.sketches.ground import SketchGround
from pipeline.features.sketches.outlines import outlines_of
from pipeline.geometry import (
    FULL_TURN,
    Floats,
    angle_between_lines,
    contains,
    cross,
    into_frame,
    on_circle,
    polar_angles,
    rejection,
    rigid,
    step_lengths,
    transformed,
    turn_between,
    undone,
    unit,
)
from pipeline.surfaces import kind_of
from pipeline.values import Feature, Flange, Hole, HolePattern, Outline, Segment

# Which faces are worth a drawing: pierced by several holes, or large among the part's faces.
SHARE, SHARE_BORED = 0.10, 0.04
MOST_FREE = 0.5  # share of an outline that may be free before it is said to be no clean curve


def flanges_of(ground: SketchGround, part: Floats) -> tuple[Flange, ...]:
    """The faces worth a drawing, largest first; `part` (4, 4) scan -> part coordinates."""
    faces = [(i, f) for i, f in enumerate(ground.features) if kind_of(f).flat and f.machined and f.confidence == "good"]
    faces.sort(key=lambda pair: -pair[1].extent.area)
    largest = faces[0][1].extent.area if faces else 0.0
    out = []
    for index, face in faces:
        holes = [f for f in ground.features if f.confidence == "good" and pierces(f, face)]
        enough = SHARE * largest if not holes else SHARE_BORED * largest
        if len(holes) < 2 and face.extent.area < enough:
            continue
        out.append(flange(ground, index, part))
    return tuple(out)


def flange(ground: SketchGround, index: int, part: Floats) -> Flange:
    """The sketch of one face. Its x runs along the part's x, or y where the face looks along x; its origin lies
    in the middle of the largest bolt circle, or of the largest hole, or at the part's origin seen square on."""
    face = ground.features[index]
    matrix = _sketch(face, part)
    outer, inner, pieces = outlines_of(ground, index, matrix)
    bores = _bores(face, ground.features, outer, inner, matrix)
    holes = [_hole(f, face, matrix) for f in bores]
    patterns = _patterns(holes)
    origin, origin_at = _origin(holes, patterns, matrix, part)
    if np.any(origin != 0.0):
        matrix = rigid(np.eye(3), -np.append(origin, 0.0)) @ matrix
        outer = None if outer is None else _shifted(outer, origin)
        inner = tuple(_shifted(o, origin) for o in inner)
        holes = [_hole(f, face, matrix) for f in bores]
        patterns = _patterns(holes)
    return Flange(
        face.id, matrix, origin_at, outer, inner, tuple(holes), tuple(patterns), tuple(_cautions(outer, inner, pieces))
    )


def _sketch(face: Feature, part: Floats) -> Floats:
    assert face.direction is not None
    z = face.direction
    x = part[0, :3] if abs(part[0, :3] @ z) < 0.7 else part[1, :3]
    x = unit(rejection(x, z))
    # The part's origin carried square onto the face.
    at = undone(part)[:3, 3]
    at = at + z * float((face.point - at) @ z)
    return into_frame(np.array([x, cross(z, x), z]), at)


def _bores(
    face: Feature, features: Sequence[Feature], outer: Outline | None, inner: Sequence[Outline], matrix: Floats
) -> list[Feature]:
    """Bores that start at the face; of several on one axis the one that starts nearest to it."""
    seen = {s.feature for o in inner for s in o.segments if s.feature is not None}
    found = [f for f in features if f.confidence == "good" and pierces(f, face)]
    assert face.direction is not None
    polygon = None if outer is None else polyline(outer)
    out: list[Feature] = []
    for f in found:
        place = transformed(matrix, f.point)[:2]
        if f.id not in seen and polygon is not None and not contains([polygon], place[None])[0]:
            continue
        out.append(f)
    level = float(face.point @ face.direction)
    depth = {f.id: level - float(f.point @ face.direction) for f in out}
    kept: list[Feature] = []
    for f in sorted(out, key=lambda f: (depth[f.id], f.id)):
        place = transformed(matrix, f.point)[:2]
        if all(np.linalg.norm(place - transformed(matrix, k.point)[:2]) > 0.5 for k in kept):
            kept.append(f)
    return sorted(kept, key=lambda f: (-(f.radius or 0.0), f.id))


def _hole(bore: Feature, face: Feature, matrix: Floats) -> Hole:
    assert face.direction is not None
    assert bore.direction is not None
    place, lever = mouth(bore, face.point, face.direction, face.uncertainty.direction or 0.0)
    half = 0.5 * (bore.extent.length or 0.0)
    ends = bore.extent.along or (-half, half)
    deepest = min(float((bore.point + e * bore.direction - face.point) @ face.direction) for e in ends)
    tilt = angle_between_lines(bore.direction, face.direction)
    sigma = bore.uncertainty.position
    turn = face.uncertainty.direction
    place_sigma = None if sigma is None or turn is None else float(np.hypot(sigma, lever * turn))
    return Hole(
        bore.id,
        transformed(matrix, place)[:2],
        2.0 * (bore.radius or 0.0),
        -deepest,
        tilt,
        place_sigma,
        None if bore.uncertainty.radius is None else 2.0 * bore.uncertainty.radius,
    )


def _patterns(holes: Sequence[Hole]) -> list[HolePattern]:
    """Bolt circles and rectangles of equal holes, and free patterns of what is left of equal holes."""
    out: list[HolePattern] = []
    for group in _alike(holes):
        places = np.array([h.place for h in group])
        left = set(range(len(group)))
        for ring in rings(places) if len(group) > 2 else []:
            if len(ring.members) == 4 and not ring.even:
                continue
            start = ring.phase or 0.0
            angle = (polar_angles(places[list(ring.members)] - ring.centre) - start + 1e-3) % FULL_TURN
            members = tuple(group[ring.members[i]].feature for i in np.argsort(angle, kind="stable"))
            out.append(
                HolePattern(
                    "pitch_circle", members, ring.centre, ring.rms, 2.0 * ring.radius, ring.count,
                    len(ring.empty), ring.phase, None, ring.empty if len(ring.empty) else None,
                )
            )  # fmt: skip
            left -= set(ring.members)
        rest = sorted(left)
        for r in rectangles(places[rest]) if len(rest) > 3 else []:
            members = tuple(group[rest[i]].feature for i in r.members)
            out.append(HolePattern("rectangle", members, r.centre, r.rms, count=4, phase=r.angle, size=r.size))
            left -= {rest[i] for i in r.members}
        if len(left) > 1:
            some = sorted(left)
            members = tuple(group[i].feature for i in some)
            out.append(HolePattern("free", members, places[some].mean(axis=0), 0.0, count=len(some)))
    return out


def _alike(holes: Sequence[Hole]) -> list[list[Hole]]:
    groups: list[list[Hole]] = []
    for hole in sorted(holes, key=lambda h: (h.diameter, h.feature)):
        unsure = 1.96 * (hole.diameter_uncertainty or 0.0)
        if groups and hole.diameter - groups[-1][0].diameter < SAME_DRILL + unsure:
            groups[-1].append(hole)
        else:
            groups.append([hole])
    return groups


def _origin(holes: Sequence[Hole], patterns: Sequence[HolePattern], matrix: Floats, part: Floats) -> tuple[Floats, str]:
    circles = [p for p in patterns if p.kind == "pitch_circle" and p.diameter is not None]
    if circles:
        ring = max(circles, key=lambda p: (p.diameter or 0.0, p.members))
        return ring.centre, f"middle of the pitch circle D{ring.diameter:.3f}"
    if holes:
        return holes[0].place, f"axis of {holes[0].feature}"
    return np.zeros(2), "the part's origin, square to the face"


def _shifted(outline: Outline, origin: Floats) -> Outline:
    segments = tuple(
        replace(
            s,
            start=s.start - origin,
            end=s.end - origin,
            centre=None if s.centre is None else s.centre - origin,
            points=None if s.points is None else s.points - origin,
        )
        for s in outline.segments
    )
    return replace(outline, segments=segments)


def _cautions(outer: Outline | None, inner: Sequence[Outline], pieces: int) -> list[str]:
    out = []
    if outer is None:
        out.append("no outline: the border of the face is not closed")
    elif outer.broken:
        out.append("part of the outer outline could not be seen and is bridged")
    if any(o.broken for o in inner):
        out.append("part of an opening's outline could not be seen and is bridged")
    if pieces > 1:
        out.append(f"the face has {pieces} separate pieces; the largest is drawn")
    if outer is not None:
        lengths = [(s.kind, float(step_lengths(_points(s)).sum())) for s in outer.segments]
        free = sum(length for kind, length in lengths if kind == "free")
        if free > MOST_FREE * sum(length for _, length in lengths):
            out.append("the outer outline is mostly no line or arc (a cast edge): a polyline follows it")
    return out


def _points(segment: Segment) -> Floats:
    return polyline(Outline((segment,), 0.0, 0.0, 0.0))


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
