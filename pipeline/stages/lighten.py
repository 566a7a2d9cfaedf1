"""The lighten stage: a mesh of few facets that keeps the features true."""

from __future__ import annotations

import numpy as np

from pipeline.features.simplification import (
    ROUNDING,
    lightened_within,
    noise_reach,
    on_features,
    snapping_reach,
    target_surface,
)
from pipeline.job import LightenSettings
from pipeline.mesh.query import vertices_near_new
from pipeline.mesh.simplify import finish_collapse, start_collapse, sweep_down
from pipeline.progress import Progress, silent
from pipeline.values import FillResult, LightenResult, RecoverResult, Source, Surface

# Sweeps stop at this many times the count; from there on the cheapest edge goes first.
_LAST_STRETCH = 1.5
# So often all is done again where facets that pass through each other can't be mended.
_STARTS = 4
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
        f"by up to {ROUNDING:g} mm."
    )
    return LightenResult(light.surface, light.labels, light.bound_by, (*light.cautions, caution))


def _to_count(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress
) -> LightenResult:
    surface = fill.surface
    goal = settings.facets or 4
    reach = snapping_reach(source.noise_sigma, source.mean_edge)
    still = None
    for _ in range(_STARTS):
        target = on_features(
            surface.vertices, surface.faces, fill.labels, recover.features, reach, sharp=settings.edges == "sharp"
        )
        work = start_collapse(
            target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table, still=still
        )
        del target
        progress(0.1, "collapsing edges")
        sweep_down(work, int(_LAST_STRETCH * goal))
        progress(0.8, "collapsing the cheapest edges first")
        # What passes through itself since the sweeps is kept out of them.
        near = vertices_near_new(surface.vertices, surface.faces, finish_collapse(work, goal))
        if not near.any():
            break
        still = near if still is None else still | near
    light = Surface(work.points, work.faces, work.origin)
    bound = f"the count: {light.facets:,} facets"
    cautions = [_CROSSING] if near.any() else []
    if light.facets > goal:
        cautions.append(
            f"{goal:,} facets could not be reached without breaking the surface or its features; "
            f"{light.facets:,} are left."
        )
    return LightenResult(light, work.label, bound, tuple(cautions))


def _to_tolerance(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress
) -> LightenResult:
    assert settings.tolerance is not None
    surface, tolerance = fill.surface, settings.tolerance
    reach = noise_reach(source.noise_sigma, _SNAP_SHARE * tolerance)
    target = target_surface(
        surface.vertices, surface.faces, fill.labels, recover.features, reach, source.noise_sigma,
        sharp=settings.edges == "sharp",
    )  # fmt: skip
    # What vertices were moved beyond their noise is part of what the light mesh may deviate; what edges were
    # moved on request is not.
    carried = target.carriers[:, 0] >= 0
    moved = np.linalg.norm(target.vertices[carried] - surface.vertices[carried], axis=1).max(initial=0.0)
    spent = max(0.0, min(float(moved), reach) - noise_reach(source.noise_sigma, 0.0))
    found = lightened_within(surface, target, tolerance - spent, settings.facets or 4, progress)
    deviation = found.deviation + spent
    light = Surface(found.work.points, found.work.faces, found.work.origin)
    used = f"{light.facets:,} facets, {deviation:.4f} mm of {tolerance:g} mm used"
    by_count = settings.facets is not None and light.facets <= settings.facets
    bound = f"the count: {used}" if by_count else f"the tolerance: {used}"
    cautions = [_CROSSING] if found.crossing else []
    if deviation > tolerance:
        cautions.insert(
            0,
            f"The tolerance of {tolerance:g} mm could not be met everywhere: the light mesh is up to "
            f"{deviation:.4f} mm from the noise-free surface.",
        )
    return LightenResult(light, found.work.label, bound, tuple(cautions))
