"""Surface for a gap: the fitted feature where the rim lies on one, a smooth patch elsewhere.

A patch is made in a plane: the rim is laid out flat through a chart, a triangular lattice of the
surroundings' facet size fills it, and each point is lifted onto the surface. Across an edge between
features the surface is the lower or the higher of theirs, seen along the middle of their normals; the
line where it changes over gets points of its own, so that the edge is there. Measured vertices stay
where they are, noise and all; only what is new lies on the smooth surface.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache

import numpy as np

from pipeline.features.gaps.fair_height import fair_height
from pipeline.features.gaps.layout import (
    Flatten,
    HolePatch,
    Layout,
    Lift,
    Raise,
    Surroundings,
    looks,
    spanned,
    without_doubles,
)
from pipeline.features.gaps.lids import flat_lid, lids_in_space
from pipeline.features.gaps.openings import Band, Opening, Rim, is_pepper
from pipeline.features.gaps.roofs import across
from pipeline.geometry import Floats
from pipeline.mesh.fill import fair_in_space, refine_in_space
from pipeline.surfaces import Shape, chart_of, kind_of, signed_distance, surface_normal

# Of fans over tiny gaps, in edges of the rim.
_APEXES = (0.0, 0.3, -0.3, 0.6, -0.6)
# Likewise in edges: the radius of the largest gap that is called tiny, and a little.
_STRAYS = 1.4

SMOOTH = "a smooth patch"


def ways_to_close(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """Patches for a gap, the best founded first; each way that fails on this rim is passed over.

    On one feature: its fitted surface. Across edges: the lower or higher of the features' surfaces. Else a smooth
    patch, a polyharmonic smoothing spline (Duchon 1977) through the surroundings. At last, for a rim that no plane
    shows without overlaps, triangles of least bending (Barequet and Sharir 1995, Liepa 2003), refined and made fair
    (Botsch and Kobbelt 2004). Below, the middle one of 25 squares is missing.

    >>> from pipeline.features.gaps import band_of, find_rims, name_gaps
    >>> from pipeline.mesh.topology import facet_neighbours
    >>> from pipeline.values import Surface
    >>> a = np.delete(np.array([*np.ndindex(5, 5)]) @ [[6], [1]], 12, axis=0)
    >>> surface = Surface.measured([*np.ndindex(6, 6, 1)], np.vstack([a + [0, 6, 7], a + [0, 7, 1]]))
    >>> rims, _ = find_rims(surface, facet_neighbours(surface.faces, 36))
    >>> band = band_of(surface, rims, np.full(48, -1, np.int32))
    >>> border, gap = name_gaps(surface, rims, band, (), 0.01)
    >>> ground = Surroundings(surface.vertices, surface.faces, band, (), np.empty(0), 0.01)
    >>> patch = next(ways_to_close(gap, ground))
    >>> patch.corners.tolist(), len(patch.triangles), patch.how
    ([14, 15, 20, 21], 2, 'a smooth patch')
    """
    covered = sum(opening.shares)
    if len(opening.features) == 1 and covered >= 0.88:
        ways = [_on_feature, _skin]
    elif opening.features:
        ways = [across, _skin]
    else:
        ways = [_skin]
    for way in (*ways, _in_space):
        patch = way(opening, ground)
        if patch is not None and not (is_pepper(opening) and _strays(patch, opening, ground)):
            yield _out_of_bores(patch, opening, ground)
    if is_pepper(opening):
        yield from plain_ways(opening, ground)


def plain_ways(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """Patches for a tiny gap that keep near its rim: triangles between its corners, and fans.

    >>> from pipeline.features.gaps import band_of, find_rims, name_gaps
    >>> from pipeline.mesh.topology import facet_neighbours
    >>> from pipeline.values import Surface
    >>> a = np.delete(np.array([*np.ndindex(5, 5)]) @ [[6], [1]], 12, axis=0)
    >>> surface = Surface.measured([*np.ndindex(6, 6, 1)], np.vstack([a + [0, 6, 7], a + [0, 7, 1]]))
    >>> rims, _ = find_rims(surface, facet_neighbours(surface.faces, 36))
    >>> band = band_of(surface, rims, np.full(48, -1, np.int32))
    >>> border, gap = name_gaps(surface, rims, band, (), 0.01)
    >>> ground = Surroundings(surface.vertices, surface.faces, band, (), np.empty(0), 0.01)
    >>> [patch.points[:, 2].tolist() for patch in plain_ways(gap, ground)]
    [[], [0.0], [0.3], [-0.3], [0.6], [-0.6]]
    """
    patch = _bare(opening, ground)
    if patch is not None:
        yield patch
    yield from _fans(opening, ground)


def ways_to_cap(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """Lids for an opening: a plane over a flat rim, least area over a bent one; `how` says which.

    >>> from pipeline.features.gaps import band_of, find_rims, name_gaps
    >>> from pipeline.mesh.topology import facet_neighbours
    >>> from pipeline.values import Surface
    >>> a = np.delete(np.array([*np.ndindex(5, 5)]) @ [[6], [1]], 12, axis=0)
    >>> surface = Surface.measured([*np.ndindex(6, 6, 1)], np.vstack([a + [0, 6, 7], a + [0, 7, 1]]))
    >>> rims, _ = find_rims(surface, facet_neighbours(surface.faces, 36))
    >>> band = band_of(surface, rims, np.full(48, -1, np.int32))
    >>> border, gap = name_gaps(surface, rims, band, (), 0.01)
    >>> lid = next(ways_to_cap(gap, Surroundings(surface.vertices, surface.faces, band, (), np.empty(0), 0.01)))
    >>> lid.corners.tolist(), len(lid.triangles), lid.how
    ([14, 15, 20, 21], 2, 'a flat lid')
    """
    lid = flat_lid(opening, ground)
    if lid is not None:
        yield lid
    yield from lids_in_space(opening, ground)


def outward_signs(shapes: tuple[Shape, ...], band: Band) -> Floats:
    """(f,) 1.0 where a shape's geometric normal points out of the material, by the facets that carry it, else -1.0.

    shapes  of the f features; one that no vertex of the band carries gets 1.0

    >>> from pipeline.features.gaps import band_of, find_rims
    >>> from pipeline.mesh.topology import facet_neighbours
    >>> from pipeline.values import Surface
    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> rims, _ = find_rims(square, facet_neighbours(square.faces, 4))
    >>> band = band_of(square, rims, np.zeros(2, np.int32))
    >>> outward_signs((Shape("plane", np.zeros(3), np.array([0.0, 0.0, -1.0])),), band).tolist()
    [-1.0]
    """
    signs = np.ones(len(shapes))
    for number, shape in enumerate(shapes):
        mine = np.flatnonzero(band.labels == number)[:500]
        if len(mine):
            along = np.einsum("ij,ij->i", surface_normal(shape, band.points[mine]), band.normals[mine])
            signs[number] = 1.0 if along.sum() >= 0.0 else -1.0
    return signs


def _on_feature(opening: Opening, ground: Surroundings) -> HolePatch | None:
    number = opening.features[0]
    shape, outward = ground.shapes[number], float(ground.outward[number])
    near = ground.vertices[opening.outer.corners].mean(axis=0)
    chart = chart_of(shape, near, outward)
    layout = Layout(opening, ground, chart.flatten)
    if chart.period is not None and float(np.ptp(layout.flat[:, 0])) > 0.9 * chart.period:
        return None
    return layout.patch(chart.lift, lambda places: np.full(len(places), number, np.int32), f"the fitted {shape.kind}")


def _skin(opening: Opening, ground: Surroundings) -> HolePatch | None:
    band = ground.band
    near = opening.near[opening.ring <= 3]
    rim_normal = band.normals[band.place[opening.outer.corners]].mean(axis=0)
    guesses = (band.normals[near].mean(axis=0), rim_normal, opening.outer.normal)
    for direction, lift, layout in looks(opening, ground, guesses, 1e-6):
        patch = layout.patch(
            _raised_skin(opening, ground, layout.flatten, lift, direction),
            lambda places: np.full(len(places), -1, np.int32),
            SMOOTH,
        )
        if patch is not None:
            return patch
    return None


def _raised_skin(opening: Opening, ground: Surroundings, flatten: Flatten, lift: Raise, direction: Floats) -> Lift:
    """Made only when asked for: a gap of few edges gets no new point, so it needs no surface."""

    @cache
    def height() -> Callable[[Floats], Floats]:
        return fair_height(opening.near, opening.ring, ground, flatten, direction, opening.outer.centre)

    return lambda places: lift(places, height()(places))


def _in_space(opening: Opening, ground: Surroundings) -> HolePatch | None:
    """For a rim that no plane shows without overlaps: triangles straight in space, refined and made fair."""
    if opening.islands:
        return None
    corners, points, triangles = spanned(opening.outer, ground)
    if triangles is None:
        return None
    points, triangles = refine_in_space(points, triangles, opening.edge)
    points, triangles = without_doubles(corners, points, triangles, ground)
    fixed = len(corners)
    if len(points) > fixed:
        band = ground.band
        near = opening.near[opening.ring <= 3]
        local = np.full(len(band.points), -1, np.int64)
        here = band.place[corners]
        others = near[~np.isin(near, here)]
        local[here] = np.arange(fixed)
        local[others] = len(points) + np.arange(len(others))
        around = local[band.faces]
        around = around[(around >= 0).all(axis=1)]
        everything = np.concatenate([points, band.points[others]])
        free = np.zeros(len(everything), bool)
        free[fixed : len(points)] = True
        faces = np.concatenate([triangles, around]).astype(np.int32)
        points = fair_in_space(everything, faces, free)[: len(points)]
        if not np.isfinite(points).all():
            return None
    return HolePatch(corners, points[fixed:], triangles, np.full(len(triangles), -1, np.int32), SMOOTH)


def _strays(patch: HolePatch, opening: Opening, ground: Surroundings) -> bool:
    """Whether a point lies farther from all corners of a tiny gap's rim than its surface can."""
    if len(patch.points) == 0:
        return False
    away = np.linalg.norm(patch.points[:, None] - ground.vertices[patch.corners], axis=2).min(axis=1)
    return bool(away.max() > _STRAYS * opening.edge)


