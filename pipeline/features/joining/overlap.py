"""What two scans of a part both saw, point by point: how far they agree, and what that says of the pose.

Points of one scan are held against the facets of the other, along the normals there (point to plane). What their misfit
fixes of the pose is known as well as the noise of both scans lets it be: with J the misfits' change by a motion and W
the weights, the sum J'W r has the covariance J'W C W J, where C holds the white noise and the waves of each scan, the
law of propagation of JCGM 100:2008 (GUM) 5.2; white noise alone would be far too sure of it (Censi, ICRA 2007).

Lengths are mm, angles radians.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.joining.pair_rows import Fits, fits_of
from pipeline.features.joining.pose_search import Scene
from pipeline.features.uncertainty import carried_in_parts
from pipeline.geometry import (
    FULL_TURN,
    Floats,
    Indices,
    Ints,
    Mask,
    basis_of,
    box_of,
    gaps_round,
    on_circle,
    polar_angles,
    scaled_mad,
    transformed,
    turned,
    unit_rows,
)
from pipeline.jit import njit, prange
from pipeline.mesh.query import Scene as FacetScene
from pipeline.mesh.query import SightLines, spread_points
from pipeline.mesh.seams import surroundings
from pipeline.mesh.topology import (
    corners_by_label,
    facet_areas,
    facet_neighbours,
    facet_normals,
    facets_at,
    mean_edge,
    vertex_normals,
)
from pipeline.surfaces import kind_of
from pipeline.values import Feature, NoiseModel, Surface

ALIKE = np.cos(np.radians(45.0))  # normals of what both scans saw
BENT = float(np.cos(np.radians(25.0)))  # normals at the corners of a facet, where a point's nearest facet says little
WITHIN = 1e-4  # share of each corner in a place within a facet
NEAR = 2.5  # mm: surface nearer than that, and facing alike, is meant to be the same
TUKEY = 4.685
EXACT = 1e-6  # mm, what a scan without noise is weighed by
STANDS_OUT = 5.0  # standard deviations
FINEST = 3.0  # mm, of cells in which gains are summed up
ROUGHLY = 300_000  # vertices
INSIDE = 0.8  # of a bore's radius: what lies nearer to its axis lies in the air
MOUTH, OWN = 3.0, 1.0  # mean edges beyond what was seen of a bore's wall that are inside; mm from the scan's own facets
LOOKED_INTO = 0.5  # cosine of a bore's axis and the way the scan looks, from which on one of its ends is its mouth
PATCH, FEWEST_PATCHES = 8.0, 12  # mm, and how many patches tell how far misfits scatter
FEWEST_FACETS = 30  # of either scan, from which on their misfits say anything
THINNEST = 1.0  # mm of metal between a hole's end and a face; less is not cast (common practice, no source)
HIT, BLOCKED = 8.0, 0.4  # points that have to hit a bore's section, and the share of it that blocks it


@dataclass(frozen=True)
class SetUp:
    """One scan of the part, recovered alone; mm, its own coordinates.

    surface   cleaned; labels (m,) its facets' feature, -1 none
    features  of it, and `scene`, what of them was seen
    noise     of the scan
    """

    surface: Surface
    labels: Ints
    features: tuple[Feature, ...]
    scene: Scene
    noise: NoiseModel
    _samples: dict[int, Sample] = field(default_factory=dict, repr=False)

    @cached_property
    def fits(self) -> Fits:
        """What is known of where its features lie."""
        return fits_of(self.features)

    @cached_property
    def fits_in_parts(self) -> Fits:
        """The same, wave by wave, and not widened."""
        return fits_of(self.features, in_parts=True)

    @cached_property
    def box(self) -> tuple[Floats, Floats]:
        """Low and high corner (3,) of the box round the surface."""
        return box_of(self.surface.vertices)

    @cached_property
    def size(self) -> float:
        """mm, the diagonal of that box."""
        return float(np.linalg.norm(self.box[1] - self.box[0]))

    @cached_property
    def normals(self) -> Floats:
        """(n, 3) at the vertices."""
        return vertex_normals(self.surface.vertices, self.surface.faces)

    @cached_property
    def tree(self) -> FacetScene:
        return FacetScene(self.surface)

    @cached_property
    def near(self) -> tuple[cKDTree, Ints, Floats]:
        """A tree of vertices of plain facets, as many as a rough look needs, such a facet (k,) and the normal (k, 3) of
        each."""
        first = _first_facets(self.surface.faces, self.plain, len(self.surface.vertices))
        corners = np.flatnonzero(first >= 0)
        corners = corners[:: max(1, len(corners) // ROUGHLY)]
        return cKDTree(self.surface.vertices[corners]), first[corners], self.normals[corners]

    @property
    def thinned(self) -> float:
        """How many times as far apart as in the scan the vertices of that tree are."""
        return float(np.sqrt(max(1.0, len(self.surface.vertices) / ROUGHLY)))

    @cached_property
    def edge(self) -> float:
        return mean_edge(self.surface.vertices, self.surface.faces)

    @cached_property
    def corners(self) -> list[Ints]:
        """Of each feature the corners of the facets that carry it."""
        surface = self.surface
        return corners_by_label(surface.faces, self.labels, len(surface.vertices), len(self.features))

    @cached_property
    def hollows(self) -> list[Hollow]:
        """What it saw of the walls of bores, holes and hollow radii."""
        out = []
        for f, corners in zip(self.features, self.corners, strict=True):
            if not kind_of(f).cylindrical or f.side != "bore" or f.direction is None or f.radius is None:
                continue
            if f.extent.along is None or not len(corners):
                continue
            across = basis_of(f.direction)
            angles = np.sort(polar_angles((self.surface.vertices[corners] - f.point) @ across.T))
            gaps = gaps_round(angles)
            widest = int(np.argmax(gaps))
            half = 0.5 * (FULL_TURN - float(gaps[widest]))
            middle = angles[(widest + 1) % len(angles)] + half
            way = on_circle(np.zeros(2), 1.0, np.array([middle]))[0] @ across
            out.append(Hollow(f.point, f.direction, f.radius, f.extent.along, way, f.radius * float(np.cos(half))))
        return out

    @cached_property
    def neighbours(self) -> Ints:
        """(m, 3) the facet across each edge."""
        return facet_neighbours(self.surface.faces, len(self.surface.vertices))

    @cached_property
    def at_rim(self) -> Mask:
        """(m,) facets that touch a rim."""
        faces = self.surface.faces
        return facets_at(faces, _corners_of(faces, _at_border(self.neighbours), len(self.surface.vertices)))

    @cached_property
    def smooth(self) -> Mask:
        """(m,) facets that are not sharply bent."""
        return _smooth(self.surface.faces, self.normals)

    @cached_property
    def plain(self) -> Mask:
        """(m,) smooth facets that touch no rim: what lies on them is seen for sure."""
        return self.smooth & ~self.at_rim

    @cached_property
    def clear(self) -> Mask:
        """(m,) plain facets that share no corner with a bent one. Beside an edge of the part the normal at a corner
        leans over it, as if what runs along there were held across: so it is that a wall seemed to hold its axis."""
        faces = self.surface.faces
        return self.plain & ~facets_at(faces, _corners_of(faces, ~self.smooth, len(self.surface.vertices)))

    @cached_property
    def area(self) -> float:
        """mm2 of what is plain."""
        return float(facet_areas(self.surface.vertices, self.surface.faces[self.plain]).sum())

    @cached_property
    def looks(self) -> Floats:
        """(3,) the way that most of the surface faces: to the scanner."""
        v, f = self.surface.vertices, self.surface.faces
        mean = facet_areas(v, f) @ facet_normals(v, f)
        return mean / max(float(np.linalg.norm(mean)), 1e-12)

    def sample(self, count: int) -> Sample:
        """About so many points, evenly over what is smooth; those of one count are made once."""
        if count not in self._samples:
            self._samples[count] = self._sampled(count)
        return self._samples[count]

    def _sampled(self, count: int) -> Sample:
        smooth = np.flatnonzero(self.smooth)
        points, facets = spread_points(self.surface.vertices, self.surface.faces[smooth], count)
        facets = smooth[facets].astype(np.int32)
        return Sample(points, facets, self.normals_at(points, facets), self.at_rim[facets])

    def shares(self, points: Floats, facets: Ints | Indices) -> Floats:
        """(k, 3) what the corners of its facet have in each point (k, 3) on it."""
        a, b, c = (self.surface.vertices[self.surface.faces[facets, k]] for k in range(3))
        u, v, w = b - a, c - a, points - a
        uu, uv, vv = (np.einsum("ij,ij->i", p, q) for p, q in ((u, u), (u, v), (v, v)))
        wu, wv = np.einsum("ij,ij->i", w, u), np.einsum("ij,ij->i", w, v)
        below = np.maximum(uu * vv - uv * uv, 1e-30)
        second, third = (vv * wu - uv * wv) / below, (uu * wv - uv * wu) / below
        return np.stack([1.0 - second - third, second, third], axis=1)

    def normals_at(self, points: Floats, facets: Ints | Indices) -> Floats:
        """(k, 3) unit normals at points (k, 3) on the facets."""
        shares = np.clip(self.shares(points, facets), 0.0, 1.0)
        return unit_rows(np.einsum("ij,ijk->ik", shares, self.normals[self.surface.faces[facets]]))


@dataclass(frozen=True)
class Sample:
    """Points (k, 3) of a scan, the facet (k,) that each lies on, normals (k, 3) there, and whether (k,) at a rim."""

    points: Floats
    facets: Ints
    normals: Floats
    at_rim: Mask

    @cached_property
    def sure(self) -> tuple[Floats, Floats]:
        """(s, 3) the points that are not at a rim, and (s, 3) the normals there."""
        return self.points[~self.at_rim], self.normals[~self.at_rim]


class Hollow(NamedTuple):
    """What was seen of a hollow round wall of some radius about an axis, from low to high along it.

    middle  (3,) the way from the axis to the middle of what was seen
    chord   mm, how far that way the chord lies between the ends of the arc that was seen; -radius all round
    """

    point: Floats
    direction: Floats
    radius: float
    along: tuple[float, float]
    middle: Floats
    chord: float

    @property
    def open_area(self) -> float:
        """mm2 of the section that lies in the air: off the wall, and on its side of the chord."""
        reach = INSIDE * self.radius
        chord = min(max(self.chord, -reach), reach)
        return reach**2 * float(np.arccos(chord / reach)) - chord * float(np.sqrt(reach**2 - chord**2))


class Met(NamedTuple):
    """What of a sample lies over the other scan in a pose; in the coordinates of the scan that stays.

    which    (k,) into the sample; points (k, 3) of it, moved
    near     (k, 3) nearest points of the scan that stays, facets (k,) and normals (k, 3) there
    theirs   (k, 3) normals of the sample
    off      (k,) mm, misfits along those normals
    """

    which: Indices
    points: Floats
    near: Floats
    facets: Ints
    normals: Floats
    theirs: Floats
    off: Floats


@njit(cache=True)
def _first_facets(f: Ints, chosen: Mask, n: int) -> Ints:
    """(n,) the first of the chosen facets (m,) that has each vertex, -1 where none has."""
    out = np.full(n, -1, dtype=np.int32)
    for i in range(len(f) - 1, -1, -1):
        if chosen[i]:
            for k in range(3):
                out[f[i, k]] = i
    return out


@njit(cache=True)
def _corners_of(f: Ints, chosen: Mask, n: int) -> Mask:
    """(n,) the corners of the chosen facets (m,)."""
    out = np.zeros(n, dtype=np.bool_)
    for i in range(len(f)):
        if chosen[i]:
            for k in range(3):
                out[f[i, k]] = True
    return out


@njit(cache=True, parallel=True)
def _at_border(neighbours: Ints) -> Mask:
    """(m,) facets that have no one facet across an edge."""
    out = np.empty(len(neighbours), dtype=np.bool_)
    for i in prange(len(neighbours)):
        out[i] = min(neighbours[i, 0], neighbours[i, 1], neighbours[i, 2]) < 0
    return out


@njit(cache=True, parallel=True)
def _smooth(f: Ints, normals: Floats) -> Mask:
    """(m,) facets of whose corners no two have normals (n, 3) that lean to each other much."""
    out = np.empty(len(f), dtype=np.bool_)
    for i in prange(len(f)):
        least = 1.0
        for k in range(3):
            a, b = f[i, k], f[i, k - 1]
            least = min(
                least, normals[a, 0] * normals[b, 0] + normals[a, 1] * normals[b, 1] + normals[a, 2] * normals[b, 2]
            )
        out[i] = least >= BENT
    return out


def met_roughly(stays: SetUp, sample: Sample, motion: Floats) -> Met:
    """As `met`, but of the nearest vertices and the planes through them, which is much faster."""
    points = transformed(motion, sample.points)
    tree, facet, normal = stays.near
    away, which = tree.query(points, distance_upper_bound=NEAR)
    index = np.flatnonzero(away < np.inf)
    which = which[index]
    normals, theirs = normal[which], turned(motion, sample.normals[index])
    gap = points[index] - tree.data[which]
    off = np.einsum("ij,ij->i", gap, normals)
    # Beyond the rim the nearest vertex lies far aside.
    aside = away[index] ** 2 - off**2
    over = (np.einsum("ij,ij->i", normals, theirs) > ALIKE) & (aside < (1.5 * stays.edge * stays.thinned) ** 2)
    index, which = index[over], which[over]
    return Met(index, points[index], tree.data[which], facet[which], normals[over], theirs[over], off[over])


def met(stays: SetUp, sample: Sample, motion: Floats, reach: float = NEAR) -> Met:
    """What of a sample lies within reach of the scan that stays, over smooth facets that face alike."""
    points = transformed(motion, sample.points)
    low, high = stays.box[0] - reach, stays.box[1] + reach
    maybe = np.flatnonzero(((points > low) & (points < high)).all(axis=1))
    away, facets, near = stays.tree.closest(points[maybe])
    keep = (away < reach) & stays.smooth[facets]
    # At a rim only what lies within the facet: beyond it the nearest place is the rim itself, aside.
    rim = np.flatnonzero(keep & stays.at_rim[facets])
    keep[rim] = stays.shares(near[rim], facets[rim]).min(axis=1) > WITHIN
    # Where both scans end along an edge of the part, each may have gone round it a little.
    keep &= ~(stays.at_rim[facets] & sample.at_rim[maybe])
    maybe, facets, near = maybe[keep], facets[keep], near[keep]
    normals = stays.normals_at(near, facets)
    theirs = turned(motion, sample.normals[maybe])
    alike = np.einsum("ij,ij->i", normals, theirs) > ALIKE
    index, facets, near, normals = maybe[alike], facets[alike], near[alike], normals[alike]
    off = np.einsum("ij,ij->i", points[index] - near, normals)
    return Met(index, points[index], near, facets, normals, theirs[alike], off)


def picked(found: Met, keep: Mask) -> Met:
    """Those of what was met that are to be kept (k,)."""
    return Met._make(column[keep] for column in found)


def on_clear(stays: SetUp, laid: SetUp, sample: Sample, found: Met) -> Mask:
    """(k,) what was met on clear facets of both scans: there the misfit is that of the surface, and no edge's."""
    return stays.clear[found.facets] & laid.clear[sample.facets[found.which]]


