"""Clearance: where two placed parts are nearest to each other, and how sure that is.

The distance is that of whole facets. Where the nearest place of a part lies on a recovered feature the feature's own
surface stands for its facet; elsewhere a quadric through the vertices about it does, since the nearest of many noisy
facets is the proudest. What is not known at random is added in squares, every move of a feature or a placing once with
all that it does; what is bounded is added as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.fitup.bodies import Placed
from pipeline.fitup.interference import Interference, interference
from pipeline.geometry import Floats, basis_of, box_of, unit
from pipeline.mesh.query import Meant, NearestFacets, crossing_facets, nearest_facets
from pipeline.mesh.topology import facet_normals, mean_edge
from pipeline.surfaces import Shape, is_bore, kind_of, signed_distance, surface_normal
from pipeline.values import Feature

EXPANDED = 2.0  # coverage factor of about 95 % (JCGM 100, 6.2)
_REACH = 2.5  # edges about a place whose vertices tell where the skin is
_LEAST_POINTS = 10
_PROUDEST = 3.0  # standard deviations of a scan's noise, for places of which too few vertices tell
_BEND = np.cos(np.radians(30.0))  # of facets with the place's own, beyond which there is an edge between them
_ALIKE = np.radians(1.0)
_OVERLAP = 0.1  # mm
Verdict = Literal["clear", "too near", "hits", "can't be said"]
MOST_FITS = 48
_RADII = 0.15  # share by which a bore may be larger than what stands in it


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


def clearance(one: Placed, other: Placed, least: float = 0.0) -> Clearance:
    """Whether two parts keep `least` mm between them.

    Fits, which are known from how the parts stand, are told apart: their faces don't count as long as they are no
    nearer to each other than their sizes say.
    """
    fits = fits_between(one, other)
    meant = meant_between(one, other, fits)
    near = nearest_facets(one.tree, other.tree, meant=meant)
    if near is None:
        return Clearance("clear", "nothing is near but what is meant to fit", None, None, fits, 0, 0.0)
    crossing = 0
    if near.distance == 0.0:
        pairs = crossing_facets(one.tree, other.tree)
        crossing = int(np.sum((meant.one[pairs[:, 0]] & meant.other[pairs[:, 1]]) == 0))
    depth = depth_of(one, other)
    seen = near if _is_seen(one, other, near.facets) else _nearest_seen(one, other, meant)
    spot = None if seen is None or seen.distance == 0.0 else spot_of(one, other, seen)
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
    if abs(a.direction @ b.direction) < np.cos(_ALIKE) or not (1.0 - _RADII) * a.radius < b.radius < 1.05 * a.radius:
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


def meant_between(one: Placed, other: Placed, fits: Sequence[Fit]) -> Meant:
    """Facets of each fit, with those that touch them, and how near they may be to each other."""
    marks = [np.zeros(len(p.body.surface.faces), np.int64) for p in (one, other)]
    least = []
    for n, fit in enumerate(fits[:MOST_FITS]):
        for placed, mark in zip((one, other), marks, strict=True):
            for name, ident in (fit.bore, fit.inner):
                if name != placed.body.name:
                    continue
                k = placed.body.index_of(ident)
                faces = placed.body.surface.faces
                near = np.zeros(len(placed.body.surface.vertices), bool)
                near[faces[placed.body.labels == k].ravel()] = True
                mark[near[faces].any(axis=1)] |= np.int64(1) << n
        gap = 0.5 * fit.play - fit.eccentric
        chords = _chord(one, fit) + _chord(other, fit)
        least.append(max(0.0, gap - 0.5 * (fit.expanded or 0.0) - chords))
    return Meant(marks[0], marks[1], np.array(least))


def _chord(placed: Placed, fit: Fit) -> float:
    """By how much the facets of a fit's cylinder may lie off it, mm."""
    ident = next(ident for name, ident in (fit.bore, fit.inner) if name == placed.body.name)
    k = placed.body.index_of(ident)
    corners = placed.vertices[placed.body.surface.faces[placed.body.labels == k]]
    if not len(corners):
        return 0.0
    middles = np.concatenate([corners.mean(axis=1), corners.reshape(-1, 3)])
    return float(np.abs(signed_distance(placed.shape(k), middles)).max())


