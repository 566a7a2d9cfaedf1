"""Surface for a gap: the fitted feature where the rim lies on one, fair skin elsewhere.

A patch is made in a plane: the rim is laid out flat through a chart, a triangular lattice of the
surroundings' facet size fills it, and each point is lifted onto the surface. Across an edge between
features the surface is the lower or the higher of theirs, seen along the middle of their normals; the
line where it changes over gets points of its own, so that the edge is there. Measured vertices stay
where they are, noise and all; only what is new lies on the smooth surface.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.gaps.openings import Band, Opening, Rim
from pipeline.geometry import Floats, Ints, Longs, Mask, arc_lengths, contains, signed_area, step_lengths, unit
from pipeline.mesh.fill import (
    Spline,
    cell_means,
    constrained_delaunay,
    fair_in_space,
    fit_spline,
    half_edge_neighbours,
    hexagonal_lattice,
    is_simple,
    least_bending_triangles,
    refine_in_space,
    split_edges,
    sum_at,
)
from pipeline.mesh.topology import facet_normals
from pipeline.surfaces import Shape, chart_of, height_of, signed_distance, surface_normal, view

Flatten = Callable[[Floats], Floats]
Lift = Callable[[Floats], Floats]
Raise = Callable[[Floats, Floats], Floats]  # places and heights over them -> points

_CELLS = 150
# Order of the spline, smoothing, and how much stiffer it is along the grain than across.
_STIFFNESS = (
    (3, 1e-7, 1.0),
    (3, 1e-7, 2.0),
    (3, 1e-5, 1.0),
    (2, 1e-5, 4.0),
    (2, 1e-5, 2.0),
    (2, 1e-5, 1.0),
)
_MOST_POINTS = 400_000
# A rebuilt edge's chords are this near to it, mm, unless facets a quarter as long as those around would not do.
_CHORD = 0.004
_LEAST_STEP = 0.25
# Points this far, in pitches, from points a pitch apart on a line leave the line its edges (1 / sqrt(2), and a little).
_CLEAR = 0.72


@dataclass(frozen=True)
class HolePatch:
    """corners (c,) vertices of the surface, points (k, 3) new ones; triangles (t, 3) index both in turn.

    labels (t,) feature of each triangle, -1 none; `how` in words what the patch was made of
    """

    corners: Ints
    points: Floats
    triangles: Ints
    labels: Ints
    how: str


@dataclass(frozen=True)
class Surroundings:
    """What patches are made from: the band, the features' shapes, which way their material lies, the noise.

    outward  (f,) 1.0 where a shape's geometric normal points out of the material, else -1.0
    sigma    mm
    """

    vertices: Floats
    faces: Ints
    band: Band
    shapes: tuple[Shape, ...]
    outward: Floats
    sigma: float


def ways_to_close(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """Patches for a gap, the best founded first; each way that fails on this rim is passed over."""
    covered = sum(opening.shares)
    if len(opening.features) == 1 and covered >= 0.88:
        ways = [_on_feature, _skin]
    elif opening.features:
        ways = [_across, _skin]
    else:
        ways = [_skin]
    for way in (*ways, _in_space):
        patch = way(opening, ground)
        if patch is not None:
            yield patch


def ways_to_cap(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """Flat lids for an opening."""
    for way in (_lid, _in_space):
        patch = way(opening, ground)
        if patch is not None:
            yield patch


def outward_signs(shapes: tuple[Shape, ...], band: Band) -> Floats:
    """Whether each shape's geometric normal points out of the material, by the facets that carry it."""
    signs = np.ones(len(shapes))
    for number, shape in enumerate(shapes):
        mine = np.flatnonzero(band.labels == number)[:500]
        if len(mine):
            along = np.einsum("ij,ij->i", surface_normal(shape, band.points[mine]), band.normals[mine])
            signs[number] = 1.0 if along.sum() >= 0.0 else -1.0
    return signs