def clash(found: Met, sigma: float) -> float:
    """Share of what was met that is off by more than six times the noise and 20 um; 0 where nothing was met."""
    return float(np.mean(np.abs(found.off) > 6.0 * sigma + 0.02)) if len(found.off) else 0.0


def beyond(stays: SetUp, sample: Sample, motion: Floats) -> float:
    """Of what lies at bends of the scan that stays, the share that goes straight on where that turns away.

    A plane that was laid on another one, shifted along it, runs on beyond its edge. 0 where too little tells.
    """
    points = transformed(motion, sample.points)
    low, high = stays.box[0] - NEAR, stays.box[1] + NEAR
    maybe = np.flatnonzero(((points > low) & (points < high)).all(axis=1) & ~sample.at_rim)
    away, facets, near = stays.tree.closest(points[maybe])
    alike = np.einsum("ij,ij->i", stays.normals_at(near, facets), turned(motion, sample.normals[maybe])) > 0.5
    at_bend = alike & ~stays.plain[facets] & ~stays.at_rim[facets] & (away < NEAR)
    on, off = np.count_nonzero(at_bend & (away < 0.3)), np.count_nonzero(at_bend & (away > 0.8))
    return off / (on + off) if off >= HIT else 0.0


def crossed(stays: SetUp, sample: Sample, motion: Floats, area: float) -> float:
    """mm of lines along which the surface of a scan passes through that of the scan that stays; one part's never does.

    Along the surface from each point of the sample, a short way to a side that is the point's own; what is met there
    steeply, away from bends and rims, is crossed. Of needles that fall on lines 2 / pi of their length cross (Buffon).

    area  mm2 that the points which are not at a rim are spread over evenly; 0 where too little tells
    """
    sure = np.flatnonzero(~sample.at_rim)
    if not len(sure):
        return 0.0
    points, normals = transformed(motion, sample.points[sure]), turned(motion, sample.normals[sure])
    room = area / len(sure)
    length = max(2.0 * stays.edge, 0.7 * float(np.sqrt(room)))
    sideways = np.random.default_rng(len(sure)).standard_normal(points.shape)
    ways = unit_rows(sideways - np.einsum("ij,ij->i", sideways, normals)[:, None] * normals)
    # What no such way reaches is left out of what is looked up.
    each = np.repeat(np.arange(len(points), dtype=np.int32), 3).reshape(-1, 3)
    vertices, faces = stays.surface.vertices, stays.surface.faces
    within = np.flatnonzero(surroundings(points, each, length).meet(vertices, faces))
    if not len(within):
        return 0.0
    first, far = SightLines.through(vertices, faces[within]).first(points, ways, 0.0)
    hit = np.flatnonzero(far < length)
    hit = hit[stays.plain[within[first[hit]]]]
    there = stays.normals_at(points[hit] + far[hit, None] * ways[hit], within[first[hit]])
    steep = np.count_nonzero(np.abs(np.einsum("ij,ij->i", there, normals[hit])) < ALIKE)
    return steep * room * np.pi / (2.0 * length) if steep >= HIT else 0.0


