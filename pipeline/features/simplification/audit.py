"""How far a light mesh is from the scan, in general and feature by feature."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.errors import GeometryError
from pipeline.features.fitting import fit
from pipeline.features.simplification.feature_association import Target, distance_to_target
from pipeline.geometry import (
    Floats,
    Indices,
    Ints,
    Mask,
    Singles,
    angle_between_directions,
    angle_between_lines,
    rejection,
    rigid,
    transformed,
)
from pipeline.jit import njit
from pipeline.mesh.query import Scene, nearest_on_facets, self_intersections, spread_points, vertices_near_new
from pipeline.mesh.topology import border_edges, facet_area, facet_normals
from pipeline.surfaces import KINDS, Shape, kind_of, shape_of
from pipeline.values import FILLED, Deviation, Feature, FeatureAudit, Soundness, Surface

# Points spread over the light mesh for the distance back to the scan, and over one feature's facets.
_SPREAD = 300_000
_SPREAD_FEATURE = 2_000
# A fit whose parameters would each take up more than this many times the vertices' own scatter says nothing.
_LOOSE = 300.0


@dataclass(frozen=True)
class Distances:
    """Two-sided distances; noise aside where a target was given.

    scan_to_light, light_to_scan            Deviation against the scan as measured, mm
    noise_aside                             the same two against the noise-free target
    worst_of_feature                        (k,) mm: of the measured facets of each feature, noise aside
    signed                                  (n,) float32, mm, of each light vertex to the scan, along the scan's normal
    rounded                                 the largest from the scan to the light mesh, mm, as measured and noise
                                            aside, of the vertices that were told apart; None where there are none
    """

    scan_to_light: Deviation
    light_to_scan: Deviation
    noise_aside: tuple[Deviation, Deviation]
    worst_of_feature: Floats
    signed: Singles
    rounded: tuple[float, float] | None = None


def two_sided(
    scan: Surface, scene: Scene, target: Target, light: Surface, labels: Ints, *,
    unknown: Mask | None = None, rounded: Mask | None = None,
) -> Distances:  # fmt: skip
    """Distances between the scan with its filled facets and a light mesh; filled facets count in neither.

    scene    of the target's vertices with the scan's facets
    labels   (k,) of the light facets: a row of the target's table, -1 none
    unknown  (m,) facets of the scan that nothing is measured from the light mesh to, besides the filled ones
    rounded  (n,) vertices of the scan to tell apart

    From the scan: every measured vertex, weighted by the area it stands for. From the light mesh: its
    vertices, the middles of facets and edges, and some 300,000 points spread evenly; those on or nearest to a
    filled facet are left out. Maxima are over these points; the means are weighted by area. The
    distance back to the scan as measured is that to the facet that is nearest with its noise taken off.

    Raises GeometryError when there is nothing to compare.

    >>> from pipeline.features.simplification import on_features
    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> light, free = Surface(square.vertices + [0.0, 0.0, 0.25], square.faces, square.origin), np.full(2, -1, np.int32)
    >>> found = two_sided(square, Scene(square), on_features(square.vertices, square.faces, free, (), 0.1), light, free)
    >>> found.scan_to_light.max, round(found.light_to_scan.rms, 9), found.signed.tolist()
    (0.25, 0.25, [0.25, 0.25, 0.25, 0.25])
    """
    measured = scan.origin != FILLED
    if not measured.any() or not light.facets:
        raise GeometryError("One of the two meshes has no facets to compare; check the two inputs.")
    weight = vertex_areas(scan.vertices, scan.faces, measured)
    counts = weight > 0
    used = np.flatnonzero(counts)
    weight = weight[used]
    of_light = Scene(light)
    # All vertices are looked up: to take out those that count takes longer than what the few others cost.
    raw, near = of_light.nearest(scan.vertices)
    of_vertex = of_light.distance(target.vertices, near)
    del near
    of_vertex[~counts] = 0.0
    raw, aside = raw[used], of_vertex[used]
    worst = _largest_of(scan.faces, np.where(measured, target.labels, -1), len(target.table), of_vertex)
    told = used[:0] if rounded is None else np.flatnonzero(rounded[used])
    apart = (float(raw[told].max()), float(aside[told].max())) if len(told) else None
    forth, forth_aside = (deviation(d, weight, scan.vertices, used) for d in (raw, aside))
    del of_vertex, raw, aside, weight, counts, used

    spread, of_facet = spread_points(light.vertices, light.faces, _SPREAD)
    corners = light.vertices[light.faces]
    edges = ((corners + np.roll(corners, -1, axis=1)) / 2).reshape(-1, 3)
    points = np.vstack([spread, light.vertices, corners.mean(axis=1), edges])
    mine = np.concatenate([labels[of_facet], np.full(len(light.vertices), -1), labels, np.repeat(labels, 3)])
    back, facet = distance_to_target(scene, target, points, mine)
    seen = light.origin != FILLED
    ours = np.concatenate([seen[of_facet], _corners_of(light, seen), seen, np.repeat(seen, 3)])
    ours &= measured[facet] if unknown is None else measured[facet] & ~unknown[facet]
    if not ours.any():
        raise GeometryError("No part of the light mesh lies near a measured facet; are the two in the same frame?")
    near = nearest_on_facets(points, scan.vertices, scan.faces, facet)
    evenly = np.zeros(len(points))
    evenly[: len(spread)] = 1.0
    d = np.linalg.norm(points - near, axis=1)
    back_raw = deviation(d[ours], evenly[ours], points[ours])
    back_aside = deviation(back[ours], evenly[ours], points[ours])
    own = slice(len(spread), len(spread) + len(light.vertices))
    across = np.einsum("ij,ij->i", points[own] - near[own], facet_normals(scan.vertices, scan.faces[facet[own]]))
    signed = np.copysign(d[own], across).astype(np.float32)
    return Distances(forth, back_raw, (forth_aside, back_aside), worst, signed, apart)


def soundness(scan: Surface, light: Surface) -> Soundness:
    """Open edges and crossing facets of a scan with its gaps filled, and of a light mesh.

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> half = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 1, 2]])
    >>> soundness(square, half)
    Soundness(open_edges=(4, 3), crossing=(0, 0))
    """
    borders = [border_edges(s.faces, len(s.vertices)) for s in (scan, light)]
    crossing = np.unique(self_intersections(light.vertices, light.faces))
    _, there = vertices_near_new(scan.vertices, scan.faces, light.vertices[light.faces[crossing]])
    return Soundness((borders[0], borders[1]), (there, len(crossing)))


def _corners_of(surface: Surface, mask: Mask) -> Mask:
    """(n,) the vertices that a facet of the mask (m,) has."""
    out = np.zeros(len(surface.vertices), dtype=bool)
    out[surface.faces[mask]] = True
    return out


def filled_apart(light: Surface, scene: Scene) -> Deviation | None:
    """How far the filled facets of a light mesh lie from the scan's, mm, by area; None where it has none.

    Taken at their corners and middles and at points spread over them. `scene` of the scan.

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> light = Surface(square.vertices + [0.0, 0.0, 0.5], square.faces, np.array([0, FILLED], np.uint8))
    >>> round(filled_apart(light, Scene(square)).max, 6), filled_apart(square, Scene(square))
    (0.5, None)
    """
    filled = light.faces[light.origin == FILLED]
    if not len(filled):
        return None
    spread, _ = spread_points(light.vertices, filled, _SPREAD)
    points = np.vstack([spread, light.vertices[np.unique(filled)], light.vertices[filled].mean(axis=1)])
    evenly = np.zeros(len(points))
    evenly[: len(spread)] = 1.0
    return deviation(scene.distance(points), evenly, points)


def deviation(distance: Floats, weight: Floats, points: Floats, rows: Indices | None = None) -> Deviation:
    """Figures of distances (n,) mm with weights (n,); those of weight 0 count for the maximum only.

    points  (k, 3) mm that the distances are of: those of the `rows` (n,), or all
    """
    worst, whole = int(np.argmax(distance)), float(weight.sum())
    # Shares of 95 % and more are asked for: what lies below is not sorted, unless that has the most weight.
    near = distance < np.quantile(distance[:: max(1, len(distance) // 10_000)], 0.8)
    below = float(weight[near].sum())
    if below > 0.9 * whole:
        near[:], below = False, 0.0
    order = np.flatnonzero(~near)
    order = order[np.argsort(distance[order])]
    total = below + np.cumsum(weight[order])

    def quantile(share: float) -> float:
        return float(distance[order[np.searchsorted(total, share * whole).clip(max=len(order) - 1)]])

    mean = float(np.einsum("i,i->", distance, weight)) / whole
    rms = math.sqrt(float(np.einsum("i,i,i->", distance, distance, weight)) / whole)
    place = points[worst if rows is None else rows[worst]].copy()
    return Deviation(mean, rms, quantile(0.95), quantile(0.99), float(distance[worst]), place, len(distance))


@njit(cache=True)
def vertex_areas(vertices: Floats, faces: Ints, counted: Mask) -> Floats:
    """(n,) mm2, a third of the area of those facets round each vertex (n, 3) that are counted (m,)."""
    out = np.zeros(len(vertices))
    for f in range(len(faces)):
        if counted[f]:
            third = facet_area(vertices, faces, f) / 3.0
            for k in range(3):
                out[faces[f, k]] += third
    return out


def compare_features(
    features: tuple[Feature, ...], light: Surface, labels: Ints, *, robust: bool = False
) -> list[FeatureAudit]:
    """Each feature fitted anew on the light mesh, on its vertices and on points over its facets.

    labels  (m,) int32 of the light facets: an index into `features`, -1 none
    robust  for a mesh whose labels were carried over by nearness

    One that its vertices do not determine gets the verdict "unknown"; none raises. Below, a plane came 0.25 mm higher.

    >>> from pipeline.values import Extent, Form, Uncertainty
    >>> known = (Uncertainty(None, None, None, ""), Form(0.0, 0.0, 1.0, "flatness"), Extent(4.0, 8))
    >>> plane = Feature("face-1", "plane", None, np.array([1.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]), None, *known)
    >>> a = np.array([0, 1, 3, 4])[:, None]
    >>> light = Surface.measured([*np.ndindex(3, 3, 1)], np.vstack([a + [0, 3, 4], a + [0, 4, 1]]))
    >>> light.vertices[:, 2] = 0.25
    >>> (found,) = compare_features((plane,), light, np.zeros(8, np.int32))
    >>> found.feature, round(found.shift, 9), found.light_vertices, found.verdict
    ('face-1', 0.25, 9, 'ok')
    """
    order = np.argsort(labels, kind="stable")
    ends = np.searchsorted(labels[order], np.arange(len(features) + 1))
    out = []
    for k, feature in enumerate(features):
        faces = light.faces[order[ends[k] : ends[k + 1]]]
        vertices = light.vertices[np.unique(faces)]
        found = _change(feature, vertices, robust)
        over = None
        if found is not None and len(faces):
            over = _change(feature, spread_points(light.vertices, faces, _SPREAD_FEATURE)[0], robust)
        if found is None:
            note = (
                "no facet of the light mesh carries it"
                if not len(faces)
                else f"its {len(vertices)} light vertices do not determine a {feature.kind}"
            )
            out.append(FeatureAudit(feature.id, None, None, None, len(vertices), "unknown", note))
        else:
            out.append(FeatureAudit(feature.id, *found, len(vertices), on_facets=over))
    return out


def _change(feature: Feature, points: Floats, robust: bool) -> tuple[float | None, float | None, float | None] | None:
    shape = shape_of(feature)
    try:
        found = fit(feature.kind, points, shape, robust=robust)
    except GeometryError:
        return None
    spread = np.sqrt(np.diag(found.cofactor) * len(points))
    size = float(np.sqrt(points.var(axis=0).sum()))
    names = KINDS[feature.kind].parameters
    lengths = np.array([spread[i] * (size if name in ("a", "b", "h") else 1.0) for i, name in enumerate(names)])
    if not np.isfinite(lengths).all() or (lengths > _LOOSE).any() or (lengths == 0).any():
        return None
    return difference(shape, found.shape)


def difference(was: Shape, now: Shape) -> tuple[float, float | None, float | None]:
    """(shift mm, tilt rad, radius change mm) from one shape to another of its kind.

    The shift of a plane is along its normal at `was.point`, that of an axis across the axis there, that of a surface
    with a centre of its own that of the centre. A tapered radius is compared at the same place on its axis; of the two
    radii of a section the one that changed more. A turn about the axis counts as tilt where it can be told.
    """
    kind, grown = kind_of(was), _growth(was, now)
    step = now.point - was.point
    if was.direction is None or now.direction is None:
        return float(np.linalg.norm(step)), None, grown
    sense = 1.0 if np.dot(was.direction, now.direction) >= 0 else -1.0
    axis = now.direction * sense
    tilt = angle_between_directions(was.direction, axis)
    if was.orientation is not None and now.orientation is not None:
        tilt = max(tilt, angle_between_lines(was.orientation, now.orientation))
    if kind.centred:
        return float(np.linalg.norm(step)), tilt, grown
    along = float(step @ axis)
    if kind.flat:
        return abs(along), tilt, grown
    if kind.tapered:
        assert now.radius is not None
        assert was.radius is not None
        grown = float(now.radius - along * float(np.tan(now.half_angle or 0.0)) * sense - was.radius)
    return float(np.linalg.norm(rejection(step, axis))), tilt, grown


def _growth(was: Shape, now: Shape) -> float | None:
    """Change of the radius; of a prism's two, the larger."""
    if was.radius is None or now.radius is None:
        return None
    grown = float(now.radius - was.radius)
    if kind_of(was).invariance == "prismatic" and was.major_radius is not None and now.major_radius is not None:
        return max(grown, float(now.major_radius - was.major_radius), key=abs)
    return grown


