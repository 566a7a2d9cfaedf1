"""What the holes in a scanned surface are: found, measured, and told apart.

A hole that a clamp or a shadow left lies in the surface: beyond its rim the surface would go on towards
the hole's middle. At the unseen end of a bore, at an open pipe or at the scan's outer border it would
not; there nothing is invented. That one figure, the rim's `facing`, decides most cases:
the mean over the rim of the cosine between the way the surface leaves the rim and the way across the hole.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Mask, algebraic_circle, basis_of, contains, rejection, side_lengths
from pipeline.jit import njit
from pipeline.mesh.topology import (
    boundary_loops,
    compact,
    facet_normals,
    vertex_facets,
    vertex_labels,
    vertex_normals,
    vertex_ring,
)
from pipeline.surfaces import Shape, kind_of, signed_distance, surface_normal
from pipeline.values import Surface

_LEAST_RINGS, _MOST_RINGS = 6, 24
_INTO_THE_GAP = 0.45
_AWAY_FROM_IT = -0.3
_WHOLE_PART = 0.1
# A dozen facets at most; a drilled hole of so few edges round would span twice the area.
_PEPPER_EDGES, _PEPPER_AREA = 16, 5.0
# Of the 18 vertices by which the third ring round a hole in a surface is longer than its rim; round a tube's end it is
# as long, within a piece of surface shorter.
_SPREADS = 9


@dataclass(frozen=True)
class Rim:
    """One closed boundary line.

    corners  (k,) int32 vertices, as the facets outside run them: facets on the left, seen from outside
    facets   (k,) int32 facet at the edge corners[i] -> corners[i + 1]
    centre   (3,) mm, mean along the line; `normal` (3,) unit, outward normal of a flat patch on it
    length   mm; `area` mm2 of the flat patch
    facing   -1..1: 1 where the surface goes on straight across, 0 at a pipe's end, -1 at a sheet's border
    hollow   True where the facets at the rim look towards the line's middle, as in a bore
    """

    corners: Ints
    facets: Ints
    centre: Floats
    normal: Floats
    length: float
    area: float
    facing: float
    hollow: bool


@dataclass(frozen=True)
class Band:
    """The facets round all rims, as far as `rings_of` says, with numbers of their own.

    vertices  (n,) int32 index in the surface; `facets` (m,) index in the surface; `faces` (m, 3) in the band
    points    (n, 3) mm; `normals` (n, 3) unit
    labels    (n,) int32 feature of the facets round a vertex, -1 none or not all the same
    starts    (n + 1,) int32; ring[starts[i]:starts[i + 1]] are the neighbours of vertex i in `ring`
    place     (all,) int32 index in the band of a vertex of the surface, -1 outside

    >>> from pipeline.mesh.topology import facet_neighbours
    >>> strip = Surface.measured([*np.ndindex(3, 2, 1)], [[0, 2, 3], [0, 3, 1], [2, 4, 5], [2, 5, 3]])
    >>> rims, _ = find_rims(strip, facet_neighbours(strip.faces, 6))
    >>> band = band_of(strip, rims, np.zeros(4, np.int32))
    >>> vertices, ring = band.around(np.array([0], np.int32), 1)
    >>> vertices.tolist(), ring.tolist()
    ([0, 1, 2, 3], [0, 1, 1, 1])
    """

    vertices: Ints
    facets: Ints
    faces: Ints
    points: Floats
    normals: Floats
    labels: Ints
    starts: Ints
    ring: Ints
    place: Ints

    def around(self, corners: Ints, rings: int) -> tuple[Ints, Ints]:
        """Vertices (k,) of the band within some rings of the corners (vertices of the surface), and their ring (k,)."""
        return _rings(self.starts, self.ring, self.place[corners], rings)


@dataclass(frozen=True)
class Opening:
    """A gap as it was found: its outer rim, islands of measured surface in it, and what it was taken for.

    id        the gap's own, made from its place; `kind` as in `values.Gap`
    outer     its rim, and `islands` those of measured surface in it
    features  indices of the features that the rim lies on, the longest share first
    sides     (k,) int32 per corner of the outer rim: the feature it lies on, -1 none
    shares    share, 0..1, of the rim on each of `features`
    note      why it is taken for that, in words; `safe` True where it may be closed unasked
    edge      mm, median edge of the rim
    near      (j,) int32 vertices of the band round it, and `ring` (j,) the ring of each, 0 at the rim
    deeper    True where an island is no piece of surface but the beginning of a hole that goes on
    """

    id: str
    kind: str
    outer: Rim
    islands: tuple[Rim, ...]
    features: tuple[int, ...]
    sides: Ints
    shares: tuple[float, ...]
    note: str
    safe: bool
    edge: float
    near: Ints = field(repr=False)
    ring: Ints = field(repr=False)
    deeper: bool = False


def is_pepper(opening: Opening) -> bool:
    """Whether a gap in face, skin or edge is so small, a few facets, that no opening could be told from it.

    The unseen end of a small hole, whose rim stands across the surface, is none.

    >>> from pipeline.mesh.topology import facet_neighbours
    >>> a = np.delete(np.array([*np.ndindex(5, 5)]) @ [[6], [1]], 12, axis=0)
    >>> surface = Surface.measured([*np.ndindex(6, 6, 1)], np.vstack([a + [0, 6, 7], a + [0, 7, 1]]))
    >>> rims, _ = find_rims(surface, facet_neighbours(surface.faces, 36))
    >>> band = band_of(surface, rims, np.full(48, -1, np.int32))
    >>> [is_pepper(gap) for gap in name_gaps(surface, rims, band, (), 0.01)]
    [False, True]
    """
    return opening.safe and not opening.islands and _is_tiny(opening.outer, opening.edge)


def _is_tiny(rim: Rim, edge: float) -> bool:
    return len(rim.corners) <= _PEPPER_EDGES and rim.area <= _PEPPER_AREA * edge**2


def find_rims(surface: Surface, neighbours: Ints) -> tuple[tuple[Rim, ...], Ints]:
    """Every simple boundary line, and (n,) the vertex that stands for each one.

    neighbours  (m, 3) facet across each edge of the surface

    Where a line touches itself it is taken apart, so that each hole has a line of its own; vertices at
    exactly the same place on the border count as one.

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> (rim,), stands_for = find_rims(square, np.array([[-1, -1, 1], [0, -1, -1]], np.int32))
    >>> rim.corners.tolist(), rim.length, rim.area, rim.facing
    ([0, 1, 2, 3], 4.0, 1.0, -1.0)
    """
    vertices, faces = surface.vertices, surface.faces
    stands_for = np.arange(len(vertices), dtype=np.int32)
    edges = _border(faces, neighbours)
    if len(edges) == 0:
        return (), stands_for
    ends = np.unique(edges[:, 0])
    _, first, which = np.unique(vertices[ends], axis=0, return_index=True, return_inverse=True)
    stands_for[ends] = ends[first][which]
    base = np.int64(len(vertices))
    key = edges[:, 0].astype(np.int64) * base + edges[:, 1]
    order = np.argsort(key)
    parts = []
    for loop in boundary_loops(faces, len(vertices), neighbours):
        wanted = loop.astype(np.int64) * base + np.roll(loop, -1)
        at = np.minimum(np.searchsorted(key[order], wanted), len(key) - 1)
        if np.any(key[order[at]] != wanted):
            continue
        facets = edges[order[at], 2]
        for corners, beside in _taken_apart(stands_for[loop], facets):
            if len(corners) >= 3:
                parts.append((corners, beside))
    if not parts:
        return (), stands_for
    normals = facet_normals(vertices, faces[np.concatenate([facets for _, facets in parts])])
    outside = np.split(normals, np.cumsum([len(facets) for _, facets in parts])[:-1])
    rims = [_measure(vertices, *part, away) for part, away in zip(parts, outside, strict=True)]
    return tuple(rims), stands_for


def rings_of(rim: Rim) -> int:
    """How many rings of the surroundings tell what was in the gap: half its radius where it can be closed."""
    if rim.facing < _INTO_THE_GAP:
        return _LEAST_RINGS
    wanted = 0.5 * len(rim.corners) / (2.0 * np.pi)
    return int(np.clip(np.ceil(wanted), _LEAST_RINGS, _MOST_RINGS))


def band_of(surface: Surface, rims: tuple[Rim, ...], labels: Ints) -> Band:
    """The surroundings of all rims; labels (m,) int32 feature of each facet of the surface, -1 none.

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> rims, _ = find_rims(square, np.array([[-1, -1, 1], [0, -1, -1]], np.int32))
    >>> band = band_of(square, rims, np.array([0, -1], np.int32))
    >>> band.facets.tolist(), band.place.tolist(), band.labels.tolist()
    ([0, 1], [0, 1, 2, 3], [-1, 0, -1, -1])
    """
    near = np.zeros(len(surface.vertices), np.uint8)
    for rim in rims:
        # A rim that needs few rings joins the spreading late.
        start = 1 + _MOST_RINGS - rings_of(rim)
        for corners in (surface.faces[rim.facets].ravel(), rim.corners):
            near[corners] = np.where(near[corners] > 0, np.minimum(near[corners], start), start)
    indptr, round_vertex = vertex_facets(surface.faces, len(near))
    facets = np.flatnonzero(_spread(surface.faces, near, _MOST_RINGS, indptr, round_vertex)).astype(np.int32)
    points, faces, vertices = compact(surface.vertices, surface.faces[facets])
    starts, ring = vertex_ring(faces, len(points))
    place = np.full(len(surface.vertices), -1, np.int32)
    place[vertices] = np.arange(len(vertices), dtype=np.int32)
    return Band(
        vertices,
        facets,
        faces,
        points,
        vertex_normals(points, faces),
        vertex_labels(faces, labels[facets], len(points)),
        starts,
        ring,
        place,
    )


def name_gaps(
    surface: Surface, rims: tuple[Rim, ...], band: Band, shapes: tuple[Shape, ...], sigma: float
) -> tuple[Opening, ...]:
    """Tell the gaps apart; largest first, then by place.

    rims    as `find_rims` gives them; `band` their surroundings
    shapes  of the features that the band's labels name
    sigma   mm, white noise of the scan

    What counts is where the surface would go beyond the rim (`Rim.facing`), and what it is too large to be.
    Below, the middle one of 25 squares is missing.

    >>> from pipeline.mesh.topology import facet_neighbours
    >>> a = np.delete(np.array([*np.ndindex(5, 5)]) @ [[6], [1]], 12, axis=0)
    >>> surface = Surface.measured([*np.ndindex(6, 6, 1)], np.vstack([a + [0, 6, 7], a + [0, 7, 1]]))
    >>> rims, _ = find_rims(surface, facet_neighbours(surface.faces, 36))
    >>> found = name_gaps(surface, rims, band_of(surface, rims, np.full(48, -1, np.int32)), (), 0.01)
    >>> [(gap.kind, gap.safe, gap.outer.length) for gap in found]
    [('border', False, 20.0), ('face', True, 4.0)]
    """
    if not rims:
        return ()
    whole = _area(surface)
    sample = surface.vertices[:: max(len(surface.vertices) // 20_000, 1)]
    islands = _islands(surface, rims)
    inside = {i for members in islands.values() for i in members}
    found = []
    taken: set[str] = set()
    order = sorted(range(len(rims)), key=lambda i: (-rims[i].length, *np.round(rims[i].centre, 3)))
    for index in order:
        if index in inside:
            continue
        rim = rims[index]
        near, ring = band.around(rim.corners, rings_of(rim))
        edge = float(np.median(_edges(surface, rim)))
        features, sides, shares = _sides(surface, rim, band, near, ring, shapes, sigma, edge)
        kind, safe, note = _kind(surface, rim, features, sides, shares, shapes, edge, whole, sample)
        if not safe and _is_tiny(rim, edge) and np.sum(ring == 3) >= len(rim.corners) + _SPREADS:
            # No direction of a rim this short, across a sharp edge, tells anything; the surface going on round it does.
            kind, safe, note = ("edge" if len(features) != 1 else "face"), True, ""
        found.append(
            Opening(
                _code(rim, taken),
                kind,
                rim,
                tuple(rims[i] for i in islands.get(index, ())),
                features,
                sides,
                shares,
                note,
                safe,
                edge,
                near,
                ring,
                any(_is_tube(band, rims[i]) for i in islands.get(index, ())),
            )
        )
    return tuple(found)


def _is_tube(band: Band, rim: Rim) -> bool:
    """Rings of vertices from a rim on don't grow shorter, as they do within a piece of surface."""
    _, ring = band.around(rim.corners, _LEAST_RINGS - 1)
    return bool(np.sum(ring == _LEAST_RINGS - 1) > np.sum(ring == 2) - _SPREADS)