def blocked(bores: SetUp, points: Floats, normals: Floats, area: float) -> float:
    """The largest share of the opening of a bore, a hole or a hollow radius that points (k, 3), in the scan's
    coordinates, stand across.

    normals  (k, 3) of the surface that the points lie on
    area     mm2 that the points are spread over evenly; bores of which too few would be hit are passed over

    The scanner has looked through there: apart from what it saw itself no surface of the part can be in it. Nor can one
    that faces away lie right behind the end of a wall: the metal between would be thinner than any wall is. Of a wall
    that was seen in part only what lies between the ends of that is taken for air.
    """
    most = 0.0
    for hollow in bores.hollows:
        expected = len(points) * hollow.open_area / area
        if expected < HIT:
            continue
        w = points - hollow.point
        along = w @ hollow.direction
        low, high = hollow.along
        square = np.einsum("ij,ij->i", w, w) - along**2
        # At the end that it looked into, nothing is in front either; the other may have a floor that it did not see.
        towards = float(hollow.direction @ bores.looks)
        thin = min(bores.edge, THINNEST)
        # Half a wall or less may have been seen from aside, its floor hidden.
        most_of_it = hollow.chord < 0.0
        mouths = most_of_it and towards < -LOOKED_INTO, most_of_it and towards > LOOKED_INTO
        first = low - MOUTH * bores.edge if mouths[0] else low + bores.edge
        last = high + MOUTH * bores.edge if mouths[1] else high - bores.edge
        across = (along > first) & (along < last)
        for mouth, end, way in ((mouths[0], low, -hollow.direction), (mouths[1], high, hollow.direction)):
            across |= (not mouth) & (np.abs(along - end) < thin) & (normals @ way > ALIKE)
        within = (square < (INSIDE * hollow.radius) ** 2) & (w @ hollow.middle > hollow.chord)
        inside = np.flatnonzero(across & within)
        if len(inside) > BLOCKED * expected:
            away = bores.tree.distance(points[inside])
            most = max(most, float(np.count_nonzero(away > OWN)) / expected)
    return most