@njit(cache=True)
def _largest_of(faces: Ints, labels: Ints, features: int, of_vertex: Floats) -> Floats:
    """(features,) the largest figure of a corner of the facets with each label."""
    worst = np.zeros(features)
    for f in range(len(faces)):
        if labels[f] >= 0:
            for k in range(3):
                worst[labels[f]] = max(worst[labels[f]], of_vertex[faces[f, k]])
    return worst


def labels_by_nearness(
    scan: Surface, labels: Ints, light: Surface, scene: Scene
) -> Ints:  # fmt: skip
    """Labels (k,) int32 for the facets of a mesh that brought none: that of the scan's facets near it, -1 none.

    labels  (m,) feature of each facet of the scan; `scene` of the scan

    A facet gets one where four points of it, the middle and one towards each corner, are nearest to
    facets of the same feature that face the same way.

    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> light = Surface.measured(square.vertices, [[0, 1, 2], [0, 3, 2]])
    >>> labels_by_nearness(square, np.array([4, 7], np.int32), light, Scene(square)).tolist()
    [4, -1]
    """
    shares = np.array([[4, 4, 4], [10, 1, 1], [1, 10, 1], [1, 1, 10]]) / 12.0
    points = np.einsum("sk,mkd->msd", shares, light.vertices[light.faces]).reshape(-1, 3)
    _, facet, _ = scene.closest(points)
    near = labels[facet].reshape(-1, len(shares))
    facing = np.einsum(
        "ij,ij->i",
        np.repeat(facet_normals(light.vertices, light.faces), len(shares), axis=0),
        facet_normals(scan.vertices, scan.faces[facet]),
    ).reshape(-1, len(shares))
    agreed = (near == near[:, :1]).all(axis=1) & (facing > 0.7).all(axis=1)
    return np.where(agreed, near[:, 0], -1).astype(np.int32)


