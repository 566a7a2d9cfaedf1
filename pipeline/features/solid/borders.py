"""Borders between a feature and skin made fit for exact curves.

The border of a skin facet on a feature is the section of the feature's surface by the facet's own plane. That
section must exist between the edge's two ends and leave the facet simple; and on the feature the sections must not
cross. Where they don't, the facet is given to the feature if it lies along it, and else the edge is split on the
feature, which brings the section nearer to the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.features.solid.charts import Chart, chart_on
from pipeline.features.solid.crossings import crossing_edges, simple_polygons
from pipeline.features.solid.curves import onto
from pipeline.features.solid.flips import flipped
from pipeline.features.solid.sharpening import Bound, Floats, Ints, given, split
from pipeline.mesh.topology import facet_neighbours, facet_normals
from pipeline.surfaces import Shape, kind_of, signed_distance, surface_normal

# Where each curved border is looked at, as shares of its chord; near the ends, where it leaves its neighbours, too.
_LOOKED_AT = np.array([0.02, 0.15, 0.35, 0.5, 0.65, 0.85, 0.98])
# Sections are asked to be sound with so many times their own bulge, so that they don't graze what they pass.
_MARGIN = 1.15
# Of its chord: a section bulges no farther; and no stretch of it is longer than so many times its share of the chord.
_BULGE, _LEAP = 0.35, 4.0
_ROUNDS = 12
# mm: a facet is given to a feature where that moves its free corner by no more, nor by more than a share of the skin's
# tolerance.
_GIVEN, _GIVEN_SHARE = 0.25, 0.5
# A facet lies along a feature where the cosine between their normals is at least this.
_ALONG = 0.87
# Rounds in which edges are only split; from then on every other one sets facets on a foot.
_FIRST_SPLITS = 2
# The foot's reach as a share of its edge, and how steeply it rises.
_FOOT, _STEEP = 0.3, 0.6
# mm: and no farther, nor farther than the skin's tolerance, or it would lift the skin off by more.
_FARTHEST = 0.5
# mm: where there is room for less than that, another foot steepens nothing and ends in facets without any extent.
_LEAST_FOOT = 0.02
# mm: no border edge is split that is shorter.
_SHORTEST = 0.15


@dataclass(frozen=True)
class Known:
    """What was found of the same shapes' borders when they were looked at last.

    crossing  feature -> its borders as drawn (k, s, 3) and which of them (k,) cross another
    meeting   plane and feature -> points (k, 3) beside both, and where they are once on both
    """

    crossing: dict[int, tuple[Floats, NDArray[np.bool_]]] = field(default_factory=dict)
    meeting: dict[tuple[int, int], tuple[Floats, Floats]] = field(default_factory=dict)


@dataclass(frozen=True)
class Borders:
    """Edges (k,) between a feature and a skin facet: ends (k, 2) in the facet's order, its number, the feature."""

    ends: Ints
    facet: Ints
    feature: Ints


def borders_of(mesh: Bound) -> Borders:
    """All edges that have a feature on one side and skin on the other."""
    neighbours = facet_neighbours(mesh.faces, len(mesh.points))
    i, k = np.nonzero((neighbours >= 0) & (mesh.labels < 0)[:, None])
    other = mesh.labels[neighbours[i, k]]
    i, k, other = i[other >= 0], k[other >= 0], other[other >= 0]
    ends = np.stack([mesh.faces[i, k], mesh.faces[i, (k + 1) % 3]], axis=1)
    return Borders(ends.astype(np.int32), i.astype(np.int32), other.astype(np.int32))


