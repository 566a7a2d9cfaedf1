"""Patterns of features: bolt circles, rectangles of holes, coaxial groups, planes midway between two faces.

A pattern is a finding, not a snap: its members stay where they were measured, and `rms` says how far they lie
from the ideal places.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from pipeline.coverage import PAIR, SINGLE
from pipeline.features.relations.coaxial_groups import coaxial_groups
from pipeline.features.relations.hole_layouts import layout_sigma, rectangles, rings
from pipeline.features.relations.piercing import mouth, pierced_face, reach_along
from pipeline.features.uncertainty import with_scale, without_scale
from pipeline.geometry import Floats, basis_of, cross, growing_sense, mean_line, polar_angles, rejection, unit
from pipeline.lengths import mm, place_in_mm
from pipeline.surfaces import is_bore, kind_of
from pipeline.values import Feature, Pattern

# The same drill makes holes within 0.25 mm of one another: common practice, no source.
SAME_DRILL = 0.25
PARALLEL = np.radians(1.0)
# mm by which what was made symmetrical may miss it: common practice, no source.
MIRRORED = 0.15


def find_patterns(features: Sequence[Feature]) -> tuple[Pattern, ...]:
    """All patterns of a part's machined, well-seen features: coaxial groups, pitch circles, rectangles, mid-planes.

    >>> from tests.features.made import bore
    >>> two = [bore('near', (0, 0, 0), (0, 0, 1), 20.0), bore('far', (0, 0, 80), (0, 0, 1), 15.0)]
    >>> [(pattern.kind, pattern.members) for pattern in find_patterns(two)]
    [('coaxial', ('near', 'far'))]
    """
    features = [f for f in features if f.machined and f.confidence == "good"]
    holes = hole_sets(features)
    circles = [circle for group in holes for circle in _pitch_circles(group, features)]
    even = [set(circle.members) for circle in circles if circle.phase is not None]
    rows = [row for group in holes for row in _rectangles(group, features)]
    rows = [row for row in rows if not any(even_ring.issuperset(row.members) for even_ring in even)]
    return (*coaxial_groups(features), *circles, *rows, *mid_planes(features))


def hole_sets(features: Sequence[Feature]) -> list[list[Feature]]:
    """Bores that one drill could have made in one wall: parallel, of one diameter, side by side."""
    bores = [f for f in features if is_bore(f)]
    bores.sort(key=lambda f: (f.radius or 0.0, f.id))
    sets: list[list[Feature]] = []
    for bore in bores:
        for group in sets:
            if _same_drill(bore, group):
                group.append(bore)
                break
        else:
            sets.append([bore])
    return [group for group in sets if len(group) >= 3]


def _same_drill(bore: Feature, group: list[Feature]) -> bool:
    assert bore.direction is not None
    assert bore.radius is not None
    for other in group:
        assert other.direction is not None
        assert other.radius is not None
        turn = np.linalg.norm(cross(bore.direction, other.direction))
        unsure = np.hypot(bore.uncertainty.direction or 0.0, other.uncertainty.direction or 0.0)
        if turn > np.sin(PARALLEL) + PAIR * unsure:
            return False
        wide = np.hypot(_own(bore), _own(other))
        if abs(bore.radius - other.radius) > 0.5 * SAME_DRILL + SINGLE * wide:
            return False
    return any(_side_by_side(bore, other) for other in group)


def _own(bore: Feature) -> float:
    """Standard uncertainty of its radius against others of the scan, mm."""
    known = bore.uncertainty
    return without_scale(known.radius or 0.0, bore.radius or 0.0, known.scale)


def _side_by_side(a: Feature, b: Feature) -> bool:
    """Whether the seen stretches of two parallel holes overlap, seen across, give or take 2 mm."""
    assert a.direction is not None
    assert b.direction is not None
    low, high = reach_along(a, a.direction)
    other_low, other_high = reach_along(b, a.direction)
    away = b.point - a.point
    apart = np.linalg.norm(rejection(away, a.direction))
    return low - 2.0 < other_high and other_low - 2.0 < high and bool(apart > 0.5)


def _sketch(group: Sequence[Feature], features: Sequence[Feature]) -> tuple[Floats, Floats, float]:
    """Origin, axes (rows x, y, out) and the normal's uncertainty of a plane square to a group of holes.

    It is the face that they pierce, where there is one: its normal is known better than any hole's direction.
    """
    points = np.array([f.point for f in group])
    middle = points.mean(axis=0)
    face = pierced_face(group, features)
    if face is not None:
        assert face.direction is not None
        w, unsure = face.direction, face.uncertainty.direction or 0.0
        middle = middle + w * float((face.point - middle) @ w)
    else:
        w = mean_line([f.direction for f in group if f.direction is not None])
        w = w * growing_sense(w)
        unsure = max(f.uncertainty.direction or 0.0 for f in group) / np.sqrt(len(group))
    return middle, np.array([*basis_of(w), w]), float(unsure)


def _pitch_circles(group: list[Feature], features: Sequence[Feature]) -> list[Pattern]:
    middle, axes, unsure = _sketch(group, features)
    places = _across(group, middle, axes, unsure)
    out = []
    for ring in rings(places):
        if len(ring.members) == 4 and not ring.even:
            continue
        members = _in_turn(ring.members, places, ring.centre)
        notes = []
        if not ring.even:
            notes.append("the holes don't divide the circle evenly")
        if len(ring.empty):
            spots = middle + ring.empty @ axes[:2]
            notes.append("no hole at " + " and ".join(f"scan: {place_in_mm(spot)}" for spot in spots))
        out.append(
            Pattern(
                "pitch_circle",
                tuple(group[i].id for i in members),
                centre=middle + ring.centre @ axes[:2],
                normal=axes[2],
                diameter=2.0 * ring.radius,
                count=ring.count,
                missing=len(ring.empty),
                phase=ring.phase,
                rms=ring.rms,
                note="; ".join(notes) or None,
                size_sigma=_size_sigma([group[i] for i in members], ring.rms, 2.0 * ring.radius),
            )
        )
    return out


def _size_sigma(holes: Sequence[Feature], rms: float, length: float) -> float | None:
    own = layout_sigma([hole.uncertainty.position for hole in holes], rms)
    return with_scale(own, length, holes[0].uncertainty.scale)


def _across(group: Sequence[Feature], middle: Floats, axes: Floats, unsure: float) -> Floats:
    """(n, 2) where the holes meet the sketch plane."""
    return np.array([axes[:2] @ (mouth(f, middle, axes[2], unsure)[0] - middle) for f in group])


def _in_turn(members: Sequence[int], places: Floats, centre: Floats) -> list[int]:
    angle = polar_angles(places[list(members)] - centre) % (2 * np.pi)
    return [members[i] for i in np.argsort(angle, kind="stable")]


def _rectangles(group: list[Feature], features: Sequence[Feature]) -> list[Pattern]:
    middle, axes, unsure = _sketch(group, features)
    places = _across(group, middle, axes, unsure)
    return [
        Pattern(
            "rectangle",
            tuple(group[i].id for i in r.members),
            centre=middle + r.centre @ axes[:2],
            normal=axes[2],
            count=4,
            missing=0,
            phase=r.angle,
            rms=r.rms,
            size=r.size,
            size_sigma=_size_sigma([group[i] for i in r.members], r.rms, r.size[0]),
        )
        for r in rectangles(places)
    ]


def mid_planes(features: Sequence[Feature]) -> list[Pattern]:
    """Planes midway between two like faces that look away from (or at) each other, and that something else of the part
    is symmetrical about: without that, any two end faces would make one."""
    planes = [f for f in features if kind_of(f).flat and f.machined]
    out = []
    for a, b in combinations(planes, 2):
        assert a.direction is not None
        assert b.direction is not None
        unsure = np.hypot(a.uncertainty.direction or 0.0, b.uncertainty.direction or 0.0)
        if a.direction @ b.direction > 0 or np.linalg.norm(cross(a.direction, b.direction)) > (
            np.sin(np.radians(0.5)) + PAIR * unsure
        ):
            continue
        small, large = sorted((a.extent.area, b.extent.area))
        normal = unit(a.direction - b.direction)
        off = b.point - a.point
        across = rejection(off, normal)
        # Like faces: of one size, one over the other.
        if small < 0.7 * large or np.linalg.norm(across) > 0.35 * np.sqrt(small):
            continue
        level = 0.5 * float(normal @ (a.point + b.point))
        middle = 0.5 * (a.point + b.point)
        centre = middle - (normal @ middle - level) * normal
        if not _symmetrical_about(centre, normal, features):
            continue
        out.append(
            Pattern(
                "mid_plane",
                (a.id, b.id),
                centre=centre,
                normal=normal,
                note=f"{mm(abs(float(off @ normal)), '.3f')} apart",
            )
        )
    return out


def _symmetrical_about(centre: Floats, normal: Floats, features: Sequence[Feature]) -> bool:
    """Whether a plane holds the axis or centre of a round feature, or mirrors one of two equal ones onto the other."""
    round_ones = [f for f in features if f.radius is not None and (f.direction is not None or kind_of(f).spherical)]
    if not round_ones:
        return False
    points = np.array([f.point for f in round_ones])
    ways = np.array([np.zeros(3) if f.direction is None else f.direction for f in round_ones])
    radii = np.array([f.radius for f in round_ones], dtype=float)
    off = (points - centre) @ normal
    level = np.abs(ways @ normal)
    along = np.sin(PARALLEL) > level
    if np.any(along & (np.abs(off) < MIRRORED)):
        return True
    mirrored = points - 2.0 * off[:, None] * normal
    turned = ways - 2.0 * (ways @ normal)[:, None] * normal
    away = mirrored[:, None] - points[None]
    away -= np.sum(away * ways[None], axis=2)[..., None] * ways[None]
    alike = np.abs(radii[:, None] - radii[None]) < 0.5 * SAME_DRILL
    alike &= np.linalg.norm(np.cross(turned[:, None], ways[None]), axis=2) < np.sin(PARALLEL)
    alike &= (along[:, None]) & (np.abs(off) > MIRRORED)[:, None]
    return bool(np.any(alike & (np.linalg.norm(away, axis=2) < MIRRORED)))