def _kind(
    surface: Surface,
    rim: Rim,
    features: tuple[int, ...],
    sides: Ints,
    shares: tuple[float, ...],
    shapes: tuple[Shape, ...],
    edge: float,
    whole: float,
    sample: Floats,
) -> tuple[str, bool, str]:
    points = surface.vertices[rim.corners]
    if rim.facing < _AWAY_FROM_IT:
        return "border", False, "the border of an open sheet of the scan"
    turns = _turns(points, shapes[features[0]]) if features and shares[0] > 0.6 else 0
    if rim.facing < _INTO_THE_GAP or turns:
        if not rim.hollow:
            return "border", False, "the scan ends here"
        deeper = float(np.max((sample - rim.centre) @ -rim.normal))
        if deeper > max(2.0 * edge, 0.02 * float(np.ptp(sample, axis=0).max())):
            return "blind", False, "the end of a hole that was not seen; its depth is unknown"
        return "opening", False, "a hole that the scan shows open"
    if rim.area > _WHOLE_PART * whole:
        return "opening", False, f"too large to invent: {100.0 * rim.area / whole:.0f} % of the measured area"
    if len(rim.corners) >= 12 and len(features) == 1 and _is_drawn(points, shapes[features[0]], edge):
        return "opening", False, "an exact circle in a face: more likely a drilled hole than a gap of the scan"
    covered = sum(shares)
    if len(features) >= 2 or (features and 0.12 < covered < 0.88):
        return "edge", True, ""
    return "face", True, ""


