"""Clearance: where two placed parts are nearest to each other, and how sure that is.

The distance is that of whole facets. Where the nearest place of a part lies on a recovered feature the feature's own
surface stands for its facet; elsewhere a quadric through the vertices about it does, since the nearest of many noisy
facets is the proudest. What is not known at random is added in squares, every move of a feature or a placing once with
all that it does; what is bounded is added as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from scipy.optimize import nnls

from pipeline.fitup.bodies import Placed
from pipeline.fitup.interference import Interference, interference
from pipeline.fitup.skin import REACH, TOUCHING, SkinPatch, skin_patch
from pipeline.geometry import Floats, Mask, box_of, transformed, undone, unit
from pipeline.lengths import mm
from pipeline.mesh.query import Meant, NearestFacets, crossing_facets, nearest_facets, nearest_on_facets
from pipeline.mesh.topology import facet_normals, mean_edge
from pipeline.surfaces import Shape, is_bore, kind_of, signed_distance, surface_normal
from pipeline.values import Feature

EXPANDED = 2.0  # coverage factor of about 95 % (JCGM 100, 6.2)
_PROUDEST = 3.0  # standard deviations of a scan's noise, for places of which too few vertices tell
_ALIKE = np.radians(1.0)
_OVERLAP = 0.1  # mm
# Of its radius, what a square edge that is rounded has lost; a scan rounds by the spacing of its points.
_ROUNDED = np.sqrt(2.0) - 1.0
# mm off a fit's cylinder and past its ends within which facets are its rim: what a scan rounds there, or a chamfer.
_RIM = 0.5, 2.0
_TURNS = 40  # of two places towards each other
_FINE = np.array([[i, k, 12 - i - k] for i in range(13) for k in range(13 - i)]) / 12.0  # places of a facet
_ALONE = np.cos(np.radians(15.0))  # share of a feature that holds a place near an edge nearly alone
_LOOKED_AT = 4096  # places of a feature, the nearest first, whether what they look at is there
_HELD = np.cos(np.radians(5.0))  # of a direction with the sum of normals that holds a place
_SLIGHT = 1e-3  # share of a surface that does not count
Verdict = Literal["clear", "too near", "hits", "can't be said"]
# Play of the diameters up to which a bore and what stands in it are a fit, mm and share of the diameter: as much as
# the loosest running fit, H11/c11, has (ISO 286-2, from memory: 0.37 mm at 30 mm, 0.62 mm at 100 mm).
_PLAY = 0.1, 0.01
MOST_FITS, MOST_SEATS = 48, 15
_ON_SEAT = 0.2  # mm off a flat face that what is meant to touch it may lie: a scan's noise and its spikes
Seats = Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Term:
    """Something that a gap is not known better than by: mm, "random" (one standard uncertainty) or "bound"."""

    name: str
    kind: Literal["random", "bound"]
    size: float


@dataclass(frozen=True)
class Spot:
    """A place where two parts are near to each other.

    distance  mm, of what stands for the facets there; raw: of the facets
    places    (2, 3) mm on the one and the other part
    facets    of both
    on        the features that these belong to, None: skin
    terms     what it is not known better than by
    expanded  mm, 95 %: EXPANDED times the root of the random terms' squares, and the bounds
    unsure    why that can't be vouched for; "" where it can
    """

    distance: float
    raw: float
    places: Floats
    facets: tuple[int, int]
    on: tuple[str | None, str | None]
    terms: tuple[Term, ...]
    expanded: float
    unsure: str


@dataclass(frozen=True)
class Fit:
    """A bore and what stands in it: mm.

    bore, inner  (part, feature)
    play         of the diameters: negative where the inner one is larger
    expanded     of it, 95 %; None where it can't be vouched for
    eccentric    by how much the axes are apart where they are farthest apart within the overlap
    overlap      length that they share
    """

    bore: tuple[str, str]
    inner: tuple[str, str]
    play: float
    expanded: float | None
    eccentric: float
    overlap: float


@dataclass(frozen=True)
class Clearance:
    """What is said of two parts.

    verdict   "clear" | "too near" | "hits" | "can't be said"
    why       a sentence that settles it, or says what would
    spot      nearest place of measured metal on both; None where they cross
    unseen    nearest place where one of both was never measured, where nearer than `spot` allows for
    fits      bores and what stands in them
    crossing  pairs of facets that cross
    depth     mm that the one goes into the other, at least
    overlap   what they have in common; None where they have nothing
    """

    verdict: Verdict
    why: str
    spot: Spot | None
    unseen: NearestFacets | None
    fits: tuple[Fit, ...]
    crossing: int
    depth: float
    overlap: Interference | None = None


def clearance(one: Placed, other: Placed, least: float = 0.0, seats: Seats = ()) -> Clearance:
    """Whether two parts keep `least` mm between them.

    seats  faces that are meant to touch, by their features' numbers on the one and on the other part; "" of the other
           one: the face may be as near to all of it as it likes, but not in it

    Fits, which are known from how the parts stand, are told apart: their faces don't count as long as they are no
    nearer to each other than their sizes say. Faces that are meant to touch don't count at all.
    """
    fits = fits_between(one, other)
    meant = meant_between(one, other, fits, seats)
    near = nearest_facets(one.tree, other.tree, meant=meant)
    if near is None:
        return Clearance("clear", "nothing is near but what is meant to fit", None, None, fits, 0, 0.0)
    crossing = 0
    if near.distance == 0.0:
        pairs = crossing_facets(one.tree, other.tree)
        crossing = int(np.sum((meant.one[pairs[:, 0]] & meant.other[pairs[:, 1]]) == 0))
    depth = depth_of(one, other, fits, seats)
    seen = near if _is_seen(one, other, near.facets) else _nearest_seen(one, other, meant)
    spot = None if seen is None or seen.distance == 0.0 else spot_of(one, other, seen, meant)
    hidden = None if seen is near else near
    verdict, why = _verdict(spot, hidden, near, depth, least)
    overlap = interference(one, other, meant) if near.distance == 0.0 or depth > 0.0 else None
    return Clearance(verdict, why, spot, hidden, fits, crossing, depth, overlap)


def fits_between(one: Placed, other: Placed, shift: Floats | None = None) -> tuple[Fit, ...]:
    """Bores of either part in which a cylinder of the other one stands: on one axis, and hardly smaller.

    shift  (3,) mm by which the one is going to move: what comes to stand in a bore on the way counts too

    Their play is that of the diameters; it is known as well as both radii are.
    """
    out = []
    way = np.zeros(3) if shift is None else shift
    for bores, inners, inner_goes in ((one, other, -way), (other, one, way)):
        for i, bore in enumerate(bores.body.features):
            for k, inner in enumerate(inners.body.features):
                if is_bore(bore) and inner.side == "boss" and kind_of(inner).cylindrical:
                    found = _fit(bores, i, inners, k, inner_goes)
                    if found is not None:
                        out.append(found)
    return tuple(out)


def _fit(bores: Placed, i: int, inners: Placed, k: int, goes: Floats) -> Fit | None:
    a, b = bores.shape(i), inners.shape(k)
    bore, inner = bores.body.features[i], inners.body.features[k]
    if a.direction is None or b.direction is None or a.radius is None or b.radius is None:
        return None
    most = 0.5 * _PLAY[0] + _PLAY[1] * a.radius
    if abs(a.direction @ b.direction) < np.cos(_ALIKE) or abs(a.radius - b.radius) > most:
        return None
    low, high = (np.array(sorted(_along(f, s, a))) for f, s in ((bore, a), (inner, b)))
    far = float(goes @ a.direction)
    if abs(far) > np.cos(_ALIKE) * float(np.linalg.norm(goes)):
        high += [min(far, 0.0), max(far, 0.0)]
    shared = np.array([max(low[0], high[0]), min(low[1], high[1])])
    if shared[1] - shared[0] < _OVERLAP:
        return None
    steps = shared[:, None] * a.direction + a.point
    feet = b.point + ((steps - b.point) @ b.direction)[:, None] * b.direction
    off = float(np.linalg.norm(steps - feet, axis=1).max())
    if off > 0.5 * a.radius:
        return None
    radii = bore.uncertainty.radius, inner.uncertainty.radius
    expanded = None
    if radii[0] is not None and radii[1] is not None and not (bores.body.unsure_of(i) or inners.body.unsure_of(k)):
        expanded = 2.0 * EXPANDED * float(np.hypot(radii[0], radii[1]))
    return Fit(
        (bores.body.name, bore.id), (inners.body.name, inner.id), 2.0 * (a.radius - b.radius), expanded, off,
        float(shared[1] - shared[0]),
    )  # fmt: skip


def _along(feature: Feature, shape: Shape, axis: Shape) -> list[float]:
    """Where what was seen of a feature begins and ends along an axis, mm from its point."""
    assert shape.direction is not None
    assert axis.direction is not None
    half = 0.5 * (feature.extent.length or 0.0)
    low, high = feature.extent.along or (-half, half)
    return [float((shape.point + t * shape.direction - axis.point) @ axis.direction) for t in (low, high)]


def meant_between(one: Placed, other: Placed, fits: Sequence[Fit], seats: Seats = ()) -> Meant:
    """Facets of each fit, with those that touch them, and how near they may be to each other; and those of seats."""
    marks = [np.zeros(len(p.body.surface.faces), np.int64) for p in (one, other)]
    least = []
    for n, fit in enumerate(fits[:MOST_FITS]):
        for placed, mark in zip((one, other), marks, strict=True):
            mark[_near_fit(placed, fit)[0]] |= np.int64(1) << n
        gap = 0.5 * fit.play - fit.eccentric
        chords = _chord(one, fit) + _chord(other, fit)
        least.append(max(0.0, gap - 0.5 * (fit.expanded or 0.0) - chords))
    for seat in seats[:MOST_SEATS]:
        for placed, mark, ident, below in zip((one, other), marks, seat, (False, True), strict=True):
            mark[_on_seat(placed, ident, below)[0]] |= np.int64(1) << len(least)
        least.append(0.0)
    return Meant(marks[0], marks[1], np.array(least))


def _near_fit(placed: Placed, fit: Fit) -> tuple[Mask, Mask]:
    """Which facets are a fit's cylinder or touch it, rims and all, and which corners are of these."""
    ident = next(ident for name, ident in (fit.bore, fit.inner) if name == placed.body.name)
    k = placed.body.index_of(ident)
    faces, shape = placed.body.surface.faces, placed.shape(k)
    assert shape.direction is not None
    low, high = sorted(_along(placed.body.features[k], shape, shape))
    along = (placed.vertices - shape.point) @ shape.direction
    off = np.abs(signed_distance(shape, placed.vertices))
    near = np.asarray((off < _RIM[0]) & (along > low - _RIM[1]) & (along < high + _RIM[1]))
    near[faces[placed.body.labels == k].ravel()] = True
    touching = np.asarray(near[faces].any(axis=1))
    near[faces[touching].ravel()] = True
    return touching, near