def sections(mesh: Bound, borders: Borders, shapes: Sequence[Shape]) -> tuple[Floats, NDArray[np.bool_]]:
    """(k, s, 3) points of each border's section between its ends, drawn out a little from its chord; and whether it
    exists there."""
    samples = len(_LOOKED_AT)
    share = _LOOKED_AT[:, None]
    a, b = mesh.points[borders.ends[:, 0]][:, None], mesh.points[borders.ends[:, 1]][:, None]
    points = a + share * (b - a)
    normal = np.repeat(facet_normals(mesh.points, mesh.faces[borders.facet]), samples, axis=0).reshape(points.shape)
    start = points.copy()
    good = np.ones(len(points), np.bool_)
    for k in np.unique(borders.feature):
        mine = np.flatnonzero(borders.feature == k)
        x, n = points[mine].reshape(-1, 3), normal[mine].reshape(-1, 3)
        off = np.full(len(x), np.inf)
        for _ in range(25):
            off, g = signed_distance(shapes[k], x), surface_normal(shapes[k], x)
            if (np.abs(off) < 1e-10).all():
                break
            along = g - np.einsum("ij,ij->i", g, n)[:, None] * n
            step = along * (off / np.maximum(np.einsum("ij,ij->i", along, along), 1e-9))[:, None]
            length = np.linalg.norm(step, axis=1, keepdims=True)
            x -= step * np.minimum(1.0, 10.0 / np.maximum(length, 1e-300))
        points[mine] = x.reshape(len(mine), samples, 3)
        good[mine] = (np.abs(off) < 1e-7).reshape(len(mine), samples).all(axis=1)
    length = np.linalg.norm((b - a)[:, 0], axis=1)
    good &= _steady(np.concatenate([a, points, b], axis=1), (b - a)[:, 0])
    bulge = np.linalg.norm(points - start, axis=2).max(axis=1)
    return start + _MARGIN * (points - start), good & (bulge < _BULGE * length + 1e-9)


def _steady(paths: Floats, chords: Floats) -> NDArray[np.bool_]:
    """(k,) paths (k, s, 3) that run on along their chords (k, 3) without turning back or leaping."""
    length = np.maximum(np.linalg.norm(chords, axis=1), 1e-300)[:, None]
    steps = np.diff(paths, axis=1)
    ahead = np.einsum("ksd,kd->ks", steps, chords) / length
    wanted = np.diff(np.concatenate([[0.0], _LOOKED_AT, [1.0]])) * length
    return np.asarray(((ahead > 0) & (np.linalg.norm(steps, axis=2) < _LEAP * wanted + 1e-9)).all(axis=1))


def fitted_borders(mesh: Bound, shapes: Sequence[Shape], skin: float) -> tuple[Bound, dict[int, Ints]]:
    """Borders mended until every section is sound; and the ends (k, 2) of the unsound ones left, by feature. skin mm is
    its tolerance."""
    mesh = given(mesh, shapes)
    left: dict[int, Ints] = {}
    known = Known()
    for turn in range(_ROUNDS):
        borders = borders_of(mesh)
        bad = unsound(mesh, borders, shapes, known)
        left = {int(k): borders.ends[bad & (borders.feature == k)] for k in np.unique(borders.feature[bad])}
        if not bad.any():
            break
        mesh = _mended(mesh, borders, bad, shapes, turn, skin, known)
        mesh = given(mesh, shapes)
    return mesh, left


def unsound(mesh: Bound, borders: Borders, shapes: Sequence[Shape], known: Known | None = None) -> NDArray[np.bool_]:
    """(k,) borders whose section does not exist, makes its facet overlap itself, or crosses another on the feature.

    known  what is found now is put into it
    """
    if not len(borders.facet):
        return np.zeros(0, np.bool_)
    points, good = sections(mesh, borders, shapes)
    return ~good | _overlapping(mesh, borders, points) | _crossing(mesh, borders, points, shapes, known or Known())


def _overlapping(mesh: Bound, borders: Borders, points: Floats) -> NDArray[np.bool_]:
    """Borders of facets that their sections make overlap themselves or turn over."""
    facets, which = np.unique(borders.facet, return_inverse=True)
    corners = mesh.points[mesh.faces[facets]]
    share = np.concatenate([[0.0], _LOOKED_AT])[None, None, :, None]
    rim = corners[:, :, None] * (1 - share) + np.roll(corners, -1, axis=1)[:, :, None] * share
    side = np.argmax(mesh.faces[borders.facet] == borders.ends[:, :1], axis=1)
    rim[which, side, 1:] = points
    normal = facet_normals(mesh.points, mesh.faces[facets])
    u = corners[:, 1] - corners[:, 0]
    u /= np.maximum(np.linalg.norm(u, axis=1, keepdims=True), 1e-300)
    v = np.cross(normal, u)
    flat = rim.reshape(len(facets), -1, 3) - corners[:, :1]
    places = np.stack([np.einsum("nkd,nd->nk", flat, u), np.einsum("nkd,nd->nk", flat, v)], axis=2)
    return ~simple_polygons(places)[which]


