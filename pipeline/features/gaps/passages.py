"""Whether what would close a gap would stand in a real opening: a bore's own way, or a line of sight into the part.

Behind the mark of a clamp or a shadow lies metal: whoever looks from there into the part sees the far side of the
metal first, from within. In a real opening lies air: one sees scanned walls from their front, or right through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.features.gaps.layout import HolePatch
from pipeline.features.gaps.openings import Opening
from pipeline.geometry import Floats, Ints, Mask, basis_of, rejection, unit
from pipeline.mesh.query import SightLines, spread_points
from pipeline.mesh.topology import facet_normals
from pipeline.surfaces import is_bore
from pipeline.values import Feature, Surface

_RAYS, _LOOKS = 64, 1000
# Of a part seen all round, hardly anything has nothing behind it: openings and gaps only.
_OPEN_SCAN = 0.25
# Ways to look, degrees from straight in and how many; slanting openings are seen along the slanted ones.
_SLANTS = ((25.0, 6), (50.0, 8))
# A bore's way: this share of its radius stays free, and at most this share of a rim may lie in it.
_FREE = 0.8
_RIM_IN_WAY = 0.05
# A scanner sees some two diameters into a bore: what it did not see is no longer than this many radii.
_REACH = 8.0
_LEAST_ARC = np.radians(150.0)
_RUNS_ON = 0.8


@dataclass(frozen=True)
class Verdict:
    """opening  why it is taken for a real opening, "" where it isn't; `doubt` why closing it is only to be proposed."""

    opening: str = ""
    doubt: str = ""


@dataclass(frozen=True)
class Sight:
    """What is seen from a patch, as shares of the rays.

    front, out, back  straight in: a wall's front, nothing at all, metal's far side from within
    slanting          the largest share of front and nothing along one slanted way
    metal             of all ways together, the share that sees metal's far side
    """

    front: float
    out: float
    back: float
    slanting: float
    metal: float


@dataclass(frozen=True)
class Behind:
    """Measured facets to look through.

    surface  the measured one
    lines    of sight through it
    open     True where much of the scan has nothing behind it, as one side of a part: seeing nothing then says nothing

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> Behind.of(square).open
    True
    """

    surface: Surface
    lines: SightLines
    open: bool

    @staticmethod
    def of(surface: Surface) -> Behind:
        """Looks from some places of the surface straight in."""
        lines = SightLines.through(surface.vertices, surface.faces)
        places, facet = spread_points(surface.vertices, surface.faces, _LOOKS)
        ways = -facet_normals(surface.vertices, surface.faces[facet])
        met, _ = lines.first(places, ways, 1e-3 * float(np.ptp(surface.vertices, axis=0).max()))
        return Behind(surface, lines, bool(np.mean(met < 0) > _OPEN_SCAN))


def judge(opening: Opening, patch: HolePatch, features: Sequence[Feature], behind: Behind) -> Verdict:
    """Whether a patch for a gap would close a real opening, by the bores found and by what lies behind it.

    features  recovered on the surface that `behind` looks through

    Where nothing can be seen behind the gap, and that says nothing, neither an opening nor a doubt is said. Below, a
    plate 3 mm thick, seen from both sides, in whose upper face one of 25 squares is missing: behind it lies metal. With
    a lower sheet that faces up, what is seen through the gap is a wall's front.

    >>> from pipeline.features.gaps import Surroundings, band_of, find_rims, name_gaps, ways_to_close
    >>> from pipeline.mesh.topology import facet_neighbours
    >>> a = np.array([*np.ndindex(5, 5)]) @ [[6], [1]]
    >>> sheet = np.vstack([a + [0, 6, 7], a + [0, 7, 1]])
    >>> points = np.array([*np.ndindex(6, 6, 1)], float)
    >>> v, upper = np.vstack([points, points - [0, 0, 3]]), np.delete(sheet, [12, 37], axis=0)
    >>> def verdict(lower):
    ...     surface = Surface.measured(v, np.vstack([upper, lower]))
    ...     rims, _ = find_rims(surface, facet_neighbours(surface.faces, 72))
    ...     band = band_of(surface, rims, np.full(98, -1, np.int32))
    ...     gap = name_gaps(surface, rims, band, (), 0.01)[-1]
    ...     ground = Surroundings(surface.vertices, surface.faces, band, (), np.empty(0), 0.01)
    ...     return judge(gap, next(ways_to_close(gap, ground)), (), Behind.of(surface))
    >>> verdict(sheet[:, ::-1] + 36)
    Verdict(opening='', doubt='')
    >>> verdict(sheet + 36).opening
    'scanned walls are seen through it: more likely a real opening than a gap of the scan'
    """
    surface, lines = behind.surface, behind.lines
    points = np.concatenate([surface.vertices[patch.corners], patch.points])
    normals = facet_normals(points, patch.triangles)
    bore = _in_the_way(opening, points, patch, normals, surface, features, lines)
    if bore is not None:
        return Verdict(opening=f"{bore.id} comes out here")
    sight = sight_behind(opening, points, patch, normals, surface, lines)
    air = sight.front + sight.out
    if behind.open:
        air = sight.front
    if air >= 0.5:
        seen = "scanned walls are seen through it" if sight.front >= 0.5 * air else "one sees through the part here"
        return Verdict(opening=f"{seen}: more likely a real opening than a gap of the scan")
    if air >= 0.3:
        return Verdict(doubt=f"no metal is seen behind {100.0 * air:.0f} % of it")
    if sight.slanting >= 0.9 and sight.back < 0.75 and not behind.open:
        return Verdict(doubt="seen at a slant there is no metal behind it")
    if sight.back < 0.6 and opening.outer.facing < _RUNS_ON and sum(opening.shares) < 0.88:
        return Verdict(doubt="its rim runs on neither along a face nor smoothly, and no metal is seen behind it")
    return Verdict()


