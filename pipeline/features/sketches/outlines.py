"""The sharp outline of a flat face from a scan that rounds every edge.

The facets that carry a face end short of its true edge: the scanner rounds the edge, and recovery keeps away from
the rounding. So the border of those facets only says which way round the face runs. Where the wall beyond it is a
recovered feature, the edge is where the two surfaces meet, exactly. Elsewhere the wall's own points, below the
rounding, are carried up to the face's level: at each place along the border a plane is laid through them (height,
place along, place across), and read off at height zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.spatial import cKDTree

from pipeline.features.sketches.curves import Curve, cut, distance, free, meet, nearest_on, noise_of
from pipeline.mesh.topology import boundary_loops, facet_normals, median_edge, vertex_normals, vertex_ring
from pipeline.surfaces import PlaneCurve, kind_of, seen_from, shape_of
from pipeline.values import MEASURED, Feature, Outline, Segment, Surface

Array = NDArray[np.float64]

TOLERANCE = 0.1  # mm, of free pieces, and how far a line or arc may miss its points at most
BELOW = 0.7  # mm below the face at which a scanner's rounding of the edge has ended (or twice the edge length)
SHALLOW = 0.45  # mm below the face where a chamfer's own slope begins
DEEP = 3.0  # mm of wall below that are carried up
LOOK = 4.0  # mm within which the neighbouring feature is looked for, beyond the border
FEWEST = 8  # points of the wall at one place
BRIDGE = 4.0  # mm from one point of an edge to the next that are worth a word (or four edges)
STRAY_BY = 0.6  # mm by which a point carried up may miss what those round it say
CHAMFER = 0.3  # mm by which the border may stay further from a neighbour's edge than it does elsewhere
SMALLEST = 3.0  # mm2 of an opening
UNSEEN = -2  # beyond the border lies nothing that was scanned
STRAY = np.cos(np.radians(25.0))  # of a facet's normal from its plane's: noise, but no rounded edge


@dataclass(frozen=True)
class SketchGround:
    """What outlines are read from: the cleaned surface, the feature of each facet and vertex
    (-1 none), vertex normals, median edge mm, and each vertex' neighbours."""

    surface: Surface
    labels: NDArray[np.int32]
    features: tuple[Feature, ...]
    vertex_label: NDArray[np.int32]
    on_border: NDArray[np.bool_]
    normals: Array
    edge: float
    indptr: NDArray[np.int32]
    around: NDArray[np.int32]


def prepare(surface: Surface, labels: NDArray[np.int32], features: Sequence[Feature], sigma: float) -> SketchGround:
    """Look up once what all faces need; `sigma` mm of the scan's noise. About 100 bytes a facet."""
    n = len(surface.vertices)
    labels = _spread(surface, labels, features, max(4.0 * sigma, 0.03))
    vertex_label = np.full(n, -1, np.int32)
    for k in range(3):
        corner = surface.faces[:, k]
        vertex_label[corner[labels >= 0]] = labels[labels >= 0]
    on_border = np.zeros(n, bool)
    for loop in boundary_loops(surface.faces[surface.origin == MEASURED], n):
        on_border[loop] = True
    indptr, around = vertex_ring(surface.faces, n)
    edge = median_edge(surface.vertices, surface.faces)
    normals = vertex_normals(surface.vertices, surface.faces)
    return SketchGround(surface, labels, tuple(features), vertex_label, on_border, normals, edge, indptr, around)


def _spread(
    surface: Surface, labels: NDArray[np.int32], features: Sequence[Feature], tolerance: float
) -> NDArray[np.int32]:
    """Labels with the planes' grown back to their edges: onto free facets beside them that lie on the plane.

    Recovery keeps a face's facets well away from its rim, so that the rounding doesn't pull the fit; for an outline
    they would run together across the land between two holes.
    """
    flat = [f if kind_of(f).flat else None for f in features] + [None]
    planes = np.array([f is not None for f in flat])
    points = np.array([np.zeros(3) if f is None else f.point for f in flat])
    normals = np.array([np.zeros(3) if f is None else f.direction for f in flat])
    labels = labels.copy()
    free = np.flatnonzero(labels < 0)
    vertex_plane = np.full(len(surface.vertices), -1, np.int32)
    on_plane = planes[labels]
    for k in range(3):
        vertex_plane[surface.faces[on_plane, k]] = labels[on_plane]
    across = facet_normals(surface.vertices, surface.faces[free])
    while len(free):
        corners = surface.faces[free]
        wanted = vertex_plane[corners].max(axis=1)
        near = np.flatnonzero(wanted >= 0)
        which = wanted[near]
        off = surface.vertices[corners[near]] - points[which][:, None]
        height = np.abs(np.einsum("nkc,nc->nk", off, normals[which])).max(axis=1)
        good = (height < tolerance) & (np.sum(across[near] * normals[which], axis=1) > STRAY)
        if not good.any():
            break
        taken = near[good]
        labels[free[taken]] = which[good]
        for k in range(3):
            vertex_plane[corners[taken, k]] = which[good]
        rest = np.ones(len(free), bool)
        rest[taken] = False
        free, across = free[rest], across[rest]
    return labels