def _is_drawn(points: Floats, shape: Shape, edge: float) -> bool:
    """The rim is a circle to a small part of a facet: scans end raggedly, drawn holes don't."""
    if not kind_of(shape).flat:
        return False
    x = points - points.mean(axis=0)
    _, _, axes = np.linalg.svd(x, full_matrices=False)
    flat = x @ axes[:2].T
    a, b, radius = algebraic_circle(flat[:, 0].copy(), flat[:, 1].copy())
    off = np.linalg.norm(flat - [a, b], axis=1) - radius
    return bool(np.sqrt(np.mean(off * off)) < 0.06 * edge)


def _turns(points: Floats, shape: Shape) -> int:
    """How often a line on an axial surface runs round its axis."""
    kind, axis = kind_of(shape), shape.direction
    if axis is None or not (kind.axial and kind.ruled):
        return 0
    arm = points - shape.point
    arm = rejection(arm, axis)
    after = np.roll(arm, -1, axis=0)
    step = np.arctan2(np.cross(arm, after) @ axis, np.einsum("ij,ij->i", arm, after))
    return round(float(np.sum(step)) / (2.0 * np.pi))


def _sides(
    surface: Surface,
    rim: Rim,
    band: Band,
    near: Ints,
    ring: Ints,
    shapes: tuple[Shape, ...],
    sigma: float,
    edge: float,
) -> tuple[tuple[int, ...], Ints, tuple[float, ...]]:
    """Which feature each corner of the rim lies on: the nearest of those that the surroundings carry."""
    count = len(rim.corners)
    sides = np.full(count, -1, np.int32)
    labels = band.labels[near]
    seen = np.bincount(labels[labels >= 0], minlength=0)
    known = np.flatnonzero(seen >= max(4, 0.01 * len(near)))
    if len(known) == 0:
        return (), sides, ()
    here = band.place[rim.corners]
    points, normals = band.points[here], band.normals[here]
    best = np.full(count, max(6.0 * sigma, 0.06 * edge))
    for number in known:
        away = np.abs(signed_distance(shapes[number], points))
        along = np.einsum("ij,ij->i", surface_normal(shapes[number], points), normals)
        fits = (away < best) & (np.abs(along) > 0.85)
        sides[fits] = number
        best[fits] = away[fits]
    steps = _edges(surface, rim)
    weight = 0.5 * (steps + np.roll(steps, 1))
    shares = {int(k): float(weight[sides == k].sum() / weight.sum()) for k in known}
    kept = sorted((k for k in shares if shares[k] > 0.03), key=lambda k: -shares[k])
    sides[~np.isin(sides, kept)] = -1
    return tuple(kept), sides, tuple(shares[k] for k in kept)


