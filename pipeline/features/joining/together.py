"""Features of a part that several set-ups saw: those that are one, fitted to the points of all scans together.

Each scan's points weigh as its own noise lets them, and the noise and the pose of each go into the uncertainty; nothing
is fitted to a mesh that was put together. What only one set-up saw keeps its fit and takes on the pose of its set-up.

Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from pipeline.features.fitting import fit, form_of
from pipeline.features.joining.overlap import SetUp
from pipeline.features.segmentation import extent_of
from pipeline.features.uncertainty import SHORT_ARC, Parts, Share, posed_too, weighed_together
from pipeline.geometry import Floats, Ints, transformed, turned
from pipeline.mesh.topology import corners_by_label, vertex_labels
from pipeline.surfaces import Shape, kind_of, seen_from, shape_of
from pipeline.values import Feature

TOUCHING = 4.0  # mean edges between what two scans saw of one surface
LOOSE = np.radians(1.0)  # standard uncertainty of a direction that lines nothing up


class Laid(NamedTuple):
    """A set-up where it lies: its motion (4, 4) into the common coordinates, the covariance (6, 6) of that, and its
    parts, both None of the one that gives the coordinates; and its number."""

    scan: SetUp
    motion: Floats
    covariance: Floats | None
    parts: Parts | None = None
    number: int = 0


class Common(NamedTuple):
    """A feature in the common coordinates.

    members  (set-up, index of its feature there), all that are this one
    points   (n, 3) where it was seen
    """

    feature: Feature
    members: tuple[tuple[int, int], ...]
    points: Floats


def same_features(
    laid: Sequence[Laid], pairs: Sequence[tuple[tuple[int, int], tuple[int, int]]]
) -> list[list[tuple[int, int]]]:
    """All features of all set-ups, as (set-up, index), in groups of those that are one.

    pairs  of features that lie on each other; such as do not touch are two on one plane or one axis
    """
    group = {(k, i): [(k, i)] for k, one in enumerate(laid) for i in range(len(one.scan.features))}
    for a, b in pairs:
        if group[a] is group[b] or {k for k, _ in group[a]} & {k for k, _ in group[b]} or not _touch(laid, a, b):
            continue
        joined = group[a] + group[b]
        for member in joined:
            group[member] = joined
    return list({id(members): members for members in group.values()}.values())


def fitted_together(laid: Sequence[Laid], groups: Sequence[Sequence[tuple[int, int]]]) -> list[Common]:
    """One feature for each group, those with most area first; ids are those of the scan that saw most of it."""
    inner = [_inner(one.scan) for one in laid]
    found = []
    for members in groups:
        best = max(members, key=lambda m: laid[m[0]].scan.features[m[1]].extent.area)
        whole = np.concatenate([_points(laid[k], i) for k, i in members])
        alone = len(members) == 1
        feature = _moved(laid[best[0]], best[1]) if alone else _fitted(laid, inner, members, best, whole)
        found.append(Common(feature, tuple(sorted(members)), whole))
    return sorted(found, key=lambda one: -one.feature.extent.area)


def _touch(laid: Sequence[Laid], a: tuple[int, int], b: tuple[int, int]) -> bool:
    one = laid[a[0]].scan.features[a[1]]
    first, second = _points(laid[a[0]], a[1]), _points(laid[b[0]], b[1])
    if one.extent.along is not None and one.direction is not None and not kind_of(one).flat:
        axis = seen_from(shape_of(one), laid[a[0]].motion)
        low, high = ((p - axis.point) @ np.asarray(axis.direction) for p in (first, second))
        if min(low.max(), high.max()) > max(low.min(), high.min()):
            return True
    away, _ = cKDTree(first).query(second)
    return bool(away.min() < TOUCHING * max(laid[a[0]].scan.edge, laid[b[0]].scan.edge))


def _points(one: Laid, index: int) -> Floats:
    """(n, 3) corners of the facets that carry a feature."""
    return transformed(one.motion, one.scan.surface.vertices[one.scan.corners[index]])


def _inner(scan: SetUp) -> list[Ints]:
    """Of each feature the corners of its facets that are a ring off its rim: at the rim edges are rounded over."""
    faces, count = scan.surface.faces, len(scan.surface.vertices)
    alone = vertex_labels(faces, scan.labels, count)
    inner = np.where((alone[faces] == scan.labels[:, None]).all(axis=1), scan.labels, -1).astype(np.int32)
    return corners_by_label(faces, inner, count, len(scan.features))


def _fitted(
    laid: Sequence[Laid],
    inner: Sequence[Sequence[Ints]],
    members: Sequence[tuple[int, int]],
    best: tuple[int, int],
    whole: Floats,
) -> Feature:
    feature = laid[best[0]].scan.features[best[1]]
    start = seen_from(shape_of(feature), laid[best[0]].motion)
    shares = []
    for k, i in members:
        scan = laid[k].scan
        own = inner[k][i] if len(inner[k][i]) >= 30 else scan.corners[i]
        points = transformed(laid[k].motion, scan.surface.vertices[own])
        weight = 1.0 / max(scan.noise.sigma_form, 1e-6) ** 2
        shares.append(Share(points, np.full(len(own), weight), scan.noise, laid[k].parts, laid[k].number))
    points = np.concatenate([s.points for s in shares])
    given = np.concatenate([s.weights for s in shares])
    result = fit(start.kind, points, start, weights=given / given.max())
    ends = np.cumsum([len(s.points) for s in shares])[:-1]
    parts = np.split(result.weights, ends)
    known, left = weighed_together(result.shape, [s._replace(weights=w) for s, w in zip(shares, parts, strict=True)])
    extents = [laid[k].scan.features[i].extent for k, i in members]
    edge = max(laid[k].scan.edge for k, _ in members)
    extent = extent_of(whole, result.shape, max(e.area for e in extents), edge)
    reasons = _doubts(laid, members, result.shape, known.position is None, known.direction, extent.arc)
    scale = feature.uncertainty.scale
    known = replace(known, scale=scale)
    return replace(
        feature,
        point=result.shape.point,
        direction=result.shape.direction,
        radius=result.shape.radius,
        half_angle=result.shape.half_angle,
        major_radius=result.shape.major_radius,
        orientation=result.shape.orientation,
        uncertainty=known,
        form=replace(
            form_of(result.shape, points, result.residuals, left, weights=result.weights),
            told=feature.form.told,
            of_means=feature.form.of_means,
            noise_of_means=feature.form.noise_of_means,
        ),
        extent=extent,
        confidence="low" if reasons else "good",
        reasons=reasons,
    )


def _doubts(
    laid: Sequence[Laid],
    members: Sequence[tuple[int, int]],
    shape: Shape,
    unknown: bool,
    direction: float | None,
    arc: float | None,
) -> tuple[str, ...]:
    """What speaks against relying on a feature; what did so in every scan alone still does."""
    alone = [laid[k].scan.features[i] for k, i in members]
    out = []
    if all(f.confidence == "low" for f in alone):
        out += list(dict.fromkeys(text for f in alone for text in f.reasons if "degrees" not in text))
    if kind_of(shape).ruled and not kind_of(shape).flat and arc is not None and arc < SHORT_ARC:
        out.append(f"only {np.degrees(arc):.0f} degrees of arc seen: radius and position go together")
    if unknown:
        out.append("its uncertainty is not known")
    if direction is not None and direction > LOOSE:
        out.append(f"its direction is uncertain by {np.degrees(direction):.1f} degrees")
    return tuple(out)


def _moved(one: Laid, index: int) -> Feature:
    """A feature that one set-up saw alone, in the common coordinates."""
    feature = one.scan.features[index]
    if one.parts is None:
        return feature
    shape = seen_from(shape_of(feature), one.motion)
    known = feature.uncertainty
    basis = None if known.basis is None else turned(one.motion, known.basis)
    # The scans' waves have nothing to do with each other: what is said of neighbours holds for one scan.
    known = posed_too(replace(known, basis=basis, carried=None), shape, one.parts, one.number)
    corners = feature.extent.corners
    extent = replace(feature.extent, corners=None if corners is None else turned(one.motion, corners))
    return replace(
        feature,
        point=shape.point,
        direction=shape.direction,
        orientation=shape.orientation,
        uncertainty=known,
        extent=extent,
    )