def spot_of(one: Placed, other: Placed, near: NearestFacets) -> Spot:
    """What is known of the gap between two facets that were measured and don't cross."""
    along = unit(near.on_other - near.on_one)
    distance = near.distance
    gains: dict[tuple[str, ...], float] = {}
    terms: list[Term] = []
    unsure = ""
    on = []
    for placed, facet, place, sign in (
        (one, near.facets[0], near.on_one, -1.0),
        (other, near.facets[1], near.on_other, 1.0),
    ):
        body = placed.body
        k = int(body.labels[facet])
        on.append(None if k < 0 else body.features[k].id)
        for key, gain in placed.gains(place, facet, along).items():
            gains[key] = gains.get(key, 0.0) + sign * gain
        unsure = unsure or placed.pose.unsure or (body.unsure_of(k) if k >= 0 else "")
        if k >= 0:
            shape = placed.shape(k)
            height = float(signed_distance(shape, place[None])[0])
            distance += sign * -height * float(surface_normal(shape, place[None])[0] @ along)
        elif body.skin is not None:
            terms.append(Term(f"surface of {body.name}", "random", body.skin))
        else:
            step, size = _skin(placed, facet, place)
            distance += sign * float(step @ along)
            terms.append(Term(f"skin of {body.name}", "random", size))
        if k < 0 and body.bound > 0.0:
            terms.append(Term(f"lightening of {body.name}", "bound", body.bound))
    by_part: dict[tuple[str, ...], float] = {}
    for key, gain in gains.items():
        by_part[key[:2]] = by_part.get(key[:2], 0.0) + gain**2
    terms += [Term(" ".join(part), "random", float(np.sqrt(square))) for part, square in by_part.items() if square > 0]
    random = EXPANDED * float(np.sqrt(sum(t.size**2 for t in terms if t.kind == "random")))
    bound = sum(t.size for t in terms if t.kind == "bound")
    places = np.array([near.on_one, near.on_other])
    return Spot(distance, near.distance, places, near.facets, (on[0], on[1]), tuple(terms), random + bound, unsure)


def _skin(placed: Placed, facet: int, place: Floats) -> tuple[Floats, float]:
    """(3,) mm from a place to the quadric through the vertices about it, and how well that is known, mm.

    The vertices are those of facets that the place's own leads to without a sharp bend.
    """
    faces, vertices = placed.body.surface.faces, placed.vertices
    normal = unit(facet_normals(vertices, faces[facet : facet + 1])[0])
    reach = _REACH * mean_edge(vertices, faces[facet : facet + 1])
    found, edge = {facet}, [facet]
    while edge:
        around = [int(f) for f in placed.body.neighbours[edge].ravel() if f >= 0 and f not in found]
        around = list(dict.fromkeys(around))
        if not around:
            break
        corners = vertices[faces[around]]
        near = (np.linalg.norm(corners - place, axis=2) < reach).any(axis=1)
        level = facet_normals(vertices, faces[around]) @ normal > _BEND
        edge = [f for f, taken in zip(around, near & level, strict=True) if taken]
        found.update(edge)
    first, second = basis_of(normal)
    off = (vertices[np.unique(faces[sorted(found)])] - place) / reach
    off = off[np.linalg.norm(off, axis=1) < 1.0]
    x, y, z = off @ first, off @ second, off @ normal
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    if len(x) < _LEAST_POINTS or np.linalg.cond(design) > 1e6:
        return np.zeros(3), _PROUDEST * placed.body.noise or reach
    answer, *_ = np.linalg.lstsq(design, z, rcond=None)
    left = z - design @ answer
    sigma = float(np.sqrt(left @ left / (len(x) - design.shape[1])))
    return float(answer[0]) * reach * normal, reach * sigma * float(np.sqrt(np.linalg.inv(design.T @ design)[0, 0]))


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


def depth_of(one: Placed, other: Placed) -> float:
    """How deep corners of either part lie in the other one, mm, at least; 0 where none does or none is a solid.

    A part that lies wholly inside another one crosses none of its facets, yet it is not clear of it.
    """
    depth = 0.0
    for inner, outer in ((one, other), (other, one)):
        low, high = box_of(outer.vertices)
        if not outer.body.closed:
            continue
        near = inner.vertices[((inner.vertices >= low) & (inner.vertices <= high)).all(axis=1)]
        if len(near):
            within = near[outer.scene.inside(near)]
            if len(within):
                depth = max(depth, float(outer.scene.distance(within).max()))
    return depth


def _verdict(
    spot: Spot | None, hidden: NearestFacets | None, near: NearestFacets, depth: float, least: float
) -> tuple[Verdict, str]:
    """The word, and a sentence for people."""
    if near.distance == 0.0 or depth > 0.0:
        if hidden is not None and (spot is None or spot.raw > 0.0) and depth == 0.0:
            return "can't be said", "they cross only where nothing was measured; scan that place, or measure it there"
        return "hits", f"one goes {depth:.3f} mm into the other, at least"
    if spot is None:
        return "can't be said", "nothing that is near was measured on both parts; scan that place"
    said = f"{spot.distance:.3f} mm, +-{spot.expanded:.3f} (95 %)"
    if spot.unsure:
        return "can't be said", f"{said} is not all of it: {spot.unsure}; measure there"
    if spot.distance + spot.expanded < least:
        return "too near", f"{said}, where {least:g} mm is the least"
    if hidden is not None and hidden.distance < least + spot.expanded:
        return "can't be said", (
            f"measured metal keeps {said}, but at {hidden.distance:.3f} mm lies a place that was never scanned; "
            "scan it, or measure there"
        )
    if spot.distance - spot.expanded < least:
        largest = max(spot.terms, key=lambda t: t.size)
        return "can't be said", f"{said}, where {least:g} mm is the least; most of the doubt is in {largest.name}"
    return "clear", said