@dataclass(frozen=True)
class _Loop:
    """A border of the face's facets in its sketch: points (n, 2) in order, the vertices they are, outward (n, 2)."""

    points: Array
    vertices: NDArray[np.int32]
    outward: Array
    area: float


def outlines_of(ground: SketchGround, index: int, matrix: Array) -> tuple[Outline | None, tuple[Outline, ...], int]:
    """Outer outline, openings (largest first), and how many separate pieces the face of a feature has.

    index   of the plane in the features; matrix (4, 4) scan -> sketch
    """
    loops = _loops(ground, index, matrix)
    outer = [loop for loop in loops if loop.area > 0]
    inner = [loop for loop in loops if loop.area < 0]
    if not outer:
        return None, (), 0
    whole = max(outer, key=lambda loop: loop.area)
    near = _Near(ground, index, matrix, np.vstack([loop.points for loop in loops]))
    inset = near.inset([whole, *inner])
    made = [_outline(ground, loop, near, inset) for loop in (whole, *inner)]
    openings = [o for o, _ in made[1:] if o is not None]
    have = {s.feature for o in openings for s in o.segments if s.kind == "circle"}
    for hole in {h.feature: h for _, holes in made for h in holes}.values():
        if hole.feature not in have:
            openings.append(Outline(_ring(hole, False), 0.0, inset, TOLERANCE))
    pieces = sum(loop.area > 0.05 * whole.area for loop in outer)
    return made[0][0], tuple(openings), int(pieces)


def _loops(ground: SketchGround, index: int, matrix: Array) -> list[_Loop]:
    faces = ground.surface.faces[ground.labels == index]
    out = []
    for loop in boundary_loops(faces, len(ground.surface.vertices)):
        points = ground.surface.vertices[loop] @ matrix[:2, :3].T + matrix[:2, 3]
        area = _area(points)
        if len(loop) < 8 or abs(area) < max(SMALLEST, 12.0 * ground.edge**2):
            continue
        if area < 0 and not _opens(ground, index, loop):
            continue
        # Outward of the face: the facets lie on the left of their border.
        width = max(3, round(1.5 / ground.edge))
        smooth = uniform_filter1d(points, width, axis=0, mode="wrap")
        along = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
        outward = np.column_stack([along[:, 1], -along[:, 0]])
        out.append(_Loop(smooth, loop, outward, area))
    return sorted(out, key=lambda loop: -abs(loop.area))


def _area(points: Array) -> float:
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def _opens(ground: SketchGround, index: int, loop: NDArray[np.int32]) -> bool:
    """Whether a hole in the face's facets is one of the part: the surface beyond it leaves the face's level, or ends.

    A patch of facets on the face that recovery left out (dirt, a scratch) is not.
    """
    feature = ground.features[index]
    assert feature.direction is not None
    seen, ring = set(loop.tolist()), loop.tolist()
    for _ in range(max(3, int(np.ceil((BELOW + 1.0) / ground.edge)))):
        nearby = {int(q) for p in ring for q in ground.around[ground.indptr[p] : ground.indptr[p + 1]]}
        ring = [q for q in nearby - seen if ground.vertex_label[q] != index]
        seen.update(ring)
        if not ring:
            return False
        height = (ground.surface.vertices[ring] - feature.point) @ feature.direction
        if np.mean(np.abs(height) > BELOW / 2) > 0.5:
            return True
    return False