def _on_seat(placed: Placed, ident: str, below: bool = False) -> tuple[Mask, Mask]:
    """Which facets lie on a feature or end on its corners, and which corners are of the ones that lie on it; all facets
    and no corners for "".

    A facet of no feature that lies as near to it as its own do is what the scan's noise or its rim made of it. The face
    of a part that stands on a flat one of a scan isn't near what lies `below` that: its edges, the walls of its holes.
    """
    if not ident:
        return np.ones(len(placed.body.surface.faces), bool), np.zeros(len(placed.vertices), bool)
    k = placed.body.index_of(ident)
    faces = placed.body.surface.faces
    above = signed_distance(placed.shape(k), placed.vertices)[faces]
    own = placed.body.labels == k
    level = own | ((placed.body.labels < 0) & (np.abs(above).max(axis=1) < _ON_SEAT))
    corners = np.zeros(len(placed.vertices), bool)
    corners[faces[level].ravel()] = True
    flat = kind_of(placed.body.features[k]).flat
    behind = above.max(axis=1) < _ON_SEAT
    if placed.body.skin is None:
        return np.asarray(level | behind if below and flat else level), corners
    # Of a part that is drawn, walls stand square on the face: they begin where it ends. What goes on beyond it, as a
    # spigot does, has to keep clear.
    lone = np.zeros(len(placed.vertices), bool)
    lone[faces[own].ravel()] = True
    walls = lone[faces].any(axis=1)
    return np.asarray(level | (walls & behind if flat else walls)), corners