def _islands(surface: Surface, rims: tuple[Rim, ...]) -> dict[int, tuple[int, ...]]:
    """Rims of sheets that lie within a gap: index of the gap's rim -> indices of the islands' rims."""
    sheets = [i for i, rim in enumerate(rims) if rim.facing < _AWAY_FROM_IT]
    holes = [i for i, rim in enumerate(rims) if rim.facing >= _INTO_THE_GAP]
    found: dict[int, list[int]] = {}
    for i in sheets:
        best = None
        for j in holes:
            rim = rims[j]
            reach = rim.length / 6.0
            if rims[i].length >= rim.length or np.linalg.norm(rims[i].centre - rim.centre) > rim.length / 2.0:
                continue
            if np.dot(rims[i].normal, rim.normal) > -0.7:
                continue
            if abs(np.dot(rims[i].centre - rim.centre, rim.normal)) > 0.5 * reach:
                continue
            own = rims[i].corners[~np.isin(rims[i].corners, rim.corners)]
            if not _within(surface.vertices[own], surface.vertices[rim.corners], rim):
                continue
            if best is None or rim.length < rims[best].length:
                best = j
        if best is not None:
            found.setdefault(best, []).append(i)
    return {j: tuple(members) for j, members in found.items()}


def _within(points: Floats, line: Floats, rim: Rim) -> bool:
    """All points inside the line, looked at along the rim's normal."""
    plane = basis_of(rim.normal).T
    return bool(contains([(line - rim.centre) @ plane], (points - rim.centre) @ plane).all())


