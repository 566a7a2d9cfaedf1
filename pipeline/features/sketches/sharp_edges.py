"""The sharp edge beside a border: where the wall beyond it meets the face, below what the scanner rounded."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.sketches.borders import BELOW, Loop, runs_of, settled
from pipeline.features.sketches.curves import Curve, distance
from pipeline.features.sketches.ground import SketchGround
from pipeline.geometry import Floats, Indices, Ints, Mask, arc_lengths, scaled_mad, unit_rows
from pipeline.jit import njit
from pipeline.surfaces import PlaneCurve, kind_of, seen_from, shape_of
from pipeline.values import Feature

SHALLOW = 0.45  # mm below the face where a chamfer's own slope begins
DEEP = 3.0  # mm of wall below that are carried up
LOOK = 4.0  # mm within which the neighbouring feature is looked for, beyond the border
FEWEST = 8  # points of the wall at one place
STRAY_BY = 0.6  # mm by which a point carried up may miss what those round it say
BACK = -0.5  # a normal's share along the face's, below which it is that of the part's other side
CHAMFER = 0.3  # mm by which the border may stay further from a neighbour's edge than it does elsewhere


class Beyond:
    """The surface just beyond a face's borders, in the sketch: places, heights, features."""

    def __init__(self, ground: SketchGround, index: int, matrix: Floats, border: Floats) -> None:
        vertices = ground.surface.vertices
        self.ground = ground
        self.index = index
        self.matrix = matrix
        self.below = max(BELOW, 2.0 * ground.edge)
        self.deep = max(DEEP, 6.0 * ground.edge)
        feature = ground.features[index]
        assert feature.direction is not None
        reach, thick = LOOK + self.deep, self.below + self.deep
        low, high = np.append(border.min(axis=0) - reach, -thick), np.append(border.max(axis=0) + reach, thick)
        band = _within(vertices, matrix, low, high)
        band = band[ground.vertex_label[band] != index]
        places = vertices[band] @ matrix[:2, :3].T + matrix[:2, 3]
        keep = _near(places, border, reach)
        self.vertices = band[keep]
        self.places = places[keep]
        self.height = (vertices[self.vertices] - feature.point) @ feature.direction
        self.label = ground.vertex_label[self.vertices]
        self.normals = ground.normals[self.vertices] @ matrix[:2, :3].T
        self.tree = cKDTree(self.places) if len(self.places) else None
        carried = self.label >= 0
        self.carried_label = self.label[carried]
        self.carried = cKDTree(np.column_stack([self.places[carried], self.height[carried]])) if carried.any() else None
        self._curves: dict[int, list[Curve]] = {}

    def neighbours(self, loop: Loop) -> Ints:
        """Feature index beyond each point of a border, -1 where there is none within LOOK."""
        if self.carried is None:
            return np.full(len(loop.points), -1, np.int32)
        away, which = self.carried.query(np.column_stack([loop.points, np.zeros(len(loop.points))]))
        found = np.where(away < LOOK, self.carried_label[np.minimum(which, len(self.carried_label) - 1)], -1)
        return settled(found.astype(np.int32), max(3, round(2.0 / self.ground.edge)))

    def curves(self, feature: int) -> list[Curve]:
        """Where a neighbouring feature cuts the face's plane, in the sketch; empty where that is no line or circle."""
        if feature not in self._curves:
            made = self.ground.features[feature]
            relied_on = made.machined and made.confidence == "good"
            self._curves[feature] = section(made, self.matrix) if relied_on else []
        return self._curves[feature]

    def curve_at(self, feature: int, points: Floats) -> Curve | None:
        """The curve of a feature that a stretch of the border follows."""
        found = [(float(np.median(np.abs(distance(c, points)))), c) for c in self.curves(feature)]
        if not found:
            return None
        away, curve = min(found, key=lambda pair: pair[0])
        return curve if away < LOOK else None

    def rises(self, loop: Loop) -> bool:
        """Whether the surface beyond a border stands out of the face, rather than falling away from it.

        Only what lies within LOOK of the border, and beyond the scanner's rounding, has a say; what looks the other way
        is the face's own back.
        """
        if self.tree is None:
            return False
        away, which = cKDTree(loop.points).query(self.places, distance_upper_bound=LOOK)
        near = np.flatnonzero(np.isfinite(away))
        beyond = (
            np.sum((self.places[near] - loop.points[which[near]]) * loop.outward[which[near]], axis=1) > -self.below
        )
        near = near[beyond]
        direction = self.ground.features[self.index].direction
        assert direction is not None
        near = near[self.ground.normals[self.vertices[near]] @ direction > BACK]
        height = self.height[near]
        height = height[np.abs(height) < self.below + DEEP]
        return int(np.sum(height > self.below)) > int(np.sum(height < -self.below))

    def inset(self, loops: Sequence[Loop]) -> float:
        """How far the face's facets stay from its edges, median over the edges that are known from both sides, mm."""
        known = []
        for loop in loops:
            beyond = self.neighbours(loop)
            for a, b in runs_of(beyond):
                stretch = np.arange(a, b) % len(loop.points)
                curve = (
                    self.curve_at(int(beyond[stretch[0]]), loop.points[stretch]) if beyond[stretch[0]] >= 0 else None
                )
                if curve is not None:
                    known += [float(v) for v in np.abs(distance(curve, loop.points[stretch]))]
        return float(np.median(known)) if known else 1.5 * self.ground.edge

    def edge_beside(self, loop: Loop, stretch: Indices, inset: float, closed: bool) -> Floats:
        """(k, 2) points of the sharp edge beside a stretch of the border, in its order; none where they can't be had.

        A wall that meets the face much further off than other edges lie from their borders is hidden behind a
        chamfer: then what lies right below the face is carried up instead.
        """
        edge, off = self._carried_up(loop, stretch, closed, self.below, self.deep)
        if off > inset + CHAMFER + 0.25 * self.ground.edge:
            edge, nearer = self._carried_up(loop, stretch, closed, SHALLOW, max(1.2, 1.5 * self.ground.edge))
            if nearer > inset + CHAMFER + 0.25 * self.ground.edge:
                return np.empty((0, 2))
        return edge

    def _carried_up(
        self, loop: Loop, stretch: Indices, closed: bool, below: float, deep: float
    ) -> tuple[Floats, float]:
        """The wall's points between two depths carried up to the face, and how far from the border they end, mm.

        How the wall leans is read at each border point from the wall's points round it; each of the wall's points is
        then carried up on its own, so that a corner between two walls stays one.
        """
        points, outward = loop.points[stretch], loop.outward[stretch]
        nothing = np.empty((0, 2)), 0.0
        if self.tree is None or len(points) < 3:
            return nothing
        width = max(1.5, 4.0 * self.ground.edge)
        offset, lean, side = (np.full(len(points), np.nan) for _ in range(3))
        step = max(1, len(points) // 400)
        for i in range(0, len(points), step):
            near = np.array(self.tree.query_ball_point(points[i], np.hypot(LOOK, width)), dtype=int)
            if len(near) < FEWEST:
                continue
            off = self.places[near] - points[i]
            across = off @ outward[i]
            along = off[:, 1] * outward[i][0] - off[:, 0] * outward[i][1]
            height = self.height[near]
            up = 1.0 if np.sum(height > below) > np.sum(height < -below) else -1.0
            use = _between(up * height, below, deep) & (np.abs(along) < width) & (across > -LOOK)
            if use.sum() < FEWEST or np.ptp(height[use]) < 0.3 * deep:
                continue
            read = _read_off(up * height[use], along[use], across[use])
            if read is not None and -1.0 < read[0] < LOOK:
                offset[i], lean[i], side[i] = read[0], read[1], up
        known = np.isfinite(offset)
        if known.sum() < 3:
            return nothing
        lean = _running_median(np.where(known, lean, np.nan), 8 * step + 1, closed)
        offset = _running_median(np.where(known, offset, np.nan), 8 * step + 1, closed)
        side = _running_median(np.where(known, side, np.nan), 8 * step + 1, closed)
        away, which = cKDTree(points).query(self.places, distance_upper_bound=LOOK)
        good = np.flatnonzero(np.isfinite(away))
        which = which[good]
        level = side[which] * self.height[good]
        # Each wall leans square to itself: beyond a corner that is not the border's own outward direction.
        lean_to = unit_rows(self.normals[good], 1e-9)
        lean_to *= np.sign(np.sum(lean_to * outward[which], axis=1))[:, None]
        edge = self.places[good] - (lean[which] * level)[:, None] * lean_to
        from_border = edge - points[which]
        stray = np.abs(np.sum(from_border * outward[which], axis=1) - offset[which]) > STRAY_BY
        keep = _between(level, below, deep) & ~stray
        if keep.sum() < FEWEST:
            return nothing
        # Along the border by the place of the border point, and within it along the border's own direction.
        run = arc_lengths(points)
        across = outward[which[keep]]
        s = run[which[keep]] + from_border[keep, 1] * across[:, 0] - from_border[keep, 0] * across[:, 1]
        total = float(run[-1] + np.linalg.norm(points[-1] - points[0])) if closed else None
        averaged = _averaged(edge[keep], s, max(0.5, 0.7 * self.ground.edge), total)
        return averaged, float(np.nanmedian(offset))


@njit(cache=True)
def _within(v: Floats, matrix: Floats, low: Floats, high: Floats) -> Ints:
    """Vertices whose place after a motion (4, 4) lies in the box from low (3,) to high (3,), ascending."""
    out = np.empty(len(v), dtype=np.int32)
    count = 0
    for i in range(len(v)):
        inside = True
        for d in (2, 0, 1):
            x = matrix[d, 0] * v[i, 0] + matrix[d, 1] * v[i, 1] + matrix[d, 2] * v[i, 2] + matrix[d, 3]
            if not low[d] < x < high[d]:
                inside = False
                break
        if inside:
            out[count] = i
            count += 1
    return out[:count].copy()


def _near(places: Floats, border: Floats, reach: float) -> Mask:
    """Which places (n, 2) have a point of a border (m, 2) nearer than `reach` mm.

    Most are told by the cell of a grid that they lie in; the points of the others' are looked up.
    """
    low = border.min(axis=0) - reach
    cell = max(reach / 8.0, float(np.ptp(border, axis=0).max()) / 1000.0)
    near, unsure = _told_by_cell(places, border, reach, low, cell)
    unsure = np.flatnonzero(unsure)
    near[unsure] = np.isfinite(cKDTree(border).query(places[unsure], distance_upper_bound=reach)[0])
    return near


@njit(cache=True)
def _told_by_cell(places: Floats, border: Floats, reach: float, low: Floats, cell: float) -> tuple[Mask, Mask]:
    """(n,) places in cells all of which are near a border's point, and those in cells only some of which are."""
    nx = int((border[:, 0].max() + reach - low[0]) / cell) + 1
    ny = int((border[:, 1].max() + reach - low[1]) / cell) + 1
    sure, some = np.zeros((nx, ny), dtype=np.bool_), np.zeros((nx, ny), dtype=np.bool_)
    for b in range(len(border)):
        x, y = border[b, 0] - low[0], border[b, 1] - low[1]
        for i in range(int((x - reach) / cell), min(int((x + reach) / cell) + 1, nx)):
            for j in range(int((y - reach) / cell), min(int((y + reach) / cell) + 1, ny)):
                left, right = i * cell - x, (i + 1) * cell - x
                down, up = j * cell - y, (j + 1) * cell - y
                far = np.hypot(max(abs(left), abs(right)), max(abs(down), abs(up)))
                sure[i, j] |= far < (1.0 - 1e-9) * reach
                some[i, j] |= np.hypot(max(left, -right, 0.0), max(down, -up, 0.0)) <= (1.0 + 1e-9) * reach
    near, unsure = np.zeros(len(places), dtype=np.bool_), np.zeros(len(places), dtype=np.bool_)
    for p in range(len(places)):
        i, j = int(np.floor((places[p, 0] - low[0]) / cell)), int(np.floor((places[p, 1] - low[1]) / cell))
        if 0 <= i < nx and 0 <= j < ny:
            near[p] = sure[i, j]
            unsure[p] = some[i, j] and not sure[i, j]
    return near, unsure


def _between(level: Floats, below: float, deep: float) -> Mask:
    return np.asarray((level > below) & (level < below + deep), dtype=bool)


def _averaged(points: Floats, s: Floats, cell: float, total: float | None) -> Floats:
    """Means of points (n, 2) over square cells, in the order of their places `s` along a run, which closes after
    `total` mm (None: it doesn't).

    Cells of the plane, not of the run: beyond a corner the border points of one place have two walls before them.
    """
    square = np.floor(points / cell).astype(np.int64)
    _, first, number, count = np.unique(square, axis=0, return_index=True, return_inverse=True, return_counts=True)
    number = number.ravel()
    if total is not None:
        # Either side of where the run begins, places are near to one another though their numbers are not.
        start = s[first][number]
        s = start + (s - start + 0.5 * total) % total - 0.5 * total
    sums = np.stack([np.bincount(number, column) for column in (points[:, 0], points[:, 1], s)], axis=1)
    means = sums / count[:, None]
    if total is not None:
        means[:, 2] %= total
    order = np.argsort(means[:, 2], kind="stable")
    # An edge that runs along the border of two rows of cells is in both: join what lies side by side.
    out: list[Floats] = []
    weight: list[float] = []
    for point, number_of in zip(means[order, :2], count[order].astype(float), strict=True):
        if out and np.sum((point - out[-1]) ** 2) < (0.6 * cell) ** 2:
            weight[-1] += number_of
            out[-1] = out[-1] + (point - out[-1]) * (number_of / weight[-1])
        else:
            out.append(point)
            weight.append(number_of)
    return _untangled(np.array(out)[np.array(weight) > 1.0])


def _untangled(points: Floats) -> Floats:
    """The run with neighbours exchanged where that shortens it: round a corner their places along it are mixed up."""
    points = points.copy()
    for _ in range(4):
        changed = False
        for k in range(len(points) - 3):
            a, b, c, d = points[k : k + 4]
            if _gap(a, c) + _gap(b, d) < _gap(a, b) + _gap(c, d) - 1e-9:
                points[[k + 1, k + 2]] = points[[k + 2, k + 1]]
                changed = True
        if not changed:
            break
    return points


def _gap(a: Floats, b: Floats) -> float:
    return math.hypot(float(a[0] - b[0]), float(a[1] - b[1]))


def _read_off(level: Floats, along: Floats, across: Floats) -> tuple[float, float] | None:
    """Where a wall through points (height, along, across) meets height zero, at along zero, and how far it leans
    across for each mm of height; robust. None where it can't be told."""
    design = np.column_stack([np.ones(len(level)), level, along, along**2])
    weight = np.ones(len(level))
    solved = np.zeros(4)
    for _ in range(4):
        root = np.sqrt(weight)
        solved, _, rank, _ = np.linalg.lstsq(design * root[:, None], across * root, rcond=None)
        if rank < 4:
            return None
        residual = across - design @ solved
        scale = scaled_mad(residual, 0.0) + 1e-9
        weight = np.clip(1.0 - (residual / (4.0 * scale)) ** 2, 0.0, 1.0) ** 2
    # A wall that runs out flatter than some ten degrees tells nothing of where it meets the face.
    return None if abs(solved[1]) > 5.0 else (float(solved[0]), float(solved[1]))


def _running_median(values: Floats, width: int, closed: bool) -> Floats:
    half = width // 2
    padded = np.pad(values, half, mode="wrap" if closed else "reflect") if len(values) > half else values
    if len(padded) < width:
        return np.full(len(values), np.nanmedian(values) if np.isfinite(values).any() else np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    filled = np.where(np.isfinite(windows).any(axis=1, keepdims=True), windows, 0.0)
    return np.nanmedian(filled, axis=1)


def section(feature: Feature, matrix: Floats) -> list[Curve]:
    """Lines or circles in which a feature's surface cuts the plane z = 0 of a sketch."""
    return [_curve(c, feature.id) for c in kind_of(feature).section(seen_from(shape_of(feature), matrix))]


def _curve(cut: PlaneCurve, feature: str) -> Curve:
    ends = np.zeros((2, 2))
    if cut.direction is not None:
        return Curve("line", ends, cut.point, cut.direction, feature=feature)
    assert cut.radius is not None
    return Curve("circle", ends, cut.point, radius=cut.radius, feature=feature)