class _Near:
    """The surface just beyond a face's borders, in the sketch: places, heights, features."""

    def __init__(self, ground: SketchGround, index: int, matrix: Array, border: Array) -> None:
        vertices = ground.surface.vertices
        self.ground = ground
        self.index = index
        self.matrix = matrix
        self.below = max(BELOW, 2.0 * ground.edge)
        self.deep = max(DEEP, 6.0 * ground.edge)
        feature = ground.features[index]
        assert feature.direction is not None
        height = (vertices - feature.point) @ feature.direction
        band = np.flatnonzero((np.abs(height) < self.below + self.deep) & (ground.vertex_label != index))
        places = vertices[band] @ matrix[:2, :3].T + matrix[:2, 3]
        away, _ = cKDTree(border).query(places, distance_upper_bound=LOOK + self.deep)
        keep = np.isfinite(away)
        self.vertices = band[keep]
        self.places = places[keep]
        self.height = height[band][keep]
        self.label = ground.vertex_label[self.vertices]
        self.normals = ground.normals[self.vertices] @ matrix[:2, :3].T
        self.tree = cKDTree(self.places) if len(self.places) else None
        carried = self.label >= 0
        self.carried_label = self.label[carried]
        self.carried = cKDTree(np.column_stack([self.places[carried], self.height[carried]])) if carried.any() else None
        self._curves: dict[int, list[Curve]] = {}

    def neighbours(self, loop: _Loop) -> NDArray[np.int32]:
        """Feature index beyond each point of a border, -1 where there is none within LOOK."""
        if self.carried is None:
            return np.full(len(loop.points), -1, np.int32)
        away, which = self.carried.query(np.column_stack([loop.points, np.zeros(len(loop.points))]))
        found = np.where(away < LOOK, self.carried_label[np.minimum(which, len(self.carried_label) - 1)], -1)
        return _settled(found.astype(np.int32), max(3, round(2.0 / self.ground.edge)))

    def curves(self, feature: int) -> list[Curve]:
        """Where a neighbouring feature cuts the face's plane, in the sketch; empty where that is no line or circle."""
        if feature not in self._curves:
            made = self.ground.features[feature]
            relied_on = made.machined and made.confidence == "good"
            self._curves[feature] = _section(made, self.matrix) if relied_on else []
        return self._curves[feature]

    def curve_at(self, feature: int, points: Array) -> Curve | None:
        """The curve of a feature that a stretch of the border follows."""
        found = [(float(np.median(np.abs(distance(c, points)))), c) for c in self.curves(feature)]
        if not found:
            return None
        away, curve = min(found, key=lambda pair: pair[0])
        return curve if away < LOOK else None

    def inset(self, loops: Sequence[_Loop]) -> float:
        """How far the face's facets stay from its edges, median over the edges that are known from both sides, mm."""
        known = []
        for loop in loops:
            beyond = self.neighbours(loop)
            for a, b in _runs(beyond):
                stretch = np.arange(a, b) % len(loop.points)
                curve = (
                    self.curve_at(int(beyond[stretch[0]]), loop.points[stretch]) if beyond[stretch[0]] >= 0 else None
                )
                if curve is not None:
                    known += [float(v) for v in np.abs(distance(curve, loop.points[stretch]))]
        return float(np.median(known)) if known else 1.5 * self.ground.edge

    def edge_beside(self, loop: _Loop, stretch: NDArray[np.intp], inset: float, closed: bool) -> Array:
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
        self, loop: _Loop, stretch: NDArray[np.intp], closed: bool, below: float, deep: float
    ) -> tuple[Array, float]:
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
        lean_to = self.normals[good] / np.maximum(np.linalg.norm(self.normals[good], axis=1, keepdims=True), 1e-9)
        lean_to *= np.sign(np.sum(lean_to * outward[which], axis=1))[:, None]
        edge = self.places[good] - (lean[which] * level)[:, None] * lean_to
        from_border = edge - points[which]
        stray = np.abs(np.sum(from_border * outward[which], axis=1) - offset[which]) > STRAY_BY
        keep = _between(level, below, deep) & ~stray
        if keep.sum() < FEWEST:
            return nothing
        # Along the border by the place of the border point, and within it along the border's own direction.
        run = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1)))
        across = outward[which[keep]]
        s = run[which[keep]] + from_border[keep, 1] * across[:, 0] - from_border[keep, 0] * across[:, 1]
        total = float(run[-1] + np.linalg.norm(points[-1] - points[0])) if closed else None
        averaged = _averaged(edge[keep], s, max(0.5, 0.7 * self.ground.edge), total)
        return averaged, float(np.nanmedian(offset))


def _between(level: Array, below: float, deep: float) -> NDArray[np.bool_]:
    return np.asarray((level > below) & (level < below + deep), dtype=bool)


