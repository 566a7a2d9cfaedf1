"""Surface across edges between features: the lower or higher of theirs, with the line where it changes over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.gaps.fair_height import fair_height
from pipeline.features.gaps.layout import Flatten, HolePatch, Layout, Lift, Raise, Surroundings, looks
from pipeline.features.gaps.openings import Opening
from pipeline.geometry import Floats, Ints, Longs, Mask, arc_lengths, step_lengths, unit
from pipeline.mesh.fill import hexagonal_lattice
from pipeline.surfaces import Shape, height_of, signed_distance

# A rebuilt edge's chords are this near to it, mm, unless facets a quarter as long as those around would not do.
_CHORD = 0.004
_LEAST_STEP = 0.25
# So many times as long as its ends are apart is a run that goes round, as three quarters of a circle: 1.5 pi / sqrt(2).
_ROUND = 3.3


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


def across(opening: Opening, ground: Surroundings) -> HolePatch | None:
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
    for direction, lift, layout in looks(opening, ground, guesses, 0.2):
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
    return fair_height(
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


def _roofed(layout: Layout, roof: _Roof, lift: Raise) -> HolePatch | None:
    pitch = layout.pitch()
    labels = np.array([leaf.label for leaf in roof.leaves], np.int32)

    def raised(places: Floats) -> Floats:
        return lift(places, roof.fold(roof.heights(places))[0])

    lines = _ridge_points(layout, roof, raised, pitch)

    def label(places: Floats) -> Ints:
        return labels[roof.fold(roof.heights(places))[1]]

    shapes = [layout.ground.shapes[n].kind for n in labels if n >= 0]
    how = "the fitted " + " and ".join(shapes) + (" and a smooth patch" if -1 in labels else "")
    return layout.patch(raised, label, how, lines)


def _ridge_points(layout: Layout, roof: _Roof, lift: Lift, pitch: float) -> Floats:
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
    """A run of points made longer at both ends, to beyond the rim; closed where its ends are near each other.

    >>> turns = np.arange(6) * np.pi / 3.0
    >>> len(_drawn_out(np.stack([np.cos(turns), np.sin(turns)], axis=1), 1.0))  # a ring: its first point once more
    7
    >>> run = np.stack([np.linspace(0.0, 1.0, 5), np.zeros(5)], axis=1)
    >>> _drawn_out(run, 1.0)[[0, -1]].tolist()
    [[-1.5, 0.0], [2.5, 0.0]]
    """
    if len(chain) < 2:
        return chain
    apart = float(np.linalg.norm(chain[0] - chain[-1]))
    # The ends of a short run are near each other too, but by hardly less than it is long.
    if len(chain) > 4 and apart < 1.5 * pitch and arc_lengths(chain)[-1] > _ROUND * apart:
        return np.concatenate([chain, chain[:1]])
    ends = []
    for end, before in ((chain[0], chain[min(2, len(chain) - 1)]), (chain[-1], chain[-min(3, len(chain))])):
        way = end - before
        ends.append(end + 1.5 * pitch * way / max(float(np.linalg.norm(way)), 1e-12))
    return np.concatenate([ends[:1], chain, ends[1:]])


def _evenly(roof: _Roof, lift: Lift, chain: Floats, i: int, j: int, pitch: float) -> tuple[Floats, float]:
    """Points at even steps on a line between leaves i and j, and the step, mm."""
    step = pitch
    ends_where_it_starts = bool((chain[0] == chain[-1]).all())
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
    # Two points at one place would leave a facet without area between them.
    sure[-1] &= not ends_where_it_starts
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
