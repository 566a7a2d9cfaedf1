"""Flanges: a flat face with its clean outlines, the holes that pierce it and the patterns they make, as a sketch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.coverage import SINGLE
from pipeline.features.relations import SAME_DRILL, layout_sigma, mouth, pierces, reach_along, rectangles, rings
from pipeline.features.sketches.behind import Behind
from pipeline.features.sketches.ground import SketchGround
from pipeline.features.sketches.outlines import opening, outlines_of, polyline
from pipeline.features.sketches.parted_faces import joined, leaves_land
from pipeline.features.sketches.sharp_edges import section
from pipeline.features.uncertainty import with_scale, without_scale
from pipeline.geometry import (
    FULL_TURN,
    Floats,
    angle_between_lines,
    contains,
    cross,
    into_frame,
    polar_angles,
    rejection,
    rigid,
    step_lengths,
    transformed,
    undone,
    unit,
)
from pipeline.lengths import mm
from pipeline.mesh.query import SightLines
from pipeline.surfaces import is_bore, kind_of
from pipeline.values import Feature, Flange, Hole, HolePattern, Outline, Segment

# Which faces are worth a drawing: pierced by several holes, or large among the part's faces.
SHARE, SHARE_BORED = 0.10, 0.04
MOST_FREE = 0.5  # share of an outline that may be free before it is said to be no clean curve


def flanges_of(ground: SketchGround, part: Floats) -> tuple[Flange, ...]:
    """The faces worth a drawing, largest first; `part` (4, 4) scan -> part coordinates.

    Those are planes, machined and recovered with good confidence, that two holes pierce or whose area is a tenth of the
    largest one's (common practice, no source). Rings of one level, which a groove parts, are drawn as one face. A
    sketch lies in the face's plane, z out of the material; lengths mm.

    Below, an open sheet: nothing is seen beyond its border, so its outline is said to be broken.

    >>> from pipeline.features.sketches import prepare
    >>> from pipeline.values import Extent, Form, Surface, Uncertainty
    >>> known = (Uncertainty(None, None, None, ""), Form(0.0, 0.0, 1.0, "flatness"), Extent(200.0, 256))
    >>> top = Feature("face-1", "plane", None, np.zeros(3), np.array([0.0, 0.0, 1.0]), None, *known)
    >>> a = np.array([*np.ndindex(20, 10)]) @ [[11], [1]]
    >>> plate = Surface.measured([*np.ndindex(21, 11, 1)], np.vstack([a + [0, 11, 12], a + [0, 12, 1]]))
    >>> (flange,) = flanges_of(prepare(plate, np.zeros(400, np.int32), (top,), 0.01), np.eye(4))
    >>> flange.feature, len(flange.holes), flange.outer.broken
    ('face-1', 0, True)
    """
    ground, rings_of = joined(ground)
    within = {k for others in rings_of.values() for k in others}
    faces = [
        (i, f)
        for i, f in enumerate(ground.features)
        if kind_of(f).flat and f.machined and f.confidence == "good" and i not in within
    ]
    faces.sort(key=lambda pair: -pair[1].extent.area)
    largest = faces[0][1].extent.area if faces else 0.0
    sight: SightLines | None = None
    out = []
    for index, face in faces:
        holes = [f for f in ground.features if f.confidence == "good" and pierces(f, face)]
        if len(holes) < 2 and face.extent.area < (SHARE_BORED if holes else SHARE) * largest:
            continue
        sight = sight or SightLines.through(ground.surface.vertices, ground.surface.faces)
        made = flange(ground, index, part, sight)
        if made is not None and index in rings_of:
            others = ", ".join(ground.features[k].id for k in rings_of[index])
            made = replace(made, cautions=(*made.cautions, f"drawn with {others}, of the same level, beyond a groove"))
        if made is not None:
            out.append(made)
    return tuple(out)


def flange(ground: SketchGround, index: int, part: Floats, sight: SightLines) -> Flange | None:
    """The sketch of one face; None where it is none worth a drawing after all: the floor of a bore or pocket, or too
    small for the holes that it turns out to have.

    Its x runs along the part's x, or y where the face looks along x; its origin lies in the middle of the largest bolt
    circle, or of the largest hole, or at the part's origin seen square on.
    """
    face = ground.features[index]
    matrix = _sketch(face, part)
    outer, inner, sunk = outlines_of(ground, index, matrix)
    bores, inner = _bores(face, ground.features, outer, inner, matrix)
    largest = max(f.extent.area for f in ground.features if kind_of(f).flat)
    if len(bores) < 2 and (sunk or face.extent.area < (SHARE_BORED if bores else SHARE) * largest):
        return None
    holes = [_hole(f, face, matrix) for f in bores]
    scale = face.uncertainty.scale
    patterns = _patterns(holes, scale)
    origin, origin_at = _origin(holes, patterns, matrix, part)
    if np.any(origin != 0.0):
        matrix = rigid(np.eye(3), -np.append(origin, 0.0)) @ matrix
        outer = None if outer is None else _shifted(outer, origin)
        inner = tuple(_shifted(o, origin) for o in inner)
        holes = [_hole(f, face, matrix) for f in bores]
        patterns = _patterns(holes, scale)
    seen = Behind(ground, index, matrix, sight, outer, inner)
    holes = [seen.told(hole) for hole in holes]
    cautions = tuple(_cautions(outer, inner, leaves_land(ground, index)))
    return Flange(
        face.id, matrix, origin_at, outer, inner, tuple(holes), tuple(patterns), cautions, seen.thickness(),
    )  # fmt: skip


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
) -> tuple[list[Feature], tuple[Outline, ...]]:
    """Bores that start at the face, of several on one axis the one that starts nearest to it, and those that come
    through a spigot of it at the face's level; and the outlines inside the face with those bores' rims."""
    seen = {s.feature for o in inner for s in o.segments if s.feature is not None}
    assert face.direction is not None
    polygon = None if outer is None else polyline(outer)
    proud = [polyline(o) for o in inner if o.what == "spigot"]
    level = float(face.point @ face.direction)

    def on_spigot(f: Feature) -> bool:
        place = transformed(matrix, f.point)[:2]
        return any(contains([spigot], place[None])[0] for spigot in proud)

    found: list[Feature] = []
    through: list[Feature] = []
    for f in features:
        if f.confidence != "good" or not is_bore(f):
            continue
        if on_spigot(f):
            through += [f] if _crosses_level(f, face) else []
        elif pierces(f, face):
            place = transformed(matrix, f.point)[:2]
            if f.id in seen or polygon is None or contains([polygon], place[None])[0]:
                found.append(f)
    depth = {f.id: abs(level - float(f.point @ face.direction)) for f in (*found, *through)}
    kept: list[Feature] = []
    for f in sorted((*found, *through), key=lambda f: (depth[f.id], f.id)):
        place = transformed(matrix, f.point)[:2]
        if all(np.linalg.norm(place - transformed(matrix, k.point)[:2]) > 0.5 for k in kept):
            kept.append(f)
    rims = [opening(curve) for f in kept if f in through for curve in section(f, matrix) if curve.kind == "circle"]
    return sorted(kept, key=lambda f: (-(f.radius or 0.0), f.id)), (*inner, *rims)


def _crosses_level(bore: Feature, face: Feature) -> bool:
    """Whether a bore square to a face was seen on both sides of its level."""
    assert face.direction is not None
    assert bore.direction is not None
    if abs(bore.direction @ face.direction) < np.cos(np.radians(5.0)):
        return False
    low, high = reach_along(bore, face.direction)
    return low < float(face.point @ face.direction) < high


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
    at = transformed(matrix, place)[:2]
    return Hole(
        bore.id,
        at,
        2.0 * (bore.radius or 0.0),
        -deepest,
        tilt,
        with_scale(place_sigma, float(np.linalg.norm(at)), bore.uncertainty.scale),
        None if bore.uncertainty.radius is None else 2.0 * bore.uncertainty.radius,
    )


def _patterns(holes: Sequence[Hole], scale: float) -> list[HolePattern]:
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
            own = layout_sigma([_place_sigma(group[i], scale) for i in ring.members], ring.rms)
            size = 2.0 * ring.radius
            out.append(
                HolePattern(
                    "pitch_circle", members, ring.centre, ring.rms, size, ring.count, len(ring.empty), ring.phase,
                    None, ring.empty if len(ring.empty) else None, with_scale(own, size, scale),
                    None if own is None else own / size,
                )
            )  # fmt: skip
            left -= set(ring.members)
        rest = sorted(left)
        for r in rectangles(places[rest]) if len(rest) > 3 else []:
            members = tuple(group[rest[i]].feature for i in r.members)
            own = layout_sigma([_place_sigma(group[rest[i]], scale) for i in r.members], r.rms)
            sigma = with_scale(own, r.size[0], scale)
            out.append(
                HolePattern(
                    "rectangle", members, r.centre, r.rms, count=4, phase=r.angle, size=r.size, size_sigma=sigma
                )
            )
            left -= {rest[i] for i in r.members}
        if len(left) > 1:
            some = sorted(left)
            members = tuple(group[i].feature for i in some)
            out.append(HolePattern("free", members, places[some].mean(axis=0), 0.0, count=len(some)))
    return out


def _place_sigma(hole: Hole, scale: float) -> float | None:
    return without_scale(hole.place_uncertainty, float(np.linalg.norm(hole.place)), scale)


def _alike(holes: Sequence[Hole]) -> list[list[Hole]]:
    groups: list[list[Hole]] = []
    for hole in sorted(holes, key=lambda h: (h.diameter, h.feature)):
        unsure = SINGLE * (hole.diameter_uncertainty or 0.0)
        if groups and hole.diameter - groups[-1][0].diameter < SAME_DRILL + unsure:
            groups[-1].append(hole)
        else:
            groups.append([hole])
    return groups


def _origin(holes: Sequence[Hole], patterns: Sequence[HolePattern], matrix: Floats, part: Floats) -> tuple[Floats, str]:
    circles = [p for p in patterns if p.kind == "pitch_circle" and p.diameter is not None]
    if circles:
        ring = max(circles, key=lambda p: (p.diameter or 0.0, p.members))
        return ring.centre, f"middle of the pitch circle D{mm(ring.diameter or 0.0, '.3f')}"
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


def _cautions(outer: Outline | None, inner: Sequence[Outline], rest: bool) -> list[str]:
    out = []
    if outer is None:
        out.append("no outline: the border of the face is not closed")
    elif outer.broken:
        out.append("part of the outer outline could not be seen and is bridged")
    if any(o.broken for o in inner):
        out.append("part of an outline inside could not be seen and is bridged")
    pieces = 1 + sum(o.what == "piece" for o in inner)
    if pieces > 1:
        out.append(f"the face has {pieces} separate pieces; all are drawn")
    if outer is not None:
        lengths = [(s.kind, float(step_lengths(_points(s)).sum())) for s in outer.segments]
        free = sum(length for kind, length in lengths if kind == "free")
        if free > MOST_FREE * sum(length for _, length in lengths):
            out.append("the outer outline is mostly no line or arc (a cast edge): a polyline follows it")
    if rest:
        out.append("land level with it beside it was recovered as no feature and is not drawn")
    return out


def _points(segment: Segment) -> Floats:
    return polyline(Outline((segment,), 0.0, 0.0, 0.0))