def _chord(placed: Placed, fit: Fit) -> float:
    """By how much the facets of a fit's cylinder may lie off it, mm."""
    ident = next(ident for name, ident in (fit.bore, fit.inner) if name == placed.body.name)
    k = placed.body.index_of(ident)
    corners = placed.vertices[placed.body.surface.faces[placed.body.labels == k]]
    if not len(corners):
        return 0.0
    middles = np.concatenate([corners.mean(axis=1), corners.reshape(-1, 3)])
    return float(np.abs(signed_distance(placed.shape(k), middles)).max())


def spot_of(
    one: Placed, other: Placed, near: NearestFacets, meant: Meant | None = None, *, metal: bool = False
) -> Spot:
    """What is known of the gap between two facets that were measured and don't cross; or of the metal between them."""
    along = unit(near.on_other - near.on_one)
    # Out of the part at either place: along the gap, against the way through metal.
    out = -1.0 if metal else 1.0
    held = [
        _touching(one, near.facets[0], near.on_one, out * along),
        _touching(other, near.facets[1], near.on_other, -out * along),
    ]
    places = _feet((one, other), held, np.array([near.on_one, near.on_other]))
    mainly = [[max(each, key=lambda t: t.share)._replace(share=1.0)] for each in held]
    partly = meant is not None and _are_meant((one, other), held, meant)
    if not metal and not partly and (lower := _between_features((one, other), held)) is not None:
        lower = _feet((one, other), mainly, lower)
        sides = zip((one, other), held, places, strict=True)
        above = sum(t.share * _above(part, t, at) for part, each, at in sides for t in each if t.feature >= 0)
        if np.linalg.norm(lower[1] - lower[0]) < np.linalg.norm(places[1] - places[0]) - above:
            held, places = mainly, lower
    distance = float(np.linalg.norm(places[1] - places[0]))
    along = (places[1] - places[0]) / distance
    gains: dict[tuple[str, ...], float] = {}
    terms: list[Term] = []
    unsure = ""
    on = []
    for placed, touching, place, outwards in zip((one, other), held, places, (along, -along), strict=True):
        body = placed.body
        first = max(touching, key=lambda t: t.share)
        on.append(None if first.feature < 0 else body.features[first.feature].id)
        unsure = unsure or placed.pose.unsure
        for key, gain in placed.gains(place, outwards).items():
            gains[key] = gains.get(key, 0.0) - gain
        low = 0.0
        for touch in touching:
            if touch.feature < 0:
                continue
            unsure = unsure or body.unsure_of(touch.feature)
            low -= out * touch.share * _above(placed, touch, place)
            for key, gain in placed.gains_on(touch.feature, place, touch.normal).items():
                gains[key] = gains.get(key, 0.0) - out * touch.share * gain
        skin = sum(touch.share for touch in touching if touch.feature < 0)
        if len(touching) == 1 or body.skin is not None:
            distance -= low
        elif low != 0.0:
            # A scan rounds what two faces leave sharp: the edge lies between its facets and where the faces meet.
            distance -= 0.5 * low
            terms.append(Term(f"rounded edge of {body.name}", "bound", 0.5 * abs(low)))
        if skin > 0.0:
            if body.skin is not None:
                terms.append(Term(f"surface of {body.name}", "random", body.skin))
            else:
                patch = skin_patch(placed, first.facet, place)
                terms += _skin_terms(placed, first.facet, patch)
                distance -= 0.0 if patch is None else float(patch.step @ outwards)
            if body.bound > 0.0:
                terms.append(Term(f"lightening of {body.name}", "bound", body.bound))
    by_part: dict[tuple[str, ...], float] = {}
    for key, gain in gains.items():
        by_part[key[:2]] = by_part.get(key[:2], 0.0) + gain**2
    terms += [Term(" ".join(part), "random", float(np.sqrt(square))) for part, square in by_part.items() if square > 0]
    random = EXPANDED * float(np.sqrt(sum(t.size**2 for t in terms if t.kind == "random")))
    bound = sum(t.size for t in terms if t.kind == "bound")
    return Spot(distance, near.distance, places, near.facets, (on[0], on[1]), tuple(terms), random + bound, unsure)


