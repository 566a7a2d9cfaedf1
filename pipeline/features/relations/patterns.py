"""Patterns of features: bolt circles, rectangles of holes, coaxial groups, planes midway between two faces.

A pattern is a finding, not a snap: its members stay where they were measured, and `rms` says how far they lie
from the ideal places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.features.relations.coaxial_groups import coaxial_groups
from pipeline.surfaces import basis_of, is_bore, kind_of
from pipeline.values import Feature, Pattern

Array = NDArray[np.float64]

# What is still one pattern: holes as drilled by hand on a marked-out circle lie within some 0.3 mm of their places
# (common practice, no source). The same drill makes holes within 0.25 mm of one another.
PLACE = 0.3
SAME_DRILL = 0.25
PARALLEL = np.radians(1.0)
EVEN = np.radians(1.0)  # a side's angle just under a half turn is written as just under none
MOST_HOLES = 40  # triples of more holes than this are not all tried


def find_patterns(features: Sequence[Feature]) -> tuple[Pattern, ...]:
    """All patterns of a part's machined, well-seen features: coaxial groups, pitch circles, rectangles, mid-planes."""
    features = [f for f in features if f.machined and f.confidence == "good"]
    holes = hole_sets(features)
    rings = [ring for group in holes for ring in _pitch_circles(group, features)]
    even = [set(ring.members) for ring in rings if ring.phase is not None]
    rows = [row for group in holes for row in _rectangles(group, features)]
    rows = [row for row in rows if not any(even_ring.issuperset(row.members) for even_ring in even)]
    return (*coaxial_groups(features), *rings, *rows, *mid_planes(features))


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
        turn = np.linalg.norm(np.cross(bore.direction, other.direction))
        unsure = np.hypot(bore.uncertainty.direction or 0.0, other.uncertainty.direction or 0.0)
        if turn > np.sin(PARALLEL) + 2.45 * unsure:
            return False
        wide = np.hypot(bore.uncertainty.radius or 0.0, other.uncertainty.radius or 0.0)
        if abs(bore.radius - other.radius) > 0.5 * SAME_DRILL + 1.96 * wide:
            return False
    return any(_side_by_side(bore, other) for other in group)


def _side_by_side(a: Feature, b: Feature) -> bool:
    """Whether the seen stretches of two parallel holes overlap, seen across, give or take 2 mm."""
    assert a.direction is not None
    assert b.direction is not None
    low, high = _reach(a, a.direction)
    other_low, other_high = _reach(b, a.direction)
    away = b.point - a.point
    apart = np.linalg.norm(away - (away @ a.direction) * a.direction)
    return low - 2.0 < other_high and other_low - 2.0 < high and bool(apart > 0.5)


def _reach(feature: Feature, along: Array) -> tuple[float, float]:
    assert feature.direction is not None
    half = 0.5 * (feature.extent.length or 0.0)
    ends = feature.extent.along or (-half, half)
    places = [float((feature.point + e * feature.direction) @ along) for e in ends]
    return min(places), max(places)


# ---------------------------------------------------------------------------------------------------------------
# Circles