def sight_behind(
    opening: Opening, points: Floats, patch: HolePatch, normals: Floats, surface: Surface, lines: SightLines
) -> Sight:
    """What lies behind a patch: points (k, 3) mm, its triangles' outward unit normals (t, 3)."""
    places, facet = spread_points(points, patch.triangles, _RAYS)
    if len(places) == 0:
        return Sight(0.0, 0.0, 0.0, 0.0, 0.0)
    away = normals[facet]
    inward = -away.mean(axis=0)
    straight = [unit(way) for way in (inward, -opening.outer.normal) if np.linalg.norm(way) > 1e-9]
    seen = [_seen(way, places, away, opening.edge, surface, lines) for way in straight]
    front, out, back = max(seen, key=lambda s: s[0] + s[1])
    slanted = [_seen(way, places, away, opening.edge, surface, lines) for way in _slanted(straight[0])]
    metal = float(np.mean([s[2] for s in (seen[0], *slanted)]))
    return Sight(front, out, back, max(s[0] + s[1] for s in slanted), metal)


def _slanted(straight: Floats) -> list[Floats]:
    u, w = basis_of(straight)
    ways = []
    for degrees, count in _SLANTS:
        lean = np.radians(degrees)
        for turn in np.arange(count) * (2.0 * np.pi / count):
            ways.append(np.cos(lean) * straight + np.sin(lean) * (np.cos(turn) * u + np.sin(turn) * w))
    return ways


def _seen(
    way: Floats, places: Floats, away: Floats, edge: float, surface: Surface, lines: SightLines
) -> tuple[float, float, float]:
    """Shares of front, nothing, back among parallel rays from the places that look inwards."""
    inwards = away @ way < -0.2
    if not inwards.any():
        return 0.0, 0.0, 1.0
    start = places[inwards] - 0.3 * edge * away[inwards]
    facet, _ = lines.first(start, np.tile(way, (len(start), 1)), 0.5 * edge)
    met = facet >= 0
    front = met & _fronts(surface, facet, way)
    return float(front.mean()), float((~met).mean()), float((met & ~front).mean())


def _fronts(surface: Surface, facet: Ints, way: Floats) -> Mask:
    return facet_normals(surface.vertices, surface.faces[facet]) @ way < 0.0


def _in_the_way(
    opening: Opening,
    points: Floats,
    patch: HolePatch,
    normals: Floats,
    surface: Surface,
    features: Sequence[Feature],
    lines: SightLines,
) -> Feature | None:
    """The bore that a patch would stand in, None where it stands in none."""
    rim = surface.vertices[opening.outer.corners]
    middle = points[patch.triangles].mean(axis=1)
    for bore in features:
        if not is_bore(bore) or bore.extent.along is None or (bore.extent.arc or 0.0) < _LEAST_ARC:
            continue
        assert bore.direction is not None
        assert bore.radius is not None
        inside = _off(bore, middle) < _FREE * bore.radius
        if not inside.any():
            continue
        if np.mean(_off(bore, rim) < _FREE * bore.radius) > _RIM_IN_WAY:
            # Measured surface lies in the bore's way: there the bore ends.
            continue
        low, high = bore.extent.along
        along = (middle[inside] - bore.point) @ bore.direction
        short, past = low - float(along.max()), float(along.min()) - high
        if max(short, past) <= 0.0:
            return bore
        towards = bore.direction if short > 0.0 else -bore.direction
        if max(short, past) > _REACH * bore.radius or normals[inside].mean(axis=0) @ towards > 0.0:
            continue
        start = middle[inside] - 0.3 * opening.edge * normals[inside]
        _, far = lines.first(start, np.tile(towards, (len(start), 1)), 0.5 * opening.edge)
        if np.mean(far < max(short, past)) < 0.2:
            return bore
    return None


def _off(bore: Feature, points: Floats) -> Floats:
    """(n,) mm from a bore's axis."""
    assert bore.direction is not None
    away: Floats = np.linalg.norm(rejection(points - bore.point, bore.direction), axis=1)
    return away
