"""Which vertices carry which feature, and where the noise-free surface is.

The *target* is what the scan says once its noise is set aside: vertices of a feature's facets lie on
the fitted surface, those on the edge of two features on their intersection, corners on three; all
other vertices are smoothed as far as the scan's noise explains (`mesh.repair.denoised`). Light meshes are made
from it, and tolerances are held against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.geometry import Floats, Ints, Mask, Shorts
from pipeline.jit import njit
from pipeline.mesh.query import Scene, self_intersections
from pipeline.mesh.repair import denoised
from pipeline.mesh.topology import facet_normals
from pipeline.surfaces import ROW, distance_gradient, move_onto, row_distances, row_of, shape_of
from pipeline.values import Feature

# A scanner rounds edges by some tenths of a millimetre: what is farther than this from where the two
# surfaces meet is a chamfer or a fillet of the part.
ROUNDING = 0.6
# Noise is believed to reach this many standard deviations.
_NOISE = 6.0
# Labels that go take carriers along, and these others' labels: so often that is followed.
_SETTLING = 8
# Facets across the rounding on either side of which features are looked for.
_ACROSS = 8


@dataclass(frozen=True)
class Target:
    """The noise-free surface; facets are those of the scan it was made from.

    vertices  (n, 3) mm
    labels    (m,) int32 index into the features of facets all of whose vertices lie on that feature, -1 none
    carriers  (n, 3) int16 features that a vertex lies on, -1 none
    table     (k, ROW) one row a feature: packed shape and code, see `surfaces.shape`
    """

    vertices: Floats
    labels: Ints
    carriers: Shorts
    table: Floats


def table_of(features: tuple[Feature, ...]) -> Floats:
    """(k, ROW) rows of all features."""
    return np.array([row_of(shape_of(f)) for f in features]).reshape(-1, ROW)


def on_features(
    vertices: Floats, faces: Ints, labels: Ints, features: tuple[Feature, ...],
    reach: float, *, sharp: bool = False, leave: Mask | None = None,
) -> Target:  # fmt: skip
    """Put the vertices that carry features onto them; the others stay as they are.

    vertices, faces  (n, 3) mm and (m, 3) of the scan; `labels` (m,) index into `features`, -1 none
    reach  mm: a vertex farther than this from its features is not theirs, and facets with such a vertex
           lose their label (a rounded edge between two features stays as scanned)
    sharp  give narrow rounded edges between two features to the nearer of them first, so that they meet
    leave  (n,) vertices that stay as they are, whatever their facets carry

    A feature that is a cast face carries nothing: its surface is not what the fit says.

    >>> from pipeline.values import Extent, Form, Uncertainty
    >>> known = (Uncertainty(None, None, None, ""), Form(0.0, 0.0, 1.0, "flatness"), Extent(1.0, 2))
    >>> plane = Feature("face-1", "plane", None, np.zeros(3), np.array([0.0, 0.0, 1.0]), None, *known)
    >>> v = np.array([[0.0, 0.0, 0.01], [1.0, 0.0, -0.01], [1.0, 1.0, 0.01], [0.0, 1.0, 0.5]])
    >>> target = on_features(v, np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.zeros(2, np.int32), (plane,), 0.1)
    >>> target.vertices[:, 2].tolist(), target.labels.tolist(), target.carriers[:, 0].tolist()
    ([0.0, 0.0, 0.0, 0.5], [0, -1], [0, 0, 0, -1])
    """
    table = table_of(features)
    machined = np.array([f.machined for f in features] + [False])
    labels = np.where(machined[labels], labels, -1).astype(np.int32)
    reaches = np.full(len(vertices), reach)
    if sharp:
        given = _rounding_given_away(vertices, faces, labels, table)
        reaches[faces[given != labels]] = max(reach, ROUNDING)
        labels = given
    carriers = _carriers(faces, labels, len(vertices))
    if leave is not None:
        carriers[leave] = -1
    placed = np.array(vertices, dtype=np.float64)
    _put_on(placed, carriers, table, reaches)
    for _ in range(_SETTLING):
        # Who lost one of its surfaces is put anew onto those that it has left.
        less = np.flatnonzero(_keep_true(faces, labels, carriers))
        if not len(less):
            break
        points, left = np.array(vertices[less], dtype=np.float64), carriers[less]
        _put_on(points, left, table, reaches[less])
        placed[less], carriers[less] = points, left
    else:
        less = np.flatnonzero(_keep_true(faces, labels, carriers))
        less = less[carriers[less, 0] < 0]
        placed[less] = vertices[less]
    return Target(placed, labels, carriers, table)


def target_surface(
    vertices: Floats, faces: Ints, labels: Ints, features: tuple[Feature, ...],
    reach: float, sigma: float, *, sharp: bool = False, leave: Mask | None = None,
) -> Target:  # fmt: skip
    """The noise-free surface: features as fitted, the rest smoothed as far as noise of `sigma` mm explains.

    vertices, faces, labels, features, reach, sharp, leave  as `on_features` takes them; smoothing as in
        `mesh.repair.denoised`

    >>> from pipeline.values import Extent, Form, Uncertainty
    >>> known = (Uncertainty(None, None, None, ""), Form(0.0, 0.0, 1.0, "flatness"), Extent(1.0, 2))
    >>> plane = Feature("face-1", "plane", None, np.zeros(3), np.array([0.0, 0.0, 1.0]), None, *known)
    >>> v = np.array([[0.0, 0.0, 0.01], [1.0, 0.0, -0.01], [1.0, 1.0, 0.01], [0.0, 1.0, 0.5]])
    >>> f, labels = np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.array([0, -1], np.int32)
    >>> target_surface(v, f, labels, (plane,), noise_reach(0.01), 0.01).vertices[:, 2].tolist()
    [0.0, 0.0, 0.0, 0.5]
    """
    target = on_features(vertices, faces, labels, features, reach, sharp=sharp, leave=leave)
    smooth = denoised(target.vertices, faces, sigma, target.carriers[:, 0] >= 0)
    return Target(smooth, target.labels, target.carriers, target.table)


def with_sharp_edges(
    target: Target, vertices: Floats, faces: Ints, labels: Ints, features: tuple[Feature, ...], reach: float,
    leave: Ints,
) -> tuple[Target, Mask]:  # fmt: skip
    """A noise-free surface with the rounded edges between its features made sharp, and which vertices (n,) those are.

    target  of the scan as it is; vertices, faces, labels, features, reach  what it was made from
    leave   (k,) indices of vertices that stay as they are in the target

    Away from the rounded edges nothing changes. Below, a face and a wall, and a rounded strip between the two.

    >>> from pipeline.values import Extent, Form, Uncertainty
    >>> known = (Uncertainty(None, None, None, ""), Form(0.0, 0.0, 1.0, "flatness"), Extent(1.0, 2))
    >>> face = Feature("face-1", "plane", None, np.zeros(3), np.array([0.0, 0.0, 1.0]), None, *known)
    >>> wall = Feature("face-2", "plane", None, np.zeros(3), np.array([1.0, 0.0, 0.0]), None, *known)
    >>> profile = np.array([[-2.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [-0.1, 0.0, -0.1], [0.0, 0.0, -1.0], [0.0, 0.0, -2.0]])
    >>> v, k = np.vstack([profile, profile + [0.0, 1.0, 0.0]]), np.arange(4)[:, None]
    >>> f = np.vstack([k + [0, 1, 6], k + [0, 6, 5]]).astype(np.int32)
    >>> labels = np.array([0, -1, -1, 1] * 2, np.int32)
    >>> made = on_features(v, f, labels, (face, wall), 0.01), v, f, labels, (face, wall), 0.01, np.empty(0, np.int32)
    >>> sharp, rounded = with_sharp_edges(*made)
    >>> sharp.vertices[2].round(9).tolist(), np.flatnonzero(rounded).tolist()
    ([0.0, 0.0, 0.0], [1, 2, 3, 6, 7, 8])
    """
    kept = np.zeros(len(vertices), dtype=np.bool_)
    kept[leave] = True
    made = on_features(vertices, faces, labels, features, reach, sharp=True, leave=kept)
    machined = np.array([f.machined for f in features] + [False])
    given = (made.labels >= 0) & ((labels < 0) | ~machined[labels])
    rounded = np.zeros(len(vertices), dtype=np.bool_)
    rounded[faces[given]] = True
    near = rounded[faces].any(axis=1)
    return Target(
        np.where(rounded[:, None], made.vertices, target.vertices), np.where(near, made.labels, target.labels),
        np.where(rounded[:, None], made.carriers, target.carriers), target.table,
    ), rounded  # fmt: skip


def tangled(vertices: Floats, faces: Ints, target: Target, near: Mask) -> Mask:
    """Vertices (n,) whose facets came to cross others, or to lie turned over, when they were put onto features.

    vertices, faces  (n, 3) mm and (m, 3) of the scan that the target was made from
    near             (n,) only facets with a vertex among these are looked at

    Looked at are the target's vertices in single precision: what only touches in double counts as well.

    >>> v = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.5, 1.0, 0.0], [0.5, -1.0, 0.0]])
    >>> f, free = np.array([[0, 1, 2], [1, 0, 3]], np.int32), np.full((4, 3), -1, np.int16)
    >>> target = Target(v.copy(), np.zeros(2, np.int32), free, np.empty((0, ROW)))
    >>> target.vertices[3, 1] = 0.5
    >>> tangled(v, f, target, np.ones(4, bool)).tolist()
    [True, True, True, True]
    """
    looked_at = np.flatnonzero(near[faces].any(axis=1))
    rounded = target.vertices.astype(np.float32).astype(np.float64)
    before, after = facet_normals(vertices, faces[looked_at]), facet_normals(rounded, faces[looked_at])
    turned = looked_at[np.einsum("ij,ij->i", before, after) <= 0.0]
    out = np.zeros(len(vertices), dtype=np.bool_)
    out[faces[turned]] = True
    out[faces[self_intersections(rounded, faces, looked_at)]] = True
    return out


def distance_to_target(scene: Scene, target: Target, points: Floats, labels: Ints) -> tuple[Floats, Ints]:
    """Distance (n,) mm of points on a light mesh from the noise-free surface, and the scan's facet nearest to each.

    scene   of the target's vertices and facets
    labels  (n,) feature of the light facet that a point is on, -1 none

    Where both facets carry the same feature the surface is the fitted one itself, not the chords between
    the scan's vertices.
    """
    distance, facet, _ = scene.closest(points)
    same = np.flatnonzero((labels >= 0) & (labels == target.labels[facet]))
    order = same[np.argsort(labels[same], kind="stable")]
    starts = np.flatnonzero(np.diff(labels[order], prepend=-1))
    for low, high in pairwise([*starts, len(order)]):
        mine = order[low:high]
        fitted = np.abs(row_distances(target.table[labels[mine[0]]], points[mine]))
        distance[mine] = np.minimum(distance[mine], fitted)
    return distance, facet


def noise_reach(sigma: float, least: float = 1e-3) -> float:
    """How far noise of `sigma` mm takes a vertex of a feature from the fitted surface, mm; not under `least` mm.

    White noise takes one vertex in a million 5 sigma away; the sixth is for waves that are in `sigma` only in part.

    >>> noise_reach(0.01), noise_reach(0.0)
    (0.06, 0.001)
    """
    return max(_NOISE * sigma, least)


def snapping_reach(sigma: float, edge: float) -> float:
    """How far a vertex of a feature's facets may be moved onto it where no tolerance is promised, mm.

    Six times the noise of `sigma` mm, or 0.3 of a mean `edge` mm where that is more.

    >>> snapping_reach(0.0625, 0.5), snapping_reach(0.0625, 2.0)
    (0.375, 0.6)
    """
    return noise_reach(sigma, 0.3 * edge)


@njit(cache=True)
def _pass_on(faces: Ints, f: int, before: Ints, near: Ints) -> None:
    """Let each corner of facet f tell the other two which features had reached it."""
    for k in range(3):
        for e in range(2):
            label = before[faces[f, k], e]
            if label >= 0:
                _note(near, faces[f, (k + 1) % 3], label)
                _note(near, faces[f, (k + 2) % 3], label)


@njit(cache=True)
def _first_two(faces: Ints, labels: Ints, n: int) -> Ints:
    """(n, 2) the features that reach a vertex first, going over unlabelled facets ring by ring, -1 none."""
    near = np.full((n, 2), -1, dtype=np.int32)
    for f in range(len(faces)):
        if labels[f] >= 0:
            for k in range(3):
                _note(near, faces[f, k], labels[f])
    for _ in range(_ACROSS):
        before = near.copy()
        for f in range(len(faces)):
            if labels[f] < 0:
                _pass_on(faces, f, before, near)
    return near


@njit(cache=True)
def _rounding_given_away(vertices: Floats, faces: Ints, labels: Ints, table: Floats) -> Ints:
    """Labels (m,) where facets without one that lie between two features near their meeting get the nearer one."""
    m = len(faces)
    near = _first_two(faces, labels, len(vertices))
    out = labels.copy()
    x = np.empty(3)
    for f in range(m):
        if labels[f] >= 0:
            continue
        a, b = near[faces[f, 0], 0], near[faces[f, 0], 1]
        if a < 0 or b < 0:
            continue
        for d in range(3):
            x[d] = (vertices[faces[f, 0], d] + vertices[faces[f, 1], d] + vertices[faces[f, 2], d]) / 3.0
        to_a = abs(distance_gradient(table[a], x[0], x[1], x[2])[0])
        to_b = abs(distance_gradient(table[b], x[0], x[1], x[2])[0])
        # How far the corners then have to go is looked at when they are put onto their features.
        if min(to_a, to_b) <= ROUNDING and move_onto(table, a, b, -1, x):
            out[f] = a if to_a <= to_b else b
    return out


@njit(cache=True)
def _note(near: Ints, vertex: int, label: int) -> None:
    if near[vertex, 0] < 0:
        near[vertex, 0] = label
    elif near[vertex, 0] != label and near[vertex, 1] < 0:
        near[vertex, 1] = label


@njit(cache=True)
def _carriers(faces: Ints, labels: Ints, n: int) -> Shorts:
    """(n, 3) features of the facets round each vertex, the first three of them, -1 none."""
    out = np.full((n, 3), -1, dtype=np.int16)
    for f in range(len(faces)):
        if labels[f] < 0:
            continue
        for k in range(3):
            v = faces[f, k]
            for slot in range(3):
                if out[v, slot] == labels[f]:
                    break
                if out[v, slot] < 0:
                    out[v, slot] = labels[f]
                    break
    return out


@njit(cache=True)
def _put_on(points: Floats, carriers: Shorts, table: Floats, reach: Floats) -> None:
    """Move points onto their carriers; those that would go farther than their `reach` (n,) lose them."""
    x = np.empty(3)
    for i in range(len(points)):
        if carriers[i, 0] < 0:
            continue
        x[0], x[1], x[2] = points[i, 0], points[i, 1], points[i, 2]
        ok = move_onto(table, carriers[i, 0], carriers[i, 1], carriers[i, 2], x)
        far2 = (x[0] - points[i, 0]) ** 2 + (x[1] - points[i, 1]) ** 2 + (x[2] - points[i, 2]) ** 2
        if ok and far2 <= reach[i] * reach[i]:
            points[i, 0], points[i, 1], points[i, 2] = x[0], x[1], x[2]
        else:
            carriers[i, 0], carriers[i, 1], carriers[i, 2] = -1, -1, -1


@njit(cache=True)
def _keep_true(faces: Ints, labels: Ints, carriers: Shorts) -> Mask:
    """Take labels from facets with a vertex elsewhere, then carriers from vertices without such a facet.

    Returns which vertices (n,) lost one.
    """
    lost = np.zeros(len(carriers), dtype=np.bool_)
    held = np.zeros((len(carriers), 3), dtype=np.bool_)
    for f in range(len(faces)):
        if labels[f] < 0:
            continue
        whole = True
        for k in range(3):
            v = faces[f, k]
            if carriers[v, 0] != labels[f] and carriers[v, 1] != labels[f] and carriers[v, 2] != labels[f]:
                whole = False
        if not whole:
            labels[f] = -1
            continue
        for k in range(3):
            v = faces[f, k]
            for slot in range(3):
                if carriers[v, slot] == labels[f]:
                    held[v, slot] = True
    for v in range(len(carriers)):
        kept = 0
        for slot in range(3):
            if held[v, slot]:
                carriers[v, kept] = carriers[v, slot]
                kept += 1
        for slot in range(kept, 3):
            lost[v] |= carriers[v, slot] >= 0
            carriers[v, slot] = -1
    return lost
