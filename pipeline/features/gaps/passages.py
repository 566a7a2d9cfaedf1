"""Whether what would close a gap would stand in a real opening: a bore's own way, or a line of sight into the part.

Behind the mark of a clamp or a shadow lies metal: whoever looks from there into the part sees the far side of the
metal first, from within. In a real opening lies air: one sees scanned walls from their front, or right through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.features.gaps.layout import HolePatch
from pipeline.features.gaps.openings import Opening
from pipeline.geometry import Floats, Mask, basis_of, rejection, unit
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
    """What lies behind a gap.

    opening  why it is taken for a real opening, "" where it isn't
    doubt    why closing it is only to be proposed, "" where nothing speaks against it
    known    what speaks for closing it, or that nothing can be known
    seen     True where the opening or the doubt comes from what is seen through it
    """

    opening: str = ""
    doubt: str = ""
    known: str = ""
    seen: bool = False


@dataclass(frozen=True)
class Sight:
    """What is seen from a patch, as shares of the rays.

    front, out, back  straight in: a wall's front, nothing at all, metal's far side from within
    slanting          the largest share of front and nothing along one slanted way
    """

    front: float
    out: float
    back: float
    slanting: float


@dataclass(frozen=True)
class Behind:
    """Measured facets to look through.

    surface  the measured one
    lines    of sight through it
    open     True where much of the scan has nothing behind it, as one side of a part: seeing nothing then says nothing
    patches  of gaps that are known to have metal behind them, to look at as well; None for none

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> Behind.of(square).open
    True
    """

    surface: Surface
    lines: SightLines
    open: bool
    patches: SightLines | None = None

    @staticmethod
    def of(surface: Surface) -> Behind:
        """Looks from some places of the surface straight in."""
        lines = SightLines.through(surface.vertices, surface.faces)
        places, facet = spread_points(surface.vertices, surface.faces, _LOOKS)
        ways = -facet_normals(surface.vertices, surface.faces[facet])
        met, _ = lines.first(places, ways, 1e-3 * float(np.ptp(surface.vertices, axis=0).max()))
        return Behind(surface, lines, bool(np.mean(met < 0) > _OPEN_SCAN))

    def with_patches(self, patches: Sequence[HolePatch]) -> Behind:
        """The same with these patches, one or more, in the way."""
        points, triangles, count = [], [], 0
        for patch in patches:
            points += [self.surface.vertices[patch.corners], patch.points]
            triangles.append(patch.triangles + count)
            count += len(patch.corners) + len(patch.points)
        faces = np.concatenate(triangles).astype(np.int32)
        return replace(self, patches=SightLines.through(np.concatenate(points), faces))

    def seen(self, start: Floats, way: Floats, least: float) -> tuple[Mask, Mask]:
        """Which rays from points (k, 3) mm along one way (3,) meet something, and which of those its front."""
        ways = np.tile(way, (len(start), 1))
        met, front, far = np.zeros(len(start), np.bool_), np.zeros(len(start), np.bool_), np.full(len(start), np.inf)
        for lines in (self.lines, self.patches):
            if lines is None:
                continue
            facet, away = lines.first(start, ways, least)
            nearer = away < far
            met |= nearer
            front[nearer] = facet_normals(lines.vertices, lines.faces[facet[nearer]]) @ way < 0.0
            far = np.minimum(far, away)
        return met, front


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
    Verdict(opening='', doubt='', known='metal lies behind all of it', seen=False)
    >>> verdict(sheet + 36).opening
    'scanned walls are seen through it: more likely a real opening than a gap of the scan'
    """
    surface = behind.surface
    points = np.concatenate([surface.vertices[patch.corners], patch.points])
    normals = facet_normals(points, patch.triangles)
    bore = _in_the_way(opening, points, patch, normals, surface, features, behind.lines)
    if bore is not None:
        return Verdict(opening=f"{bore.id} comes out here")
    sight = sight_behind(opening, points, patch, normals, behind)
    air = sight.front if behind.open else sight.front + sight.out
    if air >= 0.5:
        seen = "scanned walls are seen through it" if sight.front >= 0.5 * air else "one sees through the part here"
        return Verdict(opening=f"{seen}: more likely a real opening than a gap of the scan", seen=True)
    if air >= 0.3:
        return Verdict(doubt=f"no metal is seen behind {100.0 * air:.0f} % of it", seen=True)
    if sight.slanting >= 0.9 and sight.back < 0.75 and not behind.open:
        return Verdict(doubt="seen at a slant there is no metal behind it", seen=True)
    if opening.deeper:
        return Verdict(doubt="it rings a hole that goes on deeper, and how it gets there was not seen")
    if sight.back < 0.6 and opening.outer.facing < _RUNS_ON and sum(opening.shares) < 0.88:
        return Verdict(doubt="its rim runs on neither along a face nor smoothly, and no metal is seen behind it")
    if sight.back < 0.6:
        return Verdict(known="the surface runs on round it; what lies behind can't be seen in a scan of one side")
    share = "all" if sight.back > 0.995 else f"{100.0 * sight.back:.0f} %"
    return Verdict(known=f"metal lies behind {share} of it")


def sight_behind(opening: Opening, points: Floats, patch: HolePatch, normals: Floats, behind: Behind) -> Sight:
    """What lies behind a patch: points (k, 3) mm, its triangles' outward unit normals (t, 3)."""
    places, facet = spread_points(points, patch.triangles, _RAYS)
    if len(places) == 0:
        return Sight(0.0, 0.0, 0.0, 0.0)
    away = normals[facet]
    inward = -away.mean(axis=0)
    straight = [unit(way) for way in (inward, -opening.outer.normal) if np.linalg.norm(way) > 1e-9]
    seen = [_seen(way, places, away, opening.edge, behind) for way in straight]
    front, out, back = max(seen, key=lambda s: s[0] + s[1])
    slanted = [_seen(way, places, away, opening.edge, behind) for way in _slanted(straight[0])]
    return Sight(front, out, back, max(s[0] + s[1] for s in slanted))


def _slanted(straight: Floats) -> list[Floats]:
    u, w = basis_of(straight)
    ways = []
    for degrees, count in _SLANTS:
        lean = np.radians(degrees)
        for turn in np.arange(count) * (2.0 * np.pi / count):
            ways.append(np.cos(lean) * straight + np.sin(lean) * (np.cos(turn) * u + np.sin(turn) * w))
    return ways


def _seen(way: Floats, places: Floats, away: Floats, edge: float, behind: Behind) -> tuple[float, float, float]:
    """Shares of front, nothing, back among parallel rays from the places that look inwards."""
    inwards = away @ way < -0.2
    if not inwards.any():
        return 0.0, 0.0, 1.0
    met, front = behind.seen(places[inwards] - 0.3 * edge * away[inwards], way, 0.5 * edge)
    return float(front.mean()), float((~met).mean()), float((met & ~front).mean())


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