class _Touching(NamedTuple):
    """A surface that a place lies on: the facet that is most of it, its feature or -1, its normal out of the material,
    and its share in what the place does along a direction."""

    facet: int
    feature: int
    normal: Floats
    share: float


def _above(placed: Placed, touch: _Touching, place: Floats) -> float:
    """By how much a place lies out of the surface of a feature, mm."""
    return _side(placed, touch) * float(signed_distance(placed.shape(touch.feature), place[None])[0])


def _are_meant(parts: Sequence[Placed], held: Sequence[Sequence[_Touching]], meant: Meant) -> bool:
    """Whether the two features that mainly hold two places are meant to be near each other anywhere.

    Their surfaces are then nearest where they are meant to be, and that says nothing of these places.
    """
    bits = []
    for mark, placed, each in zip((meant.one, meant.other), parts, held, strict=True):
        feature = max(each, key=lambda touch: touch.share).feature
        bits.append(np.bitwise_or.reduce(mark[placed.body.labels == feature], initial=0) if feature >= 0 else 0)
    return bool(bits[0] & bits[1])


def _between_features(parts: Sequence[Placed], held: Sequence[Sequence[_Touching]]) -> Floats | None:
    """(2, 3) where the surfaces of two features are nearest to each other, as far as facets carry them; None where
    either place is held by no feature alone, or nearly so.

    The nearest of noisy facets are the proudest, and these may lie well aside. Places of both features' facets are put
    onto their surfaces, those about the nearest once more, more closely.
    """
    main = [max(each, key=lambda touch: touch.share) for each in held]
    if any(
        touch.feature < 0 or (len(each) > 1 and touch.share < _ALONE) for touch, each in zip(main, held, strict=True)
    ):
        return None
    best: tuple[float, Floats] | None = None
    for k in (0, 1):
        (mine, its), (touch, other) = (parts[k], parts[1 - k]), (main[k], main[1 - k])
        corners = _carriers(mine, touch)
        points = np.concatenate([corners.reshape(-1, 3), corners.mean(axis=1)])
        found = _opposite(mine, touch, its, other, points)
        if found is not None:
            size = np.ptp(corners, axis=1).max(axis=1)
            near = np.linalg.norm(corners - found[0], axis=2).min(axis=1) <= size
            points = np.einsum("qc,fcd->fqd", _FINE, corners[near]).reshape(-1, 3)
            closer = _opposite(mine, touch, its, other, np.concatenate([points, found[:1]]))
            found = found if closer is None else closer
            far = float(np.linalg.norm(found[1] - found[0]))
            if best is None or far < best[0]:
                best = far, found if k == 0 else found[::-1]
    return None if best is None else best[1]