@dataclass(frozen=True)
class Pull:
    """What misfits say of the pose: the sum of pulls (6,), how it changes with a small motion (6, 6), and its
    covariance (6, 6); shifts in mm and turns in rad about a middle. off, mm, is the misfits' scale.

    waves  of the scan that stays and of the other (w, 6, 6), what each of its waves has in that covariance
    """

    sums: Floats
    change: Floats
    covariance: Floats
    off: float
    waves: tuple[Floats, Floats]

    @property
    def gain(self) -> Floats:
        """(6, 6) what least squares over all that is known takes of the sums."""
        variance = np.diag(self.covariance)
        scale = np.divide(1.0, np.sqrt(variance), out=np.zeros(6), where=variance > 0.0)
        unit = self.covariance * np.outer(scale, scale)
        inverse = np.linalg.inv(unit + 1e-6 * np.eye(6)) * np.outer(scale, scale)
        return np.asarray(self.change.T @ inverse)

    def information(self) -> tuple[Floats, Floats]:
        """(6, 6) and (6,): what a motion weighs, and is drawn by, in least squares over all that is known."""
        return self.gain @ self.change, self.gain @ self.sums


def pull(
    stays: SetUp, laid: SetUp, sample: Sample, found: Met, middle: Floats, honest: bool = True, least: float = 0.0
) -> Pull | None:
    """What misfits say of a pose; None where too few facets were met. Not `honest`: with white noise alone, faster.

    least  mm: what is off by less than some four times that is not taken for something else. The few facets that hold a
           motion are all off while it is not yet right, and the many that don't feel it would make them outliers: with
           a width that shrinks from step to step they have their say (graduated non-convexity, Blake, Zisserman 1987)

    The noise of a scan tilts its normals, so that a turned surface seems to be held about its axis. The normals of the
    other scan are tilted otherwise: as weights of the misfits they leave nothing of that on average (instrumental
    variables, Wald 1940), and what does not stand out of the rest is left out.
    """
    facets = sample.facets[found.which]
    # Many points of one facet are no more than that facet.
    if min(len(np.unique(found.facets)), len(np.unique(facets))) < FEWEST_FACETS:
        return None
    white = float(np.hypot(stays.noise.sigma_white, laid.noise.sigma_white))
    scale = max(scaled_mad(found.off, 0.0), white, EXACT, least)
    weight = np.clip(1.0 - (found.off / (TUKEY * scale)) ** 2, 0.0, None) ** 2
    levers = found.points - middle
    rows, theirs = (np.hstack([n, np.cross(levers, n)]) for n in (found.normals, found.theirs))
    gains = theirs * weight[:, None]
    both = ((stays, found.facets), (laid, facets))
    corners = min(len(np.unique(scan.surface.faces[f])) for scan, f in both)
    kept = _told(found, rows, gains, levers, corners)
    sums, change = kept @ (gains.T @ found.off), kept @ (gains.T @ rows) @ kept.T
    if not honest:
        none = np.empty((0, 6, 6))
        return Pull(sums, change, scale**2 * (kept @ (gains.T @ gains) @ kept.T), scale, (none, none))
    parts = [
        _noise_in(scan, points, held, gains)
        for scan, points, held in ((stays, found.near, found.facets), (laid, sample.points[found.which], facets))
    ]
    spread = np.asarray(parts[0].sum(axis=0) + parts[1].sum(axis=0))
    # What neither noise explains, such as skin that two nets of points draw differently, counts as white.
    expected = white**2 + sum(float(np.sum(s.noise.components[1:, 0] ** 2)) for s in (stays, laid))
    excess = max(float(np.sum(weight * found.off**2) / np.sum(weight)) - expected, EXACT**2)
    spread += excess * _alike_over_facets(gains, found.facets, facets)
    wider = max(1.0, _beyond_noise(found, gains, spread, kept))
    first, second = (wider * (kept @ part[1:] @ kept.T) for part in parts)
    return Pull(sums, change, wider * (kept @ spread @ kept.T), scale, (first, second))