def circle_through(points: Array, weights: Array | None = None) -> tuple[Array, float, float]:
    """Least-squares circle of points (n >= 3, 2): centre (2,), radius, rms of the radial distances, mm.

    Minimises orthogonal distance by Gauss-Newton with step control, from the algebraic fit of centred moments.
    Method: Gander, Golub, Strebel, BIT 34 (1994) 558-578. Raises ValueError when the points lie on a line.
    """
    points = np.asarray(points, float)
    w = np.ones(len(points)) if weights is None else np.asarray(weights, float)
    middle = np.average(points, axis=0, weights=w)
    x = points - middle
    scale = float(np.sqrt(np.average(np.sum(x**2, axis=1), weights=w)))
    if scale == 0.0:
        raise ValueError("a circle needs points apart from each other")
    x = x / scale
    design = np.column_stack([2 * x, np.ones(len(x))])
    root = np.sqrt(w)[:, None]
    solved, _, rank, s = np.linalg.lstsq(design * root, np.sum(x**2, axis=1) * root[:, 0], rcond=None)
    if rank < 3 or s[-1] < 1e-7 * s[0]:
        raise ValueError("the points lie on a line; no circle goes through them")
    a, b, r = solved[0], solved[1], float(np.sqrt(max(solved[2] + solved[0] ** 2 + solved[1] ** 2, 1e-12)))
    damping, cost = 0.0, np.inf
    best = np.array([a, b, r])
    for _ in range(200):
        off = x - best[:2]
        away = np.maximum(np.linalg.norm(off, axis=1), 1e-12)
        residual = away - best[2]
        now = float(w @ residual**2)
        jacobian = np.column_stack([-off / away[:, None], -np.ones(len(x))])
        normal = jacobian.T @ (jacobian * w[:, None])
        gradient = jacobian.T @ (w * residual)
        cost = now
        while True:
            try:
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -gradient)
            except np.linalg.LinAlgError as error:
                raise ValueError("the points lie on a line; no circle goes through them") from error
            trial = best + step
            new = np.linalg.norm(x - trial[:2], axis=1) - trial[2]
            if float(w @ new**2) <= cost or np.linalg.norm(step) < 1e-15:
                break
            damping = max(4.0 * damping, 1e-6)
        best, damping = trial, damping / 8.0
        if np.linalg.norm(step) < 1e-13 * (1.0 + np.linalg.norm(best)):
            break
    residual = np.linalg.norm(x - best[:2], axis=1) - best[2]
    rms = float(np.sqrt(np.average(residual**2, weights=w)))
    return middle + scale * best[:2], scale * float(best[2]), scale * rms


@dataclass(frozen=True)
class Ring:
    """Holes on a circle, in 2-D: which of the points, its measures, and the places that are empty.

    count   places on the ring, holes and empty ones; phase rad to the first place (smallest angle >= 0)
    even    whether the places divide the circle evenly; if not, count is that of the holes, phase None
    """

    members: tuple[int, ...]
    centre: Array
    radius: float
    count: int
    phase: float | None
    rms: float
    empty: Array
    even: bool


def rings(points: Array) -> list[Ring]:
    """Bolt circles among points (n, 2) of equal holes, most holes first; a point belongs to one ring at most.

    Three holes make a ring when they divide the circle evenly, or are three of four places; five or more when they
    lie on a circle at all.
    """
    left = list(range(len(points)))
    found: list[Ring] = []
    while len(left) >= 3:
        best = _best_ring(points, left)
        if best is None:
            break
        found.append(best)
        left = [i for i in left if i not in best.members]
    return found