def _on_feature(opening: Opening, ground: Surroundings) -> HolePatch | None:
    number = opening.features[0]
    shape, outward = ground.shapes[number], float(ground.outward[number])
    near = ground.vertices[opening.outer.corners].mean(axis=0)
    chart = chart_of(shape, near, outward)
    layout = _Layout(opening, ground, chart.flatten)
    if chart.period is not None and float(np.ptp(layout.flat[:, 0])) > 0.9 * chart.period:
        return None
    return layout.patch(chart.lift, lambda places: np.full(len(places), number, np.int32), f"the fitted {shape.kind}")


def _skin(opening: Opening, ground: Surroundings) -> HolePatch | None:
    band = ground.band
    near = opening.near[opening.ring <= 3]
    rim_normal = band.normals[band.place[opening.outer.corners]].mean(axis=0)
    guesses = (band.normals[near].mean(axis=0), rim_normal, opening.outer.normal)
    for direction, lift, layout in _looks(opening, ground, guesses, 1e-6):
        patch = layout.patch(
            _raised_skin(opening, ground, layout.flatten, lift, direction),
            lambda places: np.full(len(places), -1, np.int32),
            "fair skin",
        )
        if patch is not None:
            return patch
    return None


def _looks(
    opening: Opening, ground: Surroundings, guesses: Sequence[Floats], least: float
) -> Iterator[tuple[Floats, Raise, _Layout]]:
    """Those of some directions, none shorter than `least`, from which a gap lies open: unit direction, how places and
    heights over the plane across it are lifted, and the gap laid out in that plane."""
    for guess in guesses:
        size = float(np.linalg.norm(guess))
        if size < least:
            continue
        direction = guess / size
        flatten, lift = view(opening.outer.centre, direction)
        layout = _Layout(opening, ground, flatten)
        if layout.good:
            yield direction, lift, layout


def _raised_skin(opening: Opening, ground: Surroundings, flatten: Flatten, lift: Raise, direction: Floats) -> Lift:
    """Made only when asked for: a gap of few edges gets no new point, so it needs no surface."""

    @cache
    def height() -> Callable[[Floats], Floats]:
        return _fair_height(opening.near, opening.ring, ground, flatten, direction, opening.outer.centre)

    return lambda places: lift(places, height()(places))


def _fair_height(
    near: Ints,
    ring: Ints,
    ground: Surroundings,
    flatten: Flatten,
    direction: Floats,
    origin: Floats,
    tries: tuple[tuple[int, float, float], ...] = _STIFFNESS,
) -> Callable[[Floats], Floats]:
    """Height over the plane of a smooth surface through the surroundings of a gap.

    How stiff it is, and how much stiffer along the ridge or fillet that runs through the gap than across,
    is tried out on what was measured: the two rings next to the gap are left out, and the better a surface
    from the other rings foretells them, the more it counts.
    """
    band = ground.band
    seen = band.normals[near] @ direction > 0.25
    if np.count_nonzero(seen) >= 12:
        near, ring = near[seen], ring[seen]
    places = flatten(band.points[near])
    heights = ((band.points[near] - origin) @ direction)[:, None]
    axes = _grain(places, band.normals[near], ring, flatten, direction, origin)
    inner = ring <= 2
    if len(tries) > 1 and (np.count_nonzero(~inner) < 40 or not inner.any()):
        tries = tries[-1:]
    planes = {ratio: _stretched(axes, ratio) for _, _, ratio in tries}
    trust = np.ones(len(tries))
    if len(tries) > 1:
        at, mean, counts = cell_means(places[inner], heights[inner], 1.5 * _spacing(places))
        beyond = {ratio: _cells(places[~inner] @ plane, heights[~inner], 90) for ratio, plane in planes.items()}
        for number, (order, smoothing, ratio) in enumerate(tries):
            spline = _spline(beyond[ratio], order, smoothing)
            off = np.average((spline.at(at @ planes[ratio]) - mean)[:, 0] ** 2, weights=counts)
            trust[number] = 1.0 / max(float(off), 1e-18) ** 2
    trust /= trust.max()
    trust[trust < 0.05] = 0.0
    shares = trust / trust.sum()
    worth = {ratio for share, (_, _, ratio) in zip(shares, tries, strict=True) if share > 0.0}
    cells = {ratio: _cells(places @ planes[ratio], heights, _CELLS) for ratio in worth}
    fitted: dict[float, list[tuple[Spline, float]]] = {}
    for share, (order, smoothing, ratio) in zip(shares, tries, strict=True):
        if share > 0.0:
            spline = _spline(cells[ratio], order, smoothing)
            fitted.setdefault(ratio, []).append((spline, float(share)))

    def height(where: Floats) -> Floats:
        out = np.zeros(len(where))
        for ratio, members in fitted.items():
            splines, parts = [spline for spline, _ in members], [share for _, share in members]
            out += sum_at(splines, parts, where @ planes[ratio])[:, 0]
        return out

    return height


