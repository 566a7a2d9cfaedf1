"""A mesh cut by a plane through an axis: the section's lines, hatching, and the outline of its other side."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Floats, Ints, cross, rejection, simplified, unit
from pipeline.values import FILLED

WAYS = 4  # half planes that are tried: those that an end view has lines in
ALIKE = 0.02  # share of the best cut's measured length that another may be short of and be taken for its place
FOLLOWS = 0.02  # mm by which a line of the section may miss the mesh's own cut
HATCH = 4.0  # mm between hatching lines
BIN = 2.0  # mm along the axis, of the outline


@dataclass(frozen=True)
class Body:
    """A mesh in part coordinates: vertices (n, 3) mm, faces (m, 3), labels (m,) index of feature or -1, origin (m,)."""

    vertices: Floats
    faces: Ints
    labels: Ints
    origin: NDArray[np.uint8]


@dataclass(frozen=True)
class Cut:
    """Half a plane through an axis, and the mesh in it: x along the axis from `centre`, y away from it.

    up        (3,) unit, along y
    measured  runs (k, 2) of the section through measured facets, `filled` through invented ones
    hatching  (h, 2, 2) lines within the material
    """

    centre: Floats
    axis: Floats
    up: Floats
    measured: tuple[Floats, ...]
    filled: tuple[Floats, ...]
    hatching: Floats

    def flat(self, points: Floats) -> Floats:
        """(n, 2) of points (n, 3): along the axis, and along y."""
        return (points - self.centre) @ np.stack([self.axis, self.up], axis=1)


def cut_through(body: Body, centre: Floats, axis: Floats, first: Floats) -> Cut:
    """The half plane through an axis that cuts most of what was measured, `first` (3,) and WAYS others tried in turn.

    >>> square = np.array([[0, -1, -1], [9, -1, -1], [9, 2, 3], [0, 2, 3]], dtype=float)
    >>> two = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    >>> body = Body(square, two, np.zeros(2, np.int32), np.zeros(2, np.uint8))
    >>> made = cut_through(body, np.zeros(3), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    >>> len(made.measured), len(made.filled), made.flat(np.array([[4.0, 0.0, 7.0]])).tolist()
    (1, 0, [[4.0, 7.0]])
    """
    start = unit(rejection(first, axis))
    side = cross(axis, start)
    turns = np.arange(WAYS) * 2.0 * np.pi / WAYS
    ups = [math.cos(t) * start + math.sin(t) * side for t in turns]
    sections = [_segments(body, centre, axis, up) for up in ups]
    worth = [_length(s, f, False) - 3.0 * _length(s, f, True) for s, _, f in sections]
    best = next(k for k, value in enumerate(worth) if value >= max(worth) - ALIKE * abs(max(worth)))
    segments, edges, filled = sections[best]
    runs = [_chained(segments[part], edges[part]) for part in (~filled, filled)]
    measured, invented = (tuple(_thinned(_upper(run)) for run in found for run in _split(run)) for found in runs)
    return Cut(
        centre, axis, ups[best],
        tuple(r for r in measured if len(r) > 1), tuple(r for r in invented if len(r) > 1), hatched(segments),
    )  # fmt: skip


def outline_below(body: Body, cut: Cut) -> tuple[Floats, ...]:
    """Runs (k, 2) of the outline of what was measured beyond the axis, seen square to the cut; y negative."""
    seen = body.vertices[np.unique(body.faces[body.origin != FILLED])]
    flat = cut.flat(seen)
    flat = flat[flat[:, 1] < 0.0]
    if not len(flat):
        return ()
    number = np.floor(flat[:, 0] / BIN).astype(np.int64)
    number -= number.min()
    lowest = np.full(int(number.max()) + 1, np.inf)
    np.minimum.at(lowest, number, flat[:, 1])
    x = (np.arange(len(lowest)) + 0.5) * BIN + np.floor(flat[:, 0].min() / BIN) * BIN
    known = np.isfinite(lowest)
    runs = np.split(np.column_stack([x, lowest]), np.flatnonzero(np.diff(known.astype(int))) + 1)
    return tuple(_thinned(run, 0.1) for run in runs if len(run) > 1 and np.isfinite(run[:, 1]).all())


def _segments(body: Body, centre: Floats, axis: Floats, up: Floats) -> tuple[Floats, Ints, NDArray[np.bool_]]:
    """(k, 2, 2) where facets cross the half plane, the two edges (k, 2) that they cross, and which are filled."""
    away = (body.vertices - centre) @ cross(axis, up)
    above = away >= 0.0
    sides = above[body.faces]
    crossed = np.flatnonzero(sides.any(axis=1) & ~sides.all(axis=1))
    faces, sides = body.faces[crossed], sides[crossed]
    # The corner that is alone on its side, and the edges from it to the two others.
    alone = np.argmax(sides == (sides.sum(axis=1) == 1)[:, None], axis=1)
    rows = np.arange(len(faces))
    tip = faces[rows, alone]
    ends, edges = [], []
    for k in (1, 2):
        other = faces[rows, (alone + k) % 3]
        low, high = np.minimum(tip, other), np.maximum(tip, other)
        share = away[low] / (away[low] - away[high])
        ends.append(body.vertices[low] + share[:, None] * (body.vertices[high] - body.vertices[low]))
        edges.append(low.astype(np.int64) * len(body.vertices) + high)
    flat = (np.stack(ends, axis=1) - centre) @ np.stack([axis, up], axis=1)
    keep = flat[:, :, 1].max(axis=1) > 0.0
    return flat[keep], np.stack(edges, axis=1)[keep], (body.origin[crossed] == FILLED)[keep]


def _length(segments: Floats, filled: NDArray[np.bool_], which: bool) -> float:
    return float(np.linalg.norm(segments[:, 0] - segments[:, 1], axis=1)[filled == which].sum())


def _chained(segments: Floats, edges: Ints) -> list[Floats]:
    """Segments joined at the edges that they share: runs (k, 2), closed ones with their first point last."""
    at: dict[int, list[int]] = {}
    for number, pair in enumerate(edges.tolist()):
        for edge in pair:
            at.setdefault(edge, []).append(number)
    left = set(range(len(segments)))
    runs = []
    while left:
        first = min(left)
        left.discard(first)
        halves = []
        for side in (1, 0):
            here, edge, points = first, int(edges[first, side]), [segments[first, side]]
            while True:
                following = [n for n in at[edge] if n in left]
                if not following:
                    break
                here = following[0]
                left.discard(here)
                out = 1 if int(edges[here, 0]) == edge else 0
                edge = int(edges[here, out])
                points.append(segments[here, out])
            halves.append(points)
        runs.append(np.array([*reversed(halves[1]), *halves[0]]))
    return runs


def _split(run: Floats) -> list[Floats]:
    """The stretches of a run that lie above the axis, or touch it."""
    above = (run[:, 1] >= 0.0) | np.r_[run[1:, 1] >= 0.0, False] | np.r_[False, run[:-1, 1] >= 0.0]
    parts = np.split(run, np.flatnonzero(np.diff(above.astype(int))) + 1)
    return [part for part in parts if part[:, 1].max() > 0.0]


def _upper(run: Floats) -> Floats:
    """A run whose ends below the axis are brought up to it."""
    run = run.copy()
    for end, inner in ((0, 1), (-1, -2)):
        if run[end, 1] < 0.0 and len(run) > 1 and run[inner, 1] > 0.0:
            share = run[inner, 1] / (run[inner, 1] - run[end, 1])
            run[end] = run[inner] + share * (run[end] - run[inner])
    return run[run[:, 1] >= -1e-9]


def _thinned(run: Floats, tolerance: float = FOLLOWS) -> Floats:
    if len(run) < 3:
        return run
    keep = [0, len(run) // 2, len(run) - 1]
    return run[simplified(run, keep, tolerance)]


def hatched(segments: Floats) -> Floats:
    """(h, 2, 2) lines at 45 degrees within what segments (k, 2, 2), mm, enclose above the axis y = 0; a line that meets
    an odd number of them, where the mesh is open, is left out.

    >>> box = np.array([[[0, 0], [0, 9]], [[0, 9], [9, 9]], [[9, 9], [9, 0]]], dtype=float)
    >>> len(hatched(box))
    3
    """
    if not len(segments):
        return np.empty((0, 2, 2))
    turn = np.array([[1.0, 1.0], [-1.0, 1.0]]) / math.sqrt(2.0)  # rows: along the hatching, across it
    turned = segments @ turn.T
    low, high = turned[:, :, 1].min(axis=1), turned[:, :, 1].max(axis=1)
    out = []
    for level in np.arange(math.ceil(low.min() / HATCH), high.max() / HATCH) * HATCH:
        met = turned[(low <= level) & (high > level)]
        share = (level - met[:, 0, 1]) / (met[:, 1, 1] - met[:, 0, 1])
        along = np.sort(met[:, 0, 0] + share * (met[:, 1, 0] - met[:, 0, 0]))
        # The axis itself closes what is cut there.
        axis = -level  # where y = (along + across) / sqrt 2 is zero
        along = np.sort(np.r_[axis, along[along > axis]]) if np.sum(along > axis) % 2 else along[along > axis]
        if len(along) % 2:
            continue
        for a, b in along.reshape(-1, 2):
            out.append(np.array([[a, level], [b, level]]) @ turn)
    return np.array(out).reshape(-1, 2, 2)