def _best_ring(points: Array, left: list[int]) -> Ring | None:
    some = left if len(left) <= MOST_HOLES else left[:: -(-len(left) // MOST_HOLES)]
    best: Ring | None = None
    tried: set[tuple[int, ...]] = set()
    for triple in combinations(some, 3):
        try:
            centre, radius, _ = circle_through(points[list(triple)])
        except ValueError:
            continue
        members = _members(points, left, centre, radius)
        if members in tried or len(members) < 3 or (best is not None and len(members) < len(best.members)):
            continue
        tried.add(members)
        try:
            centre, radius, _ = circle_through(points[list(members)])
        except ValueError:
            continue
        members = _members(points, left, centre, radius)
        if len(members) < 3:
            continue
        ring = _ring(points, members)
        if ring is not None and (best is None or _rank(ring) > _rank(best)):
            best = ring
    return best


def _rank(ring: Ring) -> tuple[int, bool, int, float]:
    return len(ring.members), ring.even, -len(ring.empty), -ring.rms


def _members(points: Array, left: list[int], centre: Array, radius: float) -> tuple[int, ...]:
    away = np.abs(np.linalg.norm(points[left] - centre, axis=1) - radius)
    return tuple(i for i, a in zip(left, away, strict=True) if a < PLACE)


def _ring(points: Array, members: tuple[int, ...]) -> Ring | None:
    chosen = points[list(members)]
    centre, radius, rms = circle_through(chosen)
    off = chosen - centre
    angles = np.arctan2(off[:, 1], off[:, 0])
    k = len(members)
    for count in range(k, k + max(1, k // 3) + 1):
        pitch = 2 * np.pi / count
        if 2.0 * radius * np.sin(pitch / 2.0) < 2.0 * PLACE:
            break
        phase = float(np.angle(np.mean(np.exp(1j * count * angles)))) / count
        place = np.round((angles - phase) / pitch)
        missed = radius * (angles - phase - place * pitch)
        slots = place.astype(int) % count
        if len(set(slots.tolist())) < k or np.max(np.abs(missed)) > PLACE:
            continue
        empty = sorted(set(range(count)) - set(slots.tolist()))
        where = phase + pitch * np.array(empty, dtype=float)
        full = float(np.sqrt(rms**2 + np.mean(missed**2)))
        return Ring(
            members, centre, radius, count, float(phase % pitch), full,
            centre + radius * np.column_stack([np.cos(where), np.sin(where)]), True,
        )  # fmt: skip
    if k >= 5:
        return Ring(members, centre, radius, k, None, rms, np.empty((0, 2)), False)
    return None


# ---------------------------------------------------------------------------------------------------------------
# Rectangles


@dataclass(frozen=True)
class Rectangle:
    """Four holes at the corners of a rectangle; `angle` rad of the longer side, in [0, pi) give or take a degree."""

    members: tuple[int, ...]
    centre: Array
    size: tuple[float, float]
    angle: float
    rms: float


def rectangles(points: Array) -> list[Rectangle]:
    """Rectangles among points (n, 2), largest first; a point belongs to one at most."""
    found = []
    if len(points) <= 16:
        for four in combinations(range(len(points)), 4):
            made = _rectangle(points, four)
            if made is not None:
                found.append(made)
    found.sort(key=lambda r: (-r.size[0] * r.size[1], r.rms))
    kept: list[Rectangle] = []
    for r in found:
        if all(set(r.members).isdisjoint(k.members) for k in kept):
            kept.append(r)
    return kept


def _rectangle(points: Array, four: tuple[int, ...]) -> Rectangle | None:
    middle = points[list(four)].mean(axis=0)
    off = points[list(four)] - middle
    order = np.argsort(np.arctan2(off[:, 1], off[:, 0]))
    a, b, c, d = off[order]
    # A rectangle's corners are +-s +-t about its middle, with s and t square to each other.
    s, t = 0.25 * ((a - b) + (d - c)), 0.25 * ((a + b) - (c + d))
    if np.linalg.norm(s) < np.linalg.norm(t):
        s, t = t, s
    long, short = np.linalg.norm(s), np.linalg.norm(t)
    if short < 2.0:
        return None
    # The best square pair: turn the longer one by half of what is lacking.
    angle = np.arctan2(s[1], s[0])
    across = np.array([-np.sin(angle), np.cos(angle)])
    angle -= 0.5 * float((t @ [np.cos(angle), np.sin(angle)]) / (t @ across)) * (2 * short**2 / (long**2 + short**2))
    e = np.array([np.cos(angle), np.sin(angle)])
    n = np.array([-e[1], e[0]])
    half = np.abs([np.mean(np.abs(off @ e)), np.mean(np.abs(off @ n))])
    ideal = np.sign(off @ e)[:, None] * half[0] * e + np.sign(off @ n)[:, None] * half[1] * n
    missed = np.linalg.norm(off - ideal, axis=1)
    if missed.max() > PLACE:
        return None
    return Rectangle(
        tuple(int(four[i]) for i in order), middle, (2 * float(half[0]), 2 * float(half[1])),
        float((angle + EVEN) % np.pi - EVEN), float(np.sqrt(np.mean(missed**2))),
    )  # fmt: skip


# ---------------------------------------------------------------------------------------------------------------
# As patterns of features


def _sketch(group: Sequence[Feature], features: Sequence[Feature]) -> tuple[Array, Array, float]:
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
        first = group[0].direction
        assert first is not None
        w = sum((f.direction * np.sign(f.direction @ first) for f in group if f.direction is not None), np.zeros(3))
        w = w / np.linalg.norm(w)
        w = w * np.sign(w[int(np.argmax(np.abs(w) * [1.0, 1.001, 1.002]))])
        unsure = max(f.uncertainty.direction or 0.0 for f in group) / np.sqrt(len(group))
    u = basis_of(w)[0]
    return middle, np.array([u, np.cross(w, u), w]), float(unsure)


def pierced_face(group: Sequence[Feature], features: Sequence[Feature]) -> Feature | None:
    """The largest face that all holes of a group start from, or None."""
    faces = [f for f in features if kind_of(f).flat and all(pierces(hole, f) for hole in group)]
    return max(faces, key=lambda f: f.extent.area, default=None)


def pierces(hole: Feature, face: Feature) -> bool:
    """Whether a round bore starts at a face: square to it, on its material side, no further behind its level than
    a chamfer or rounding hides (2 mm and a quarter of the radius, 6 mm at most), and within the face's reach."""
    assert face.direction is not None
    if not is_bore(hole):
        return False
    assert hole.direction is not None
    assert hole.radius is not None
    if abs(hole.direction @ face.direction) < np.cos(np.radians(5.0)):
        return False
    low, high = _reach(hole, face.direction)
    level = float(face.point @ face.direction)
    hidden = 2.0 + min(0.25 * hole.radius, 4.0)
    if not (-1.0 < level - high < hidden and low < level):
        return False
    off = hole.point - face.point
    across = np.linalg.norm(off - (off @ face.direction) * face.direction)
    # The face is no disc: a ring or a long foot reaches further than a disc of its area.
    return bool(across < hole.radius + 4.0 * np.sqrt(face.extent.area / np.pi))


def mouth(hole: Feature, point: Array, normal: Array, normal_unsure: float) -> tuple[Array, float]:
    """Where a hole meets the plane through `point`: (3,) place, and its distance from the hole's middle, mm.

    The hole counts as square to the plane unless its tilt stands out of the uncertainties (95 %): a short hole's own
    direction is known far worse than a face's, and would carry its middle astray.
    """
    assert hole.direction is not None
    tilt = np.arctan2(np.linalg.norm(np.cross(hole.direction, normal)), abs(hole.direction @ normal))
    unsure = np.hypot(hole.uncertainty.direction or 0.0, normal_unsure)
    own = hole.uncertainty.direction is not None and tilt > max(2.45 * unsure, np.radians(0.1))
    along = hole.direction if own else normal
    step = float((point - hole.point) @ normal) / float(along @ normal)
    return hole.point + step * along, abs(step)


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
            notes.append("no hole at " + " and ".join("[" + ", ".join(f"{c:.2f}" for c in s) + "]" for s in spots))
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
            )
        )
    return out


def _across(group: Sequence[Feature], middle: Array, axes: Array, unsure: float) -> Array:
    """(n, 2) where the holes meet the sketch plane."""
    return np.array([axes[:2] @ (mouth(f, middle, axes[2], unsure)[0] - middle) for f in group])


def _in_turn(members: Sequence[int], places: Array, centre: Array) -> list[int]:
    off = places[list(members)] - centre
    angle = np.arctan2(off[:, 1], off[:, 0]) % (2 * np.pi)
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
        )
        for r in rectangles(places)
    ]