def _carriers(placed: Placed, touch: _Touching) -> Floats:
    """(m, 3, 3) the facets that carry a feature, measured ones alone where the place is on one of these."""
    body = placed.body
    return placed.vertices[body.surface.faces[(body.labels == touch.feature) & (body.seen == body.seen[touch.facet])]]


def _opposite(one: Placed, touch: _Touching, other: Placed, its: _Touching, points: Floats) -> Floats | None:
    """(2, 3) of points (n, 3) put onto the one feature the one that is nearest to the other feature, and its foot on
    that, where facets carry it; None where there is none."""
    mine, far_one = one.shape(touch.feature), other.shape(its.feature)
    points = points - signed_distance(mine, points)[:, None] * surface_normal(mine, points)
    side = _side(other, its)
    far = side * signed_distance(far_one, points)
    order = np.argsort(far)
    order = order[far[order] > 0.0][:_LOOKED_AT]
    points, far = points[order], far[order]
    feet = points - (side * far)[:, None] * surface_normal(far_one, points)
    seen_from = _side(one, touch) * signed_distance(mine, feet) > 0.0
    corners = _carriers(other, its)
    carried = np.concatenate([corners.reshape(-1, 3), corners.mean(axis=1)])
    within = float(np.abs(signed_distance(far_one, carried)).max(initial=0.0))
    off, facet, _ = other.body.scene.closest(transformed(undone(other.pose.matrix), feet))
    good = np.flatnonzero(seen_from & (other.body.labels[facet] == its.feature) & (off <= within + TOUCHING))
    return np.array([points[good[0]], feet[good[0]]]) if len(good) else None