def _measure(vertices: Floats, corners: Ints, facets: Ints, outside: Floats) -> Rim:
    points = vertices[corners]
    step = np.roll(points, -1, axis=0) - points
    size = np.linalg.norm(step, axis=1)
    length = float(size.sum())
    middle = points + 0.5 * step
    centre = (size[:, None] * middle).sum(axis=0) / length if length > 0.0 else points.mean(axis=0)
    turned = -0.5 * np.cross(points - centre, step).sum(axis=0)
    area = float(np.linalg.norm(turned))
    leaving = np.cross(step, outside)
    # A line without area (a slit, a pinch) has no plane of its own; it lies in the facets round it.
    slit = area < 0.02 * length * length / (4.0 * np.pi)
    normal = outside.sum(axis=0) if slit else turned
    normal = normal / (np.linalg.norm(normal) or 1.0)
    across = np.cross(step, normal)
    both = np.linalg.norm(leaving, axis=1) * np.linalg.norm(across, axis=1)
    cosine = np.einsum("ij,ij->i", leaving, across) / np.maximum(both, 1e-30)
    facing = 1.0 if slit else float((size * cosine).sum() / max(length, 1e-30))
    hollow = float((size * np.einsum("ij,ij->i", outside, centre - middle)).sum()) > 0.0
    return Rim(corners, facets, centre, normal, length, area, facing, hollow)


def _taken_apart(loop: Ints, facets: Ints) -> list[tuple[Ints, Ints]]:
    """Parts of a closed line between two visits to one corner are closed lines themselves."""
    if len(np.unique(loop)) == len(loop):
        return [(loop, facets)]
    parts: list[tuple[Ints, Ints]] = []
    open_corners: list[int] = []
    open_facets: list[int] = []
    at: dict[int, int] = {}
    for corner, facet in zip(loop.tolist(), facets.tolist(), strict=True):
        if corner in at:
            first = at[corner]
            parts.append((np.array(open_corners[first:], np.int32), np.array(open_facets[first:], np.int32)))
            for gone in open_corners[first:]:
                del at[gone]
            del open_corners[first:], open_facets[first:]
        at[corner] = len(open_corners)
        open_corners.append(corner)
        open_facets.append(facet)
    parts.append((np.array(open_corners, np.int32), np.array(open_facets, np.int32)))
    return parts


