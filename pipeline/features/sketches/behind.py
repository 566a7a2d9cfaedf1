"""What is behind a flat face: how thick the part is there, and whether its holes go through.

Rays are sent square into the face, through the scan as it was cleaned. What a ray meets first counts as the back where
it was measured, looks away from the face, and lies level with what most rays meet; a filled facet is no back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.features.sketches.ground import SketchGround
from pipeline.features.sketches.outlines import polyline
from pipeline.geometry import FULL_TURN, Floats, Ints, Mask, on_circle, undone
from pipeline.mesh.query import SightLines
from pipeline.mesh.topology import facet_normals
from pipeline.surfaces import kind_of
from pipeline.values import MEASURED, Hole, Outline, Thickness

PLACES = 1500  # at most, of a face
INSET = 2.0  # mm that a place keeps from the face's edges: the back's own edge is often rounded
LEVEL = np.radians(12.0)  # that the back may lean: drafts of castings are smaller, fillets larger
SPREAD = 1.5  # mm that the back's places may be off their middle: what is further off is something else behind
FEWEST = 20  # places with a back
SHARE = 0.1  # of a face's places that must have a back
ROUND = 24  # rays round a hole
SEAT = 2.0  # mm outside a hole's rim, where its bolt's head would sit
DEEPEST = 0.5  # of the face's smaller side: what is behind further off is no flange's back
INSIDE = 0.5  # of a hole's radius: where rays go into it, besides along its axis
MOST = 5  # of the seven rays into a hole that must say the same
_START = 0.3  # mm below the face from where on a ray meets things


class Behind:
    """Rays into one face. Everything in the face's sketch: mm, z out of the material."""

    def __init__(
        self,
        ground: SketchGround,
        index: int,
        matrix: Floats,
        sight: SightLines,
        outer: Outline | None,
        inner: Sequence[Outline],
    ) -> None:
        self.ground = ground
        self.matrix = matrix
        self.sight = sight
        self.back_to_scan = undone(matrix)
        self.outer = None if outer is None else polyline(outer)
        mine = ground.of(index)
        mine = mine[ground.surface.origin[mine] == MEASURED]
        some = ground.surface.faces[mine[:: max(1, len(mine) // PLACES)]]
        places = ground.surface.vertices[some].mean(axis=1) @ matrix[:2, :3].T + matrix[:2, 3]
        rims = [run for run in (self.outer, *(polyline(o) for o in inner)) if run is not None]
        clear = np.ones(len(places), bool)
        for rim in rims:
            clear &= _from_border(places, rim) > INSET
        self.places = places[clear]
        sides = np.ptp(self.outer if self.outer is not None else places, axis=0) if len(places) else np.zeros(2)
        self.deepest = DEEPEST * float(sides.min())

    def thickness(self) -> Thickness | None:
        """Of the face as a whole; None where its back was not seen."""
        deep, facet = self._backs(self.places)
        known = deep[np.isfinite(deep)]
        if len(known) < FEWEST:
            return None
        level = np.isfinite(deep) & (np.abs(deep - _densest(known)) < SPREAD)
        if level.sum() < max(FEWEST, SHARE * len(self.places)):
            return None
        least, middle, most = np.quantile(deep[level], [0.02, 0.5, 0.98])
        count = int(level.sum())
        share = count / len(self.places)
        return Thickness(float(least), float(middle), float(most), count, share, self._carrier(facet[level]))

    def told(self, hole: Hole) -> Hole:
        """The hole with its edge distance, its flange's thickness round it, and how it ends."""
        edge = None if self.outer is None else float(_from_border(hole.place[None], self.outer)[0])
        thickness = self._round(hole)
        end, depth = self._end(hole, thickness)
        return replace(hole, edge=edge, thickness=thickness, end=end, depth=depth)

    def _round(self, hole: Hole) -> float | None:
        """Median thickness on a ring round a hole, where half of it has a back."""
        ring = on_circle(hole.place, 0.5 * hole.diameter + SEAT, np.arange(ROUND) * FULL_TURN / ROUND)
        deep, _ = self._backs(ring)
        known = deep[np.isfinite(deep)]
        if len(known) < ROUND // 2:
            return None
        level = known[np.abs(known - np.median(known)) < SPREAD]
        return float(np.median(level)) if len(level) >= ROUND // 2 else None

    def _end(self, hole: Hole, thickness: float | None) -> tuple[str | None, float | None]:
        radius = 0.5 * hole.diameter
        inside = np.vstack([hole.place, on_circle(hole.place, INSIDE * radius, np.arange(6) * FULL_TURN / 6)])
        facet, deep = self._into(inside)
        met = facet >= 0
        # From air into metal: a ray that comes out of metal first went in where nothing was seen.
        front = met & (self.ground.surface.origin[facet] == MEASURED) & (self._towards(facet) > 0.0)
        beyond = ~met if thickness is None else ~met | (front & (deep > thickness + SPREAD))
        if beyond.sum() >= MOST:
            return "through", None
        floor = front & ~beyond
        if floor.sum() >= MOST:
            depth = float(np.median(deep[floor]))
            # The floor of a hole is where its wall ends; further off it is whatever stands behind the hole.
            if abs(depth - hole.depth_seen) < max(1.5, 0.6 * radius):
                return "blind", depth
        reaches = thickness is not None and hole.depth_seen > thickness - max(1.5, 2.0 * self.ground.edge)
        return ("through", None) if reaches and not floor.any() else (None, None)

    def _into(self, places: Floats) -> tuple[Ints, Floats]:
        """The facet that a ray into the face at each place meets first, -1 none, and how far below the face, mm."""
        start = places @ self.back_to_scan[:3, :2].T + self.back_to_scan[:3, 3]
        ways = np.repeat(-self.back_to_scan[None, :3, 2], len(places), axis=0)
        return self.sight.first(start, ways, _START)

    def _towards(self, facet: Ints) -> Floats:
        """How far each facet looks to the side that the face looks to: 1 as the face itself, -1 away."""
        surface = self.ground.surface
        return facet_normals(surface.vertices, surface.faces[facet]) @ self.matrix[2, :3]

    def _backs(self, places: Floats) -> tuple[Floats, Ints]:
        """(n,) mm from the face to its back at each place, nan where none was seen; and the back's facet."""
        if not len(places):
            return np.empty(0), np.empty(0, np.int32)
        facet, deep = self._into(places)
        seen: Mask = (facet >= 0) & (self.ground.surface.origin[facet] == MEASURED) & (deep < self.deepest)
        seen &= self._towards(facet) < -np.cos(LEVEL)
        return np.where(seen, deep, np.nan), facet

    def _carrier(self, facets: Ints) -> str | None:
        labels = self.ground.labels[facets]
        most = int(np.bincount(labels + 1).argmax()) - 1
        if most < 0 or np.mean(labels == most) < 0.5 or not kind_of(self.ground.features[most]).flat:
            return None
        return self.ground.features[most].id


def _densest(values: Floats) -> float:
    """The value within SPREAD of which most others lie."""
    ordered = np.sort(values)
    count = np.searchsorted(ordered, ordered + SPREAD) - np.searchsorted(ordered, ordered - SPREAD)
    near = ordered[np.abs(ordered - ordered[int(np.argmax(count))]) < SPREAD]
    return float(np.median(near))


def _from_border(places: Floats, border: Floats) -> Floats:
    """(n,) mm from places (n, 2) to the nearest side of a closed polygon (m, 2)."""
    along = np.roll(border, -1, axis=0) - border
    away = places[:, None] - border[None]
    square = np.maximum(np.sum(along**2, axis=1), 1e-18)
    share = np.clip(np.sum(away * along[None], axis=2) / square, 0.0, 1.0)
    return np.linalg.norm(away - share[..., None] * along[None], axis=2).min(axis=1)