def _side(placed: Placed, touch: _Touching) -> float:
    """1 where the surface's own normal looks out of the material, else -1."""
    corner = placed.vertices[placed.body.surface.faces[touch.facet]].mean(axis=0)
    own = surface_normal(placed.shape(touch.feature), corner[None])[0]
    out = facet_normals(placed.vertices, placed.body.surface.faces[touch.facet : touch.facet + 1])[0]
    return 1.0 if own @ out > 0 else -1.0


def _feet(parts: Sequence[Placed], held: Sequence[Sequence[_Touching]], start: Floats) -> Floats:
    """(2, 3) the two nearest places from `start` (2, 3) on, those on one feature's facets moved to the surface itself.

    Each goes to its foot from the other one, in turn: the nearest of two surfaces, chords aside. One that would leave
    its facets stays, and so does one on no feature or on an edge.
    """
    places = start.copy()
    for turn in range(_TURNS):
        k = turn % 2
        if len(held[k]) != 1 or held[k][0].feature < 0:
            continue
        touch, shape = held[k][0], parts[k].shape(held[k][0].feature)
        there = places[1 - k]
        foot = there - float(signed_distance(shape, there[None])[0]) * surface_normal(shape, there[None])[0]
        reach = np.ptp(parts[k].vertices[parts[k].body.surface.faces[touch.facet]], axis=0).max()
        if np.linalg.norm(foot - start[k]) < reach and (foot - there) @ (start[k] - start[1 - k]) > 0.0:
            places[k] = foot
    return places


def _touching(placed: Placed, facet: int, place: Floats, outwards: Floats) -> list[_Touching]:
    """The surfaces that meet at a place of a facet, as far as they hold it along a unit direction out of the part.

    A place on an edge goes where both faces go: the direction is a sum of their normals, each not less than nought
    times (that is what makes the place the nearest), and what each moves along its normal counts so many times.
    """
    body, faces, vertices = placed.body, placed.body.surface.faces, placed.vertices
    around = np.flatnonzero(np.isin(faces, faces[facet]).any(axis=1)).astype(np.int32)
    points = np.broadcast_to(place, (len(around), 3)).copy()
    off = np.linalg.norm(nearest_on_facets(points, vertices, faces, around) - place, axis=1)
    around = around[(off < TOUCHING) | (around == facet)]
    normals = facet_normals(vertices, faces[around])
    found: dict[int, _Touching] = {}
    skin = []
    for f, normal in zip(around.tolist(), normals, strict=True):
        k = int(body.labels[f])
        if k < 0:
            skin.append(_Touching(f, -1, normal, 0.0))
        elif k not in found or normal @ outwards > facet_normals(vertices, faces[[found[k].facet]])[0] @ outwards:
            shape = placed.shape(k)
            own = surface_normal(shape, place[None])[0]
            sign = 1.0 if own @ normal > 0 else -1.0
            found[k] = _Touching(f, k, sign * own, 0.0)
    each = [*found.values(), *skin]
    # Features alone where they do, since a rim's slivers look anywhere.
    for some in (list(found.values()), each):
        if not some:
            continue
        shares, _ = nnls(np.array([touch.normal for touch in some]).T, outwards)
        held = [
            touch._replace(share=float(share)) for touch, share in zip(some, shares, strict=True) if share > _SLIGHT
        ]
        if sum(touch.share * float(touch.normal @ outwards) for touch in held) > _HELD:
            return held
    # Where what was never measured or is meant to fit was left out, no sum of normals may be the direction.
    return [max(each, key=lambda touch: float(touch.normal @ outwards))._replace(share=1.0)]


