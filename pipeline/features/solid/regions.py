"""From facets to faces: which facets make one face, the loops round each, and where whole turns are cut open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from pipeline.features.solid.charts import Chart, chart_on, frame_about, plane_at
from pipeline.features.solid.crossings import crossing_edges
from pipeline.features.solid.curves import onto
from pipeline.features.solid.sharpening import Bound, Floats, Ints, split
from pipeline.geometry import FULL_TURN, basis_of
from pipeline.mesh.topology import cut_at_pinches, facet_areas, facet_neighbours, facet_normals
from pipeline.surfaces import Shape, kind_of

# mm: skin facets whose corners lie in one plane within this are one face.
_FLAT = 1e-7
_ANGLES = 1440
# Share of a step of those angles that a cut stays away from every vertex.
_CLEAR = np.radians(0.15)
# A face without a straight cut is divided into so many sectors; so many angles for the first are looked at.
_SECTORS = 3
_BEGINNINGS = 12


@dataclass(frozen=True)
class Faces:
    """Which face each facet belongs to, and what the faces are.

    mesh     its labels are numbers of faces
    shapes   the surface of each face; a plane of a skin face looks outwards
    feature  (k,) the shape's number among the features, -1 skin
    outward  (k,) 1 or -1: whether the shape's geometric normal points out of the material
    charts   of each face that is not skin
    seams    of each face that goes round a whole turn: its two seam vertices, on the loop that runs with the turn first
    before   (m,) the face of each facet of the mesh before seams were cut
    """

    mesh: Bound
    shapes: tuple[Shape, ...]
    feature: Ints
    outward: Floats
    charts: dict[int, Chart]
    seams: dict[int, tuple[int, int]]
    before: Ints

    def facets_of(self, face: int) -> NDArray[np.bool_]:
        """(m,) the facets of a face, of the mesh before seams were cut."""
        return self.before == face


@dataclass(frozen=True)
class Failure:
    """A face that can't be made of its surface, by its facets (m,) of the mesh before seams were cut, and why.

    edge  the two ends of the border that is to blame, where it is one between two vertices of that mesh
    """

    feature: int
    facets: NDArray[np.bool_]
    why: str
    edge: tuple[int, int] | None = None


def faces_of(mesh: Bound, shapes: Sequence[Shape]) -> tuple[Faces, list[Failure]]:
    """Faces of a closed mesh; failures are faces of a feature that have to fall back to facets.

    A face that can't be opened by one straight cut is divided into pieces, each a face of the same surface.
    """
    region, count = _regions(mesh)
    faces, failures = _faces_from(mesh, shapes, region, count)
    divided = False
    for failure in failures:
        pieces = _pieces(mesh, shapes[failure.feature], failure.facets)
        if pieces is not None:
            region = np.where(failure.facets, np.where(pieces > 0, count + pieces - 1, region), region)
            count += int(pieces.max())
            divided = True
    return _faces_from(mesh, shapes, region, count) if divided else (faces, failures)


def _faces_from(
    mesh: Bound, shapes: Sequence[Shape], region: NDArray[np.int64], count: int
) -> tuple[Faces, list[Failure]]:
    first = np.zeros(count, np.int64)
    order = np.argsort(-facet_areas(mesh.points, mesh.faces), kind="stable")
    first[region[order[::-1]]] = order[::-1]  # the largest facet of each speaks for it
    feature = np.maximum(mesh.labels[first], -1)
    normals = facet_normals(mesh.points, mesh.faces[first])
    corner = mesh.points[mesh.faces[first, 0]]
    made = tuple(shapes[f] if f >= 0 else plane_at(corner[r], normals[r]) for r, f in enumerate(feature))
    outward = np.where(feature >= 0, mesh.outward[feature], 1.0)
    whole = replace(mesh, labels=region.astype(np.int32))
    charts: dict[int, Chart] = {}
    cuts: dict[int, tuple[int, int]] = {}
    failures: list[Failure] = []
    loops = loops_of(whole.faces, whole.labels, len(whole.points))
    by_face: dict[int, list[Ints]] = {}
    for face, loop in loops:
        by_face.setdefault(face, []).append(loop)
    new_edges: list[tuple[int, int]] = []
    new_points: list[Floats] = []
    for face in np.flatnonzero(feature >= 0).tolist():
        found = _opened(whole, made, face, by_face.get(face, []), float(outward[face]))
        if isinstance(found, str):
            failures.append(Failure(int(feature[face]), region == face, found))
            continue
        chart, places = found
        charts[face] = chart
        if places:
            ids = []
            for edge, point in places:
                ids.append(len(whole.points) + len(new_edges))
                new_edges.append(edge)
                new_points.append(point)
            cuts[face] = (ids[0], ids[1])
    if new_edges:
        whole, cuts = _with_cuts(whole, np.array(new_edges, np.int32), np.array(new_points), cuts)
    return Faces(whole, made, feature.astype(np.int32), outward, charts, cuts, region.astype(np.int32)), failures


def _pieces(mesh: Bound, shape: Shape, facets: NDArray[np.bool_]) -> NDArray[np.int64] | None:
    """(m,) of a face's facets the piece that each falls to, from 0, cut along edges of the mesh into sectors; the
    sectors begin where fewest pieces come of it and none touches itself. None where there is no second piece."""
    mine = np.flatnonzero(facets)
    corners = mesh.faces[mine]
    chart = chart_on(shape, mesh.points[corners].reshape(-1, 3))
    middles = chart.parameters(mesh.points[corners].mean(axis=1))
    neighbours = facet_neighbours(corners, len(mesh.points))
    i, k = np.nonzero(neighbours >= 0)
    j = neighbours[i, k]
    best: tuple[int, int, int] | None = None
    chosen = None
    for begin in np.arange(_BEGINNINGS) * FULL_TURN / (_SECTORS * _BEGINNINGS):
        sector = np.zeros(len(mine), np.int64)
        for axis in (0, 1):
            if chart.turns[axis]:
                at = np.floor(np.mod(middles[:, axis] - begin, FULL_TURN) * _SECTORS / FULL_TURN).astype(np.int64)
                sector = _SECTORS * sector + at.clip(max=_SECTORS - 1)
        joined = sector[i] == sector[j]
        links = coo_matrix((np.ones(joined.sum()), (i[joined], j[joined])), shape=(len(mine), len(mine)))
        count, piece = connected_components(links, directed=False)
        border = (neighbours < 0) | (piece[neighbours] != piece[:, None])
        a, b = np.nonzero(border)
        passes = np.unique(np.stack([corners[a, b], piece[a]], axis=1), axis=0, return_counts=True)[1]
        found = (int((passes > 1).sum()), count, int((~joined).sum()))
        if count > 1 and (best is None or found < best):
            best, chosen = found, piece
    if chosen is None:
        return None
    out = np.zeros(len(mesh.faces), np.int64)
    out[mine] = chosen
    return out


def _with_cuts(
    mesh: Bound, edges: Ints, points: Floats, cuts: dict[int, tuple[int, int]]
) -> tuple[Bound, dict[int, tuple[int, int]]]:
    """Split edges at the seams, one after another where two seams cut the same edge."""
    n = len(mesh.points)
    number = np.full(len(edges), -1, np.int64)
    todo = list(range(len(edges)))
    while todo:
        seen: set[tuple[int, int]] = set()
        now = []
        for t in todo:
            key = (int(edges[t].min()), int(edges[t].max()))
            if key not in seen:
                seen.add(key)
                now.append(t)
        start = len(mesh.points)
        mesh = split(mesh, edges[now], points[now], np.full((len(now), 3), -1, np.int16))
        for s, t in enumerate(now):
            number[t] = start + s
        todo = [t for t in todo if t not in now]
        for t in todo:
            # The edge is in two pieces now: which of them holds the point.
            for s in now:
                if {*edges[s].tolist()} == {*edges[t].tolist()}:
                    a, b = edges[t]
                    nearer = np.linalg.norm(points[t] - mesh.points[a]) < np.linalg.norm(points[s] - mesh.points[a])
                    edges[t] = (a, number[s]) if nearer else (number[s], b)
                    break
    return mesh, {face: (int(number[i - n]), int(number[j - n])) for face, (i, j) in cuts.items()}


def _regions(mesh: Bound) -> tuple[NDArray[np.int64], int]:
    """Connected facets of one feature, and connected skin facets of one kind that lie in one plane."""
    neighbours = facet_neighbours(mesh.faces, len(mesh.points))
    i, k = np.nonzero(neighbours >= 0)
    j = neighbours[i, k]
    i, j, k = i[i < j], j[i < j], k[i < j]
    same = (mesh.labels[i] == mesh.labels[j]) & (mesh.labels[i] >= 0)
    normals = facet_normals(mesh.points, mesh.faces)
    far = mesh.faces[j].sum(axis=1) - mesh.faces[i, k] - mesh.faces[i, (k + 1) % 3]
    back = mesh.faces[i, (k + 2) % 3]
    on = mesh.points[mesh.faces[i, k]]
    off = np.abs(np.einsum("ij,ij->i", mesh.points[far] - on, normals[i]))
    off = np.maximum(off, np.abs(np.einsum("ij,ij->i", mesh.points[back] - on, normals[j])))
    flat = (mesh.labels[i] == -1) & (mesh.labels[j] == -1) & (mesh.origin[i] == mesh.origin[j]) & (off < _FLAT)
    flat &= np.einsum("ij,ij->i", normals[i], normals[j]) > 0
    joined = same | flat
    links = coo_matrix((np.ones(joined.sum()), (i[joined], j[joined])), shape=(len(mesh.faces), len(mesh.faces)))
    count, region = connected_components(links, directed=False)
    return _unfolded(mesh, np.asarray(region, np.int64), count, normals)


def _unfolded(
    mesh: Bound, region: NDArray[np.int64], count: int, normals: Floats
) -> tuple[NDArray[np.int64], int]:  # fmt: skip
    """The regions, those of skin whose border meets itself divided into their facets: where they lie folded in their
    plane, they are no face together."""
    size = np.bincount(region, minlength=count)
    several = np.flatnonzero((mesh.labels < 0) & (size[region] > 1))
    order = several[np.argsort(region[several], kind="stable")]
    for mine in np.split(order, np.flatnonzero(np.diff(region[order])) + 1):
        if not len(mine):
            continue
        i, k = np.nonzero(facet_neighbours(mesh.faces[mine], len(mesh.points)) < 0)
        ends = np.stack([mesh.faces[mine[i], k], mesh.faces[mine[i], (k + 1) % 3]], axis=1)
        if crossing_edges(mesh.points[ends] @ basis_of(normals[mine[0]]).T, (0.0, 0.0)).any():
            region[mine[1:]] = count + np.arange(len(mine) - 1)
            count += len(mine) - 1
    return region, count


def loops_of(faces: Ints, region: Ints, n: int) -> list[tuple[int, Ints]]:
    """(face, vertices) of every closed loop round a face, its facets on the left; in the order of the facets.

    A loop that comes through a vertex twice is cut there into loops that don't.
    """
    neighbours = facet_neighbours(faces, n)
    border = region[neighbours] != region[:, None]
    border |= neighbours < 0
    following = _following(faces, neighbours, border)
    loops: list[tuple[int, Ints]] = []
    seen = np.zeros(faces.size, np.bool_)
    ends = np.flatnonzero(border.ravel())
    start_of = faces.ravel()
    for h in ends.tolist():
        if seen[h]:
            continue
        walk = []
        at = h
        while not seen[at]:
            seen[at] = True
            walk.append(int(start_of[at]))
            at = int(following[at])
        for part in cut_at_pinches(walk):
            if len(part) > 1:
                loops.append((int(region[h // 3]), np.array(part, np.int32)))
    return loops


def _following(faces: Ints, neighbours: Ints, border: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(3m,) the next border half-edge round the same face, for each half-edge on a border."""
    m = len(faces)
    half = np.arange(3 * m).reshape(m, 3)
    # Across each half-edge that is no border: the same edge as the neighbour has it.
    twin = np.full((m, 3), -1, np.int64)
    for k in range(3):
        other = neighbours[:, k]
        inner = np.flatnonzero(~border[:, k])
        for s in range(3):
            hit = faces[other[inner], (s + 1) % 3] == faces[inner, k]
            hit &= faces[other[inner], s] == faces[inner, (k + 1) % 3]
            twin[inner[hit], k] = half[other[inner[hit]], s]
    flat_border, flat_twin = border.ravel(), twin.ravel()
    at = (np.arange(3 * m) // 3) * 3 + (np.arange(3 * m) + 1) % 3
    open_ = ~flat_border[at]
    while open_.any():
        across = flat_twin[at[open_]]
        at[open_] = (across // 3) * 3 + (across + 1) % 3
        open_ = ~flat_border[at] & flat_border
    return at


def _opened(
    mesh: Bound, shapes: tuple[Shape, ...], face: int, loops: list[Ints], outward: float
) -> tuple[Chart, list[tuple[tuple[int, int], Floats]]] | str:
    """The chart of a face, its turn counted from where it is cut open, and the cut's places on two loops, if any.

    A sentence where no straight cut keeps clear of the borders.
    """
    shape = shapes[face]
    if not loops:
        return "it closes on itself without any border"
    points = np.concatenate([mesh.points[loop] for loop in loops])
    if kind_of(shape).flat:
        return chart_on(shape, points), []
    why = "no straight line along it keeps clear of its borders"
    for frame in _frames(mesh, shape, face):
        chart = chart_on(shape, points, frame)
        found = _cut(mesh, chart, loops, outward)
        if found is None:
            continue
        at, edges = found
        turned = frame_about(frame[2], np.cos(at) * frame[0] + np.sin(at) * frame[1])
        chart = chart_on(shape, points, turned)
        if not edges:
            return chart, []
        places = _on_cut(mesh, shapes, face, chart, edges)
        if places is not None:
            return chart, places
    return why


def _frames(mesh: Bound, shape: Shape, face: int) -> list[Floats]:
    """Frames to try: only a sphere leaves a choice, and its poles must not lie on the face."""
    if not kind_of(shape).spherical:
        assert shape.direction is not None
        return [chart_on(shape, shape.point[None]).frame]
    corners = mesh.points[mesh.faces[mesh.labels == face]] - shape.point
    middle = corners.mean(axis=(0, 1))
    middle = middle / np.linalg.norm(middle) if np.linalg.norm(middle) > 1e-9 else np.array([0.0, 0.0, 1.0])
    u, v = basis_of(middle)
    axes = [np.cos(t) * u + np.sin(t) * v for t in np.linspace(0, np.pi, 6, endpoint=False)] + [middle]
    frames = []
    for axis in axes:
        if not any(_hit(corners, sign * axis) for sign in (1.0, -1.0)):
            frames.append(frame_about(axis, basis_of(axis)[0]))
    return frames


def _hit(corners: Floats, ray: Floats) -> bool:
    """Whether a ray from the origin goes through a triangle (m, 3, 3), or very near one."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    sides = [np.cross(p, q) @ ray for p, q in ((a, b), (b, c), (c, a))]
    scale = np.linalg.norm(a, axis=1) ** 2 * 1e-3
    inside = np.all([s > -scale for s in sides], axis=0) | np.all([s < scale for s in sides], axis=0)
    return bool((inside & (corners.mean(axis=1) @ ray > 0)).any())


def _unrolled(turns: Floats) -> Floats:
    """Turns round a closed loop without jumps, the first again at the end."""
    ring = np.concatenate([turns, turns[:1]])
    steps = np.diff(ring)
    return np.concatenate([ring[:1], ring[0] + np.cumsum(steps - FULL_TURN * np.round(steps / FULL_TURN))])


def _cut(mesh: Bound, chart: Chart, loops: list[Ints], outward: float) -> tuple[float, list[tuple[int, int]]] | None:
    """The angle at which to cut, and the edges that the cut goes through: none, or one of either loop that winds."""
    count = np.zeros(_ANGLES, np.int64)
    near = np.zeros(_ANGLES, np.bool_)
    angles = (np.arange(_ANGLES) + 0.5) * FULL_TURN / _ANGLES
    winding: list[tuple[float, Ints, Floats]] = []
    for loop in loops:
        turn = _unrolled(chart.parameters(mesh.points[loop])[:, 0])
        wound = round((turn[-1] - turn[0]) / FULL_TURN)
        if abs(wound) > 1:
            return None
        if wound:
            winding.append((wound * outward, loop, turn))
        hit = _spans(turn, angles)
        count += np.abs(hit)
        near |= _near(turn, angles)
    if len(winding) not in (0, 2):
        return None
    good = (count == len(winding)) & ~near
    if not good.any():
        return None
    best = _widest(good)
    at = float(angles[best])
    edges = []
    for _, loop, turn in sorted(winding, key=lambda w: -w[0]):
        low, high = np.minimum(turn[:-1], turn[1:]), np.maximum(turn[:-1], turn[1:])
        shifted = at + FULL_TURN * np.ceil((low - at) / FULL_TURN)
        passed = int(np.flatnonzero(shifted <= high)[0])
        edges.append((int(loop[passed]), int(loop[(passed + 1) % len(loop)])))
    if winding and winding[0][0] + winding[1][0] != 0:
        return None
    return at, edges


def _spans(turn: Floats, angles: Floats) -> NDArray[np.int64]:
    """How many edges of a loop pass each angle."""
    low, high = np.minimum(turn[:-1], turn[1:]), np.maximum(turn[:-1], turn[1:])
    out = np.zeros(len(angles), np.int64)
    for a, b in zip(low, high, strict=True):
        first = np.mod(angles - a, FULL_TURN)
        out += first < b - a
    return out


def _near(turn: Floats, angles: Floats) -> NDArray[np.bool_]:
    """Which angles come too near to a vertex."""
    sorted_turns = np.sort(np.mod(turn, FULL_TURN))
    ring = np.concatenate([sorted_turns[-1:] - FULL_TURN, sorted_turns, sorted_turns[:1] + FULL_TURN])
    at = np.searchsorted(ring, angles)
    return np.minimum(angles - ring[at - 1], ring[at.clip(max=len(ring) - 1)] - angles) < _CLEAR


def _widest(good: NDArray[np.bool_]) -> int:
    """The middle of the longest run, round the circle."""
    if good.all():
        return 0
    begin = int(np.flatnonzero(~good)[0])
    turned = np.roll(good, -begin)
    edges = np.diff(np.concatenate([[0], turned.astype(int), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    k = int(np.argmax(ends - starts))
    return int((starts[k] + ends[k] - 1) // 2 + begin) % len(good)


def _on_cut(
    mesh: Bound, shapes: tuple[Shape, ...], face: int, chart: Chart, edges: list[tuple[int, int]]
) -> list[tuple[tuple[int, int], Floats]] | None:
    """The exact places where the half-plane at turn 0 meets the borders that these edges stand for."""
    half = plane_at(chart.shape.point, chart.frame[1])
    places = []
    for a, b in edges:
        both = (mesh.faces == a).any(axis=1) & (mesh.faces == b).any(axis=1)
        others = [int(r) for r in mesh.labels[both] if r != face]
        if len(others) != 1:
            return None
        p, q = mesh.points[a], mesh.points[b]
        off = (np.stack([p, q]) - chart.shape.point) @ chart.frame[1]
        start = p + (off[0] / (off[0] - off[1])) * (q - p) if off[0] != off[1] else 0.5 * (p + q)
        found, ok = onto([shapes[face], shapes[others[0]], half], start[None], 0.01)
        length = float(np.linalg.norm(q - p))
        if not ok[0] or np.linalg.norm(found[0] - start) > 0.6 * length or chart.parameters(found)[0, 0] ** 2 > 1e-6:
            return None
        places.append(((a, b), found[0]))
    return places