def _averaged(points: Array, s: Array, cell: float, total: float | None) -> Array:
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
    out: list[Array] = []
    weight: list[float] = []
    for point, number_of in zip(means[order, :2], count[order].astype(float), strict=True):
        if out and np.sum((point - out[-1]) ** 2) < (0.6 * cell) ** 2:
            weight[-1] += number_of
            out[-1] = out[-1] + (point - out[-1]) * (number_of / weight[-1])
        else:
            out.append(point)
            weight.append(number_of)
    return _untangled(np.array(out)[np.array(weight) > 1.0])


def _untangled(points: Array) -> Array:
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


def _gap(a: Array, b: Array) -> float:
    return math.hypot(float(a[0] - b[0]), float(a[1] - b[1]))


def _read_off(level: Array, along: Array, across: Array) -> tuple[float, float] | None:
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
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.clip(1.0 - (residual / (4.0 * scale)) ** 2, 0.0, 1.0) ** 2
    # A wall that runs out flatter than some ten degrees tells nothing of where it meets the face.
    return None if abs(solved[1]) > 5.0 else (float(solved[0]), float(solved[1]))


def _settled(found: NDArray[np.int32], width: int) -> NDArray[np.int32]:
    """Runs shorter than `width` points given to what lies round them."""
    found = found.copy()
    for _ in range(3):
        runs = _runs(found)
        short = [(a, b) for a, b in runs if b - a < width]
        if not short or len(runs) < 2:
            break
        n = len(found)
        for a, b in short:
            found[np.arange(a, b) % n] = found[(a - 1) % n]
    return found


def _runs(values: NDArray[np.int32]) -> list[tuple[int, int]]:
    """Stretches [a, b) of equal values round a closed run; b may pass its end."""
    n = len(values)
    starts = np.flatnonzero(values != np.roll(values, 1))
    if len(starts) == 0:
        return [(0, n)]
    ends = np.append(starts[1:], starts[0] + n)
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]


def _section(feature: Feature, matrix: Array) -> list[Curve]:
    """Lines or circles in which a feature's surface cuts the plane z = 0 of a sketch."""
    return [_curve(c, feature.id) for c in kind_of(feature).section(seen_from(shape_of(feature), matrix))]


def _curve(cut: PlaneCurve, feature: str) -> Curve:
    ends = np.zeros((2, 2))
    if cut.direction is not None:
        return Curve("line", ends, cut.point, cut.direction, feature=feature)
    assert cut.radius is not None
    return Curve("circle", ends, cut.point, radius=cut.radius, feature=feature)


# ---------------------------------------------------------------------------------------------------------------
# From stretches to a closed outline


@dataclass(frozen=True)
class _Stretch:
    """Border points (indices) beyond which lies one thing: a curve, or a wall without a feature (None)."""

    points: NDArray[np.intp]
    curve: Curve | None


def _outline(ground: SketchGround, loop: _Loop, near: _Near, inset: float) -> tuple[Outline | None, list[Curve]]:
    """The outline along a border, and circles of holes that it had run into across land too narrow to be seen."""
    stretches, broken = _stretches(ground, loop, near, inset)
    stretches, holes = _parted(ground, stretches)
    closed = len(stretches) == 1
    pieces: list[list[Curve]] = []
    edges: list[Array | None] = []
    moved = []
    for stretch in stretches:
        points, curve = loop.points[stretch.points], stretch.curve
        if curve is not None:
            moved.append(float(np.median(np.abs(distance(curve, points)))))
            ends = np.array([nearest_on(curve, points[0]), nearest_on(curve, points[-1])])
            pieces.append([replace(curve, ends=ends, ccw=_ccw(points, curve))])
            edges.append(None)
            continue
        edge = _edge_points(loop, stretch.points, near, inset, closed)
        if len(edge) < 4:
            continue
        pieces.append(cut(edge, max(noise_of(edge), 0.005), closed, TOLERANCE))
        edges.append(edge)
        broken = broken or _leap(edge, closed) > max(BRIDGE, 4.0 * ground.edge)
        moved.append(float(np.median(np.linalg.norm(edge - points[_nearest(points, edge)], axis=1))))
    if not pieces and not broken:
        return None, holes
    if not pieces:
        ring = np.vstack([loop.points, loop.points[:1]])
        pieces, edges = [[Curve("free", ring[[0, -1]], points=ring)]], [None]
    segments = _checked(pieces, edges, loop, closed)
    fitted = [c for group in pieces for c in group if c.kind != "free" and c.feature is None]
    weight = sum(c.length for c in fitted)
    rms = float(np.sqrt(sum(c.length * c.rms**2 for c in fitted) / weight)) if weight else 0.0
    rounding = float(np.median(moved)) if moved else 0.0
    return Outline(segments, rms, rounding, TOLERANCE, broken), holes