def _alike_over_facets(gains: Floats, *facets: Ints) -> Floats:
    """(6, 6) covariance of a sum of gains (k, 6) times errors of variance 1 that are one over each facet of the scan
    whose facets (k,) are fewer: as many points as lie on one say no more than one of them."""
    which = min((np.unique(f, return_inverse=True)[1] for f in facets), key=lambda one: int(one.max()))
    sums = np.stack([np.bincount(which, gains[:, k]) for k in range(6)], axis=1)
    return np.asarray(sums.T @ sums, dtype=np.float64)


def _beyond_noise(found: Met, gains: Floats, spread: Floats, kept: Floats) -> float:
    """How many times what the covariance (6, 6) of a sum of misfits makes of it its parts come to, patch by patch: a
    form that the two scans draw differently, and waves that no large face has shown, are in no model of noise.

    The covariance from clusters' own misfits (Liang and Zeger, Biometrika 73 (1986) 13), of which the size is taken
    alone: its shape is not known of few patches.
    """
    cell = np.column_stack([np.floor(found.points / PATCH), np.argmax(abs(found.normals), axis=1)])
    which = np.unique(cell.astype(np.int64), axis=0, return_inverse=True)[1].ravel()
    count = int(which.max()) + 1
    if count <= FEWEST_PATCHES:
        return 1.0
    sums = np.stack([np.bincount(which, gains[:, k] * found.off) for k in range(6)], axis=1) @ kept.T
    expected = kept @ spread @ kept.T
    scale = np.sqrt(np.maximum(np.diag(expected), 1e-300))
    inverse = np.linalg.pinv(expected / np.outer(scale, scale), rcond=1e-9, hermitian=True)
    freedom = int(np.linalg.matrix_rank(inverse))
    unit = sums / scale
    return float(np.einsum("ki,ij,kj->", unit, inverse, unit)) / max(freedom, 1) * count / (count - 6)