def best_fit(moving: Surface, scan: Surface, scene: Scene) -> Floats:
    """The rigid motion (4, 4) that brings a mesh onto the scan, by least squares; `scene` of the scan.

    Starts: as it lies, and the four ways of laying principal axes onto each other. Each is refined by
    linearised point-to-plane steps (Chen and Medioni 1992) on the nearest 80 % of points.

    >>> f = [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    >>> scan = Surface.measured([[0, 0, 0], [1, 0, 0], [0, 2, 0], [0, 0, 3]], f)
    >>> moving = Surface.measured([[0.5, 0, 0], [0.5, 1, 0], [-1.5, 0, 0], [0.5, 0, 3]], f)
    >>> (best_fit(moving, scan, Scene(scan))[:3].round(4) + 0.0).tolist()
    [[0.0, 1.0, 0.0, 0.0], [-1.0, 0.0, 0.0, 0.5], [0.0, 0.0, 1.0, 0.0]]
    """
    few, _ = spread_points(moving.vertices, moving.faces, 1_500)
    many, _ = spread_points(moving.vertices, moving.faces, 20_000)
    starts = [np.eye(4), *_axes_onto_axes(moving, scan)]
    tried = [_refined(start, few, scan, scene, 25) for start in starts]
    best = min(tried, key=lambda motion: _misfit(motion, few, scene))
    return _refined(best, many, scan, scene, 25)