def _out_of_bores(patch: HolePatch, opening: Opening, ground: Surroundings) -> HolePatch:
    """Skin that would stand in a bore whose wall the rim lies on, put back onto the wall; only as far along it as the
    rim does."""
    if len(patch.points) == 0 or (patch.labels >= 0).any():
        return patch
    points = patch.points.copy()
    for number in opening.features:
        shape = ground.shapes[number]
        if shape.direction is None or kind_of(shape).flat or ground.outward[number] > 0.0:
            continue
        rim = (ground.vertices[opening.outer.corners[opening.sides == number]] - shape.point) @ shape.direction
        along = (points - shape.point) @ shape.direction
        off = signed_distance(shape, points)
        stands = (off < 0.0) & (along > rim.min()) & (along < rim.max())
        points[stands] -= off[stands, None] * surface_normal(shape, points[stands])
    return replace(patch, points=points)


def _bare(opening: Opening, ground: Surroundings) -> HolePatch | None:
    """A tiny gap by triangles between its corners alone."""
    corners, points, triangles = spanned(opening.outer, ground)
    if triangles is None:
        return None
    points, triangles = without_doubles(corners, points, triangles, ground)
    return HolePatch(corners, points[len(corners) :], triangles, np.full(len(triangles), -1, np.int32), SMOOTH)


