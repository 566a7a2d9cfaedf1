"""How thick the metal is behind some faces of a part, and how sure that is.

From points on the faces, rays go into the metal; from the facet that one meets a walk from facet to facet leads to the
place beyond the metal that is nearest. That is a wall where it lies within 37 degrees of straight behind the face; what
leads round an edge is none, and neither are two faces that meet at a sharp angle within three times their distance.
What is nearest is then looked for from there back, and so on. Where a nearest place was filled or never scanned the
thickness is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from pipeline.fitup.bodies import Placed
from pipeline.fitup.clearance import Spot, spot_of
from pipeline.geometry import FULL_TURN, Floats, Ints, Mask, basis_of, transformed, unit
from pipeline.jit import njit
from pipeline.lengths import mm
from pipeline.mesh.query import NearestFacets, nearest_on, point_at, spread_points, square_distance
from pipeline.mesh.topology import facet_areas, facet_normals, vertex_facets
from pipeline.progress import Progress, silent
from pipeline.surfaces import shape_of, signed_distance, surface_normal

_STRAIGHT = 0.8  # cosine of 37 degrees, within which a wall lies behind its face
_TILTS = ((0.0, 1), (20.0, 6), (35.0, 6))  # degrees of the rays from straight in, and how many
_EDGE = 1.0 / 3.0  # sine of the angle at which faces meet within three times their distance
_SPACING = (0.7, 3.0)  # mm between points
_POINTS = 20_000
_STEPS = 60  # of a walk
_IN = 0.02  # mm into the metal, where rays begin
_BETWEEN = np.array([0.2, 0.4, 0.6, 0.8])  # where between two places there must be metal
_BACK = 12  # times that the nearest place is looked for from either side
_NEAR = 1.5  # times the least wall, up to which places are looked at and told
_SPOTS, _TRIED = 8, 400
_APART = 2.0  # walls between two places that are told
_TOLD = 2.0  # times the least wall, up to which what was never seen leaves the answer open
MEASURED, UNKNOWN, NO_WALL = range(3)
Verdict = Literal["holds", "too thin", "can't be said"]


@dataclass(frozen=True)
class Sounding:
    """Where to measure a wall from outside, by ultrasound, before metal is taken.

    place    (3,) mm on the outside; way (3,) unit, into the metal
    before   mm of metal that the scan says is there before the cut, None where that isn't known
    after    mm that are left after it
    """

    place: Floats
    way: Floats
    before: float | None
    after: float


@dataclass(frozen=True)
class WallSpot:
    """A place where a wall is thin.

    verdict, why  as of all
    spot          places on the face and beyond the metal, and what the distance is known within
    seen          whether what is beyond was measured; where not, the distance is that to what was put there
    sounding      where to measure it
    """

    verdict: Verdict
    why: str
    spot: Spot
    seen: bool
    sounding: Sounding


@dataclass(frozen=True)
class Walls:
    """The walls behind some faces. Places are in the part's own coordinates.

    spots    thin places, the thinnest first; none where there is no wall
    unknown  mm2 of the faces behind which it isn't known how thick the metal is
    points   (k, 3) mm on the faces, facets (k,) which; thickness (k,) mm, not a number where there is no wall
    state    (k,) MEASURED, UNKNOWN (what is beyond was never seen), NO_WALL
    """

    least: float
    verdict: Verdict
    why: str
    spots: tuple[WallSpot, ...]
    unknown: float
    points: Floats
    facets: Ints
    thickness: Floats
    state: Ints


def walls(
    part: Placed, least: float, behind: Sequence[int] = (), before: Placed | None = None, progress: Progress = silent
) -> Walls:
    """Whether the metal behind some features of a part is `least` mm thick.

    behind  numbers of the features in the body's list; all of its surface where there are none
    before  the part before metal was taken, for what soundings should find

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> from pipeline.lengths import in_unit
    >>> plate = Placed(turned_body("plate", [(0, 100), (6, 100)], 0.01), placed([]))
    >>> found = walls(plate, 5.0, [0])
    >>> found.verdict, in_unit(found.why, "mm")
    ('holds', '6.000 mm, +-0.028 mm (95 %)')
    """
    metal = _Metal(part)
    chosen = np.isin(metal.labels, behind) if len(behind) else np.ones(len(metal.faces), bool)
    at = np.flatnonzero(chosen)
    if not len(at):
        nowhere = np.zeros((0, 3))
        why = "nothing of these faces is left"
        none = np.zeros(0, np.int32)
        return Walls(least, "can't be said", why, (), 0.0, nowhere, none, nowhere[:, 0], none)
    area = float(facet_areas(metal.vertices, metal.faces[at]).sum())
    spacing = float(np.clip(0.25 * least, *_SPACING))
    count = int(np.clip(area / spacing**2, 200, _POINTS))
    points, which = spread_points(metal.vertices, metal.faces[at], count)
    own = at[which].astype(np.int32)
    points = metal.onto(points, own)
    progress(0.2, "walls")
    place, facet, thick = metal.beyond(points, own)
    progress(0.6, "thinnest places")
    state = np.where(np.isfinite(thick), np.where(metal.seen[facet], MEASURED, UNKNOWN), NO_WALL).astype(np.int32)
    rows = _thinnest(metal, chosen, points, own, place, facet, thick, state, least)
    spots = tuple(_spot(part, before, metal, row, least) for row in rows)
    spots = tuple(sorted(spots, key=lambda s: (not s.seen, s.spot.distance)))
    unknown = area * float(np.mean(state == UNKNOWN))
    verdict, why = _verdict(spots, least)
    return Walls(least, verdict, why, spots, unknown, points, own, np.where(state == NO_WALL, np.nan, thick), state)


def _verdict(spots: Sequence[WallSpot], least: float) -> tuple[Verdict, str]:
    if not spots:
        return "can't be said", "no metal was found that these faces are one side of"
    for verdict in ("too thin", "can't be said"):
        told = next((s for s in spots if s.verdict == verdict), None)
        if told is not None:
            return told.verdict, told.why
    return "holds", spots[0].why


@dataclass(frozen=True)
class _Row:
    """A thin place: on the face and beyond, with their facets, and the thickness."""

    point: Floats
    own: int
    place: Floats
    facet: int
    thick: float


class _Metal:
    """A part's mesh, to walk on; in the part's own coordinates."""

    def __init__(self, part: Placed) -> None:
        self.body = part.body
        self.vertices, self.faces = self.body.surface.vertices, self.body.surface.faces
        self.labels, self.seen, self.neighbours = self.body.labels, self.body.seen, self.body.neighbours
        self.normals = facet_normals(self.vertices, self.faces)
        self.scene = self.body.scene
        around = vertex_facets(self.faces, len(self.vertices))
        self.mesh = _Mesh(self.vertices, self.faces, self.normals, *around)

    def onto(self, points: Floats, facet: Ints) -> Floats:
        """Points on facets, put onto the features that these are of."""
        out = points.copy()
        for k in np.unique(self.labels[facet]):
            if k >= 0:
                mine = self.labels[facet] == k
                shape = shape_of(self.body.features[k])
                out[mine] -= signed_distance(shape, points[mine])[:, None] * surface_normal(shape, points[mine])
        return out

    def beyond(self, points: Floats, own: Ints) -> tuple[Floats, Ints, Floats]:
        """The nearest place (n, 3) beyond the metal, its facet (n,), and how far (n,) mm; inf where there is none."""
        inwards = -self.normals[own]
        across = np.array([basis_of(w) for w in inwards])
        best = np.full(len(points), np.inf)
        place, facet = points.copy(), own.copy()
        for tilt, rays in _TILTS:
            for turn in FULL_TURN * np.arange(rays) / rays:
                off = np.cos(turn) * across[:, 0] + np.sin(turn) * across[:, 1]
                way = np.cos(np.radians(tilt)) * inwards + np.sin(np.radians(tilt)) * off
                # The point lies on the feature, its facets a little to either side of it.
                hit, _ = self.scene.first(points + _IN * inwards, way)
                ok = hit >= 0
                ok[ok] = np.einsum("ij,ij->i", self.normals[hit[ok]], way[ok]) > _STRAIGHT
                at = np.flatnonzero(ok)
                if not len(at):
                    continue
                where, on, dist = self.walk(points[at], hit[at], self.normals[own[at]])
                straight = np.einsum("ij,ij->i", where - points[at], inwards[at]) > _STRAIGHT * dist
                better = straight & (dist < best[at]) & (dist > 1e-6)
                # The walk may have gone round a corner, through air.
                better[better] = self.joined(points[at[better]], where[better])
                rows = at[better]
                place[rows], facet[rows], best[rows] = where[better], on[better], dist[better]
        return place, facet, best

    def joined(self, points: Floats, others: Floats) -> Mask:
        """Which points (n, 3) and other ones (n, 3) have nothing but metal between them."""
        between = points + _BETWEEN[:, None, None] * (others - points)
        return np.asarray(self.scene.inside(between.reshape(-1, 3)).reshape(len(_BETWEEN), -1).all(axis=0))

    def walk(self, points: Floats, start: Ints, away: Floats) -> tuple[Floats, Ints, Floats]:
        """From a facet (n,) on to the one that is nearest of all about it to a point (n, 3); place, facet, distance.

        away  (n, 3) the face's own normal: facets that look the same way are on this side of the metal, not beyond
        """
        return _walk(self.mesh, np.ascontiguousarray(points), start.astype(np.int32), np.ascontiguousarray(away))

    def is_edge(self, row: _Row) -> bool:
        """Whether the two sides of a wall are faces that meet in an edge nearby."""
        one, other = -self.normals[row.own], self.normals[row.facet]
        if np.linalg.norm(np.cross(one, other)) < _EDGE and one @ other > 0.0:
            return False
        reach = row.thick / _EDGE
        corners = self.vertices[self.faces]
        low, high = corners.min(axis=1), corners.max(axis=1)
        off = np.maximum(np.maximum(low - row.point, row.point - high), 0.0)
        near = np.linalg.norm(off, axis=1) <= reach
        # Only over facets that look as either side does: round the end of a rib is no edge of its sides.
        near &= np.maximum(-self.normals @ one, self.normals @ other) > _STRAIGHT
        found, front = {row.own}, [row.own]
        while front:
            step = {int(f) for f in self.neighbours[front].ravel() if f >= 0 and near[f]} - found
            if row.facet in step:
                return True
            found |= step
            front = list(step)
        return False


def _thinnest(
    metal: _Metal, chosen: Mask, points: Floats, own: Ints, place: Floats, facet: Ints, thick: Floats, state: Ints,
    least: float,
) -> list[_Row]:  # fmt: skip
    """Thin places apart from each other, of what was measured and of what was never seen, the thinnest first."""
    out: list[_Row] = []
    for kind in (MEASURED, UNKNOWN):
        rows = np.flatnonzero(state == kind)
        rows = rows[np.argsort(thick[rows])]
        if not len(rows):
            continue
        limit = max(_NEAR * least, float(thick[rows[0]])) if kind == MEASURED else _TOLD * least
        rows = rows[thick[rows] <= limit * 1.05][:_TRIED]
        if not len(rows):
            continue
        told: list[_Row] = []
        for row in _settled(metal, chosen, points[rows], own[rows], place[rows], facet[rows], thick[rows]):
            if metal.seen[row.facet] != (kind == MEASURED):
                continue
            apart = _APART * max(row.thick, 1.0)
            if any(np.linalg.norm(row.point - one.point) <= apart for one in told) or metal.is_edge(row):
                continue
            if metal.joined(row.point[None], row.place[None])[0]:
                told.append(row)
            if len(told) == _SPOTS:
                break
        out += told
    return out


def _settled(
    metal: _Metal, chosen: Mask, points: Floats, own: Ints, place: Floats, facet: Ints, thick: Floats
) -> list[_Row]:
    """Thin places after going to and fro between both sides, the thinnest first."""
    points, own, place, facet, thick = points.copy(), own.copy(), place.copy(), facet.copy(), thick.copy()
    for _ in range(_BACK):
        back, mine, far = metal.walk(place, own, metal.normals[facet])
        on = metal.onto(back, mine)
        ok = chosen[mine] & (far < thick - 1e-7)
        if not ok.any():
            break
        there, its, dist = metal.walk(on[ok], facet[ok], metal.normals[mine[ok]])
        straight = np.einsum("ij,ij->i", there - on[ok], -metal.normals[mine[ok]]) > _STRAIGHT * dist
        kept = straight & (dist < thick[ok])
        good = np.flatnonzero(ok)[kept]
        points[good], own[good] = on[good], mine[good]
        place[good], facet[good], thick[good] = there[kept], its[kept], dist[kept]
    order = np.argsort(thick)
    return [_Row(points[i], int(own[i]), place[i], int(facet[i]), float(thick[i])) for i in order]


def _spot(part: Placed, before: Placed | None, metal: _Metal, row: _Row, least: float) -> WallSpot:
    """What is known of a thin place."""
    places = np.array([row.point, row.place])
    here, there = transformed(part.pose.matrix, places)
    spot = spot_of(part, part, NearestFacets(row.thick, here, there, (row.own, row.facet)), metal=True)
    spot = replace(spot, places=places)
    seen = bool(metal.seen[row.facet])
    way = unit(row.point - row.place)
    verdict, why = _judged(spot, seen, least)
    return WallSpot(verdict, why, spot, seen, _sounding(before, row, way, spot.distance))


def _judged(spot: Spot, seen: bool, least: float) -> tuple[Verdict, str]:
    said = f"{mm(spot.distance, '.3f')}, +-{mm(spot.expanded, '.3f')} (95 %)"
    if not seen:
        return "can't be said", f"what is {mm(spot.distance, '.1f')} behind was filled or never scanned; sound it"
    if spot.unsure:
        return "can't be said", f"{said} is not all of it: {spot.unsure}; sound it"
    if spot.distance + spot.expanded < least:
        return "too thin", f"{said}, where {mm(least, 'g')} is the least"
    if spot.distance - spot.expanded < least:
        return "can't be said", f"{said}, where {mm(least, 'g')} is the least; sound it"
    return "holds", said


def _sounding(before: Placed | None, row: _Row, way: Floats, after: float) -> Sounding:
    """Where to measure, and what there should be."""
    if before is None:
        return Sounding(row.place, way, after, after)
    facet, far = before.body.scene.first((row.place + _IN * way)[None], way[None])
    known = facet[0] >= 0 and bool(before.body.seen[facet[0]])
    return Sounding(row.place, way, float(far[0]) + _IN if known else None, after)


class _Mesh(NamedTuple):
    """vertices (n, 3) mm, faces (m, 3), normals (m, 3); about[starts[p]:starts[p + 1]] lie about vertex p."""

    vertices: Floats
    faces: Ints
    normals: Floats
    starts: Ints
    about: Ints


@njit(cache=True)
def _walk(mesh: _Mesh, points: Floats, start: Ints, away: Floats) -> tuple[Floats, Ints, Floats]:
    place, facet, far = np.empty_like(points), start.copy(), np.empty(len(points))
    for i in range(len(points)):
        p = point_at(points, i)
        best = nearest_on(p, mesh.vertices, mesh.faces, facet[i])
        least = square_distance(p, best)
        for _ in range(_STEPS):
            here, moved = facet[i], False
            for k in range(3):
                v = mesh.faces[here, k]
                for m in range(mesh.starts[v], mesh.starts[v + 1]):
                    f = mesh.about[m]
                    look = 0.0
                    for d in range(3):
                        look += mesh.normals[f, d] * away[i, d]
                    if look > _STRAIGHT:
                        continue
                    q = nearest_on(p, mesh.vertices, mesh.faces, f)
                    there = square_distance(p, q)
                    if there < least - 1e-12:
                        best, least, facet[i], moved = q, there, f, True
            if not moved:
                break
        place[i, 0], place[i, 1], place[i, 2] = best
        far[i] = np.sqrt(least)
    return place, facet, far