def _skin_terms(placed: Placed, facet: int, patch: SkinPatch | None) -> list[Term]:
    """What the place of a scan's skin isn't known better than by.

    Where too few vertices tell, on an edge, the facets stand, with the scan's noise and what it may have rounded off.
    """
    body = placed.body
    skin, shape = f"skin of {body.name}", f"shape of the skin of {body.name}"
    if patch is not None:
        return [Term(skin, "random", patch.size), Term(shape, "random", patch.shape)]
    coarse = REACH * mean_edge(placed.vertices, body.surface.faces[facet : facet + 1])
    rounded = _ROUNDED * body.spacing
    terms = [Term(skin, "random", _PROUDEST * body.noise or coarse)]
    return [*terms, Term(shape, "bound", rounded)] if rounded > 0.0 else terms


def _is_seen(one: Placed, other: Placed, facets: tuple[int, int]) -> bool:
    return bool(one.body.seen[facets[0]] and other.body.seen[facets[1]])


def _nearest_seen(one: Placed, other: Placed, meant: Meant) -> NearestFacets | None:
    """The nearest place of facets that were measured on both parts."""
    mine, its = one.part(one.body.seen), other.part(other.body.seen)
    if mine is None or its is None:
        return None
    only = Meant(meant.one[mine[1]], meant.other[its[1]], meant.least)
    near = nearest_facets(mine[0], its[0], meant=only)
    if near is None:
        return None
    facets = (int(mine[1][near.facets[0]]), int(its[1][near.facets[1]]))
    return NearestFacets(near.distance, near.on_one, near.on_other, facets)


def depth_of(one: Placed, other: Placed, fits: Sequence[Fit] = (), seats: Seats = ()) -> float:
    """How deep corners of either part lie in the other one, mm, at least; 0 where none does or none is a solid.

    A part that lies wholly inside another one crosses none of its facets, yet it is not clear of it. Corners of what
    fits count as far as they lie deeper than the scatter of their facets, their sizes' doubt and their interference.
    """
    depth = 0.0
    for inner, outer in ((one, other), (other, one)):
        low, high = box_of(outer.vertices)
        if not outer.body.closed:
            continue
        at = np.flatnonzero(((inner.vertices >= low) & (inner.vertices <= high)).all(axis=1))
        if not len(at):
            continue
        at = at[outer.scene.inside(inner.vertices[at])]
        if not len(at):
            continue
        allowed = np.zeros(len(inner.vertices))
        for fit in fits:
            slack = _chord(one, fit) + _chord(other, fit) + 0.5 * (fit.expanded or 0.0) + max(0.0, -0.5 * fit.play)
            on = _near_fit(inner, fit)[1]
            allowed[on] = np.maximum(allowed[on], slack)
        for seat in seats[:MOST_SEATS]:
            allowed[_on_seat(inner, seat[0 if inner is one else 1])[1]] = _ON_SEAT
        deep = outer.scene.distance(inner.vertices[at])
        depth = max(depth, float(np.max(deep, where=deep > allowed[at], initial=0.0)))
    return depth


def _verdict(
    spot: Spot | None, hidden: NearestFacets | None, near: NearestFacets, depth: float, least: float
) -> tuple[Verdict, str]:
    """The word, and a sentence for people."""
    if near.distance == 0.0 or depth > 0.0:
        if hidden is not None and (spot is None or spot.raw > 0.0) and depth == 0.0:
            return "can't be said", "they cross only where nothing was measured; scan that place, or measure it there"
        return "hits", f"one goes {mm(depth, '.3f')} into the other, at least"
    if spot is None:
        return "can't be said", "nothing that is near was measured on both parts; scan that place"
    said = f"{mm(spot.distance, '.3f')}, +-{mm(spot.expanded, '.3f')} (95 %)"
    if spot.unsure:
        return "can't be said", f"{said} is not all of it: {spot.unsure}; measure there"
    if spot.distance + spot.expanded < least:
        return "too near", f"{said}, where {mm(least, 'g')} is the least"
    if hidden is not None and hidden.distance < least + spot.expanded:
        return "can't be said", (
            f"measured metal keeps {said}, but at {mm(hidden.distance, '.3f')} lies a place that was never scanned; "
            "scan it, or measure there"
        )
    if spot.distance - spot.expanded < least:
        largest = max(spot.terms, key=lambda t: t.size)
        return "can't be said", f"{said}, where {mm(least, 'g')} is the least; most of the doubt is in {largest.name}"
    return "clear", said