def _leap(points: Array, closed: bool) -> float:
    """Longest way from one point of a run to the next, mm."""
    run = np.vstack([points, points[:1]]) if closed else points
    return float(np.linalg.norm(np.diff(run, axis=0), axis=1).max())


def _checked(pieces: list[list[Curve]], edges: list[Array | None], loop: _Loop, closed: bool) -> tuple[Segment, ...]:
    """The segments of all pieces. A stretch whose lines and arcs, once they meet one another, stray from the points
    they stand for becomes free: `pieces` says so afterwards."""
    while True:
        segments = _segments([c for group in pieces for c in group], loop)
        first = 0
        for k, (group, edge) in enumerate(zip(pieces, edges, strict=True)):
            mine = segments[first : first + len(group)]
            first += len(group)
            if edge is None or all(c.kind == "free" for c in group):
                continue
            away = cKDTree(edge).query(np.vstack([_along(s) for s in mine]))[0]
            spacing = float(np.median(np.linalg.norm(np.diff(edge, axis=0), axis=1)))
            if away.max() > np.hypot(TOLERANCE, 1.5 * spacing):
                ring = np.vstack([edge, edge[:1]]) if closed else edge
                pieces[k] = [free(ring, TOLERANCE)]
                break
        else:
            return segments


def _along(s: Segment) -> Array:
    """Points along a segment, dense enough to see it stray."""
    if s.kind == "free":
        assert s.points is not None
        return s.points
    if s.kind == "line":
        return s.start + np.linspace(0.0, 1.0, 40)[:, None] * (s.end - s.start)
    assert s.centre is not None
    a = np.arctan2(*(s.start - s.centre)[::-1])
    b = np.arctan2(*(s.end - s.centre)[::-1])
    turn = (b - a) % (2 * np.pi) if s.ccw else -((a - b) % (2 * np.pi))
    t = a + np.linspace(0.0, turn or 2 * np.pi, 60)
    return s.centre + (s.radius or 0.0) * np.column_stack([np.cos(t), np.sin(t)])


def _stretches(ground: SketchGround, loop: _Loop, near: _Near, inset: float) -> tuple[list[_Stretch], bool]:
    """The border told apart by what lies beyond it; what the scan did not see is bridged by what lies beside, and
    the second result says that there is such a stretch."""
    unseen = ground.on_border[loop.vertices]
    beyond = np.where(unseen, UNSEEN, near.neighbours(loop)).astype(np.int32)
    beyond = _settled(beyond, max(3, round(2.0 / ground.edge)))
    out: list[_Stretch] = []
    for a, b in _runs(beyond):
        points = np.arange(a, b) % len(loop.points)
        feature = int(beyond[points[0]])
        if feature == UNSEEN:
            continue
        curve = near.curve_at(feature, loop.points[points]) if feature >= 0 else None
        if curve is not None:
            away = float(np.median(np.abs(distance(curve, loop.points[points]))))
            # Further off than the other edges: a chamfer that was not recovered lies between.
            curve = None if away > inset + CHAMFER + 0.25 * ground.edge else curve
        out.append(_Stretch(points, curve))
    return _merged(out), bool(np.any(beyond == UNSEEN))


def _merged(stretches: list[_Stretch]) -> list[_Stretch]:
    """Neighbours of one sort made one, round the loop."""
    out: list[_Stretch] = []
    for stretch in stretches:
        if out and _alike(out[-1].curve, stretch.curve):
            out[-1] = _Stretch(np.concatenate([out[-1].points, stretch.points]), stretch.curve)
        else:
            out.append(stretch)
    if len(out) > 1 and _alike(out[-1].curve, out[0].curve):
        last = out.pop()
        out[0] = _Stretch(np.concatenate([last.points, out[0].points]), out[0].curve)
    return out


def _alike(a: Curve | None, b: Curve | None) -> bool:
    if a is None or b is None:
        return a is b
    if a.feature != b.feature or a.kind != b.kind or abs(a.radius - b.radius) > 1e-9:
        return False
    return bool(np.linalg.norm(a.point - b.point) < 1e-9)