def _code(rim: Rim, taken: set[str]) -> str:
    """An id that depends on this gap alone, so that it stays when others come or go."""
    letters = "bcdfghjkmnpqrstvwxz23456789"
    number = int.from_bytes(hashlib.sha256(np.round(rim.centre, 1).tobytes()).digest()[:8], "big")
    size = 3
    while True:
        rest, code = number, ""
        for _ in range(size):
            rest, digit = divmod(rest, len(letters))
            code += letters[digit]
        if f"gap-{code}" not in taken:
            taken.add(f"gap-{code}")
            return f"gap-{code}"
        size += 1
        number = number * 31 + 7


def _edges(surface: Surface, rim: Rim) -> Floats:
    points = surface.vertices[rim.corners]
    return side_lengths(points)


def _area(surface: Surface) -> float:
    return float(_total_area(surface.vertices, surface.faces))


@njit(cache=True)
def _total_area(v: Floats, f: Ints) -> float:
    total = 0.0
    for t in range(len(f)):
        a, b, c = f[t, 0], f[t, 1], f[t, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        total += 0.5 * np.sqrt((uy * wz - uz * wy) ** 2 + (uz * wx - ux * wz) ** 2 + (ux * wy - uy * wx) ** 2)
    return total


@njit(cache=True)
def _border(f: Ints, neighbours: Ints) -> Ints:
    """(k, 3) start, end and facet of each edge that has no facet across, or more than one."""
    count = 0
    for t in range(len(f)):
        for k in range(3):
            count += neighbours[t, k] < 0
    out = np.empty((count, 3), np.int32)
    count = 0
    for t in range(len(f)):
        for k in range(3):
            if neighbours[t, k] < 0:
                out[count, 0], out[count, 1], out[count, 2] = f[t, k], f[t, (k + 1) % 3], t
                count += 1
    return out


@njit(cache=True)
def _spread(f: Ints, near: Bytes, rings: int, indptr: Ints, facets: Ints) -> Mask:
    """(m,) facets reached from the marked vertices (n,); a mark says in which round a vertex hands on.

    indptr, facets  as `vertex_facets` gives them
    """
    asked = np.flatnonzero(near)
    reached = np.empty(near.size, np.int32)
    count = len(asked)
    reached[:count] = asked
    begin = count
    for ring in range(1, rings + 1):
        # It is handed on by the marked ones whose turn it is, and by those that the round before came to.
        end = count
        for first, last in ((0, len(asked)), (begin, end)):
            for p in reached[first:last]:
                if near[p] != ring:
                    continue
                for t in facets[indptr[p] : indptr[p + 1]]:
                    for k in range(3):
                        q = f[t, k]
                        if near[q] == 0:
                            reached[count] = q
                            count += 1
                        if near[q] == 0 or near[q] > ring + 1:
                            near[q] = ring + 1
        begin = end
    out = np.zeros(len(f), np.bool_)
    for p in reached[:count]:
        for t in facets[indptr[p] : indptr[p + 1]]:
            out[t] = near[f[t, 0]] > 0 and near[f[t, 1]] > 0 and near[f[t, 2]] > 0
    return out


@njit(cache=True)
def _rings(starts: Ints, ring: Ints, corners: Ints, rings: int) -> tuple[Ints, Ints]:
    """Vertices within some rings of the corners, and the ring of each.

    ring[starts[v] : starts[v + 1]] are the neighbours of v.
    """
    found = {corners[0]: 0}
    order = [corners[0]]
    for c in corners[1:]:
        if c not in found:
            found[c] = 0
            order.append(c)
    at = 0
    while at < len(order):
        v = order[at]
        at += 1
        r = found[v]
        if r < rings:
            for s in range(starts[v], starts[v + 1]):
                w = ring[s]
                if w not in found:
                    found[w] = r + 1
                    order.append(w)
    vertices = np.array(order, np.int32)
    level = np.empty(len(order), np.int32)
    for i in range(len(order)):
        level[i] = found[order[i]]
    return vertices, level