def moved_by(motion: Floats, surface: Surface) -> Surface:
    """The surface after a rigid motion (4, 4), shift in mm; facets and their origin stay.

    >>> facet = Surface.measured([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> moved_by(rigid(np.eye(3), np.array([0.0, 0.0, 2.0])), facet).vertices.tolist()
    [[0.0, 0.0, 2.0], [1.0, 0.0, 2.0], [0.0, 1.0, 2.0]]
    """
    return Surface(transformed(motion, surface.vertices), surface.faces, surface.origin)


def _misfit(motion: Floats, points: Floats, scene: Scene) -> float:
    d = scene.distance(transformed(motion, points))
    return float(np.mean(np.sort(d)[: int(0.8 * len(d))] ** 2))


def _axes_onto_axes(moving: Surface, scan: Surface) -> list[Floats]:
    frames = []
    for surface in (moving, scan):
        points, _ = spread_points(surface.vertices, surface.faces, 20_000)
        middle = points.mean(axis=0)
        axes = np.linalg.eigh(np.cov((points - middle).T))[1]
        axes[:, 2] *= np.sign(np.linalg.det(axes))
        frames.append((middle, axes))
    (a, u), (b, v) = frames
    out = []
    for signs in ((1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)):
        rotation = v @ np.diag(signs) @ u.T
        out.append(rigid(rotation, b - rotation @ a))
    return out


def _refined(motion: Floats, points: Floats, scan: Surface, scene: Scene, steps: int) -> Floats:
    for _ in range(steps):
        at = transformed(motion, points)
        d, facet, near = scene.closest(at)
        kept = d <= np.quantile(d, 0.8)
        normal = facet_normals(scan.vertices, scan.faces[facet[kept]])
        middle = at[kept].mean(axis=0)
        arm = np.cross(at[kept] - middle, normal)
        away = np.einsum("ij,ij->i", near[kept] - at[kept], normal)
        answer = np.linalg.lstsq(np.hstack([arm, normal]), away, rcond=None)[0]
        rotation = Rotation.from_rotvec(answer[:3]).as_matrix()
        motion = rigid(rotation, middle + answer[3:] - rotation @ middle) @ motion
        if np.abs(answer[3:]).max() < 1e-7 and np.abs(answer[:3]).max() < 1e-9:
            break
    return motion