def _crossing(
    mesh: Bound, borders: Borders, points: Floats, shapes: Sequence[Shape], known: Known
) -> NDArray[np.bool_]:
    """Borders that cross another border of the same feature; of a plane also one on another feature, such as the rim of
    a hole that breaks out at its edge."""
    out = np.zeros(len(borders.facet), np.bool_)
    meeting = _meetings(mesh, shapes, known)
    for k in np.unique(borders.feature):
        mine = np.flatnonzero(borders.feature == k)
        ends = mesh.points[borders.ends[mine]]
        path = np.concatenate([ends[:, :1], points[mine], ends[:, 1:]], axis=1)
        path = np.concatenate([path, meeting[k]]) if k in meeting else path
        before = known.crossing.get(int(k))
        if before is None or not np.array_equal(before[0], path):
            chart: Chart = chart_on(shapes[k], path.reshape(-1, 3))
            places = chart.flat(path.reshape(-1, 3)).reshape(len(path), -1, 2)
            before = known.crossing[int(k)] = path, crossing_edges(places, chart.turn)
        out[mine] = before[1][: len(mine)]
    return out


def _meetings(mesh: Bound, shapes: Sequence[Shape], known: Known) -> dict[int, Floats]:
    """Of each plane the borders (j, s, 3) that it has on curved features, drawn out from their chords as `sections`."""
    neighbours = facet_neighbours(mesh.faces, len(mesh.points))
    flat = np.array([kind_of(s).flat for s in shapes])
    other = np.where(neighbours >= 0, mesh.labels[neighbours], -1)
    own = np.repeat(mesh.labels[:, None], 3, axis=1)
    i, k = np.nonzero((own >= 0) & (other >= 0))
    i, k = (row[flat[own[i, k]] & ~flat[other[i, k]]] for row in (i, k))
    ends = mesh.points[np.stack([mesh.faces[i, k], mesh.faces[i, (k + 1) % 3]], axis=1)]
    chord = ends[:, :1] + _LOOKED_AT[:, None] * (ends[:, 1:] - ends[:, :1])
    drawn = chord.copy()
    pairs, which = np.unique(np.stack([own[i, k], other[i, k]], axis=1), axis=0, return_inverse=True)
    for at, (plane, feature) in enumerate(pairs.tolist()):
        here = np.flatnonzero(which.ravel() == at)
        asked, before = chord[here].reshape(-1, 3), known.meeting.get((plane, feature))
        if before is None or not np.array_equal(before[0], asked):
            moved, there = onto([shapes[plane], shapes[feature]], asked)
            before = known.meeting[plane, feature] = asked, np.where(there[:, None], moved, asked)
        drawn[here] = before[1].reshape(chord[here].shape)
    paths = np.concatenate([ends[:, :1], chord + _MARGIN * (drawn - chord), ends[:, 1:]], axis=1)
    return {int(plane): paths[own[i, k] == plane] for plane in np.unique(own[i, k])}


def _mended(
    mesh: Bound, borders: Borders, bad: NDArray[np.bool_], shapes: Sequence[Shape], turn: int, skin: float,
    known: Known,
) -> Bound:  # fmt: skip
    """One round: other third corners, facets along their feature given to it, what is left split or set on a foot."""

    def judged(trial: Bound) -> tuple[Ints, NDArray[np.bool_]]:
        now = borders_of(trial)
        return now.facet, unsound(trial, now, shapes, known)

    curved = np.array([not kind_of(s).flat for s in shapes])[borders.feature]
    mesh, done = flipped(mesh, borders.facet[bad & curved], borders.ends[bad & curved], judged)
    bad = bad & ~done[borders.facet]
    mesh, done = _given_along(mesh, borders, bad, shapes, skin)
    bad = bad & curved & ~done[borders.facet]
    if turn >= _FIRST_SPLITS and turn % 2 == 0:
        return _footed(mesh, borders, bad, shapes, skin)
    a, b = mesh.points[borders.ends[:, 0]], mesh.points[borders.ends[:, 1]]
    cut = bad & (np.linalg.norm(b - a, axis=1) > _SHORTEST)
    where = 0.5 * (a + b)
    for k in np.unique(borders.feature[cut]):
        mine = cut & (borders.feature == k)
        where[mine] = onto([shapes[k]], where[mine])[0]
    carriers = np.full((int(cut.sum()), 3), -1, np.int16)
    carriers[:, 0] = borders.feature[cut]
    return split(mesh, borders.ends[cut], where[cut], carriers)


