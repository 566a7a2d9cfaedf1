"""A gap's rim laid out in a plane and filled there; and what every patch is made from and comes to."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.gaps.openings import Band, Opening, Rim
from pipeline.geometry import Floats, Ints, contains, signed_area
from pipeline.mesh.fill import (
    constrained_delaunay,
    half_edge_neighbours,
    hexagonal_lattice,
    is_simple,
    least_bending_triangles,
    split_edges,
)
from pipeline.mesh.topology import facet_normals
from pipeline.surfaces import Shape, view

Flatten = Callable[[Floats], Floats]
Lift = Callable[[Floats], Floats]
Raise = Callable[[Floats, Floats], Floats]  # places and heights over them -> points

_MOST_POINTS = 400_000
# Points this far, in pitches, from points a pitch apart on a line leave the line its edges (1 / sqrt(2), and a little).
_CLEAR = 0.72


@dataclass(frozen=True)
class HolePatch:
    """A surface for a gap, edge for edge on its rim.

    corners    (c,) int32 vertices of the surface; `points` (k, 3) mm new ones
    triangles  (t, 3) int32 index both in turn: below c a corner, from c on a new point
    labels     (t,) int32 feature of each triangle, -1 none
    how        in words what the patch was made of
    """

    corners: Ints
    points: Floats
    triangles: Ints
    labels: Ints
    how: str


@dataclass(frozen=True)
class Surroundings:
    """What patches are made from: the band, the features' shapes, which way their material lies, the noise.

    vertices  (n, 3) mm and `faces` (m, 3) of the surface; `band` the part of it round the rims
    shapes    of the f features
    outward   (f,) 1.0 where a shape's geometric normal points out of the material, else -1.0
    sigma     mm
    """

    vertices: Floats
    faces: Ints
    band: Band
    shapes: tuple[Shape, ...]
    outward: Floats
    sigma: float


class Layout:
    """The rim of a gap laid out in a plane, ready to be filled."""

    def __init__(self, opening: Opening, ground: Surroundings, flatten: Flatten) -> None:
        self.ground = ground
        self.edge = opening.edge
        self.flatten = flatten
        lines = [rim.corners[::-1] for rim in (opening.outer, *opening.islands)]
        self.corners, index = np.unique(np.concatenate(lines), return_inverse=True)
        self.corners = self.corners.astype(np.int32)
        ends = np.cumsum([len(line) for line in lines])[:-1]
        self.loops: tuple[Ints, ...] = tuple(part.astype(np.int32) for part in np.split(index, ends))
        self.flat = flatten(ground.vertices[self.corners])
        self.good = (
            signed_area(self.flat[self.loops[0]]) > 0.0
            and all(signed_area(self.flat[island]) < 0.0 for island in self.loops[1:])
            and is_simple(self.flat, self.loops)
        )

    def lattice(self, pitch: float, forced: Floats) -> Floats:
        """Inner points (k, 2): the forced ones, and lattice points that keep clear of them and of the rim."""
        start = self.flat[np.concatenate(self.loops)]
        step = self.flat[np.concatenate([np.roll(loop, -1) for loop in self.loops])] - start
        parts = np.maximum(np.ceil(np.linalg.norm(step, axis=1) / (0.5 * pitch)).astype(int), 1)
        each = np.repeat(np.arange(len(start)), parts)
        share = (np.arange(len(each)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[each]
        rim = cKDTree(start[each] + share[:, None] * step[each])
        inner = hexagonal_lattice(self.flat, self.loops, pitch)
        if len(inner):
            inner = inner[rim.query(inner)[0] > 0.6 * pitch]
        if len(forced):
            forced = forced[rim.query(forced)[0] > 0.3 * pitch]
        if len(forced):
            forced = forced[contains([self.flat[loop] for loop in self.loops], forced)]
        if len(forced) and len(inner):
            inner = inner[cKDTree(forced).query(inner)[0] > _CLEAR * pitch]
        return np.concatenate([forced, inner]) if len(forced) else inner

    def mesh(self, pitch: float, forced: Floats) -> tuple[Floats, Ints] | None:
        made = constrained_delaunay(self.flat, self.loops, self.lattice(pitch, forced))
        if made is None:
            return None
        places, triangles = made
        space = np.column_stack([places, np.zeros(len(places))])
        space, triangles = without_doubles(self.corners, space, triangles, self.ground)
        return space[:, :2], triangles

    def pitch(self) -> float:
        """The rim's usual edge, wider where that would mean an absurd number of facets."""
        area = signed_area(self.flat[self.loops[0]])
        return max(self.edge, float(np.sqrt(area / _MOST_POINTS)))

    def patch(
        self,
        lift: Lift,
        label: Callable[[Floats], Ints],
        how: str,
        forced: Floats | None = None,
    ) -> HolePatch | None:
        """Fill, lift and label; None where the rim overlaps itself in this plane."""
        if not self.good:
            return None
        pitch = self.pitch()
        forced = np.empty((0, 2)) if forced is None else forced
        made = self.mesh(pitch, forced)
        if made is None:
            return None
        places, triangles = made
        fixed = len(self.corners)
        points = self._lifted(places, lift)
        for _ in range(2):
            if not np.isfinite(points).all():
                return None
            longer = _long_edges(points, triangles, 1.7 * pitch, fixed)
            if len(longer) == 0:
                break
            space, _ = split_edges(np.column_stack([places, np.zeros(len(places))]), triangles, longer)
            # A point beside a forced line would take its edges' place in the triangulation.
            added = space[len(places) :, :2]
            if len(forced):
                added = added[cKDTree(forced).query(added)[0] > _CLEAR * pitch]
            again = constrained_delaunay(self.flat, self.loops, np.concatenate([places[fixed:], added]))
            if again is None:
                return None
            space, triangles = without_doubles(
                self.corners, np.column_stack([again[0], np.zeros(len(again[0]))]), again[1], self.ground
            )
            places = space[:, :2]
            points = self._lifted(places, lift)
        if not np.isfinite(points).all():
            return None
        middle = places[triangles].mean(axis=1)
        return HolePatch(self.corners, points[fixed:], triangles, label(middle), how)

    def _lifted(self, places: Floats, lift: Lift) -> Floats:
        fixed = len(self.corners)
        points = np.empty((len(places), 3))
        points[:fixed] = self.ground.vertices[self.corners]
        if len(places) > fixed:
            points[fixed:] = lift(places[fixed:])
        return points