def _stretched(axes: Floats, ratio: float) -> Floats:
    """(2, 2) to the right of places: along the grain, shortened by the ratio, and across it."""
    return (axes * np.array([[1.0 / ratio], [1.0]])).T


def _grain(places: Floats, normals: Floats, ring: Ints, flatten: Flatten, direction: Floats, origin: Floats) -> Floats:
    """(2, 2) unit rows in the plane: the way along which the normals change least, and the way across."""
    tips = flatten(origin + normals) / np.maximum(normals @ direction, 0.25)[:, None]
    weight = np.exp(-ring / 3.0)
    tips = tips - np.average(tips, axis=0, weights=weight)
    _, ways = np.linalg.eigh((tips * weight[:, None]).T @ tips)
    return ways.T


def _cells(places: Floats, heights: Floats, cells: int) -> tuple[Floats, Floats, Floats]:
    """Means in about so many square cells, as `cell_means` gives them."""
    size = 0.6 * np.sqrt(max(float(np.prod(np.ptp(places, axis=0))), 1e-12) / cells)
    centres, means, counts = cell_means(places, heights, size)
    while len(centres) > 1.3 * cells:
        size *= 1.2
        centres, means, counts = cell_means(places, heights, size)
    return centres, means, counts


def _spline(means: tuple[Floats, Floats, Floats], order: int, smoothing: float) -> Spline:
    centres, values, counts = means
    return fit_spline(centres, values, counts, order if len(centres) >= 12 else 2, smoothing)


def _spacing(places: Floats) -> float:
    return float(np.sqrt(max(np.prod(np.ptp(places, axis=0)), 1e-12) / len(places)))


def _lid(opening: Opening, ground: Surroundings) -> HolePatch | None:
    flatten, lift = view(opening.outer.centre, opening.outer.normal)
    layout = _Layout(opening, ground, flatten)
    return layout.patch(
        lambda places: lift(places, np.zeros(len(places))),
        lambda places: np.full(len(places), -1, np.int32),
        "a flat lid",
    )


def _in_space(opening: Opening, ground: Surroundings) -> HolePatch | None:
    """For a rim that no plane shows without overlaps: triangles straight in space, refined and made fair."""
    if opening.islands:
        return None
    rim = opening.outer
    corners = rim.corners[::-1].copy()
    # Edge i -> i + 1 of the reversed line is edge k - 2 - i of the rim.
    outside = facet_normals(ground.vertices, ground.faces[np.roll(rim.facets[::-1], -1)])
    points = ground.vertices[corners]
    triangles = least_bending_triangles(points, outside)
    if triangles is None:
        return None
    points, triangles = refine_in_space(points, triangles, opening.edge)
    points, triangles = _without_doubles(corners, points, triangles, ground)
    fixed = len(corners)
    if len(points) > fixed:
        band = ground.band
        near = opening.near[opening.ring <= 3]
        local = np.full(len(band.points), -1, np.int64)
        here = band.place[corners]
        others = near[~np.isin(near, here)]
        local[here] = np.arange(fixed)
        local[others] = len(points) + np.arange(len(others))
        around = local[band.faces]
        around = around[(around >= 0).all(axis=1)]
        everything = np.concatenate([points, band.points[others]])
        free = np.zeros(len(everything), bool)
        free[fixed : len(points)] = True
        faces = np.concatenate([triangles, around]).astype(np.int32)
        points = fair_in_space(everything, faces, free)[: len(points)]
        if not np.isfinite(points).all():
            return None
    return HolePatch(corners, points[fixed:], triangles, np.full(len(triangles), -1, np.int32), "fair skin")