def _fans(opening: Opening, ground: Surroundings) -> Iterator[HolePatch]:
    """A tiny gap by triangles from the middle of its rim, or from over or under it, as across a sharp edge."""
    corners = opening.outer.corners[::-1].copy()
    count = np.arange(len(corners), dtype=np.int32)
    triangles = np.stack([count, np.roll(count, -1), np.full_like(count, len(corners))], axis=1)
    middle = ground.vertices[corners].mean(axis=0, keepdims=True)
    for height in _APEXES:
        apex = middle + height * opening.edge * opening.outer.normal
        yield HolePatch(corners, apex, triangles, np.full(len(triangles), -1, np.int32), SMOOTH)


def rims_of(opening: Opening) -> tuple[Rim, ...]:
    """The outer rim and those of the islands.

    >>> from pipeline.features.gaps import band_of, find_rims, name_gaps
    >>> from pipeline.mesh.topology import facet_neighbours
    >>> from pipeline.values import Surface
    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> rims, _ = find_rims(square, facet_neighbours(square.faces, 4))
    >>> (border,) = name_gaps(square, rims, band_of(square, rims, np.full(2, -1, np.int32)), (), 0.01)
    >>> [rim.length for rim in rims_of(border)]
    [4.0]
    """
    return (opening.outer, *opening.islands)