def _inner_edges(triangles: Ints) -> Ints:
    """(k, 2) edges between two triangles, each once."""
    across = half_edge_neighbours(triangles)
    t, k = np.nonzero(across > np.arange(len(triangles))[:, None])
    return np.stack([triangles[t, k], triangles[t, (k + 1) % 3]], axis=1).astype(np.int32)


def _long_edges(points: Floats, triangles: Ints, limit: float, fixed: int) -> Ints:
    edges = _inner_edges(triangles)
    edges = edges[(edges >= fixed).any(axis=1)]
    return edges[np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1) > limit]


def spanned(rim: Rim, ground: Surroundings) -> tuple[Ints, Floats, Ints | None]:
    """The corners of a rim in the patch's own direction, their places, and triangles between them where any will do."""
    corners = rim.corners[::-1].copy()
    # Edge i -> i + 1 of the reversed line is edge k - 2 - i of the rim.
    outside = facet_normals(ground.vertices, ground.faces[np.roll(rim.facets[::-1], -1)])
    points = ground.vertices[corners]
    return corners, points, least_bending_triangles(points, outside)


def without_doubles(corners: Ints, points: Floats, triangles: Ints, ground: Surroundings) -> tuple[Floats, Ints]:
    """Split inner edges of a patch between two corners that an edge of the surface joins already."""
    edges = _inner_edges(triangles)
    edges = edges[(edges < len(corners)).all(axis=1)]
    if len(edges) == 0:
        return points, triangles
    band = ground.band
    here = band.place[corners[edges]]
    joined = [b in band.ring[band.starts[a] : band.starts[a + 1]] for a, b in here]
    doubles = edges[np.array(joined, bool)]
    return split_edges(points, triangles, doubles) if len(doubles) else (points, triangles)


def looks(
    opening: Opening, ground: Surroundings, guesses: Sequence[Floats], least: float
) -> Iterator[tuple[Floats, Raise, Layout]]:
    """Those of some directions, none shorter than `least`, from which a gap lies open: unit direction, how places and
    heights over the plane across it are lifted, and the gap laid out in that plane."""
    for guess in guesses:
        size = float(np.linalg.norm(guess))
        if size < least:
            continue
        direction = guess / size
        flatten, lift = view(opening.outer.centre, direction)
        layout = Layout(opening, ground, flatten)
        if layout.good:
            yield direction, lift, layout
