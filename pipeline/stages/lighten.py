"""The lighten stage: a mesh of few facets that keeps the features true."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipeline.features.simplification import (
    ROUNDING,
    Target,
    lightened_within,
    noise_reach,
    on_features,
    snapping_reach,
    tangled,
    target_surface,
)
from pipeline.geometry import Floats, Indices, Mask
from pipeline.job import LightenSettings
from pipeline.lengths import mm
from pipeline.mesh.query import Scene, self_intersections, vertices_near_new
from pipeline.mesh.simplify import (
    CollapseMesh,
    Streaming,
    finish_collapse,
    least_height,
    move_apart,
    take_out_slivers,
)
from pipeline.progress import Progress, silent
from pipeline.values import FillResult, LightenResult, RecoverResult, Source, Surface

# Sweeps stop at this many times the count; from there on the cheapest edge goes first.
_LAST_STRETCH = 1.5
# So often all is done again where facets that pass through each other can't be mended.
_STARTS = 8
# Of the tolerance: so far vertices may be moved onto their features even where that is more than noise.
_SNAP_SHARE = 0.1
_CROSSING = "The light mesh passes through itself in places where the scan does not; give it more facets."


def lighten(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress = silent
) -> LightenResult:
    """Lighten the filled surface, in scan coordinates, to the count or the tolerance of the settings.

    With a tolerance the noise-free surface (`features.simplification.target_surface`) is what distances are measured
    to; with sharp edges that surface has them too.
    """
    progress(0.0, "putting vertices on their features")
    made = _to_count if settings.tolerance is None else _to_tolerance
    light = made(fill, recover, source, settings, progress)
    if settings.edges == "as-scanned":
        return light
    caution = (
        f"Edges between features were made sharp on request: there the light mesh leaves the scan's rounded edges, "
        f"by up to {mm(ROUNDING, 'g')}."
    )
    if len(light.left):
        caution += " In some places they are as scanned, where facets would have crossed or the surfaces hardly meet."
    return replace(light, cautions=(*light.cautions, caution), sharp=True)


def _to_count(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress
) -> LightenResult:
    surface = fill.surface
    goal = settings.facets or 4
    reach = snapping_reach(source.noise_sigma, source.mean_edge)
    sharp = settings.edges == "sharp"
    place = partial(on_features, surface.vertices, surface.faces, fill.labels, recover.features, reach, sharp=sharp)
    still = leave = np.zeros(len(surface.vertices), dtype=np.bool_)
    best: _Made | None = None
    streaming = Streaming(int(_LAST_STRETCH * goal))
    for _ in range(_STARTS):
        target = place(leave=leave)
        progress(0.1, "collapsing edges")
        work = streaming.down(
            target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table, still=still
        )
        # Made again where it is needed: the collapse is what takes memory.
        del target
        progress(0.8, "collapsing the cheapest edges first")
        crossing, turned = finish_collapse(work, goal)
        found = _finished(surface, work, crossing, turned, leave, sharp)
        if best is None or found.new < best.new:
            best = found
        if not sharp and not found.near.any():
            break
        target = place(leave=leave)
        more = _let_go(surface, target, found.near, leave)
        if sharp:
            more[_blunt(Surface(work.points, work.faces, work.origin), surface, target, reach)] = True
        del target
        if not (found.near & ~still).any() and not (more & ~leave).any():
            break
        # What passes through itself since the sweeps is kept out of them, and off its features where it did so on them;
        # so are edges that could not be made sharp.
        still, leave = still | found.near, leave | more
    assert best is not None
    facets = len(best.work.faces)
    cautions = []
    if facets > goal:
        cautions.append(
            f"{goal:,} facets could not be reached without breaking the surface or its features; {facets:,} are left."
        )
    made = _result(best, f"the count: {facets:,} facets", cautions)
    return _told_blunt(made, surface, place(leave=best.leave), reach) if sharp else made


def _to_tolerance(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress
) -> LightenResult:
    assert settings.tolerance is not None
    surface, tolerance = fill.surface, settings.tolerance
    reach = noise_reach(source.noise_sigma, _SNAP_SHARE * tolerance)
    sharp = settings.edges == "sharp"
    leave = np.zeros(len(surface.vertices), dtype=np.bool_)
    for _ in range(_STARTS):
        target = target_surface(
            surface.vertices, surface.faces, fill.labels, recover.features, reach, source.noise_sigma,
            sharp=sharp, leave=leave,
        )  # fmt: skip
        # What vertices were moved beyond their noise is part of what the light mesh may deviate; what edges were
        # moved on request is not.
        carried = target.carriers[:, 0] >= 0
        moved = np.linalg.norm(target.vertices[carried] - surface.vertices[carried], axis=1).max(initial=0.0)
        spent = max(0.0, min(float(moved), reach) - noise_reach(source.noise_sigma, 0.0))
        kept = lightened_within(surface, target, tolerance - spent, settings.facets or 4, progress)
        found = _finished(surface, kept.work, kept.crossing, kept.crossing[:0], leave, sharp)
        more = _let_go(surface, target, found.near, leave)
        if not (more & ~leave).any():
            break
        leave = leave | more
    deviation = kept.deviation + spent
    facets = len(found.work.faces)
    used = f"{facets:,} facets, {mm(deviation, '.4f')} of {mm(tolerance, 'g')} used"
    by_count = settings.facets is not None and facets <= settings.facets
    cautions = []
    if deviation > tolerance:
        cautions.append(
            f"The tolerance of {mm(tolerance, 'g')} could not be met everywhere: the light mesh is up to "
            f"{mm(deviation, '.4f')} from the noise-free surface."
        )
    made = _result(found, f"the count: {used}" if by_count else f"the tolerance: {used}", cautions)
    return _told_blunt(made, surface, target, reach) if sharp else made


@dataclass(frozen=True)
class _Made:
    """A light mesh, and where it passes through itself.

    new    how many facets cross, or are about to, in places where the scan's don't
    near   (n,) vertices of the scan there
    leave  (n,) vertices of the scan that were left as they were
    """

    work: CollapseMesh
    new: int
    near: Mask
    leave: Mask


def _finished(
    surface: Surface, work: CollapseMesh, crossing: Floats, turned: Floats, leave: Mask, sharp: bool
) -> _Made:
    """Take slivers and sheets that touch out of a light mesh, and see where it crosses itself and the scan does not.

    crossing, turned  (k, 3, 3) mm, corners of its facets that cross, and of those that lie turned over on features
    """
    least = least_height(work.points)
    changed = take_out_slivers(work, least)
    work.points, moved = move_apart(work.points, work.faces, least)
    changed |= moved[work.faces].any(axis=1)
    if sharp:
        # Sheets that were made to meet may touch: rounded as in a file, they cross.
        changed[:] = True
    if changed.any():
        rounded = work.points.astype(np.float32).astype(np.float64)
        again = np.unique(self_intersections(rounded, work.faces, changed))
        crossing = np.vstack([crossing, work.points[work.faces[again]]])
    near, _ = vertices_near_new(surface.vertices, surface.faces, crossing)
    new = len(np.unique(crossing, axis=0)) if near.any() else 0
    if sharp and len(turned):
        near = near | vertices_near_new(surface.vertices, surface.faces, turned)[0]
    return _Made(work, new, near, leave)


def _let_go(surface: Surface, target: Target, near: Mask, leave: Mask) -> Mask:
    """Vertices (n,) of the scan, `near` a place, whose facets came to cross when they were put onto features.

    Where there are none but those that are let go already, those on edges of features.
    """
    wrong = tangled(surface.vertices, surface.faces, target, near)
    if not (wrong & ~leave).any():
        wrong = near & (target.carriers[:, 1] >= 0)
    return wrong


def _blunt(light: Surface, surface: Surface, target: Target, reach: float) -> Indices:
    """Vertices of the scan where the light mesh did not follow an edge that was made sharp.

    There it is nearer to the scan than to where the features meet, and that by more than `reach` mm away.
    """
    moved = np.flatnonzero(np.linalg.norm(target.vertices - surface.vertices, axis=1) > reach)
    scene = Scene(light)
    sharp, scanned = scene.distance(target.vertices[moved]), scene.distance(surface.vertices[moved])
    return moved[(sharp > scanned) & (sharp > reach)]


def _told_blunt(made: LightenResult, surface: Surface, target: Target, reach: float) -> LightenResult:
    """With the vertices of edges that stayed blunt among those that were left."""
    return replace(made, left=np.union1d(made.left, _blunt(made.surface, surface, target, reach)).astype(np.int32))


def _result(made: _Made, bound: str, cautions: list[str]) -> LightenResult:
    work = made.work
    if made.new:
        cautions = [_CROSSING, *cautions]
    light = Surface(work.points, work.faces, work.origin)
    return LightenResult(light, work.label, bound, tuple(cautions), np.flatnonzero(made.leave).astype(np.int32))