def set_on_feet(
    mesh: Bound, edges: Sequence[tuple[int, int]], shapes: Sequence[Shape], skin: float
) -> tuple[Bound, int]:
    """Skin facets at some borders, told by the ends of their edges, set on a foot; and how many there were."""
    borders = borders_of(mesh)
    wanted = {frozenset(edge) for edge in edges}
    bad = np.array([frozenset(ends) in wanted for ends in borders.ends.tolist()], np.bool_)
    bad &= np.array([not kind_of(s).flat for s in shapes])[borders.feature]
    return _footed(mesh, borders, bad, shapes, skin), int(bad.sum())


def _footed(mesh: Bound, borders: Borders, bad: NDArray[np.bool_], shapes: Sequence[Shape], skin: float) -> Bound:
    """Facets that leave their feature too flatly: a small steep one is put between, on the side to which they leave."""
    rows = np.flatnonzero(bad)
    rows = rows[np.unique(borders.facet[rows], return_index=True)[1]]
    if not len(rows):
        return mesh
    facets, ends = borders.facet[rows], borders.ends[rows]
    third = mesh.faces[facets].sum(axis=1) - ends.sum(axis=1)
    a, b, c = (mesh.points[v] for v in (ends[:, 0], ends[:, 1], third))
    middle, way = 0.5 * (a + b), b - a
    length = np.linalg.norm(way, axis=1, keepdims=True)
    way = way / np.maximum(length, 1e-300)
    inwards = c - a - np.einsum("ij,ij->i", c - a, way)[:, None] * way
    height = np.linalg.norm(inwards, axis=1, keepdims=True)
    inwards = inwards / np.maximum(height, 1e-300)
    up = np.zeros_like(a)
    for k in np.unique(borders.feature[rows]):
        mine = borders.feature[rows] == k
        side = np.where(signed_distance(shapes[k], c[mine]) >= 0, 1.0, -1.0)
        up[mine] = side[:, None] * surface_normal(shapes[k], middle[mine])
    reach = np.minimum(np.minimum(_FOOT * length, 0.4 * height), min(_FARTHEST, skin))
    room = reach[:, 0] >= _LEAST_FOOT
    facets, ends, third = facets[room], ends[room], third[room]
    foot = (middle + reach * (inwards + _STEEP * up))[room]
    n, m = len(mesh.points), len(mesh.faces)
    new = (n + np.arange(len(facets))).astype(np.int32)
    faces = mesh.faces.copy()
    faces[facets] = np.stack([ends[:, 0], ends[:, 1], new], axis=1)
    more = [np.stack([ends[:, 1], third, new], axis=1), np.stack([third, ends[:, 0], new], axis=1)]
    parents = np.concatenate([np.arange(m), facets, facets])
    return replace(
        mesh, points=np.concatenate([mesh.points, foot]), faces=np.concatenate([faces, *more]).astype(np.int32),
        labels=mesh.labels[parents], origin=mesh.origin[parents],
        carriers=np.concatenate([mesh.carriers, np.full((len(facets), 3), -1, np.int16)]),
    )  # fmt: skip


def _given_along(
    mesh: Bound, borders: Borders, bad: NDArray[np.bool_], shapes: Sequence[Shape], skin: float
) -> tuple[Bound, NDArray[np.bool_]]:
    """Facets that lie along the feature which their unsound edge borders: their free corner put onto it.

    Also returns (m,) which facets were so treated; `given` then gives them their label.
    """
    done = np.zeros(len(mesh.faces), np.bool_)
    points, carriers = mesh.points.copy(), mesh.carriers.copy()
    rows = np.flatnonzero(bad)
    faces = mesh.faces[borders.facet[rows]]
    third = faces.sum(axis=1) - borders.ends[rows].sum(axis=1)
    normals = facet_normals(mesh.points, faces)
    for k in np.unique(borders.feature[rows]):
        mine = borders.feature[rows] == k
        corner = third[mine]
        agrees = mesh.outward[k] * np.einsum("ij,ij->i", normals[mine], surface_normal(shapes[k], mesh.points[corner]))
        near = np.abs(signed_distance(shapes[k], mesh.points[corner])) <= min(_GIVEN, _GIVEN_SHARE * skin)
        free = carriers[corner, 0] < 0
        take = near & free & (agrees > _ALONG)
        if not take.any():
            continue
        chosen = np.unique(corner[take])
        points[chosen] = onto([shapes[k]], points[chosen])[0]
        carriers[chosen, 0] = k
        done[borders.facet[rows[mine][take]]] = True
    return replace(mesh, points=points, carriers=carriers), done