def mid_planes(features: Sequence[Feature]) -> list[Pattern]:
    """Planes midway between two like faces that look away from (or at) each other."""
    planes = [f for f in features if kind_of(f).flat and f.machined]
    out = []
    for a, b in combinations(planes, 2):
        assert a.direction is not None
        assert b.direction is not None
        unsure = np.hypot(a.uncertainty.direction or 0.0, b.uncertainty.direction or 0.0)
        if a.direction @ b.direction > 0 or np.linalg.norm(np.cross(a.direction, b.direction)) > (
            np.sin(np.radians(0.5)) + 2.45 * unsure
        ):
            continue
        small, large = sorted((a.extent.area, b.extent.area))
        normal = a.direction - b.direction
        normal = normal / np.linalg.norm(normal)
        off = b.point - a.point
        across = off - (off @ normal) * normal
        # Like faces: of one size, one over the other.
        if small < 0.7 * large or np.linalg.norm(across) > 0.35 * np.sqrt(small):
            continue
        level = 0.5 * float(normal @ (a.point + b.point))
        middle = 0.5 * (a.point + b.point)
        out.append(
            Pattern(
                "mid_plane",
                (a.id, b.id),
                centre=middle - (normal @ middle - level) * normal,
                normal=normal,
                note=f"{abs(float(off @ normal)):.3f} mm apart",
            )
        )
    return out