def _parted(ground: SketchGround, stretches: list[_Stretch]) -> tuple[list[_Stretch], list[Curve]]:
    """Holes seen all round that share a border with something they don't cut into are taken out of it."""
    by_id = {f.id: f for f in ground.features}
    holes: dict[str, Curve] = {}
    while len(stretches) > 1:
        for k, stretch in enumerate(stretches):
            beside = [stretches[k - 1].curve, stretches[(k + 1) % len(stretches)].curve]
            if _is_hole(stretch.curve, by_id) and not any(_crosses(stretch.curve, c) for c in beside):
                assert stretch.curve is not None
                assert stretch.curve.feature is not None
                holes[stretch.curve.feature] = stretch.curve
                break
        else:
            break
        gone = holes[str(stretch.curve.feature)]
        stretches = _merged([s for s in stretches if not _alike(s.curve, gone)])
    return stretches, list(holes.values())


def _is_hole(curve: Curve | None, by_id: dict[str, Feature]) -> bool:
    if curve is None or curve.kind != "circle" or curve.feature is None:
        return False
    feature = by_id[curve.feature]
    return feature.side == "bore" and (feature.extent.arc or 0.0) > np.radians(300.0)


def _crosses(a: Curve | None, b: Curve | None) -> bool:
    """Whether two curves meet; a wall without a feature might be cut by anything that is not a whole hole."""
    if a is None or b is None:
        return False
    if b.kind == "line":
        return abs(float(distance(b, a.point[None])[0])) < a.radius
    apart = float(np.linalg.norm(a.point - b.point))
    return abs(a.radius - b.radius) < apart < a.radius + b.radius


def _nearest(points: Array, to: Array) -> NDArray[np.intp]:
    return cKDTree(points).query(to)[1]


def _ccw(points: Array, curve: Curve) -> bool:
    if curve.kind != "circle":
        return True
    off = points - curve.point
    turn = np.unwrap(np.arctan2(off[:, 1], off[:, 0]))
    return bool(turn[-1] > turn[0])


def _edge_points(loop: _Loop, stretch: NDArray[np.intp], near: _Near, inset: float, closed: bool) -> Array:
    """Points of the sharp edge along a stretch: carried up the wall, else the border moved out by the usual inset."""
    edge = near.edge_beside(loop, stretch, inset, closed)
    length = near.ground.edge * len(stretch)
    if len(edge) > 0.5 * length / max(0.5, 0.7 * near.ground.edge):
        return edge
    return loop.points[stretch] + inset * loop.outward[stretch]


def _running_median(values: Array, width: int, closed: bool) -> Array:
    half = width // 2
    padded = np.pad(values, half, mode="wrap" if closed else "reflect") if len(values) > half else values
    if len(padded) < width:
        return np.full(len(values), np.nanmedian(values) if np.isfinite(values).any() else np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    filled = np.where(np.isfinite(windows).any(axis=1, keepdims=True), windows, 0.0)
    return np.nanmedian(filled, axis=1)


def _segments(curves: list[Curve], loop: _Loop) -> tuple[Segment, ...]:
    if len(curves) == 1 and curves[0].kind == "circle":
        return _ring(curves[0], loop.area > 0)
    if len(curves) == 1 and curves[0].kind == "line":  # a slit: no line comes back to where it began
        around = np.vstack([loop.points, loop.points[:1]])
        return (Segment("free", around[0], around[-1], points=around),)
    joints = [_joint(curves[k - 1], curves[k]) for k in range(len(curves))]
    out = []
    for k, c in enumerate(curves):
        start, end = joints[k], joints[(k + 1) % len(curves)]
        if c.kind == "free":
            assert c.points is not None
            points = np.vstack([start, c.points[1:-1], end]) if len(curves) > 1 else c.points
            out.append(Segment("free", points[0], points[-1], points=points))
        elif c.kind == "line":
            out.append(Segment("line", start, end, feature=c.feature))
        else:
            out.append(Segment("arc", start, end, c.point, c.radius, c.ccw, None, c.feature))
    return tuple(out)


def _ring(c: Curve, ccw: bool) -> tuple[Segment, ...]:
    at = c.point + np.array([c.radius, 0.0])
    return (Segment("circle", at, at, c.point, c.radius, ccw, None, c.feature),)


def _joint(before: Curve, after: Curve) -> Array:
    near = 0.5 * (before.ends[1] + after.ends[0])
    if before.kind == "free" or after.kind == "free":
        if before.kind != "free":
            return nearest_on(before, near)
        return nearest_on(after, near) if after.kind != "free" else near
    gap = float(np.linalg.norm(before.ends[1] - after.ends[0]))
    met = meet(before, after, near, max(2.0, 2.0 * gap))
    return near if met is None else met
