"""The edges of a solid and how they run round its faces: one edge for each stretch that two faces share."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.features.solid.charts import Chart, plane_at
from pipeline.features.solid.curves import Curve, meeting_curve, straight
from pipeline.features.solid.regions import Faces, Failure, loops_of
from pipeline.features.solid.sharpening import Floats, Ints
from pipeline.geometry import FULL_TURN, cross
from pipeline.mesh.topology import facet_neighbours
from pipeline.surfaces import kind_of, surface_normal

# mm: corners of a border between two planes that lie on one line within this are no corners.
_COLLINEAR = 1e-7
_QUARTERS = 4

Ends = tuple[int, int]
Walk = list[tuple[int, bool]]  # edges in their order, and whether each is gone along forwards


@dataclass(frozen=True)
class Edge:
    """A stretch of border: its first and last vertex, the two faces, and its exact curve."""

    start: int
    end: int
    faces: tuple[int, int]
    curve: Curve


@dataclass(frozen=True)
class Outline:
    """Edges, and for each face the closed walks round it, material on the left of the shape's geometric normal.

    A whole turn has one walk that holds its seam twice, forwards and then backwards: seams[face] is that edge.
    """

    faces: Faces
    edges: list[Edge]
    walks: dict[int, list[Walk]]
    seams: dict[int, int]


def outline_of(faces: Faces) -> tuple[Outline, list[Failure]]:
    """All edges and walks; failures are borders that have no curve."""
    mesh = faces.mesh
    loops = loops_of(mesh.faces, mesh.labels, len(mesh.points))
    rings = _rings(loops)
    stops = _stops(faces, rings)
    opposite = _opposite(rings)
    is_stop = stops.tolist()
    numbers: dict[Ends, int] = {}
    edges: list[Edge] = []
    failures: list[Failure] = []
    walks: dict[int, list[Walk]] = {}
    for face, loop in loops:
        ring = loop.tolist()
        cuts = [at for at, vertex in enumerate(ring) if is_stop[vertex]] or [0]
        closed = [*ring[cuts[0] :], *ring[: cuts[0] + 1]]
        cuts = [*(at - cuts[0] for at in cuts), len(ring)]
        walk: Walk = []
        for low, high in pairwise(cuts):
            path = closed[low : high + 1]
            key = min((path[0], path[1]), (path[-1], path[-2]))
            forward = key == (path[0], path[1])
            if key not in numbers:
                numbers[key] = len(edges)
                here = path if forward else path[::-1]
                other = opposite.get((path[0], path[1]), face)
                edge, failure = _edge(faces, here, (face, other))
                edges.append(edge)
                failures += [failure] if failure else []
            walk.append((numbers[key], forward))
        if faces.outward[face] < 0:
            walk = [(edge, not forward) for edge, forward in reversed(walk)]
        walks.setdefault(face, []).append(walk)
    seams = {face: _with_seam(faces, face, ends, edges, walks) for face, ends in faces.seams.items()}
    return Outline(faces, edges, walks, seams), failures


class _Rings(NamedTuple):
    """All loops behind each other: the vertices at which their edges start, those before and after them on their loop,
    the face of each, and where each loop begins."""

    starts: Ints
    before: Ints
    ends: Ints
    face: Ints
    begins: NDArray[np.int64]


def _rings(loops: list[tuple[int, Ints]]) -> _Rings:
    length = np.array([len(loop) for _, loop in loops])
    begins = np.cumsum(length) - length
    starts = np.concatenate([loop for _, loop in loops])
    at = np.arange(len(starts))
    after, before = at + 1, at - 1
    after[begins + length - 1], before[begins] = begins, begins + length - 1
    face = np.repeat(np.array([face for face, _ in loops], np.int32), length)
    return _Rings(starts, starts[before], starts[after], face, begins)


def _stops(faces: Faces, rings: _Rings) -> NDArray[np.bool_]:
    """(n,) vertices at which edges end: where more than two faces meet, at seams, at corners between planes, and at the
    quarters of borders on spheres: a circle that does not run about the sphere's axis is no straight line in its
    parameters, and readers, which draw it there through two dozen points, are a tenth of a mm off with a whole one."""
    mesh = faces.mesh
    n = len(mesh.points)
    starts, before, ends, face, begins = rings
    degree = np.bincount(starts, minlength=n)  # each border edge is gone along once in either sense
    stops: NDArray[np.bool_] = degree > 2
    for pair in faces.seams.values():
        stops[list(pair)] = True
    flat = np.array([kind_of(s).flat for s in faces.shapes])
    curved = np.zeros(n, np.bool_)
    curved[starts[~flat[face]]] = True
    p, q, r = mesh.points[before], mesh.points[starts], mesh.points[ends]
    way = r - p
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-300)
    off = np.linalg.norm(np.cross(q - p, way), axis=1) / length
    bent = (off > _COLLINEAR) | (np.einsum("ij,ij->i", q - p, r - q) <= 0)
    stops[starts[bent & ~curved[starts]]] = True
    neighbours = facet_neighbours(mesh.faces, n)
    feature = np.where(mesh.labels >= 0, faces.feature[mesh.labels], -1)
    within = (feature[neighbours] == feature[:, None]) & (mesh.labels[neighbours] != mesh.labels[:, None])
    i, k = np.nonzero((neighbours < 0) | (within & (feature >= 0)[:, None]))
    stops[mesh.faces[i, k]] = stops[mesh.faces[i, (k + 1) % 3]] = True
    # Every loop needs a vertex; between planes at least two, or its edge would have no length.
    for loop in np.flatnonzero(~np.logical_or.reduceat(stops[starts], begins)):
        mine = starts[begins[loop] :][: np.diff(begins, append=len(starts))[loop]]
        if not stops[mine].any():
            stops[mine.min()] = True
    round_ones = np.array([kind_of(s).spherical for s in faces.shapes])
    for loop in np.flatnonzero(round_ones[face[begins]]):
        mine = starts[begins[loop] :][: np.diff(begins, append=len(starts))[loop]]
        stops[_quarters(mesh.points, mine)] = True
    return stops


def _quarters(points: Floats, loop: Ints) -> Ints:
    """The vertices nearest to the quarters of a closed loop, the first one of them."""
    ring = points[loop]
    ends = np.cumsum(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1))
    along = np.concatenate([[0.0], ends[:-1]])
    quarters = np.arange(_QUARTERS) * ends[-1] / _QUARTERS
    return np.asarray(loop[np.abs(along[:, None] - quarters).argmin(axis=0)])


def _opposite(rings: _Rings) -> dict[Ends, int]:
    """The face across each directed border edge."""
    there = zip(rings.ends.tolist(), rings.starts.tolist(), strict=True)
    return dict(zip(there, rings.face.tolist(), strict=True))


def _edge(faces: Faces, path: list[int], between: tuple[int, int]) -> tuple[Edge, Failure | None]:
    points = faces.mesh.points[path]
    one, other = (faces.shapes[f] for f in between)
    if one is other:
        # The rim of an open mesh, or an edge between pieces of one face: the section of the surface by the plane that
        # holds the edge and stands on the surface.
        upright = cross(points[-1] - points[0], surface_normal(one, points.mean(axis=0)[None])[0])
        other = plane_at(points[0], upright / max(float(np.linalg.norm(upright)), 1e-300))
    curve: Curve | None
    if kind_of(one).flat and kind_of(other).flat:
        curve = straight(points[0], points[-1])
    else:
        curve = meeting_curve(one, other, points, path[0] == path[-1])
    failure = None
    if curve is None:
        curve = straight(points[0], points[-1])
        # The feature of the two that is no plane can't be drawn there.
        bad = next(f for f in between if not kind_of(faces.shapes[f]).flat)
        failure = Failure(
            int(faces.feature[bad]), faces.facets_of(bad), "a border of it has no exact curve", (path[0], path[-1])
        )
    return Edge(path[0], path[-1], between, curve), failure


def _with_seam(faces: Faces, face: int, ends: Ends, edges: list[Edge], walks: dict[int, list[Walk]]) -> int:
    """Join the two walks that go round the turn by a seam; its number."""
    low, high = ends
    chart = faces.charts[face]
    number = len(edges)
    edges.append(Edge(low, high, (face, face), seam_curve(chart, faces.mesh.points[low], faces.mesh.points[high])))
    rest, turned = [], {}
    for walk in walks[face]:
        firsts = [edges[e].start if forward else edges[e].end for e, forward in walk]
        mine = low if low in firsts else high if high in firsts else None
        if mine is None:
            rest.append(walk)
        else:
            at = firsts.index(mine)
            turned[mine] = walk[at:] + walk[:at]
    walks[face] = [[*turned[low], (number, True), *turned[high], (number, False)], *rest]
    return number


def seam_curve(chart: Chart, start: Floats, end: Floats) -> Curve:
    """The line or arc of a chart at turn 0 from one point to another, the second parameter growing."""
    if kind_of(chart.shape).ruled:
        return straight(start, end)
    x, _, z = chart.frame
    # A sphere's arcs are about its centre, a torus' about that of the tube.
    radius = chart.step.sizes[-1]
    centre = chart.step.location + (chart.step.sizes[0] if len(chart.step.sizes) > 1 else 0.0) * x
    low, high = chart.parameters(np.stack([start, end]))[:, 1]
    if high <= low:
        high += FULL_TURN
    turns = FULL_TURN * np.floor(low / FULL_TURN)
    t = np.linspace(low - turns, high - turns, 33)
    points = centre + radius * (np.cos(t)[:, None] * x + np.sin(t)[:, None] * z)
    return Curve("circle", t, points, centre, np.stack([x, z, np.cross(x, z)]), (radius, radius))