class _Layout:
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
        space, triangles = _without_doubles(self.corners, space, triangles, self.ground)
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
            space, triangles = _without_doubles(
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


def _without_doubles(corners: Ints, points: Floats, triangles: Ints, ground: Surroundings) -> tuple[Floats, Ints]:
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


@dataclass(frozen=True)
class _Leaf:
    """One surface of those that meet in a gap: height over the plane, nan where it is not seen."""

    height: Callable[[Floats], Floats]
    label: int


class _Roof:
    """Lower or higher of several surfaces, nested: ops (k - 1,) of np.fmin or np.fmax, applied in order."""

    def __init__(self, leaves: tuple[_Leaf, ...], ops: tuple[bool, ...]) -> None:
        self.leaves, self.ops = leaves, ops

    def heights(self, places: Floats) -> Floats:
        return np.stack([leaf.height(places) for leaf in self.leaves], axis=1)

    def fold(self, heights: Floats) -> tuple[Floats, Ints]:
        """Heights (n, k) of the leaves -> height of the whole, and which leaf it is."""
        height = heights[:, 0].copy()
        active = np.zeros(len(heights), np.int32)
        for number, lower in enumerate(self.ops, start=1):
            other = heights[:, number]
            with np.errstate(invalid="ignore"):
                wins = other < height if lower else other > height
            wins = (wins | np.isnan(height)) & ~np.isnan(other)
            height = np.where(wins, other, height)
            active[wins] = number
        return height, active


def _across(opening: Opening, ground: Surroundings) -> HolePatch | None:
    """A gap over the edges of features, or over the edge of a feature to skin."""
    band = ground.band
    features = opening.features[:4]
    here = band.place[opening.outer.corners]
    normals = []
    for number in features:
        mean = band.normals[here[opening.sides == number]].mean(axis=0)
        normals.append(unit(mean))
    bare = sum(opening.shares) < 0.88
    if bare:
        mean = band.normals[here[opening.sides < 0]].mean(axis=0)
        normals.append(mean / (np.linalg.norm(mean) or 1.0))
    total = np.sum(normals, axis=0)
    guesses = (total, total + opening.outer.normal * len(normals), band.normals[here].mean(axis=0))
    for direction, lift, layout in _looks(opening, ground, guesses, 0.2):
        flatten = layout.flatten
        leaves = [
            _Leaf(_above(ground.shapes[n], float(ground.outward[n]), opening.outer.centre, direction, lift), n)
            for n in features
        ]
        if bare:
            leaves.append(_Leaf(_skin_height(opening, ground, flatten, direction, features), -1))
        roof = _best_roof(opening, ground, flatten, direction, tuple(leaves))
        if roof is None:
            continue
        patch = _roofed(layout, roof, lift)
        if patch is not None:
            return patch
    return None


def _above(shape: Shape, outward: float, origin: Floats, direction: Floats, lift: Raise) -> Callable[[Floats], Floats]:
    height = height_of(shape, outward, origin, direction)
    return lambda places: height(lift(places, np.zeros(len(places))))


def _skin_height(
    opening: Opening, ground: Surroundings, flatten: Flatten, direction: Floats, features: tuple[int, ...]
) -> Callable[[Floats], Floats]:
    band = ground.band
    keep = np.ones(len(opening.near), bool)
    for number in features:
        off = np.abs(signed_distance(ground.shapes[number], band.points[opening.near]))
        keep &= off > max(6.0 * ground.sigma, 0.1 * opening.edge)
    if np.count_nonzero(keep) < 12:
        keep[:] = True
    return _fair_height(
        opening.near[keep],
        opening.ring[keep],
        ground,
        flatten,
        direction,
        opening.outer.centre,
        ((2, 1e-3, 1.0),),
    )


def _best_roof(
    opening: Opening, ground: Surroundings, flatten: Flatten, direction: Floats, leaves: tuple[_Leaf, ...]
) -> _Roof | None:
    """The nesting of lower and higher that the measured rim agrees with; None if it agrees with none."""
    known = opening.sides >= 0
    points = ground.vertices[opening.outer.corners[known]]
    places, true = flatten(points), (points - opening.outer.centre) @ direction
    count = len(leaves)
    turns = [tuple(range(count))] if count != 3 else [(0, 1, 2), (0, 2, 1), (1, 2, 0)]
    best: tuple[float, _Roof] | None = None
    for turn in turns:
        ordered = tuple(leaves[i] for i in turn)
        heights = np.stack([leaf.height(places) for leaf in ordered], axis=1)
        nestings = product((True, False), repeat=count - 1) if count < 4 else [(True,) * 3, (False,) * 3]
        for ops in nestings:
            roof = _Roof(ordered, tuple(ops))
            off = np.abs(roof.fold(heights)[0] - true)
            off = np.where(np.isnan(off), np.inf, off)
            share = float(np.mean(off > max(10.0 * ground.sigma, 0.2 * opening.edge)))
            if best is None or share < best[0]:
                best = (share, roof)
    return best[1] if best is not None and best[0] < 0.1 else None


def _roofed(layout: _Layout, roof: _Roof, lift: Raise) -> HolePatch | None:
    pitch = layout.pitch()
    labels = np.array([leaf.label for leaf in roof.leaves], np.int32)

    def raised(places: Floats) -> Floats:
        return lift(places, roof.fold(roof.heights(places))[0])

    lines = _ridge_points(layout, roof, raised, pitch)

    def label(places: Floats) -> Ints:
        return labels[roof.fold(roof.heights(places))[1]]

    shapes = [layout.ground.shapes[n].kind for n in labels if n >= 0]
    how = "the fitted " + " and ".join(shapes) + (" and fair skin" if -1 in labels else "")
    return layout.patch(raised, label, how, lines)


def _ridge_points(layout: _Layout, roof: _Roof, lift: Lift, pitch: float) -> Floats:
    """(k, 2) points on the lines where the roof changes from one surface to another, from rim to rim.

    Steps are even, a pitch at most, and shorter where a line bends, so that its chords stay near it.
    """
    grid = hexagonal_lattice(layout.flat, layout.loops, 0.5 * pitch)
    if len(grid) < 2:
        return np.empty((0, 2))
    active = roof.fold(roof.heights(grid))[1]
    pairs = cKDTree(grid).query_pairs(0.55 * pitch, output_type="ndarray")
    pairs = pairs[active[pairs[:, 0]] != active[pairs[:, 1]]]
    points = np.empty((0, 2))
    kinds = np.sort(active[pairs], axis=1)
    for i, j in np.unique(kinds, axis=0):
        mine = pairs[(kinds == (i, j)).all(axis=1)]
        places, sure = _to_ridge(roof, grid[mine].mean(axis=1), i, j, pitch)
        for chain in _chains(places[sure], pitch):
            line, step = _evenly(roof, lift, _drawn_out(chain, pitch), i, j, pitch)
            # Where lines meet, the later one keeps clear of what is there.
            if len(points) and len(line):
                line = line[cKDTree(points).query(line)[0] > 0.6 * step]
            points = np.concatenate([points, line])
    return points


def _drawn_out(chain: Floats, pitch: float) -> Floats:
    """A run of points made longer at both ends, to beyond the rim; closed where its ends are near each other."""
    if len(chain) < 2:
        return chain
    if len(chain) > 4 and np.linalg.norm(chain[0] - chain[-1]) < 1.5 * pitch:
        return np.concatenate([chain, chain[:1]])
    ends = []
    for end, before in ((chain[0], chain[min(2, len(chain) - 1)]), (chain[-1], chain[-min(3, len(chain))])):
        way = end - before
        ends.append(end + 1.5 * pitch * way / max(float(np.linalg.norm(way)), 1e-12))
    return np.concatenate([ends[:1], chain, ends[1:]])


def _evenly(roof: _Roof, lift: Lift, chain: Floats, i: int, j: int, pitch: float) -> tuple[Floats, float]:
    """Points at even steps on a line between leaves i and j, and the step, mm."""
    step = pitch
    for _ in range(3):
        line, sure = _to_ridge(roof, _even_steps(chain, step), i, j, pitch)
        follow = sure[:-1] & sure[1:]
        middle, there = _to_ridge(roof, 0.5 * (line[:-1] + line[1:])[follow], i, j, pitch)
        chord = 0.5 * (lift(line[:-1]) + lift(line[1:]))[follow]
        off = np.linalg.norm(lift(middle) - chord, axis=1)[there]
        long = step_lengths(lift(line))[follow]
        finer = max(np.sqrt(float(off.max(initial=0.0)) / _CHORD), 0.9 * float(long.max(initial=0.0)) / pitch)
        if finer <= 1.0 or step <= _LEAST_STEP * pitch:
            break
        step = max(step / (1.1 * finer), _LEAST_STEP * pitch)
    return line[sure], step


def _to_ridge(roof: _Roof, places: Floats, i: int, j: int, pitch: float) -> tuple[Floats, Mask]:
    """Move points onto the line where leaves i and j are level; and whether each got there."""
    step = 1e-4 * pitch
    first, second = roof.leaves[i].height, roof.leaves[j].height

    def level(x: Floats) -> Floats:
        return first(x) - second(x)

    x = places.copy()
    for _ in range(12):
        g = level(x)
        slope = np.stack([(level(x + shift) - level(x - shift)) / (2.0 * step) for shift in np.eye(2) * step], axis=1)
        move = (g / np.maximum(np.sum(slope * slope, axis=1), 1e-12))[:, None] * slope
        move = np.nan_to_num(move)
        size = np.linalg.norm(move, axis=1)
        x = x - move * np.minimum(1.0, 0.5 * pitch / np.maximum(size, 1e-12))[:, None]
        if size.max(initial=0.0) < 1e-9:
            break
    heights = roof.heights(x)
    whole, _ = roof.fold(heights)
    with np.errstate(invalid="ignore"):
        sure = (np.abs(heights[:, i] - heights[:, j]) < 1e-6) & (np.abs(heights[:, i] - whole) < 1e-6)
    return x, sure & (np.linalg.norm(x - places, axis=1) < 2.0 * pitch)


def _chains(places: Floats, pitch: float) -> list[Floats]:
    """Unordered points on lines -> runs of points in order, each from one end to the other."""
    rest = places
    chains = []
    while len(rest):
        # Two walks: the first, from anywhere, ends at an end of the line; the second goes along all of it.
        run = _walk(rest, 0, pitch)
        run = _walk(rest, int(run[-1]), pitch)
        chains.append(rest[run])
        left = np.ones(len(rest), bool)
        left[run] = False
        rest = rest[left]
        if len(rest):
            rest = rest[cKDTree(chains[-1]).query(rest)[0] > 0.5 * pitch]
    return chains


def _walk(places: Floats, start: int, pitch: float) -> Longs:
    left = np.ones(len(places), bool)
    run = [start]
    left[start] = False
    while left.any():
        away = np.linalg.norm(places - places[run[-1]], axis=1)
        away[~left] = np.inf
        nearest = int(np.argmin(away))
        if away[nearest] > 1.5 * pitch:
            break
        left[nearest] = False
        run.append(nearest)
    return np.array(run)


def _even_steps(chain: Floats, pitch: float) -> Floats:
    along = arc_lengths(chain)
    count = max(round(along[-1] / pitch), 1) + 1
    at = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(at, along, chain[:, 0]), np.interp(at, along, chain[:, 1])], axis=1)


def rims_of(opening: Opening) -> tuple[Rim, ...]:
    """The outer rim and those of the islands."""
    return (opening.outer, *opening.islands)