def _told(found: Met, rows: Floats, gains: Floats, levers: Floats, corners: int) -> Floats:
    """(6, 6) projector onto the motions that points (k,) with such rows and gains (k, 6) tell of beyond chance.

    levers   (k, 3) of the points, from the middle that the rows turn about
    corners  how many corners of facets, each with a noise of its own, stand behind the points

    Normals that noise tilts by s and t from the true one give products s t m^2 of either sign, m being how far the
    motion takes the point.
    """
    scales = np.sqrt(np.maximum(np.mean(rows**2, axis=0), 1e-300))
    values, vectors = np.linalg.eigh((rows.T @ gains + gains.T @ rows) / np.outer(scales, scales))
    # Of a pair of tilts in two directions the squares' median is 2 ln 2 times the variance.
    tilts = float(np.median(np.sum((found.normals - found.theirs) ** 2, axis=1))) / (2.0 * np.log(2.0))
    motions = vectors / scales[:, None]
    # (3, k, 6) where each motion takes each point.
    x, y, z = levers.T[:, :, None]
    shifts, (p, q, r) = motions[:3, None], motions[3:, None]
    moved = np.stack([shifts[0] + q * z - r * y, shifts[1] + r * x - p * z, shifts[2] + p * y - q * x])
    far = np.einsum("ikm,ikm->km", moved, moved)
    by_noise = 0.5 * tilts * np.sqrt(np.mean(far**2, axis=0) / corners)
    kept = 0.5 * values / len(rows) > STANDS_OUT * by_noise
    beyond = vectors[:, kept]
    return (beyond @ beyond.T) * np.outer(scales, 1.0 / scales)


def _noise_in(scan: SetUp, points: Floats, facets: Ints, gains: Floats) -> Floats:
    """Covariance (1 + w, 6, 6) of a sum of gains (k, 6) times the noise of a scan at points (k, 3) on its facets: by
    its white noise, and by each of its waves."""
    corners = scan.surface.faces[facets].ravel()
    shares = np.clip(scan.shares(points, facets), 0.0, 1.0)
    parts = (shares[:, :, None] * gains[:, None, :]).reshape(-1, 6)
    used, place = np.unique(corners, return_inverse=True)
    at_vertices = np.stack([np.bincount(place, parts[:, k], len(used)) for k in range(6)], axis=1)
    return carried_in_parts(np.asarray(at_vertices, dtype=np.float64), scan.surface.vertices[used], scan.noise, FINEST)
